"""Brush strokes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from platemark.imaging.made.canvas import STRIP_ROWS, Canvas, Pixels, Plane
from platemark.imaging.made.colour import Palette, finish
from platemark.imaging.made.noise import noise_tile, sample
from platemark.imaging.made.paint import brighten, dim, ease, lit_by, mix_in


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


def paint_strokes(width: int, height: int, space: str = "display-p3") -> Pixels:
    """An abstract: chalk, indigo and ochre pulled across a canvas, and one red."""
    paint = Palette(space)
    canvas = np.empty((height, width, 3), dtype=np.float32)
    canvas[:] = paint("#b9a888")
    relief = np.zeros((height, width), dtype=np.float32)
    bristle = noise_tile(1024, 702, slope=1.25, coarsest=14)
    for stroke in _composition():
        _pull(canvas, relief, paint, bristle, stroke)
    weave = 2 * np.pi / max(4.0, height / 420)
    across = np.sin(np.arange(width, dtype=np.float32) * weave)[None, :]
    for top in range(0, height, STRIP_ROWS):
        rows = slice(top, min(top + STRIP_ROWS, height))
        down = np.sin(np.arange(rows.start, rows.stop, dtype=np.float32) * weave)[:, None]
        high = relief[max(0, top - 1) : rows.stop]
        slope = np.diff(high, axis=0, prepend=high[:1])[-(rows.stop - top) :]
        slope = slope + np.diff(relief[rows], axis=1, prepend=relief[rows, :1])
        slope *= height / 1400
        slope += 0.035 * across * down * np.exp(-relief[rows] * 2.0)
        # Light from the upper left: a rise towards it is bright, a fall beyond it dark.
        dim(canvas[rows], np.clip(1 + 0.62 * slope, 0.5, 1.6))
        brighten(canvas[rows], 0.10 * np.clip(slope - 0.12, 0, 0.6))
    return finish(canvas, space, 703, vignette=0.06, contrast=0.1, grain=0.004, exposure=1.02)


def _pull(canvas: Canvas, relief: Plane, paint: Palette, bristle: Plane, stroke: _Stroke) -> None:
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
    for top in range(max(0, first), min(height, last), STRIP_ROWS):
        bottom = min(top + STRIP_ROWS, height, last)
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
        hair = sample(bristle, across * fine + stroke.seed * 37.7, along * (stroke.long * 42))
        lump = sample(bristle, across * (fine * 0.2) + 91, along * (stroke.long * 30) + stroke.seed)
        dry = stroke.load * (0.62 - along) - 0.05 + 0.30 * lump + 0.26 * hair
        dry -= 0.55 * ease(0.8, 1.06, np.abs(across))
        start = ease(-0.52, -0.485, along + 0.018 * hair + 0.02 * lump)
        cover = ease(0.18, 0.36, dry) * start * ease(1.05, 0.97, np.abs(across) + 0.03 * lump)
        share = np.clip(0.5 + 0.28 * lump + 0.22 * hair, 0, 1)
        colour = lit_by((1 - share, dark), (share, light))
        # One flat index is several times quicker than a row and a column.
        row = inside // (right - left)
        inside += row * (width - right + left) + left
        patch, high = canvas[top:bottom].reshape(-1, 3), relief[top:bottom].reshape(-1)
        under = patch.take(inside, axis=0)
        mix_in(under, colour, cover)
        patch[inside] = under
        body = 0.6 + 0.34 * hair + 0.3 * lump
        body += 0.8 * np.exp(np.square(np.abs(across) - 0.97) * -400)
        below = high.take(inside)
        high[inside] = below + (body - 0.65 * below) * cover
