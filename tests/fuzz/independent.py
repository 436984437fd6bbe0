"""What other people's decoders make of a spoilt picture: tifffile, Pillow and imagecodecs.

A picture that none of them decodes whole must never be printed; one that Platemark prints must have
the pixels that one of them reads.
"""

from __future__ import annotations

import io
import warnings
from collections.abc import Callable, Iterator
from typing import Any

import imagecodecs
import numpy as np
import tifffile
from numpy.typing import NDArray
from PIL import Image

Pixels = NDArray[Any]

_TURNS: dict[int, Callable[[Pixels], Pixels]] = {
    1: lambda p: p,
    2: lambda p: p[:, ::-1],
    3: lambda p: p[::-1, ::-1],
    4: lambda p: p[::-1],
    5: lambda p: p.transpose(1, 0, 2),
    6: lambda p: np.rot90(p, -1),
    7: lambda p: p[::-1, ::-1].transpose(1, 0, 2),
    8: lambda p: np.rot90(p),
}
"""From stored to upright (CIPA DC-008, tag Orientation)."""

_LAB_WHITE = np.array([0.9642, 1.0, 0.8249])
_ROMM_FROM_XYZ = np.linalg.inv(
    # Columns of ISO 22028-2 as ICC profiles carry them, relative to D50.
    np.array(
        [[0.7976749, 0.1351917, 0.0313534], [0.2880402, 0.7118741, 0.0000857], [0, 0, 0.8252100]]
    )
)


def readings(data: bytes) -> Iterator[tuple[str, Pixels]]:
    """Yield what each decoder reads, shape (height, width, bands), 8 or 16 bit, as stored.

    Samples are those of the picture's own colours; alpha and other channels stay behind them.
    """
    if data[:4] in (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+"):
        readers: tuple[Callable[[bytes], Pixels], ...] = (by_tifffile, by_pillow)
    elif data[:8] == b"\x89PNG\r\n\x1a\n":
        readers = (by_libpng, by_pillow)
    else:
        readers = (by_pillow, by_libjpeg)
    for reader in readers:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            try:
                yield reader.__name__, reader(data)
            except Exception:  # whatever a foreign decoder says, it could not
                continue


def by_tifffile(data: bytes) -> Pixels:
    with tifffile.TiffFile(io.BytesIO(data)) as whole:
        page = whole.pages.first
        tags: Any = page.tags
        pixels = page.asarray(maxworkers=1)
        kind, planar = int(page.photometric), int(page.planarconfig) == 2
        fill = tags[266].value if 266 in tags else 1
    if int(fill) != 1:
        raise ValueError("bits from the other end")
    if pixels.dtype not in (np.uint8, np.uint16, np.int8, np.int16):
        raise ValueError("depth")
    if pixels.ndim == 3 and planar:
        pixels = np.moveaxis(pixels, 0, -1)
    if pixels.ndim == 2:
        pixels = pixels[..., np.newaxis]
    if kind == 0:
        pixels = np.iinfo(pixels.dtype).max - pixels
    return pixels


def by_pillow(data: bytes) -> Pixels:
    with Image.open(io.BytesIO(data), formats=("TIFF", "JPEG", "PNG", "MPO")) as picture:
        if picture.mode not in ("RGB", "RGBA", "L", "LA", "I;16", "I;16B", "RGBX"):
            raise ValueError(picture.mode)
        pixels = np.asarray(picture)
    return pixels[..., np.newaxis] if pixels.ndim == 2 else pixels


def by_libpng(data: bytes) -> Pixels:
    pixels = imagecodecs.png_decode(data)
    return pixels[..., np.newaxis] if pixels.ndim == 2 else pixels


def by_libjpeg(data: bytes) -> Pixels:
    pixels = imagecodecs.jpeg8_decode(data)
    return pixels[..., np.newaxis] if pixels.ndim == 2 else pixels


def upright(pixels: Pixels, orientation: int) -> Pixels:
    return _TURNS[orientation](pixels)


def in_16_bit(pixels: Pixels, bands: int) -> Pixels:
    """Samples as a face has them: 8-bit codes times 257, grey in as many bands as are wanted."""
    if pixels.dtype.itemsize == 1:
        pixels = pixels.astype(np.uint16) * np.uint16(257)
    if pixels.shape[2] < 3:
        return np.repeat(pixels[..., :1], bands, axis=2)
    return pixels[..., :bands]


def romm_of_lab(pixels: Pixels, *, icc: bool) -> Pixels:
    """ROMM RGB of L*a*b* samples by the formulas of the standards (TIFF 6.0, 23; ISO 22028-2)."""
    codes = pixels[..., :3].astype(np.float64)
    deep = pixels.dtype.itemsize == 2
    if icc:
        light = codes[..., 0] / ((0xFF00 if deep else 255) / 100)
        ab = codes[..., 1:] / (256 if deep else 1) - 128
    else:
        light = (codes[..., 0] % 65536) / (65535 if deep else 255) * 100
        signed = pixels[..., 1:3].astype(np.uint16 if deep else np.uint8)
        ab = signed.view(np.int16 if deep else np.int8).astype(np.float64) / (256 if deep else 1)
    y = (light + 16) / 116
    curved = np.stack([y + ab[..., 0] / 500, y, y - ab[..., 1] / 200], axis=-1)
    relative = np.where(curved > 6 / 29, curved**3, (curved - 16 / 116) * 108 / 841)
    linear = np.clip((relative * _LAB_WHITE) @ _ROMM_FROM_XYZ.T, 0, 1)
    coded = np.where(linear < 1 / 512, 16 * linear, linear ** (1 / 1.8))
    return np.rint(coded * 65535)
