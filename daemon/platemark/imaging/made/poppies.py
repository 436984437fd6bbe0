"""Poppies against the evening sun."""

from __future__ import annotations

import numpy as np

from platemark.imaging.made.canvas import STRIP_ROWS, Canvas, Pixels, Plane
from platemark.imaging.made.colour import Palette, finish, look_up
from platemark.imaging.made.lines import draw_stroke
from platemark.imaging.made.noise import fractal, noise_tile, sample
from platemark.imaging.made.paint import (
    blurred,
    brighten,
    dim,
    draw_lamp,
    ease,
    lit_by,
    mix_in,
)


def _petal(
    canvas: Canvas,
    paint: Palette,
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
    fold = sample(crinkle, turn * 34 + number * 71, out * 9 + number * 13)
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
    through = light * (0.34 + 0.75 * ease(0.15, 1.0, out)) * (1 + 0.13 * fold)
    through *= 0.72 + 0.28 * (1 - np.abs(turn) ** 2)
    blot = ease(0.34, 0.14, out + 0.03 * fold)
    share = ease(0.7, 1.25, through)
    colour = lit_by(
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
    paint: Palette,
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
            draw_stroke(heart, np.array([(middle, middle, 0.01 * radius), (*tip, 0.012 * radius)]))
            draw_stroke(
                heart, np.array([(*tip, 0.026 * radius), (tip[0] + 1, tip[1], 0.026 * radius)])
            )
        top, left = int(low[1] - middle), int(low[0] - middle)
        if top >= 0 and left >= 0:
            patch = canvas[top : top + len(heart), left : left + heart.shape[1]]
            heart = heart[: patch.shape[0], : patch.shape[1]]
            mix_in(patch, paint("#120a10"), blurred(heart, soft) if soft > 2 else heart)
            draw_lamp(canvas, low, 0.10 * radius, paint("#5d6a35", 0.5))


def paint_poppies(width: int, height: int, space: str = "display-p3") -> Pixels:
    """Poppies against the evening sun, the near and the far ones out of focus."""
    paint = Palette(space)
    canvas = np.zeros((height, width, 3), dtype=np.float32)
    crinkle = noise_tile(512, 901, slope=1.5, coarsest=7)
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
    return finish(canvas, space, 903, vignette=0.25, contrast=0.25, grain=0.005)


def _evening_field(canvas: Canvas, paint: Palette, crinkle: Plane) -> None:
    """Fill the canvas with an evening sky, a far wood and the blurred far field, in place."""
    height, width = canvas.shape[:2]
    aspect = width / height
    x = ((np.arange(width, dtype=np.float32) + 0.5) / width)[None, :]
    sky = paint.ramp((0, "#9fb6cc"), (0.45, "#cfd0c9"), (0.8, "#f3dcb4"), (1, "#fde3ae"))
    land = paint.ramp((0, "#2c3a17"), (0.4, "#5b6a2a"), (0.75, "#8f8a3e"), (1, "#c2a95a"))
    glow = paint("#ffd28a", 0.55)
    clouds = fractal(
        (int(0.36 * height), width), height * 0.10, 911, stretch=4.5, gain=0.5, finest=6
    )
    for top in range(0, height, STRIP_ROWS):
        strip = canvas[top : top + STRIP_ROWS]
        y = ((np.arange(top, top + len(strip), dtype=np.float32) + 0.5) / height)[:, None]
        near_sun = np.exp(-np.hypot((x - 0.3) * aspect, (y - 0.31) * 0.9) / 0.13)
        if y[0, 0] < 0.35:
            air = clouds[top : top + len(strip)]
            part = strip[: len(air)]
            part[:] = look_up(sky, y[: len(air)] / 0.34 + 0.10 * air * (0.4 - y[: len(air)]) / 0.3)
        if y[-1, 0] > 0.335:
            away = 0.34 / np.maximum(y - 0.335, 0.006)
            east = (x - 0.5) * away
            tuft = sample(crinkle, away * 30 + 3 * east, east * 40)
            bloom = sample(crinkle, away * 24 + 150, east * 26 + 77)
            tone = 0.46 + 0.09 * tuft + 0.33 * np.exp(-(y - 0.335) / 0.05) - 0.36 * (y - 0.335)
            ground = look_up(land, tone)
            red = ease(0.15, 1.2, bloom) * np.exp(-(((y - 0.37) / 0.07) ** 2))
            mix_in(ground, paint("#d8341f", 0.95), 0.8 * red)
            dim(ground, 0.62 + 0.6 * np.exp(-(((x - 0.3) * aspect) ** 2) / 0.12))
            mix_in(strip, ground, ease(0.335, 0.3385, y) + 0 * x)
        brighten(strip, near_sun, glow)
    for seed, level, tall, colour, soft in (
        (921, 0.315, 0.016, "#a9a583", 1.4),
        (924, 0.33, 0.02, "#6f7650", 1.1),
    ):
        crowns = fractal((1, width), height * 0.05, seed, gain=0.55, finest=height * 0.004)[0]
        first, last = int((level - 0.05) * height), int(0.345 * height)
        rows = ((np.arange(first, last, dtype=np.float32) + 0.5) / height)[:, None]
        cover = ease(-soft, soft, (rows - level + tall * crowns) * 240)
        cover *= ease(0.345, 0.337, rows)
        veil = 0.9 - 0.45 * np.exp(-np.abs(x - 0.3) / 0.16)
        mix_in(canvas[first:last], paint(colour), cover * veil)


def _stem(
    canvas: Canvas,
    paint: Palette,
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
    draw_stroke(mask, line)
    lit = np.zeros_like(mask)
    draw_stroke(lit, line * (1, 1, 0.35) - (0.022 * radius, 0, 0))
    if radius > 0.04 * height:
        for place in np.linspace(0.02, 0.9, 80):
            spot = int(place * 15)
            base = line[spot] + (line[spot + 1] - line[spot]) * (place * 15 - spot)
            side = 1 if random.random() < 0.5 else -1
            way = np.array([side * radius * 0.14, radius * 0.05 * random.standard_normal(), 0])
            hair = base + way
            draw_stroke(lit, np.array([base, hair]) * (1, 1, 0) + (0, 0, 0.4), 0.6)
    if soft > 2:
        mask = blurred(mask, soft)
    fade = np.linspace(1, 0.55, len(mask), dtype=np.float32)[:, None]
    mix_in(canvas[top:bottom, left:right], paint("#55682a"), mask * fade)
    mix_in(canvas[top:bottom, left:right], paint("#c9c27a"), 0.7 * lit * fade)


def _grass(
    canvas: Canvas,
    paint: Palette,
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
            draw_stroke(mask, blade, 0.9)
        if soft * height > 1.5:
            mask = blurred(mask, soft * height)
        # The feet of the blades are lost in the shade of the others.
        rows = (np.arange(top, bottom, dtype=np.float32) / height)[:, None]
        mix_in(
            canvas[top:bottom],
            paint(colour, light),
            mask * ease(foot, foot - 0.75 * tall, rows),
        )
