"""Dunes at evening."""

from __future__ import annotations

import numpy as np

from platemark.imaging.made.canvas import STRIP_ROWS, Pixels, Plane
from platemark.imaging.made.colour import Palette, finish, look_up
from platemark.imaging.made.noise import fractal, noise_tile, sample, sample_map
from platemark.imaging.made.paint import ease, lit_by, mix_in
from platemark.imaging.made.terrain import View, cast_shadows, see, soften_ridges


def _dune_map(size: int, cell_m: float) -> Plane:
    """Return heights in metres of a field of sinuous dunes, crests leading away."""
    shape = (size, size)
    away = (np.arange(size, dtype=np.float32) * cell_m)[:, None]
    east = ((np.arange(size, dtype=np.float32) - size / 2) * cell_m)[None, :]
    heights = np.zeros(shape, dtype=np.float32)
    for seed, turn, length, tall in ((11, 0.42, 82.0, 15.0), (29, -0.5, 120.0, 12.0)):
        wander = fractal(shape, 95 / cell_m, seed, gain=0.34, finest=5 / cell_m)
        swell = fractal(shape, 150 / cell_m, seed + 7, gain=0.4, finest=30 / cell_m)
        phase = (east + turn * away) / length + 0.42 * wander
        t = phase - np.floor(phase)
        # Wind builds a long back; sand slides down a short, straight, steep lee.
        back = (t / 0.7) ** 1.6
        lee = np.clip((1 - t) / 0.3, 0, 1)
        dune = np.where(t < 0.7, back, lee * (1.18 - 0.18 * lee)) * tall * (0.75 + 0.5 * swell)
        np.maximum(heights, dune, out=heights)
    return heights + 1.6 * fractal(shape, 60 / cell_m, 51, gain=0.3, finest=8 / cell_m)


def paint_dunes(width: int, height: int, space: str = "adobe-rgb") -> Pixels:
    """Dunes at dawn: a low sun from the right, blue shadow on the lee, ripples at one's feet."""
    paint = Palette(space)
    cell_m = 0.35
    heights = _dune_map(1536, cell_m)
    slope_east = np.gradient(heights, cell_m, axis=1)
    slope_away = np.gradient(heights, cell_m, axis=0)
    sun = cast_shadows(heights, cell_m, 0.21, 0.35)
    view = View(eye_m=21.0, horizon=0.27, focal=1.3, near_m=9.0, far_m=520.0)
    ground = see(view, heights, cell_m, width, height)
    ripple = noise_tile(512, 5, slope=2.0, coarsest=3)
    albedo = paint("#d9a066")
    canvas = np.empty((height, width, 3), dtype=np.float32)
    sky = paint.ramp((0, "#7f93b4"), (0.45, "#c3b9b8"), (0.8, "#f0cfae"), (1, "#f8dcb6"))
    across = (np.arange(width, dtype=np.float32) + 0.5 - width / 2) / (view.focal * width)
    for top in range(0, height, STRIP_ROWS):
        seen = np.isfinite(ground.away_m[top : top + STRIP_ROWS])
        away = np.where(seen, ground.away_m[top : top + STRIP_ROWS], np.float32(view.far_m))
        row = (np.arange(top, top + len(away), dtype=np.float32) / height)[:, None]
        strip = look_up(sky, row / view.horizon + 0.12 * across[None, :])
        east = across[None, :] * away
        if seen.any():
            lit, tilt_east, tilt_away = sample_map(
                [sun, slope_east, slope_away], away / cell_m, east / cell_m + 768
            )
            wander = sample(ripple, away * 9.0, east * 9.0)
            phase = (east + 0.25 * away) * (6.28 / 0.42) + 2.1 * wander
            near = np.exp(-((away / 62) ** 2)) * ease(0.55, 0.2, np.abs(tilt_east))
            tilt_east = tilt_east + 0.17 * near * np.sin(phase) + 0.03 * wander * near
            up = 1 / np.sqrt(1 + tilt_east**2 + tilt_away**2)
            facing = np.maximum((0.93 * -tilt_east + 0.24 + 0.22 * tilt_away) * up, 0) * lit
            sand = lit_by(
                (facing, albedo * paint("#ffb673", 3.1)),
                (0.2 + 0.8 * up, albedo * paint("#7d97d6", 0.34)),
            )
            haze = 1 - np.exp(-away / 560)
            mix_in(sand, np.broadcast_to(paint("#e9c4a2"), sand.shape), haze)
            strip[seen] = sand[seen]
        canvas[top : top + len(away)] = strip
    soften_ridges(canvas, ground)
    return finish(canvas, space, 101, vignette=0.3, contrast=0.3)
