"""Real photographs for the corpus: those that the scikit-image wheel carries, cut and enlarged.

Nothing is downloaded. The same call gives the same pixels.
"""

from __future__ import annotations

import functools
from typing import Any

import imagecodecs
import numpy as np
import skimage.data
from numpy.typing import NDArray
from PIL import Image, ImageCms

from platemark.imaging.icc import build_matrix_profile

Pixels = NDArray[Any]

COLOUR = ("astronaut", "chelsea", "coffee", "rocket", "retina", "hubble_deep_field")
GREY = ("camera", "brick", "grass", "gravel", "moon", "coins")

WIDE, HIGH = 720, 480
"""4 × 6 in at 120 ppi: enough for the PVC board without a caution, and inside its lab's range."""


@functools.cache
def whole(name: str) -> Pixels:
    """One photograph as scikit-image has it, 8 bit, shape (height, width[, 3])."""
    pixels: Pixels = np.asarray(getattr(skimage.data, name)())
    return pixels


def cut(name: str, width: int, height: int, at: float = 0.5, share: float = 1) -> Pixels:
    """Cut the largest part of that proportion and bring it to that size, as an editor does.

    Args:
        name: Of the photograph.
        width: Wanted, px.
        height: Wanted, px.
        at: Where along the side that is cut, 0 to 1.
        share: Of the largest part that is taken, so that each file has pixels of its own.
    """
    pixels = whole(name)
    high, wide = pixels.shape[:2]
    across = min(wide, high * width / height) * share
    down = min(high, wide * height / width) * share
    left, top = (wide - across) * at, (high - down) * at
    part = Image.fromarray(pixels).resize(
        (width, height), Image.Resampling.LANCZOS, (left, top, left + across, top + down)
    )
    return np.asarray(part)


def colour(number: int = 0, width: int = WIDE, height: int = HIGH) -> Pixels:
    """The photograph of that number, 8-bit RGB, shape (height, width, 3); no two are the same."""
    return cut(COLOUR[number % len(COLOUR)], width, height, *_part(number))


def grey(number: int = 0, width: int = WIDE, height: int = HIGH) -> Pixels:
    """The black-and-white photograph of that number, 8 bit, shape (height, width)."""
    return cut(GREY[number % len(GREY)], width, height, *_part(number))


def _part(number: int) -> tuple[float, float]:
    return (number * 7 % 20) / 20, 1 - 0.001 * (number % 251)


def deep(pixels: Pixels) -> Pixels:
    """The same with 16 bit, the low bytes filled as an editor's calculations fill them."""
    noise = np.random.default_rng(int(pixels[0, 0].sum())).integers(0, 257, pixels.shape)
    wide: Pixels = np.minimum(pixels.astype(np.uint32) * 257 + noise, 65535).astype(np.uint16)
    return wide


def in_space(pixels: Pixels, profile: bytes) -> Pixels:
    """The same colours in another RGB space, by LittleCMS; the photographs are sRGB.

    Args:
        pixels: 8 or 16 bit, which the result has too.
        profile: Of the space.
    """
    converted: Pixels = imagecodecs.cms_transform(
        np.ascontiguousarray(pixels),
        build_matrix_profile("srgb", version=4),
        profile,
        colorspace="rgb",
        outcolorspace="rgb",
        intent=int(imagecodecs.CMS.INTENT.RELATIVE_COLORIMETRIC),
    )
    return converted


def lab_of(pixels: Pixels, *, icc: bool) -> Pixels:
    """L*a*b* of an sRGB picture by LittleCMS: CIELab (a, b signed) or ICCLab (offset), 8 bit."""
    change = ImageCms.buildTransform(
        ImageCms.createProfile("sRGB"), ImageCms.createProfile("LAB"), "RGB", "LAB"
    )
    made = ImageCms.applyTransform(Image.fromarray(pixels), change)
    assert made is not None
    # Pillow's LAB has a and b signed, as two's complement.
    lab = np.frombuffer(made.tobytes(), np.uint8).reshape(pixels.shape).copy()
    if icc:
        lab[..., 1:] ^= 0x80
    return lab


def lab_16(pixels: Pixels) -> Pixels:
    """The same as CIELab with 16 bit: L 0 … 65535, a and b in 1/256 and signed (TIFF 6.0, 23)."""
    lab = lab_of(pixels, icc=False)
    out = np.empty(lab.shape, np.uint16)
    out[..., 0] = lab[..., 0].astype(np.uint16) * 257
    out[..., 1:] = (lab[..., 1:].view(np.int8).astype(np.int16) * 256).view(np.uint16)
    return out


def with_channels(pixels: Pixels, *more: int | Pixels) -> Pixels:
    """The same with extra channels, each a plane or one value everywhere."""
    planes = [
        np.broadcast_to(np.asarray(each, pixels.dtype), pixels.shape[:2])[..., np.newaxis]
        for each in more
    ]
    return np.concatenate([pixels, *planes], axis=2)


def spot(pixels: Pixels, value: int) -> Pixels:
    """A channel that is full but for a disc in the middle, as a cut-out has it."""
    high, wide = pixels.shape[:2]
    y, x = np.mgrid[0:high, 0:wide]
    inside = (y - high / 2) ** 2 + (x - wide / 2) ** 2 < (high / 5) ** 2
    top = np.iinfo(pixels.dtype).max
    return np.where(inside, value, top).astype(pixels.dtype)
