"""Invent a printer and make its colour profile, for the demonstration's lab and for tests.

Eight invented colours, printed solid (paper, cyan, magenta, yellow, red, green, blue, black),
are mixed by the Yule–Nielsen modified Neugebauer equations with Demichel's coverages: the
textbook model of a halftone print. It is no measurement of any paper or machine. What comes
out is a complete RGB printer profile of version 2, with tables for three intents both ways.

Two properties are built in on purpose: paper white comes back as full device white to the last
code, so that bare paper stays bare; and the table to the print is the solved inverse of the
table from it, so that a colour inside the gamut survives the way there and back.

The same call gives the same bytes on one machine; elsewhere the last bit of a float may move
one code in 65,535. This module imports numpy and so belongs to child processes only.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from platemark.imaging.icc import PCS_WHITE, pack_profile, pack_text, pack_xyz

Lab = tuple[float, float, float]
"""CIELAB, D50, 2°."""

Floats = NDArray[np.float64]
Codes = NDArray[np.uint16]


@dataclass(frozen=True, slots=True)
class PrinterSpec:
    """Printer and paper, invented: the absolute Lab of the eight solid colours."""

    description: str
    """What the profile calls itself; ASCII."""
    white: Lab
    cyan: Lab
    magenta: Lab
    yellow: Lab
    red: Lab
    green: Lab
    blue: Lab
    black: Lab
    light_spread: float = 2.0
    """Yule–Nielsen n: 1 for no spreading of light in the paper, 2 for complete spreading."""

    @property
    def corners(self) -> tuple[Lab, ...]:
        """Eight corners, the index counting cyan as 4, magenta as 2 and yellow as 1."""
        return (
            self.white,
            self.yellow,
            self.magenta,
            self.red,
            self.cyan,
            self.green,
            self.blue,
            self.black,
        )


# White and black are common practice for each kind of surface; all other numbers are invented.
MATTE_RAG = PrinterSpec(
    description="Invented demo printer, smooth rag",
    white=(96.6, 0.2, 1.6),
    cyan=(59.0, -31.0, -37.0),
    magenta=(50.5, 61.0, -4.0),
    yellow=(88.5, -4.5, 76.0),
    red=(50.0, 55.0, 33.0),
    green=(53.5, -50.0, 24.0),
    blue=(31.0, 17.0, -40.0),
    black=(17.0, 0.4, 0.9),
)
MATTE_ETCHING = PrinterSpec(
    description="Invented demo printer, etching rag",
    white=(95.4, 0.1, 3.2),
    cyan=(59.5, -30.0, -34.0),
    magenta=(51.0, 58.0, -2.0),
    yellow=(87.5, -4.0, 73.0),
    red=(50.5, 52.0, 32.0),
    green=(54.0, -47.0, 24.0),
    blue=(33.0, 16.0, -37.0),
    black=(18.6, 0.5, 1.4),
)
BARYTA = PrinterSpec(
    description="Invented demo printer, baryta",
    white=(96.1, 0.1, -1.0),
    cyan=(55.0, -36.0, -50.0),
    magenta=(47.0, 74.0, -9.0),
    yellow=(88.0, -6.0, 94.0),
    red=(46.0, 68.0, 48.0),
    green=(49.0, -66.0, 30.0),
    blue=(21.0, 27.0, -55.0),
    black=(4.2, 0.1, -0.6),
)
CANVAS = PrinterSpec(
    description="Invented demo printer, canvas",
    white=(94.0, 0.0, 1.2),
    cyan=(58.5, -28.0, -34.0),
    magenta=(51.5, 55.0, -3.0),
    yellow=(86.0, -4.0, 69.0),
    red=(51.0, 49.0, 29.0),
    green=(54.5, -44.0, 22.0),
    blue=(35.0, 14.0, -35.0),
    black=(21.5, 0.3, 0.6),
)


# --- The printed colour ---------------------------------------------------------------------


def printed_lab(spec: PrinterSpec, device: Floats, *, relative: bool = False) -> Floats:
    """Return the colour that the invented printer prints.

    Args:
        spec: Printer and paper.
        device: RGB, 0 … 1, shape (n, 3).
        relative: Whether the paper counts as white (Lab 100, 0, 0), as in a profile's tables.

    Returns:
        Lab, D50, shape (n, 3).
    """
    solids = _xyz_from_lab(np.array(spec.corners)) ** (1 / spec.light_spread)
    xyz = np.maximum(_shares(device) @ solids, 0) ** spec.light_spread
    return _lab_from_xyz(xyz * (_D50 / _white_xyz(spec)) if relative else xyz)


def _shares(device: Floats) -> Floats:
    """Return the paper's share of each solid colour (Demichel), shape (n, 8)."""
    ink = 1 - np.asarray(device, dtype=np.float64)
    pairs = np.stack([1 - ink, ink], axis=-1)
    shares: Floats = np.einsum("nc,nm,ny->ncmy", pairs[:, 0], pairs[:, 1], pairs[:, 2])
    return shares.reshape(-1, 8)


_D50 = np.array(PCS_WHITE)


def _white_xyz(spec: PrinterSpec) -> Floats:
    return _xyz_from_lab(np.array(spec.white))


def _lab_from_xyz(xyz: Floats) -> Floats:
    """CIE 1976 L*a*b* (ISO/CIE 11664-4), white D50, Y = 1."""
    ratio = xyz / _D50
    f = np.where(ratio > 216 / 24389, np.cbrt(ratio), (ratio * 24389 / 27 + 16) / 116)
    fx, fy, fz = f[..., 0], f[..., 1], f[..., 2]
    return np.stack([116 * fy - 16, 500 * (fx - fy), 200 * (fy - fz)], axis=-1)


def _xyz_from_lab(lab: Floats) -> Floats:
    fy = (lab[..., 0] + 16) / 116
    f = np.stack([fy + lab[..., 1] / 500, fy, fy - lab[..., 2] / 200], axis=-1)
    xyz: Floats = np.where(f > 6 / 29, f**3, (116 * f - 16) * 27 / 24389) * _D50
    return xyz


# --- Intents: what a picture's colour is to become on this paper -----------------------------

_CHROMA_ROOM = 400.0
"""Perceptual: chroma C becomes C / (1 + C / 400), so 20 loses 5 % and 100 loses 20 %."""


@dataclass(frozen=True, slots=True)
class _Intent:
    """Way from a picture's Lab to the Lab aimed at on paper, and back."""

    number: int
    fits_black: bool
    """Whether the picture's black becomes the darkest print: XYZ scaled linearly to it."""
    compresses_chroma: bool

    def aim(self, lab: Floats, black_xyz: Floats) -> Floats:
        """Return the relative Lab to print for a picture's Lab, shape (n, 3)."""
        if self.compresses_chroma:
            chroma = np.hypot(lab[:, 1], lab[:, 2])[:, None]
            lab = lab / np.where([True, False, False], 1.0, 1 + chroma / _CHROMA_ROOM)
        if self.fits_black:
            lab = _lab_from_xyz(black_xyz + _xyz_from_lab(lab) * (1 - black_xyz / _D50))
        return lab

    def picture(self, lab: Floats, black_xyz: Floats) -> Floats:
        """Return the picture's Lab that a printed relative Lab stands for; undoes `aim`."""
        if self.fits_black:
            xyz = (_xyz_from_lab(lab) - black_xyz) / (1 - black_xyz / _D50)
            lab = _lab_from_xyz(xyz)
        if self.compresses_chroma:
            chroma = np.hypot(lab[:, 1], lab[:, 2])[:, None]
            lab = lab / np.where([True, False, False], 1.0, 1 - chroma / _CHROMA_ROOM)
        return lab


_INTENTS = (
    _Intent(0, fits_black=True, compresses_chroma=True),
    _Intent(1, fits_black=False, compresses_chroma=False),
    _Intent(2, fits_black=True, compresses_chroma=False),
)


# --- The profile ----------------------------------------------------------------------------

_GRID = 17
_INPUT_ENTRIES = 4096
_OUTPUT_ENTRIES = 1024
_IN_GAMUT = 0.5
"""Distance in Lab units up to which the gamut table calls a colour printable."""


def make_printer_profile(spec: PrinterSpec) -> bytes:
    """Make the colour profile of an invented printer.

    Args:
        spec: Printer and paper.

    Returns:
        A profile of version 2.4: class `prtr`, RGB, PCS Lab, with `A2B0`…`2`, `B2A0`…`2` and
        `gamt` as `mft2` tables on 17³ grids, about 300 kB. Perceptual (0) brings the
        picture's black up to the darkest print and draws chroma in; saturation (2) does the
        first only; relative (1) does neither and takes the nearest printable colour.
    """
    device = _device_grid()
    printed = printed_lab(spec, device, relative=True)
    black_xyz = _xyz_from_lab(printed[0])
    curves, wanted = _picture_grid()
    parts = {
        "desc": pack_text(spec.description, version=2, is_name=True),
        "cprt": pack_text("Free to use, copy and embed", version=2),
        "wtpt": pack_xyz(tuple(_white_xyz(spec).tolist())),
    }
    for intent in _INTENTS:
        meant = _lab_codes(intent.picture(printed, black_xyz))
        parts[f"A2B{intent.number}"] = _pack_lut16(_straight(3), meant, _straight(3))
    for intent in _INTENTS:
        found, distance = _nearest_device(spec, intent.aim(wanted, black_xyz))
        parts[f"B2A{intent.number}"] = _pack_lut16(curves, _device_codes(found), _white_clip())
        if intent.number == 1:
            outside = np.where(distance > _IN_GAMUT, np.minimum(distance * 600, 65535), 0)
            codes = np.floor(outside + 0.5).astype(np.uint16)[:, None]
            parts["gamt"] = _pack_lut16(curves, codes, _straight(1))
    return pack_profile(
        parts, version=2, device_class="prtr", colour_space="RGB", pcs="Lab", rendering_intent=1
    )


def _device_grid() -> Floats:
    """RGB of every grid point, 0 … 1; red varies slowest, as ICC.1, 10.10 asks."""
    steps = np.linspace(0, 1, _GRID)
    return np.stack(np.meshgrid(steps, steps, steps, indexing="ij"), axis=-1).reshape(-1, 3)


def _picture_grid() -> tuple[Codes, Floats]:
    """Return input curves (3, entries) of the B2A tables, and the Lab of each grid point.

    The curves put grid points where colours are: close together near the neutral axis and far
    apart where no paper reaches. They are flat for one entry about a* = 0 and b* = 0 and at
    L* = 100, so that the last digits of another maker's white do not tint it.
    """
    entry_codes = np.linspace(0, 65535, _INPUT_ENTRIES)
    lightness = np.minimum(entry_codes / _below_white(), 1.0)
    signed = (entry_codes / 256 - 128) / 128
    half_entry = 0.5 * 65535 / (_INPUT_ENTRIES - 1) / 256 / 128
    signed = np.where(np.abs(signed) <= 1.1 * half_entry, 0.0, signed)
    opponent = 0.5 + 0.5 * np.sign(signed) * np.minimum(np.abs(signed), 1.0) ** (1 / 1.3)
    tables = np.floor(np.stack([lightness, opponent, opponent]) * 65535 + 0.5)
    grid_codes = np.linspace(0, 65535, _GRID)
    axes = [np.interp(grid_codes, table, entry_codes) for table in tables]
    axes[0] = axes[0] / 652.8
    axes[1] = axes[2] = axes[1] / 256 - 128
    # Interpolation stops at the edge of the flat piece; its middle is what is meant.
    axes[0][-1], axes[1][_GRID // 2] = 100.0, 0.0
    grid = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 3)
    return tables.astype(np.uint16), grid


def _below_white() -> float:
    """Code of the last table entry that is not above L* = 100 (65280 in lut16)."""
    step = 65535 / (_INPUT_ENTRIES - 1)
    return float(np.floor(65280 / step) * step)


def _lab_codes(lab: Floats) -> Codes:
    """Lab as a lut16 has it in every version: L* × 652.8, a* and b* × 256 from 32768."""
    codes = lab * (652.8, 256, 256) + (0, 32768, 32768)
    return np.clip(np.floor(codes + 0.5), 0, 65535).astype(np.uint16)


_TOP = 65535 * (_OUTPUT_ENTRIES - 2) / (_OUTPUT_ENTRIES - 1)
"""Last output entry but one. The curve reaches full device there, and stays."""


def _device_codes(device: Floats) -> Codes:
    """Device values for a table with `_white_clip` behind it.

    What is fully 1 gets the very top, a little beyond what it needs, so that interpolating
    with a neighbour's hair's breadth less still gives bare paper.
    """
    codes = np.where(device >= 1, 65535, device * _TOP)
    return np.floor(codes + 0.5).astype(np.uint16)


def _white_clip() -> Codes:
    entries = np.linspace(0, 65535, _OUTPUT_ENTRIES)
    curve = np.floor(np.minimum(entries / _TOP, 1.0) * 65535 + 0.5).astype(np.uint16)
    return np.stack([curve] * 3)


def _straight(channels: int) -> Codes:
    return np.array([[0, 65535]] * channels, dtype=np.uint16)


def _pack_lut16(before: Codes, grid: Codes, after: Codes) -> bytes:
    """Return an `mft2` part (ICC.1, 10.10) with the matrix left at identity.

    Args:
        before: Input curves, shape (inputs, entries).
        grid: Colour grid, first input slowest, shape (17 to the inputs, outputs).
        after: Output curves, shape (outputs, entries).
    """
    identity = (65536, 0, 0, 0, 65536, 0, 0, 0, 65536)
    shape = (len(before), len(after), _GRID)
    head = struct.pack(">4s4x3Bx9i2H", b"mft2", *shape, *identity, before.shape[1], after.shape[1])
    return head + b"".join(part.astype(">u2").tobytes() for part in (before, grid, after))


# --- The inverse: which device value prints a wanted colour ----------------------------------

_HUE_WEIGHT, _CHROMA_WEIGHT = 3.0, 0.6
"""Out of gamut, a shift of hue is the worst and a loss of chroma the least; without these
weights blues turn purple."""

_STEPS = 40
_SETTLED = 1e-7


def _nearest_device(spec: PrinterSpec, wanted: Floats) -> tuple[Floats, Floats]:
    """Solve for the device values whose print comes nearest to `wanted`.

    Damped Gauss–Newton steps (Levenberg–Marquardt) kept inside the device cube, from the best
    point of a coarse grid.

    Args:
        spec: Printer and paper.
        wanted: Relative Lab, shape (n, 3).

    Returns:
        Device RGB 0 … 1, shape (n, 3), and what remains, in Lab units, shape (n,).
    """
    weights = _weights(wanted)
    device = _first_guess(spec, wanted, weights)
    damping = np.full(len(wanted), 1e-2)
    error = _error(spec, device, wanted, weights)
    live = np.arange(len(wanted))
    for _ in range(_STEPS):
        here, left = device[live], error[live]
        slope = weights[live] @ _slope(spec, here)
        step = _step(here, slope, left, damping[live])
        tried = np.clip(here + step, 0, 1)
        after = _error(spec, tried, wanted[live], weights[live])
        better = np.sum(after**2, axis=1) < np.sum(left**2, axis=1)
        device[live[better]], error[live[better]] = tried[better], after[better]
        damping[live] = np.where(better, damping[live] * 0.2, damping[live] * 8)
        moved = np.max(np.abs(tried - here), axis=1) > _SETTLED
        live = live[moved]
        if not len(live):
            break
    remaining = printed_lab(spec, device, relative=True) - wanted
    return _snapped(device), np.linalg.norm(remaining, axis=1)


def _snapped(device: Floats) -> Floats:
    """Take what lies within half a code of 16 bits from the edge of the cube to be on it."""
    return np.where(device > 1 - 0.5 / 65535, 1.0, np.where(device < 0.5 / 65535, 0.0, device))


def _weights(wanted: Floats) -> Floats:
    """Matrices (n, 3, 3) that turn a Lab difference to weighted lightness, chroma and hue."""
    chroma = np.hypot(wanted[:, 1], wanted[:, 2])
    hue = np.arctan2(wanted[:, 2], wanted[:, 1])
    # A neutral has no hue to keep, so the weights come in as the chroma grows.
    certain = chroma / (chroma + 5)
    along = 1 + (_CHROMA_WEIGHT - 1) * certain
    across = 1 + (_HUE_WEIGHT - 1) * certain
    weights = np.zeros((len(wanted), 3, 3))
    weights[:, 0, 0] = 1
    weights[:, 1, 1], weights[:, 1, 2] = along * np.cos(hue), along * np.sin(hue)
    weights[:, 2, 1], weights[:, 2, 2] = -across * np.sin(hue), across * np.cos(hue)
    return weights


def _first_guess(spec: PrinterSpec, wanted: Floats, weights: Floats) -> Floats:
    steps = np.linspace(0, 1, 9)
    candidates = np.stack(np.meshgrid(steps, steps, steps), axis=-1).reshape(-1, 3)
    colours = printed_lab(spec, candidates, relative=True)
    best = np.empty(len(wanted), dtype=np.intp)
    for start in range(0, len(wanted), 512):
        part = slice(start, start + 512)
        difference = (colours[None] - wanted[part, None]) @ weights[part].transpose(0, 2, 1)
        best[part] = np.argmin(np.einsum("nkc,nkc->nk", difference, difference), axis=1)
    return candidates[best]


def _error(spec: PrinterSpec, device: Floats, wanted: Floats, weights: Floats) -> Floats:
    difference = printed_lab(spec, device, relative=True) - wanted
    error: Floats = np.einsum("nij,nj->ni", weights, difference)
    return error


def _slope(spec: PrinterSpec, device: Floats) -> Floats:
    """Change of Lab with each device channel, by differences, shape (n, 3 of Lab, 3)."""
    reach = 1e-5
    columns = []
    for channel in range(3):
        shift = np.zeros(3)
        shift[channel] = reach
        ahead = printed_lab(spec, device + shift, relative=True)
        behind = printed_lab(spec, device - shift, relative=True)
        columns.append((ahead - behind) / (2 * reach))
    return np.stack(columns, axis=-1)


def _step(device: Floats, slope: Floats, error: Floats, damping: Floats) -> Floats:
    """One damped step; a channel at its end that would be pushed further is left alone."""
    pull = np.einsum("nij,ni->nj", slope, error)
    stuck = ((device <= 0) & (pull > 0)) | ((device >= 1) & (pull < 0))
    free = (~stuck).astype(np.float64)
    normal = np.einsum("nik,nij->nkj", slope, slope) * free[:, :, None] * free[:, None, :]
    diagonal = np.einsum("nii->ni", normal)
    added = diagonal * damping[:, None] + (1 - free) + 1e-9
    system = normal + added[:, :, None] * np.eye(3)
    step: Floats = np.linalg.solve(system, -(pull * free)[:, :, None])[:, :, 0]
    return step
