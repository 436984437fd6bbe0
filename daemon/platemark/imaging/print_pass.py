"""From the face to the finished samples of the print, a strip at a time.

Each strip is taken from the face with what lies around it, converted, put on its paper, turned
where the studio mirrors, and brought to its depth. Strips are worked on in several threads and
handed on in order; which thread did what shows nowhere in the result.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from platemark.imaging.convert import Conversion, Places
from platemark.imaging.depth import dither_rows, dither_tile, round_rows
from platemark.imaging.edges import Document, is_bordered
from platemark.imaging.patch_strip import Strip, strip_of
from platemark.imaging.slug import Slug, slug_of
from platemark.imaging.tiff_writer import STRIP_ROWS
from platemark.model.plan import Plan

Codes16 = NDArray[np.uint16]
Samples = NDArray[np.uint16] | NDArray[np.uint8]
Packed = TypeVar("Packed")

_STRIPS_BYTES = 64 << 20
"""Samples in memory at the same time; larger strips are no quicker (measured)."""


@dataclass(frozen=True, slots=True)
class Seen:
    """The sampled pixels as they went by: before the conversion, and after it."""

    before: Codes16
    after: Codes16


@dataclass(frozen=True, slots=True)
class PrintPass:
    """One pass over a document."""

    document: Document
    plan: Plan
    conversion: Conversion
    exact: bool
    places: Places
    """Pixels of the face whose values are kept for judging."""
    seen: Seen
    tile: Codes16 = field(init=False)
    slug: Slug | None = field(init=False)
    strip: Strip | None = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "tile", dither_tile(self.plan.dither_seed))
        object.__setattr__(self, "slug", slug_of(self.plan))
        object.__setattr__(self, "strip", strip_of(self.plan, self.conversion.output))

    def strips(self, threads: int, pack: Callable[[Samples], Packed]) -> Iterator[Packed]:
        """Yield the packed strips of the whole print, from the top.

        Args:
            threads: Strips in work at the same time.
            pack: What to make of a strip's samples, shape (rows, width, 3), 16 or 8 bit.
        """
        height, rows = self.plan.height_px, self._strip_rows(threads)
        waiting: deque[Future[Packed]] = deque()
        with ThreadPoolExecutor(threads) as pool:
            for top in range(0, height, rows):
                waiting.append(pool.submit(self._made, top, min(rows, height - top), pack))
                # One is handed on while the others are worked on.
                if len(waiting) > threads:
                    yield waiting.popleft().result()
            while waiting:
                yield waiting.popleft().result()

    def _strip_rows(self, threads: int) -> int:
        """Rows of a strip: as many as memory allows, and so that all threads end together."""
        plan = self.plan
        most = max(1, _STRIPS_BYTES // (threads + 1) // (plan.width_px * 2 * 3))
        rounds = -(-plan.height_px // (most * threads))
        rows = -(-plan.height_px // (rounds * threads))
        return -(-rows // STRIP_ROWS) * STRIP_ROWS

    def _made(self, top: int, height: int, pack: Callable[[Samples], Packed]) -> Packed:
        """Make one strip of the print from nothing."""
        offset = self.plan.placed.top if is_bordered(self.plan) else 0
        first = max(top - offset, 0)
        count = min(top + height - offset, self.document.height) - first
        pixels = self.document.rows(first, count) if count > 0 else None
        return self._finished(pixels, first, top, height, pack)

    def _finished(
        self,
        pixels: Codes16 | None,
        first: int,
        top: int,
        height: int,
        pack: Callable[[Samples], Packed],
    ) -> Packed:
        converted = None
        if pixels is not None:
            here, rows, columns = self._sampled(first, len(pixels))
            self.seen.before[here] = pixels[rows, columns]
            convert = self.conversion.exact if self.exact else self.conversion.quick
            converted = convert(pixels, in_place=True)
            self.seen.after[here] = converted[rows, columns]
        print_rows = self._on_paper(converted, first, top, height)
        if self.slug is not None:
            self.slug.put(print_rows, top)
        if self.strip is not None:
            self.strip.put(print_rows, top)
        if self.plan.mirror:
            print_rows = print_rows[:, ::-1]
        return pack(self._to_depth(print_rows, top))

    def _sampled(
        self, first: int, count: int
    ) -> tuple[NDArray[np.intp], NDArray[np.intp], NDArray[np.intp]]:
        """Which samples lie in these rows of the document, and where in the strip."""
        down, across = 0, 0
        if not is_bordered(self.plan):
            down, across = self.plan.placed.top, self.plan.placed.left
        rows = self.places.rows + (down - first)
        here = np.flatnonzero((rows >= 0) & (rows < count))
        return here, rows[here], self.places.columns[here] + across

    def _on_paper(self, converted: Codes16 | None, first: int, top: int, height: int) -> Codes16:
        bordered = is_bordered(self.plan)
        if not bordered and converted is not None and len(converted) == height:
            return converted
        # No ink at all: the device's own white, whatever the profile makes of the picture's.
        paper = np.full((height, self.plan.width_px, 3), 65535, np.uint16)
        if converted is not None:
            down, left = (self.plan.placed.top, self.plan.placed.left) if bordered else (0, 0)
            begin, width = first + down - top, converted.shape[1]
            paper[begin : begin + len(converted), left : left + width] = converted
        return paper

    def _to_depth(self, rows: Codes16, top: int) -> Samples:
        if self.plan.bits == 16:
            return np.ascontiguousarray(rows)
        if self.plan.format == "jpeg":
            return round_rows(rows)
        return dither_rows(rows, top, self.tile)
