"""A field under snow."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from platemark.imaging.made.canvas import STRIP_ROWS, Canvas, Pixels, Plane
from platemark.imaging.made.colour import Palette, finish, look_up
from platemark.imaging.made.lines import draw_stroke
from platemark.imaging.made.noise import fractal, noise_tile, sample, sample_map
from platemark.imaging.made.paint import blurred, lit_by, mix_in
from platemark.imaging.made.terrain import View, project, see, soften_ridges


def paint_snow(width: int, height: int, space: str = "srgb") -> Pixels:
    """A fence running out into a white field, and one bare tree in the brightness."""
    paint = Palette(space)
    cell_m = 0.12
    size = 1280
    mounds = fractal((size, size), 26 / cell_m, 301, gain=0.36, finest=0.9 / cell_m, stretch=1.7)
    drift = fractal((size, size), 3.2 / cell_m, 311, gain=0.4, finest=0.4 / cell_m, stretch=2.4)
    heights = 1.15 * mounds + 0.10 * drift
    tilt_east = np.gradient(heights, cell_m, axis=1)
    tilt_away = np.gradient(heights, cell_m, axis=0)
    view = View(eye_m=2.6, horizon=0.40, focal=1.25, near_m=2.6, far_m=150.0)
    ground = see(view, heights, cell_m, width, height)
    crust = noise_tile(1024, 312, slope=1.5, coarsest=10)
    canvas = np.empty((height, width, 3), dtype=np.float32)
    sky = paint.ramp((0, "#dde4ea"), (0.6, "#ebeef0"), (1, "#f3f2ef"))
    across = (np.arange(width, dtype=np.float32) + 0.5 - width / 2) / (view.focal * width)
    for top in range(0, height, STRIP_ROWS):
        seen = np.isfinite(ground.away_m[top : top + STRIP_ROWS])
        away = np.where(seen, ground.away_m[top : top + STRIP_ROWS], np.float32(view.far_m))
        row = (np.arange(top, top + len(away), dtype=np.float32) / height)[:, None]
        strip = look_up(sky, row / view.horizon - 0.25 * across[None, :])
        if seen.any():
            east = across[None, :] * away
            east_slope, away_slope = sample_map(
                [tilt_east, tilt_away], away / cell_m, east / cell_m + size / 2
            )
            near = np.exp(-away / 9.0)
            grit = sample(crust, away * 170 + east * 40, east * 230)
            wind = sample(crust, away * 5.5 + east * 2.0, east * 10.0)
            east_slope = east_slope + 0.10 * near * grit + 0.10 * np.exp(-away / 22) * wind
            up = 1 / np.sqrt(1 + east_slope**2 + away_slope**2)
            facing = np.clip((0.80 * east_slope + 0.36 - 0.46 * away_slope) * up, 0, 1.2)
            snow = lit_by(
                (facing, paint("#ffeed8", 1.15)), (0.55 + 0.45 * up, paint("#bcd0f4", 0.52))
            )
            haze = 1 - np.exp(-((away / 95) ** 1.5))
            mix_in(snow, np.broadcast_to(paint("#f3f2ef"), snow.shape), haze)
            strip[seen] = snow[seen]
        canvas[top : top + len(away)] = strip
    soften_ridges(canvas, ground)
    _fence(canvas, paint, view, heights, cell_m)
    return finish(canvas, space, 303, vignette=0.10, grain=0.006, shoulder=0.8, exposure=1.0)


@dataclass(frozen=True, slots=True)
class _Field:
    """The snow field as the camera sees it: puts things on the snow and into the picture."""

    view: View
    heights: Plane
    cell_m: float
    width: int
    height: int

    def on_snow(self, places: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return `(east, up, away)` places in metres, brought down or up to the snow."""
        east, away = (places[:, i].astype(np.float32) / self.cell_m for i in (0, 2))
        (level,) = sample_map([self.heights], away, east + self.heights.shape[1] / 2)
        return np.stack([places[:, 0], level, places[:, 2]], axis=-1)

    def seen(self, places: NDArray[np.float64], radius_m: float) -> NDArray[np.float64]:
        """Return places as a line `(x, y, radius)` in px."""
        return project(self.view, places, self.width, self.height) * (1, 1, radius_m)

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


def _fence(canvas: Canvas, paint: Palette, view: View, heights: Plane, cell_m: float) -> None:
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
        draw_stroke(shade, field.shadow(post, feet[i, 1], 0.05), clear[i])
        for part in (0.32, 0.63, 0.93) if i + 1 < count else ():
            a, b = (feet[j] + (tips[j] - feet[j]) * part for j in (i, i + 1))
            wire = a + (b - a) * t - t * (1 - t) * (0, 0.05 + 0.06 * part, 0)
            draw_stroke(wood, field.seen(wire, 0.004), 0.75 * clear[i])
            draw_stroke(shade, field.shadow(wire, feet[i, 1], 0.006), 0.5 * clear[i])
    _track(shade, field)
    mix_in(canvas, paint("#9fb8e0"), 0.72 * blurred(shade, height * 0.0012))
    _bare_tree(canvas, paint, (0.235 * width, 0.43 * height), 0.2 * height)
    lit, cap = np.zeros_like(wood), np.zeros_like(wood)
    for i in range(count - 1, -1, -1):
        ends = field.seen(np.array([feet[i], tips[i]]), 0.055)
        radius = ends[0, 2]
        post = ends * (1, 1, 0) + (0, 0, radius)
        post[0, 1] += 0.9 * radius
        draw_stroke(wood, post, clear[i])
        _bury(wood, post[0, 0], ends[0, 1], radius)
        draw_stroke(lit, post * (1, 1, 0.35) - (0.62 * radius, 0, 0), clear[i])
        crown = np.array([(-0.45, -0.75, -0.42), (0.4, -0.75, -0.35)]) * radius
        draw_stroke(cap, post[1] + crown, clear[i])
    box = slice(int(0.36 * height), height), slice(int(0.35 * width), width)
    streaks = fractal(wood[box].shape, height * 0.05, 322, stretch=0.04, gain=0.8)
    mix_in(canvas[box], lit_by((1 + 0.4 * streaks, paint("#544e49"))), wood[box] * 0.95)
    bright = lit_by((1 + 0.3 * streaks, paint("#a89a88")))
    mix_in(canvas[box], bright, 0.6 * lit[box] * wood[box])
    mix_in(canvas[box], paint("#f4f3f1"), blurred(cap[box], height * 0.0005))


def _track(shade: Plane, field: _Field) -> None:
    """Draw the track of an animal that crossed the field into the shadows, in place."""
    away = np.linspace(3.1, 46, 105)
    east = -1.15 - 0.10 * away - 0.8 * np.sin(away / 6.5) + 0.05 * (-1.0) ** np.arange(105)
    path = field.on_snow(np.stack([east, 0 * away, away], axis=-1))
    for x, y, radius in field.seen(path, 0.055).tolist():
        heel = (x - radius, y, 0.32 * radius)
        toes = (x + 0.7 * radius, y - 0.1 * radius, 0.4 * radius)
        draw_stroke(shade, np.array([heel, toes]), float(np.exp(-radius / field.height * 9)))


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


def _bare_tree(canvas: Canvas, paint: Palette, foot: tuple[float, float], tall: float) -> None:
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
        draw_stroke(mask, np.vstack([[x, y, radius], line]), 0.95 - 0.05 * depth)
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
    mix_in(canvas[box], paint("#737a82"), mask * fog * 0.85)
