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
        along = np.clip((x * dx + y * dy) * (1 / max(dx * dx + dy * dy, 1e-6)), 0, 1)
        apart = np.hypot(x - dx * along, y - dy * along)
        radius = r0 + (r1 - r0) * along
        # A line thinner than a pixel is drawn as a fainter pixel.
        cover = np.clip(radius + 0.5 - apart, 0, 1) * np.minimum(1, 0.35 + 1.3 * radius) * strength
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


def _dunes(width: int, height: int) -> Pixels:
    """Dunes at dawn: a low sun from the right, blue shadow on the lee, ripples at one's feet."""
    paint = _Palette("adobe-rgb")
    cell_m = 0.35
    heights = _dune_map(1536, cell_m)
    slope_east = np.gradient(heights, cell_m, axis=1)
    slope_away = np.gradient(heights, cell_m, axis=0)
    sun = _cast_shadows(heights, cell_m, 0.21, 0.35)
    view = _View(eye_m=21.0, horizon=0.27, focal=1.3, near_m=9.0, far_m=520.0)
    ground = _see(view, heights, cell_m, width, height)
    ripple = _tile(512, 5, slope=2.0, coarsest=3)
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
            warm = facing[..., None] * paint("#ffb673", 3.1)
            cool = (0.2 + 0.8 * up)[..., None] * paint("#7d97d6", 0.34)
            sand = paint("#d9a066") * (warm + cool + paint("#e8a878", 0.05))
            haze = 1 - np.exp(-away / 560)
            _mix(sand, np.broadcast_to(paint("#e9c4a2"), sand.shape), haze)
            strip[seen] = sand[seen]
        canvas[top : top + len(away)] = strip
    _soften_ridges(canvas, ground)
    return _finish(canvas, "adobe-rgb", 101, vignette=0.3, contrast=0.3)


_HERON = (
    # Each part: places of (x, y, radius) in heights of the bird, feet at the origin.
    ((-0.095, -0.615, 0.046), (-0.055, -0.585, 0.066), (0.0, -0.548, 0.08), (0.07, -0.503, 0.07),
     (0.14, -0.455, 0.046), (0.2, -0.415, 0.022), (0.255, -0.382, 0.004)),
    ((-0.03, -0.575, 0.07), (-0.085, -0.62, 0.05), (-0.108, -0.67, 0.032), (-0.094, -0.73, 0.023),
     (-0.060, -0.79, 0.019), (-0.053, -0.855, 0.0185), (-0.088, -0.915, 0.022),
     (-0.130, -0.933, 0.0225), (-0.155, -0.930, 0.016)),
    ((-0.135, -0.933, 0.0205), (-0.18, -0.926, 0.0105), (-0.23, -0.918, 0.006),
     (-0.285, -0.910, 0.001)),
    ((-0.10, -0.945, 0.0125), (-0.05, -0.938, 0.0065), (0.0, -0.915, 0.003), (0.03, -0.89, 0.001)),
    ((-0.11, -0.62, 0.018), (-0.125, -0.57, 0.008), (-0.128, -0.53, 0.001)),
    ((-0.085, -0.59, 0.022), (-0.098, -0.53, 0.008), (-0.096, -0.485, 0.001)),
    ((0.03, -0.48, 0.026), (0.033, -0.41, 0.0115), (0.028, -0.27, 0.0075), (0.030, -0.255, 0.009),
     (0.034, -0.24, 0.007), (0.036, -0.02, 0.006), (0.01, 0.004, 0.004)),
    ((0.075, -0.47, 0.024), (0.08, -0.40, 0.011), (0.098, -0.265, 0.0075), (0.098, -0.25, 0.009),
     (0.094, -0.235, 0.007), (0.084, -0.01, 0.006), (0.06, 0.012, 0.004)),
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
        line[:, 0] = (spread if left else 1 - 0.6 * spread) * width + (lean * t + bow * t**3.2) * height
        line[:, 1] = (base - tall * (t - 0.42 * bow / tall * t**4)) * height
        line[:, 2] = radius * np.clip(1.15 - t**1.6, 0.12, 1) if not flower else radius * 0.8
        _stroke(mask, line)
        if flower:
            x, y = line[-1, :2]
            tilt = (line[-1, 0] - line[-4, 0]) / (line[-4, 1] - line[-1, 1])
            head = [(x + tilt * d * height, y - d * height, radius * r) for d, r in (
                (-0.002, 2.2), (0.001, 2.9), (0.03, 2.8), (0.033, 1.9), (0.035, 0.6), (0.055, 0.3))]
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
        source = level - 1 - depth * (level / below * 0.97) + sway * (2.2 * ripple[rows] + wide[rows])
        aside = columns + sway * 0.35 * ripple[rows]
        row = np.clip(source, 0, level - 1).astype(np.int32)
        column = np.clip(aside, 0, width - 1).astype(np.int32)
        canvas[level + rows.start : level + rows.stop] = canvas[row, column]


def _heron(width: int, height: int) -> Pixels:
    """A heron among reeds at the edge of a lake, in the mist before the sun is warm."""
    paint = _Palette("adobe-rgb")
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
    canvas[:level] += glow[..., None] * paint("#ffdcae", 0.55)
    for seed, top, tall, colour, soft in (
        (71, 0.85, 0.06, "#b9bdbb", 0.9),
        (76, 0.91, 0.08, "#98a3a6", 0.6),
        (73, 1.0, 0.16, "#64737a", 0.35),
    ):
        _treeline(canvas[:level], paint(colour), top, tall, seed, soft)
    _mirror(canvas, level, 81, 0.006)
    lower = canvas[level:]
    depth = np.linspace(0, 1, height - level, dtype=np.float32)[:, None]
    lower *= (0.93 - 0.5 * depth**1.3)[..., None]
    streaks = _fractal(lower.shape[:2], height * 0.03, 91, stretch=14.0, gain=0.5, finest=2)
    mist = np.clip(np.exp(-depth / 0.12) * (0.8 + 0.5 * streaks), 0, 1)
    _mix(lower, paint("#d8d0c4"), mist * 0.75)
    _stand_in_water(canvas, paint)
    return _finish(canvas, "adobe-rgb", 102, vignette=0.35, contrast=0.35, exposure=1.05)


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
    canvas[box] *= (1 + 0.14 * rings)[..., None]
    # The sun, up and to the left, rounds the bird's back, neck and beak.
    top = slice(int(foot_y - tall), foot_y)
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
        for _ in range(2):
            halo = _refine(_refine(np.pad(halo, 2, mode="edge"), 0), 1)[1:-1, 1:-1]
        # Subdivision leaves a rim of two nodes; what is missing at the far edges is repeated.
        spread = np.pad(halo, ((0, 8), (0, 8)), mode="edge")[:height, :width]
        canvas[..., channel] += spread


def _harbour(width: int, height: int) -> Pixels:
    """A small harbour at night: lit windows and quay lamps on black water."""
    paint = _Palette("display-p3")
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
            glow = paint(str(random.choice(["#ffc27a", "#ffd9a8", "#ffb066"])), 1 + 3 * random.random())
            _lamp(shore, place, height * 0.0011, glow)
    _quay(shore, paint, height)
    _boats(shore, paint, height)
    _bloom(canvas[:level], ((0.004, 0.10), (0.02, 0.055), (0.09, 0.03)), 0.8)
    _night_water(canvas, level, paint)
    return _finish(
        canvas, "display-p3", 203, vignette=0.35, grain=0.007, exposure=1.15, contrast=0.15,
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
    for up, share, size in ((0.2, 0.05, 0.48), (0.14, 0.09, 0.55), (0.095, 0.14, 0.62),
                            (0.05, 0.24, 0.78)):
        left = 0.29 + 0.75 * up
        while left < 1.02:
            wide = size * (0.035 + 0.05 * random.random())
            above = min(up + 0.03 * random.random(), 0.8 * float(hill[0, min(int((left + 0.2 * wide) * width), width - 1)]))
            span = (int(left * width), int((left + wide) * width))
            _house(shore, paint, span, base - int(height * above), size * height, lit * share, random)
            left += wide * (0.95 + 1.3 * up * random.random() * 5)
    left = 0.285
    while left < 1.0:
        wide = 0.04 + 0.065 * random.random()
        span = (int(left * width), int((left + wide) * width))
        _house(shore, paint, span, base, height, lit, random)
        left += wide
    for begin, end in ((0, int(0.16 * width)), (int(0.265 * width), width)):
        bright = 0.015 + 0.7 * lit[base:, begin:end]
        shore[base:, begin:end] = bright[..., None] * paint("#a08468", 0.5)
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
    for place, size in ((0.20, 1.0), (0.255, 0.8), (0.37, 1.15), (0.475, 0.85), (0.58, 1.0), (0.8, 0.9)):
        x, long = place * width, height * 0.075 * size
        hull = [(x - long, level - long * 0.16, 2), (x - long * 0.6, level - long * 0.06, long * 0.12),
                (x + long * 0.7, level - long * 0.05, long * 0.11), (x + long * 0.95, level - long * 0.2, 2)]
        _stroke(mask, _curve(hull, 40))
        cabin = [(x - long * 0.2, level - long * 0.2, long * 0.1), (x + long * 0.4, level - long * 0.2, long * 0.1)]
        _stroke(mask, np.array(cabin))
        tip = level - long * 3.1
        _stroke(mask, np.array([(x, level, thin * 2.2), (x + 2, tip, thin * 1.4)]))
        for foot in (-0.95, 0.92):
            _stroke(mask, np.array([(x + foot * long, level - long * 0.2, thin * 0.6), (x, tip, thin * 0.6)]))
        boom = [(x, level - long * 0.55, thin * 3), (x + long * 0.85, level - long * 0.5, thin * 3)]
        _stroke(mask, np.array(boom))
    _mix(shore, paint("#06090f"), mask)
    for place, size, colour in ((0.20, 1.0, "#fff2dc"), (0.37, 1.15, "#fff2dc"), (0.58, 1.0, "#6dffb0")):
        _lamp(shore, (place * width, level - height * 0.075 * size * 3.12), height * 0.0013,
              paint(colour, 9.0, 1.1))


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
        part *= (0.62 + 0.3 * ripple[rows] - 0.25 * depth / deep)[..., None]
        part += (0.006 + 0.004 * swell[rows])[..., None] * paint("#6d86b0")
        water[rows] = part


def _snow(width: int, height: int) -> Pixels:
    """A fence running out into a white field, and one bare tree in the brightness."""
    paint = _Palette("adobe-rgb")
    cell_m = 0.12
    size = 1280
    mounds = _fractal((size, size), 26 / cell_m, 301, gain=0.36, finest=0.9 / cell_m, stretch=1.7)
    drift = _fractal((size, size), 3.2 / cell_m, 311, gain=0.4, finest=0.4 / cell_m, stretch=2.4)
    heights = 0.75 * mounds + 0.05 * drift
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
        strip = _look_up(sky, row / view.horizon + 0 * across[None, :])
        if seen.any():
            east = across[None, :] * away
            east_slope, away_slope = _sample_map(
                [tilt_east, tilt_away], away / cell_m, east / cell_m + size / 2
            )
            near = np.exp(-away / 9.0)
            grit = _sample(crust, away * 34 + east * 20, east * 60)
            wind = _sample(crust, away * 5.5 + east * 2.0, east * 10.0)
            east_slope = east_slope + 0.05 * near * grit + 0.07 * np.exp(-away / 22) * wind
            up = 1 / np.sqrt(1 + east_slope**2 + away_slope**2)
            facing = np.clip((0.80 * east_slope + 0.36 - 0.46 * away_slope) * up, 0, 1.2)
            light = facing[..., None] * paint("#fff1de", 1.02)
            snow = light + paint("#d3def2", 0.46) * (0.55 + 0.45 * up)[..., None]
            haze = 1 - np.exp(-((away / 95) ** 1.5))
            _mix(snow, np.broadcast_to(paint("#f3f2ef"), snow.shape), haze)
            strip[seen] = snow[seen]
        canvas[top : top + len(away)] = strip
    _soften_ridges(canvas, ground)
    _fence(canvas, paint, view, heights, cell_m)
    return _finish(canvas, "adobe-rgb", 303, vignette=0.10, grain=0.006, shoulder=0.62, exposure=0.96)


def _fence(
    canvas: Canvas, paint: _Palette, view: _View, heights: Plane, cell_m: float
) -> None:
    """Draw posts, wires, their shadows, a track and a tree into the snow, in place."""
    height, width = canvas.shape[:2]
    random = np.random.default_rng(321)

    def on_ground(east: NDArray[np.float64], away: NDArray[np.float64]) -> NDArray[np.float64]:
        (level,) = _sample_map(
            [heights], (away / cell_m).astype(np.float32),
            (east / cell_m + heights.shape[1] / 2).astype(np.float32),
        )
        return np.stack([east, level.astype(np.float64), away], axis=-1)

    count = 26
    away = 4.2 + 2.35 * np.arange(count)
    east = 2.35 - 0.115 * away + 0.0022 * away**2 + 0.03 * random.standard_normal(count)
    feet = on_ground(east, away)
    tall = 1.12 + 0.07 * random.standard_normal(count)
    lean = 0.045 * random.standard_normal(count)
    shade = np.zeros((height, width), dtype=np.float32)
    wood = np.zeros((height, width), dtype=np.float32)
    for i in range(count):
        # Sun from the left and behind the field: shadows fall to the right and towards us.
        reach = np.linspace(0, 2.4 * tall[i], 24)
        cast = _project(view, on_ground(east[i] + 0.87 * reach, away[i] - 0.42 * reach), width, height)
        cast[:, 2] *= 0.045
        _stroke(shade, cast)
    tips = feet + np.stack([lean, tall, 0 * tall], axis=-1)
    for part in (0.3, 0.62, 0.93):
        for i in range(count - 1):
            t = np.linspace(0, 1, 12)[:, None]
            sag = np.stack([0 * t[:, 0], -0.22 * t[:, 0] * (1 - t[:, 0]) * (0.7 + part), 0 * t[:, 0]], -1)
            ends = [feet[j] + (tips[j] - feet[j]) * part for j in (i, i + 1)]
            wire = _project(view, ends[0] + (ends[1] - ends[0]) * t + sag, width, height)
            wire[:, 2] *= 0.0045
            _stroke(wood, wire, 0.8)
            over = ends[0] + (ends[1] - ends[0]) * t + sag
            long = 2.4 * (over[:, 1] - feet[i, 1])
            cast = _project(view, on_ground(over[:, 0] + 0.87 * long, over[:, 2] - 0.42 * long), width, height)
            cast[:, 2] *= 0.006
            _stroke(shade, cast, 0.75)
    _mix(canvas, paint("#a9bddb"), 0.8 * shade)
    _tracks(canvas, paint, view, on_ground)
    grain = _fractal((height, width), height * 0.05, 322, stretch=0.04, gain=0.8)
    for i in range(count - 1, -1, -1):
        post = _project(view, np.array([feet[i] - (0, 0.05, 0), tips[i]]), width, height)
        post[:, 2] *= 0.058
        one = np.zeros_like(wood) if False else wood
        _stroke(one, post)
    _mix(canvas, paint("#5d5750") * (1 + 0.35 * grain[..., None]), wood * 0.93)


def _tracks(
    canvas: Canvas,
    paint: _Palette,
    view: _View,
    on_ground: Callable[[NDArray[np.float64], NDArray[np.float64]], NDArray[np.float64]],
) -> None:
    pass
