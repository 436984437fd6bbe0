"""Read a face, in any order and in several threads, with nothing between us and the file.

The face is our own: its samples, 16 bit in this machine's order, row after row, and nothing else.
Its rows are wanted again and again, so they are read straight into their place; through a picture
library each would be copied four times.
"""

from __future__ import annotations

import os
from dataclasses import dataclass, field
from types import TracebackType
from typing import Self

import numpy as np
from numpy.typing import NDArray

Pixels = NDArray[np.uint16]
Numbers = NDArray[np.intp]


@dataclass(slots=True)
class FaceReader:
    """An open face; use it in a `with` statement.

    Raises:
        ValueError: on entering, the file is not of that size.
    """

    path: str
    width: int
    height: int
    bands: int
    _handle: int = field(init=False)

    def __enter__(self) -> Self:
        self._handle = os.open(self.path, os.O_RDONLY | os.O_CLOEXEC)
        if os.fstat(self._handle).st_size != self.height * self._row_bytes:
            os.close(self._handle)
            raise ValueError(
                f"{self.path} is not a face of {self.width} × {self.height} px with "
                f"{self.bands} channels"
            )
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        os.close(self._handle)

    def rows(self, first: int, count: int) -> Pixels:
        """Read whole rows.

        Args:
            first: Row to begin with.
            count: How many; all within the face.

        Returns:
            Shape (count, width, bands).
        """
        made = np.empty((count, self.width, self.bands), np.uint16)
        self._read_into(first * self._row_bytes, made)
        return made

    def pixels(self, rows: Numbers, columns: Numbers) -> Pixels:
        """Read single pixels, shape (n, bands); neighbours in a row are read together."""
        made = np.empty((len(rows), self.bands), np.uint16)
        places = rows * self.width + columns
        order = np.argsort(places, kind="stable")
        for run in np.split(order, np.flatnonzero(np.diff(places[order]) != 1) + 1):
            if len(run):
                together = np.empty((len(run), self.bands), np.uint16)
                self._read_into(int(places[run[0]]) * self.bands * 2, together)
                made[run] = together
        return made

    def shrunk(self, step: int) -> Pixels:
        """Make a small picture to look at: each pixel for `step` × `step` of the face.

        Up to three rows and columns of each square are averaged: to read every row of a large
        picture would take longer than all else in a drawing.

        Args:
            step: Pixels a side of each square; squares that are not whole are left out.

        Returns:
            Shape (height // step, width // step, bands).
        """
        across, down = self.width // step, self.height // step
        made = np.empty((down, across, self.bands), np.uint16)
        chosen = sorted({step // 6, step // 2, step - 1 - step // 6})
        for y in range(down):
            total = np.zeros((across, self.bands), np.uint32)
            for at in chosen:
                row = self.rows(y * step + at, 1)[0, : across * step]
                for column in chosen:
                    total += row[column::step]
            made[y] = total // len(chosen) ** 2
        return made

    @property
    def _row_bytes(self) -> int:
        return self.width * self.bands * 2

    def _read_into(self, offset: int, buffer: Pixels) -> None:
        view = buffer.reshape(-1).view(np.uint8).data
        while view:
            got = os.preadv(self._handle, [view], offset)
            if not got:
                raise ValueError(f"{self.path} ends before its rows do")
            view, offset = view[got:], offset + got
