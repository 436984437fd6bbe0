"""Make the face of a test's sheet: pieces of the print that would be, on white, with words.

The print is made at its size and left as it came; each piece is then cut out with as much around it
as sharpening looks at, adjusted and sharpened as all of it would be. So a piece has the pixels that
the final print has there, and each may be adjusted in its own way.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import replace
from math import ceil
from pathlib import Path
from typing import Final

import numpy as np
import pyvips
from numpy.typing import NDArray

from platemark.imaging.adjust import adjust_face
from platemark.imaging.face import make_face
from platemark.imaging.face_reader import FaceReader
from platemark.imaging.letters import in_letters
from platemark.imaging.sharpen import sharpen_face
from platemark.imaging.slug import lettered
from platemark.imaging.source import Profile
from platemark.model.finding import Change
from platemark.model.plan import Plan
from platemark.model.terms import Box
from platemark.model.test_sheet import Label, SheetPlan, Tile
from platemark.model.units import MM_PER, shown

_REACH: Final = 3
"""Standard deviations of its blur that sharpening looks at."""
_WHITE: Final = 65535
_ROWS_AT_ONCE: Final = 256
_SMALLEST_LETTER_PX: Final = 5

Codes = NDArray[np.uint16]


def make_sheet(
    original: pyvips.Image, plan: Plan, source: Profile, path: str, threads: int
) -> tuple[Change, ...]:
    """Write the face of a sheet and say what was done to the pixels on the way.

    Args:
        original: As stored, sequential.
        plan: Of a sheet; what it says of crop, adjustment and sharpening is the final print's.
        source: The picture's profile.
        path: File to write.
        threads: To adjust and to sharpen with.

    Raises:
        PictureFault: the picture is not the one that was planned with.
        ValueError: the plan is of no sheet, or a piece lies outside the print or the sheet.
    """
    sheet = plan.test
    if sheet is None:
        raise ValueError("the plan is of no sheet")
    final = replace(
        plan,
        placed=Box(0, 0, sheet.width_px, sheet.height_px),
        sharpen=None,
        adjust=None,
        test=None,
    )
    whole = Path(path).with_suffix(".whole")
    try:
        changes = make_face(original, final, source, str(whole), threads)
        _write_white(path, plan, source.bands)
        handle = os.open(path, os.O_WRONLY | os.O_CLOEXEC)
        try:
            # Words first: should they need more room than was reckoned, no picture loses a pixel.
            for label in sheet.labels:
                _put(handle, _written(label, source.bands), label.left, label.top, plan)
            with FaceReader(str(whole), sheet.width_px, sheet.height_px, source.bands) as face:
                for tile in sheet.tiles:
                    piece = _piece(face, tile, plan, source, whole.with_suffix(".piece"), threads)
                    _put(handle, piece, tile.left, tile.top, plan)
        finally:
            os.close(handle)
    finally:
        whole.unlink(missing_ok=True)
    return (*changes, *_said(plan, sheet))


def _write_white(path: str, plan: Plan, bands: int) -> None:
    width, height = plan.placed.width, plan.placed.height
    rows = np.full((_ROWS_AT_ONCE, width, bands), _WHITE, np.uint16)
    with Path(path).open("wb") as file:
        for top in range(0, height, _ROWS_AT_ONCE):
            part = rows[: min(_ROWS_AT_ONCE, height - top)]
            file.write(part.data)


def _piece(
    face: FaceReader, tile: Tile, plan: Plan, source: Profile, scratch: Path, threads: int
) -> Codes:
    """The pixels that the final print would have in a box."""
    box, how = tile.box, plan.sharpen
    if min(box.left, box.top) < 0 or (
        box.left + box.width > face.width or box.top + box.height > face.height
    ):
        raise ValueError("a piece of the test lies outside the print")
    reach = 0 if how is None else ceil(_REACH * float(how.radius_px)) + 1
    left, top = max(0, box.left - reach), max(0, box.top - reach)
    right = min(face.width, box.left + box.width + reach)
    bottom = min(face.height, box.top + box.height + reach)
    around = np.ascontiguousarray(face.rows(top, bottom - top)[:, left:right])
    size = (right - left, bottom - top)
    sharp = scratch.with_suffix(".sharp")
    try:
        scratch.write_bytes(around.data)
        if tile.adjust is not None:
            adjust_face(str(scratch), size, source, tile.adjust, threads)
        if how is not None:
            sharpen_face(str(scratch), str(sharp), size, source, how, threads)
        with FaceReader(str(sharp if how is not None else scratch), *size, source.bands) as made:
            rows = made.rows(box.top - top, box.height)
    finally:
        scratch.unlink(missing_ok=True)
        sharp.unlink(missing_ok=True)
    first = box.left - left
    return np.ascontiguousarray(rows[:, first : first + box.width])


def _written(label: Label, bands: int) -> Codes:
    """A label in black on white, no wider than there is room for."""
    words = in_letters(label.words.replace("·", "-"))
    for letter in range(label.letter_px, _SMALLEST_LETTER_PX - 1, -1):
        ink = lettered(words, letter)
        if ink.shape[1] <= label.most_px:
            break
    ink = ink[:, : label.most_px]
    plain = np.where(ink, 0, _WHITE).astype(np.uint16)
    return np.repeat(plain[:, :, np.newaxis], bands, axis=2)


def _put(handle: int, piece: Codes, left: int, top: int, plan: Plan) -> None:
    """Write a piece into the face in its place."""
    width, height, bands = plan.placed.width, plan.placed.height, piece.shape[2]
    down, across = piece.shape[:2]
    if min(left, top) < 0 or left + across > width or top + down > height:
        raise ValueError("a piece of the test lies outside its sheet")
    for at, row in enumerate(piece):
        view = np.ascontiguousarray(row).reshape(-1).view(np.uint8).data
        offset = ((top + at) * width + left) * bands * 2
        while view:
            put = os.pwrite(handle, view, offset)
            view, offset = view[put:], offset + put


def _said(plan: Plan, sheet: SheetPlan) -> Iterator[Change]:
    count = len(sheet.tiles)
    what = {
        "crops": f"{count} places of the print at full size",
        "steps": f"one place of the print {count} times, adjusted in {count} ways",
    }[sheet.part]
    placed = plan.placed
    yield Change(
        "test-sheet",
        f"Put {what} on a white sheet, with a line of words above each; "
        f"{sheet.width_px}x{sheet.height_px} became {placed.width}x{placed.height}.",
        f"{sheet.width_px}x{sheet.height_px}",
        f"{placed.width}x{placed.height}",
    )
    adjusted = [tile.adjust for tile in sheet.tiles if tile.adjust is not None]
    if adjusted and sheet.part == "crops":
        how = adjusted[0]
        text = f"Adjusted the places as the final print: {how.words}."
        yield Change("adjusted", text, "as they came", str(how))
    elif adjusted:
        said = "; ".join(str(each) for each in adjusted)
        text = f"Adjusted each piece as the words above it say: {said}."
        yield Change("adjusted-in-steps", text, "as it came", said)
    sharpen = plan.sharpen
    if sharpen is not None:
        millimetres = shown(sharpen.radius_px / plan.ppi * MM_PER["in"], 2)
        amount = shown(sharpen.amount, 2)
        yield Change(
            "sharpened",
            f"Sharpened the places for {sharpen.surface} as the final print: radius {millimetres} "
            f"mm ({shown(sharpen.radius_px, 1)} px), amount {amount}.",
            "as it came",
            f"radius {shown(sharpen.radius_px, 1)} px, amount {amount}",
        )
