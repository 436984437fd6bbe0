"""The plan: everything the renderer needs, decided before any pixel is touched."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Literal

from platemark.model.adjusting import Adjustment
from platemark.model.patch_strip import StripPlan
from platemark.model.plain import canonical, to_plain
from platemark.model.terms import Box, EdgeChoice, Intent
from platemark.model.test_sheet import SheetPlan

SourceFrom = Literal["embedded", "assumed", "stated", "lab"]
"""Why the picture's numbers are read as they are: its own profile says so; a written policy does;
the file names a known space without a profile; it is in Lab and was brought into our ROMM RGB."""


@dataclass(frozen=True, slots=True)
class Sharpening:
    """How much a picture's lightness is sharpened for its surface."""

    surface: str
    """Name of the surface, for people."""
    radius_px: Fraction
    """Standard deviation of the blur that detail is measured against, in pixels of the print."""
    amount: Fraction
    """By how much of itself detail is raised."""
    threshold_l: Fraction
    """Detail of less than this is left alone, L*."""
    overshoot_l: Fraction
    """No pixel is changed by more, L*."""
    seen_from: str = ""
    """The viewing distance, where that and not the surface decided the radius."""


@dataclass(frozen=True, slots=True)
class Plan:
    """One print, decided; it holds no job number and no time."""

    original_sha256: str
    original_format: Literal["tiff", "jpeg", "png"]
    orientation: int
    """EXIF orientation of the stored pixels; the face is upright."""
    crop: Box
    """Of the upright picture."""
    width_px: int
    """Of the whole document."""
    height_px: int
    placed: Box
    face_box: Box
    trim_box: Box
    safe_box: Box
    bleed_px: int
    wrap_px: int
    tuck_px: int
    edge: EdgeChoice
    ppi: Fraction
    resample: Literal["none", "reduce", "enlarge"]
    mirror: bool
    """Whether we turn the finished document left for right."""
    source_profile_sha256: str
    source_profile_from: SourceFrom
    conversion: Literal["lab-profile", "working-space", "keep"]
    output_profile_sha256: str
    output_space: str
    """Its description, for people."""
    intent: Intent
    black_point_compensation: bool
    format: Literal["tiff", "jpeg"]
    bits: Literal[8, 16]
    compression: Literal["none", "lzw", "deflate"]
    jpeg_quality: int
    creator: str
    rights: str
    dither_seed: int = 0
    sharpen: Sharpening | None = None
    slug: str = ""
    """Text for the bleed, so that a mirrored print can be told from one that was not."""
    adjust: Adjustment | None = None
    """What a photographer settled, worked on the face before it is sharpened."""
    strip: StripPlan | None = None
    """The patch strip below the print, outside its trim; the document's height includes it."""
    test: SheetPlan | None = None
    """A sheet of a test: the face is made of pieces of the print that this would be otherwise."""

    @property
    def print_height_px(self) -> int:
        """Height of the document without its patch strip."""
        return self.height_px - (self.strip.box.height if self.strip is not None else 0)


def plan_hash(plan: Plan) -> str:
    """SHA-256 of a plan without its seed.

    A plan without an adjustment or a strip has the hash that it had before there were any, so what
    was made then can be made again to the byte.
    """
    plain = to_plain(replace(plan, dither_seed=0))
    if plan.adjust is None:
        del plain["adjust"]
    if plan.strip is None:
        del plain["strip"]
    if plan.test is None:
        del plain["test"]
    return hashlib.sha256(canonical(plain)).hexdigest()


def seeded(plan: Plan) -> Plan:
    """Give a plan its dither seed: first 8 bytes of SHA-256(original's hash ‖ plan's hash)."""
    joined = bytes.fromhex(plan.original_sha256) + bytes.fromhex(plan_hash(plan))
    return replace(plan, dither_seed=int.from_bytes(hashlib.sha256(joined).digest()[:8], "big"))
