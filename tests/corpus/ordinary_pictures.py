"""Ordinary photographs in numbers: whole ones, parts that are pictures of their own, and prints.

All come from the scikit-image wheel. A part of a photograph counts where it shows something else;
a treatment (black and white, a tone, a light or a dark rendering) where it makes another picture.
"""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import skimage.data
from numpy.typing import NDArray
from PIL import Image

Pixels = NDArray[np.uint8]
Treatment = Callable[[Pixels], Pixels]

LEAST_PX: Final = 1000
"""A photograph smaller than this is enlarged twofold, as a print-maker would, before it is used."""


@dataclass(frozen=True, slots=True)
class Photograph:
    """One picture: where it is from, which part, and how it was treated."""

    name: str
    source: str
    part: tuple[float, float, float, float] = (0, 0, 1, 1)
    """Left, top, right, bottom, of the whole."""
    treated: Treatment | None = None
    is_enlarged: bool = True
    """Where it is small; else every pixel of the camera is printed."""

    def pixels(self) -> Pixels:
        """8-bit sRGB, shape (height, width, 3)."""
        whole = _whole(self.source)
        high, wide = whole.shape[:2]
        left, top, right, bottom = self.part
        cut = whole[
            round(top * high) : round(bottom * high), round(left * wide) : round(right * wide)
        ]
        if self.is_enlarged and max(cut.shape[:2]) < LEAST_PX:
            size = (2 * cut.shape[1], 2 * cut.shape[0])
            cut = np.asarray(Image.fromarray(cut).resize(size, Image.Resampling.LANCZOS))
        return self.treated(cut) if self.treated else cut

    def __str__(self) -> str:
        return self.name


@functools.cache
def _whole(name: str) -> Pixels:
    data: Any = skimage.data
    if name in ("motorcycle", "motorcycle, right"):
        pixels = np.asarray(data.stereo_motorcycle()[name != "motorcycle"])
    else:
        pixels = np.asarray(getattr(data, name)())
    if pixels.ndim == 2:
        pixels = np.repeat(pixels[..., np.newaxis], 3, axis=2)
    return np.ascontiguousarray(pixels[..., :3])


def grey(pixels: Pixels) -> Pixels:
    """Black and white: the luminance of sRGB (IEC 61966-2-1)."""
    light = _linear(pixels) @ (0.2126, 0.7152, 0.0722)
    return np.repeat(_encoded(light)[..., np.newaxis], 3, axis=2)


def toned(a: float, b: float) -> Treatment:
    """Black and white in one tone: this a*, b* at the middle, nothing at black and white."""

    def treat(pixels: Pixels) -> Pixels:
        light = _linear(pixels) @ (0.2126, 0.7152, 0.0722)
        lightness = np.where(light > 216 / 24389, 116 * np.cbrt(light) - 16, light * 24389 / 27)
        strength = 4 * (lightness / 100) * (1 - lightness / 100)
        return from_lab(np.stack([lightness, a * strength, b * strength], axis=-1))

    return treat


def from_lab(lab: NDArray[np.float64]) -> Pixels:
    """Turn CIELAB to sRGB, relative to sRGB's own white, so that neutral stays neutral."""
    y = (lab[..., 0] + 16) / 116
    curved = np.stack([y + lab[..., 1] / 500, y, y - lab[..., 2] / 200], axis=-1)
    ratio = np.where(curved > 6 / 29, curved**3, (curved - 16 / 116) * 108 / 841)
    return _encoded(np.clip((ratio * _SRGB_XYZ.sum(axis=1)) @ np.linalg.inv(_SRGB_XYZ).T, 0, 1))


_SRGB_XYZ: Final = np.array(
    [[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]
)
"""IEC 61966-2-1."""


def gamma(power: float) -> Treatment:
    """Darker above 1, lighter below it, as a curve in an editor does it."""
    return lambda pixels: np.rint(255 * (pixels / 255) ** power).astype(np.uint8)


def soft(pixels: Pixels) -> Pixels:
    """Three fifths of the contrast, about a light grey: mist."""
    return np.rint(130 + (pixels.astype(float) - 110) * 0.55).clip(0, 255).astype(np.uint8)


def _linear(pixels: Pixels) -> NDArray[np.float64]:
    value = pixels / 255
    linear: NDArray[np.float64] = np.where(
        value > 0.04045, ((value + 0.055) / 1.055) ** 2.4, value / 12.92
    )
    return linear


def _encoded(linear: NDArray[np.float64]) -> Pixels:
    value = np.where(linear > 0.0031308, 1.055 * linear ** (1 / 2.4) - 0.055, 12.92 * linear)
    return np.rint(np.clip(value, 0, 1) * 255).astype(np.uint8)


SEPIA, SELENIUM = toned(3, 9), toned(4, -4)

PHOTOGRAPHS: Final = (
    Photograph("astronaut", "astronaut"),
    Photograph("astronaut, her face", "astronaut", (0.25, 0.0, 0.7, 0.4)),
    Photograph("astronaut, the shuttle", "astronaut", (0.62, 0.0, 1, 0.62)),
    Photograph("astronaut, the suit", "astronaut", (0.05, 0.35, 0.65, 0.95)),
    Photograph("astronaut, black and white", "astronaut", treated=grey),
    Photograph("cat", "chelsea"),
    Photograph("cat, its eyes", "chelsea", (0.25, 0.2, 0.85, 0.75)),
    Photograph("cat, black and white", "chelsea", treated=grey),
    Photograph("cat, in mist", "chelsea", treated=soft),
    Photograph("coffee", "coffee"),
    Photograph("coffee, the cup", "coffee", (0.25, 0.0, 0.75, 0.75)),
    Photograph("coffee, the spoon", "coffee", (0.45, 0.4, 0.95, 1)),
    Photograph("coffee, sepia", "coffee", treated=SEPIA),
    Photograph("rocket", "rocket"),
    Photograph("rocket, upright", "rocket", (0.38, 0.0, 0.75, 1)),
    Photograph("rocket, lighter", "rocket", treated=gamma(0.6)),
    Photograph("galaxies", "hubble_deep_field"),
    Photograph("retina", "retina"),
    Photograph("retina, its middle", "retina", (0.2, 0.2, 0.8, 0.8)),
    Photograph("motorcycle", "motorcycle"),
    Photograph("motorcycle, the engine", "motorcycle", (0.3, 0.35, 0.7, 0.9)),
    Photograph("motorcycle, shelves behind it", "motorcycle", (0.45, 0.0, 1, 0.5)),
    Photograph("motorcycle, front wheel", "motorcycle, right", (0.6, 0.4, 1, 1)),
    Photograph("motorcycle, black and white", "motorcycle", treated=grey),
    Photograph("photographer", "camera"),
    Photograph("photographer, his head", "camera", (0.3, 0.0, 0.8, 0.45)),
    Photograph("photographer, the meadow", "camera", (0.5, 0.4, 1, 0.9)),
    Photograph("photographer, selenium", "camera", treated=SELENIUM),
    Photograph("bricks", "brick"),
    Photograph("grass", "grass", is_enlarged=False),
    Photograph("gravel", "gravel", is_enlarged=False),
    Photograph("gravel, sepia", "gravel", treated=SEPIA),
    Photograph("moon", "moon"),
    Photograph("coins", "coins"),
    Photograph("a page", "page"),
    Photograph("cat, high key", "chelsea", treated=gamma(0.45)),
    Photograph("astronaut, high key", "astronaut", (0.25, 0.0, 0.7, 0.4), gamma(0.6)),
    Photograph("a cell", "cell"),
    Photograph("galaxies, one corner", "hubble_deep_field", (0.0, 0.0, 0.5, 0.5), None, False),
    Photograph("motorcycle, as taken", "motorcycle, right", is_enlarged=False),
    Photograph("motorcycle, the seat", "motorcycle", (0.0, 0.2, 0.5, 0.75)),
)
