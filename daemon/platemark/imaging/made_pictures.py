"""Make the invented pictures, good and bad, that the demonstration drops.

Ten scenes are drawn from nothing but arithmetic: terrain seen in perspective, turned forms
under a window, brush strokes, reeds. Each is a function of width and height and of fixed
seeds, so the same call gives the same pixels on the same machine (another processor may
differ in the last bit of a float, hence by one code in 65,535). They are made in linear light
of their own colour space and encoded at the very end, as a careful photographer's files are.

This module imports numpy, Pillow and pyvips and so belongs to child processes only.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Plane = NDArray[np.float32]
"""Single-channel values, shape (height, width)."""

Canvas = NDArray[np.float32]
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


def _to_xyz(space: _Space) -> NDArray[np.float64]:
    """Return the 3 × 3 matrix from linear RGB to XYZ, white at Y = 1."""
    columns = np.array(
        [[x / y, 1.0, (1 - x - y) / y] for x, y in (space.red, space.green, space.blue)]
    ).T
    return columns * np.linalg.solve(columns, _white_xyz(space.white))


def _white_xyz(white: tuple[float, float]) -> NDArray[np.float64]:
    return np.array([white[0] / white[1], 1.0, (1 - white[0] - white[1]) / white[1]])


def _from_srgb(space: _Space) -> NDArray[np.float64]:
    """Return the 3 × 3 matrix from linear sRGB to linear `space`, white to white (Bradford)."""
    bradford = np.array(
        [[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]]
    )
    gains = (bradford @ _white_xyz(space.white)) / (bradford @ _white_xyz(_D65))
    adapt = np.linalg.solve(bradford, gains[:, None] * bradford)
    return np.linalg.solve(_to_xyz(space), adapt @ _to_xyz(SPACES["srgb"]))


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

    def __call__(self, colour: str, gain: float = 1.0, vivid: float = 1.0) -> Canvas:
        """Return a linear colour, shape (3,).

        Args:
            colour: `#rrggbb` in sRGB.
            gain: Factor on its light, above 1 for what shines.
            vivid: Factor on its distance from grey; above 1 it may leave sRGB.
        """
        code = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)]) / 255
        linear = np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4)
        grey = linear @ np.array([0.2126, 0.7152, 0.0722])
        turned = self._matrix @ (grey + (linear - grey) * vivid)
        return np.asarray(np.maximum(turned, 0.0) * gain, dtype=np.float32)

    def ramp(self, *stops: tuple[float, str] | tuple[float, str, float]) -> Canvas:
        """Return 1,024 colours, shape (1024, 3), through `(position, colour[, gain])` stops."""
        places = [stop[0] for stop in stops]
        colours = np.array(
            [self(stop[1], stop[2] if len(stop) == 3 else 1.0) for stop in stops]
        )
        steps = np.linspace(0, 1, 1024)
        # Between the stops the cube root is mixed, which the eye takes for an even change.
        roots = [np.interp(steps, places, np.cbrt(colours[:, i])) ** 3 for i in range(3)]
        return np.stack(roots, axis=-1).astype(np.float32)


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
    grain: float = 0.006,
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
        strip *= lost[..., None]
        index = np.minimum(np.sqrt(strip) * (65535 / 4), 65535).astype(np.int32)
        value = table.take(index)
        speckle = random.standard_normal((rows + 1, width + 1), dtype=np.float32)
        soft = speckle[1:, 1:] + speckle[:-1, 1:] + speckle[1:, :-1] + speckle[:-1, :-1]
        # Grain shows most in the middle tones, least in paper white and deep black.
        weight = grain * (0.35 + 2.6 * value[..., 1] * (1 - value[..., 1]))
        value += (soft * (0.5 * weight))[..., None]
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


def _spline_weights(places: NDArray[np.float64], nodes: int) -> Plane:
    """Return cubic B-spline weights, shape (places, nodes); place 0 is the second node."""
    whole = np.floor(places).astype(np.int64)
    t = places - whole
    weights = np.zeros((len(places), nodes), dtype=np.float32)
    row = np.arange(len(places))
    taps = (
        (1 - t) ** 3,
        3 * t**3 - 6 * t**2 + 4,
        -3 * t**3 + 3 * t**2 + 3 * t + 1,
        t**3,
    )
    for offset, tap in enumerate(taps):
        weights[row, whole + offset] = tap / 6
    return weights


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
        weights = []
        for n, step, cell in zip(count, steps, cells, strict=True):
            place = (np.arange(n) - margin) * (step / cell) + 8.0
            weights.append(_spline_weights(place, int(place[-1]) + 4))
        nodes = _lattice(weights[0].shape[1], weights[1].shape[1], seed)
        return np.asarray(weights[0] @ nodes @ weights[1].T, dtype=np.float32)
    # Narrow ones lie on the grid itself, which is far quicker.
    halvings = [min(2, int(np.log2(c / s))) if c > s else 0 for c, s in zip(cells, steps, strict=True)]
    grid = _lattice(*[-(-n // 2**k) + 4 for n, k in zip(count, halvings, strict=True)], seed)
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
    grid = np.zeros([-(-n // s) + 2 * margin for n, s in zip(shape, steps, strict=True)], np.float32)
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
    down = row - whole_row
    across = column - whole_column
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
    return small[at : at + plane.shape[0], at : at + plane.shape[1]]


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
    rows = np.arange(height)[:, None]
    for left in range(0, width, 128):
        across = np.arange(left, min(left + 128, width), dtype=np.float32) + 0.5 - width / 2
        east = across[None, :] * (distance / focal_px)
        (ground,) = _sample_map(
            [heights], np.broadcast_to(distance / cell_m, east.shape), east / cell_m + heights.shape[1] / 2
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
    rise = heights + np.arange(heights.shape[1], dtype=np.float32) * (slope * cell_m)
    # Seen along the light, a point is in shadow when anything sunward stands higher.
    level = heights - np.arange(heights.shape[1], dtype=np.float32) * (slope * cell_m)
    del rise
    blocked = np.maximum.accumulate(level[:, ::-1], axis=1)[:, ::-1]
    return 1 - _smooth(0.0, soft_m, blocked - level)
