"""Adjust a face in its place: its rows are written over, strip by strip, so memory stays small."""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from typing import Final

import numpy as np

from platemark.imaging.adjust_codes import Adjusting, Codes, Done
from platemark.imaging.face_reader import FaceReader
from platemark.imaging.source import Profile
from platemark.model.adjusting import Adjustment

_STRIP_BYTES: Final = 4 << 20


@dataclass(frozen=True, slots=True)
class Adjusted:
    """What came of it."""

    changed: float
    """Share of the pixels whose codes changed, 0 to 1."""
    kept_within: float
    """Share that would have left the space, and lost chroma instead."""
    mean_before: float
    """Mean L* of the picture."""
    mean_after: float


def adjust_face(
    path: str, size: tuple[int, int], source: Profile, adjustment: Adjustment, threads: int
) -> Adjusted:
    """Adjust a face in its place, strip by strip.

    Args:
        path: The face; its rows are written over.
        size: Width and height, px.
        source: What its samples mean.
        adjustment: What to do.
        threads: Strips in work at the same time; the result does not depend on them.

    Raises:
        PictureFault: the profile cannot be worked backwards, or the picture is grey and the
            adjustment asks for colour.
    """
    width, height = size
    adjusting = Adjusting(source, adjustment)
    row_bytes = width * source.bands * 2
    rows = max(1, _STRIP_BYTES // row_bytes)
    changed, within, before, after = 0, 0, 0.0, 0.0
    with FaceReader(path, width, height, source.bands) as face:
        writer = os.open(path, os.O_WRONLY | os.O_CLOEXEC)
        try:

            def made(top: int) -> Done:
                strip = face.rows(top, min(rows, height - top))
                done = adjusting.pixels(strip.reshape(-1, source.bands))
                _write_at(writer, done.codes, top * row_bytes)
                return done

            for done in _in_order(made, range(0, height, rows), threads):
                changed += done.changed
                within += done.kept_within
                before += done.before
                after += done.after
        finally:
            os.close(writer)
    count = width * height
    return Adjusted(changed / count, within / count, before / count, after / count)


def _in_order(made: Callable[[int], Done], tops: range, threads: int) -> Iterator[Done]:
    """Work on strips beside each other; sums are taken in the picture's order."""
    waiting: deque[Future[Done]] = deque()
    with ThreadPoolExecutor(threads) as pool:
        for top in tops:
            waiting.append(pool.submit(made, top))
            if len(waiting) > threads:
                yield waiting.popleft().result()
        while waiting:
            yield waiting.popleft().result()


def _write_at(handle: int, codes: Codes, offset: int) -> None:
    view = np.ascontiguousarray(codes).reshape(-1).view(np.uint8).data
    while view:
        put = os.pwrite(handle, view, offset)
        view, offset = view[put:], offset + put
