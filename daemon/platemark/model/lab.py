"""A lab and its products: who prints, and what they want to be given."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Literal

from platemark.model.hours import DayTime
from platemark.model.terms import Intent
from platemark.model.units import Length, Size

WorkingSpace = Literal["srgb", "adobe-rgb", "display-p3", "romm"]


@dataclass(frozen=True, slots=True)
class PpiRange:
    """The resolutions a lab takes; outside them a picture is resampled to `target`."""

    lowest: int
    target: int
    highest: int


@dataclass(frozen=True, slots=True)
class ProfileUse:
    """A product for which we convert to the lab's own profile."""

    file: str
    """Name inside `profiles/`."""
    valid_until: date | None
    """The date that the lab stated; after it the product is stopped."""
    intent: Intent | None
    """The lab's wish; else the surface's."""
    black_point_compensation: bool | None


@dataclass(frozen=True, slots=True)
class FileForm:
    """The form in which a lab wants its files."""

    format: Literal["tiff", "jpeg"]
    bits: Literal[8, 16]
    compression: Literal["none", "lzw", "deflate"]
    jpeg_quality: int


@dataclass(frozen=True, slots=True)
class Product:
    """What a lab sells on one surface."""

    surface: str
    name: str
    """The lab's own product name."""
    sizes: tuple[Size, ...]
    """Sizes it sells; empty means any."""
    ppi: PpiRange
    form: FileForm
    bleed: Length
    wrap: Length
    wraps: tuple[Length, ...]
    """Other bar depths it sells."""
    tuck: Length
    profile: ProfileUse | None
    """None where the lab converts itself."""
    working_spaces: tuple[WorkingSpace, ...]
    """Tagged spaces it takes where it converts itself, the first preferred."""
    mirror_by: Literal["nobody", "lab", "studio"]
    max_side: Length | None
    instructions: str


@dataclass(frozen=True, slots=True)
class ClosingRule:
    """When the lab's open parcel is closed."""

    kind: Literal["each", "quiet", "at"]
    quiet_minutes: int
    at: tuple[DayTime, ...]
    """Local times, in the studio's time zone."""
    per_order: bool


@dataclass(frozen=True, slots=True)
class DeliveryMeans:
    """How a closed parcel reaches the lab."""

    method: str
    """A module of `delivery/`, or `collect`: somebody fetches it from `outgoing/`."""
    path: str
    """For `folder`: where the lab looks; relative paths are from the studio."""


@dataclass(frozen=True, slots=True)
class Lab:
    """One lab with its products."""

    id: str
    name: str
    products: tuple[Product, ...]
    closing: ClosingRule
    delivery: DeliveryMeans
    file_name: str
    """Pattern for print files; `{job} {copies} {title} {size} {surface} {order}`."""

    def product_for(self, surface: str) -> Product | None:
        """The product on that surface, or None where the lab has none."""
        return next((p for p in self.products if p.surface == surface), None)
