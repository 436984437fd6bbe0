"""What a picture file says of itself, read from its own tags and a full decode."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

Format = Literal["tiff", "jpeg", "png", "other"]
Mode = Literal["rgb", "grey", "cmyk", "lab", "ycbcr", "palette", "other"]
Alpha = Literal["none", "opaque", "transparent", "selection"]

FACTS_VERSION: Final = 5
"""Of what is asked of a picture; facts of an older version are no longer all that is needed."""

READ_PACKINGS: Final = frozenset(("none", "lzw", "deflate", "packbits", "jpeg"))
"""Ways to pack a TIFF that are decoded here: compression 1, 5, 8 and 32946, 32773, and 7 (TIFF
6.0; its technical notes 1 and 2); of any other, only the tags are read."""


@dataclass(frozen=True, slots=True)
class ProfileFacts:
    """What a picture says of its colours: an embedded profile, or a known space by name.

    A PNG may name a known space without a profile (an sRGB or a cICP chunk). That counts as
    tagged: `sha256` is empty, `bytes` is 0 and `working_space` says which. Pixels are then read
    with our own profile of that space.
    """

    sha256: str
    """Of the profile's bytes; empty where the file only names a space."""
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
    device_named: bool = False
    """Its header, or its description, names one device, as the profile of a display does."""
    one_way: bool = False
    """It says what numbers mean, but not which numbers a colour has: tables one way alone."""


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
    ppi_differs: str = ""
    """Resolution tags that differ, `300 across and 240 down`; `ppi` is None then."""
    layered: bool = False
    """A TIFF that carries an image editor's layers beside its flat picture (tag 37724)."""
    composite_missing: bool = False
    """It is layered, and its flat picture is missing or of one single colour."""
    orientation_disputed: str = ""
    """Exif and XMP give two orientations, `6 in Exif and 1 in XMP`; `orientation` is Exif's."""
    gain_map: bool = False
    """A second picture that brightens the first on some displays; it is dropped."""
    jpeg_quality: int | None = None
    """Estimated quality of JPEG data, 1 to 100 on the scale of the Independent JPEG Group."""
    chroma_subsampled: bool = False
    """JPEG data hold one colour for four pixels or more, as 4:2:0 does and 4:2:2 does not."""
    dynamic_range: Literal["standard", "high"] = "standard"
    """`high` where the file is coded for it (PQ or HLG): it has no paper white."""
    lab_encoding: Literal["none", "cie", "icc"] = "none"
    """How a Lab TIFF codes a and b: signed (`cie`, photometric 8) or raised by half the range
    (`icc`, photometric 9, where L 100 is 65280 of 65535 at 16 bit)."""
    uniform: bool = False
    """Every pixel has the same colour."""
    solid_border: str = ""
    """Sides with a band of one solid white or black over 5 % of that dimension, `left 7 %`."""
    unread: str = ""
    """Which form of a sound file is not read here, as a clause; nothing was decoded then."""
    colour_code: str = ""
    """A PNG's colour code (ITU-T H.273) that we have no space for, `9/1/0/1`."""
    version: int = 1
    """Of the probe that found all this, `FACTS_VERSION` then; older records do not say."""

    @property
    def is_read(self) -> bool:
        """Whether its pixels can be and were decoded to the last row."""
        is_packed_otherwise = self.format == "tiff" and self.compression not in READ_PACKINGS
        return not (
            self.format == "other"
            or self.damage
            or self.over_limit
            or self.unread
            or is_packed_otherwise
            or (self.mode == "lab" and self.bits == 8 and self.lab_encoding != "icc")
        )

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
