"""Turns what is known of a job into its plan; pure arithmetic and choices, no pixel is touched."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from platemark.model.geometry import Layout
from platemark.model.known import Known
from platemark.model.lab import Product
from platemark.model.plan import Plan, seeded
from platemark.model.terms import Intent
from platemark.model.work import Line

ASSUMED_SPACE = "srgb"


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
    embedded = facts.profile.sha256 if facts.profile is not None else ""
    source = embedded or spaces[ASSUMED_SPACE]
    colour = _colour(known, product, source, spaces)
    intent, compensate = intent_of(known, product)
    factor = layout.factor
    return seeded(
        Plan(
            original_sha256=original_sha256,
            original_format=facts.format,
            orientation=facts.orientation,
            crop=layout.crop,
            width_px=layout.width,
            height_px=layout.height,
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
            source_profile_from="embedded" if embedded else "assumed",
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
        )
    )


def intent_of(known: Known, product: Product) -> tuple[Intent, bool]:
    """Intent and black point compensation: the lab's wish, else the surface's.

    Compensation means something for the relative intent only (ISO 18619), so it is off elsewhere.
    """
    intent, compensate = known.surface.intent, known.surface.black_point_compensation
    if product.profile is not None:
        intent = product.profile.intent or intent
        if product.profile.black_point_compensation is not None:
            compensate = product.profile.black_point_compensation
    return intent, compensate and intent == "relative"


def _colour(known: Known, product: Product, source: str, spaces: Mapping[str, str]) -> _Colour:
    if product.profile is not None:
        standing = known.profile
        return _Colour("lab-profile", standing.sha256, standing.description or standing.file)
    wanted = product.working_spaces
    facts = known.facts
    own = facts.profile.working_space if facts.profile is not None else ASSUMED_SPACE
    if own in wanted and facts.mode == "rgb":
        # The lab takes this very space: the pixels of a finished picture are left alone.
        name = facts.profile.description if facts.profile is not None else SPACE_NAMES[own]
        return _Colour("keep", source, name)
    return _Colour("working-space", spaces[wanted[0]], SPACE_NAMES[wanted[0]])


def drawing_lines(layout: Layout) -> tuple[Line, ...]:
    """The lines that the ticket's picture carries, outermost first."""
    lines: list[Line] = []
    if layout.wrap_px:
        lines.append(Line("trim", layout.trim))
        lines.append(Line("fold", layout.face))
    elif layout.bleed_px:
        lines.append(Line("trim", layout.trim))
    elif layout.has_border:
        lines.append(Line("sheet", layout.trim))
    lines.append(Line("safe", layout.safe))
    return tuple(lines)
