"""What lies around the picture: bleed, wrap and tuck, or white paper."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import imagecodecs
import numpy as np
from numpy.typing import NDArray

from platemark.imaging.face_reader import FaceReader
from platemark.imaging.icc import build_matrix_profile, name_working_space
from platemark.imaging.source import Profile
from platemark.imaging.steps import PictureFault
from platemark.model.plan import Plan

_PAD_MODES: dict[str, Literal["symmetric", "edge"]] = {"mirror": "symmetric", "extend": "edge"}
"""NumPy's names; symmetric repeats the edge pixel: 2 1 | 1 2 3."""

_ROWS_AT_ONCE = 256

Pixels = NDArray[np.uint16]
Numbers = NDArray[np.intp]


def is_bordered(plan: Plan) -> bool:
    """Whether there is bare paper around the picture."""
    placed = plan.placed
    return plan.edge.mode == "none" and (placed.width, placed.height) != (
        plan.width_px,
        plan.print_height_px,
    )


@dataclass(frozen=True, slots=True)
class Document:
    """A face with its bleed or wrap, in the picture's own colours; a border is not part of it."""

    face: FaceReader
    width: int
    height: int
    left: int
    top: int
    row_map: Numbers
    """Row of the face for each row of the document, -1 where there is one colour."""
    column_map: Numbers
    colour: tuple[int, ...]
    """16-bit values of a solid edge."""

    def rows(self, first: int, count: int) -> Pixels:
        """Make whole rows, shape (count, width, bands)."""
        face = self.face
        if (self.width, self.height) == (face.width, face.height):
            return face.rows(first, count)
        made = np.empty((count, self.width, face.bands), np.uint16)
        # A few rows at a time, so that the face's own rows take little room beside these.
        for start in range(0, count, _ROWS_AT_ONCE):
            part = made[start : start + _ROWS_AT_ONCE]
            self._fill(part, self.row_map[first + start : first + start + len(part)])
        return made

    def _fill(self, made: Pixels, wanted: Numbers) -> None:
        """Fill rows, each from the wanted row of the face."""
        face, inside = self.face, wanted >= 0
        if self.colour:
            made[:] = self.colour
        if not inside.any():
            return
        lowest = int(wanted[inside].min())
        block = face.rows(lowest, int(wanted[inside].max()) + 1 - lowest)
        middle = np.s_[self.left : self.left + face.width]
        if self.colour:
            made[inside, middle] = block[wanted[inside] - lowest]
            return
        made[:, middle] = block[wanted - lowest]
        for side in (np.s_[: self.left], np.s_[self.left + face.width :]):
            made[:, side] = made[:, self.column_map[side] + self.left]


def document_of(face: FaceReader, plan: Plan, source: Profile) -> Document:
    """Put bleed or wrap around a face; where there is a border, the face is all of the document.

    Args:
        face: The picture as placed.
        plan: Says where it lies and how the edge is filled.
        source: What the face's samples mean.

    Raises:
        PictureFault: the face or the plan's edge does not fit.
    """
    placed = plan.placed
    if (face.width, face.height) != (placed.width, placed.height):
        raise PictureFault(
            f"The face is {face.width} × {face.height} px, not {placed.width} × {placed.height} "
            "as planned; plan the picture again."
        )
    right = plan.width_px - placed.left - placed.width
    bottom = plan.print_height_px - placed.top - placed.height
    mode = plan.edge.mode
    if is_bordered(plan) or not any((placed.left, placed.top, right, bottom)):
        down, across = np.arange(placed.height), np.arange(placed.width)
        return Document(face, placed.width, placed.height, 0, 0, down, across, ())
    pads = (placed.top, bottom), (placed.left, right)
    colour: tuple[int, ...] = ()
    if mode in _PAD_MODES:
        down = np.pad(np.arange(placed.height), pads[0], mode=_PAD_MODES[mode])
        across = np.pad(np.arange(placed.width), pads[1], mode=_PAD_MODES[mode])
    elif mode == "solid" and plan.edge.colour:
        down = np.pad(np.arange(placed.height), pads[0], constant_values=-1)
        across = np.pad(np.arange(placed.width), pads[1], constant_values=-1)
        colour = tuple(solid_colour(plan.edge.colour, source))
    else:
        raise PictureFault(
            f"The plan leaves room around the picture but says edge = {plan.edge}; plan it again."
        )
    return Document(
        face, plan.width_px, plan.print_height_px, placed.left, placed.top, down, across, colour
    )


def solid_colour(colour: str, source: Profile) -> list[int]:
    """Take `#rrggbb`, which is sRGB, into the picture's own space.

    Args:
        colour: As in the request.
        source: The picture's profile.

    Returns:
        16-bit values, one for each channel. Black and white are the space's own, exactly,
        and so is every colour of a picture in sRGB.

    Raises:
        PictureFault: nothing can be converted into that profile.
    """
    codes = [int(colour[at : at + 2], 16) for at in (1, 3, 5)]
    if codes in ([0, 0, 0], [255, 255, 255]):
        return [codes[0] * 257] * source.bands
    if name_working_space(source.parsed) == "srgb":
        return [code * 257 for code in codes]
    try:
        converted = imagecodecs.cms_transform(
            (np.array([[codes]], np.uint16) * 257).astype(np.uint16),
            build_matrix_profile("srgb", version=4),
            source.data,
            colorspace="rgb",
            outcolorspace="gray" if source.bands == 1 else "rgb",
            outdtype="u2",
            intent=int(imagecodecs.CMS.INTENT.RELATIVE_COLORIMETRIC),
            flags=int(imagecodecs.CMS.FLAGS.NOOPTIMIZE),
        )
    except (RuntimeError, ValueError) as error:
        raise PictureFault(
            f"The colour {colour} cannot be expressed in {source.name}; choose another edge."
        ) from error
    return [int(value) for value in np.ravel(converted)]
