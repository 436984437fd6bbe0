"""A stormy sea in greys."""

from __future__ import annotations

import numpy as np

from platemark.imaging.made.canvas import STRIP_ROWS, Pixels, Plane
from platemark.imaging.made.colour import Palette, finish, look_up
from platemark.imaging.made.lines import draw_stroke
from platemark.imaging.made.noise import fractal, noise_tile, sample, sample_map
from platemark.imaging.made.paint import draw_lamp, ease
from platemark.imaging.made.terrain import View, see, soften_ridges


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
    gusts = fractal((size, size), 70 / cell_m, 802, gain=0.4, finest=20 / cell_m)
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
    thin = ease(1.3, -1.5, cloud)
    bright = (
        0.05 + 0.13 * thin + open_ * (0.16 + 0.85 * thin**1.6) + 0.42 * low * (0.4 + 0.6 * thin)
    )
    return np.asarray(bright * (1 - 0.35 * y))


def paint_sea(width: int, height: int, space: str = "adobe-rgb") -> Pixels:
    """Heavy sea under a break in the clouds, in one cold and one warm tone."""
    paint = Palette(space)
    grey = np.zeros((height, width), dtype=np.float32)
    view = View(eye_m=7.5, horizon=0.47, focal=0.95, near_m=11.0, far_m=510.0)
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
    for top in range(0, height, STRIP_ROWS):
        rows = slice(top, top + STRIP_ROWS)
        canvas[rows] = look_up(tones, np.sqrt(np.clip(grey[rows] * 1.35, 0, 1)))
    return finish(canvas, space, 804, vignette=0.4, contrast=0.35, grain=0.006)


def _waves(grey: Plane, view: View, x: Plane) -> None:
    """Draw the waves, in place; `x` is the place across from the break, in picture heights."""
    height, width = grey.shape
    cell_m, size = 0.4, 1280
    heights = _swell_map(size, cell_m)
    tilts = [np.gradient(heights, cell_m, axis=axis) for axis in (1, 0)]
    ground = see(view, heights, cell_m, width, height)
    chop = noise_tile(1024, 803, slope=1.5, coarsest=9)
    sun = 0.1 / view.focal
    across = x * (height / (view.focal * width)) + sun
    for top in range(int(0.40 * height), height, STRIP_ROWS):
        strip = grey[top : top + STRIP_ROWS]
        found = ground.away_m[top : top + len(strip)]
        seen = np.isfinite(found)
        if not seen.any():
            continue
        away = np.where(seen, found, np.float32(view.far_m))
        east = across * away
        high, east_slope, away_slope = sample_map(
            [heights, *tilts], away / cell_m, east / cell_m + size / 2
        )
        calm = 1 / (1 + away / 130)
        small = sample(chop, away * 21 + east * 6, east * 30 - away * 4)
        tiny = sample(chop, away * 95 + east * 30, east * 130)
        slopes = (
            east_slope + calm * (0.10 * small + 0.06 * tiny),
            away_slope + calm * (0.07 * small - 0.05 * tiny),
        )
        strip[seen] = _water((view.eye_m, away, across + 0 * away), slopes, sun)[seen]
        crest = high - 0.35 * np.abs(small) + 0.55 * small
        foam = ease(0.8, 2.6, crest) * ease(-1.2, 1.8, tiny + 0.8 * small)
        foam *= 0.8 * ease(420.0, 60.0, away) * seen
        strip += foam * (0.34 + 0.5 * np.exp(-(((across - sun) / 0.25) ** 2)) - strip)
        haze = seen * (1 - np.exp(-((away / 380) ** 2)))
        strip += haze * (_far_sea(x) - strip)
    soften_ridges(grey[..., None], ground)


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
    tile = noise_tile(1024, 811, slope=1.75, coarsest=3)
    for top in range(0, len(grey), STRIP_ROWS):
        strip = grey[top : top + STRIP_ROWS]
        rows = np.arange(top, top + len(strip), dtype=np.float32)[:, None] + 0.5
        y = np.maximum((level - rows) / level, 0.0)
        # Clouds lie in a layer: they crowd together towards the horizon.
        away = 1 / (y + 0.14)
        warp = sample(tile, away * 60 + 300 + 0 * x, x * away * 36)
        cloud = sample(tile, away * 95 + 16 * warp, x * away * 55 + 22 * warp)
        cloud += 0.32 * sample(tile, away * 330 + 30 * warp, x * away * 210)
        strip[:] = _cloud_light(y, x, cloud + 0.25)
        turn = x / (np.abs(rows - 0.30 * level) / level + 0.12)
        shaft = sample(tile, turn * 26 + 600, 0 * turn + 40)
        fall = ease(0.55, 0.30, y) * np.exp(-((x / 0.8) ** 2))
        strip += 0.10 * fall * ease(-0.2, 1.6, shaft)
        # Beyond the last waves that can be told apart the sea is a plain dark band.
        beyond = np.clip(rows - level, 0, 1)
        streak = sample(tile, rows * (900 / level), x * 12 + 0 * rows)
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
    rock = fractal((1, box.shape[1]), height * 0.07, 821, gain=0.55)[0]
    t = np.linspace(-1, 1, box.shape[1], dtype=np.float32)
    rise = height * (0.040 * np.clip(1 - t**2, 0, 1) ** 0.8 + 0.016 * rock * (1 - t**2) - 0.004)
    rows = (np.arange(top, bottom, dtype=np.float32) + 0.5)[:, None]
    texture = fractal(box.shape, height * 0.012, 822, gain=0.7, stretch=1.6)
    mask = np.clip(rise - (level + 0.004 * height - rows), 0, 1)
    mask *= np.clip((level + 0.006 * height * (1 + 0.5 * rock) - rows), 0, 1)
    box += mask * (0.018 + 0.012 * texture - box)
    surf = np.exp(-(((rows - level - 0.004 * height) / (0.0045 * height)) ** 2))
    box += surf * np.clip(0.55 + texture, 0, 1) * (1 - t**2) * (0.45 - box)
    tower = np.zeros_like(box)
    x, foot = 0.52 * box.shape[1], level - 0.036 * height - top
    tip = foot - 0.095 * height
    draw_stroke(tower, np.array([(x, foot, 0.0085 * height), (x, tip, 0.0055 * height)]))
    box += tower * (0.10 + 0.05 * (t[None, :] > t[int(x)]) - box)
    trim = np.zeros_like(box)
    for y, wide, thick in (
        (tip - 0.002 * height, 0.0085, 0.0012),
        (tip - 0.016 * height, 0.007, 0.0014),
    ):
        draw_stroke(
            trim,
            np.array(
                [(x - wide * height, y, thick * height), (x + wide * height, y, thick * height)]
            ),
        )
    draw_stroke(
        trim,
        np.array(
            [(x, tip - 0.016 * height, 0.0055 * height), (x, tip - 0.022 * height, 0.001 * height)]
        ),
    )
    for band in (0.25, 0.62):
        y = foot + (tip - foot) * band
        wide = (0.0085 - 0.003 * band) * height
        draw_stroke(trim, np.array([(x - wide, y, 0.006 * height), (x + wide, y, 0.006 * height)]))
    trim *= np.maximum(tower, rows < tip + top)
    box += trim * (0.02 - box)
    draw_lamp(
        box[..., None],
        (x, tip - 0.009 * height),
        0.0048 * height,
        np.array([1.6], dtype=np.float32),
    )
    draw_lamp(
        box[..., None], (x, tip - 0.009 * height), 0.02 * height, np.array([0.12], dtype=np.float32)
    )
