"""What a picture file says of itself, read from its own tags and a full decode."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Format = Literal["tiff", "jpeg", "png", "other"]
Mode = Literal["rgb", "grey", "cmyk", "lab", "ycbcr", "palette", "other"]
Alpha = Literal["none", "opaque", "transparent", "selection"]


@dataclass(frozen=True, slots=True)
class ProfileFacts:
    """An embedded colour profile, parsed by us."""

    sha256: str
    bytes: int
    description: str
    device_class: str
    """Four letters: `mntr`, `spac`, `scnr`, `prtr`, `link`, `abst`, `nmcl`; empty if unreadable."""
    colour_space: str
    version: str
    working_space: str | None
    """`srgb`, `adobe-rgb`, … where colorants and curves say so."""
    damage: str
    """Why it cannot be used; empty where it can."""
    monitor_calibration: bool = False
    """It carries a `vcgt` tag: it describes a display as calibrated."""


@dataclass(frozen=True, slots=True)
class Facts:
    """What is known of a picture before anything is decided.

    Sizes are in pixels as stored; `upright_width` and `upright_height` are after `orientation`.
    """

    format: Format
    bytes: int
    extension_agrees: bool
    width: int
    height: int
    bits: int
    """Bits of one sample."""
    float_samples: bool
    channels: int
    """Colour channels, alpha not counted."""
    mode: Mode
    alpha: Alpha
    pages: int
    """Full pages; reduced copies are not counted."""
    compression: str
    progressive: bool
    orientation: int
    """EXIF orientation, 1 to 8."""
    ppi: str | None
    """Resolution tag as a decimal, or None where there is none that can be trusted."""
    profile: ProfileFacts | None
    exif_colour: Literal["none", "srgb", "adobe-rgb", "uncalibrated"]
    camera: bool
    """EXIF names a camera maker or model."""
    creator: str
    rights: str
    damage: str
    """Why the whole picture cannot be decoded; empty where it can."""
    truncated: bool
    """The damage is an early end: the file may still be growing."""
    zero_run: str
    """Where a run of zero bytes begins amid the picture; empty where there is none."""
    over_limit: str = ""
    """Which limit the header exceeds, with the numbers; nothing was decoded then."""
    notes: tuple[str, ...] = ()
    """What will be dropped or ignored, for the change log; an extra channel is told by the
    renderer."""

    @property
    def upright_width(self) -> int:
        """Width after orientation is applied."""
        return self.height if self.orientation >= 5 else self.width

    @property
    def upright_height(self) -> int:
        """Height after orientation is applied."""
        return self.width if self.orientation >= 5 else self.height

    @property
    def pixels(self) -> int:
        """Width times height."""
        return self.width * self.height

    @property
    def decoded_bytes(self) -> int:
        """Bytes of the decoded picture at 16 bit."""
        return self.pixels * max(self.channels, 1) * 2
