"""From 16 bit to 8, the last step before the file.

TIFF is dithered: `v8 = (v16 + r) // 257` with r from a tile, seeded by the plan, that holds each of
0 … 256 equally often; so exact 8-bit values come through unmoved and the mean of a plain area is
kept. JPEG is rounded, because its own coding would only spend bits on the grain.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

TILE = 257
"""Side of the dither tile, px; its rows are permutations of 0 … 256."""

_ROWS_AT_ONCE = 16

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


def dither_rows(rows: Codes16, top: int, tile: Codes16) -> Codes8:
    """Take rows of a picture to 8 bit.

    Args:
        rows: 16-bit values, shape (rows, width, bands).
        top: Row of the whole picture that they begin with.
        tile: From `dither_tile`.
    """
    height, width, bands = rows.shape
    across = np.tile(tile, (1, -(-width // TILE), 1))[:, :width]
    made = np.empty((height, width, bands), np.uint8)
    # Few rows at a time stay in the processor's cache.
    for start in range(0, height, _ROWS_AT_ONCE):
        part = rows[start : start + _ROWS_AT_ONCE]
        noise = across[np.arange(top + start, top + start + len(part)) % TILE]
        made[start : start + len(part)] = (part.astype(np.uint32) + noise) // TILE
    return made


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


def round_rows(rows: Codes16) -> Codes8:
    """Take rows of a picture, shape (height, width, bands), to 8 bit by rounding."""
    made = np.empty(rows.shape, np.uint8)
    for start in range(0, len(rows), _ROWS_AT_ONCE):
        part = np.s_[start : start + _ROWS_AT_ONCE]
        made[part] = rounded_codes(rows[part])
    return made


def rounded_codes(codes: Codes16) -> Codes8:
    """Round 16-bit values to 8 bit: `(v * 255 + 32767) // 65535`."""
    return ((codes.astype(np.uint32) * 255 + 32767) // 65535).astype(np.uint8)
