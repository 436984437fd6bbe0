"""From 16 bit to 8, the last step before the file.

TIFF is dithered: `v8 = (v16 + r) // 257` with r from a tile, seeded by the plan, that holds each of
0 … 256 equally often; so exact 8-bit values come through unmoved and the mean of a plain area is
kept. JPEG is rounded, because its own coding would only spend bits on the grain.
"""

from __future__ import annotations

import numpy as np
import pyvips
from numpy.typing import NDArray

TILE = 257
"""Side of the dither tile, px; its rows are permutations of 0 … 256."""

Codes16 = NDArray[np.uint16]
Codes8 = NDArray[np.uint8]


def dither_tile(seed: int, bands: int = 3) -> Codes16:
    """Make the tile of a seed.

    Only the raw stream of PCG64 is used, which NumPy promises to keep, and a stable sort.

    Args:
        seed: Up to 64 bits.
        bands: Channels; each has a tile of its own.

    Returns:
        Shape (257, 257, bands); each row of each band is a permutation of 0 … 256.
    """
    raw = np.random.PCG64(seed).random_raw(TILE * TILE * bands)
    order = np.argsort(raw.reshape(bands, TILE, TILE), axis=-1, kind="stable")
    return np.ascontiguousarray(np.moveaxis(order, 0, -1)).astype(np.uint16)


def dithered(image: pyvips.Image, seed: int) -> pyvips.Image:
    """Take a 16-bit picture to 8 bit with the dither of a seed."""
    tile = pyvips.Image.new_from_array(dither_tile(seed, image.bands))
    across, down = -(-image.width // TILE), -(-image.height // TILE)
    noise = tile.replicate(across, down).crop(0, 0, image.width, image.height)
    # Half a code keeps the quotient clear of the whole numbers, so float arithmetic cannot
    # come out on the wrong side of one; the cast cuts the fraction off.
    summed = image + noise
    return summed.linear(1 / 257, 0.5 / 257, uchar=True).copy(interpretation="srgb")


def dithered_at(
    pixels: Codes16, rows: NDArray[np.intp], columns: NDArray[np.intp], tile: Codes16
) -> Codes8:
    """Say what the dither makes of pixels at known places, by the rule itself.

    Args:
        pixels: 16-bit values, shape (n, bands).
        rows: Row of each in the whole picture.
        columns: Column of each.
        tile: From `dither_tile`.
    """
    noise = tile[rows % TILE, columns % TILE].astype(np.uint32)
    return ((pixels.astype(np.uint32) + noise) // 257).astype(np.uint8)


def rounded(image: pyvips.Image) -> pyvips.Image:
    """Take a 16-bit picture to 8 bit by rounding."""
    table = rounded_codes(np.arange(65536, dtype=np.uint16))[np.newaxis]
    return image.maplut(pyvips.Image.new_from_array(table)).copy(interpretation="srgb")


def rounded_codes(codes: Codes16) -> Codes8:
    """Round 16-bit values to 8 bit: `(v * 255 + 32767) // 65535`."""
    return ((codes.astype(np.uint64) * 255 + 32767) // 65535).astype(np.uint8)
