"""A patch strip's readings: what an instrument measured, told apart patch by patch."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Literal

from platemark.model.cgats import BadReadings, Table, read_tables
from platemark.model.patch_strip import PATCHES, Patch, Rgb

Lab = tuple[Decimal, Decimal, Decimal]
"""CIELAB for D50 and the 2° observer."""
Scale = Literal[100, 255]
Condition = Literal["M0", "M1", "M2", "M3"]
CONDITIONS: tuple[Condition, ...] = ("M0", "M1", "M2", "M3")
"""Of ISO 13655: M0 as of old, M1 daylight with its ultraviolet, M2 without, M3 polarised."""

WHITE_XYZ = (96.42, 100.0, 82.49)
"""D50, as measured data have it (ISO 13655)."""
_EPSILON, _KAPPA = 216 / 24389, 24389 / 27
_LAB_XYZ_AGREE = Decimal(1)
"""ΔE76 between a row's Lab and its XYZ; the rounding of published data makes up to .32."""
_RGB_AGREES = Decimal("1.5")
"""Codes of 255 that a stated RGB may be off: 0 to 100 in whole numbers rounds by 1.275."""
_MOST_TIMES = 50
_SURELY_255 = Decimal(101)

_LAB, _XYZ = ("LAB_L", "LAB_A", "LAB_B"), ("XYZ_X", "XYZ_Y", "XYZ_Z")
_RGB = ("RGB_R", "RGB_G", "RGB_B")
_CONDITION = re.compile(r"(?<![A-Z0-9])M([0-3])(?![A-Z0-9])")
_CONDITION_WORDS = (
    "MEASUREMENT_SOURCE", "MEASUREMENT_CONDITION", "MEASUREMENT_CONDITIONS", "MEASUREMENT_MODE",
    "FILTER", "FILTER_STATUS", "INSTRUMENTATION", "ILLUMINATION_NAME", "WEIGHTING_FUNCTION",
)  # fmt: skip
_ILLUMINANT = re.compile(r"(?<![A-Z0-9])(A|C|D50|D55|D65|D75|F2|F7|F11|TL84)(?![A-Z0-9])")
_OBSERVER = re.compile(r"(?<![0-9.])(2|10)\s*(?:°|DEG|DEGREE)")


@dataclass(frozen=True, slots=True)
class Measured:
    """One colour of the strip, with every reading of it."""

    patch: Patch
    readings: tuple[Lab, ...]

    @property
    def lab(self) -> Lab:
        """The mean of its readings, to hundredths."""
        n = len(self.readings)
        means = [sum(values) / n for values in zip(*self.readings, strict=True)]
        lightness, a, b = (Decimal(mean).quantize(Decimal("0.01")) for mean in means)
        return lightness, a, b


@dataclass(frozen=True, slots=True)
class Readings:
    """A strip as it was measured."""

    patches: tuple[Measured, ...]
    """Each colour once, in the strip's order."""
    condition: Condition
    created: str
    instrument: str

    @property
    def times(self) -> int:
        """How often the strip was gone over, by the colour that was read least often."""
        printed = [patch.rgb for patch in PATCHES]
        return min(len(each.readings) // printed.count(each.patch.rgb) for each in self.patches)


def read_strip(data: bytes, *, scale: Scale | None, condition: Condition | None) -> Readings:
    """Read the readings of one patch strip.

    Args:
        data: The instrument's text file.
        scale: What its RGB values reach to, where it has any; None where nobody said.
        condition: What it was measured with, where the file does not say; None where nobody did.

    Raises:
        BadReadings: they cannot be used; the message says what and where.
    """
    table = _measured_table(read_tables(data))
    _refuse_other_light(table)
    if len(table.rows) > _MOST_TIMES * len(PATCHES):
        raise BadReadings(
            f"It has {len(table.rows):,} rows, and a strip {len(PATCHES)}; more than "
            f"{_MOST_TIMES} readings of each are not taken.",
            "Hand in the strip of this job alone.",
        )
    labs = _labs_of(table)
    patches = _patches_of(table, scale)
    by_colour: dict[Rgb, list[Lab]] = {}
    for patch, lab in zip(patches, labs, strict=True):
        by_colour.setdefault(patch.rgb, []).append(lab)
    each_once = {patch.rgb: patch for patch in reversed(PATCHES)}
    missing = [patch.name for rgb, patch in reversed(each_once.items()) if rgb not in by_colour]
    if missing:
        raise BadReadings(
            f"{len(missing)} of {len(each_once)} colours of the strip are missing: "
            f"{_listed(missing)}.",
            "Measure the whole strip, and hand that in.",
        )
    in_order = dict.fromkeys(patch.rgb for patch in PATCHES)
    return Readings(
        tuple(Measured(each_once[rgb], tuple(by_colour[rgb])) for rgb in in_order),
        _condition_of(table, condition),
        table.words.get("CREATED", "")[:80],
        table.words.get("INSTRUMENTATION", "")[:200],
    )


def lab_of_xyz(xyz: Sequence[Decimal]) -> Lab:
    """CIELAB (ISO/CIE 11664-4) of XYZ that are 0 to 100, for D50."""
    x, y, z = (
        _cube_root(float(value) / white) for value, white in zip(xyz, WHITE_XYZ, strict=True)
    )
    lightness, a, b = 116 * y - 16, 500 * (x - y), 200 * (y - z)
    return Decimal(f"{lightness:.4f}"), Decimal(f"{a:.4f}"), Decimal(f"{b:.4f}")


def _cube_root(share: float) -> float:
    return share ** (1 / 3) if share > _EPSILON else (_KAPPA * share + 16) / 116


def _measured_table(tables: tuple[Table, ...]) -> Table:
    """The one table that has measured colours."""
    fit = [table for table in tables if table.has(*_LAB) or table.has(*_XYZ)]
    if len(fit) == 1:
        return fit[0]
    if fit:
        raise BadReadings(
            f"{len(fit)} of its tables hold measured colours.",
            "Hand in one table: the strip of this job.",
        )
    if any(_is_spectral(table) for table in tables):
        raise BadReadings(
            "It holds spectra and no colours (LAB_L LAB_A LAB_B or XYZ_X XYZ_Y XYZ_Z).",
            "Export it with Lab for D50 and 2° as well.",
        )
    raise BadReadings(
        "It holds no measured colours: neither LAB_L LAB_A LAB_B nor XYZ_X XYZ_Y XYZ_Z.",
        "Export it with Lab for D50 and 2°.",
    )


def _is_spectral(table: Table) -> bool:
    return any(re.match(r"(NM|SPECTRAL_|SPECTRAL_NM_?|R_?)[0-9]{3}", name) for name in table.fields)


def _refuse_other_light(table: Table) -> None:
    """Lab of another illuminant or observer would look like a drift."""
    said = " ".join(
        table.words.get(name, "")
        for name in ("ILLUMINANT", "WEIGHTING_FUNCTION", "COMPUTATIONAL_PARAMETER", "OBSERVER")
    ).upper()
    lights = set(_ILLUMINANT.findall(said)) - {"D50"}
    if lights and "D50" not in said:
        raise BadReadings(
            f"Its colours are for the light {', '.join(sorted(lights))}.",
            "Export it for D50 and 2°, as printing is measured.",
        )
    if set(_OBSERVER.findall(said)) == {"10"}:
        raise BadReadings("Its colours are for the 10° observer.", "Export it for D50 and 2°.")


def _labs_of(table: Table) -> tuple[Lab, ...]:
    if not table.rows:
        raise BadReadings("Its table has no rows.", "Measure the strip, and hand that in.")
    xyz = table.numbers(*_XYZ) if table.has(*_XYZ) else None
    if xyz is not None and max(row[1] for row in xyz) <= 2:
        raise BadReadings(
            "Its XYZ reach to 1 and not to 100.", "Export it with XYZ to 100, or with Lab."
        )
    from_xyz = tuple(map(lab_of_xyz, xyz)) if xyz is not None else None
    if not table.has(*_LAB):
        if from_xyz is None:
            raise KeyError(_LAB)
        stated = from_xyz
    else:
        stated = tuple((row[0], row[1], row[2]) for row in table.numbers(*_LAB))
    for row, lab in zip(table.rows, stated, strict=True):
        if not -1 <= lab[0] <= 110 or max(abs(lab[1]), abs(lab[2])) > 200:
            shown = " ".join(f"{value:f}" for value in lab)
            raise BadReadings(f"Line {row.line}: Lab {shown} is no colour.", "Read it again.")
    for row, one, other in zip(table.rows, stated, from_xyz or stated, strict=True):
        squares = [(p - q) ** 2 for p, q in zip(one, other, strict=True)]
        apart = sum(squares, Decimal(0)).sqrt()
        if apart > _LAB_XYZ_AGREE:
            raise BadReadings(
                f"Line {row.line}: its Lab and its XYZ are {apart:.1f} apart (ΔE76), so one of "
                "them is for another light or is wrong.",
                "Export it with Lab for D50 and 2° alone.",
            )
    return stated


def _patches_of(table: Table, scale: Scale | None) -> tuple[Patch, ...]:
    """Which patch each row is of: by its RGB, by its name, or by its place."""
    if table.has(*_RGB):
        return tuple(_by_rgb(table, scale))
    for name in ("SAMPLE_NAME", "SAMPLE_LOC", "SAMPLE_ID"):
        if table.has(name):
            found = _by_name(table.texts(name))
            if found is not None:
                return found
    if len(table.rows) == len(PATCHES):
        return PATCHES
    raise BadReadings(
        f"It has {len(table.rows)} rows and says neither RGB values nor names that tell which "
        f"patch each is of; a strip has {len(PATCHES)}.",
        f"Export it with RGB values, or number the patches 1 to {len(PATCHES)}.",
    )


def _by_rgb(table: Table, scale: Scale | None) -> Iterator[Patch]:
    rows = table.numbers(*_RGB)
    highest = max((max(row) for row in rows), default=Decimal(0))
    if scale is None:
        if highest <= _SURELY_255:
            raise BadReadings(
                "Its RGB values go to 100 at most, and it does not say whether they are of 100 or "
                "of 255.",
                "Say which with --scale 100 or --scale 255.",
            )
        scale = 255
    for row, stated in zip(table.rows, rows, strict=True):
        codes = [value * 255 / scale for value in stated]
        near = min(PATCHES, key=lambda patch: _off(patch, codes))
        if _off(near, codes) > _RGB_AGREES:
            shown = " ".join(f"{value.normalize():f}" for value in stated)
            raise BadReadings(
                f"Line {row.line}: RGB {shown} (of {scale}) is no colour of our strip.",
                "See that it is the strip of this job and that --scale is right.",
            )
        yield near


def _off(patch: Patch, codes: list[Decimal]) -> Decimal:
    return max(abs(code - value) for code, value in zip(codes, patch.rgb, strict=True))


def _by_name(names: tuple[str, ...]) -> tuple[Patch, ...] | None:
    """Patches by their names, or by numbers from 1; None where they are neither."""
    known = {patch.name: patch for patch in PATCHES}
    folded = [" ".join(name.lower().replace("_", " ").split()) for name in names]
    if all(name in known for name in folded):
        return tuple(known[name] for name in folded)
    if all(re.fullmatch(r"[0-9]{1,4}", name) for name in folded):
        numbers = [int(name) for name in folded]
        if set(numbers) == set(range(1, len(PATCHES) + 1)):
            return tuple(PATCHES[number - 1] for number in numbers)
    return None


def _condition_of(table: Table, said: Condition | None) -> Condition:
    words = " ".join(table.words.get(name, "") for name in _CONDITION_WORDS).upper()
    stated = sorted({f"M{number}" for number in _CONDITION.findall(words)})
    if len(stated) > 1:
        raise BadReadings(
            f"It says that it was measured with {' and '.join(stated)}.",
            "Hand in the readings of one condition.",
        )
    if not stated and said is None:
        raise BadReadings(
            "It does not say with which condition it was measured (M0, M1, M2 or M3).",
            "Look at the instrument's setting and say it with --condition.",
        )
    if stated and said is not None and stated[0] != said:
        raise BadReadings(
            f"It says that it was measured with {stated[0]}, and you say {said}.",
            "Look at the instrument's setting; leave --condition out where the file is right.",
        )
    found = stated[0] if stated else said
    return next(each for each in CONDITIONS if each == found)


def _listed(names: list[str], most: int = 6) -> str:
    more = f" and {len(names) - most} more" if len(names) > most else ""
    return ", ".join(names[:most]) + more
