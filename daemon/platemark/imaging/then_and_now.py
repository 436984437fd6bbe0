"""Prints that are there already: drawn for a ticket, and one beside another with what differs.

What a print file means is said by the profile in it. Two are compared as the eye would see them on
a table, at no more than two million pixels, so that the dither of an 8-bit file counts for nothing:
where both are in profiles of printers each as an instrument reads its paper, else each relative to
its own white.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from math import floor, sqrt

import numpy as np
import pyvips
from numpy.typing import NDArray
from PIL import Image

from platemark.imaging.beside import Cell, side_by_side
from platemark.imaging.convert import LAB_PROFILE, UNTABLED, transform
from platemark.imaging.delta_e import Floats, delta_e_2000
from platemark.imaging.drawing import draw_document, save_jpeg, scale_of, small_srgb
from platemark.imaging.opening import open_picture
from platemark.imaging.source import (
    Profile,
    colour_bands,
    embedded_profile,
    find_profile,
    in_16_bit,
    named_16_bit,
)
from platemark.imaging.steps import PictureFault
from platemark.model.reprint import ABOVE
from platemark.model.terms import Intent
from platemark.model.work import DrawReport, DrawTask, PrintSeen, ThenNowReport, ThenNowTask

_LARGEST_PX = 2_000_000
_SAME_SHAPE = 0.01
"""Fronts whose proportions differ by more are two pictures, and no pixel has its like."""
_WHITE_AT = 6
"""CIEDE2000 from which on the third panel is white."""
_PRINTER = "prtr"

Codes = NDArray[np.uint16]


@dataclass(frozen=True, slots=True)
class _Print:
    """The front of a print, made small; 16-bit codes of shape (rows, columns, bands)."""

    codes: Codes
    profile: Profile

    @property
    def shown(self) -> Image.Image:
        """In sRGB, for a screen."""
        return small_srgb(_image(self.codes), self.profile)

    def lab(self, intent: Intent) -> Floats:
        """In CIE L*a*b*, D50."""
        converted = transform(
            self.codes, self.profile, LAB_PROFILE,
            to="lab", dtype="f4", intent=intent, flags=UNTABLED,
        )  # fmt: skip
        return converted.reshape(*self.codes.shape[:2], 3)

    def in_size_of(self, other: _Print) -> _Print:
        """The same with as many rows and columns as another."""
        (rows, columns), (high, wide) = self.codes.shape[:2], other.codes.shape[:2]
        if (rows, columns) == (high, wide):
            return self
        turned = _image(self.codes).resize(wide / columns, vscale=high / rows, kernel="linear")
        return _Print(turned.numpy()[:high, :wide], self.profile)


def draw_from_print(task: DrawTask) -> DrawReport:
    """Draw the ticket's picture from a print file alone, all of which is decoded.

    Raises:
        PictureFault: it is not the print file that the plan would have made.
        pyvips.Error: it cannot be decoded.
    """
    plan = task.plan
    image = open_picture(task.print_file, plan.format)
    profile = _profile_of(image)
    size = (image.width, image.height)
    if size != (plan.width_px, plan.height_px) or profile.sha256 != plan.output_profile_sha256:
        raise PictureFault("The archived print file is not what its plan says.")
    scale = scale_of(plan)
    codes = _small(image, profile)
    if plan.mirror:
        # It is turned once more as it is drawn.
        codes = codes[:, ::-1]
    wide, high = (max(1, round(side * scale)) for side in size)
    small = _image(codes).resize(
        wide / codes.shape[1], vscale=high / codes.shape[0], kernel="linear"
    )
    draw_document(small_srgb(named_16_bit(small), profile), plan, task.lines, task.drawing)
    return DrawReport(*size)


def compare_prints(task: ThenNowTask) -> ThenNowReport:
    """Draw two prints beside each other, and say how far their colours are apart.

    Raises:
        PictureFault: one of them has no profile that can be read.
        pyvips.Error: one of them cannot be decoded.
    """
    then, now = _opened(task.then), _opened(task.now)
    cells = [
        Cell(each.shown, words.heading, words.line)
        for each, words in ((then, task.then), (now, task.now))
    ]
    report = ThenNowReport("", "", "", absolute=False)
    shapes = [each.codes.shape[1] / each.codes.shape[0] for each in (then, now)]
    if abs(shapes[0] / shapes[1] - 1) <= _SAME_SHAPE:
        absolute = all(_is_printer(each.profile) for each in (then, now))
        intent: Intent = "absolute" if absolute else "relative"
        apart = delta_e_2000(then.lab(intent), now.in_size_of(then).lab(intent))
        report = _figures(apart, absolute=absolute)
        cells.append(
            Cell(
                _map_of(apart),
                "Where they differ",
                f"black: nowhere; white: by ΔE00 {_WHITE_AT} or more",
            )
        )
    save_jpeg(side_by_side(cells, task.heading), task.drawing)
    return report


def _opened(seen: PrintSeen) -> _Print:
    image = open_picture(seen.path, seen.format)
    profile = _profile_of(image)
    if seen.face is not None:
        face = seen.face
        image = image.crop(face.left, face.top, face.width, face.height)
    codes = _small(image, profile)
    return _Print(codes[:, ::-1] if seen.mirrored else codes, profile)


def _profile_of(image: pyvips.Image) -> Profile:
    """The profile in a print file.

    Raises:
        PictureFault: there is none, or it cannot be read.
    """
    data = embedded_profile(image)
    if not data:
        raise PictureFault("The print file has no colour profile.")
    return find_profile(hashlib.sha256(data).hexdigest(), {}, data)


def _small(image: pyvips.Image, profile: Profile) -> Codes:
    """All of a picture, averaged over squares of whole pixels, in 16 bit."""
    step = max(1, floor(sqrt(image.width * image.height / _LARGEST_PX)))
    plain = in_16_bit(colour_bands(image, profile))
    shrunk = plain.shrink(step, step).cast("ushort") if step > 1 else plain
    codes: Codes = shrunk.numpy()
    return codes.reshape(*codes.shape[:2], profile.bands)


def _image(codes: Codes) -> pyvips.Image:
    return named_16_bit(pyvips.Image.new_from_array(np.ascontiguousarray(codes)))


def _is_printer(profile: Profile) -> bool:
    return profile.parsed.header.device_class == _PRINTER


def _figures(apart: Floats, *, absolute: bool) -> ThenNowReport:
    above = 100 * float(np.count_nonzero(apart > ABOVE)) / apart.size
    return ThenNowReport(
        f"{float(apart.mean()):.2f}",
        f"{float(np.percentile(apart, 95)):.2f}",
        f"{above:.1f}",
        absolute=absolute,
    )


def _map_of(apart: Floats) -> Image.Image:
    light = np.rint(np.clip(apart / _WHITE_AT, 0, 1) * 255).astype(np.uint8)
    return Image.fromarray(light).convert("RGB")
