"""A surface: what the picture is printed on."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date
from decimal import Decimal
from typing import Literal

from platemark.model.terms import EdgeMode, Intent
from platemark.model.units import Length

Gloss = Literal["matte", "lustre", "gloss", "metallic"]
Direction = Literal["none", "along-width", "along-height"]
Place = Literal["indoor", "bright", "humid", "outdoor"]
Edge = Literal["none", "bleed", "wrap"]
Texture = Literal["smooth", "fine", "strong", "weave", "brushed"]


@dataclass(frozen=True, slots=True)
class PpiFloors:
    """Effective resolution at which a person is warned, and below which the job is held."""

    caution: int
    stop: int


@dataclass(frozen=True, slots=True)
class Layer:
    """One layer of a panel, for its weight."""

    material: str
    thickness_mm: Decimal
    density_kg_m3: int


@dataclass(frozen=True, slots=True)
class SharpenNumbers:
    """How a picture is sharpened for a surface, when that is asked."""

    radius_mm: Decimal
    """On the print."""
    amount: Decimal
    """By how much of itself detail is raised."""
    threshold_l: Decimal
    """Detail of less than this is left alone, L*."""
    overshoot_l: Decimal
    """No pixel is changed by more, L*."""


@dataclass(frozen=True, slots=True)
class Suits:
    """From where on a picture is said not to suit a surface; None where that is never said.

    Each is held against the measure of that name in `model.measures.Measures`; percentages are of
    the picture's area unless they say otherwise.
    """

    low_key_median_l: Decimal | None = None
    """L*: a picture with a lower median, and with `low_key_p95_l`, is mostly dark."""
    low_key_p95_l: Decimal | None = None
    flat_l: Decimal | None = None
    """L* from the 5th to the 95th percentile; less is flat."""
    shadow_percent: Decimal | None = None
    white_percent: Decimal | None = None
    """White that would be bare metal."""
    white_stop_percent: Decimal | None = None
    """So much of it that a photographer must say that it is meant."""
    dark_median_l: Decimal | None = None
    """L*: a lower median is too dark for a surface that has no white."""
    blown_patch_percent: Decimal | None = None
    white_edge_percent: Decimal | None = None
    """Of the ring along the edge, where the print has no border."""
    gamut_loss_percent: Decimal | None = None
    other_intent_percent: Decimal | None = None
    """What would look visibly different with the other rendering intent."""
    chroma: Decimal | None = None
    """C* that 1 % may exceed; asked where no profile of the lab tells more."""
    soft_gradient: Decimal | None = None
    """L* a pixel; less is too soft."""
    fine_detail_percent: Decimal | None = None
    """Of the variance of L*."""
    grain: Decimal | None = None
    """L*."""
    skin_percent: Decimal | None = None
    """From so much of colours like skin on, a picture is looked at as a portrait."""
    skin_shift: Decimal | None = None
    """CIEDE2000."""
    neutral_chroma: Decimal | None = None
    """Mean C* of a neutral picture once it is converted."""
    hue_turn: Decimal | None = None
    """Degrees, of a toned picture."""
    cool_white_b: Decimal | None = None
    """b*: a surface whose white is at or under it cools what is toned warm."""
    empty_levels_percent: Decimal | None = None
    """Of 8-bit levels."""
    plateau_percent: Decimal | None = None
    busy_wrap: Decimal | None = None
    """Times as busy as the rest."""
    mirrored_lines: Decimal | None = None
    """So many lines that meet a mirrored wrap."""
    halo: Decimal | None = None
    """L*: more, and the picture was sharpened already."""


def usual_suits(gloss: Gloss, texture: Texture, *, bare_metal: bool) -> Suits:
    """What is usual for that kind of surface (common practice; starting values)."""
    every = Suits(
        shadow_percent=Decimal(25),
        blown_patch_percent=Decimal(2),
        white_edge_percent=Decimal(25),
        gamut_loss_percent=Decimal(5),
        other_intent_percent=Decimal(5),
        grain=Decimal(4),
        skin_percent=Decimal(5),
        skin_shift=Decimal(3),
        neutral_chroma=Decimal(2),
        hue_turn=Decimal(10),
        cool_white_b=Decimal(-2),
        empty_levels_percent=Decimal(10),
        plateau_percent=Decimal(1),
        busy_wrap=Decimal("1.5"),
        mirrored_lines=Decimal(4),
        halo=Decimal(10),
    )
    if gloss == "matte":
        every = replace(
            every,
            low_key_median_l=Decimal(30),
            low_key_p95_l=Decimal(60),
            flat_l=Decimal(35),
            shadow_percent=Decimal(15),
            gamut_loss_percent=Decimal(10),
            chroma=Decimal(80),
        )
    if gloss == "gloss":
        every = replace(every, soft_gradient=Decimal(4), grain=Decimal(2))
    if gloss == "lustre":
        every = replace(every, grain=Decimal(3))
    if texture in ("strong", "brushed"):
        every = replace(every, fine_detail_percent=Decimal(12))
    if texture == "weave":
        every = replace(
            every,
            shadow_percent=Decimal(20),
            fine_detail_percent=Decimal(8),
            skin_shift=Decimal("4.5"),
        )
    return _on_metal(every) if bare_metal else every


def _on_metal(suits: Suits) -> Suits:
    return replace(
        suits,
        white_percent=Decimal(3),
        white_stop_percent=Decimal(15),
        dark_median_l=Decimal(35),
        chroma=Decimal(80),
        skin_percent=Decimal(15),
        # White is metal there, which is said by itself; it can vanish into no paper.
        blown_patch_percent=None,
        white_edge_percent=None,
        low_key_median_l=None,
        low_key_p95_l=None,
    )


@dataclass(frozen=True, slots=True)
class Surface:
    """Everything about one surface that does not depend on the lab."""

    id: str
    name: str
    gloss: Gloss
    texture: Texture
    white_l: Decimal
    """L* of the bare surface, 0 to 100."""
    white_b: Decimal
    black_l: Decimal
    """L* of the deepest black it takes, 0 to 100."""
    bare_metal: bool
    direction: Direction
    places: tuple[Place, ...]
    """Where it may hang."""
    sample_seen: date | None
    edge: Edge
    """Whether a print of it is trimmed as it is, printed over the edge, or wrapped round a bar."""
    edge_mode: EdgeMode
    """How the edge is filled when the request does not say."""
    safe_margin: Length
    intent: Intent
    black_point_compensation: bool
    ppi: PpiFloors
    layers: tuple[Layer, ...]
    caution: str
    """The handling caution that its ticket carries; empty where there is none."""
    defaults: tuple[tuple[str, str], ...]
    """Request keys this surface gives when nothing nearer does."""
    printed_on: Literal["front", "back"] = "front"
    """The back of something clear is seen through it: the picture is mirrored exactly once."""
    sharpen: SharpenNumbers | None = None
    """None where its file says nothing of sharpening."""
    suits: Suits = Suits()
    """What its file says, and where that is silent what is usual for its kind."""
