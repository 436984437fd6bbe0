"""Pears and a bottle under a window."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from platemark.imaging.made.canvas import STRIP_ROWS, Canvas, Pixels, Plane
from platemark.imaging.made.colour import Palette, finish, look_up
from platemark.imaging.made.lines import curve_through, draw_stroke
from platemark.imaging.made.noise import fractal, noise_tile, sample
from platemark.imaging.made.paint import (
    blurred,
    brighten,
    dim,
    ease,
    enlarge,
    lit_by,
    mix_in,
)


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


def paint_still_life(width: int, height: int, space: str = "romm") -> Pixels:
    """Three pears and a glazed bottle on an old table, by the light of one window."""
    paint = Palette(space)
    canvas = np.empty((height, width, 3), dtype=np.float32)
    edge = int(_EDGE * height)
    _wall(canvas[:edge], paint, height)
    _table_top(canvas, paint, edge)
    for form in _TABLE:
        _turned(canvas, paint, form)
    return finish(canvas, space, 413, vignette=0.35, contrast=0.15, exposure=1.75, grain=0.006)


def _wall(wall: Canvas, paint: Palette, height: int) -> None:
    """Fill the wall with plaster that the window lights from the left."""
    edge, width = wall.shape[:2]
    plaster = fractal((edge, width), height * 0.12, 411, gain=0.55, stretch=1.3)
    x = (((np.arange(width, dtype=np.float32) + 0.5) / width - 0.5) * 1.25 + 0.625)[None, :]
    colour = paint("#747362") * paint("#fff3e0", 0.62)
    for top in range(0, edge, STRIP_ROWS):
        grit = plaster[top : top + STRIP_ROWS]
        y = ((np.arange(top, top + len(grit), dtype=np.float32) + 0.5) / height)[:, None]
        window = np.exp(-((x - 0.05) ** 2) / 0.5) * np.exp(-((y - 0.25) ** 2) / 0.22)
        light = (0.16 + 1.2 * window) * (1 + 0.10 * grit)
        light *= 1 - 0.5 * np.exp((y - _EDGE) / 0.02)
        wall[top : top + len(grit)] = lit_by((light, colour))


def _table_top(canvas: Canvas, paint: Palette, edge: int) -> None:
    """Fill the canvas below row `edge` with boards, their grain and the forms' shadows."""
    height, width = canvas.shape[:2]
    wood = noise_tile(1024, 412, slope=1.5, coarsest=5)
    shade = _table_shadows(width, height)
    boards = np.array([0.0, 0.26, 0.55, 0.83, 1.2])
    x = (((np.arange(width, dtype=np.float32) + 0.5) / width - 0.5) * 1.25 + 0.625)[None, :]
    sideways = np.exp(-(((x - 0.22) / 0.62) ** 2))
    ramp = paint.ramp((0, "#20140d"), (0.5, "#5a3a24"), (1, "#9a6a41"))
    for top in range(edge, height, STRIP_ROWS):
        rows = slice(top, min(top + STRIP_ROWS, height))
        y = ((np.arange(rows.start, rows.stop, dtype=np.float32) + 0.5) / height)[:, None]
        # Distance on the table grows towards its far edge.
        depth = 0.42 / (y - 0.34)
        across = (x - 0.625) * (0.8 * width / height) * depth
        board = np.searchsorted(boards, depth[:, 0] - 0.55).astype(np.float32)[:, None]
        shift = board * 71.3
        wave = sample(wood, depth * 60 + shift * 5 + 0 * across, across * 9 + shift)
        fine = sample(wood, depth * 1500 + 9 * wave, across * 60 + shift * 3)
        tone = 0.52 + 0.16 * wave + 0.09 * np.sin(depth * 62 + 2.6 * wave + shift)
        tone += 0.10 * fine + 0.16 * np.sin(board * 2.3)
        timber = look_up(ramp, tone)
        gap = np.abs(depth - 0.55 - boards).min(axis=-1).astype(np.float32)[:, None]
        fall = (0.12 + 1.25 * sideways * ease(1.15, 0.6, y)) * (1 - 0.93 * shade[rows])
        fall *= 1 - 0.85 * np.exp(-((gap / 0.006) ** 2))
        dim(timber, fall, paint("#fff0da", 1.25))
        window = np.exp(-((x - 0.05) ** 2) / 0.5) * np.exp(-((y - 0.25) ** 2) / 0.22)
        sheen = window * (1 - shade[rows]) * (0.05 + 0.0125 * fine) * ease(0.95, 0.66, y)
        brighten(timber, sheen, paint("#ffe9cc"))
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
            open_sky *= 1 - strength * ease(1 + soft, 1 - soft, apart)
    return enlarge(1 - open_sky, (height, width))


def _outline(form: _Turned) -> tuple[Plane, Plane]:
    """Return radius and slope of the outline at 1,024 places along the axis."""
    dense = curve_through(form.outline, 4000)
    places = np.linspace(0, 1, 1024)
    radii = np.interp(places, np.maximum.accumulate(dense[:, 0]), dense[:, 1])
    radii = np.convolve(np.pad(radii, 6, mode="edge"), np.ones(13) / 13, "valid")
    return radii.astype(np.float32), np.gradient(radii, 1 / 1023).astype(np.float32)


def _turned(canvas: Canvas, paint: Palette, form: _Turned) -> None:
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
    marks = noise_tile(512, form.seed, slope=1.1, coarsest=4)
    # The table is seen a little from above, so the near side of a form appears lower.
    tilt = -0.16 * axis[1]
    for row in range(top, bottom, STRIP_ROWS):
        rows = slice(row, min(row + STRIP_ROWS, bottom))
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


def _skin(paint: Palette, form: _Turned, marks: Plane, surface: _Surface, up: Plane) -> Canvas:
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
    shut = 0.30 + 0.70 * ease(-0.02, 0.3, up)
    if form.skin == "pear":
        colour = _pear_skin(paint, form.seed, marks, at, surface.turn)
        gloss, sharp = 0.2, 0.13
    else:
        colour = _glaze(paint, marks, at, surface.turn)
        gloss, sharp = 0.8, 0.018
        lit = lit * (0.55 + 0.45 * ease(1.0, 0.9, at))
    colour *= lit_by(
        (lit * shut, paint("#fff1dc", 1.25)),
        (0.05 * shut * shut, paint("#b9c4d2")),
        (0.17 * bounce * shut, paint("#c98a52")),
    )
    # What the skin mirrors: a window of four panes, up and to the left.
    pane = ease(-0.80 - sharp, -0.80 + sharp, east) * ease(-0.52 + sharp, -0.52 - sharp, east)
    pane *= ease(0.10 - sharp, 0.10 + sharp, rise) * ease(0.42 + sharp, 0.42 - sharp, rise)
    bars = np.minimum(np.abs(east + 0.655), np.abs(rise - 0.27))
    pane *= 0.25 + 0.75 * ease(0.006, 0.006 + sharp, bars)
    rim = (1 - near) ** 4 * ease(0.3, -0.8, east)
    brighten(colour, gloss * (pane + 0.12 * rim), paint("#f4f6ff"))
    return colour


def _pear_skin(paint: Palette, seed: int, marks: Plane, at: Plane, turn: Plane) -> Canvas:
    """Return a pear's own colour: green to yellow, a blush on one side, russet and flecks."""
    cloud = sample(marks, at * 120, turn * 60)
    fleck = sample(marks, at * 900 + 40, turn * 330)
    ripe = 0.52 + 0.09 * cloud + 0.22 * (seed % 3 - 1) + 0.14 * np.sin(turn * 1.5 + seed)
    colour = look_up(paint.ramp((0, "#8c9442"), (0.45, "#b8a848"), (1, "#d3b056")), ripe)
    blush = ease(-0.5, 1.6, np.sin(turn + 0.6 * seed) + 0.24 * cloud)
    blush *= ease(0.0, 0.3, at) * ease(1.0, 0.55, at)
    mix_in(colour, paint("#b5512f"), 0.7 * blush)
    russet = 0.55 * ease(1.1, 2.2, fleck) + 0.5 * ease(0.9, 1.0, at)
    mix_in(colour, paint("#6b4a20"), russet)
    mix_in(colour, paint("#d9c877"), 0.4 * ease(1.3, 2.4, -fleck))
    return colour


def _glaze(paint: Palette, marks: Plane, at: Plane, turn: Plane) -> Canvas:
    """Return the bottle's own colour: a blue glaze that ran down over stoneware."""
    cloud = sample(marks, at * 120, turn * 60)
    fleck = sample(marks, at * 900 + 40, turn * 330)
    run = ease(-0.04, 0.04, at - 0.46 - 0.05 * np.sin(turn * 3.1) - 0.03 * cloud)
    clay = paint.ramp((0, "#8a7a62"), (0.5, "#a3927a"), (1, "#b9a88f"))
    colour = look_up(clay, 0.5 + 0.3 * cloud)
    blue = paint.ramp((0, "#142b33"), (0.5, "#28505a"), (1, "#5d8f8c"))
    thick = 0.42 + 0.22 * cloud + 0.5 * ease(0.56, 0.46, at) * run
    mix_in(colour, look_up(blue, thick), run)
    mix_in(colour, paint("#4b3a2a"), 0.5 * ease(1.4, 2.2, fleck) * (1 - 0.6 * run))
    return colour


def _mouth(canvas: Canvas, paint: Palette, circle: tuple[float, float, float]) -> None:
    """Draw the opening of a bottle around `(x, y, radius)`, seen a little from above, in place."""
    x, y, radius = circle
    rows = (np.arange(len(canvas), dtype=np.float32) + 0.5 - y)[:, None] / (0.16 * radius)
    columns = (np.arange(canvas.shape[1], dtype=np.float32) + 0.5 - x)[None, :] / radius
    apart = np.hypot(rows, columns)
    soft = 1.5 / (0.16 * radius)
    lip = lit_by((0.6 - 0.5 * columns, paint("#5f8a86", 0.5)))
    mix_in(canvas, lip, ease(1 + soft, 1 - soft, apart))
    mix_in(canvas, paint("#0a0f10", 0.6), ease(0.74 + soft, 0.74 - soft, apart))


def _stalk(canvas: Canvas, paint: Palette, form: _Turned, foot: tuple[float, float]) -> None:
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
    line = curve_through(places, 40)
    line[:, 1] -= box.start
    draw_stroke(mask, line)
    draw_stroke(lit, line * (1, 1, 0.4) - (0.008 * long, 0.003 * long, 0))
    mix_in(canvas[box], paint("#2c1d10", 0.8), mask)
    mix_in(canvas[box], paint("#8a6b42"), 0.7 * mask * blurred(lit, height * 0.001))
