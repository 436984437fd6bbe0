"""Make the invented pictures, good and bad, that the demonstration drops.

Ten scenes are drawn from nothing but arithmetic: terrain seen in perspective, turned forms
under a window, brush strokes, reeds. Each is a function of width and height and of fixed
seeds, so the same call gives the same pixels on the same machine (another processor may
differ in the last bit of a float, hence by one code in 65,535). They are made in linear light
of their own colour space and encoded at the very end, as a careful photographer's files are.

This module imports numpy, Pillow and pyvips and so belongs to child processes only.
"""

from __future__ import annotations

import io
import struct
import zlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal, Protocol

import numpy as np
import pyvips
from numpy.typing import NDArray
from PIL import Image

# All are float32. To the type checker float32 and a Python float make float64, which NumPy itself
# has not done since version 2.
Plane = NDArray[np.floating[Any]]
"""Single-channel values, shape (height, width)."""

Canvas = NDArray[np.floating[Any]]
"""Linear light, shape (height, width, 3); 1.0 is diffuse white and more is a light source."""

Pixels = NDArray[np.uint16]
"""Encoded picture, shape (height, width, 3), 0 … 65535."""

_STRIP_ROWS = 96
"""Rows handled at a time, so that the working set stays in the processor's cache."""


# --- Colour ---------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Space:
    """Working space: chromaticities of red, green, blue and white, and its encoding curve."""

    red: tuple[float, float]
    green: tuple[float, float]
    blue: tuple[float, float]
    white: tuple[float, float]
    curve: str


_D65 = (0.3127, 0.3290)
_D50 = (0.3457, 0.3585)

SPACES: dict[str, _Space] = {
    # IEC 61966-2-1
    "srgb": _Space((0.64, 0.33), (0.30, 0.60), (0.15, 0.06), _D65, "srgb"),
    # Adobe RGB (1998) colour image encoding, section 4.3
    "adobe-rgb": _Space((0.64, 0.33), (0.21, 0.71), (0.15, 0.06), _D65, "adobe-rgb"),
    # SMPTE EG 432-1 primaries with the sRGB curve and white
    "display-p3": _Space((0.680, 0.320), (0.265, 0.690), (0.150, 0.060), _D65, "srgb"),
    # ISO 22028-2 (ROMM RGB)
    "romm": _Space((0.7347, 0.2653), (0.1596, 0.8404), (0.0366, 0.0001), _D50, "romm"),
}
"""Spaces that a picture may be encoded in, by the names that the settings use."""


def _to_xyz(space: _Space) -> NDArray[np.floating[Any]]:
    """Return the 3 × 3 matrix from linear RGB to XYZ, white at Y = 1."""
    columns = np.array(
        [[x / y, 1.0, (1 - x - y) / y] for x, y in (space.red, space.green, space.blue)]
    ).T
    return np.asarray(columns * np.linalg.solve(columns, _white_xyz(space.white)))


def _white_xyz(white: tuple[float, float]) -> NDArray[np.float64]:
    return np.array([white[0] / white[1], 1.0, (1 - white[0] - white[1]) / white[1]])


def _from_srgb(space: _Space) -> NDArray[np.floating[Any]]:
    """Return the 3 × 3 matrix from linear sRGB to linear `space`, white to white (Bradford)."""
    bradford = np.array(
        [[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]]
    )
    gains = (bradford @ _white_xyz(space.white)) / (bradford @ _white_xyz(_D65))
    adapt = np.linalg.solve(bradford, gains[:, None] * bradford)
    return np.asarray(np.linalg.solve(_to_xyz(space), adapt @ _to_xyz(SPACES["srgb"])))


def _encode(linear: NDArray[np.float64], curve: str) -> NDArray[np.float64]:
    """Return encoded values 0 … 1 for linear values 0 … 1."""
    if curve == "srgb":
        high = 1.055 * np.maximum(linear, 0.0031308) ** (1 / 2.4) - 0.055
        return np.where(linear <= 0.0031308, 12.92 * linear, high)
    if curve == "romm":
        return np.where(linear < 1 / 512, 16 * linear, np.maximum(linear, 1 / 512) ** (1 / 1.8))
    return np.asarray(linear ** (256 / 563))


class _Palette:
    """Turns the hex colours of a scene, written as sRGB, into linear light of its space."""

    def __init__(self, space: str) -> None:
        self._matrix = _from_srgb(SPACES[space])
        self._colours: dict[tuple[str, float, float], Canvas] = {}
        self._ramps: dict[tuple[tuple[float, str] | tuple[float, str, float], ...], Canvas] = {}

    def __call__(self, colour: str, gain: float = 1.0, vivid: float = 1.0) -> Canvas:
        """Return a linear colour, shape (3,).

        Args:
            colour: `#rrggbb` in sRGB.
            gain: Factor on its light, above 1 for what shines.
            vivid: Factor on its distance from grey; above 1 it may leave sRGB.
        """
        known = self._colours.get((colour, gain, vivid))
        if known is not None:
            return known
        code = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)]) / 255
        linear = np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4)
        grey = linear @ np.array([0.2126, 0.7152, 0.0722])
        turned = self._matrix @ (grey + (linear - grey) * vivid)
        mixed: Canvas = (np.maximum(turned, 0.0) * gain).astype(np.float32)
        # It is handed out again and again, so nobody may write into it.
        mixed.flags.writeable = False
        self._colours[colour, gain, vivid] = mixed
        return mixed

    def ramp(self, *stops: tuple[float, str] | tuple[float, str, float]) -> Canvas:
        """Return 1,024 colours, shape (1024, 3), through `(position, colour[, gain])` stops."""
        if stops in self._ramps:
            return self._ramps[stops]
        places = [stop[0] for stop in stops]
        colours = np.array([self(stop[1], stop[2] if len(stop) == 3 else 1.0) for stop in stops])
        steps = np.linspace(0, 1, 1024)
        # Between the stops the cube root is mixed, which the eye takes for an even change.
        roots = [np.interp(steps, places, np.cbrt(colours[:, i])) ** 3 for i in range(3)]
        self._ramps[stops] = np.stack(roots, axis=-1).astype(np.float32)
        return self._ramps[stops]


def _look_up(ramp: Canvas, place: Plane) -> Canvas:
    """Return the ramp's colour at each place 0 … 1."""
    index = np.clip(place * 1023.0, 0, 1023).astype(np.int32)
    return np.asarray(ramp.take(index, axis=0))


def _finish(
    canvas: Canvas,
    space: str,
    seed: int,
    *,
    exposure: float = 1.0,
    vignette: float = 0.2,
    grain: float = 0.005,
    shoulder: float = 0.7,
    contrast: float = 0.0,
) -> Pixels:
    """Return the encoded picture: vignette, a soft shoulder for the lights, and film grain.

    Args:
        canvas: Linear light; used up (overwritten) to save memory.
        space: Name in `SPACES`.
        seed: Seed of the grain.
        exposure: Factor on all light.
        vignette: Share of light lost in the corners.
        grain: Standard deviation of the grain as a share of the encoded range.
        shoulder: Linear value from which highlights are compressed.
        contrast: Strength 0 … 1 of an S-curve on the encoded values.
    """
    height, width = canvas.shape[:2]
    # The table's index is the root of the light, so that shadows get steps fine enough.
    light = np.linspace(0, 4, 65536) ** 2 * exposure
    over = np.maximum(light - shoulder, 0)
    toned = np.minimum(light, shoulder) + (1 - shoulder) * (1 - np.exp(-over / (1 - shoulder)))
    code = _encode(toned, SPACES[space].curve)
    code += contrast * (code * code * (3 - 2 * code) - code)
    table = code.astype(np.float32)
    pixels = np.empty((height, width, 3), dtype=np.uint16)
    random = np.random.default_rng(seed)
    across = np.linspace(-1, 1, width, dtype=np.float32) ** 2
    for top in range(0, height, _STRIP_ROWS):
        strip = canvas[top : top + _STRIP_ROWS]
        rows = len(strip)
        down = ((np.arange(top, top + rows, dtype=np.float32) + 0.5) * 2 / height - 1) ** 2
        lost = 1 - vignette * ((across[None, :] + down[:, None]) * 0.5) ** 1.25
        np.maximum(strip, 0, out=strip)
        _dim(strip, lost)
        index = np.minimum(np.sqrt(strip) * (65535 / 4), 65535).astype(np.int32)
        value = table.take(index)
        speckle = random.standard_normal((rows + 1, width + 1), dtype=np.float32)
        soft = speckle[1:, 1:] + speckle[:-1, 1:] + speckle[1:, :-1] + speckle[:-1, :-1]
        # Grain shows most in the middle tones, least in paper white and deep black.
        weight = grain * (0.35 + 2.6 * value[..., 1] * (1 - value[..., 1]))
        _brighten(value, soft * (0.5 * weight))
        np.clip(value, 0, 1, out=value)
        pixels[top : top + rows] = (value * 65535 + 0.5).astype(np.uint16)
    return pixels


# --- Noise ----------------------------------------------------------------------------------


def _lattice(rows: int, columns: int, seed: int) -> Plane:
    """Return random values -1 … 1; a node keeps its value however large the lattice is."""
    row = np.arange(rows, dtype=np.uint32)[:, None] * np.uint32(0x9E3779B1)
    column = np.arange(columns, dtype=np.uint32)[None, :] * np.uint32(0x85EBCA77)
    mixed = (row ^ column) + np.uint32((seed * 0xC2B2AE3D) & 0xFFFFFFFF)
    for shift, factor in ((15, 0x2C1B3C6D), (12, 0x297A2D39), (15, 0x165667B1)):
        mixed ^= mixed >> np.uint32(shift)
        mixed *= np.uint32(factor)
    mixed ^= mixed >> np.uint32(16)
    return mixed.astype(np.float32) * np.float32(2 / 2**32) - np.float32(1)


def _spline(nodes: Plane, places: NDArray[np.floating[Any]]) -> Plane:
    """Return values between the rows of `nodes` by a cubic B-spline; place 0 is the second row.

    Sums of four rows rather than a matrix product, whose last bit depends on the number of
    threads.
    """
    whole = np.floor(places).astype(np.int64)
    t = (places - whole).astype(np.float32)[:, None]
    values = nodes.take(whole, axis=0) * ((1 - t) ** 3 / 6)
    values += nodes.take(whole + 1, axis=0) * ((3 * t**3 - 6 * t**2 + 4) / 6)
    values += nodes.take(whole + 2, axis=0) * ((-3 * t**3 + 3 * t**2 + 3 * t + 1) / 6)
    values += nodes.take(whole + 3, axis=0) * (t**3 / 6)
    return np.asarray(values)


def _octave(
    shape: tuple[int, int],
    count: tuple[int, ...],
    margin: int,
    steps: Sequence[int],
    cells: Sequence[float],
    seed: int,
) -> Plane:
    """Return one scale of smooth noise on a grid of `count` nodes, `steps` px apart."""
    if max(shape[0] / cells[0], shape[1] / cells[1]) < 160:
        # Wide cells keep their true size, so that a scene looks alike at every resolution.
        down, across = (
            (np.arange(n) - margin) * (step / cell) + 8.0
            for n, step, cell in zip(count, steps, cells, strict=True)
        )
        nodes = _lattice(int(down[-1]) + 4, int(across[-1]) + 4, seed)
        return np.ascontiguousarray(_spline(_spline(nodes, down).T, across).T)
    # Narrow ones lie on the grid itself, which is far quicker.
    halvings = [
        min(2, int(np.log2(c / s))) if c > s else 0 for c, s in zip(cells, steps, strict=True)
    ]
    rows, columns = (-(-n // 2**k) + 4 for n, k in zip(count, halvings, strict=True))
    grid = _lattice(rows, columns, seed)
    for axis in (0, 1):
        for _ in range(halvings[axis]):
            grid = _refine(grid, axis)
    return grid[: count[0], : count[1]]


def _refine(grid: Plane, axis: int) -> Plane:
    """Return the grid at half the spacing, by cubic B-spline subdivision; 2 (n - 2) nodes."""
    g = np.moveaxis(grid, axis, 0)
    shape = (2 * (len(g) - 2), g.shape[1])
    fine = np.empty(shape if axis == 0 else shape[::-1], dtype=np.float32)
    out = np.moveaxis(fine, axis, 0)
    np.add(g[:-2], g[2:], out=out[0::2])
    out[0::2] *= 0.125
    out[0::2] += 0.75 * g[1:-1]
    np.add(g[1:-1], g[2:], out=out[1::2])
    out[1::2] *= 0.5
    return fine


def _fractal(
    shape: tuple[int, int],
    cell: float,
    seed: int,
    *,
    gain: float = 0.5,
    stretch: float = 1.0,
    finest: float = 1.0,
) -> Plane:
    """Return noise with detail at every scale, about -1 … 1.

    Args:
        shape: (height, width) in px.
        cell: Height of the coarsest feature in px.
        seed: Seed of the first octave; each octave adds one.
        gain: Amplitude of each octave relative to the one before, which is twice as coarse.
        stretch: Width of a feature relative to its height (wood, cloud, brush: far from 1).
        finest: Detail smaller than this many px is left out.
    """
    margin = 3
    cells = [cell, cell * stretch]
    steps = [2 ** max(0, int(np.floor(np.log2(max(c, 1.0) / 3)))) for c in cells]
    grid = np.zeros(
        [-(-n // s) + 2 * margin for n, s in zip(shape, steps, strict=True)], np.float32
    )
    amplitude = 1.6
    while True:
        if cells[0] >= finest:
            grid += np.float32(amplitude) * _octave(shape, grid.shape, margin, steps, cells, seed)
        if steps == [1, 1] and (max(cells) < 3 or cells[0] / 2 < finest):
            break
        for axis in (0, 1):
            cells[axis] = max(cells[axis] / 2, 1.0)
            if steps[axis] > 1:
                steps[axis] //= 2
                keep = slice(margin - 2, margin - 2 - (-shape[axis] // steps[axis]) + 2 * margin)
                grid = _refine(grid, axis)[(keep,) if axis == 0 else (slice(None), keep)]
        seed += 1
        amplitude *= gain
    return np.ascontiguousarray(grid[margin : margin + shape[0], margin : margin + shape[1]])


def _tile(size: int, seed: int, *, slope: float = 1.6, coarsest: float = 8.0) -> Plane:
    """Return noise that repeats without a seam, shape (size, size), standard deviation 1.

    Args:
        size: Side in samples, a power of two.
        seed: Seed of the noise.
        slope: Fall of amplitude with frequency; larger is smoother.
        coarsest: Frequency in waves per side below which amplitude no longer grows.
    """
    white = np.random.default_rng(seed).standard_normal((size, size), dtype=np.float32)
    down = np.fft.fftfreq(size, 1 / size)[:, None]
    across = np.fft.rfftfreq(size, 1 / size)[None, :]
    spectrum = np.fft.rfft2(white) * (coarsest**2 + down**2 + across**2) ** (-slope / 2)
    spectrum[0, 0] = 0
    tile = np.fft.irfft2(spectrum, s=(size, size))
    return np.asarray(tile / tile.std(), dtype=np.float32)


def _sample(tile: Plane, row: Plane, column: Plane) -> Plane:
    """Return a repeating tile's values between samples (bilinear), at any coordinates."""
    size = tile.shape[0]
    whole_row = np.floor(row)
    whole_column = np.floor(column)
    down = row - whole_row
    across = column - whole_column
    top = (whole_row.astype(np.int32) & (size - 1)) * size
    left = whole_column.astype(np.int32) & (size - 1)
    bottom = top + size
    bottom[bottom == size * size] = 0
    right = (left + 1) & (size - 1)
    above = tile.take(top + left)
    above += (tile.take(top + right) - above) * across
    below = tile.take(bottom + left)
    below += (tile.take(bottom + right) - below) * across
    below -= above
    below *= down
    below += above
    return np.asarray(below)


def _sample_map(planes: Sequence[Plane], row: Plane, column: Plane) -> list[Plane]:
    """Return each map's values between samples (bilinear); beyond the edge, the edge's."""
    rows, columns = planes[0].shape
    row = np.clip(row, 0, rows - 1.001)
    column = np.clip(column, 0, columns - 1.001)
    whole_row = row.astype(np.int32)
    whole_column = column.astype(np.int32)
    # An int32 taken from a float32 would make everything after it twice as wide.
    down = row - whole_row.astype(np.float32)
    across = column - whole_column.astype(np.float32)
    corner = whole_row * columns + whole_column
    values = []
    for plane in planes:
        above = plane.take(corner)
        above += (plane.take(corner + 1) - above) * across
        below = plane.take(corner + columns)
        below += (plane.take(corner + columns + 1) - below) * across
        values.append(np.asarray(above + (below - above) * down))
    return values


def _smooth(edge_low: float, edge_high: float, value: Plane) -> Plane:
    """Return 0 below `edge_low`, 1 above `edge_high`, and a smooth step between."""
    t = np.clip((value - edge_low) / (edge_high - edge_low), 0, 1)
    return np.asarray(t * t * (3 - 2 * t), dtype=np.float32)


def _mix(canvas: Canvas, colour: Canvas, share: Plane) -> None:
    """Lay a colour over a canvas in place, by a share 0 … 1 for each pixel."""
    for channel in range(3):
        layer = canvas[..., channel]
        layer += (colour[..., channel] - layer) * share


_GREY: Canvas = np.ones(3, dtype=np.float32)
"""The colour that changes nothing."""


def _lit(*lights: tuple[Plane, Canvas]) -> Canvas:
    """Return the sum of lights, each a strength for each pixel and one colour.

    Channel by channel: numpy is several times slower where the innermost axis has length 3.
    """
    shape = np.broadcast_shapes(*(strength.shape for strength, _ in lights))
    canvas = np.empty((*shape, 3), dtype=np.float32)
    for channel in range(3):
        total = lights[0][0] * lights[0][1][channel]
        for strength, colour in lights[1:]:
            total = total + strength * colour[channel]
        canvas[..., channel] = total
    return canvas


def _dim(canvas: Canvas, share: Plane, colour: Canvas = _GREY) -> None:
    """Multiply a canvas, in place, by a share for each pixel and a colour."""
    for channel in range(3):
        canvas[..., channel] *= share * colour[channel]


def _brighten(canvas: Canvas, strength: Plane, colour: Canvas = _GREY) -> None:
    """Add light of one colour to a canvas, in place."""
    for channel in range(3):
        canvas[..., channel] += strength * colour[channel]


def _blur(plane: Plane, radius: float) -> Plane:
    """Return the plane, blurred to about `radius` px, by way of a smaller copy.

    A mean over blocks followed by B-spline subdivision is close to a Gaussian and costs little
    more than one pass over the plane whatever the radius is.
    """
    halvings = max(0, round(np.log2(max(radius, 1.0))))
    block = 2**halvings
    rows, columns = (-(-n // block) for n in plane.shape)
    padding = [(0, block * n - m) for n, m in zip((rows, columns), plane.shape, strict=True)]
    padded = np.pad(plane, padding, mode="edge")
    small = padded.reshape(rows, block, columns, block).mean(axis=(1, 3), dtype=np.float32)
    small = np.pad(small, 3, mode="edge")
    lead = 3.0
    for _ in range(halvings):
        small = _refine(_refine(small, 0), 1)
        lead = (lead - 1) * 2
    # Block means belong to block centres, half a block on from their first pixel.
    at = int(lead - (block - 1) / 2)
    blurred: Plane = small[at : at + plane.shape[0], at : at + plane.shape[1]]
    return blurred


def _enlarge(plane: Plane, shape: tuple[int, int]) -> Plane:
    """Return a plane at four times its size, smoothly, cut or continued to `shape`."""
    for _ in range(2):
        plane = _refine(_refine(np.pad(plane, 2, mode="edge"), 0), 1)[1:-1, 1:-1]
    rows, columns = (max(0, n - m) for n, m in zip(shape, plane.shape, strict=True))
    return np.pad(plane, ((0, rows), (0, columns)), mode="edge")[: shape[0], : shape[1]]


# --- Terrain in perspective -----------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _View:
    """A level camera over a height map whose columns run east and whose rows run away.

    Attributes:
        eye_m: Height of the eye.
        horizon: Place of the horizon as a share of the picture's height, from the top.
        focal: Focal length as a share of the picture's width.
        near_m: Nearest distance.
        far_m: Farthest distance.
    """

    eye_m: float
    horizon: float
    focal: float
    near_m: float
    far_m: float


@dataclass(frozen=True, slots=True)
class _Ground:
    """What the camera sees in each pixel: the ground's place, or sky.

    Attributes:
        away_m: Distance, infinite for sky, shape (height, width).
        ridge: Offset in px of the edge of nearer ground from the pixel's lower border,
            -0.5 … 0.5, or NaN where the pixel below shows the same ground.
    """

    away_m: Plane
    ridge: Plane


def _see(view: _View, heights: Plane, cell_m: float, width: int, height: int) -> _Ground:
    """Return what each pixel shows of a height map (row 0 at distance 0, middle column ahead).

    Each column of pixels is cut out of the ground as a profile of 1,200 distances; the running
    minimum of their screen rows is the outline that hides what lies behind it.
    """
    slices = 1200
    distance = np.geomspace(view.near_m, view.far_m, slices).astype(np.float32)[:, None]
    focal_px = view.focal * width
    level = view.horizon * height
    away = np.empty((height, width), dtype=np.float32)
    ridge = np.full((height, width), np.nan, dtype=np.float32)
    rows = np.arange(height, dtype=np.float32)[:, None]
    for left in range(0, width, 128):
        across = np.arange(left, min(left + 128, width), dtype=np.float32) + 0.5 - width / 2
        east = across[None, :] * (distance / focal_px)
        (ground,) = _sample_map(
            [heights],
            np.broadcast_to(distance / cell_m, east.shape),
            east / cell_m + heights.shape[1] / 2,
        )
        screen = level + focal_px * (view.eye_m - ground) / distance
        outline = np.minimum.accumulate(screen, axis=0)
        columns = np.arange(outline.shape[1])[None, :]
        first = np.clip(np.ceil(outline - 0.5), 0, height).astype(np.int32)
        counts = np.bincount(
            (first * outline.shape[1] + columns).ravel(), minlength=(height + 1) * outline.shape[1]
        ).reshape(height + 1, -1)
        # A slice lies below a pixel when its first row is larger than the pixel's.
        hit = slices - np.cumsum(counts, axis=0)[:height]
        after = np.minimum(hit, slices - 1)
        before = np.maximum(after - 1, 0)
        y_before = outline[before, columns]
        y_after = outline[after, columns]
        share = np.clip((y_before - rows - 0.5) / np.maximum(y_before - y_after, 1e-6), 0, 1)
        found = distance[:, 0][before]
        found += (distance[:, 0][after] - found) * share
        found[hit >= slices] = np.inf
        block = slice(left, left + outline.shape[1])
        away[:, block] = found
        jump = (hit[:-1] - hit[1:] > 6) | ((hit[:-1] >= slices) & (hit[1:] < slices))
        offset = y_before[:-1] - (rows[:-1] + 1)
        ridge[:-1, block] = np.where(jump, np.clip(offset, -0.5, 0.5), np.nan)
    return _Ground(away, ridge)


def _project(
    view: _View, places: NDArray[np.float64], width: int, height: int
) -> NDArray[np.float64]:
    """Return `(x, y, px per metre)`, shape (n, 3), for `(east, up, away)` in metres."""
    scale = view.focal * width / places[:, 2]
    x = width / 2 + places[:, 0] * scale
    y = view.horizon * height + (view.eye_m - places[:, 1]) * scale
    return np.stack([x, y, scale], axis=-1)


def _soften_ridges(canvas: Canvas, ground: _Ground) -> None:
    """Blend, in place, the two pixels that a ridge cuts through, by the share that each shows."""
    row, column = np.nonzero(~np.isnan(ground.ridge))
    offset = ground.ridge[row, column][:, None]
    above = canvas[row, column]
    below = canvas[row + 1, column]
    canvas[row, column] = above + (below - above) * np.maximum(-offset, 0)
    canvas[row + 1, column] = below + (above - below) * np.maximum(offset, 0)


def _cast_shadows(heights: Plane, cell_m: float, slope: float, soft_m: float) -> Plane:
    """Return the share of sun, 0 … 1, under a sun in the east (high columns).

    Args:
        heights: Height map in metres.
        cell_m: Distance between its samples.
        slope: Tangent of the sun's height.
        soft_m: Height over which a shadow's edge fades.
    """
    # Seen along the light, a point is in shadow when anything sunward stands higher.
    level = heights - np.arange(heights.shape[1], dtype=np.float32) * (slope * cell_m)
    blocked = np.maximum.accumulate(level[:, ::-1], axis=1)[:, ::-1]
    return 1 - _smooth(0.0, soft_m, blocked - level)


# --- Drawn lines and outlines ---------------------------------------------------------------


def _curve(points: Sequence[Sequence[float]], count: int) -> NDArray[np.float64]:
    """Return `count` places on a smooth line through points of any number of components."""
    known = np.array([points[0], *points, points[-1]], dtype=np.float64)
    place = np.linspace(0, len(points) - 1 - 1e-9, count)
    whole = place.astype(int)
    t = (place - whole)[:, None]
    a, b, c, d = (known[whole + i] for i in range(4))
    # Catmull–Rom
    return np.asarray(
        b + 0.5 * t * (c - a + t * (2 * a - 5 * b + 4 * c - d + t * (3 * (b - c) + d - a)))
    )


def _stroke(mask: Plane, line: NDArray[np.float64], strength: float = 1.0) -> None:
    """Draw a tapering line into a mask 0 … 1, in place, with soft pixel edges.

    Args:
        mask: Coverage so far; the larger coverage wins.
        line: `(x, y, radius)` in px along the line, shape (n, 3).
        strength: Coverage inside the line.
    """
    height, width = mask.shape
    for (x0, y0, r0), (x1, y1, r1) in zip(line[:-1].tolist(), line[1:].tolist(), strict=True):
        reach = max(r0, r1) + 1.5
        left, right = max(0, int(min(x0, x1) - reach)), min(width, int(max(x0, x1) + reach) + 1)
        top, bottom = max(0, int(min(y0, y1) - reach)), min(height, int(max(y0, y1) + reach) + 1)
        if left >= right or top >= bottom:
            continue
        x = np.arange(left, right, dtype=np.float32)[None, :] + np.float32(0.5 - x0)
        y = np.arange(top, bottom, dtype=np.float32)[:, None] + np.float32(0.5 - y0)
        dx, dy = x1 - x0, y1 - y0
        square = 1 / max(dx * dx + dy * dy, 1e-6)
        # This runs some ten thousand times a picture, and np.clip is slow to get going.
        along = np.minimum(np.maximum(x * (dx * square) + y * (dy * square), 0), 1)
        x = x - dx * along
        y = y - dy * along
        radius = r0 + (r1 - r0) * along
        cover = np.minimum(np.maximum(radius + 0.5 - np.sqrt(x * x + y * y), 0), 1)
        # A line thinner than a pixel is drawn as a fainter pixel.
        cover *= np.minimum(0.35 + 1.3 * radius, 1) * strength
        patch = mask[top:bottom, left:right]
        np.maximum(patch, cover, out=patch)


# --- The scenes -----------------------------------------------------------------------------


def _dune_map(size: int, cell_m: float) -> Plane:
    """Return heights in metres of a field of sinuous dunes, crests leading away."""
    shape = (size, size)
    away = (np.arange(size, dtype=np.float32) * cell_m)[:, None]
    east = ((np.arange(size, dtype=np.float32) - size / 2) * cell_m)[None, :]
    heights = np.zeros(shape, dtype=np.float32)
    for seed, turn, length, tall in ((11, 0.42, 82.0, 15.0), (29, -0.5, 120.0, 12.0)):
        wander = _fractal(shape, 95 / cell_m, seed, gain=0.34, finest=5 / cell_m)
        swell = _fractal(shape, 150 / cell_m, seed + 7, gain=0.4, finest=30 / cell_m)
        phase = (east + turn * away) / length + 0.42 * wander
        t = phase - np.floor(phase)
        # Wind builds a long back; sand slides down a short, straight, steep lee.
        back = (t / 0.7) ** 1.6
        lee = np.clip((1 - t) / 0.3, 0, 1)
        dune = np.where(t < 0.7, back, lee * (1.18 - 0.18 * lee)) * tall * (0.75 + 0.5 * swell)
        np.maximum(heights, dune, out=heights)
    return heights + 1.6 * _fractal(shape, 60 / cell_m, 51, gain=0.3, finest=8 / cell_m)


def _dunes(width: int, height: int, space: str = "adobe-rgb") -> Pixels:
    """Dunes at dawn: a low sun from the right, blue shadow on the lee, ripples at one's feet."""
    paint = _Palette(space)
    cell_m = 0.35
    heights = _dune_map(1536, cell_m)
    slope_east = np.gradient(heights, cell_m, axis=1)
    slope_away = np.gradient(heights, cell_m, axis=0)
    sun = _cast_shadows(heights, cell_m, 0.21, 0.35)
    view = _View(eye_m=21.0, horizon=0.27, focal=1.3, near_m=9.0, far_m=520.0)
    ground = _see(view, heights, cell_m, width, height)
    ripple = _tile(512, 5, slope=2.0, coarsest=3)
    albedo = paint("#d9a066")
    canvas = np.empty((height, width, 3), dtype=np.float32)
    sky = paint.ramp((0, "#7f93b4"), (0.45, "#c3b9b8"), (0.8, "#f0cfae"), (1, "#f8dcb6"))
    across = (np.arange(width, dtype=np.float32) + 0.5 - width / 2) / (view.focal * width)
    for top in range(0, height, _STRIP_ROWS):
        seen = np.isfinite(ground.away_m[top : top + _STRIP_ROWS])
        away = np.where(seen, ground.away_m[top : top + _STRIP_ROWS], np.float32(view.far_m))
        row = (np.arange(top, top + len(away), dtype=np.float32) / height)[:, None]
        strip = _look_up(sky, row / view.horizon + 0.12 * across[None, :])
        east = across[None, :] * away
        if seen.any():
            lit, tilt_east, tilt_away = _sample_map(
                [sun, slope_east, slope_away], away / cell_m, east / cell_m + 768
            )
            wander = _sample(ripple, away * 9.0, east * 9.0)
            phase = (east + 0.25 * away) * (6.28 / 0.42) + 2.1 * wander
            near = np.exp(-((away / 62) ** 2)) * _smooth(0.55, 0.2, np.abs(tilt_east))
            tilt_east = tilt_east + 0.17 * near * np.sin(phase) + 0.03 * wander * near
            up = 1 / np.sqrt(1 + tilt_east**2 + tilt_away**2)
            facing = np.maximum((0.93 * -tilt_east + 0.24 + 0.22 * tilt_away) * up, 0) * lit
            sand = _lit(
                (facing, albedo * paint("#ffb673", 3.1)),
                (0.2 + 0.8 * up, albedo * paint("#7d97d6", 0.34)),
            )
            haze = 1 - np.exp(-away / 560)
            _mix(sand, np.broadcast_to(paint("#e9c4a2"), sand.shape), haze)
            strip[seen] = sand[seen]
        canvas[top : top + len(away)] = strip
    _soften_ridges(canvas, ground)
    return _finish(canvas, space, 101, vignette=0.3, contrast=0.3)


_HERON = (
    # Each part: places of (x, y, radius) in heights of the bird, feet at the origin.
    (
        (-0.095, -0.615, 0.046),
        (-0.055, -0.585, 0.066),
        (0.0, -0.548, 0.08),
        (0.07, -0.503, 0.07),
        (0.14, -0.455, 0.046),
        (0.2, -0.415, 0.022),
        (0.255, -0.382, 0.004),
    ),
    (
        (-0.03, -0.575, 0.07),
        (-0.085, -0.62, 0.05),
        (-0.108, -0.67, 0.032),
        (-0.094, -0.73, 0.023),
        (-0.060, -0.79, 0.019),
        (-0.053, -0.855, 0.0185),
        (-0.088, -0.915, 0.022),
        (-0.130, -0.933, 0.0225),
        (-0.155, -0.930, 0.016),
    ),
    (
        (-0.135, -0.933, 0.0205),
        (-0.18, -0.926, 0.0105),
        (-0.23, -0.918, 0.006),
        (-0.285, -0.910, 0.001),
    ),
    ((-0.10, -0.945, 0.0125), (-0.05, -0.938, 0.0065), (0.0, -0.915, 0.003), (0.03, -0.89, 0.001)),
    ((-0.11, -0.62, 0.018), (-0.125, -0.57, 0.008), (-0.128, -0.53, 0.001)),
    ((-0.085, -0.59, 0.022), (-0.098, -0.53, 0.008), (-0.096, -0.485, 0.001)),
    (
        (0.03, -0.48, 0.026),
        (0.033, -0.41, 0.0115),
        (0.028, -0.27, 0.0075),
        (0.030, -0.255, 0.009),
        (0.034, -0.24, 0.007),
        (0.036, -0.02, 0.006),
        (0.01, 0.004, 0.004),
    ),
    (
        (0.075, -0.47, 0.024),
        (0.08, -0.40, 0.011),
        (0.098, -0.265, 0.0075),
        (0.098, -0.25, 0.009),
        (0.094, -0.235, 0.007),
        (0.084, -0.01, 0.006),
        (0.06, 0.012, 0.004),
    ),
)
"""Outline of a wading bird."""


def _treeline(
    canvas: Canvas, colour: Canvas, top: float, tall: float, seed: int, soft: float
) -> None:
    """Draw a line of trees that fades into mist towards its foot, in place.

    Args:
        canvas: The scene down to the shore.
        colour: What the mist leaves of the trees.
        top: Mean place of the crowns as a share of the height.
        tall: How far crowns rise and fall, as a share of the height.
        seed: Seed of the outline.
        soft: Softness of the outline, 0.1 … 1.
    """
    height, width = canvas.shape[:2]
    first = max(0, int(height * (top - 1.5 * tall - 0.06)))
    shape = (height - first, width)
    crowns = _fractal((1, width), height * 0.16, seed, gain=0.5, finest=height * 0.012)[0]
    leaves = _fractal(shape, height * 0.03, seed + 50, gain=0.66, stretch=1.2)
    y = (np.arange(first, height, dtype=np.float32) / height)[:, None]
    inside = (y - top + tall * crowns) * 55 + leaves * 0.95
    fog = 1 - 0.8 * _smooth(top - tall, 1.0, y + 0.02 * leaves)
    _mix(canvas[first:], colour, _smooth(-soft, soft, inside) * fog)


def _reeds(mask: Plane, echo: Plane, seed: int) -> None:
    """Draw reeds into `mask` and what the water shows of them into `echo`, in place."""
    height, width = mask.shape
    random = np.random.default_rng(seed)
    for number in range(170):
        left = random.random() < 0.72
        spread = abs(random.normal()) * 0.12
        base = 0.84 + 0.2 * random.random()
        tall = (0.14 + 0.33 * random.random()) * (1.3 - 2 * spread) * (1.0 if left else 0.72)
        flower = number % 9 == 0
        bow = (0.1 if flower else 0.2 + 0.75 * random.random() ** 2) * tall
        lean = (0.05 + 0.12 * random.normal()) * tall
        radius = height * (0.0011 + 0.0015 * random.random()) * (base - 0.3)
        t = np.linspace(0, 1, 36)
        line = np.empty((36, 3))
        # A blade stands upright at its foot and gives way more and more towards the tip.
        line[:, 0] = (spread if left else 1 - 0.6 * spread) * width + (
            lean * t + bow * t**3.2
        ) * height
        line[:, 1] = (base - tall * (t - 0.42 * bow / tall * t**4)) * height
        line[:, 2] = radius * np.clip(1.15 - t**1.6, 0.12, 1) if not flower else radius * 0.8
        _stroke(mask, line)
        if flower:
            x, y = line[-1, :2]
            tilt = (line[-1, 0] - line[-4, 0]) / (line[-4, 1] - line[-1, 1])
            head = [
                (x + tilt * d * height, y - d * height, radius * r)
                for d, r in (
                    (-0.002, 2.2),
                    (0.001, 2.9),
                    (0.03, 2.8),
                    (0.033, 1.9),
                    (0.035, 0.6),
                    (0.055, 0.3),
                )
            ]
            _stroke(mask, np.array(head))
        line[:, 1] = 2 * base * height - line[:, 1]
        line[:, 0] += np.sin(line[:, 1] * (260 / height)) * height * 0.0018
        _stroke(echo, line, 0.6)


def _mirror(canvas: Canvas, level: int, seed: int, calm: float) -> None:
    """Fill everything below row `level` with the water's view of what stands above, in place.

    Args:
        canvas: Scene, finished above `level`.
        level: Row of the far shore.
        seed: Seed of the ripples.
        calm: Ripple displacement near the camera as a share of the height; 0 is a mirror.
    """
    height, width = canvas.shape[:2]
    below = height - level
    ripple = _fractal((below, width), height * 0.006, seed, stretch=9.0, gain=0.6)
    wide = _fractal((below, width), height * 0.03, seed + 9, stretch=7.0, gain=0.5, finest=4)
    columns = np.arange(width, dtype=np.float32)[None, :]
    for top in range(0, below, _STRIP_ROWS):
        rows = slice(top, min(top + _STRIP_ROWS, below))
        depth = np.arange(rows.start, rows.stop, dtype=np.float32)[:, None]
        sway = (0.15 + depth / below) * (calm * height)
        source = (
            level - 1 - depth * (level / below * 0.97) + sway * (2.2 * ripple[rows] + wide[rows])
        )
        aside = columns + sway * 0.35 * ripple[rows]
        row = np.clip(source, 0, level - 1).astype(np.int32)
        column = np.clip(aside, 0, width - 1).astype(np.int32)
        canvas[level + rows.start : level + rows.stop] = canvas[row, column]


def _heron(width: int, height: int, space: str = "adobe-rgb") -> Pixels:
    """A heron among reeds at the edge of a lake, in the mist before the sun is warm."""
    paint = _Palette(space)
    level = int(height * 0.47)
    y = (np.arange(level, dtype=np.float32) / level)[:, None]
    x = (np.arange(width, dtype=np.float32) / width)[None, :]
    aspect = width / height
    canvas = np.empty((height, width, 3), dtype=np.float32)
    air = _fractal((level, width), height * 0.25, 61, stretch=3.5, gain=0.42, finest=3)
    sky = paint.ramp((0, "#8fa0ae"), (0.5, "#b4bcc0"), (0.82, "#d9d3c6"), (1, "#e6d8c2"))
    canvas[:level] = _look_up(sky, y * 0.97 + 0.05 * air)
    apart = np.hypot((x - 0.36) * aspect, (y - 0.44) * 0.47)
    glow = 0.55 * np.exp(-apart / 0.16) + 1.1 * _smooth(0.037, 0.034, apart)
    _brighten(canvas[:level], glow, paint("#ffdcae", 0.55))
    for seed, top, tall, colour, soft in (
        (71, 0.85, 0.06, "#b9bdbb", 0.9),
        (76, 0.91, 0.08, "#98a3a6", 0.6),
        (73, 1.0, 0.16, "#64737a", 0.35),
    ):
        _treeline(canvas[:level], paint(colour), top, tall, seed, soft)
    _mirror(canvas, level, 81, 0.006)
    lower = canvas[level:]
    depth = np.linspace(0, 1, height - level, dtype=np.float32)[:, None]
    _dim(lower, 0.93 - 0.5 * depth**1.3)
    streaks = _fractal(lower.shape[:2], height * 0.03, 91, stretch=14.0, gain=0.5, finest=2)
    mist = np.clip(np.exp(-depth / 0.12) * (0.8 + 0.5 * streaks), 0, 1)
    _mix(lower, paint("#d8d0c4"), mist * 0.75)
    _stand_in_water(canvas, paint)
    return _finish(canvas, space, 102, vignette=0.35, contrast=0.35, exposure=1.05)


def _stand_in_water(canvas: Canvas, paint: _Palette) -> None:
    """Draw the bird, its rings on the water and the reeds, with their reflections, in place."""
    height, width = canvas.shape[:2]
    mask = np.zeros((height, width), dtype=np.float32)
    echo = np.zeros((height, width), dtype=np.float32)
    foot_x, foot_y, tall = width * 0.655, int(height * 0.735), height * 0.30
    for part in _HERON:
        line = _curve(part, 90) * tall + (foot_x, foot_y, 0)
        _stroke(mask, line)
        line[:, 1] = 2 * foot_y - line[:, 1]
        line[:, 0] += np.sin(line[:, 1] * (190 / height)) * height * 0.0022
        _stroke(echo, line, 0.72)
    box = slice(int(foot_y - 0.12 * tall), int(foot_y + 0.2 * tall))
    rows = np.arange(box.start, box.stop, dtype=np.float32)[:, None] - foot_y
    columns = np.arange(width, dtype=np.float32)[None, :] - foot_x - 0.06 * tall
    away = np.hypot(columns, rows * 4.5) / tall
    rings = np.sin(away * 52) * np.exp(-away / 0.17) * _smooth(0.03, 0.1, away)
    _dim(canvas[box], 1 + 0.14 * rings)
    # The sun, up and to the left, rounds the bird's back, neck and beak.
    top = slice(int(foot_y - tall), int(foot_y + 0.03 * tall))
    bird = mask[top].copy()
    step = max(1, round(tall * 0.012))
    round_off = np.roll(_blur(bird, tall * 0.014), (step, step), (0, 1))
    sunlit = bird * np.clip(1.1 - 1.35 * round_off, 0, 1)
    _reeds(mask, echo, 103)
    ripple = _fractal((height, width), height * 0.004, 104, stretch=12.0, gain=0.5, finest=3)
    echo *= np.clip(0.85 + 0.35 * ripple, 0, 1)
    _mix(canvas, paint("#39444a"), echo * 0.85)
    _mix(canvas, paint("#1d2428"), mask * 0.97)
    _mix(canvas[top], paint("#343f46"), bird * 0.75)
    _mix(canvas[top], paint("#a9a294"), sunlit * 0.6)


def _bloom(canvas: Canvas, glows: Sequence[tuple[float, float]], over: float) -> None:
    """Add the haze of light that a lens puts around what is very bright, in place.

    Args:
        canvas: Linear light.
        glows: `(radius, strength)` of each halo, radius as a share of the height.
        over: Only light above this is spread.
    """
    height, width = canvas.shape[:2]
    rows, columns = height // 4, width // 4
    for channel in range(3):
        blocks = canvas[: rows * 4, : columns * 4, channel].reshape(rows, 4, columns, 4)
        small = np.maximum(blocks - np.float32(over), 0).mean(axis=(1, 3), dtype=np.float32)
        halo = np.zeros_like(small)
        for radius, strength in glows:
            halo += np.float32(strength) * _blur(_blur(small, radius * rows), radius * rows)
        spread = _enlarge(halo, (height, width))
        canvas[..., channel] += spread


def _harbour(width: int, height: int, space: str = "display-p3") -> Pixels:
    """A small harbour at night: lit windows and quay lamps on black water."""
    paint = _Palette(space)
    level = int(height * 0.6)
    canvas = np.empty((height, width, 3), dtype=np.float32)
    shore = canvas[:level]
    x = (np.arange(width, dtype=np.float32) / width)[None, :]
    y = (np.arange(level, dtype=np.float32) / level)[:, None]
    cloud = _fractal((level, width), height * 0.2, 201, stretch=4.0, gain=0.5, finest=4)
    sky = paint.ramp(
        (0, "#0a1330"), (0.4, "#16294f"), (0.66, "#31507c"), (0.82, "#7b7488"), (0.95, "#d08a5c")
    )
    shore[:] = _look_up(sky, y * (1.02 - 0.3 * x) + 0.05 * cloud)
    random = np.random.default_rng(202)
    for seed, top, tall, colour in ((219, 0.82, 0.10, "#131d33"), (216, 0.86, 0.09, "#0a101d")):
        ridge = _fractal((1, width), height * 0.45, seed, gain=0.4, finest=height * 0.01)[0]
        trees = _fractal((1, width), height * 0.012, seed + 1, gain=0.6)[0]
        _mix(shore, paint(colour), _smooth(-0.001, 0.001, y - top + tall * ridge + 0.004 * trees))
        for _ in range(70):
            at, up = random.random(), random.random() ** 2
            crest = top - tall * float(ridge[int(at * width)])
            place = (at * width, (0.97 - up * max(0.02, 0.9 * (0.97 - crest))) * level)
            glow = paint(
                str(random.choice(["#ffc27a", "#ffd9a8", "#ffb066"])), 1 + 3 * random.random()
            )
            _lamp(shore, place, height * 0.0011, glow)
    _quay(shore, paint, height)
    _boats(shore, paint, height)
    _bloom(canvas[:level], ((0.004, 0.10), (0.02, 0.055), (0.09, 0.03)), 0.8)
    _night_water(canvas, level, paint)
    return _finish(
        canvas,
        space,
        203,
        vignette=0.35,
        grain=0.007,
        exposure=1.15,
        contrast=0.15,
        shoulder=0.5,
    )


def _lamp(canvas: Canvas, place: tuple[float, float], radius: float, light: Canvas) -> None:
    """Add a small disc of light, in place; radius in px, which may be less than one."""
    x, y = place
    reach = int(radius * 2 + 2)
    top, left = max(0, int(y) - reach), max(0, int(x) - reach)
    patch = canvas[top : int(y) + reach + 1, left : int(x) + reach + 1]
    rows = np.arange(top, top + patch.shape[0], dtype=np.float32)[:, None] + 0.5 - y
    columns = np.arange(left, left + patch.shape[1], dtype=np.float32)[None, :] + 0.5 - x
    patch += np.exp(-(rows**2 + columns**2) / max(radius, 0.6) ** 2)[..., None].astype(
        np.float32
    ) * (light * np.float32(min(1.0, (radius / 0.6) ** 2)))


_LAMPS = (0.065, 0.335, 0.43, 0.53, 0.625, 0.735, 0.84, 0.945)
"""Places of the quay's lamps across the picture."""


def _quay(shore: Canvas, paint: _Palette, height: int) -> None:
    """Draw the town on its slope, the quay wall and the lamps, in place."""
    level, width = shore.shape[:2]
    random = np.random.default_rng(221)
    base = level - int(height * 0.022)
    lamp_row = base - height * 0.05
    lit = np.zeros((level, width), dtype=np.float32)
    columns = np.arange(width, dtype=np.float32)[None, :]
    first = int(level * 0.4)
    rows = np.arange(first, level, dtype=np.float32)[:, None]
    for place in _LAMPS:
        apart = (columns - place * width) ** 2 + (rows - lamp_row) ** 2
        lit[first:] += (1 + apart / (0.042 * height) ** 2) ** -1.4
    stone = _fractal((level - first, width), height * 0.008, 222, gain=0.75, stretch=1.6)
    lit[first:] *= 1 + 0.35 * stone
    wood = _fractal((1, width), height * 0.02, 223, gain=0.6)
    hill = (0.15 + 0.16 * _smooth(0.3, 0.75, columns / width)) * _smooth(0.2, 0.42, columns / width)
    hill += 0.006 * wood * _smooth(0.24, 0.3, columns / width)
    _mix(shore[first:], paint("#070c17"), _smooth(-1, 1, rows - base + hill * height))
    for up, share, size in (
        (0.2, 0.05, 0.48),
        (0.14, 0.09, 0.55),
        (0.095, 0.14, 0.62),
        (0.05, 0.24, 0.78),
    ):
        left = 0.29 + 0.75 * up
        while left < 1.02:
            wide = size * (0.035 + 0.05 * random.random())
            above = min(
                up + 0.03 * random.random(),
                0.8 * float(hill[0, min(int((left + 0.2 * wide) * width), width - 1)]),
            )
            span = (int(left * width), int((left + wide) * width))
            _house(
                shore, paint, span, base - int(height * above), size * height, lit * share, random
            )
            left += wide * (0.95 + 1.3 * up * random.random() * 5)
    left = 0.285
    while left < 1.0:
        wide = 0.04 + 0.065 * random.random()
        span = (int(left * width), int((left + wide) * width))
        _house(shore, paint, span, base, height, lit, random)
        left += wide
    for begin, end in ((0, int(0.16 * width)), (int(0.265 * width), width)):
        bright = 0.015 + 0.7 * lit[base:, begin:end]
        shore[base:, begin:end] = _lit((bright, paint("#a08468", 0.5)))
    posts = np.zeros((level, width), dtype=np.float32)
    for place in _LAMPS:
        post = [(place * width, base, height * 0.0013), (place * width, lamp_row, height * 0.001)]
        _stroke(posts, np.array(post))
    _mix(shore, paint("#05070b"), posts)
    for number, place in enumerate(_LAMPS):
        colour = "#ff5a3c" if number == 0 else "#ffbf73"
        light = paint(colour, 26.0, 1.2 if number == 0 else 1.0)
        _lamp(shore, (place * width, lamp_row), height * 0.0024, light)


def _house(
    shore: Canvas,
    paint: _Palette,
    span: tuple[int, int],
    base: int,
    unit: float,
    lit: Plane,
    random: np.random.Generator,
) -> None:
    """Draw one house between two columns on row `base`; `unit` px give its floors their size."""
    wide = span[1] - span[0]
    left, right = max(0, span[0]), min(span[1], shore.shape[1])
    floors = 2 + int(2.6 * random.random())
    storey = 0.031 * unit * (0.92 + 0.16 * random.random())
    top = int(base - storey * (floors + 0.25))
    colour = str(
        random.choice(["#c9b698", "#a8664e", "#93a09c", "#d0bd96", "#7f8da0", "#b98a5c", "#9c5548"])
    )
    light = 0.012 + 0.46 * lit[top:base, left:right]
    shore[top:base, left:right] = paint(colour) * (
        paint("#ffb870") * light[..., None] + paint("#50689c", 0.035)
    )
    ridge_along = random.random() < 0.45
    pitch = min(0.5 * wide, storey * 1.7) * (0.75 + 0.3 * random.random())
    x = np.abs((np.arange(left, right, dtype=np.float32) + 0.5 - (span[0] + span[1]) / 2) / wide)
    y = np.arange(int(top - pitch), top, dtype=np.float32)[:, None] + 0.5
    reach = 0.53 * ((y - top) / pitch + 1) if not ridge_along else 0.53 - 0.14 * (top - y) / pitch
    roof = np.clip((reach - x) * wide + 0.5, 0, 1)
    slate = paint(str(random.choice(["#1b2438", "#20222f", "#161f33"])), 0.8)
    _mix(shore[int(top - pitch) : top, left:right], slate, roof)
    for _ in range(1 + int(2 * random.random())):
        stack = int(span[0] + wide * (0.25 + 0.5 * random.random()))
        shore[
            int(top - pitch * 1.12) : int(top - pitch * 0.5), stack : stack + int(0.007 * unit) + 1
        ] = slate
    _windows(shore, paint, (span[0], wide, top), (floors, storey), random)


def _windows(
    shore: Canvas,
    paint: _Palette,
    front: tuple[int, int, int],
    rise: tuple[int, float],
    random: np.random.Generator,
) -> None:
    """Draw the windows of a front `(left, width, top)` with `(floors, storey)`, in place."""
    left, wide, top = front
    floors, storey = rise
    pane_wide = max(2, int(storey * (0.36 + 0.1 * random.random())))
    count = max(2, int(wide / (pane_wide * (1.9 + 0.5 * random.random()))))
    for floor in range(floors):
        ground = floor == floors - 1
        tall = int(storey * (0.62 if ground else 0.56))
        y = int(top + storey * (floor + 0.42))
        for number in range(count):
            x = int(left + (number + 0.5) / count * wide - pane_wide / 2)
            if x < 0:
                continue
            pane = shore[y : y + tall, x : x + pane_wide]
            if random.random() < (0.58 if ground else 0.4):
                shade = str(random.choice(["#ffb45e", "#ffc987", "#ffa84f", "#ffd9a3"]))
                fall = np.linspace(0.55, 1.1, len(pane), dtype=np.float32)[:, None, None]
                pane[:] = paint(shade, 0.3 + 0.9 * random.random() ** 1.5) * fall
                curtain = pane_wide // 5
                if random.random() < 0.5:
                    pane[:, :curtain] *= 0.55
                    pane[:, -curtain:] *= 0.55
            else:
                pane[:] = paint("#0b1220", 0.8)
            bar = max(1, pane_wide // 11)
            pane[:, (pane_wide - bar) // 2 : (pane_wide + bar) // 2] *= 0.3
            pane[tall // 3 : tall // 3 + bar] *= 0.3


def _boats(shore: Canvas, paint: _Palette, height: int) -> None:
    """Draw moored boats, their masts and rigging, in place."""
    level, width = shore.shape[:2]
    mask = np.zeros((level, width), dtype=np.float32)
    thin = height * 0.0007
    for place, size in (
        (0.20, 1.0),
        (0.255, 0.8),
        (0.37, 1.15),
        (0.475, 0.85),
        (0.58, 1.0),
        (0.8, 0.9),
    ):
        x, long = place * width, height * 0.075 * size
        hull = [
            (x - long, level - long * 0.16, 2),
            (x - long * 0.6, level - long * 0.06, long * 0.12),
            (x + long * 0.7, level - long * 0.05, long * 0.11),
            (x + long * 0.95, level - long * 0.2, 2),
        ]
        _stroke(mask, _curve(hull, 40))
        cabin = [
            (x - long * 0.2, level - long * 0.2, long * 0.1),
            (x + long * 0.4, level - long * 0.2, long * 0.1),
        ]
        _stroke(mask, np.array(cabin))
        tip = level - long * 3.1
        _stroke(mask, np.array([(x, level, thin * 2.2), (x + 2, tip, thin * 1.4)]))
        for foot in (-0.95, 0.92):
            _stroke(
                mask,
                np.array([(x + foot * long, level - long * 0.2, thin * 0.6), (x, tip, thin * 0.6)]),
            )
        boom = [(x, level - long * 0.55, thin * 3), (x + long * 0.85, level - long * 0.5, thin * 3)]
        _stroke(mask, np.array(boom))
    _mix(shore, paint("#06090f"), mask)
    for place, size, colour in (
        (0.20, 1.0, "#fff2dc"),
        (0.37, 1.15, "#fff2dc"),
        (0.58, 1.0, "#6dffb0"),
    ):
        _lamp(
            shore,
            (place * width, level - height * 0.075 * size * 3.12),
            height * 0.0013,
            paint(colour, 9.0, 1.1),
        )


def _night_water(canvas: Canvas, level: int, paint: _Palette) -> None:
    """Fill the water below row `level`: the lights, drawn out downwards and broken by ripples."""
    height, width = canvas.shape[:2]
    shore = canvas[:level]
    long = int(height * 0.03)
    for left in range(0, width, 256):
        block = shore[:, left : left + 256].astype(np.float64)
        total = np.cumsum(np.pad(block, ((long, long), (0, 0), (0, 0)), mode="edge"), axis=0)
        smear = (total[2 * long :] - total[: -2 * long]) / (2 * long)
        canvas[level : level * 2, left : left + 256] = 0
        below = min(height - level, level)
        # A ripple shows a window or a lamp as a short upright stroke.
        mixed = 0.45 * shore[::-1, left : left + 256] + 0.55 * smear[::-1]
        canvas[level : level + below, left : left + 256] = mixed[:below]
    water = canvas[level:]
    deep = water.shape[0]
    ripple = _fractal((deep, width), height * 0.007, 231, stretch=7.0, gain=0.6)
    swell = _fractal((deep, width), height * 0.025, 241, stretch=5.0, gain=0.5, finest=3)
    seen = water.copy()
    columns = np.arange(width, dtype=np.float32)[None, :]
    for top in range(0, deep, _STRIP_ROWS):
        rows = slice(top, min(top + _STRIP_ROWS, deep))
        depth = np.arange(rows.start, rows.stop, dtype=np.float32)[:, None]
        sway = (0.12 + depth / deep) * height
        row = depth * 0.96 + sway * (0.022 * ripple[rows] + 0.02 * swell[rows])
        column = columns + sway * 0.006 * ripple[rows] + sway * 0.004 * swell[rows]
        row = np.clip(row, 0, deep - 1).astype(np.int32)
        column = np.clip(column, 0, width - 1).astype(np.int32)
        part = seen[row, column]
        _dim(part, 0.62 + 0.3 * ripple[rows] - 0.25 * depth / deep)
        _brighten(part, 0.006 + 0.004 * swell[rows], paint("#6d86b0"))
        water[rows] = part


def _snow(width: int, height: int, space: str = "srgb") -> Pixels:
    """A fence running out into a white field, and one bare tree in the brightness."""
    paint = _Palette(space)
    cell_m = 0.12
    size = 1280
    mounds = _fractal((size, size), 26 / cell_m, 301, gain=0.36, finest=0.9 / cell_m, stretch=1.7)
    drift = _fractal((size, size), 3.2 / cell_m, 311, gain=0.4, finest=0.4 / cell_m, stretch=2.4)
    heights = 1.15 * mounds + 0.10 * drift
    tilt_east = np.gradient(heights, cell_m, axis=1)
    tilt_away = np.gradient(heights, cell_m, axis=0)
    view = _View(eye_m=2.6, horizon=0.40, focal=1.25, near_m=2.6, far_m=150.0)
    ground = _see(view, heights, cell_m, width, height)
    crust = _tile(1024, 312, slope=1.5, coarsest=10)
    canvas = np.empty((height, width, 3), dtype=np.float32)
    sky = paint.ramp((0, "#dde4ea"), (0.6, "#ebeef0"), (1, "#f3f2ef"))
    across = (np.arange(width, dtype=np.float32) + 0.5 - width / 2) / (view.focal * width)
    for top in range(0, height, _STRIP_ROWS):
        seen = np.isfinite(ground.away_m[top : top + _STRIP_ROWS])
        away = np.where(seen, ground.away_m[top : top + _STRIP_ROWS], np.float32(view.far_m))
        row = (np.arange(top, top + len(away), dtype=np.float32) / height)[:, None]
        strip = _look_up(sky, row / view.horizon - 0.25 * across[None, :])
        if seen.any():
            east = across[None, :] * away
            east_slope, away_slope = _sample_map(
                [tilt_east, tilt_away], away / cell_m, east / cell_m + size / 2
            )
            near = np.exp(-away / 9.0)
            grit = _sample(crust, away * 170 + east * 40, east * 230)
            wind = _sample(crust, away * 5.5 + east * 2.0, east * 10.0)
            east_slope = east_slope + 0.10 * near * grit + 0.10 * np.exp(-away / 22) * wind
            up = 1 / np.sqrt(1 + east_slope**2 + away_slope**2)
            facing = np.clip((0.80 * east_slope + 0.36 - 0.46 * away_slope) * up, 0, 1.2)
            snow = _lit(
                (facing, paint("#ffeed8", 1.15)), (0.55 + 0.45 * up, paint("#bcd0f4", 0.52))
            )
            haze = 1 - np.exp(-((away / 95) ** 1.5))
            _mix(snow, np.broadcast_to(paint("#f3f2ef"), snow.shape), haze)
            strip[seen] = snow[seen]
        canvas[top : top + len(away)] = strip
    _soften_ridges(canvas, ground)
    _fence(canvas, paint, view, heights, cell_m)
    return _finish(canvas, space, 303, vignette=0.10, grain=0.006, shoulder=0.8, exposure=1.0)


@dataclass(frozen=True, slots=True)
class _Field:
    """The snow field as the camera sees it: puts things on the snow and into the picture."""

    view: _View
    heights: Plane
    cell_m: float
    width: int
    height: int

    def on_snow(self, places: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return `(east, up, away)` places in metres, brought down or up to the snow."""
        east, away = (places[:, i].astype(np.float32) / self.cell_m for i in (0, 2))
        (level,) = _sample_map([self.heights], away, east + self.heights.shape[1] / 2)
        return np.stack([places[:, 0], level, places[:, 2]], axis=-1)

    def seen(self, places: NDArray[np.float64], radius_m: float) -> NDArray[np.float64]:
        """Return places as a line `(x, y, radius)` in px."""
        return _project(self.view, places, self.width, self.height) * (1, 1, radius_m)

    def shadow(
        self, places: NDArray[np.float64], foot_m: float, radius_m: float
    ) -> NDArray[np.float64]:
        """Return the shadow that a line casts, as a line `(x, y, radius)` in px.

        The sun stands low, to the left and behind: shadows fall to the right, towards us.
        """
        long = 2.2 * (places[:, 1] - foot_m)[:, None]
        cast = self.seen(self.on_snow(places + long * (0.88, 0, -0.36)), radius_m)
        cast[:, 2] *= 1 - 0.12 * long[:, 0]
        return cast


def _fence(canvas: Canvas, paint: _Palette, view: _View, heights: Plane, cell_m: float) -> None:
    """Draw posts and wires, their shadows on the snow, a track and the tree, in place."""
    height, width = canvas.shape[:2]
    random = np.random.default_rng(321)
    field = _Field(view, heights, cell_m, width, height)
    count = 26
    away = 4.4 * 1.118 ** np.arange(count)
    east = 2.6 - 0.17 * away + 0.0052 * away**2 - 0.000036 * away**3
    feet = field.on_snow(np.stack([east, 0 * away, away], axis=-1))
    tall = 1.15 + 0.06 * random.standard_normal(count)
    tips = feet + np.stack([0.03 * random.standard_normal(count), tall, 0 * tall], axis=-1)
    clear = np.exp(-((away / 75) ** 1.5)).tolist()
    shade = np.zeros((height, width), dtype=np.float32)
    wood = np.zeros((height, width), dtype=np.float32)
    t = np.linspace(0, 1, 16)[:, None]
    for i in range(count):
        post = feet[i] + (tips[i] - feet[i]) * t
        _stroke(shade, field.shadow(post, feet[i, 1], 0.05), clear[i])
        for part in (0.32, 0.63, 0.93) if i + 1 < count else ():
            a, b = (feet[j] + (tips[j] - feet[j]) * part for j in (i, i + 1))
            wire = a + (b - a) * t - t * (1 - t) * (0, 0.05 + 0.06 * part, 0)
            _stroke(wood, field.seen(wire, 0.004), 0.75 * clear[i])
            _stroke(shade, field.shadow(wire, feet[i, 1], 0.006), 0.5 * clear[i])
    _track(shade, field)
    _mix(canvas, paint("#9fb8e0"), 0.72 * _blur(shade, height * 0.0012))
    _bare_tree(canvas, paint, (0.235 * width, 0.43 * height), 0.2 * height)
    lit, cap = np.zeros_like(wood), np.zeros_like(wood)
    for i in range(count - 1, -1, -1):
        ends = field.seen(np.array([feet[i], tips[i]]), 0.055)
        radius = ends[0, 2]
        post = ends * (1, 1, 0) + (0, 0, radius)
        post[0, 1] += 0.9 * radius
        _stroke(wood, post, clear[i])
        _bury(wood, post[0, 0], ends[0, 1], radius)
        _stroke(lit, post * (1, 1, 0.35) - (0.62 * radius, 0, 0), clear[i])
        crown = np.array([(-0.45, -0.75, -0.42), (0.4, -0.75, -0.35)]) * radius
        _stroke(cap, post[1] + crown, clear[i])
    box = slice(int(0.36 * height), height), slice(int(0.35 * width), width)
    streaks = _fractal(wood[box].shape, height * 0.05, 322, stretch=0.04, gain=0.8)
    _mix(canvas[box], _lit((1 + 0.4 * streaks, paint("#544e49"))), wood[box] * 0.95)
    bright = _lit((1 + 0.3 * streaks, paint("#a89a88")))
    _mix(canvas[box], bright, 0.6 * lit[box] * wood[box])
    _mix(canvas[box], paint("#f4f3f1"), _blur(cap[box], height * 0.0005))


def _track(shade: Plane, field: _Field) -> None:
    """Draw the track of an animal that crossed the field into the shadows, in place."""
    away = np.linspace(3.1, 46, 105)
    east = -1.15 - 0.10 * away - 0.8 * np.sin(away / 6.5) + 0.05 * (-1.0) ** np.arange(105)
    path = field.on_snow(np.stack([east, 0 * away, away], axis=-1))
    for x, y, radius in field.seen(path, 0.055).tolist():
        heel = (x - radius, y, 0.32 * radius)
        toes = (x + 0.7 * radius, y - 0.1 * radius, 0.4 * radius)
        _stroke(shade, np.array([heel, toes]), float(np.exp(-radius / field.height * 9)))


def _bury(mask: Plane, x: float, y: float, radius: float) -> None:
    """Cut a round post off where it meets the snow at `(x, y)`, in place."""
    height, width = mask.shape
    left, right = max(0, int(x - 1.6 * radius)), min(width, int(x + 1.6 * radius) + 1)
    top, bottom = max(0, int(y - radius)), min(height, int(y + 2.5 * radius) + 2)
    if left >= right or top >= bottom:
        return
    across = np.clip((np.arange(left, right, dtype=np.float32) + 0.5 - x) / radius, -1, 1)
    line = y + radius * (0.3 * np.sqrt(1 - across**2) - 0.06 * np.sin(3 * across + x))
    rows = np.arange(top, bottom, dtype=np.float32)[:, None]
    mask[top:bottom, left:right] *= np.clip(line - rows, 0, 1)


def _bare_tree(canvas: Canvas, paint: _Palette, foot: tuple[float, float], tall: float) -> None:
    """Draw a bare winter tree in mist, in place; `foot` and `tall` in px."""
    random = np.random.default_rng(331)
    top, left = max(0, int(foot[1] - 1.3 * tall)), max(0, int(foot[0] - 1.1 * tall))
    box = slice(top, int(foot[1] + 2)), slice(left, int(foot[0] + 1.1 * tall))
    mask = np.zeros(canvas[box].shape[:2], dtype=np.float32)
    limbs = [(foot[0] - left, foot[1] - top, -np.pi / 2 + 0.03, 0.30 * tall, 0.026 * tall, 0)]
    while limbs:
        x, y, angle, long, radius, depth = limbs.pop()
        bend = 0.16 * random.standard_normal()
        t = np.linspace(0, 1, 7)
        turn = angle + bend * t
        line = np.stack(
            [
                x + np.cumsum(np.cos(turn)) * long / 7,
                y + np.cumsum(np.sin(turn)) * long / 7,
                radius * (1 - 0.35 * t),
            ],
            axis=-1,
        )
        _stroke(mask, np.vstack([[x, y, radius], line]), 0.95 - 0.05 * depth)
        if depth == 8:
            continue
        for side in (-1.0, 1.0) if depth < 2 or random.random() < 0.93 else (0.0,):
            spread = 0.28 + 0.2 * random.random()
            # Branches reach up to the light again as they grow.
            heading = turn[-1] + side * spread
            heading += 0.10 * np.sin(-np.pi / 2 - heading)
            limbs.append(
                (
                    line[-1, 0],
                    line[-1, 1],
                    heading,
                    long * (0.70 + 0.2 * random.random()),
                    line[-1, 2] * 0.74,
                    depth + 1,
                )
            )
    fog = 1 - 0.35 * np.linspace(0, 1, len(mask), dtype=np.float32)[:, None] ** 3
    _mix(canvas[box], paint("#737a82"), mask * fog * 0.85)


@dataclass(frozen=True, slots=True)
class _Turned:
    """A form turned on a lathe, standing or lying on the table.

    Attributes:
        foot: Place of its base to the right of the group's middle and below the table's far edge,
            in units of the group.
        tall: Length of its axis, likewise.
        lean: Turn of its axis in radians, clockwise.
        outline: Radius along the axis as `(place 0 … 1, radius)` in lengths of the axis.
        skin: `pear` or `glaze`.
        seed: Seed of its markings.
    """

    foot: tuple[float, float]
    tall: float
    lean: float
    outline: tuple[tuple[float, float], ...]
    skin: str
    seed: int


_PEAR = (
    (0.0, 0.04),
    (0.012, 0.12),
    (0.05, 0.215),
    (0.13, 0.298),
    (0.25, 0.345),
    (0.37, 0.335),
    (0.50, 0.275),
    (0.62, 0.205),
    (0.74, 0.165),
    (0.86, 0.143),
    (0.94, 0.11),
    (0.985, 0.06),
    (1.0, 0.02),
)
_SLIM_PEAR = (
    (0.0, 0.03),
    (0.012, 0.10),
    (0.06, 0.19),
    (0.15, 0.26),
    (0.27, 0.30),
    (0.40, 0.285),
    (0.54, 0.225),
    (0.68, 0.165),
    (0.80, 0.135),
    (0.91, 0.112),
    (0.97, 0.075),
    (1.0, 0.02),
)
_BOTTLE = (
    (0.0, 0.172),
    (0.02, 0.186),
    (0.10, 0.206),
    (0.25, 0.222),
    (0.40, 0.218),
    (0.52, 0.188),
    (0.61, 0.128),
    (0.68, 0.078),
    (0.76, 0.058),
    (0.88, 0.054),
    (0.945, 0.058),
    (0.965, 0.076),
    (0.99, 0.078),
    (1.0, 0.066),
)

_TABLE = (
    _Turned((-0.14, 0.095), 0.53, 0.0, _BOTTLE, "glaze", 401),
    _Turned((0.22, 0.105), 0.30, 0.06, _SLIM_PEAR, "pear", 402),
    _Turned((0.045, 0.16), 0.315, -0.05, _PEAR, "pear", 403),
    _Turned((-0.28, 0.222), 0.295, 1.33, _PEAR, "pear", 404),
)
"""What stands on the table, from back to front."""


_EDGE = 0.64
"""Place of the table's far edge as a share of the picture's height."""


def _group(width: int, height: int) -> tuple[float, float, float]:
    """Return the middle of the group and the table's edge in px, and the group's unit in px."""
    return 0.5 * width, _EDGE * height, min(height, width / 0.98)


def _still_life(width: int, height: int, space: str = "romm") -> Pixels:
    """Three pears and a glazed bottle on an old table, by the light of one window."""
    paint = _Palette(space)
    canvas = np.empty((height, width, 3), dtype=np.float32)
    edge = int(_EDGE * height)
    _wall(canvas[:edge], paint, height)
    _table_top(canvas, paint, edge)
    for form in _TABLE:
        _turned(canvas, paint, form)
    return _finish(canvas, space, 413, vignette=0.35, contrast=0.15, exposure=1.75, grain=0.006)


def _wall(wall: Canvas, paint: _Palette, height: int) -> None:
    """Fill the wall with plaster that the window lights from the left."""
    edge, width = wall.shape[:2]
    plaster = _fractal((edge, width), height * 0.12, 411, gain=0.55, stretch=1.3)
    x = (((np.arange(width, dtype=np.float32) + 0.5) / width - 0.5) * 1.25 + 0.625)[None, :]
    colour = paint("#747362") * paint("#fff3e0", 0.62)
    for top in range(0, edge, _STRIP_ROWS):
        grit = plaster[top : top + _STRIP_ROWS]
        y = ((np.arange(top, top + len(grit), dtype=np.float32) + 0.5) / height)[:, None]
        window = np.exp(-((x - 0.05) ** 2) / 0.5) * np.exp(-((y - 0.25) ** 2) / 0.22)
        light = (0.16 + 1.2 * window) * (1 + 0.10 * grit)
        light *= 1 - 0.5 * np.exp((y - _EDGE) / 0.02)
        wall[top : top + len(grit)] = _lit((light, colour))


def _table_top(canvas: Canvas, paint: _Palette, edge: int) -> None:
    """Fill the canvas below row `edge` with boards, their grain and the forms' shadows."""
    height, width = canvas.shape[:2]
    wood = _tile(1024, 412, slope=1.5, coarsest=5)
    shade = _table_shadows(width, height)
    boards = np.array([0.0, 0.26, 0.55, 0.83, 1.2])
    x = (((np.arange(width, dtype=np.float32) + 0.5) / width - 0.5) * 1.25 + 0.625)[None, :]
    sideways = np.exp(-(((x - 0.22) / 0.62) ** 2))
    ramp = paint.ramp((0, "#20140d"), (0.5, "#5a3a24"), (1, "#9a6a41"))
    for top in range(edge, height, _STRIP_ROWS):
        rows = slice(top, min(top + _STRIP_ROWS, height))
        y = ((np.arange(rows.start, rows.stop, dtype=np.float32) + 0.5) / height)[:, None]
        # Distance on the table grows towards its far edge.
        depth = 0.42 / (y - 0.34)
        across = (x - 0.625) * (0.8 * width / height) * depth
        board = np.searchsorted(boards, depth[:, 0] - 0.55).astype(np.float32)[:, None]
        shift = board * 71.3
        wave = _sample(wood, depth * 60 + shift * 5 + 0 * across, across * 9 + shift)
        fine = _sample(wood, depth * 1500 + 9 * wave, across * 60 + shift * 3)
        tone = 0.52 + 0.16 * wave + 0.09 * np.sin(depth * 62 + 2.6 * wave + shift)
        tone += 0.10 * fine + 0.16 * np.sin(board * 2.3)
        timber = _look_up(ramp, tone)
        gap = np.abs(depth - 0.55 - boards).min(axis=-1).astype(np.float32)[:, None]
        fall = (0.12 + 1.25 * sideways * _smooth(1.15, 0.6, y)) * (1 - 0.93 * shade[rows])
        fall *= 1 - 0.85 * np.exp(-((gap / 0.006) ** 2))
        _dim(timber, fall, paint("#fff0da", 1.25))
        window = np.exp(-((x - 0.05) ** 2) / 0.5) * np.exp(-((y - 0.25) ** 2) / 0.22)
        sheen = window * (1 - shade[rows]) * (0.05 + 0.0125 * fine) * _smooth(0.95, 0.66, y)
        _brighten(timber, sheen, paint("#ffe9cc"))
        canvas[rows] = timber


def _table_shadows(width: int, height: int) -> Plane:
    """Return how much of the window's light the forms take from the table, 0 … 1."""
    shape = (-(-height // 4), -(-width // 4))
    open_sky = np.ones(shape, dtype=np.float32)
    middle_x, edge, unit = _group(width, height)
    x = ((np.arange(shape[1], dtype=np.float32) + 0.5) * 4 - middle_x)[None, :] / unit
    y = ((np.arange(shape[0], dtype=np.float32) + 0.5) * 4 - edge)[:, None] / unit
    for form in _TABLE:
        lying = abs(form.lean) > 0.7
        middle = form.foot[0] + (0.45 * form.tall if lying else 0.0)
        wide = form.tall * (0.42 if lying else max(r for _, r in form.outline) * 0.92)
        for step in np.linspace(0, 1, 8).tolist():
            centre = middle + step * form.tall * (0.75 if lying else 1.25)
            row = form.foot[1] - 0.006 + 0.03 * step + (0.295 * form.tall if lying else 0.0)
            # Farther from its caster a shadow is wider and softer.
            radius, soft = wide * (0.9 - 0.15 * step), 0.3 + 0.7 * step
            apart = np.hypot((x - centre) / radius, (y - row) / (radius * 0.27))
            strength = 0.9 * (1 - step) ** 0.8 + 0.05
            open_sky *= 1 - strength * _smooth(1 + soft, 1 - soft, apart)
    return _enlarge(1 - open_sky, (height, width))


def _outline(form: _Turned) -> tuple[Plane, Plane]:
    """Return radius and slope of the outline at 1,024 places along the axis."""
    dense = _curve(form.outline, 4000)
    places = np.linspace(0, 1, 1024)
    radii = np.interp(places, np.maximum.accumulate(dense[:, 0]), dense[:, 1])
    radii = np.convolve(np.pad(radii, 6, mode="edge"), np.ones(13) / 13, "valid")
    return radii.astype(np.float32), np.gradient(radii, 1 / 1023).astype(np.float32)


def _turned(canvas: Canvas, paint: _Palette, form: _Turned) -> None:
    """Draw one turned form: its shape, skin, light, highlight and stalk, in place."""
    height, width = canvas.shape[:2]
    middle_x, edge, unit = _group(width, height)
    long = form.tall * unit
    foot_x, foot_y = middle_x + form.foot[0] * unit, edge + form.foot[1] * unit
    axis = (float(np.sin(form.lean)), -float(np.cos(form.lean)))
    middle = (foot_x + axis[0] * long / 2, foot_y + axis[1] * long / 2)
    reach = 0.62 * long
    left, right = max(0, int(middle[0] - reach)), min(width, int(middle[0] + reach))
    top, bottom = max(0, int(middle[1] - reach)), min(height, int(middle[1] + reach))
    radii, slopes = _outline(form)
    marks = _tile(512, form.seed, slope=1.1, coarsest=4)
    # The table is seen a little from above, so the near side of a form appears lower.
    tilt = -0.16 * axis[1]
    for row in range(top, bottom, _STRIP_ROWS):
        rows = slice(row, min(row + _STRIP_ROWS, bottom))
        x = (np.arange(left, right, dtype=np.float32) + 0.5 - foot_x)[None, :] / long
        y = (np.arange(rows.start, rows.stop, dtype=np.float32) + 0.5 - foot_y)[:, None] / long
        along = x * axis[0] + y * axis[1]
        side = x * -axis[1] + y * axis[0]
        at = along
        for _ in range(4):
            radius = radii.take(np.clip(at * 1023, 0, 1023).astype(np.int32))
            at = along + tilt * np.sqrt(np.maximum(radius * radius - side * side, 0))
        index = np.clip(at * 1023, 0, 1023).astype(np.int32)
        steep = 1 / np.sqrt(1 + slopes.take(index) ** 2)
        cover = np.clip((radii.take(index) - np.abs(side)) * steep * long + 0.5, 0, 1)
        cover *= np.clip(at * long + 0.5, 0, 1) * np.clip((1 - at) * long + 0.5, 0, 1)
        inside = np.nonzero(cover > 0)
        if len(inside[0]):
            surface = _surface(form, (radii, slopes), side[inside], at[inside])
            up = np.broadcast_to(-y, cover.shape)[inside]
            patch = canvas[rows, left:right]
            under = patch[inside]
            colour = _skin(paint, form, marks, surface, up)
            patch[inside] = under + (colour - under) * cover[inside][:, None]
    if form.skin == "glaze":
        above, below = int(foot_y - 1.1 * long), int(foot_y - 0.9 * long)
        mouth = (foot_x - left, foot_y - long - above, float(radii[-1]) * long)
        _mouth(canvas[above:below, left:right], paint, mouth)
    else:
        _stalk(canvas, paint, form, (foot_x, foot_y))


@dataclass(frozen=True, slots=True)
class _Surface:
    """The visible side of a turned form, one entry a pixel.

    Attributes:
        east: Surface normal, its part to the right.
        rise: Its part upwards.
        near: Its part towards the viewer.
        at: Place along the axis, 0 … 1.
        turn: Place around the axis in radians, 0 in the middle.
    """

    east: Plane
    rise: Plane
    near: Plane
    at: Plane
    turn: Plane


def _surface(form: _Turned, outline: tuple[Plane, Plane], side: Plane, at: Plane) -> _Surface:
    """Return the surface at places `side` across the axis and `at` along it, in axis lengths."""
    radii, slopes = outline
    index = np.clip(at * 1023, 0, 1023).astype(np.int32)
    radius, slope = radii.take(index), slopes.take(index)
    cosine, sine = float(np.cos(form.lean)), float(np.sin(form.lean))
    steep = 1 / np.sqrt(1 + slope * slope)
    across = np.clip(side / radius, -1, 1)
    out_side, out_along = steep * across, -slope * steep
    return _Surface(
        east=out_side * cosine + out_along * sine,
        rise=out_along * cosine - out_side * sine,
        near=steep * np.sqrt(1 - across * across),
        at=at,
        turn=np.arcsin(across),
    )


def _skin(paint: _Palette, form: _Turned, marks: Plane, surface: _Surface, up: Plane) -> Canvas:
    """Return the lit colour of a turned form's surface.

    Args:
        paint: Colours of the scene's space.
        form: What is drawn.
        marks: Repeating noise for the markings.
        surface: Where on the form each pixel lies.
        up: Height over the foot in lengths of the axis.
    """
    east, rise, near, at = surface.east, surface.rise, surface.near, surface.at
    # What lies down reaches below its foot, by its radius.
    up = np.maximum(up + (0.33 if abs(form.lean) > 0.7 else 0.0), 0)
    lit = np.clip((-0.76 * east + 0.46 * rise + 0.46 * near + 0.16) / 1.16, 0, 1) ** 1.25
    bounce = np.clip(-rise * 0.7 + 0.25 * east + 0.1, 0, 1) * np.exp(-up / 0.35)
    shut = 0.30 + 0.70 * _smooth(-0.02, 0.3, up)
    if form.skin == "pear":
        colour = _pear_skin(paint, form.seed, marks, at, surface.turn)
        gloss, sharp = 0.2, 0.13
    else:
        colour = _glaze(paint, marks, at, surface.turn)
        gloss, sharp = 0.8, 0.018
        lit = lit * (0.55 + 0.45 * _smooth(1.0, 0.9, at))
    colour *= _lit(
        (lit * shut, paint("#fff1dc", 1.25)),
        (0.05 * shut * shut, paint("#b9c4d2")),
        (0.17 * bounce * shut, paint("#c98a52")),
    )
    # What the skin mirrors: a window of four panes, up and to the left.
    pane = _smooth(-0.80 - sharp, -0.80 + sharp, east) * _smooth(-0.52 + sharp, -0.52 - sharp, east)
    pane *= _smooth(0.10 - sharp, 0.10 + sharp, rise) * _smooth(0.42 + sharp, 0.42 - sharp, rise)
    bars = np.minimum(np.abs(east + 0.655), np.abs(rise - 0.27))
    pane *= 0.25 + 0.75 * _smooth(0.006, 0.006 + sharp, bars)
    rim = (1 - near) ** 4 * _smooth(0.3, -0.8, east)
    _brighten(colour, gloss * (pane + 0.12 * rim), paint("#f4f6ff"))
    return colour


def _pear_skin(paint: _Palette, seed: int, marks: Plane, at: Plane, turn: Plane) -> Canvas:
    """Return a pear's own colour: green to yellow, a blush on one side, russet and flecks."""
    cloud = _sample(marks, at * 120, turn * 60)
    fleck = _sample(marks, at * 900 + 40, turn * 330)
    ripe = 0.52 + 0.09 * cloud + 0.22 * (seed % 3 - 1) + 0.14 * np.sin(turn * 1.5 + seed)
    colour = _look_up(paint.ramp((0, "#8c9442"), (0.45, "#b8a848"), (1, "#d3b056")), ripe)
    blush = _smooth(-0.5, 1.6, np.sin(turn + 0.6 * seed) + 0.24 * cloud)
    blush *= _smooth(0.0, 0.3, at) * _smooth(1.0, 0.55, at)
    _mix(colour, paint("#b5512f"), 0.7 * blush)
    russet = 0.55 * _smooth(1.1, 2.2, fleck) + 0.5 * _smooth(0.9, 1.0, at)
    _mix(colour, paint("#6b4a20"), russet)
    _mix(colour, paint("#d9c877"), 0.4 * _smooth(1.3, 2.4, -fleck))
    return colour


def _glaze(paint: _Palette, marks: Plane, at: Plane, turn: Plane) -> Canvas:
    """Return the bottle's own colour: a blue glaze that ran down over stoneware."""
    cloud = _sample(marks, at * 120, turn * 60)
    fleck = _sample(marks, at * 900 + 40, turn * 330)
    run = _smooth(-0.04, 0.04, at - 0.46 - 0.05 * np.sin(turn * 3.1) - 0.03 * cloud)
    clay = paint.ramp((0, "#8a7a62"), (0.5, "#a3927a"), (1, "#b9a88f"))
    colour = _look_up(clay, 0.5 + 0.3 * cloud)
    blue = paint.ramp((0, "#142b33"), (0.5, "#28505a"), (1, "#5d8f8c"))
    thick = 0.42 + 0.22 * cloud + 0.5 * _smooth(0.56, 0.46, at) * run
    _mix(colour, _look_up(blue, thick), run)
    _mix(colour, paint("#4b3a2a"), 0.5 * _smooth(1.4, 2.2, fleck) * (1 - 0.6 * run))
    return colour


def _mouth(canvas: Canvas, paint: _Palette, circle: tuple[float, float, float]) -> None:
    """Draw the opening of a bottle around `(x, y, radius)`, seen a little from above, in place."""
    x, y, radius = circle
    rows = (np.arange(len(canvas), dtype=np.float32) + 0.5 - y)[:, None] / (0.16 * radius)
    columns = (np.arange(canvas.shape[1], dtype=np.float32) + 0.5 - x)[None, :] / radius
    apart = np.hypot(rows, columns)
    soft = 1.5 / (0.16 * radius)
    lip = _lit((0.6 - 0.5 * columns, paint("#5f8a86", 0.5)))
    _mix(canvas, lip, _smooth(1 + soft, 1 - soft, apart))
    _mix(canvas, paint("#0a0f10", 0.6), _smooth(0.74 + soft, 0.74 - soft, apart))


def _stalk(canvas: Canvas, paint: _Palette, form: _Turned, foot: tuple[float, float]) -> None:
    """Draw a pear's stalk, in place."""
    height, width = canvas.shape[:2]
    long = form.tall * _group(width, height)[2]
    axis = np.array([np.sin(form.lean), -np.cos(form.lean)])
    tip = np.array(foot) + axis * long * 0.965
    aside = np.array([-axis[1], axis[0]]) * (1 if form.seed % 2 else -1)
    places = [
        (*(tip + axis * long * a + aside * long * b), long * r)
        for a, b, r in (
            (0.0, 0.0, 0.022),
            (0.06, 0.008, 0.013),
            (0.13, 0.035, 0.012),
            (0.19, 0.085, 0.016),
            (0.2, 0.095, 0.012),
        )
    ]
    box = slice(max(0, int(tip[1] - 0.4 * long)), int(tip[1] + 0.4 * long))
    mask = np.zeros((len(canvas[box]), width), dtype=np.float32)
    lit = np.zeros_like(mask)
    line = _curve(places, 40)
    line[:, 1] -= box.start
    _stroke(mask, line)
    _stroke(lit, line * (1, 1, 0.4) - (0.008 * long, 0.003 * long, 0))
    _mix(canvas[box], paint("#2c1d10", 0.8), mask)
    _mix(canvas[box], paint("#8a6b42"), 0.7 * mask * _blur(lit, height * 0.001))


_GLADE = (0.60, 0.45)
"""Where the light stands between the trunks, as shares of width and height."""

_STANDS = (14.0, 10.5, 8.2, 6.2, 4.8, 3.7, 2.8, 2.1, 1.6)
"""Distances of the rows of trees, far to near, in units of the forest scene."""


@dataclass(frozen=True, slots=True)
class _Wood:
    """What every tree of the forest is drawn with.

    Attributes:
        canvas: The scene so far.
        place: Place of each pixel on `glow`, 0 … 1; the mist itself would take three times the
            memory.
        glow: Colours of the mist from the light outwards.
        bark: Repeating noise.
        paint: Colours of the scene's space.
        random: Source of all that differs from tree to tree.
    """

    canvas: Canvas
    place: Plane
    glow: Canvas
    bark: Plane
    paint: _Palette
    random: np.random.Generator


def _forest(width: int, height: int, space: str = "adobe-rgb") -> Pixels:
    """Tall trunks in morning mist, with the sun somewhere behind them."""
    paint = _Palette(space)
    x = ((np.arange(width, dtype=np.float32) + 0.5) / width)[None, :]
    y = ((np.arange(height, dtype=np.float32) + 0.5) / height)[:, None]
    place = np.hypot((x - _GLADE[0]) * (width / height * 0.8), (y - _GLADE[1]) * 0.89)
    glow = paint.ramp(
        (0, "#fff2cc", 1.15),
        (0.13, "#fbe6b0"),
        (0.32, "#d8d0a2"),
        (0.58, "#8fa792"),
        (1, "#466468"),
    )
    canvas = _look_up(glow, place)
    bark = _tile(512, 501, slope=1.4, coarsest=6)
    wood = _Wood(canvas, place, glow, bark, paint, np.random.default_rng(502))
    _forest_floor(canvas, paint, bark)
    for number, away in enumerate(_STANDS):
        if number == 6:
            _sunbeams(canvas, paint)
        _stand(wood, away, number)
    _ferns(wood)
    return _finish(canvas, space, 503, vignette=0.3, contrast=0.6, exposure=1.0)


def _forest_floor(canvas: Canvas, paint: _Palette, bark: Plane) -> None:
    """Lay moss and a path that leads to the light, fading into the mist, in place."""
    height, width = canvas.shape[:2]
    x = ((np.arange(width, dtype=np.float32) + 0.5) / width)[None, :]
    ramp = paint.ramp((0, "#0e120a"), (0.35, "#2d3616"), (0.62, "#686a32"), (1, "#b5a269"))
    reach = np.exp(-(((x - _GLADE[0]) * (width / height)) ** 2) / 0.3)
    for top in range(int(0.6 * height), height, _STRIP_ROWS):
        strip = canvas[top : top + _STRIP_ROWS]
        y = ((np.arange(top, top + len(strip), dtype=np.float32) + 0.5) / height)[:, None]
        away = 0.62 / np.maximum(y - 0.598, 0.004)
        east = (x - _GLADE[0]) * away
        moss = _sample(bark, 60 * away + 0 * x, east * 80)
        fine = _sample(bark, 260 * away + 9 * moss, east * 420 + 9)
        path = np.exp(-(((east - 0.16 * np.sin(away * 1.3 + 0.8) + 0.1) / 0.15) ** 2))
        tone = 0.36 + 0.12 * moss + 0.11 * fine + 0.28 * path
        floor = _look_up(ramp, tone)
        _dim(floor, 0.22 + 1.25 * reach * np.exp(-(y - 0.6) / 0.3))
        _mix(strip, floor, np.exp(-((away / 5.2) ** 1.3)) * _smooth(0.598, 0.64, y))


def _sunbeams(canvas: Canvas, paint: _Palette) -> None:
    """Add shafts of light that spread from the glade, in place."""
    height, width = canvas.shape[:2]
    shafts = _fractal((2, 2048), 60, 511, gain=0.45, finest=8)
    shape = (-(-height // 4), -(-width // 4))
    x = np.arange(shape[1], dtype=np.float32)[None, :] * (4 / height) - _GLADE[0] * width / height
    y = np.arange(shape[0], dtype=np.float32)[:, None] * (4 / height) - _GLADE[1]
    # The absolute angle has no seam; the slow drift keeps above and below from looking alike.
    turn = np.abs(np.arctan2(y, x)) * (1 + 0.35 * np.tanh(25 * y))
    shaft = shafts[0].take(np.clip(turn * (2047 / 4.6), 0, 2047).astype(np.int32))
    apart = np.hypot(x, y)
    strength = _smooth(-0.1, 1.0, shaft) * 0.36 * np.exp(-apart / 0.36) * _smooth(0.0, 0.25, apart)
    full = _enlarge(strength, (height, width))
    light = paint("#ffeebc")
    for channel in range(3):
        canvas[..., channel] += full * light[channel]


def _clarity(away: float) -> float:
    """Return the share of a tree's own colour that the mist lets through."""
    return float(np.exp(-((away / 6.0) ** 1.35)))


def _stand(wood: _Wood, away: float, number: int) -> None:
    """Draw all trunks at one distance, their branches and leaves, in place."""
    height, width = wood.canvas.shape[:2]
    random = wood.random
    base = 0.6 + 0.62 / away
    count = int(5 + 1.2 * away)
    mask = np.zeros((int(min(base, 1.0) * height), width), dtype=np.float32)
    for slot in range(count):
        x = (slot + 0.1 + 0.8 * random.random()) / count
        size = (0.45 + 0.9 * random.random()) * 0.078 / away
        if abs((x - _GLADE[0]) * away) < 0.25 + 0.3 * random.random():
            continue
        middle = _trunk(wood, (x, base + 0.05 * (random.random() - 0.5) / away), size, away)
        if away < 9:
            _branches(mask, middle, height, away, random)
    if number in (2, 4, 6):
        deep = int(height * 0.46)
        leaves = _fractal((deep, width), height * 0.5 / away, 520 + number, gain=0.68, stretch=1.4)
        fall = np.linspace(0, 1, deep, dtype=np.float32)[:, None]
        aside = np.abs(np.arange(width, dtype=np.float32)[None, :] / width - _GLADE[0])
        aside = np.minimum(2.2 * (aside - 0.2), 0.6)
        cover = _smooth(0.0, 0.25, leaves + 0.1 - 2.2 * fall + aside)
        np.maximum(mask[:deep], 0.85 * cover, out=mask[:deep])
    dark = wood.paint("#141a14") * _clarity(away)
    for top in range(0, len(mask), _STRIP_ROWS):
        part = mask[top : top + _STRIP_ROWS]
        touched = np.nonzero(part)
        if len(touched[0]):
            patch = wood.canvas[top : top + len(part)]
            veil = _look_up(wood.glow, wood.place[top : top + len(part)][touched])
            veil *= 0.94 * (1 - _clarity(away))
            patch[touched] += (veil + dark - patch[touched]) * part[touched][:, None]


def _branches(
    mask: Plane, middle: Plane, height: int, away: float, random: np.random.Generator
) -> None:
    """Draw the dead lower branches of a tree, whose middle each row gives, into a mask."""
    t = np.linspace(0, 1, 8)
    for _ in range(int(4 + 7 * random.random())):
        row = int(random.random() ** 1.4 * 0.62 * len(middle))
        side = 1 if random.random() < 0.5 else -1
        long = (0.15 + 0.45 * random.random()) * 0.5 / away
        thick = height * 0.0075 * (0.35 + random.random()) / away
        drop = (0.05 + 0.4 * random.random()) * long
        across = middle[row] + side * long * t * height
        down = row + (drop * t**1.7 - 0.06 * long * np.sin(5 * t + 0.1 * row)) * height
        _stroke(mask, np.stack([across, down, thick * (1.04 - t) + 0.3], axis=-1), 0.9)
        for place in (3, 5):
            twig = long * height * 0.3 * (1.1 - t[place])
            end = (across[place] + twig * side * 0.8, down[place] + twig * (random.random() - 0.3))
            root = (across[place], down[place], thick * 0.5)
            _stroke(mask, np.array([root, (*end, 0.3)]), 0.8)


def _trunk(wood: _Wood, foot: tuple[float, float], size: float, away: float) -> Plane:
    """Draw one trunk in place and return its middle in each row, in px.

    Args:
        wood: The scene.
        foot: Place of its foot as shares of width and height.
        size: Its radius as a share of the height.
        away: Its distance.
    """
    height, width = wood.canvas.shape[:2]
    radius, base = size * min(height, 0.8 * width), foot[1] * height
    lean = 0.05 * wood.random.standard_normal()
    seed = int(wood.random.integers(1 << 20))
    bends = _fractal((1, height), height * 0.5, seed, gain=0.4, finest=height * 0.06)[0]
    bottom = min(height, int(base + 0.6 * radius) + 2)
    y = np.arange(bottom, dtype=np.float32)[:, None] + 0.5
    centre = foot[0] * width + lean * (y - base) * 0.5 + bends[:bottom, None] * radius * 0.9
    wide = radius * (0.70 + 0.3 * y / base + 0.6 * np.exp(-np.abs(base - y) / (0.9 * radius)))
    for top in range(0, bottom, 2 * _STRIP_ROWS):
        rows = slice(top, min(top + 2 * _STRIP_ROWS, bottom))
        left = max(0, int((centre[rows] - wide[rows]).min()) - 2)
        right = min(width, int((centre[rows] + wide[rows]).max()) + 3)
        if left >= right:
            continue
        x = np.arange(left, right, dtype=np.float32)[None, :] + 0.5
        across = (x - centre[rows]) / wide[rows]
        cover = np.clip((1 - np.abs(across)) * wide[rows] + 0.5, 0, 1)
        across = np.clip(across, -1, 1)
        cover *= np.clip(base + 0.25 * radius * np.sqrt(1 - across**2) - y[rows], 0, 1)
        colour = _look_up(wood.glow, wood.place[rows, left:right])
        colour *= 0.95
        own = wood.paint("#1d2420")
        if away < 7:
            own = _bark(wood, colour, across, y[rows], (foot[0], base, radius))
        _mix(colour, own, np.full_like(cover, _clarity(away)))
        _mix(wood.canvas[rows, left:right], colour, cover)
    return np.asarray(centre[:, 0])


def _bark(
    wood: _Wood, glow: Canvas, across: Plane, y: Plane, trunk: tuple[float, float, float]
) -> Canvas:
    """Return the colour of bark with the light of the glade on its edge.

    Args:
        wood: The scene.
        glow: The mist's light behind the trunk.
        across: Place across the trunk, -1 … 1.
        y: Rows in px.
        trunk: Place across the picture as a share, row of its foot and radius in px.
    """
    place, base, radius = trunk
    turn = np.arcsin(across)
    rough = _sample(wood.bark, y * (30 / radius) + turn * 4, turn * 55 + place * 997)
    furrow = _sample(wood.bark, y * (70 / radius) + 0 * turn, turn * 150 + place * 413)
    side = 1.0 if _GLADE[0] > place else -1.0
    near = float(np.exp(-abs(place - _GLADE[0]) / 0.22))
    rim = np.exp((across * side - 1) / (0.10 + 0.08 * near)) * (0.75 + 0.35 * furrow)
    light = 0.22 + 0.25 * np.clip(across * side, 0, 1) + 0.10 * rough + 0.16 * furrow
    np.maximum(light, 0.03, out=light)
    moss = _smooth(0.2, 1.4, rough + 1.2 * np.exp(-np.abs(base - y) / (5 * radius)))
    skin = _lit(
        (light * (1 - 0.7 * moss), wood.paint("#4a4238")),
        (light * (0.7 * moss), wood.paint("#55662c", 1.1)),
    )
    shine = (0.15 + 0.75 * near) * np.maximum(rim, 0)
    for channel in range(3):
        skin[..., channel] += shine * glow[..., channel]
    return skin


def _ferns(wood: _Wood) -> None:
    """Draw ferns along the lower edge, lit from the glade, in place."""
    height, width = wood.canvas.shape[:2]
    random = np.random.default_rng(531)
    first = int(0.78 * height)
    x_all = np.arange(width, dtype=np.float32)[None, :] / width
    t = np.linspace(0, 1, 14)
    for colour, count, low, size in (("#5a6b35", 14, 0.95, 0.05), ("#3c4c22", 13, 1.02, 0.085)):
        mask = np.zeros((height - first, width), dtype=np.float32)
        for number in range(count):
            x = (number + random.random()) / count
            if abs(x - 0.50) < 0.1:
                continue
            foot = np.array([x * width, (low + 0.03 * random.random()) * height - first])
            for fan in np.linspace(-1.1, 1.1, 5):
                long = size * height * (0.75 + 0.5 * random.random())
                heading = -np.pi / 2 + fan * 0.75 + fan * 0.9 * t**1.4
                steps = np.stack([np.cos(heading), np.sin(heading)], axis=-1) * (long / 14)
                spine = foot + np.cumsum(steps, axis=0)
                _stroke(mask, np.column_stack([spine, height * 0.0008 * (1.2 - t)]))
                for i in range(2, 13):
                    leaf = long * 0.24 * np.sin(np.pi * (t[i] * 0.85 + 0.1)) ** 0.9
                    for turn in (-1.1, 1.1):
                        way = heading[i] + turn
                        tip = spine[i] + leaf * np.array([np.cos(way), np.sin(way)])
                        _stroke(mask, np.array([[*spine[i], height * 0.0013], [*tip, 0.2]]), 0.9)
        rise = np.linspace(1.0, 0.45, len(mask), dtype=np.float32)[:, None]
        light = rise * (0.28 + 0.9 * np.exp(-(((x_all - _GLADE[0]) / 0.25) ** 2)))
        green = _lit((light, wood.paint(colour)))
        green += 0.10 * _look_up(wood.glow, wood.place[first:])
        _mix(wood.canvas[first:], green, mask)


_FOLDS = (
    # Each fold of rock, far to near: side it stands on, distance from the slot's middle,
    # how far it wanders (both as shares of the width), light that reaches it, seed.
    (1, 0.10, 0.10, 0.92, 601),
    (-1, 0.075, 0.09, 0.80, 602),
    (1, 0.17, 0.12, 0.56, 603),
    (-1, 0.19, 0.12, 0.46, 604),
    (1, 0.29, 0.14, 0.34, 605),
    (-1, 0.33, 0.12, 0.26, 606),
    (1, 0.40, 0.12, 0.22, 608),
)


def _canyon(width: int, height: int, space: str = "romm") -> Pixels:
    """A slot canyon: folds of banded sandstone, lit from the sky far above."""
    paint = _Palette(space)
    canvas = np.empty((height, width, 3), dtype=np.float32)
    middle = 0.53 + 0.13 * _fractal((1, height), height * 0.55, 611, gain=0.35, finest=height * 0.1)
    edges = []
    for hand, off, wander, _, seed in _FOLDS:
        path = _fractal((1, height), height * 0.36, seed, gain=0.42, finest=height * 0.03)
        edges.append((middle + hand * off + wander * path)[0])
    rock = _tile(512, 612, slope=1.9, coarsest=3)
    grit = _tile(1024, 613, slope=1.2, coarsest=12)
    bands = _fractal((1, 4096), 240, 614, gain=0.72)[0]
    ramp = paint.ramp(
        (0, "#0d0714"),
        (0.16, "#2c1430"),
        (0.34, "#6b2433"),
        (0.52, "#b5472b"),
        (0.70, "#e2802f"),
        (0.86, "#f9bb62"),
        (1, "#ffe9b8"),
    )
    x = ((np.arange(width, dtype=np.float32) + 0.5) / width)[None, :]
    for top in range(0, height, _STRIP_ROWS):
        rows = slice(top, min(top + _STRIP_ROWS, height))
        y = ((np.arange(rows.start, rows.stop, dtype=np.float32) + 0.5) / height)[:, None]
        fold, inside, shade = _fold_at(x, [edge[rows] for edge in edges])
        light = np.array([1.15] + [f[3] for f in _FOLDS], dtype=np.float32).take(fold)
        side = np.array([0.0] + [f[0] for f in _FOLDS], dtype=np.float32).take(fold)
        number = fold.astype(np.float32)
        swell = _sample(rock, y * 46 + number * 57, x * 26 + number * 91 + y * 14 * side)
        curl = np.sqrt(inside + 0.004)
        strata = (
            y * (height / width) + side * 0.10 * x - 0.62 * curl + 0.045 * swell + number * 0.37
        )
        line = bands.take((strata * 560).astype(np.int32) & 4095)
        fine = _sample(grit, strata * 1500, curl * 90 + x * 40 + number * 33)
        rim = np.exp(-inside / 0.035)
        # Light pours down: high and deep in the slot it is strong, at one's feet nearly gone.
        pour = 0.40 + 0.62 * np.exp(-y / 0.42) + 0.22 * np.exp(-(((y - 0.93) / 0.09) ** 2))
        lit = light * pour * np.maximum(0.40 + 0.60 * rim + 0.26 * swell, 0.22)
        lit = np.maximum(lit * (1 - 0.72 * shade), 0.008)
        tone = np.sqrt(lit) * (0.98 + 0.085 * line + 0.035 * fine)
        canvas[rows] = _look_up(ramp, tone)
        _dim(canvas[rows], 0.55 + 0.62 * np.minimum(tone, 1.15))
    for edge in edges:
        _soften_edge(canvas, edge * width)
    return _finish(canvas, space, 615, vignette=0.3, contrast=0.25, exposure=1.35, grain=0.006)


def _fold_at(x: Plane, edges: Sequence[Plane]) -> tuple[NDArray[np.int32], Plane, Plane]:
    """Return which fold each pixel shows, how far inside its edge, and how shaded it is there.

    Fold 0 is the back wall; the shade is that of the nearer folds, 0 … 1.

    Args:
        x: Places across as shares of the width, shape (1, width).
        edges: Edge of each fold in each row, far to near.
    """
    shape = (len(edges[0]), x.shape[1])
    fold = np.zeros(shape, dtype=np.int32)
    inside = np.full(shape, 0.12, dtype=np.float32)
    shade = np.zeros(shape, dtype=np.float32)
    for number, ((side, *_), edge) in enumerate(zip(_FOLDS, edges, strict=True), start=1):
        beyond = side * (x - edge[:, None])
        covered = beyond > 0
        # Just outside the edge of a fold, what lies behind it is in its shade.
        near = 1 / (1 + np.square(np.minimum(beyond, 0) / 0.045))
        np.maximum(shade, near, out=shade)
        shade[covered] = 0
        fold[covered] = number
        np.copyto(inside, beyond, where=covered)
    return fold, inside, shade


def _soften_edge(canvas: Canvas, edge: Plane) -> None:
    """Blend, in place, the pixel of each row that an edge at column `edge` (px) cuts through."""
    column = np.floor(edge).astype(np.int32)
    row = np.nonzero((column >= 1) & (column < canvas.shape[1] - 1))[0]
    column = column[row]
    share = (edge[row] - column)[:, None]
    canvas[row, column] = canvas[row, column - 1] * share + canvas[row, column + 1] * (1 - share)


@dataclass(frozen=True, slots=True)
class _Stroke:
    """One pull of a broad brush: a bent band.

    Attributes:
        middle: Its middle as shares of width and height.
        turn: Direction in radians, clockwise from the right.
        long: Length as a share of the root of the picture's area.
        wide: Width, likewise.
        bend: Sag of its middle as a share of its length.
        colours: The two paints on the brush.
        load: How much paint is on the brush; below 1 it runs dry before the end.
        seed: Seed of its bristles.
    """

    middle: tuple[float, float]
    turn: float
    long: float
    wide: float
    bend: float
    colours: tuple[str, str]
    load: float
    seed: int


def _composition() -> list[_Stroke]:
    """Return the strokes of the abstract, in the order in which they are laid."""
    random = np.random.default_rng(701)
    chalk, dusk, sea = ("#ece4d4", "#d6c8b0"), ("#1b2a49", "#2d4a74"), ("#2f6f78", "#7fb0a6")
    ochre, red, ink = ("#c98f2e", "#e3b867"), ("#c8371f", "#e8673a"), ("#101420", "#26304a")
    strokes = []
    for row in range(6):
        y = 0.06 + 0.17 * row
        colours = chalk if row < 4 else sea
        turn = -0.10 + 0.12 * random.standard_normal()
        strokes.append(_Stroke((0.5, y), turn, 1.5, 0.24, 0.03, colours, 2.2, 710 + row))
    plan = (
        (dusk, (0.30, 0.66), -0.50, 0.95, 0.19, 0.16, 1.15),
        (dusk, (0.62, 0.74), -0.28, 1.00, 0.17, 0.12, 1.05),
        (sea, (0.46, 0.56), -0.62, 0.85, 0.11, 0.14, 0.85),
        (ink, (0.40, 0.80), -0.16, 1.05, 0.15, 0.08, 1.2),
        (chalk, (0.70, 0.44), -0.72, 0.72, 0.10, 0.10, 0.8),
        (ochre, (0.66, 0.60), -0.42, 0.62, 0.085, 0.12, 0.85),
        (ochre, (0.24, 0.45), -0.95, 0.50, 0.06, 0.10, 0.75),
        (ink, (0.54, 0.50), -0.80, 0.70, 0.045, 0.12, 0.95),
        (red, (0.585, 0.365), -0.60, 0.46, 0.075, 0.10, 0.95),
        (red, (0.36, 0.71), -0.40, 0.22, 0.03, 0.06, 0.9),
        (chalk, (0.33, 0.60), -0.55, 0.66, 0.035, 0.15, 0.7),
        (sea, (0.80, 0.80), -0.20, 0.50, 0.06, 0.10, 0.8),
        (chalk, (0.20, 0.865), -0.12, 0.46, 0.025, 0.05, 0.75),
    )
    for number, (colours, middle, turn, long, wide, bend, load) in enumerate(plan):
        strokes.append(_Stroke(middle, turn, long, wide, bend, colours, load, 720 + number))
    for number in range(5):
        colours = (chalk, ochre, ink, sea, red)[number]
        middle = (0.15 + 0.7 * random.random(), 0.3 + 0.5 * random.random())
        turn = -0.55 + 0.25 * random.standard_normal()
        strokes.append(
            _Stroke(
                middle,
                turn,
                0.08 + 0.16 * random.random(),
                0.008 + 0.012 * random.random(),
                0.08,
                colours,
                0.9,
                740 + number,
            )
        )
    return strokes


def _strokes(width: int, height: int, space: str = "display-p3") -> Pixels:
    """An abstract: chalk, indigo and ochre pulled across a canvas, and one red."""
    paint = _Palette(space)
    canvas = np.empty((height, width, 3), dtype=np.float32)
    canvas[:] = paint("#b9a888")
    relief = np.zeros((height, width), dtype=np.float32)
    bristle = _tile(1024, 702, slope=1.25, coarsest=14)
    for stroke in _composition():
        _pull(canvas, relief, paint, bristle, stroke)
    weave = 2 * np.pi / max(4.0, height / 420)
    across = np.sin(np.arange(width, dtype=np.float32) * weave)[None, :]
    for top in range(0, height, _STRIP_ROWS):
        rows = slice(top, min(top + _STRIP_ROWS, height))
        down = np.sin(np.arange(rows.start, rows.stop, dtype=np.float32) * weave)[:, None]
        high = relief[max(0, top - 1) : rows.stop]
        slope = np.diff(high, axis=0, prepend=high[:1])[-(rows.stop - top) :]
        slope = slope + np.diff(relief[rows], axis=1, prepend=relief[rows, :1])
        slope *= height / 1400
        slope += 0.035 * across * down * np.exp(-relief[rows] * 2.0)
        # Light from the upper left: a rise towards it is bright, a fall beyond it dark.
        _dim(canvas[rows], np.clip(1 + 0.62 * slope, 0.5, 1.6))
        _brighten(canvas[rows], 0.10 * np.clip(slope - 0.12, 0, 0.6))
    return _finish(canvas, space, 703, vignette=0.06, contrast=0.1, grain=0.004, exposure=1.02)


def _pull(canvas: Canvas, relief: Plane, paint: _Palette, bristle: Plane, stroke: _Stroke) -> None:
    """Lay one stroke over the canvas and its relief, in place."""
    height, width = relief.shape
    unit = float(np.sqrt(width * height))
    long, wide = stroke.long * unit, stroke.wide * unit
    cosine, sine = float(np.cos(stroke.turn)), float(np.sin(stroke.turn))
    t = np.linspace(-0.56, 0.56, 15)
    sag = -stroke.bend * 4 * (t**2 - 0.08)
    spine = np.array(stroke.middle) * (width, height) + long * (
        t[:, None] * (cosine, sine) + sag[:, None] * (-sine, cosine)
    )
    left, right = int(spine[:, 0].min() - 0.7 * wide), int(spine[:, 0].max() + 0.7 * wide)
    left, right = max(0, left), min(width, right)
    first, last = int(spine[:, 1].min() - 0.7 * wide), int(spine[:, 1].max() + 0.7 * wide)
    dark, light = paint(stroke.colours[0]), paint(stroke.colours[1])
    x = (np.arange(left, right, dtype=np.float32) - stroke.middle[0] * width)[None, :]
    for top in range(max(0, first), min(height, last), _STRIP_ROWS):
        bottom = min(top + _STRIP_ROWS, height, last)
        y = (np.arange(top, bottom, dtype=np.float32) - stroke.middle[1] * height)[:, None]
        along = x * (cosine / long) + y * (sine / long)
        across = y * (cosine / long) - x * (sine / long)
        across += 4 * stroke.bend * (along * along - 0.08)
        across *= 2 * stroke.long / stroke.wide
        inside = np.flatnonzero((np.abs(across) < 1.06) & (np.abs(along) < 0.56))
        if not len(inside):
            continue
        along, across = along.take(inside), across.take(inside)
        fine = stroke.wide * 2100
        hair = _sample(bristle, across * fine + stroke.seed * 37.7, along * (stroke.long * 42))
        lump = _sample(
            bristle, across * (fine * 0.2) + 91, along * (stroke.long * 30) + stroke.seed
        )
        dry = stroke.load * (0.62 - along) - 0.05 + 0.30 * lump + 0.26 * hair
        dry -= 0.55 * _smooth(0.8, 1.06, np.abs(across))
        start = _smooth(-0.52, -0.485, along + 0.018 * hair + 0.02 * lump)
        cover = _smooth(0.18, 0.36, dry) * start * _smooth(1.05, 0.97, np.abs(across) + 0.03 * lump)
        share = np.clip(0.5 + 0.28 * lump + 0.22 * hair, 0, 1)
        colour = _lit((1 - share, dark), (share, light))
        # One flat index is several times quicker than a row and a column.
        row = inside // (right - left)
        inside += row * (width - right + left) + left
        patch, high = canvas[top:bottom].reshape(-1, 3), relief[top:bottom].reshape(-1)
        under = patch.take(inside, axis=0)
        _mix(under, colour, cover)
        patch[inside] = under
        body = 0.6 + 0.34 * hair + 0.3 * lump
        body += 0.8 * np.exp(np.square(np.abs(across) - 0.97) * -400)
        below = high.take(inside)
        high[inside] = below + (body - 0.65 * below) * cover


def _swell_map(size: int, cell_m: float) -> Plane:
    """Return heights in metres of a sea that runs towards the camera and a little across."""
    random = np.random.default_rng(801)
    away = (np.arange(size, dtype=np.float32) * cell_m)[:, None]
    east = ((np.arange(size, dtype=np.float32) - size / 2) * cell_m)[None, :]
    heights = np.zeros((size, size), dtype=np.float32)
    for number in range(26):
        length = 46.0 * 0.86**number + 2.2
        turn = 0.32 + 0.34 * random.standard_normal()
        wave = 2 * np.pi / length
        phase = wave * (east * float(np.sin(turn)) + away * float(np.cos(turn)))
        phase += 6.2832 * random.random()
        # A real wave is peaked: its crest is narrower than its trough.
        heights += 0.017 * length * (np.exp(1.1 * (np.sin(phase) - 1)) - 0.42)
    gusts = _fractal((size, size), 70 / cell_m, 802, gain=0.4, finest=20 / cell_m)
    return heights * (0.8 + 0.4 * gusts)


def _cloud_light(y: Plane, x: Plane, cloud: Plane) -> Plane:
    """Return the brightness of a sky with a break in its clouds.

    Args:
        y: Height over the horizon, 0 at the horizon and 1 at the picture's upper edge.
        x: Place across from the break, in picture heights.
        cloud: Cloud cover, about -2 … 2.
    """
    # The break is seen through the clouds; their edges towards it catch its light.
    open_ = np.exp(-((x / 0.55) ** 2) - ((y - 0.34) / 0.30) ** 2)
    low = np.exp(-y / 0.10) * np.exp(-((x / 1.1) ** 2))
    thin = _smooth(1.3, -1.5, cloud)
    bright = (
        0.05 + 0.13 * thin + open_ * (0.16 + 0.85 * thin**1.6) + 0.42 * low * (0.4 + 0.6 * thin)
    )
    return np.asarray(bright * (1 - 0.35 * y))


def _sea(width: int, height: int, space: str = "adobe-rgb") -> Pixels:
    """Heavy sea under a break in the clouds, in one cold and one warm tone."""
    paint = _Palette(space)
    grey = np.zeros((height, width), dtype=np.float32)
    view = _View(eye_m=7.5, horizon=0.47, focal=0.95, near_m=11.0, far_m=510.0)
    x = (np.arange(width, dtype=np.float32)[None, :] + 0.5 - 0.6 * width) / height
    _stormy_sky(grey[: int(0.56 * height)], view.horizon * height, x)
    _waves(grey, view, x)
    _lighthouse(grey, view.horizon * height)
    tones = paint.ramp(
        (0, "#05080b"),
        (0.2, "#232b32"),
        (0.45, "#5d646a"),
        (0.7, "#a6a39c"),
        (0.9, "#e3dccd"),
        (1, "#f7f1e3"),
    )
    canvas = np.empty((height, width, 3), dtype=np.float32)
    for top in range(0, height, _STRIP_ROWS):
        rows = slice(top, top + _STRIP_ROWS)
        canvas[rows] = _look_up(tones, np.sqrt(np.clip(grey[rows] * 1.35, 0, 1)))
    return _finish(canvas, space, 804, vignette=0.4, contrast=0.35, grain=0.006)


def _waves(grey: Plane, view: _View, x: Plane) -> None:
    """Draw the waves, in place; `x` is the place across from the break, in picture heights."""
    height, width = grey.shape
    cell_m, size = 0.4, 1280
    heights = _swell_map(size, cell_m)
    tilts = [np.gradient(heights, cell_m, axis=axis) for axis in (1, 0)]
    ground = _see(view, heights, cell_m, width, height)
    chop = _tile(1024, 803, slope=1.5, coarsest=9)
    sun = 0.1 / view.focal
    across = x * (height / (view.focal * width)) + sun
    for top in range(int(0.40 * height), height, _STRIP_ROWS):
        strip = grey[top : top + _STRIP_ROWS]
        found = ground.away_m[top : top + len(strip)]
        seen = np.isfinite(found)
        if not seen.any():
            continue
        away = np.where(seen, found, np.float32(view.far_m))
        east = across * away
        high, east_slope, away_slope = _sample_map(
            [heights, *tilts], away / cell_m, east / cell_m + size / 2
        )
        calm = 1 / (1 + away / 130)
        small = _sample(chop, away * 21 + east * 6, east * 30 - away * 4)
        tiny = _sample(chop, away * 95 + east * 30, east * 130)
        slopes = (
            east_slope + calm * (0.10 * small + 0.06 * tiny),
            away_slope + calm * (0.07 * small - 0.05 * tiny),
        )
        strip[seen] = _water((view.eye_m, away, across + 0 * away), slopes, sun)[seen]
        crest = high - 0.35 * np.abs(small) + 0.55 * small
        foam = _smooth(0.8, 2.6, crest) * _smooth(-1.2, 1.8, tiny + 0.8 * small)
        foam *= 0.8 * _smooth(420.0, 60.0, away) * seen
        strip += foam * (0.34 + 0.5 * np.exp(-(((across - sun) / 0.25) ** 2)) - strip)
        haze = seen * (1 - np.exp(-((away / 380) ** 2)))
        strip += haze * (_far_sea(x) - strip)
    _soften_ridges(grey[..., None], ground)


def _water(place: tuple[float, Plane, Plane], slopes: tuple[Plane, Plane], sun: float) -> Plane:
    """Return the brightness of water: the sky it mirrors, and its own darkness.

    Args:
        place: Height of the eye and, for each pixel, distance and tangent across.
        slopes: Slope of the water to the east and away.
        sun: Tangent across of the break in the clouds.
    """
    eye, away, across = place
    east_slope, away_slope = slopes
    up = 1 / np.sqrt(1 + east_slope * east_slope + away_slope * away_slope)
    long = 1 / np.sqrt(1 + across * across + (eye / away) ** 2)
    look = (across * long, -eye / away * long, long)
    facing = -(look[0] * -east_slope + look[1] - look[2] * away_slope) * up
    np.clip(facing, 0.0, 1, out=facing)
    fresnel = 0.02 + 0.98 * (1 - facing) ** 5
    mirror_up = np.abs(look[1] + 2 * facing * up)
    mirror_east = look[0] - 2 * facing * east_slope * up
    mirror_away = np.maximum(look[2] - 2 * facing * away_slope * up, 0.05)
    sky = _cloud_light(
        np.minimum(mirror_up / mirror_away * 1.1, 3.0),
        1.9 * (mirror_east / mirror_away - sun),
        np.float32(-0.1) * np.ones(1, dtype=np.float32),
    )
    return np.asarray(0.012 + 0.035 * np.clip(0.3 - away_slope, 0, 1) + fresnel * sky * 1.25)


def _stormy_sky(grey: Plane, level: float, x: Plane) -> None:
    """Fill the sky above row `level` with clouds and shafts of light, in place."""
    tile = _tile(1024, 811, slope=1.75, coarsest=3)
    for top in range(0, len(grey), _STRIP_ROWS):
        strip = grey[top : top + _STRIP_ROWS]
        rows = np.arange(top, top + len(strip), dtype=np.float32)[:, None] + 0.5
        y = np.maximum((level - rows) / level, 0.0)
        # Clouds lie in a layer: they crowd together towards the horizon.
        away = 1 / (y + 0.14)
        warp = _sample(tile, away * 60 + 300 + 0 * x, x * away * 36)
        cloud = _sample(tile, away * 95 + 16 * warp, x * away * 55 + 22 * warp)
        cloud += 0.32 * _sample(tile, away * 330 + 30 * warp, x * away * 210)
        strip[:] = _cloud_light(y, x, cloud + 0.25)
        turn = x / (np.abs(rows - 0.30 * level) / level + 0.12)
        shaft = _sample(tile, turn * 26 + 600, 0 * turn + 40)
        fall = _smooth(0.55, 0.30, y) * np.exp(-((x / 0.8) ** 2))
        strip += 0.10 * fall * _smooth(-0.2, 1.6, shaft)
        # Beyond the last waves that can be told apart the sea is a plain dark band.
        beyond = np.clip(rows - level, 0, 1)
        streak = _sample(tile, rows * (900 / level), x * 12 + 0 * rows)
        far = _far_sea(x) * (0.82 + 0.07 * streak)
        strip += beyond * (far - strip)


def _far_sea(x: Plane) -> Plane:
    """Return the brightness of the sea near the horizon, `x` picture heights from the break."""
    return np.asarray(0.06 + 0.20 * np.exp(-((x / 0.75) ** 2)))


def _lighthouse(grey: Plane, level: float) -> None:
    """Draw a skerry with a lighthouse on the horizon, in place."""
    height, width = grey.shape
    left, right = int(0.115 * width), int(0.34 * width)
    top, bottom = int(level - 0.2 * height), int(level + 0.02 * height)
    box = grey[top:bottom, left:right]
    rock = _fractal((1, box.shape[1]), height * 0.07, 821, gain=0.55)[0]
    t = np.linspace(-1, 1, box.shape[1], dtype=np.float32)
    rise = height * (0.040 * np.clip(1 - t**2, 0, 1) ** 0.8 + 0.016 * rock * (1 - t**2) - 0.004)
    rows = (np.arange(top, bottom, dtype=np.float32) + 0.5)[:, None]
    texture = _fractal(box.shape, height * 0.012, 822, gain=0.7, stretch=1.6)
    mask = np.clip(rise - (level + 0.004 * height - rows), 0, 1)
    mask *= np.clip((level + 0.006 * height * (1 + 0.5 * rock) - rows), 0, 1)
    box += mask * (0.018 + 0.012 * texture - box)
    surf = np.exp(-(((rows - level - 0.004 * height) / (0.0045 * height)) ** 2))
    box += surf * np.clip(0.55 + texture, 0, 1) * (1 - t**2) * (0.45 - box)
    tower = np.zeros_like(box)
    x, foot = 0.52 * box.shape[1], level - 0.036 * height - top
    tip = foot - 0.095 * height
    _stroke(tower, np.array([(x, foot, 0.0085 * height), (x, tip, 0.0055 * height)]))
    box += tower * (0.10 + 0.05 * (t[None, :] > t[int(x)]) - box)
    trim = np.zeros_like(box)
    for y, wide, thick in (
        (tip - 0.002 * height, 0.0085, 0.0012),
        (tip - 0.016 * height, 0.007, 0.0014),
    ):
        _stroke(
            trim,
            np.array(
                [(x - wide * height, y, thick * height), (x + wide * height, y, thick * height)]
            ),
        )
    _stroke(
        trim,
        np.array(
            [(x, tip - 0.016 * height, 0.0055 * height), (x, tip - 0.022 * height, 0.001 * height)]
        ),
    )
    for band in (0.25, 0.62):
        y = foot + (tip - foot) * band
        wide = (0.0085 - 0.003 * band) * height
        _stroke(trim, np.array([(x - wide, y, 0.006 * height), (x + wide, y, 0.006 * height)]))
    trim *= np.maximum(tower, rows < tip + top)
    box += trim * (0.02 - box)
    _lamp(
        box[..., None],
        (x, tip - 0.009 * height),
        0.0048 * height,
        np.array([1.6], dtype=np.float32),
    )
    _lamp(
        box[..., None], (x, tip - 0.009 * height), 0.02 * height, np.array([0.12], dtype=np.float32)
    )


def _petal(
    canvas: Canvas,
    paint: _Palette,
    crinkle: Plane,
    base: tuple[float, float],
    fan: tuple[float, float, float, float],
    look: tuple[float, float, float],
) -> None:
    """Draw one poppy petal, in place.

    Args:
        canvas: The scene.
        paint: Colours of the scene's space.
        crinkle: Repeating noise for folds and edges.
        base: Where the petal is fixed, in px.
        fan: Direction in radians (0 right, clockwise), half its angle, radius in px, and the
            factor by which its height is foreshortened.
        look: Softness of its edge in px, light that falls on it, and a number of its own.
    """
    direction, spread, radius, flat = fan
    soft, light, number = look
    left, top, right, bottom = _petal_box(canvas, base, fan, soft)
    if left >= right or top >= bottom:
        return
    x = (np.arange(left, right, dtype=np.float32) + 0.5 - base[0])[None, :] / radius
    y = (np.arange(top, bottom, dtype=np.float32) + 0.5 - base[1])[:, None] / (radius * flat)
    out = np.hypot(x, y)
    turn = (
        np.arctan2(
            y * float(np.cos(direction)) - x * float(np.sin(direction)),
            x * float(np.cos(direction)) + y * float(np.sin(direction)),
        )
        / spread
    )
    fold = _sample(crinkle, turn * 34 + number * 71, out * 9 + number * 13)
    edge = (0.97 - 0.30 * np.abs(turn) ** 3.2) * (1 + 0.035 * fold)
    softness = max(soft, 0.9) / radius
    inside = (edge - out) / softness + 0.5
    sides = (1.0 - np.abs(turn)) * out * spread / softness + 0.6
    cover = np.clip(np.minimum(inside, sides), 0, 1)
    touched = np.nonzero(cover > 0.004)
    if not len(touched[0]):
        return
    cover, out, turn, fold = cover[touched], out[touched], turn[touched], fold[touched]
    # Light shines through: thin towards the rim, dark where petals are fixed and where they fold.
    through = light * (0.34 + 0.75 * _smooth(0.15, 1.0, out)) * (1 + 0.13 * fold)
    through *= 0.72 + 0.28 * (1 - np.abs(turn) ** 2)
    blot = _smooth(0.34, 0.14, out + 0.03 * fold)
    share = _smooth(0.7, 1.25, through)
    colour = _lit(
        (through * (1 - share) * (1 - blot), paint("#d81e10", 1.0, 1.15)),
        (through * share * (1 - blot), paint("#f8431f", 1.0, 1.1)),
        (blot, paint("#170c14")),
    )
    patch = canvas[top:bottom, left:right]
    under = patch[touched]
    patch[touched] = under + (colour - under) * cover[:, None]


def _petal_box(
    canvas: Canvas,
    base: tuple[float, float],
    fan: tuple[float, float, float, float],
    soft: float,
) -> tuple[int, int, int, int]:
    """The part of the canvas that a petal can reach: left, top, right and bottom, px."""
    direction, spread, radius, flat = fan
    rays = direction + 1.15 * spread * np.linspace(-1, 1, 13)
    far_x = np.append(1.1 * radius * np.cos(rays), 0) + base[0]
    far_y = np.append(1.1 * radius * flat * np.sin(rays), 0) + base[1]
    reach = 1.2 * soft + 2
    left, right = max(0, int(far_x.min() - reach)), min(canvas.shape[1], int(far_x.max() + reach))
    top, bottom = max(0, int(far_y.min() - reach)), min(canvas.shape[0], int(far_y.max() + reach))
    return left, top, right, bottom


def _poppy(
    canvas: Canvas,
    paint: _Palette,
    crinkle: Plane,
    place: tuple[float, float, float],
    soft: float,
    number: int,
) -> None:
    """Draw one poppy at `(x, y, radius)` in px, seen from the side or from a little above."""
    x, y, radius = place
    random = np.random.default_rng(900 + number)
    up = -np.pi / 2 + 0.22 * random.standard_normal()
    own = float(number % 97)
    # Each petal: direction, half its angle, length, foreshortening, light.
    petals: list[tuple[float, float, float, float, float]]
    if number % 3:
        low = (x, y + 0.42 * radius)
        petals = [
            (up - 0.62, 0.80, 1.02, 0.95, 0.80),
            (up + 0.55, 0.82, 1.06, 0.95, 0.90),
            (up + 0.08, 0.72, 1.12, 0.95, 1.00),
            (up - 0.36, 0.86, 0.80, 0.90, 1.12),
            (up + 0.45, 0.80, 0.72, 0.90, 1.22),
        ]
    else:
        low = (x, y)
        petals = [
            (up - 0.1, 0.95, 0.98, 0.62, 0.85),
            (up + 1.6, 0.92, 1.0, 0.62, 1.0),
            (up - 1.6, 0.92, 1.02, 0.62, 0.95),
            (up + 3.1, 1.0, 1.0, 0.55, 1.2),
        ]
    for index, (direction, spread, long, flat, light) in enumerate(petals):
        fan = (direction, spread, radius * long, flat)
        _petal(canvas, paint, crinkle, low, fan, (soft, light, own + 7.7 * index))
    if number % 3 == 0 and radius > 12:
        heart = np.zeros((int(1.4 * radius), int(1.4 * radius)), dtype=np.float32)
        middle = 0.7 * radius
        for angle in np.linspace(0, 6.1, 26):
            long = radius * (0.26 + 0.06 * random.standard_normal())
            tip = (middle + long * np.cos(angle), middle + 0.6 * long * np.sin(angle))
            _stroke(heart, np.array([(middle, middle, 0.01 * radius), (*tip, 0.012 * radius)]))
            _stroke(heart, np.array([(*tip, 0.026 * radius), (tip[0] + 1, tip[1], 0.026 * radius)]))
        top, left = int(low[1] - middle), int(low[0] - middle)
        if top >= 0 and left >= 0:
            patch = canvas[top : top + len(heart), left : left + heart.shape[1]]
            heart = heart[: patch.shape[0], : patch.shape[1]]
            _mix(patch, paint("#120a10"), _blur(heart, soft) if soft > 2 else heart)
            _lamp(canvas, low, 0.10 * radius, paint("#5d6a35", 0.5))


def _poppies(width: int, height: int, space: str = "display-p3") -> Pixels:
    """Poppies against the evening sun, the near and the far ones out of focus."""
    paint = _Palette(space)
    canvas = np.zeros((height, width, 3), dtype=np.float32)
    crinkle = _tile(512, 901, slope=1.5, coarsest=7)
    _evening_field(canvas, paint, crinkle)
    random = np.random.default_rng(902)
    number = 0
    # Rows of flowers: where they stand, how many, how large, how far out of focus.
    for low, high, count, size, soft, grass in (
        (0.40, 0.47, 115, 0.0065, 0.0022, 60),
        (0.46, 0.57, 72, 0.0125, 0.0022, 110),
        (0.56, 0.70, 26, 0.024, 0.0016, 180),
        (0.70, 0.86, 10, 0.034, 0.0007, 200),
    ):
        _grass(canvas, paint, (high, size, soft, grass), random)
        places = np.sort(low + (high - low) * random.random(count))
        for y in places.tolist():
            x = random.random()
            radius = size * height * (0.75 + 0.5 * random.random())
            _stem(canvas, paint, (x * width, y * height, radius), soft * height, random)
            _poppy(canvas, paint, crinkle, (x * width, y * height, radius), soft * height, number)
            number += 1
    _grass(canvas, paint, (0.99, 0.042, 0.0004, 180), random)
    for x, y, size, kind in (
        (0.17, 0.535, 0.050, 31),
        (0.80, 0.49, 0.056, 32),
        (0.60, 0.70, 0.052, 39),
        (0.345, 0.415, 0.072, 34),
    ):
        place = (x * width, y * height, size * height)
        _stem(canvas, paint, place, 0.0, random)
        _poppy(canvas, paint, crinkle, place, 0.0, kind)
    _grass(canvas, paint, (1.08, 0.075, 0.010, 30), random)
    for x, y, size, kind in (
        (0.03, 0.96, 0.12, 41),
        (0.93, 0.985, 0.14, 42),
        (0.52, 1.05, 0.11, 43),
    ):
        place = (x * width, y * height, size * height)
        _poppy(canvas, paint, crinkle, place, 0.028 * height, kind)
    return _finish(canvas, space, 903, vignette=0.25, contrast=0.25, grain=0.005)


def _evening_field(canvas: Canvas, paint: _Palette, crinkle: Plane) -> None:
    """Fill the canvas with an evening sky, a far wood and the blurred far field, in place."""
    height, width = canvas.shape[:2]
    aspect = width / height
    x = ((np.arange(width, dtype=np.float32) + 0.5) / width)[None, :]
    sky = paint.ramp((0, "#9fb6cc"), (0.45, "#cfd0c9"), (0.8, "#f3dcb4"), (1, "#fde3ae"))
    land = paint.ramp((0, "#2c3a17"), (0.4, "#5b6a2a"), (0.75, "#8f8a3e"), (1, "#c2a95a"))
    glow = paint("#ffd28a", 0.55)
    clouds = _fractal(
        (int(0.36 * height), width), height * 0.10, 911, stretch=4.5, gain=0.5, finest=6
    )
    for top in range(0, height, _STRIP_ROWS):
        strip = canvas[top : top + _STRIP_ROWS]
        y = ((np.arange(top, top + len(strip), dtype=np.float32) + 0.5) / height)[:, None]
        near_sun = np.exp(-np.hypot((x - 0.3) * aspect, (y - 0.31) * 0.9) / 0.13)
        if y[0, 0] < 0.35:
            air = clouds[top : top + len(strip)]
            part = strip[: len(air)]
            part[:] = _look_up(sky, y[: len(air)] / 0.34 + 0.10 * air * (0.4 - y[: len(air)]) / 0.3)
        if y[-1, 0] > 0.335:
            away = 0.34 / np.maximum(y - 0.335, 0.006)
            east = (x - 0.5) * away
            tuft = _sample(crinkle, away * 30 + 3 * east, east * 40)
            bloom = _sample(crinkle, away * 24 + 150, east * 26 + 77)
            tone = 0.46 + 0.09 * tuft + 0.33 * np.exp(-(y - 0.335) / 0.05) - 0.36 * (y - 0.335)
            ground = _look_up(land, tone)
            red = _smooth(0.15, 1.2, bloom) * np.exp(-(((y - 0.37) / 0.07) ** 2))
            _mix(ground, paint("#d8341f", 0.95), 0.8 * red)
            _dim(ground, 0.62 + 0.6 * np.exp(-(((x - 0.3) * aspect) ** 2) / 0.12))
            _mix(strip, ground, _smooth(0.335, 0.3385, y) + 0 * x)
        _brighten(strip, near_sun, glow)
    for seed, level, tall, colour, soft in (
        (921, 0.315, 0.016, "#a9a583", 1.4),
        (924, 0.33, 0.02, "#6f7650", 1.1),
    ):
        crowns = _fractal((1, width), height * 0.05, seed, gain=0.55, finest=height * 0.004)[0]
        first, last = int((level - 0.05) * height), int(0.345 * height)
        rows = ((np.arange(first, last, dtype=np.float32) + 0.5) / height)[:, None]
        cover = _smooth(-soft, soft, (rows - level + tall * crowns) * 240)
        cover *= _smooth(0.345, 0.337, rows)
        veil = 0.9 - 0.45 * np.exp(-np.abs(x - 0.3) / 0.16)
        _mix(canvas[first:last], paint(colour), cover * veil)


def _stem(
    canvas: Canvas,
    paint: _Palette,
    head: tuple[float, float, float],
    soft: float,
    random: np.random.Generator,
) -> None:
    """Draw the stem under a flower at `(x, y, radius)` in px, in place."""
    height, width = canvas.shape[:2]
    x, y, radius = head
    long = min(radius * 9.0, 1.05 * height - y)
    lean = 0.16 * random.standard_normal()
    t = np.linspace(0, 1, 16)
    line = np.stack(
        [
            x + long * (lean * t**1.5 + 0.03 * np.sin(5 * t + x)),
            y + 0.4 * radius + long * t,
            np.full(16, max(0.035 * radius, 0.5)),
        ],
        axis=-1,
    )
    left, right = (
        max(0, int(line[:, 0].min() - radius)),
        min(width, int(line[:, 0].max() + radius) + 1),
    )
    top, bottom = max(0, int(y)), min(height, int(y + long) + 2)
    if left >= right or top >= bottom:
        return
    mask = np.zeros((bottom - top, right - left), dtype=np.float32)
    line -= (left, top, 0)
    _stroke(mask, line)
    lit = np.zeros_like(mask)
    _stroke(lit, line * (1, 1, 0.35) - (0.022 * radius, 0, 0))
    if radius > 0.04 * height:
        for place in np.linspace(0.02, 0.9, 80):
            spot = int(place * 15)
            base = line[spot] + (line[spot + 1] - line[spot]) * (place * 15 - spot)
            side = 1 if random.random() < 0.5 else -1
            way = np.array([side * radius * 0.14, radius * 0.05 * random.standard_normal(), 0])
            hair = base + way
            _stroke(lit, np.array([base, hair]) * (1, 1, 0) + (0, 0, 0.4), 0.6)
    if soft > 2:
        mask = _blur(mask, soft)
    fade = np.linspace(1, 0.55, len(mask), dtype=np.float32)[:, None]
    _mix(canvas[top:bottom, left:right], paint("#55682a"), mask * fade)
    _mix(canvas[top:bottom, left:right], paint("#c9c27a"), 0.7 * lit * fade)


def _grass(
    canvas: Canvas,
    paint: _Palette,
    row: tuple[float, float, float, int],
    random: np.random.Generator,
) -> None:
    """Draw one row of grass, in place; `row` is foot, size, blur and number of blades."""
    height, width = canvas.shape[:2]
    foot, size, soft, count = row
    tall = size * 6.5
    top, bottom = (
        max(0, int((foot - 1.25 * tall) * height)),
        min(height, int((foot + 0.03) * height)),
    )
    t = np.linspace(0, 1, 8)
    for colour, light in (("#3a4a1b", 0.8), ("#7d8638", 0.95), ("#c9b868", 0.85)):
        mask = np.zeros((bottom - top, width), dtype=np.float32)
        for _ in range(count // 3):
            long = tall * height * (0.5 + 0.6 * random.random())
            lean = 0.22 * random.standard_normal()
            x, y = random.random() * width, (foot + 0.03 * random.random()) * height - top
            radius = size * height * 0.035 * (0.5 + random.random())
            bow = 0.5 * lean + 0.16 * random.standard_normal()
            blade = np.stack(
                [
                    x + long * (lean * t + bow * t**3),
                    y - long * (t - 0.3 * abs(bow) * t**3),
                    radius * (1.05 - t),
                ],
                axis=-1,
            )
            _stroke(mask, blade, 0.9)
        if soft * height > 1.5:
            mask = _blur(mask, soft * height)
        # The feet of the blades are lost in the shade of the others.
        rows = (np.arange(top, bottom, dtype=np.float32) / height)[:, None]
        _mix(
            canvas[top:bottom], paint(colour, light), mask * _smooth(foot, foot - 0.75 * tall, rows)
        )


class Scene(Protocol):
    """A picture: a function of its size and of the space that it is encoded in."""

    def __call__(self, width: int, height: int, space: str = ...) -> Pixels:
        """Return the encoded picture, shape (height, width, 3)."""


PICTURES: dict[str, Scene] = {
    "dunes": _dunes,
    "heron": _heron,
    "harbour": _harbour,
    "snow": _snow,
    "still-life": _still_life,
    "forest": _forest,
    "canyon": _canyon,
    "strokes": _strokes,
    "sea": _sea,
    "poppies": _poppies,
}
"""The pictures by name; each has its suggested space as the default of its last argument."""

SUGGESTED: dict[str, tuple[str, int, int]] = {
    "dunes": ("adobe-rgb", 3600, 2400),
    "heron": ("adobe-rgb", 3600, 2880),
    "harbour": ("display-p3", 3600, 2400),
    "snow": ("srgb", 2800, 2800),
    "still-life": ("romm", 3600, 2880),
    "forest": ("adobe-rgb", 3600, 2400),
    "canyon": ("romm", 3200, 4000),
    "strokes": ("display-p3", 2800, 2800),
    "sea": ("adobe-rgb", 4000, 2000),
    "poppies": ("display-p3", 2400, 3600),
}
"""Space, width and height in px that suit each picture."""


# --- Files ----------------------------------------------------------------------------------

Form = Literal["tiff16", "tiff8", "jpeg", "png16", "png8"]
"""How a picture is kept: container and bits."""


def camera_exif(*, orientation: int = 1, colour_space: int = 1) -> bytes:
    """Return the Exif block of a camera that does not exist, beginning with `Exif`.

    Args:
        orientation: Exif tag 274, 1 … 8.
        colour_space: Exif tag 40961: 1 is sRGB, 65535 uncalibrated (CIPA DC-008).
    """
    exif = Image.Exif()
    exif[271], exif[272], exif[274] = "Invented", "Invented camera", orientation
    exif.get_ifd(34665)[40961] = colour_space
    return exif.tobytes()


def write_picture(
    path: Path,
    pixels: Pixels,
    *,
    form: Form,
    profile: bytes | None,
    ppi: float,
    exif: bytes | None = None,
) -> None:
    """Write a picture as a careful photographer would save it.

    TIFF is uncompressed, JPEG has quality 96 and full colour resolution. Eight bits are rounded,
    not dithered.

    Args:
        path: Where to write; what is there is written over.
        pixels: Encoded picture, shape (height, width, 3).
        form: Container and bits.
        profile: Embedded as it is, sound or not; None leaves the picture untagged.
        ppi: Resolution tag.
        exif: An Exif block that begins with `Exif`, for JPEG and PNG.

    Raises:
        OSError, pyvips.Error: The file cannot be written.
        ValueError: `form` is unknown, or a TIFF was to have Exif, which its writer would drop.
    """
    if exif is not None and form.startswith("tiff"):
        raise ValueError("The TIFF writer keeps no Exif.")
    if form == "jpeg":
        # libvips writes no JFIF header, and so no resolution, unless it may add its own Exif.
        Image.fromarray(_to_eight(pixels)).save(
            path,
            "JPEG",
            quality=96,
            subsampling=0,
            optimize=True,
            dpi=(round(ppi), round(ppi)),
            icc_profile=profile,
            exif=exif or b"",
        )
        return
    image = _to_vips(pixels, ppi, profile, exif)
    if form in ("tiff8", "png8"):
        image = (image / 257).rint().cast("uchar").copy(interpretation="srgb")
    if form in ("tiff16", "tiff8"):
        image.tiffsave(str(path), compression="none", resunit="inch")
    elif form in ("png16", "png8"):
        image.pngsave(str(path), compression=3)
    else:
        raise ValueError(f"There is no form {form}.")


def _to_vips(
    pixels: Pixels, ppi: float, profile: bytes | None, exif: bytes | None = None
) -> pyvips.Image:
    """Return 16-bit pixels of 3 or 4 channels as an image with its tags."""
    height, width, channels = pixels.shape
    image = pyvips.Image.new_from_memory(
        np.ascontiguousarray(pixels).data, width, height, channels, "ushort"
    ).copy(interpretation="rgb16", xres=ppi / 25.4, yres=ppi / 25.4)
    for field, block in (("icc-profile-data", profile), ("exif-data", exif)):
        if block is not None:
            image.set_type(pyvips.GValue.blob_type, field, block)
    return image


def _to_eight(pixels: Pixels) -> NDArray[np.uint8]:
    """Return 16-bit codes rounded to 8 bits."""
    eight = np.empty(pixels.shape, dtype=np.uint8)
    for top in range(0, len(pixels), _STRIP_ROWS):
        strip = pixels[top : top + _STRIP_ROWS].astype(np.uint32)
        eight[top : top + _STRIP_ROWS] = (strip + 128) // 257
    return eight


def _plain_tiff(pixels: Pixels, ppi: float, profile: bytes | None) -> bytes:
    """Return an 8-bit TIFF whose directory comes first and whose rows follow uncompressed."""
    kept = io.BytesIO()
    image = Image.fromarray(_to_eight(pixels))
    image.save(kept, "TIFF", compression="raw", dpi=(ppi, ppi), icc_profile=profile)
    return kept.getvalue()


def _cut_short(content: bytes) -> bytes:
    """Return what an upload leaves behind that broke off at 60 %."""
    return content[: len(content) * 6 // 10]


def _bad_cmyk(path: Path, pixels: Pixels, profile: bytes | None, ppi: float) -> None:
    if profile is not None and profile[16:20] != b"CMYK":
        raise ValueError("A CMYK picture can only embed a CMYK profile.")
    ink = 255 - _to_eight(pixels)
    black = ink.min(axis=2, keepdims=True)
    # Two thirds of what the colours share is printed as black, as a press separation would.
    black = (black.astype(np.uint16) * 2 // 3).astype(np.uint8)
    image = Image.fromarray(np.concatenate([ink - black, black], axis=2), mode="CMYK")
    image.save(path, "TIFF", compression="raw", dpi=(ppi, ppi), icc_profile=profile)


def _bad_truncated_tiff(path: Path, pixels: Pixels, profile: bytes | None, ppi: float) -> None:
    path.write_bytes(_cut_short(_plain_tiff(pixels, ppi, profile)))


def _bad_truncated_jpeg(path: Path, pixels: Pixels, profile: bytes | None, ppi: float) -> None:
    write_picture(path, pixels, form="jpeg", profile=profile, ppi=ppi)
    path.write_bytes(_cut_short(path.read_bytes()))


def _bad_hole(path: Path, pixels: Pixels, profile: bytes | None, ppi: float) -> None:
    content = bytearray(_plain_tiff(pixels, ppi, profile))
    # A sync client that reserves the whole file first leaves whole blocks of the disk unfilled.
    first, last = len(content) * 45 // 100 & -4096, len(content) * 60 // 100 & -4096
    content[first:last] = bytes(last - first)
    path.write_bytes(content)


def _bad_png_named_tif(path: Path, pixels: Pixels, profile: bytes | None, ppi: float) -> None:
    image = _to_vips(pixels, ppi, profile)
    path.write_bytes(image.pngsave_buffer(compression=1))


def _bad_corrupt_profile(path: Path, pixels: Pixels, profile: bytes | None, ppi: float) -> None:
    if profile is None:
        raise ValueError("This kind needs a profile to break.")
    # Half of one is still embedded; noise without a header would be left out by libvips.
    write_picture(path, pixels, form="tiff16", profile=profile[: len(profile) // 2], ppi=ppi)


def _bad_untagged(path: Path, pixels: Pixels, profile: bytes | None, ppi: float) -> None:
    write_picture(path, pixels, form="tiff16", profile=None, ppi=ppi)


def _bad_transparent(path: Path, pixels: Pixels, profile: bytes | None, ppi: float) -> None:
    height, width = pixels.shape[:2]
    x = (np.arange(width, dtype=np.float32) / width - 0.5)[None, :]
    y = (np.arange(height, dtype=np.float32) / height - 0.5)[:, None]
    oval = _smooth(0.47, 0.40, np.hypot(x, y))
    for hole_x, hole_y in ((-0.2, -0.15), (0.18, 0.1)):
        oval *= _smooth(0.05, 0.06, np.hypot(x - hole_x, y - hole_y))
    alpha = (oval * 65535 + 0.5).astype(np.uint16)
    image = _to_vips(np.concatenate([pixels, alpha[..., None]], axis=2), ppi, profile)
    image.tiffsave(str(path), compression="deflate", resunit="inch")


def _bad_one_bit(path: Path, pixels: Pixels, profile: bytes | None, ppi: float) -> None:
    image = Image.fromarray(_to_eight(pixels)).convert("1")
    image.save(path, "TIFF", compression="group4", dpi=(ppi, ppi))


def _bad_printer_profile(path: Path, pixels: Pixels, profile: bytes | None, ppi: float) -> None:
    if profile is None or profile[12:16] != b"prtr":
        raise ValueError("This kind needs a printer's profile, of class prtr.")
    write_picture(path, pixels, form="tiff16", profile=profile, ppi=ppi)


def _bad_float32(path: Path, pixels: Pixels, profile: bytes | None, ppi: float) -> None:
    image = (_to_vips(pixels, ppi, profile) / 65535).cast("float")
    image.copy(interpretation="rgb").tiffsave(str(path), compression="none", resunit="inch")


_Writer = Callable[[Path, Pixels, "bytes | None", float], None]

_BAD_PICTURES: dict[str, tuple[str, _Writer]] = {
    "cmyk": ("strokes", _bad_cmyk),
    "truncated-tiff": ("canyon", _bad_truncated_tiff),
    "truncated-jpeg": ("still-life", _bad_truncated_jpeg),
    "hole": ("still-life", _bad_hole),
    "png-named-tif": ("harbour", _bad_png_named_tif),
    "corrupt-profile": ("harbour", _bad_corrupt_profile),
    "untagged": ("sea", _bad_untagged),
    "transparent": ("strokes", _bad_transparent),
    "one-bit": ("heron", _bad_one_bit),
    "printer-profile": ("still-life", _bad_printer_profile),
    "float32": ("canyon", _bad_float32),
}
"""Kinds of bad file that hold a picture: which one, and how it is spoilt."""

_LETTER = """\
Dear all,

please find the pictures for the spring show in the other folder; this is only the list.
The large one goes over the stairs, the two small ones side by side in the corridor.

Thank you!
"""

BAD_KINDS = (*_BAD_PICTURES, "zero-bytes", "not-a-picture", "bomb")
"""Everything that `write_bad_file` makes."""


def write_bad_file(
    kind: str,
    path: Path,
    profile: bytes | None,
    *,
    width: int = 3000,
    height: int = 2400,
    space: str = "srgb",
    ppi: float = 300,
) -> None:
    """Write a file with exactly one thing wrong.

    Args:
        kind: One of `BAD_KINDS`:
            `cmyk` (CMYK TIFF), `truncated-tiff` and `truncated-jpeg` (a good header, 60 % of the
            rows), `hole` (a TIFF of full length with blocks of zeros inside), `png-named-tif` (a
            PNG whatever its name says), `corrupt-profile` (half of `profile`), `untagged`,
            `transparent` (soft alpha with holes), `one-bit`, `printer-profile`, `float32`,
            `zero-bytes`, `not-a-picture` (a letter), `bomb` (a sound PNG of 60,000 × 60,000 in
            3.5 MB).
        path: Where to write; what is there is written over.
        profile: What to embed. `cmyk` takes a CMYK profile or None, `printer-profile` needs a
            printer's, `corrupt-profile` any; `untagged`, `one-bit` and the kinds without a
            picture ignore it.
        width: Width in px of the kinds that hold a picture.
        height: Height in px.
        space: Space that the pixels are encoded in.
        ppi: Resolution tag.

    Raises:
        KeyError: `kind` is unknown.
        ValueError: `profile` is not what the kind needs.
    """
    if kind == "zero-bytes":
        path.write_bytes(b"")
    elif kind == "not-a-picture":
        path.write_text(_LETTER, encoding="utf-8")
    elif kind == "bomb":
        path.write_bytes(_blank_png(60_000))
    else:
        name, write = _BAD_PICTURES[kind]
        write(path, PICTURES[name](width, height, space), profile, ppi)


def _blank_png(side: int) -> bytes:
    """Return a sound, black, 8-bit grey PNG of `side` × `side` px, in a thousandth of the bytes.

    A block of compressed zeros is repeated instead of compressing gigabytes of them. Each ends
    in a full flush (RFC 1951), so it stands alone and begins on a byte.
    """
    total = side * (side + 1)  # each row begins with a byte that names its filter
    block = 1 << 24
    packer = zlib.compressobj(9, zlib.DEFLATED, -15)
    repeated = packer.compress(bytes(block)) + packer.flush(zlib.Z_FULL_FLUSH)
    packer = zlib.compressobj(9, zlib.DEFLATED, -15)
    rest = packer.compress(bytes(total % block)) + packer.flush()
    # RFC 1950: Adler-32 of zeros is 1 in the low half and their number in the high half.
    check = struct.pack(">I", (total % 65521) << 16 | 1)
    stream = b"\x78\xda" + repeated * (total // block) + rest + check
    header = struct.pack(">IIBBBBB", side, side, 8, 0, 0, 0, 0)
    parts = [b"\x89PNG\r\n\x1a\n"]
    for name, body in ((b"IHDR", header), (b"IDAT", stream), (b"IEND", b"")):
        parts += [struct.pack(">I", len(body)), name, body]
        parts.append(struct.pack(">I", zlib.crc32(name + body)))
    return b"".join(parts)


def make_demo_file(task: dict[str, Any]) -> dict[str, str | int]:
    """Make one file of the demonstration.

    Args:
        task: `kind` (`picture` or `bad`), `name` of a picture or `bad` (a kind of bad file),
            `path`, and optionally `width` and `height` in px (0: as suggested), `form`, `space`
            (a working space; without it the suggested one), `profile_path` (embedded; without it
            the file is untagged), `ppi`, and `exif` (`camera`: as from a camera set to sRGB).

    Returns:
        `path` and the file's size, `bytes`.

    Raises:
        KeyError: A key is missing, or a picture, kind or space is unknown.
        OSError: The profile cannot be read or the file not be written.
        ValueError: Form or profile do not suit.
    """
    path = Path(task["path"])
    profile_path = task.get("profile_path")
    profile = Path(profile_path).read_bytes() if profile_path else None
    width, height, ppi = task.get("width"), task.get("height"), float(task.get("ppi") or 300)
    space = task.get("space")
    if task["kind"] == "bad":
        size = {"width": width, "height": height} if width and height else {}
        write_bad_file(task["bad"], path, profile, space=space or "srgb", ppi=ppi, **size)
    else:
        usual_space, usual_width, usual_height = SUGGESTED[task["name"]]
        draw = PICTURES[task["name"]]
        pixels = draw(width or usual_width, height or usual_height, space or usual_space)
        exif = camera_exif() if task.get("exif") == "camera" else None
        form: Form = task.get("form") or "tiff16"
        write_picture(path, pixels, form=form, profile=profile, ppi=ppi, exif=exif)
    return {"path": str(path), "bytes": path.stat().st_size}
