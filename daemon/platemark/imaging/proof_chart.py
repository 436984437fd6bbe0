"""The two drawings of a proof sheet that are no picture: where colours change, and lightness.

What changes much is told by lightness first and hue second: a dark grey picture, and on it a ramp
that grows lighter from step to step, so that any eye reads it, and any grey copy too.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from platemark.imaging.drawing import lettering
from platemark.imaging.light import Plane, light_of
from platemark.imaging.proof import Shown, on_display

Rgb = tuple[int, int, int]

STEPS: Final = (5, 8, 12, 20)
"""CIEDE2000 from which each colour of the ramp is taken."""
RAMP: Final[tuple[Rgb, ...]] = ((196, 112, 24), (233, 160, 52), (248, 208, 110), (255, 248, 222))
"""L* 55, 71, 86 and 97."""
CARD: Final[Rgb] = (74, 74, 74)

_DARKEST, _SPAN = 8, 0.34
"""L* of the grey picture below the ramp: from 8 to 42."""
_INK, _FAINT, _FILL, _LINE = (255, 255, 255), (188, 188, 188), (132, 132, 132), (255, 255, 255)
_FINER: Final = 2
_BINS: Final = 100
_RAMP_PX, _FOOT_PX, _HEAD_PX, _SIDE_PX = 12, 58, 74, 22
_TEXT_PX: Final = 20
_DASH: Final = (7, 5)


def said(lightness: float) -> str:
    """L* for people."""
    return f"{lightness:.1f}".removesuffix(".0")


def change_map(lightness: Plane, changes: Plane) -> Shown:
    """Draw where colours change, on the picture in dark grey.

    Args:
        lightness: L* of the picture, shape (height, width).
        changes: CIEDE2000 of each pixel.
    """
    greys = np.zeros((256, 3))
    greys[:, 0] = _DARKEST + np.linspace(0, 100, 256) * _SPAN
    colours = np.concatenate([on_display(light_of(greys)), np.array(RAMP, np.uint8)])
    # The whole span of greys, whatever the picture's: a dark one must be recognised too.
    low, high = np.percentile(lightness[::4, ::4], (1, 99))
    at = ((lightness - low) * (255 / max(high - low, 1))).clip(0, 255).astype(np.uint16)
    for number, step in enumerate(STEPS):
        at[changes > step] = 256 + number
    shown: Shown = np.take(colours, at, axis=0)
    return shown


def draw_scale(pen: ImageDraw.ImageDraw, left: int, top: int, width: int) -> None:
    """Draw what the colours of the map mean, a number at each step; 44 px high."""
    font = lettering(_TEXT_PX)
    each = width // len(RAMP)
    for number, (step, colour) in enumerate(zip(STEPS, RAMP, strict=True)):
        at = left + number * each
        pen.rectangle([at, top, at + each - 3, top + 14], fill=colour)
        pen.text((at, top + 20), f"{step}", font=font, fill=_INK, anchor="la")
    pen.text((left + width, top + 20), "more", font=font, fill=_INK, anchor="ra")


def lightness_chart(
    size: tuple[int, int], source: Plane, printed: Plane, black: float, white: float
) -> Image.Image:
    """Draw how much of the picture is how light, before and on the surface.

    Args:
        size: Width and height, px.
        source: L* of the picture.
        printed: L* of the print beside a perfect white.
        black: L* of the surface's deepest black, marked.
        white: L* of the bare surface, marked.
    """
    card = _Card(size)
    before, after = (lightness_shares(plane) for plane in (source, printed))
    # What is all of one lightness would leave nothing to be seen of the rest.
    top = max(float(np.sort(each)[-3:].mean()) for each in (before, after)) * 1.1
    card.fill(np.minimum(before / top, 1))
    card.line(np.minimum(after / top, 1))
    card.scale()
    card.mark(black, "black")
    card.mark(white, "white")
    card.key()
    return card.image.resize(size, Image.Resampling.BOX)


def lightness_shares(lightness: Plane) -> NDArray[np.float64]:
    """Share of each step of L*, smoothed over three of them."""
    steps = np.clip(lightness.ravel() * (_BINS / 100), 0, _BINS - 1).astype(np.uint8)
    counts = np.bincount(steps, minlength=_BINS) / steps.size
    around = np.pad(counts, 1)
    smooth: NDArray[np.float64] = (around[:-2] + 2 * counts + around[2:]) / 4
    return smooth


class _Card:
    """The card that lightness is drawn on; measures are px of the finished drawing."""

    def __init__(self, size: tuple[int, int]) -> None:
        width, height = size
        self.image = Image.new("RGB", (width * _FINER, height * _FINER), CARD)
        self._pen = ImageDraw.Draw(self.image)
        self._left, self._right = _SIDE_PX, width - _SIDE_PX
        self._top, self._foot = _HEAD_PX, height - _FOOT_PX

    def fill(self, shares: NDArray[np.float64]) -> None:
        """Draw an area."""
        ends = [(self._left, self._foot), *self._points(shares), (self._right, self._foot)]
        self._pen.polygon([(x * _FINER, y * _FINER) for x, y in ends], fill=_FILL)

    def line(self, shares: NDArray[np.float64]) -> None:
        """Draw an outline, dark beside its light, so that it is seen on the area too."""
        points = [(x * _FINER, y * _FINER) for x, y in self._points(shares)]
        for width, colour in ((6, CARD), (3, _LINE)):
            self._pen.line(points, colour, width * _FINER // 2 * 2, joint="curve")

    def scale(self) -> None:
        """Draw L* from 0 to 100 as greys, and as numbers."""
        wide = (self._right - self._left) * _FINER
        greys = np.zeros((1, wide, 3))
        greys[..., 0] = np.linspace(0, 100, wide)
        strip = Image.fromarray(on_display(light_of(greys)))
        strip = strip.resize((wide, _RAMP_PX * _FINER))
        self.image.paste(strip, (self._left * _FINER, (self._foot + 4) * _FINER))
        for lightness in range(0, 101, 20):
            words = f"L* {lightness}" if lightness == 0 else f"{lightness}"
            anchor = "la" if lightness == 0 else "ra" if lightness == 100 else "ma"
            self._write(self._at(lightness), self._foot + 24, words, anchor)

    def mark(self, lightness: float, word: str) -> None:
        """Draw an upright dashed line with its number at its head."""
        x = self._at(lightness)
        for y in range(self._top - 6, self._foot, sum(_DASH)):
            ends = [(x * _FINER, y * _FINER), (x * _FINER, min(y + _DASH[0], self._foot) * _FINER)]
            self._pen.line(ends, _FAINT, 2 * _FINER)
        anchor = "rs" if lightness > 50 else "ls"
        self._write(x, self._top - 12, f"{word} {said(lightness)}", anchor)

    def key(self) -> None:
        """Draw what the area and the outline are."""
        y, x = 22, self._left
        for words in ("as it came", "as it will print"):
            box = [x * _FINER, (y - 7) * _FINER, (x + 26) * _FINER, (y + 7) * _FINER]
            if x == self._left:
                self._pen.rectangle(box, fill=_FILL)
            else:
                self._pen.line([box[0], y * _FINER, box[2], y * _FINER], _LINE, 3 * _FINER)
            self._write(x + 34, y, words, "lm")
            x += 34 + round(lettering(_TEXT_PX).getlength(words)) + 26

    def _points(self, shares: NDArray[np.float64]) -> list[tuple[float, float]]:
        high = self._foot - self._top
        each = (self._right - self._left) / _BINS
        return [
            (self._left + (at + 0.5) * each, self._foot - share * high)
            for at, share in enumerate(shares)
        ]

    def _at(self, lightness: float) -> float:
        return self._left + (self._right - self._left) * min(max(lightness, 0), 100) / 100

    def _write(self, x: float, y: float, words: str, anchor: str) -> None:
        font = lettering(_TEXT_PX * _FINER)
        self._pen.text((x * _FINER, y * _FINER), words, font=font, fill=_INK, anchor=anchor)
