"""Read a face, in any order and in several threads, with nothing between us and the file.

The face is our own: uncompressed, 16 bit, in square tiles. Its rows are wanted again and again, so
they are read straight from where the tiles lie; through a picture library each row would be
copied four times.
"""

from __future__ import annotations

import os
from dataclasses import dataclass, field
from types import TracebackType
from typing import Self

import numpy as np
from numpy.typing import NDArray
from PIL import Image

Pixels = NDArray[np.uint16]
Numbers = NDArray[np.intp]

# Pillow only reads tags here and in the check, of files that we made; its guard against bombs
# would refuse large prints.
Image.MAX_IMAGE_PIXELS = None

_BITS, _COMPRESSION, _SAMPLES = 258, 259, 277
_TILE_WIDTH, _TILE_HEIGHT, _TILE_OFFSETS = 322, 323, 324


@dataclass(slots=True)
class FaceReader:
    """An open face; use it in a `with` statement."""

    path: str
    width: int = field(init=False)
    height: int = field(init=False)
    bands: int = field(init=False)
    _tile: tuple[int, int] = field(init=False)
    """Height and width, px."""
    _offsets: Numbers = field(init=False)
    """Of each tile in the file, shape (down, across)."""
    _handle: int = field(init=False)

    def __enter__(self) -> Self:
        with Image.open(self.path, formats=("TIFF",)) as opened:
            tags = opened.tag_v2  # type: ignore[attr-defined]
            self.width, self.height = opened.size
        self.bands = int(tags[_SAMPLES])
        if set(tags[_BITS]) != {16} or tags[_COMPRESSION] != 1 or _TILE_OFFSETS not in tags:
            raise ValueError(f"{self.path} is not a face: uncompressed 16-bit tiles")
        self._tile = (int(tags[_TILE_HEIGHT]), int(tags[_TILE_WIDTH]))
        down, across = -(-self.height // self._tile[0]), -(-self.width // self._tile[1])
        self._offsets = np.array(tags[_TILE_OFFSETS], np.intp).reshape(down, across)
        self._handle = os.open(self.path, os.O_RDONLY | os.O_CLOEXEC)
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        os.close(self._handle)

    @property
    def row_step(self) -> int:
        """Rows of one tile; whole multiples are read without waste."""
        return self._tile[0]

    def rows(self, first: int, count: int) -> Pixels:
        """Read whole rows.

        Args:
            first: Row to begin with.
            count: How many; all within the face.

        Returns:
            Shape (count, width, bands).
        """
        made = np.empty((count, self.width, self.bands), np.uint16)
        step = self._tile[0]
        for band in range(first // step, -(-(first + count) // step)):
            start = max(first, band * step)
            end = min(first + count, (band + 1) * step)
            self._read_band(band, start - band * step, made[start - first : end - first])
        return made

    def pixels(self, rows: Numbers, columns: Numbers) -> Pixels:
        """Read single pixels, shape (n, bands); each tile that has any is read once."""
        height, width = self._tile
        down, across = rows // height, columns // width
        number = down * self._offsets.shape[1] + across
        order = np.argsort(number, kind="stable")
        made = np.empty((len(rows), self.bands), np.uint16)
        bounds = np.flatnonzero(np.diff(number[order])) + 1
        for here in np.split(order, bounds):
            if len(here):
                tile = self._read_tiles(int(down[here[0]]), int(across[here[0]]), 1)[0]
                made[here] = tile[rows[here] % height, columns[here] % width]
        return made

    def _read_band(self, band: int, skip: int, into: Pixels) -> None:
        """Fill rows of `into` from one row of tiles, leaving its first `skip` rows out."""
        width = self._tile[1]
        tiles = self._read_tiles(band, 0, self._offsets.shape[1])
        count = len(into)
        for at, tile in enumerate(tiles):
            left = at * width
            right = min(left + width, self.width)
            into[:, left:right] = tile[skip : skip + count, : right - left]

    def _read_tiles(self, down: int, across: int, count: int) -> Pixels:
        """Read neighbouring tiles of one row, in one go where they lie one behind the other."""
        height, width = self._tile
        shape = (height, width, self.bands)
        tile_bytes = height * width * self.bands * 2
        offsets = self._offsets[down, across : across + count]
        buffer = np.empty((count, *shape), np.uint16)
        if np.all(np.diff(offsets) == tile_bytes):
            self._read_into(int(offsets[0]), buffer)
        else:
            for at, offset in enumerate(offsets):
                self._read_into(int(offset), buffer[at])
        return buffer

    def _read_into(self, offset: int, buffer: Pixels) -> None:
        view = buffer.reshape(-1).view(np.uint8).data
        while view:
            got = os.preadv(self._handle, [view], offset)
            if not got:
                raise ValueError(f"{self.path} ends before its tiles do")
            view, offset = view[got:], offset + got
