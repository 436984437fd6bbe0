"""The same print again: why, and what of it is no longer what it was."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Final, Literal

from platemark.model.plan import Plan, Sharpening, plan_hash
from platemark.model.terms import Box

Reason = Literal["sold-again", "lab-fault", "damaged", "lost", "other"]
REASONS: Final[dict[Reason, str]] = {
    "sold-again": "sold again",
    "lab-fault": "the lab’s fault",
    "damaged": "the print was damaged",
    "lost": "the print was lost",
    "other": "asked for once more",
}
"""Why a print is made again, in people's words."""
IN_PLACE_OF: Final = ("lab-fault", "damaged", "lost")
"""Reasons for which the new print takes the place of the first."""
SHORT = 8
"""Letters of a hash that people are shown."""


@dataclass(frozen=True, slots=True)
class Printed:
    """How a picture was printed, or would be now."""

    lab: str
    surface: str
    product: str
    """The lab's own name for it."""
    plan: Plan | None
    """None for a job that was read back from files and has none."""


@dataclass(frozen=True, slots=True)
class Compared:
    """The archived print beside the new rendering: CIEDE2000 as decimal strings."""

    mean: str
    p95: str
    above: str
    """Percent of the picture that differs by more than `ABOVE`."""
    absolute: bool
    """Each as an instrument reads its paper; else each relative to its own white."""


ABOVE: Final = 2
"""CIEDE2000 that an eye sees side by side (common practice of the trade)."""


@dataclass(frozen=True, slots=True)
class Reprint:
    """A job that is to be the same print again."""

    of: int
    reason: Reason
    first: Printed
    now: Printed | None = None
    """None while it cannot be planned."""
    compared: Compared | None = None
    not_compared: str = ""
    """Why there is no comparison, as a sentence; empty while none was tried."""
    drawing: str = ""
    """SHA-256 of then and now side by side; empty where it was not drawn."""
    seen: str = ""
    """Which comparison those are: `of_what` when it was made."""
    recalled: bool = False
    """The first was called back from its lab."""

    @property
    def of_what(self) -> str:
        """Tells one comparison from another: both plans, by their hashes."""
        now = self.now.plan if self.now is not None else None
        return "-".join(plan_hash(plan) if plan else "none" for plan in (self.first.plan, now))

    @property
    def is_same(self) -> bool:
        """Whether lab, surface, product and everything of the plan are what they were."""
        return self.now is not None and not any(differences(self.first, self.now))


def differences(first: Printed, now: Printed) -> Iterator[str]:
    """Say each thing that differs, as “the intent was relative and is perceptual now”."""
    if first.plan is None:
        yield "how it was prepared then is not on record"
    for what, was, is_now in (
        ("lab", first.lab, now.lab),
        ("surface", first.surface, now.surface),
        ("lab’s product", first.product, now.product),
    ):
        # What was read back from files need not tell all of it.
        if was and was != is_now:
            yield f"the {what} was {was} and is {is_now or 'none'} now"
    if first.plan is not None and now.plan is not None:
        yield from _of_plans(first.plan, now.plan)


def _of_plans(first: Plan, now: Plan) -> Iterator[str]:
    if plan_hash(first) == plan_hash(now):
        return
    said = False
    for words, fields, shown in _TOLD:
        if all(getattr(first, each) == getattr(now, each) for each in fields):
            continue
        said = True
        was, is_now = (_short(shown(plan)) for plan in (first, now))
        were, are = ("were", "are") if words in _PLURAL else ("was", "is")
        if was == is_now:
            yield f"the {words} {are} not what {were} planned then"
        else:
            yield f"the {words} {were} {was} and {are} {is_now} now"
    if not said:
        yield "it would be planned otherwise now"


_PLURAL = ("pixels of the print", "names in the file")


def _short(text: str) -> str:
    return text if len(text) <= 120 else f"{text[:119]}…"


def _profile(plan: Plan) -> str:
    return f"“{plan.output_space}” ({plan.output_profile_sha256[:SHORT]})"


def _sharpening(sharpen: Sharpening | None) -> str:
    if sharpen is None:
        return "none"
    return (
        f"{float(sharpen.amount):g} of {float(sharpen.radius_px):g} px, from "
        f"{float(sharpen.threshold_l):g} to {float(sharpen.overshoot_l):g} L*"
    )


def _box(box: Box) -> str:
    return f"{box.width} × {box.height} px from {box.left}, {box.top}"


def _edge(plan: Plan) -> str:
    around = [
        f"{name} {px} px"
        for name, px in (("bleed", plan.bleed_px), ("wrap", plan.wrap_px), ("tuck", plan.tuck_px))
        if px
    ]
    return ", ".join([str(plan.edge), *around])


def _form(plan: Plan) -> str:
    if plan.format == "jpeg":
        return f"JPEG of quality {plan.jpeg_quality}"
    packed = "" if plan.compression == "none" else f", {plan.compression}"
    return f"{plan.bits}-bit {plan.format.upper()}{packed}"


_TOLD: tuple[tuple[str, tuple[str, ...], Callable[[Plan], str]], ...] = (
    ("profile", ("output_profile_sha256", "conversion"), _profile),
    ("intent", ("intent",), lambda plan: plan.intent),
    (
        "black point compensation",
        ("black_point_compensation",),
        lambda plan: "on" if plan.black_point_compensation else "off",
    ),
    ("adjustment", ("adjust",), lambda plan: str(plan.adjust or "none")),
    ("sharpening", ("sharpen",), lambda plan: _sharpening(plan.sharpen)),
    (
        "pixels of the print",
        ("width_px", "height_px", "ppi", "resample"),
        lambda plan: f"{plan.width_px} × {plan.height_px} at {float(plan.ppi):g} ppi",
    ),
    ("part of the picture", ("crop", "orientation"), lambda plan: _box(plan.crop)),
    (
        "front face",
        ("placed", "face_box", "trim_box", "safe_box"),
        lambda plan: _box(plan.face_box),
    ),
    ("edge", ("edge", "bleed_px", "wrap_px", "tuck_px"), _edge),
    ("mirroring", ("mirror",), lambda plan: "by the studio" if plan.mirror else "not here"),
    (
        "picture’s own profile",
        ("source_profile_sha256", "source_profile_from"),
        lambda plan: f"{plan.source_profile_sha256[:SHORT]}, {plan.source_profile_from}",
    ),
    ("form of the file", ("format", "bits", "compression", "jpeg_quality"), _form),
    ("line in the bleed", ("slug",), lambda plan: f"“{plan.slug}”"),
    (
        "names in the file",
        ("creator", "rights"),
        lambda plan: "; ".join(filter(None, (plan.creator, plan.rights))) or "none",
    ),
)
