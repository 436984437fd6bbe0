"""Read, name and write ICC profiles, with nothing but the standard library.

The colour engines convert without complaint from half a profile, so every profile is read
here first: what its header says, which parts it has, whether they lie inside the file. The
format is that of ICC.1:2001-04 (version 2) and ICC.1:2022 (version 4); section names in the
docstrings are those of the latter.

Nothing here touches a pixel, and nothing is imported that the service process must not carry.
"""

from __future__ import annotations

import hashlib
import itertools
import math
import struct
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final, Literal

Xyz = tuple[float, float, float]
"""Tristimulus values, Y = 1 for the white that they are relative to."""

PCS_WHITE: Final[Xyz] = (0.9642, 1.0, 0.8249)
"""D50 as the profile connection space has it (ICC.1, 7.2.16)."""

_HEADER_BYTES = 128
_TAG_ROW_BYTES = 12
_SHORTEST_PROFILE = _HEADER_BYTES + 4
_MOST_TAGS = 200
"""More than any profile in use; a larger count is a damaged one."""
_MOST_TEXT = 200
"""Letters of a profile's name that are kept; it goes into the record and onto tickets."""
_MOST_TEXT_BYTES = 8 * _MOST_TEXT
"""No more is looked at for them."""

_CLASSES: Final = frozenset(
    {"mntr", "spac", "scnr", "prtr", "link", "abst", "nmcl", "cenc", "mid", "mlnk", "mvis"}
)
"""Device classes (ICC.1:2022, 7.2.5, and ICC.2:2019, 7.2.5, whose profiles are refused as such)."""

_TABLE_INTENTS = {"0": "perceptual", "1": "relative", "2": "saturation"}


class ProfileDamage(ValueError):
    """A colour profile cannot be read; the text is one plain sentence for a person."""


# --- What a profile holds -------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class IccHeader:
    """First 128 bytes of a profile (ICC.1, 7.2); signatures are stripped of trailing spaces."""

    size: int
    """Length in bytes that the profile claims; the parser has compared it with the truth."""
    version_major: int
    version_minor: int
    device_class: str
    """`mntr`, `spac`, `scnr`, `prtr`, `link`, `abst` or `nmcl`."""
    colour_space: str
    """Colour space of the device side: `RGB`, `GRAY`, `CMYK`, `Lab` …"""
    pcs: str
    """Profile connection space, `Lab` or `XYZ` (of a device link, its other device space)."""
    rendering_intent: int
    """Intent that the maker suggests: 0 perceptual, 1 relative, 2 saturation, 3 absolute."""
    manufacturer: str
    """Signature of the device's maker; empty when it is not set."""
    model: str
    creator: str
    illuminant: Xyz
    profile_id: bytes
    """16 bytes; all zero where the maker set none."""


@dataclass(frozen=True, slots=True)
class IccTag:
    """One row of the tag table, with the type signature that its data begins with."""

    signature: str
    kind: str
    offset: int
    """First byte, counted from the start of the profile."""
    length: int


@dataclass(frozen=True, slots=True)
class ToneCurve:
    """Curve from device value to linear light, both 0 … 1 (`curv` or `para`, ICC.1, 10.6, 10.18).

    Exactly one of the two forms is used: `table` (a `curv` of two entries or more), or
    `function` with its `parameters` (g, a, b, c, d, e, f as far as that function has them).
    A `curv` of no entries is function 0 with g = 1, one of a single entry function 0 with that g.
    """

    table: tuple[float, ...] = ()
    function: int = 0
    parameters: tuple[float, ...] = (1.0,)

    def value(self, device: float) -> float:
        """Return the linear value for `device`, both 0 … 1; the result is clipped to that."""
        if self.table:
            position = min(max(device, 0.0), 1.0) * (len(self.table) - 1)
            below = min(int(position), len(self.table) - 2)
            low, high = self.table[below], self.table[below + 1]
            return low + (high - low) * (position - below)
        return min(max(_parametric(self.function, self.parameters, device), 0.0), 1.0)


@dataclass(frozen=True, slots=True)
class LookupTable:
    """Outline of an A2Bx or B2Ax table (`mft1`, `mft2`, `mAB`, `mBA`; ICC.1, 10.10 to 10.13)."""

    signature: str
    kind: str
    inputs: int
    outputs: int
    is_blank: bool
    """Whether every byte of the colour grid is the same, as in a table that was never filled."""


@dataclass(frozen=True, slots=True)
class IccProfile:
    """A profile that could be read: its parts lie inside the file and those needed make sense."""

    header: IccHeader
    profile_id_ok: bool | None
    """Whether the profile ID is the MD5 sum that ICC.1, 7.2.18 asks for; None where none is set."""
    tags: tuple[IccTag, ...]
    description: str
    """What the profile calls itself; empty where its name cannot be read."""
    white_xyz: Xyz | None
    """Media white (`wtpt`)."""
    colorants: tuple[Xyz, Xyz, Xyz] | None
    """Red, green and blue columns of a matrix profile, adapted to D50."""
    curves: tuple[ToneCurve, ...]
    """Three curves of a matrix profile, one of a grey profile, otherwise none."""
    tables: tuple[LookupTable, ...]
    has_vcgt: bool
    """Whether it carries a video card's curves, as only the profile of one display does."""

    @property
    def version(self) -> str:
        """Version as people write it, such as `2.4`."""
        return f"{self.header.version_major}.{self.header.version_minor}"

    @property
    def intents(self) -> tuple[str, ...]:
        """Intents that the profile has tables for, both ways, with `absolute` where it can be."""
        there = {table.signature for table in self.tables}
        found = [
            name
            for number, name in _TABLE_INTENTS.items()
            if {f"A2B{number}", f"B2A{number}"} <= there
        ]
        if "relative" in found and self.white_xyz is not None:
            found.append("absolute")
        return tuple(found)

    @property
    def can_be_source(self) -> bool:
        """Whether a picture can be converted from it: matrix, grey curve or a device-side table."""
        if self.header.colour_space == "GRAY" and len(self.curves) == 1:
            return True
        if self.header.colour_space == "RGB" and self.colorants is not None:
            return len(self.curves) == 3
        return any(table.signature.startswith("A2B") for table in self.tables)

    def table(self, signature: str) -> LookupTable | None:
        """Return the table named `signature` (`A2B0` … `B2A2`), or None where there is none."""
        return next((table for table in self.tables if table.signature == signature), None)


# --- Reading --------------------------------------------------------------------------------


def parse_profile(data: bytes) -> IccProfile:
    """Read a profile.

    Args:
        data: The whole profile, as it lies in a file or is embedded in a picture.

    Returns:
        What it holds.

    Raises:
        ProfileDamage: It is no profile, its length is not the one it states, a part lies outside
            the file, or a part that Platemark relies on does not make sense.
    """
    header = _parse_header(data)
    tags = _parse_tags(data)
    found = {tag.signature: data[tag.offset : tag.offset + tag.length] for tag in tags}
    colorants = tuple(_parse_xyz(found, name) for name in ("rXYZ", "gXYZ", "bXYZ"))
    red, green, blue = colorants
    return IccProfile(
        header=header,
        profile_id_ok=header.profile_id == profile_md5(data) if any(header.profile_id) else None,
        tags=tags,
        description=_parse_text(found.get("desc", b"")),
        white_xyz=_parse_xyz(found, "wtpt"),
        colorants=(red, green, blue) if red and green and blue else None,
        curves=_parse_curves(found),
        tables=tuple(
            _parse_table(name, body)
            for name, body in sorted(found.items())
            if len(name) == 4 and name[:3] in {"A2B", "B2A"} and name[3] in _TABLE_INTENTS
        ),
        has_vcgt="vcgt" in found,
    )


def profile_md5(data: bytes) -> bytes:
    """Return the 16-byte profile ID that belongs to `data` (ICC.1, 7.2.18).

    The flags, the rendering intent and the ID itself count as zero, so that changing them
    does not make another profile.
    """
    blanked = bytearray(data)
    for start, end in ((44, 48), (64, 68), (84, 100)):
        blanked[start:end] = bytes(end - start)
    return hashlib.md5(blanked, usedforsecurity=False).digest()


def _parse_header(data: bytes) -> IccHeader:
    if len(data) < _SHORTEST_PROFILE:
        raise ProfileDamage(
            f"The colour profile is only {len(data):,} bytes long, too short to be one."
        )
    if data[36:40] != b"acsp":
        raise ProfileDamage(f"This is not an ICC colour profile{_other_kind(data)}.")
    size = int.from_bytes(data[:4], "big")
    if size > len(data):
        raise ProfileDamage(
            f"The colour profile is cut short: it says that it is {size:,} bytes long, "
            f"and {len(data):,} are there."
        )
    if size < len(data):
        raise ProfileDamage(
            f"The colour profile says that it is {size:,} bytes long, but the file has "
            f"{len(data):,}."
        )
    if _signature(data, 12) not in _CLASSES:
        raise ProfileDamage(
            "The colour profile does not say what kind of device it is for; it is damaged."
        )
    return IccHeader(
        size=size,
        version_major=data[8],
        version_minor=data[9] >> 4,
        device_class=_signature(data, 12),
        colour_space=_signature(data, 16),
        pcs=_signature(data, 20),
        rendering_intent=int.from_bytes(data[64:68], "big"),
        manufacturer=_maker(data, 48),
        model=_maker(data, 52),
        creator=_signature(data, 80),
        illuminant=_xyz_at(data, 68),
        profile_id=data[84:100],
    )


def _other_kind(data: bytes) -> str:
    kinds = {
        b"\xff\xd8\xff": "a JPEG picture",
        b"\x89PNG": "a PNG picture",
        b"II*\0": "a TIFF picture",
        b"MM\0*": "a TIFF picture",
        b"PK\3\4": "a ZIP archive (unpack it first)",
        b"%PDF": "a PDF document",
    }
    return next((f" but {kind}" for magic, kind in kinds.items() if data.startswith(magic)), "")


def _parse_tags(data: bytes) -> tuple[IccTag, ...]:
    count = int.from_bytes(data[128:132], "big")
    first_free = _SHORTEST_PROFILE + count * _TAG_ROW_BYTES
    if not 0 < count <= _MOST_TAGS or first_free > len(data):
        raise ProfileDamage(
            f"The colour profile's list of contents is damaged: it claims {count:,} parts."
        )
    tags: list[IccTag] = []
    for row in range(count):
        start = _SHORTEST_PROFILE + row * _TAG_ROW_BYTES
        name = _signature(data, start)
        offset, length = struct.unpack_from(">II", data, start + 4)
        if offset < first_free or length < 8 or offset + length > len(data):
            raise ProfileDamage(
                f"The colour profile is damaged: its part “{name}” lies outside the file."
            )
        tags.append(IccTag(name, _signature(data, offset), offset, length))
    names = [tag.signature for tag in tags]
    if len(set(names)) != len(names):
        twice = next(name for name in names if names.count(name) > 1)
        raise ProfileDamage(f"The colour profile is damaged: its part “{twice}” is there twice.")
    return tuple(tags)


def _signature(data: bytes, offset: int) -> str:
    return data[offset : offset + 4].rstrip(b" \0").decode("latin-1")


def _maker(data: bytes, offset: int) -> str:
    """Return a maker's signature; some tools write the word `none` where they mean nothing."""
    name = _signature(data, offset)
    return "" if name.lower() == "none" else name


def _xyz_at(data: bytes, offset: int) -> Xyz:
    x, y, z = struct.unpack_from(">3i", data, offset)
    return (x / 65536, y / 65536, z / 65536)


def _parse_xyz(found: Mapping[str, bytes], name: str) -> Xyz | None:
    body = found.get(name)
    if body is None:
        return None
    if body[:4] != b"XYZ " or len(body) < 20:
        raise ProfileDamage(
            f"The colour profile is damaged: its part “{name}” does not hold a colour."
        )
    return _xyz_at(body, 8)


def _parse_text(body: bytes) -> str:
    kind = body[:4]
    if kind == b"mluc":
        return _parse_languages(body)
    if kind == b"desc" and len(body) >= 12:
        raw = body[12 : 12 + int.from_bytes(body[8:12], "big")]
    elif kind == b"text":
        raw = body[8:]
    else:
        return ""
    return _short(raw[:_MOST_TEXT_BYTES].split(b"\0")[0].decode("latin-1"))


def _short(text: str) -> str:
    """One line of a length for people; a profile comes from outside and may say anything at all."""
    shown = "".join(letter if letter.isprintable() else " " for letter in text.split("\0")[0])
    return shown.strip()[:_MOST_TEXT].strip()


def _parse_languages(body: bytes) -> str:
    """Return the English text of a `mluc`, else its first (ICC.1, 10.15)."""
    if len(body) < 16:
        return ""
    count, row_bytes = struct.unpack_from(">II", body, 8)
    texts: dict[bytes, str] = {}
    for row in range(min(count, _MOST_TAGS)):
        start = 16 + row * row_bytes
        if row_bytes < 12 or start + 12 > len(body):
            break
        length, offset = struct.unpack_from(">II", body, start + 4)
        raw = body[offset : offset + min(length, _MOST_TEXT_BYTES)]
        text = _short(raw.decode("utf-16-be", errors="replace"))
        texts.setdefault(body[start : start + 2], text)
    return texts.get(b"en") or next(iter(texts.values()), "")


def _parse_curves(found: Mapping[str, bytes]) -> tuple[ToneCurve, ...]:
    for names in (("rTRC", "gTRC", "bTRC"), ("kTRC",)):
        bodies = [found[name] for name in names if name in found]
        if len(bodies) == len(names):
            return tuple(_parse_curve(body) for body in bodies)
    return ()


_PARAMETER_COUNTS = (1, 3, 4, 5, 7)
"""Number of parameters of each parametric function, 0 to 4 (ICC.1, table 68)."""


def _parse_curve(body: bytes) -> ToneCurve:
    kind, count = body[:4], int.from_bytes(body[8:12], "big")
    if kind == b"curv" and len(body) >= 12 + 2 * count and len(body) >= 12:
        codes = struct.unpack_from(f">{count}H", body, 12)
        if count == 0:
            return ToneCurve()
        if count == 1:
            return ToneCurve(parameters=(codes[0] / 256,))
        return ToneCurve(table=tuple(code / 65535 for code in codes))
    function = count >> 16
    if kind == b"para" and len(body) >= 12 and function < len(_PARAMETER_COUNTS):
        wanted = _PARAMETER_COUNTS[function]
        if len(body) >= 12 + 4 * wanted:
            numbers = struct.unpack_from(f">{wanted}i", body, 12)
            return ToneCurve(function=function, parameters=tuple(n / 65536 for n in numbers))
    raise ProfileDamage("The colour profile is damaged: one of its tone curves cannot be read.")


def _parametric(function: int, parameters: Sequence[float], device: float) -> float:
    g, a, b, c, d, e, f = (*parameters, *(0.0,) * (7 - len(parameters)))
    if function == 0:
        return _power(device, g)
    curved = _power(a * device + b, g)
    if function in {1, 2}:
        starts_at = -b / a if a else math.inf
        return c + (curved if device >= starts_at else 0.0)
    if device >= d:
        return curved + (e if function == 4 else 0.0)
    return c * device + (f if function == 4 else 0.0)


def _power(base: float, exponent: float) -> float:
    try:
        return base**exponent if base > 0 else 0.0
    except OverflowError:  # only a damaged profile asks for such a number
        return math.inf


def _parse_table(name: str, body: bytes) -> LookupTable:
    kind = body[:4]
    damage = ProfileDamage(f"The colour profile is damaged: its table {name} cannot be read.")
    if len(body) < 32:
        raise damage
    inputs, outputs = body[8], body[9]
    if not 1 <= inputs <= 15 or not 1 <= outputs <= 15:
        raise damage
    if kind in {b"mft1", b"mft2"}:
        grid = (body[10],) * inputs
        sample_bytes = 1 if kind == b"mft1" else 2
        if len(body) < 52:
            raise damage
        entries = struct.unpack_from(">HH", body, 48) if kind == b"mft2" else (256, 256)
        start = (52 if kind == b"mft2" else 48) + sample_bytes * inputs * entries[0]
        after_bytes = sample_bytes * outputs * entries[1]
        if min(entries) < 2:
            raise damage
    elif kind in {b"mAB ", b"mBA "}:
        start = int.from_bytes(body[24:28], "big")
        if start == 0:
            return LookupTable(name, kind.decode().strip(), inputs, outputs, is_blank=False)
        grid = tuple(body[start : start + inputs])
        if start + 20 > len(body) or (sample_bytes := body[start + 16]) not in {1, 2}:
            raise damage
        start, after_bytes = start + 20, 0
    else:
        raise damage
    grid_bytes = math.prod(grid) * outputs * sample_bytes
    if min(grid) < 2 or start + grid_bytes + after_bytes > len(body):
        raise damage
    blank = len(set(body[start : start + grid_bytes])) == 1
    return LookupTable(name, kind.decode().strip(), inputs, outputs, is_blank=blank)


# --- Working spaces -------------------------------------------------------------------------

_Chromaticity = tuple[float, float]

_D65: Final[_Chromaticity] = (0.3127, 0.3290)


@dataclass(frozen=True, slots=True)
class _WorkingSpace:
    """Published definition of a working space, and how our own profile of it is called."""

    description: str
    primaries: tuple[_Chromaticity, _Chromaticity, _Chromaticity]
    white: _Chromaticity
    curve: ToneCurve


_SRGB_CURVE: Final = ToneCurve(
    function=3, parameters=(2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045)
)
"""IEC 61966-2-1:1999, decoding."""

_ADOBE_GAMMA: Final = ToneCurve(parameters=(563 / 256,))
"""Adobe RGB (1998) Color Image Encoding, May 2005: 2 51/256 exactly."""

_ROMM_CURVE: Final = ToneCurve(function=3, parameters=(1.8, 1.0, 0.0, 1 / 16, 1 / 32))
"""ISO 22028-2:2013: slope 16 below 1/512 of linear light, power 1.8 above."""

_SPACES: Final[dict[str, _WorkingSpace]] = {
    # IEC 61966-2-1:1999
    "srgb": _WorkingSpace(
        "sRGB compatible", ((0.64, 0.33), (0.30, 0.60), (0.15, 0.06)), _D65, _SRGB_CURVE
    ),
    # Adobe RGB (1998) Color Image Encoding, May 2005
    "adobe-rgb": _WorkingSpace(
        "Adobe RGB (1998) compatible",
        ((0.64, 0.33), (0.21, 0.71), (0.15, 0.06)),
        _D65,
        _ADOBE_GAMMA,
    ),
    # SMPTE EG 432-1 primaries with the white of D65 and the curve of sRGB, as CSS Color 4 has it
    "display-p3": _WorkingSpace(
        "Display P3 compatible", ((0.68, 0.32), (0.265, 0.69), (0.15, 0.06)), _D65, _SRGB_CURVE
    ),
    # ISO 22028-2:2013
    "romm": _WorkingSpace(
        "ROMM RGB compatible",
        ((0.7347, 0.2653), (0.1596, 0.8404), (0.0366, 0.0001)),
        (0.3457, 0.3585),
        _ROMM_CURVE,
    ),
}

_LIGHTNESS_CURVE: Final = ToneCurve(
    function=3, parameters=(3.0, 1 / 1.16, 0.16 / 1.16, 2700 / 24389, 0.08)
)
"""L* = 100 × device value: CIE 1976 lightness (ISO/CIE 11664-4) turned round."""

_GREYS: Final[dict[str, tuple[str, ToneCurve]]] = {
    "grey-gamma-2.2": ("Grey, gamma 2.2", _ADOBE_GAMMA),
    "grey-gamma-1.8": ("Grey, gamma 1.8", ToneCurve(parameters=(461 / 256,))),
    "grey-srgb": ("Grey, tone curve of sRGB", _SRGB_CURVE),
    "grey-lightness": ("Grey, even in CIE lightness", _LIGHTNESS_CURVE),
    "grey-linear": ("Grey, linear light", ToneCurve()),
}
"""Grey spaces; the u8Fixed8 numbers 563/256 and 461/256 are the nearest to 2.2 and 1.8."""

_COLORANT_TOLERANCE = 0.003
"""Makers round the adaptation differently, by .0006 at most in profiles seen; the nearest two
spaces (sRGB, Display P3) differ by .09."""

_WHITE_TOLERANCE = 0.01
_CURVE_TOLERANCE_LSTAR = 0.5
"""The toe of ROMM is often left out, which changes L* by .39; gamma 2.2 misses sRGB by 3.5."""


def working_space_ids() -> tuple[str, ...]:
    """Return the ids of the colour spaces that `build_matrix_profile` makes."""
    return tuple(_SPACES)


def grey_space_ids() -> tuple[str, ...]:
    """Return the ids of the grey spaces that `build_grey_profile` makes."""
    return tuple(_GREYS)


def name_working_space(profile: IccProfile) -> str | None:
    """Tell which known working space a profile is, by its numbers and never by its name.

    Args:
        profile: A profile of version 2 or 4, its white given as D50 or as the space's own.

    Returns:
        `srgb`, `adobe-rgb`, `display-p3`, `romm`, `grey-gamma-2.2`, `grey-gamma-1.8`,
        `grey-srgb`, `grey-lightness`, `grey-linear`; None where it is none of them, or where it
        converts by tables, which the numbers compared here say nothing about.
    """
    if profile.tables or profile.header.device_class in {"link", "abst", "nmcl"}:
        return None
    if profile.header.colour_space == "GRAY" and len(profile.curves) == 1:
        tones = _tones(profile.curves[0], makes_lightness=profile.header.pcs == "Lab")
        return next((name for name, (_, c) in _GREYS.items() if _near(tones, _tones(c))), None)
    if profile.header.colour_space != "RGB" or len(profile.curves) != 3:
        return None
    for name, space in _SPACES.items():
        if _has_colorants(profile, space):
            wanted = _tones(space.curve)
            return name if all(_near(_tones(c), wanted) for c in profile.curves) else None
    return None


def _has_colorants(profile: IccProfile, space: _WorkingSpace) -> bool:
    if profile.colorants is None:
        return False
    pairs = zip(
        itertools.chain.from_iterable(profile.colorants),
        itertools.chain.from_iterable(_adapted_columns(space)),
        strict=True,
    )
    if any(abs(one - other) > _COLORANT_TOLERANCE for one, other in pairs):
        return False
    given = profile.white_xyz
    return given is None or any(
        all(abs(one - other) <= _WHITE_TOLERANCE for one, other in zip(given, white, strict=True))
        for white in (PCS_WHITE, _xyz_of(space.white))
    )


def _tones(curve: ToneCurve, *, makes_lightness: bool = False) -> tuple[float, ...]:
    """Return L* of the 256 codes of 8 bits.

    A grey curve leads to L* itself where the PCS is Lab, and to luminance where it is XYZ.
    """
    linear = (curve.value(code / 255) for code in range(256))
    return tuple(100 * y if makes_lightness else _lightness(y) for y in linear)


def _near(one: Sequence[float], other: Sequence[float]) -> bool:
    return all(abs(a - b) <= _CURVE_TOLERANCE_LSTAR for a, b in zip(one, other, strict=True))


def _lightness(luminance: float) -> float:
    """CIE 1976 L* of a relative luminance 0 … 1 (ISO/CIE 11664-4)."""
    if luminance > 216 / 24389:
        return 116 * math.cbrt(luminance) - 16
    return luminance * 24389 / 27


# --- Colorants: three primaries and a white, adapted to D50 ---------------------------------

_Matrix = tuple[Xyz, Xyz, Xyz]

_BRADFORD: Final[_Matrix] = (
    (0.8951, 0.2664, -0.1614),
    (-0.7502, 1.7135, 0.0367),
    (0.0389, -0.0685, 1.0296),
)
"""Linear Bradford cone responses (ICC.1, annex E)."""


def _xyz_of(chromaticity: _Chromaticity) -> Xyz:
    x, y = chromaticity
    return (x / y, 1.0, (1 - x - y) / y)


def _times(matrix: _Matrix, vector: Xyz) -> Xyz:
    first, second, third = (
        math.fsum(m * v for m, v in zip(row, vector, strict=True)) for row in matrix
    )
    return (first, second, third)


def _inverse(matrix: _Matrix) -> _Matrix:
    (a, b, c), (d, e, f), (g, h, i) = matrix
    det = a * (e * i - f * h) - b * (d * i - f * g) + c * (d * h - e * g)
    return (
        ((e * i - f * h) / det, (c * h - b * i) / det, (b * f - c * e) / det),
        ((f * g - d * i) / det, (a * i - c * g) / det, (c * d - a * f) / det),
        ((d * h - e * g) / det, (b * g - a * h) / det, (a * e - b * d) / det),
    )


def _adapted_columns(space: _WorkingSpace) -> tuple[Xyz, Xyz, Xyz]:
    """Return red, green and blue of a space in XYZ, adapted to D50; they add up to it."""
    red, green, blue = (_xyz_of(primary) for primary in space.primaries)
    white = _xyz_of(space.white)
    rows: _Matrix = tuple(zip(red, green, blue, strict=True))  # type: ignore[assignment]
    amounts = _times(_inverse(rows), white)
    response, wanted = _times(_BRADFORD, white), _times(_BRADFORD, PCS_WHITE)
    back = _inverse(_BRADFORD)

    def adapted(primary: Xyz, amount: float) -> Xyz:
        first, second, third = (
            amount * cone * to / at
            for cone, to, at in zip(_times(_BRADFORD, primary), wanted, response, strict=True)
        )
        return _times(back, (first, second, third))

    return (
        adapted(red, amounts[0]),
        adapted(green, amounts[1]),
        adapted(blue, amounts[2]),
    )


# --- Writing --------------------------------------------------------------------------------

_CREATED = (2026, 1, 1, 0, 0, 0)
"""A fixed date, so that the same call gives the same bytes on any day."""

_RIGHTS = "Free to use, copy and embed"


def build_matrix_profile(space: str, *, version: Literal[2, 4] = 2) -> bytes:
    """Make our own profile of a working space; the same bytes every time.

    Version 2 is the default because every lab's software reads it. Its curve is a pure gamma
    where the space has one, which LittleCMS reads as the exact function, and otherwise a table
    of 1,021 entries: 4 × 255 steps, so that each 8-bit code falls on an entry (LittleCMS then
    reads L* within .007 there, .014 between, and up to 13 of 65,535 codes off on the way back).
    Version 4 has the parametric curve instead, which LittleCMS reads within .001 L* and turns
    round without losing a code; use it for a space that only Platemark converts to.

    Args:
        space: `srgb`, `adobe-rgb`, `display-p3` or `romm`.
        version: 2 or 4.

    Returns:
        The profile: class `mntr`, RGB, PCS XYZ, white D50. Primaries come from the standards
        named beside the table of spaces, adapted to D50 by linear Bradford.

    Raises:
        KeyError: `space` is none of the four.
    """
    wanted = _SPACES[space]
    curve = _pack_curve(wanted.curve, version)
    parts = {
        "desc": pack_text(wanted.description, version=version, is_name=True),
        "cprt": pack_text(_RIGHTS, version=version),
        "wtpt": pack_xyz(PCS_WHITE),
    }
    columns = _rounded_columns(_adapted_columns(wanted))
    parts |= {f"{letter}XYZ": column for letter, column in zip("rgb", columns, strict=True)}
    parts |= {f"{letter}TRC": curve for letter in "rgb"}
    return pack_profile(parts, version=version, device_class="mntr", colour_space="RGB", pcs="XYZ")


def build_grey_profile(space: str = "grey-gamma-2.2", *, version: Literal[2, 4] = 2) -> bytes:
    """Make our own profile of a grey space; the same bytes every time.

    Args:
        space: An id that `grey_space_ids` names.
        version: 2 or 4; see `build_matrix_profile`.

    Returns:
        The profile: class `mntr`, GRAY, PCS XYZ, white D50.

    Raises:
        KeyError: `space` is no grey space that is known here.
    """
    description, curve = _GREYS[space]
    return pack_profile(
        {
            "desc": pack_text(description, version=version, is_name=True),
            "cprt": pack_text(_RIGHTS, version=version),
            "wtpt": pack_xyz(PCS_WHITE),
            "kTRC": _pack_curve(curve, version),
        },
        version=version,
        device_class="mntr",
        colour_space="GRAY",
        pcs="XYZ",
    )


def pack_profile(
    parts: Mapping[str, bytes],
    *,
    version: Literal[2, 4],
    device_class: str,
    colour_space: str,
    pcs: str,
    rendering_intent: int = 0,
) -> bytes:
    """Put parts together to a profile; equal parts are stored once, as ICC.1, 7.3.1 allows.

    Args:
        parts: Signature to packed data, in the order wanted.
        version: 2 (written as 2.4) or 4 (written as 4.3, with its MD5 profile ID).
        device_class: `mntr`, `prtr` …
        colour_space: `RGB`, `GRAY` …
        pcs: `XYZ` or `Lab`.
        rendering_intent: The intent to suggest, 0 to 3.

    Returns:
        The whole profile.
    """
    start = _SHORTEST_PROFILE + len(parts) * _TAG_ROW_BYTES
    rows, body, placed = bytearray(), bytearray(), dict[bytes, int]()
    for name, part in parts.items():
        if part not in placed:
            placed[part] = start + len(body)
            body += part + bytes(-len(part) % 4)
        rows += struct.pack(">4sII", name.encode("ascii"), placed[part], len(part))
    header = struct.pack(
        ">I4xI4s4s4s6H4s4xI8x8xI3i",
        start + len(body),
        {2: 0x02400000, 4: 0x04300000}[version],
        device_class.ljust(4).encode("ascii"),
        colour_space.ljust(4).encode("ascii"),
        pcs.ljust(4).encode("ascii"),
        *_CREATED,
        b"acsp",
        0,
        rendering_intent,
        *_fixed(PCS_WHITE),
    ).ljust(_HEADER_BYTES, b"\0")
    whole = header + struct.pack(">I", len(parts)) + bytes(rows) + bytes(body)
    if version == 2:
        return whole
    return whole[:84] + profile_md5(whole) + whole[100:]


def pack_xyz(xyz: Xyz) -> bytes:
    """Return an `XYZ` part (ICC.1, 10.31), each number rounded to 1/65,536."""
    return struct.pack(">4s4x3i", b"XYZ ", *_fixed(xyz))


def pack_text(text: str, *, version: Literal[2, 4], is_name: bool = False) -> bytes:
    """Return an ASCII text in the form that the version asks for.

    Args:
        text: ASCII only.
        version: 2 writes `desc` for the profile's name and `text` otherwise, 4 writes `mluc`.
        is_name: Whether it is the profile's own name (`desc`).
    """
    if version == 4:
        encoded = text.encode("utf-16-be")
        row = (b"en", b"US", len(encoded), 28)
        return struct.pack(">4s4xII2s2sII", b"mluc", 1, 12, *row) + encoded
    plain = text.encode("ascii") + b"\0"
    if not is_name:
        return b"text\0\0\0\0" + plain
    # No Unicode and no script text: 4 + 4 + 2 + 1 + 67 zero bytes (ICC.1:2001-04, 6.5.17).
    return struct.pack(">4s4xI", b"desc", len(plain)) + plain + bytes(78)


def _fixed(numbers: Iterable[float]) -> tuple[int, ...]:
    """Round to s15Fixed16Number (ICC.1, 4.8)."""
    return tuple(math.floor(number * 65536 + 0.5) for number in numbers)


def _rounded_columns(columns: tuple[Xyz, Xyz, Xyz]) -> tuple[bytes, ...]:
    """Pack three colorants so that their rounded numbers still add up to D50.

    Otherwise white would come out up to 2/65,536 beside the PCS white, and a grey picture
    would get a cast that is tiny but not nothing. The largest number of each row gives way.
    """
    fixed = [list(_fixed(column)) for column in columns]
    for axis, wanted in enumerate(_fixed(PCS_WHITE)):
        largest = max(fixed, key=lambda column: column[axis])
        largest[axis] += wanted - sum(column[axis] for column in fixed)
    return tuple(struct.pack(">4s4x3i", b"XYZ ", *column) for column in fixed)


_TABLE_ENTRIES = 4 * 255 + 1


def _pack_curve(curve: ToneCurve, version: Literal[2, 4]) -> bytes:
    if version == 4:
        return struct.pack(
            f">4s4xHH{len(curve.parameters)}i",
            b"para",
            curve.function,
            0,
            *_fixed(curve.parameters),
        )
    if curve.function == 0:
        gamma = math.floor(curve.parameters[0] * 256 + 0.5)
        return struct.pack(">4s4xIH", b"curv", 1, gamma)
    codes = [
        math.floor(curve.value(step / (_TABLE_ENTRIES - 1)) * 65535 + 0.5)
        for step in range(_TABLE_ENTRIES)
    ]
    return struct.pack(f">4s4xI{_TABLE_ENTRIES}H", b"curv", _TABLE_ENTRIES, *codes)
