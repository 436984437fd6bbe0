"""A harbour at night."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from platemark.imaging.made.canvas import STRIP_ROWS, Canvas, Pixels, Plane
from platemark.imaging.made.colour import Palette, finish, look_up
from platemark.imaging.made.lines import curve_through, draw_stroke
from platemark.imaging.made.noise import fractal
from platemark.imaging.made.paint import (
    blurred,
    brighten,
    dim,
    draw_lamp,
    ease,
    enlarge,
    lit_by,
    mix_in,
)


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
            halo += np.float32(strength) * blurred(blurred(small, radius * rows), radius * rows)
        spread = enlarge(halo, (height, width))
        canvas[..., channel] += spread


def paint_harbour(width: int, height: int, space: str = "display-p3") -> Pixels:
    """A small harbour at night: lit windows and quay lamps on black water."""
    paint = Palette(space)
    level = int(height * 0.6)
    canvas = np.empty((height, width, 3), dtype=np.float32)
    shore = canvas[:level]
    x = (np.arange(width, dtype=np.float32) / width)[None, :]
    y = (np.arange(level, dtype=np.float32) / level)[:, None]
    cloud = fractal((level, width), height * 0.2, 201, stretch=4.0, gain=0.5, finest=4)
    sky = paint.ramp(
        (0, "#0a1330"), (0.4, "#16294f"), (0.66, "#31507c"), (0.82, "#7b7488"), (0.95, "#d08a5c")
    )
    shore[:] = look_up(sky, y * (1.02 - 0.3 * x) + 0.05 * cloud)
    random = np.random.default_rng(202)
    for seed, top, tall, colour in ((219, 0.82, 0.10, "#131d33"), (216, 0.86, 0.09, "#0a101d")):
        ridge = fractal((1, width), height * 0.45, seed, gain=0.4, finest=height * 0.01)[0]
        trees = fractal((1, width), height * 0.012, seed + 1, gain=0.6)[0]
        mix_in(shore, paint(colour), ease(-0.001, 0.001, y - top + tall * ridge + 0.004 * trees))
        for _ in range(70):
            at, up = random.random(), random.random() ** 2
            crest = top - tall * float(ridge[int(at * width)])
            place = (at * width, (0.97 - up * max(0.02, 0.9 * (0.97 - crest))) * level)
            glow = paint(
                str(random.choice(["#ffc27a", "#ffd9a8", "#ffb066"])), 1 + 3 * random.random()
            )
            draw_lamp(shore, place, height * 0.0011, glow)
    _quay(shore, paint, height)
    _boats(shore, paint, height)
    _bloom(canvas[:level], ((0.004, 0.10), (0.02, 0.055), (0.09, 0.03)), 0.8)
    _night_water(canvas, level, paint)
    return finish(
        canvas,
        space,
        203,
        vignette=0.35,
        grain=0.007,
        exposure=1.15,
        contrast=0.15,
        shoulder=0.5,
    )


_LAMPS = (0.065, 0.335, 0.43, 0.53, 0.625, 0.735, 0.84, 0.945)
"""Places of the quay's lamps across the picture."""


def _quay(shore: Canvas, paint: Palette, height: int) -> None:
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
    stone = fractal((level - first, width), height * 0.008, 222, gain=0.75, stretch=1.6)
    lit[first:] *= 1 + 0.35 * stone
    wood = fractal((1, width), height * 0.02, 223, gain=0.6)
    hill = (0.15 + 0.16 * ease(0.3, 0.75, columns / width)) * ease(0.2, 0.42, columns / width)
    hill += 0.006 * wood * ease(0.24, 0.3, columns / width)
    mix_in(shore[first:], paint("#070c17"), ease(-1, 1, rows - base + hill * height))
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
        shore[base:, begin:end] = lit_by((bright, paint("#a08468", 0.5)))
    posts = np.zeros((level, width), dtype=np.float32)
    for place in _LAMPS:
        post = [(place * width, base, height * 0.0013), (place * width, lamp_row, height * 0.001)]
        draw_stroke(posts, np.array(post))
    mix_in(shore, paint("#05070b"), posts)
    for number, place in enumerate(_LAMPS):
        colour = "#ff5a3c" if number == 0 else "#ffbf73"
        light = paint(colour, 26.0, 1.2 if number == 0 else 1.0)
        draw_lamp(shore, (place * width, lamp_row), height * 0.0024, light)


def _house(
    shore: Canvas,
    paint: Palette,
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
    mix_in(shore[int(top - pitch) : top, left:right], slate, roof)
    for _ in range(1 + int(2 * random.random())):
        stack = int(span[0] + wide * (0.25 + 0.5 * random.random()))
        shore[
            int(top - pitch * 1.12) : int(top - pitch * 0.5), stack : stack + int(0.007 * unit) + 1
        ] = slate
    _windows(shore, paint, (span[0], wide, top), (floors, storey), random)


def _windows(
    shore: Canvas,
    paint: Palette,
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


def _boats(shore: Canvas, paint: Palette, height: int) -> None:
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
        draw_stroke(mask, curve_through(hull, 40))
        cabin = [
            (x - long * 0.2, level - long * 0.2, long * 0.1),
            (x + long * 0.4, level - long * 0.2, long * 0.1),
        ]
        draw_stroke(mask, np.array(cabin))
        tip = level - long * 3.1
        draw_stroke(mask, np.array([(x, level, thin * 2.2), (x + 2, tip, thin * 1.4)]))
        for foot in (-0.95, 0.92):
            draw_stroke(
                mask,
                np.array([(x + foot * long, level - long * 0.2, thin * 0.6), (x, tip, thin * 0.6)]),
            )
        boom = [(x, level - long * 0.55, thin * 3), (x + long * 0.85, level - long * 0.5, thin * 3)]
        draw_stroke(mask, np.array(boom))
    mix_in(shore, paint("#06090f"), mask)
    for place, size, colour in (
        (0.20, 1.0, "#fff2dc"),
        (0.37, 1.15, "#fff2dc"),
        (0.58, 1.0, "#6dffb0"),
    ):
        draw_lamp(
            shore,
            (place * width, level - height * 0.075 * size * 3.12),
            height * 0.0013,
            paint(colour, 9.0, 1.1),
        )


def _night_water(canvas: Canvas, level: int, paint: Palette) -> None:
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
    ripple = fractal((deep, width), height * 0.007, 231, stretch=7.0, gain=0.6)
    swell = fractal((deep, width), height * 0.025, 241, stretch=5.0, gain=0.5, finest=3)
    seen = water.copy()
    columns = np.arange(width, dtype=np.float32)[None, :]
    for top in range(0, deep, STRIP_ROWS):
        rows = slice(top, min(top + STRIP_ROWS, deep))
        depth = np.arange(rows.start, rows.stop, dtype=np.float32)[:, None]
        sway = (0.12 + depth / deep) * height
        row = depth * 0.96 + sway * (0.022 * ripple[rows] + 0.02 * swell[rows])
        column = columns + sway * 0.006 * ripple[rows] + sway * 0.004 * swell[rows]
        row = np.clip(row, 0, deep - 1).astype(np.int32)
        column = np.clip(column, 0, width - 1).astype(np.int32)
        part = seen[row, column]
        dim(part, 0.62 + 0.3 * ripple[rows] - 0.25 * depth / deep)
        brighten(part, 0.006 + 0.004 * swell[rows], paint("#6d86b0"))
        water[rows] = part
