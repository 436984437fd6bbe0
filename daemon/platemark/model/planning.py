"""Turns what is known of a job into its plan; pure arithmetic and choices, no pixel is touched."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Literal

from platemark.model.adjusting import Adjustment
from platemark.model.geometry import Layout
from platemark.model.known import Known
from platemark.model.lab import Product
from platemark.model.patch_strip import StripPlan, strip_below, strip_words
from platemark.model.picture import Facts
from platemark.model.plan import Plan, Sharpening, SourceFrom, seeded
from platemark.model.surface import Direction, Surface
from platemark.model.terms import Box, Intent
from platemark.model.units import MM_PER
from platemark.model.work import Line, Measuring

ASSUMED_SPACE = "srgb"
LAB_SPACE = "romm"
"""Of the spaces that a Lab picture can be brought into, the one that clips the least."""

_INCHES_PER_INCH = Fraction(4, 10_000)
"""Radius for each inch of viewing distance (common practice of the trade)."""
_LARGEST_RADIUS_PX = Fraction(5)
_SOFT_FROM = Fraction(3, 2)
"""Enlarged by more than this, a picture has no detail that bears an amount above 1 (the same)."""


@dataclass(frozen=True, slots=True)
class _Colour:
    conversion: Literal["lab-profile", "working-space", "keep"]
    sha256: str
    name: str


SPACE_NAMES: dict[str, str] = {
    "srgb": "sRGB",
    "adobe-rgb": "Adobe RGB (1998)",
    "display-p3": "Display P3",
    "romm": "ROMM RGB",
}


def make_plan(known: Known, original_sha256: str, spaces: Mapping[str, str]) -> Plan:
    """Decide everything that the renderer needs.

    Args:
        known: A job without a stop: it has a layout, a product and a usable profile.
        original_sha256: Hash of the original.
        spaces: SHA-256 of our own profile of each working space.

    Raises:
        ValueError: a stop was overlooked; the job cannot be planned.
    """
    facts, layout, product = known.facts, known.layout, known.product
    if layout is None or product is None or facts.format == "other":
        raise ValueError(f"{known.name} cannot be planned while a stop is open")
    source, source_from = _source(facts, spaces)
    colour = _colour(known, product, source, spaces)
    intent, compensate = intent_of(known, product)
    factor = layout.factor
    strip = planned_strip(known, layout, colour.sha256, original_sha256)
    return seeded(
        Plan(
            original_sha256=original_sha256,
            original_format=facts.format,
            orientation=facts.orientation,
            crop=layout.crop,
            width_px=layout.width,
            height_px=layout.height + (strip.box.height if strip is not None else 0),
            placed=layout.placed,
            face_box=layout.face,
            trim_box=layout.trim,
            safe_box=layout.safe,
            bleed_px=layout.bleed_px,
            wrap_px=layout.wrap_px,
            tuck_px=layout.tuck_px,
            edge=layout.edge,
            ppi=layout.ppi,
            resample="none" if factor == 1 else "reduce" if factor < 1 else "enlarge",
            mirror=product.mirror_by == "studio",
            source_profile_sha256=source,
            source_profile_from=source_from,
            conversion=colour.conversion,
            output_profile_sha256=colour.sha256,
            output_space=colour.name,
            intent=intent,
            black_point_compensation=compensate,
            format=product.form.format,
            bits=8 if product.form.format == "jpeg" else product.form.bits,
            compression=product.form.compression,
            jpeg_quality=product.form.jpeg_quality if product.form.format == "jpeg" else 0,
            creator=facts.creator,
            rights=facts.rights,
            sharpen=sharpening_of(known, layout),
            slug=slug_words(product, str(layout.size), original_sha256),
            adjust=_adjusting(known),
            strip=strip,
        )
    )


def measuring_of(
    known: Known, spaces: Mapping[str, str], places_px: tuple[int, int] = (0, 0)
) -> Measuring | None:
    """What a picture's measures depend on; None where its size or its product is not settled.

    Args:
        known: A job without a stop that nobody may accept: if it needs a profile, it has one.
        spaces: SHA-256 of our own profile of each working space.
        places_px: How large the places of a test are; (0, 0) for no test.
    """
    facts, layout, product = known.facts, known.layout, known.product
    if layout is None or product is None or facts.format == "other":
        return None
    source, source_from = _source(facts, spaces)
    colour = _colour(known, product, source, spaces)
    intent, compensate = intent_of(known, product)
    differs = known.surface.suits.other_intent_percent
    return Measuring(
        original_format=facts.format,
        orientation=facts.orientation,
        crop=layout.crop,
        placed=layout.placed,
        face_box=layout.face,
        ppi=layout.ppi,
        around_mm=layout.wrap.mm if layout.wrap_px else Fraction(0),
        black_l=str(known.surface.black_l),
        source_profile_sha256=source,
        source_profile_from=source_from,
        output_profile_sha256=colour.sha256,
        intent=intent,
        black_point_compensation=compensate,
        by_lab_profile=product.profile is not None,
        surface_name=known.surface.name,
        white_l=str(known.surface.white_l),
        white_b=str(known.surface.white_b),
        bare_metal=known.surface.bare_metal,
        show_other_intent_from="100" if differs is None else str(differs),
        adjust=_adjusting(known),
        places_px=places_px,
    )


def intent_of(known: Known, product: Product) -> tuple[Intent, bool]:
    """Intent and black point compensation: what was settled, else the lab's wish or the surface's.

    Compensation means something for the relative intent only (ISO 18619), so it is off elsewhere.
    """
    intent = usual_intent(known.surface, product)
    compensate = known.surface.black_point_compensation
    if product.profile is not None and product.profile.black_point_compensation is not None:
        compensate = product.profile.black_point_compensation
    settled = known.settled.intent if known.settled is not None else None
    if settled is not None and not why_not_intent(settled, known, product):
        intent = settled
    return intent, compensate and intent == "relative"


def usual_intent(surface: Surface, product: Product) -> Intent:
    """The intent that is taken while nothing is settled: the lab's wish, else the surface's."""
    wish = product.profile.intent if product.profile is not None else None
    return wish or surface.intent


def why_not_intent(intent: Intent, known: Known, product: Product) -> str:
    """Say why a settled intent cannot be followed; empty where it can.

    Between spaces of a matrix and curves all intents are one, and a table that is not there must
    not be stood in for by another.
    """
    lab = known.lab.name if known.lab is not None else "the lab"
    if product.profile is None:
        return f"{lab} converts to its own printer, so no intent of ours is used"
    if known.profile.intents and intent not in known.profile.intents:
        return f"the profile {known.profile.file} of {lab} has no tables for it"
    return ""


def _adjusting(known: Known) -> Adjustment | None:
    return known.settled.adjust if known.settled is not None else None


def planned_strip(known: Known, layout: Layout, profile: str, original: str) -> StripPlan | None:
    """The patch strip below a document; None where none is asked for, or it is too narrow.

    Args:
        known: The job.
        layout: Of the document.
        profile: SHA-256 of the profile that it is printed by.
        original: SHA-256 of the picture.
    """
    if known.resolved.request.strip != "patches":
        return None
    strip = strip_below(layout.width, layout.height, layout.ppi)
    words = strip_words(known.surface.id, profile, original)
    return replace(strip, words=words) if strip is not None else None


def slug_words(product: Product, size: str, original_sha256: str) -> str:
    """What is written into the bleed of a print that somebody mirrors; empty for any other."""
    said = {
        "lab": "READS RIGHT · MIRROR ONCE",
        "studio": "MIRRORED ALREADY · NOT AGAIN",
        "nobody": "",
    }[product.mirror_by]
    return f"{said} · {size} {original_sha256[:8]}" if said else ""


def _source(facts: Facts, spaces: Mapping[str, str]) -> tuple[str, SourceFrom]:
    """Hash of the profile that the picture is read with, and why that one."""
    if facts.mode == "lab":
        return spaces[LAB_SPACE], "lab"
    if facts.profile is None:
        return spaces[ASSUMED_SPACE], "assumed"
    if facts.profile.sha256:
        return facts.profile.sha256, "embedded"
    return spaces[facts.profile.working_space or ASSUMED_SPACE], "stated"


def sharpening_of(known: Known, layout: Layout) -> Sharpening | None:
    """How to sharpen for the surface and the distance; None where that is not asked.

    Millimetres and inches become pixels as 0.10 mm at 300 ppi is 1.181 px.
    """
    numbers, request = known.surface.sharpen, known.resolved.request
    if request.sharpen != "surface" or numbers is None:
        return None
    radius = Fraction(numbers.radius_mm) / MM_PER["in"] * layout.ppi
    seen_from = ""
    if request.viewing is not None:
        wanted = request.viewing.inches * _INCHES_PER_INCH * layout.ppi
        if wanted > radius:
            radius, seen_from = wanted, str(request.viewing)
    amount = Fraction(numbers.amount)
    return Sharpening(
        surface=known.surface.name,
        radius_px=min(radius, _LARGEST_RADIUS_PX),
        amount=min(amount, Fraction(1)) if layout.factor > _SOFT_FROM else amount,
        threshold_l=Fraction(numbers.threshold_l),
        overshoot_l=Fraction(numbers.overshoot_l),
        seen_from=seen_from,
    )


def _colour(known: Known, product: Product, source: str, spaces: Mapping[str, str]) -> _Colour:
    if product.profile is not None:
        standing = known.profile
        return _Colour("lab-profile", standing.sha256, standing.description or standing.file)
    wanted = product.working_spaces
    facts = known.facts
    profile = facts.profile
    own = profile.working_space if profile is not None else ASSUMED_SPACE
    if facts.mode == "lab":
        own, profile = LAB_SPACE, None
    if own in wanted and facts.mode in ("rgb", "lab"):
        # The lab takes this very space: the pixels of a finished picture are left alone.
        is_embedded = profile is not None and profile.sha256
        name = profile.description if profile is not None and is_embedded else SPACE_NAMES[own]
        return _Colour("keep", source, name)
    return _Colour("working-space", spaces[wanted[0]], SPACE_NAMES[wanted[0]])


def drawing_lines(layout: Layout, direction: Direction = "none") -> tuple[Line, ...]:
    """The lines that the ticket's picture carries, outermost first.

    Args:
        layout: Where everything lies.
        direction: Which way the surface's own lines run.
    """
    lines: list[Line] = []
    if layout.wrap_px:
        lines.append(Line("trim", layout.trim))
        lines.append(Line("fold", layout.face))
    elif layout.bleed_px:
        lines.append(Line("bleed", Box(0, 0, layout.width, layout.height)))
        lines.append(Line("trim", layout.trim))
    elif layout.has_border:
        lines.append(Line("sheet", layout.trim))
    safe = layout.safe
    lines.append(Line("safe", safe))
    if direction == "along-width":
        box = Box(safe.left + safe.width // 4, safe.top + safe.height * 7 // 8, safe.width // 2, 1)
        lines.append(Line("brush", box))
    elif direction == "along-height":
        box = Box(safe.left + safe.width // 8, safe.top + safe.height // 4, 1, safe.height // 2)
        lines.append(Line("brush", box))
    return tuple(lines)
