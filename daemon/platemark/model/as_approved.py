"""How a print would look, and in what it would differ from an approved test."""

from __future__ import annotations

from fractions import Fraction

from platemark.model.approval import Approval, AsPrinted, Difference
from platemark.model.known import Known
from platemark.model.plan import Plan, Sharpening
from platemark.model.planning import SPACE_NAMES, intent_of, sharpening_of
from platemark.model.units import MM_PER, shown

SHOWN = 8
"""Letters of a hash that people are shown."""


def as_printed(known: Known) -> AsPrinted | None:
    """How a picture would be printed at its full size; None while that is not settled."""
    layout, lab, product = known.layout, known.lab, known.product
    if layout is None or lab is None or product is None:
        return None
    intent, compensate = intent_of(known, product)
    adjust = known.settled.adjust if known.settled is not None else None
    by_profile = product.profile is not None
    spaces = ", ".join(SPACE_NAMES[each] for each in product.working_spaces)
    return AsPrinted(
        lab=lab.id,
        surface=known.surface.id,
        profile_sha256=known.profile.sha256 if by_profile else "",
        profile=(known.profile.description or known.profile.file) if by_profile else spaces,
        intent=intent,
        black_point_compensation=compensate,
        sharpening=sharpening_words(sharpening_of(known, layout), layout.ppi),
        adjust=str(adjust) if adjust is not None else None,
    )


def as_planned(plan: Plan, lab: str, surface: str) -> AsPrinted:
    """The same of a test that has a plan alone, as those of earlier versions have."""
    by_profile = plan.conversion == "lab-profile"
    return AsPrinted(
        lab=lab,
        surface=surface,
        profile_sha256=plan.output_profile_sha256 if by_profile else "",
        profile=plan.output_space,
        intent=plan.intent,
        black_point_compensation=plan.black_point_compensation,
        sharpening=sharpening_words(plan.sharpen, plan.ppi),
        adjust=str(plan.adjust) if plan.adjust is not None else None,
    )


def sharpening_words(how: Sharpening | None, ppi: Fraction) -> str:
    """Sharpening as it is on the print, whatever its resolution."""
    if how is None:
        return "none"
    radius = how.radius_px / ppi * MM_PER["in"]
    said = (
        f"radius {shown(radius, 3)} mm, amount {shown(how.amount, 3)}, threshold "
        f"{shown(how.threshold_l, 2)} L*, halo {shown(how.overshoot_l, 2)} L*"
    )
    return f"{said}, seen from {how.seen_from}" if how.seen_from else said


def differences(approval: Approval, original_sha256: str, now: AsPrinted) -> tuple[Difference, ...]:
    """Everything in which a print would differ from what was approved, but for its size.

    Args:
        approval: What was approved.
        original_sha256: Hash of the final's original.
        now: How the final would be printed.
    """
    then = approval.printed
    pairs = [
        ("picture", approval.original_sha256[:SHOWN], original_sha256[:SHOWN]),
        ("surface", then.surface, now.surface),
        ("lab", then.lab, now.lab),
        ("profile", _profile(then), _profile(now)),
        ("intent", then.intent, now.intent),
        (
            "black point compensation",
            _on(compensates=then.black_point_compensation),
            _on(compensates=now.black_point_compensation),
        ),
        ("sharpening", then.sharpening, now.sharpening),
        ("adjustment", then.adjust or "none", now.adjust or "none"),
    ]
    return tuple(Difference(*pair) for pair in pairs if pair[1] != pair[2])


def _profile(printed: AsPrinted) -> str:
    """By its hash where it has one: a description may be the same for two."""
    if not printed.profile_sha256:
        return printed.profile
    return f"{printed.profile} {printed.profile_sha256[:SHOWN]}"


def _on(*, compensates: bool) -> str:
    return "on" if compensates else "off"
