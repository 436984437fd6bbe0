"""A surface: what the picture is printed on."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Literal

from platemark.model.terms import EdgeMode, Intent
from platemark.model.units import Length

Gloss = Literal["matte", "lustre", "gloss", "metallic"]
Direction = Literal["none", "along-width", "along-height"]
Place = Literal["indoor", "bright", "humid", "outdoor"]
Edge = Literal["none", "bleed", "wrap"]


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
class Surface:
    """Everything about one surface that does not depend on the lab."""

    id: str
    name: str
    gloss: Gloss
    texture: Literal["smooth", "fine", "strong", "weave", "brushed"]
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
