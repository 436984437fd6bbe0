"""A wood with sunbeams."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from platemark.imaging.made.canvas import STRIP_ROWS, Canvas, Pixels, Plane
from platemark.imaging.made.colour import Palette, finish, look_up
from platemark.imaging.made.lines import draw_stroke
from platemark.imaging.made.noise import fractal, noise_tile, sample
from platemark.imaging.made.paint import dim, ease, enlarge, lit_by, mix_in

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
    paint: Palette
    random: np.random.Generator


def paint_forest(width: int, height: int, space: str = "adobe-rgb") -> Pixels:
    """Tall trunks in morning mist, with the sun somewhere behind them."""
    paint = Palette(space)
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
    canvas = look_up(glow, place)
    bark = noise_tile(512, 501, slope=1.4, coarsest=6)
    wood = _Wood(canvas, place, glow, bark, paint, np.random.default_rng(502))
    _forest_floor(canvas, paint, bark)
    for number, away in enumerate(_STANDS):
        if number == 6:
            _sunbeams(canvas, paint)
        _stand(wood, away, number)
    _ferns(wood)
    return finish(canvas, space, 503, vignette=0.3, contrast=0.6, exposure=1.0)


def _forest_floor(canvas: Canvas, paint: Palette, bark: Plane) -> None:
    """Lay moss and a path that leads to the light, fading into the mist, in place."""
    height, width = canvas.shape[:2]
    x = ((np.arange(width, dtype=np.float32) + 0.5) / width)[None, :]
    ramp = paint.ramp((0, "#0e120a"), (0.35, "#2d3616"), (0.62, "#686a32"), (1, "#b5a269"))
    reach = np.exp(-(((x - _GLADE[0]) * (width / height)) ** 2) / 0.3)
    for top in range(int(0.6 * height), height, STRIP_ROWS):
        strip = canvas[top : top + STRIP_ROWS]
        y = ((np.arange(top, top + len(strip), dtype=np.float32) + 0.5) / height)[:, None]
        away = 0.62 / np.maximum(y - 0.598, 0.004)
        east = (x - _GLADE[0]) * away
        moss = sample(bark, 60 * away + 0 * x, east * 80)
        fine = sample(bark, 260 * away + 9 * moss, east * 420 + 9)
        path = np.exp(-(((east - 0.16 * np.sin(away * 1.3 + 0.8) + 0.1) / 0.15) ** 2))
        tone = 0.36 + 0.12 * moss + 0.11 * fine + 0.28 * path
        floor = look_up(ramp, tone)
        dim(floor, 0.22 + 1.25 * reach * np.exp(-(y - 0.6) / 0.3))
        mix_in(strip, floor, np.exp(-((away / 5.2) ** 1.3)) * ease(0.598, 0.64, y))


def _sunbeams(canvas: Canvas, paint: Palette) -> None:
    """Add shafts of light that spread from the glade, in place."""
    height, width = canvas.shape[:2]
    shafts = fractal((2, 2048), 60, 511, gain=0.45, finest=8)
    shape = (-(-height // 4), -(-width // 4))
    x = np.arange(shape[1], dtype=np.float32)[None, :] * (4 / height) - _GLADE[0] * width / height
    y = np.arange(shape[0], dtype=np.float32)[:, None] * (4 / height) - _GLADE[1]
    # The absolute angle has no seam; the slow drift keeps above and below from looking alike.
    turn = np.abs(np.arctan2(y, x)) * (1 + 0.35 * np.tanh(25 * y))
    shaft = shafts[0].take(np.clip(turn * (2047 / 4.6), 0, 2047).astype(np.int32))
    apart = np.hypot(x, y)
    strength = ease(-0.1, 1.0, shaft) * 0.36 * np.exp(-apart / 0.36) * ease(0.0, 0.25, apart)
    full = enlarge(strength, (height, width))
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
        leaves = fractal((deep, width), height * 0.5 / away, 520 + number, gain=0.68, stretch=1.4)
        fall = np.linspace(0, 1, deep, dtype=np.float32)[:, None]
        aside = np.abs(np.arange(width, dtype=np.float32)[None, :] / width - _GLADE[0])
        aside = np.minimum(2.2 * (aside - 0.2), 0.6)
        cover = ease(0.0, 0.25, leaves + 0.1 - 2.2 * fall + aside)
        np.maximum(mask[:deep], 0.85 * cover, out=mask[:deep])
    dark = wood.paint("#141a14") * _clarity(away)
    for top in range(0, len(mask), STRIP_ROWS):
        part = mask[top : top + STRIP_ROWS]
        touched = np.nonzero(part)
        if len(touched[0]):
            patch = wood.canvas[top : top + len(part)]
            veil = look_up(wood.glow, wood.place[top : top + len(part)][touched])
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
        draw_stroke(mask, np.stack([across, down, thick * (1.04 - t) + 0.3], axis=-1), 0.9)
        for place in (3, 5):
            twig = long * height * 0.3 * (1.1 - t[place])
            end = (across[place] + twig * side * 0.8, down[place] + twig * (random.random() - 0.3))
            root = (across[place], down[place], thick * 0.5)
            draw_stroke(mask, np.array([root, (*end, 0.3)]), 0.8)


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
    bends = fractal((1, height), height * 0.5, seed, gain=0.4, finest=height * 0.06)[0]
    bottom = min(height, int(base + 0.6 * radius) + 2)
    y = np.arange(bottom, dtype=np.float32)[:, None] + 0.5
    centre = foot[0] * width + lean * (y - base) * 0.5 + bends[:bottom, None] * radius * 0.9
    wide = radius * (0.70 + 0.3 * y / base + 0.6 * np.exp(-np.abs(base - y) / (0.9 * radius)))
    for top in range(0, bottom, 2 * STRIP_ROWS):
        rows = slice(top, min(top + 2 * STRIP_ROWS, bottom))
        left = max(0, int((centre[rows] - wide[rows]).min()) - 2)
        right = min(width, int((centre[rows] + wide[rows]).max()) + 3)
        if left >= right:
            continue
        x = np.arange(left, right, dtype=np.float32)[None, :] + 0.5
        across = (x - centre[rows]) / wide[rows]
        cover = np.clip((1 - np.abs(across)) * wide[rows] + 0.5, 0, 1)
        across = np.clip(across, -1, 1)
        cover *= np.clip(base + 0.25 * radius * np.sqrt(1 - across**2) - y[rows], 0, 1)
        colour = look_up(wood.glow, wood.place[rows, left:right])
        colour *= 0.95
        own = wood.paint("#1d2420")
        if away < 7:
            own = _bark(wood, colour, across, y[rows], (foot[0], base, radius))
        mix_in(colour, own, np.full_like(cover, _clarity(away)))
        mix_in(wood.canvas[rows, left:right], colour, cover)
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
    rough = sample(wood.bark, y * (30 / radius) + turn * 4, turn * 55 + place * 997)
    furrow = sample(wood.bark, y * (70 / radius) + 0 * turn, turn * 150 + place * 413)
    side = 1.0 if _GLADE[0] > place else -1.0
    near = float(np.exp(-abs(place - _GLADE[0]) / 0.22))
    rim = np.exp((across * side - 1) / (0.10 + 0.08 * near)) * (0.75 + 0.35 * furrow)
    light = 0.22 + 0.25 * np.clip(across * side, 0, 1) + 0.10 * rough + 0.16 * furrow
    np.maximum(light, 0.03, out=light)
    moss = ease(0.2, 1.4, rough + 1.2 * np.exp(-np.abs(base - y) / (5 * radius)))
    skin = lit_by(
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
                draw_stroke(mask, np.column_stack([spine, height * 0.0008 * (1.2 - t)]))
                for i in range(2, 13):
                    leaf = long * 0.24 * np.sin(np.pi * (t[i] * 0.85 + 0.1)) ** 0.9
                    for turn in (-1.1, 1.1):
                        way = heading[i] + turn
                        tip = spine[i] + leaf * np.array([np.cos(way), np.sin(way)])
                        draw_stroke(
                            mask, np.array([[*spine[i], height * 0.0013], [*tip, 0.2]]), 0.9
                        )
        rise = np.linspace(1.0, 0.45, len(mask), dtype=np.float32)[:, None]
        light = rise * (0.28 + 0.9 * np.exp(-(((x_all - _GLADE[0]) / 0.25) ** 2)))
        green = lit_by((light, wood.paint(colour)))
        green += 0.10 * look_up(wood.glow, wood.place[first:])
        mix_in(wood.canvas[first:], green, mask)
