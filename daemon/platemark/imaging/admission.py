"""Decide whether a lab's colour profile may be used, before any picture is converted with it.

A colour engine converts without complaint from half a profile: it takes the perceptual table
where the relative one is missing, believes a header that names the wrong connection space, and
uses tables that are swapped or empty. So a profile is admitted only when it was read by
Platemark's own parser, states what the lab states, and prints what it promises when measured:
white is bare paper, and the way to the print and back returns to the same colour.

Measured with LittleCMS, unoptimised and in floating point. This module imports numpy and
imagecodecs and so belongs to child processes only.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import imagecodecs
import numpy as np
from numpy.typing import NDArray

from platemark.imaging.convert import LAB_PROFILE, UNTABLED
from platemark.imaging.delta_e import delta_e_2000
from platemark.imaging.icc import PCS_WHITE, IccProfile, ProfileDamage, Xyz, parse_profile

Lab = tuple[float, float, float]
"""CIELAB, D50."""

Floats = NDArray[np.float64]
Codes = NDArray[np.uint16]

INTENT_NUMBERS = {"perceptual": 0, "relative": 1, "saturation": 2}
"""Intents that have tables of their own, with their number in the tags' names."""

_WHITE_LIMIT = 0.5
"""Largest distance of relative white from Lab 100, 0, 0. An 8-bit table rounds by .25 at most;
the wrong encoding of Lab is .81 off."""

_PAPER_LIMIT = 1.0
"""Largest difference (CIEDE2000) between printed white and bare paper."""

_MEAN_LIMIT, _P95_LIMIT = 2.0, 5.0
"""CIEDE2000 there and back, in gamut. Measured on invented printers: 8-bit tables of 17³ points
reach .8 and 1.6, another paper's table 5.7 and 10.6, exchanged channels 23 and 48. Where between
them the line is drawn is our choice."""
_WORST_LIMIT = 15.0
"""The same of any one colour of the grid. Sound tables of ours reach 2.9; 512 bytes of zeros in one
table, as a bad sector of a disk leaves them, make 22 to 47. Between them it is our choice too."""
_ROUGH_LIMIT = 12.0
"""CIE 1976. Sound tables of ours, of any intent, reach 2.9; the same zeros make 16 to 25."""


_SLIP_LIMIT = 0.5
"""Sound tables measured here stay below .02, one in the wrong encoding reaches .98."""


@dataclass(frozen=True, slots=True)
class Admission:
    """Whether a lab's profile may be used, and what was found; None where it was not measured."""

    accepted: bool
    reasons: tuple[str, ...]
    """Why not, one plain sentence each; empty when it is accepted."""
    description: str = ""
    version: str = ""
    device_class: str = ""
    colour_space: str = ""
    pcs: str = ""
    profile_id_ok: bool | None = None
    """Whether the profile's own checksum is right; None where it has none."""
    white_lab: Lab | None = None
    """Paper, absolute: from the media white."""
    black_lab: Lab | None = None
    """Darkest print (all device values 0), with the paper taken as white."""
    black_lab_absolute: Lab | None = None
    """The same as an instrument would read it, the paper's own colour included."""
    round_trip_mean: float | None = None
    """Mean CIEDE2000 between device colours and what they become there and back."""
    round_trip_p95: float | None = None
    intents: tuple[str, ...] = ()
    """Intents with tables both ways, and `absolute` where relative and the white are there."""


@dataclass(frozen=True, slots=True)
class _Measured:
    """Figures taken through the engine."""

    white: Lab
    """What device white prints, relative."""
    black: Lab
    printed_white: float
    """CIEDE2000 between a picture's white, printed with the wanted intent, and bare paper."""
    mean: float
    p95: float
    worst: float
    roughest: float
    """How far the wanted intent prints a colour from the middle of its neighbours, CIE 1976."""
    encoding_slip: float
    """How far colours move there and back as they would if B2A1 were written in the other
    encoding of Lab: near 0 when it is right, near 1 when it is wrong."""


def admit_profile(data: bytes, colour_space: str = "RGB", *, intent: str = "relative") -> Admission:
    """Try a lab's profile.

    Args:
        data: The whole profile file.
        colour_space: What the lab says that it wants, as in a profile's header; only `RGB` can
            be accepted.
        intent: The intent that will be used: `relative`, `perceptual`, `saturation` or
            `absolute`. The relative tables are needed in any case, to judge gamut and proofs.

    Returns:
        The verdict with every reason found; a damaged file is refused, never an exception.

    Raises:
        ValueError: `intent` is none of the four.
    """
    if intent not in {*INTENT_NUMBERS, "absolute"}:
        raise ValueError(f"There is no rendering intent “{intent}”.")
    try:
        profile = parse_profile(data)
    except ProfileDamage as damage:
        return Admission(accepted=False, reasons=(str(damage),))
    table_intent = "relative" if intent == "absolute" else intent
    reasons = [*_kind_reasons(profile, colour_space), *_table_reasons(profile, table_intent)]
    measured = None
    if not reasons:
        try:
            measured = _measure(data, profile, INTENT_NUMBERS[table_intent])
        except (RuntimeError, ValueError):
            reasons.append("The colour engine cannot make a conversion from this profile.")
        else:
            reasons += _measured_reasons(measured, data, profile)
    reasons += _seal_reasons(profile)
    return _verdict(profile, tuple(reasons), measured)


def _verdict(
    profile: IccProfile, reasons: tuple[str, ...], measured: _Measured | None
) -> Admission:
    white = profile.white_xyz if profile.white_xyz and _is_paper(profile.white_xyz) else None
    black = measured.black if measured else None
    return Admission(
        accepted=not reasons,
        reasons=reasons,
        description=profile.description,
        version=profile.version,
        device_class=profile.header.device_class,
        colour_space=profile.header.colour_space,
        pcs=profile.header.pcs,
        profile_id_ok=profile.profile_id_ok,
        white_lab=_lab_from_xyz(white) if white else None,
        black_lab=black,
        black_lab_absolute=_with_paper(black, white) if black and white else None,
        round_trip_mean=measured.mean if measured else None,
        round_trip_p95=measured.p95 if measured else None,
        intents=profile.intents,
    )


# --- What the profile states ----------------------------------------------------------------

_CLASSES = {
    "mntr": "a display or working space",
    "spac": "a colour space",
    "scnr": "a camera or scanner",
    "link": "a fixed conversion between two devices",
    "abst": "an effect",
    "nmcl": "named colours",
}
_SPACES = {"GRAY": "grey", "CMYK": "CMYK", "RGB": "RGB", "Lab": "Lab"}


def _kind_reasons(profile: IccProfile, colour_space: str) -> Iterator[str]:
    header = profile.header
    if header.version_major not in {2, 4}:
        yield (
            f"The profile is of version {profile.version}; only versions 2 and 4 can be used. "
            "Ask the lab for one of those."
        )
    if header.device_class != "prtr":
        kind = _CLASSES.get(header.device_class, f"something else (“{header.device_class}”)")
        yield f"This is not a printer's profile: it describes {kind}."
    if colour_space != "RGB":
        wanted = _SPACES.get(colour_space, colour_space)
        yield f"The lab asks for {wanted} files, and Platemark converts to RGB only."
    if header.colour_space != colour_space:
        holds = _SPACES.get(header.colour_space, header.colour_space)
        yield f"The profile is for {holds} files, but the lab says {colour_space}."
    if header.pcs not in {"Lab", "XYZ"}:
        yield f"The profile connects through “{header.pcs}”, which is neither Lab nor XYZ."


def _table_reasons(profile: IccProfile, intent: str) -> Iterator[str]:
    for number in sorted({INTENT_NUMBERS["relative"], INTENT_NUMBERS[intent]}):
        name = next(name for name, n in INTENT_NUMBERS.items() if n == number)
        for signature, way in ((f"A2B{number}", "from"), (f"B2A{number}", "to")):
            table = profile.table(signature)
            if table is None:
                yield (
                    f"The profile has no table {signature} (the way {way} the print, "
                    f"intent {name}), and another must not stand in for it."
                )
            elif (table.inputs, table.outputs) != (3, 3):
                yield (
                    f"The profile's table {signature} leads from {table.inputs} channels to "
                    f"{table.outputs}; an RGB printer's leads from 3 to 3."
                )
            elif table.is_blank:
                yield f"The profile's table {signature} is empty: every entry is the same."


def _seal_reasons(profile: IccProfile) -> Iterator[str]:
    """What is wrong with the checksum and the media white."""
    if profile.profile_id_ok is False:
        yield "The profile was changed after it was made: its own checksum does not match."
    if profile.white_xyz is None:
        yield "The profile does not say how white the paper is."
    elif not _is_paper(profile.white_xyz):
        x, y, z = profile.white_xyz
        yield (
            f"The profile's paper white is impossible: X {x:.3f}, Y {y:.3f}, Z {z:.3f}; Y must "
            "be above 0 and at most 1."
        )


def _is_paper(white: Xyz) -> bool:
    return min(white) > 0 and white[1] <= 1


# --- What the profile does ------------------------------------------------------------------


def _measure(data: bytes, profile: IccProfile, intent_number: int) -> _Measured:
    """Measure through the engine; relative tables unless said.

    Raises:
        RuntimeError: The engine refuses the profile (`imagecodecs.CmsError`).
    """
    steps = np.linspace(0, 65535, 13)
    grid = np.stack(np.meshgrid(steps, steps, steps, indexing="ij"), axis=-1).reshape(-1, 3)
    device = np.floor(grid + 0.5).astype(np.uint16)
    printed = lab_of_device(data, device)
    paper_white = lab_of_device(
        data, device_of_lab(data, np.array([[100.0, 0.0, 0.0]]), intent_number)
    )
    returned = lab_of_device(data, device_of_lab(data, printed))
    there_and_back = delta_e_2000(printed, returned)
    # At the gamut's surface errors lean inwards, whatever the encoding.
    inside = np.all((device > 0) & (device < 65535), axis=1)
    slip = (_read_in_other_encoding(profile, "B2A1", printed) - printed)[inside]
    moved = (returned - printed)[inside]
    return _Measured(
        white=_triple(printed[-1]),
        black=_triple(printed[0]),
        printed_white=float(delta_e_2000(paper_white, printed[-1:])[0]),
        mean=float(there_and_back.mean()),
        p95=float(np.percentile(there_and_back, 95)),
        worst=float(there_and_back.max()),
        roughest=_roughest(data, printed, intent_number),
        encoding_slip=float(np.sum(moved * slip) / np.sum(slip**2)),
    )


def _roughest(data: bytes, printed: Floats, intent_number: int) -> float:
    """Find the hole in a table: colours between two that print alike print otherwise.

    Args:
        data: The profile.
        printed: What each point of a cubic grid of device values prints.
        intent_number: By which those colours are printed again.
    """
    again = lab_of_device(data, device_of_lab(data, printed, intent_number))
    side = round(len(printed) ** (1 / 3))
    roughest = 0.0
    for axis in range(3):
        # What is bent already in the colours asked for is no fault of the table.
        bent, asked = (_bends(each.reshape(side, side, side, 3), axis) for each in (again, printed))
        roughest = max(roughest, float((bent - asked).max()))
    return roughest


def _bends(lab: Floats, axis: int) -> Floats:
    along = np.moveaxis(lab, axis, 0)
    bends: Floats = np.linalg.norm(along[1:-1] - (along[:-2] + along[2:]) / 2, axis=-1)
    return bends


def lab_of_device(data: bytes, device: Codes) -> Floats:
    """Return relative Lab of device values, shape (n, 3), by A2B1."""
    lab: Floats = imagecodecs.cms_transform(
        device[None],
        data,
        LAB_PROFILE,
        colorspace="rgb",
        outcolorspace="lab",
        outdtype="f8",
        intent=INTENT_NUMBERS["relative"],
        flags=UNTABLED,
    )[0]
    return lab


def device_of_lab(
    data: bytes, lab: Floats, intent_number: int = 1, *, fits_black: bool = False
) -> Codes:
    """Return device values for relative Lab, shape (n, 3), by the intent's B2A table.

    Args:
        data: The profile.
        lab: Colours, paper as white.
        intent_number: 0 perceptual, 1 relative, 2 saturation.
        fits_black: With black point compensation (ISO 18619).
    """
    device: Codes = imagecodecs.cms_transform(
        lab[None],
        LAB_PROFILE,
        data,
        colorspace="lab",
        outcolorspace="rgb",
        outdtype="u2",
        intent=intent_number,
        flags=UNTABLED | (int(imagecodecs.CMS.FLAGS.BLACKPOINTCOMPENSATION) if fits_black else 0),
    )[0]
    return device


def _measured_reasons(measured: _Measured, data: bytes, profile: IccProfile) -> Iterator[str]:
    if not _is_white(measured.white):
        yield _why_not_white(measured.white, data, profile)
        return
    if not measured.printed_white <= _PAPER_LIMIT:
        yield (
            f"White would not be bare paper: it prints {measured.printed_white:.1f} ΔE00 beside "
            "the paper's own colour."
        )
    if not (measured.mean <= _MEAN_LIMIT and measured.p95 <= _P95_LIMIT):
        yield (
            "The profile's tables do not fit each other: colours come back from the print "
            f"{measured.mean:.1f} ΔE00 off on average, 95 of 100 within {measured.p95:.1f}."
        )
    elif measured.encoding_slip > _SLIP_LIMIT:
        yield "The profile's table B2A1 is written in the wrong encoding of Lab."
    elif not measured.worst <= _WORST_LIMIT:
        yield (
            "A part of the profile's tables is damaged: most colours come back from the print "
            f"nearly as they were, and one {measured.worst:.0f} ΔE00 off."
        )
    elif not measured.roughest <= _ROUGH_LIMIT:
        yield (
            "A part of the table that is printed by is damaged: one colour would print "
            f"{measured.roughest:.0f} (CIE 1976) away from between its neighbours."
        )


def _is_white(lab: Lab) -> bool:
    return bool(np.hypot(np.hypot(lab[0] - 100, lab[1]), lab[2]) <= _WHITE_LIMIT)


def _why_not_white(white: Lab, data: bytes, profile: IccProfile) -> str:
    """Find which mistake makes white right when it is undone, and name it."""
    if _white_is_right_in(_with_tables_swapped(data, profile)):
        return "The profile's tables A2B1 and B2A1 are in each other's place."
    other = "XYZ" if profile.header.pcs == "Lab" else "Lab"
    if _white_is_right_in(data[:20] + other.ljust(4).encode("ascii") + data[24:]):
        return (
            f"The profile says that its tables lead to {profile.header.pcs}, but they lead to "
            f"{other}."
        )
    if profile.header.pcs == "Lab" and _is_white(
        _triple(_read_in_other_encoding(profile, "A2B1", np.array(white)))
    ):
        return "The profile's table A2B1 is written in the wrong encoding of Lab."
    lightness, a, b = white
    return (
        f"Bare paper would count as Lab {lightness:.1f}, {a:.1f}, {b:.1f} instead of 100, 0, 0: "
        "the profile's table A2B1 is damaged."
    )


def _white_is_right_in(data: bytes) -> bool:
    try:
        return _is_white(_triple(lab_of_device(data, np.full((1, 3), 65535, dtype=np.uint16))[0]))
    except RuntimeError:
        return False


def _with_tables_swapped(data: bytes, profile: IccProfile) -> bytes:
    """Return the profile with the names A2B1 and B2A1 exchanged in its list of contents."""
    changed = bytearray(data)
    for row, tag in enumerate(profile.tags):
        if tag.signature in {"A2B1", "B2A1"}:
            start = 132 + 12 * row
            changed[start : start + 4] = b"B2A1" if tag.signature == "A2B1" else b"A2B1"
    return bytes(changed)


# --- The two encodings of Lab (ICC.1, 6.3.4.2 and 10.10) -------------------------------------
#
# A lut16 (`mft2`) has L* 100 at 65280 and a* 0 at 32768 in every version of the format; the
# tables of version 4 have L* 100 at 65535 and a* 0 at 32896. Code is code × 257 / 256 apart.

_LAB_SHIFT = np.array([0.0, 128.0, 128.0])


def _read_in_other_encoding(profile: IccProfile, signature: str, lab: Floats) -> Floats:
    """Return what Lab becomes when its code for one table is read in the other encoding."""
    table = profile.table(signature)
    ratio = 256 / 257 if table is not None and table.kind == "mft2" else 257 / 256
    return np.asarray((lab + _LAB_SHIFT) * ratio - _LAB_SHIFT)


# --- Colour arithmetic ----------------------------------------------------------------------


def _triple(lab: Floats) -> Lab:
    lightness, a, b = lab.tolist()
    return (lightness, a, b)


def _lab_from_xyz(xyz: Xyz) -> Lab:
    """CIE 1976 L*a*b* (ISO/CIE 11664-4), white D50, Y = 1."""
    ratio = np.array(xyz) / np.array(PCS_WHITE)
    f = np.where(ratio > 216 / 24389, np.cbrt(ratio), (ratio * 24389 / 27 + 16) / 116)
    return _triple(np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])]))


def _with_paper(relative: Lab, white: Xyz) -> Lab:
    """Return absolute Lab of a relative one (ICC.1, 6.3.2.2: XYZ scaled by the media white)."""
    fy = (relative[0] + 16) / 116
    f = np.array([fy + relative[1] / 500, fy, fy - relative[2] / 200])
    ratio = np.where(f > 6 / 29, f**3, (116 * f - 16) * 27 / 24389)
    x, y, z = (ratio * np.array(white)).tolist()
    return _lab_from_xyz((x, y, z))
