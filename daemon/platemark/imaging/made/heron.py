"""A heron among reeds."""

from __future__ import annotations

import numpy as np

from platemark.imaging.made.canvas import STRIP_ROWS, Canvas, Pixels, Plane
from platemark.imaging.made.colour import Palette, finish, look_up
from platemark.imaging.made.lines import curve_through, draw_stroke
from platemark.imaging.made.noise import fractal
from platemark.imaging.made.paint import blurred, brighten, dim, ease, mix_in

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
    crowns = fractal((1, width), height * 0.16, seed, gain=0.5, finest=height * 0.012)[0]
    leaves = fractal(shape, height * 0.03, seed + 50, gain=0.66, stretch=1.2)
    y = (np.arange(first, height, dtype=np.float32) / height)[:, None]
    inside = (y - top + tall * crowns) * 55 + leaves * 0.95
    fog = 1 - 0.8 * ease(top - tall, 1.0, y + 0.02 * leaves)
    mix_in(canvas[first:], colour, ease(-soft, soft, inside) * fog)


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
        draw_stroke(mask, line)
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
            draw_stroke(mask, np.array(head))
        line[:, 1] = 2 * base * height - line[:, 1]
        line[:, 0] += np.sin(line[:, 1] * (260 / height)) * height * 0.0018
        draw_stroke(echo, line, 0.6)


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
    ripple = fractal((below, width), height * 0.006, seed, stretch=9.0, gain=0.6)
    wide = fractal((below, width), height * 0.03, seed + 9, stretch=7.0, gain=0.5, finest=4)
    columns = np.arange(width, dtype=np.float32)[None, :]
    for top in range(0, below, STRIP_ROWS):
        rows = slice(top, min(top + STRIP_ROWS, below))
        depth = np.arange(rows.start, rows.stop, dtype=np.float32)[:, None]
        sway = (0.15 + depth / below) * (calm * height)
        source = (
            level - 1 - depth * (level / below * 0.97) + sway * (2.2 * ripple[rows] + wide[rows])
        )
        aside = columns + sway * 0.35 * ripple[rows]
        row = np.clip(source, 0, level - 1).astype(np.int32)
        column = np.clip(aside, 0, width - 1).astype(np.int32)
        canvas[level + rows.start : level + rows.stop] = canvas[row, column]


def paint_heron(width: int, height: int, space: str = "adobe-rgb") -> Pixels:
    """A heron among reeds at the edge of a lake, in the mist before the sun is warm."""
    paint = Palette(space)
    level = int(height * 0.47)
    y = (np.arange(level, dtype=np.float32) / level)[:, None]
    x = (np.arange(width, dtype=np.float32) / width)[None, :]
    aspect = width / height
    canvas = np.empty((height, width, 3), dtype=np.float32)
    air = fractal((level, width), height * 0.25, 61, stretch=3.5, gain=0.42, finest=3)
    sky = paint.ramp((0, "#8fa0ae"), (0.5, "#b4bcc0"), (0.82, "#d9d3c6"), (1, "#e6d8c2"))
    canvas[:level] = look_up(sky, y * 0.97 + 0.05 * air)
    apart = np.hypot((x - 0.36) * aspect, (y - 0.44) * 0.47)
    glow = 0.55 * np.exp(-apart / 0.16) + 1.1 * ease(0.037, 0.034, apart)
    brighten(canvas[:level], glow, paint("#ffdcae", 0.55))
    for seed, top, tall, colour, soft in (
        (71, 0.85, 0.06, "#b9bdbb", 0.9),
        (76, 0.91, 0.08, "#98a3a6", 0.6),
        (73, 1.0, 0.16, "#64737a", 0.35),
    ):
        _treeline(canvas[:level], paint(colour), top, tall, seed, soft)
    _mirror(canvas, level, 81, 0.006)
    lower = canvas[level:]
    depth = np.linspace(0, 1, height - level, dtype=np.float32)[:, None]
    dim(lower, 0.93 - 0.5 * depth**1.3)
    streaks = fractal(lower.shape[:2], height * 0.03, 91, stretch=14.0, gain=0.5, finest=2)
    mist = np.clip(np.exp(-depth / 0.12) * (0.8 + 0.5 * streaks), 0, 1)
    mix_in(lower, paint("#d8d0c4"), mist * 0.75)
    _stand_in_water(canvas, paint)
    return finish(canvas, space, 102, vignette=0.35, contrast=0.35, exposure=1.05)


def _stand_in_water(canvas: Canvas, paint: Palette) -> None:
    """Draw the bird, its rings on the water and the reeds, with their reflections, in place."""
    height, width = canvas.shape[:2]
    mask = np.zeros((height, width), dtype=np.float32)
    echo = np.zeros((height, width), dtype=np.float32)
    foot_x, foot_y, tall = width * 0.655, int(height * 0.735), height * 0.30
    for part in _HERON:
        line = curve_through(part, 90) * tall + (foot_x, foot_y, 0)
        draw_stroke(mask, line)
        line[:, 1] = 2 * foot_y - line[:, 1]
        line[:, 0] += np.sin(line[:, 1] * (190 / height)) * height * 0.0022
        draw_stroke(echo, line, 0.72)
    box = slice(int(foot_y - 0.12 * tall), int(foot_y + 0.2 * tall))
    rows = np.arange(box.start, box.stop, dtype=np.float32)[:, None] - foot_y
    columns = np.arange(width, dtype=np.float32)[None, :] - foot_x - 0.06 * tall
    away = np.hypot(columns, rows * 4.5) / tall
    rings = np.sin(away * 52) * np.exp(-away / 0.17) * ease(0.03, 0.1, away)
    dim(canvas[box], 1 + 0.14 * rings)
    # The sun, up and to the left, rounds the bird's back, neck and beak.
    top = slice(int(foot_y - tall), int(foot_y + 0.03 * tall))
    bird = mask[top].copy()
    step = max(1, round(tall * 0.012))
    round_off = np.roll(blurred(bird, tall * 0.014), (step, step), (0, 1))
    sunlit = bird * np.clip(1.1 - 1.35 * round_off, 0, 1)
    _reeds(mask, echo, 103)
    ripple = fractal((height, width), height * 0.004, 104, stretch=12.0, gain=0.5, finest=3)
    echo *= np.clip(0.85 + 0.35 * ripple, 0, 1)
    mix_in(canvas, paint("#39444a"), echo * 0.85)
    mix_in(canvas, paint("#1d2428"), mask * 0.97)
    mix_in(canvas[top], paint("#343f46"), bird * 0.75)
    mix_in(canvas[top], paint("#a9a294"), sunlit * 0.6)
