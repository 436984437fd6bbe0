"""How a picture will look on its surface, shown on a display: the colours of a soft proof.

A lab's profile tells the print: from the picture to the device with the job's intent and black
point compensation, from there to the display with the absolute intent, so that paper and black look
as dull as they are. Where the lab converts, the surface's own white and black tell it: black by
ISO 18619 in its neutral form, then white by scaling XYZ. All colours are CIELAB, D50.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache, cached_property
from typing import Final

import imagecodecs
import numpy as np
from numpy.typing import NDArray

from platemark.imaging.admission import device_of_lab
from platemark.imaging.convert import LAB_PROFILE, UNTABLED, Conversion, transform
from platemark.imaging.delta_e import delta_e_2000
from platemark.imaging.icc import PCS_WHITE, build_matrix_profile, parse_profile
from platemark.imaging.light import Plane, lab_of, light_of, lightness_of, over_black
from platemark.imaging.overview import Floats
from platemark.imaging.source import Profile
from platemark.model.terms import Intent
from platemark.model.work import Measuring

Pixels = NDArray[np.uint16]
Shown = NDArray[np.uint8]
"""sRGB for a display, shape (…, 3)."""

CHANGED: Final = 5.0
"""What is plainly another colour, CIEDE2000 (common practice)."""
_TOP: Final = 65535
_NODES: Final = 33
"""A side, of the tables that pictures are drawn by."""
_LAB_STEP: Final = np.array([100 / 65535, 1 / 257, 1 / 257], np.float32)
_LAB_START: Final = np.array([0, 128, 128], np.float32)
_FARTHEST: Final = 1.6
"""CIEDE2000 is at most so many times the distance in L*a*b* (1.49 was the most of eight million
random pairs): a* grows by half near grey, and all weights are 1 at least."""


@dataclass(frozen=True, slots=True)
class Printed:
    """Pixels as a surface shows them, shape (…, 3)."""

    relative: Plane
    """L*a*b* with the bare surface as white."""
    light: Plane
    """Beside a perfect white; see `imaging.light`."""

    @property
    def lightness(self) -> Plane:
        """L* beside a perfect white."""
        return lightness_of(self.light[..., 1])

    @property
    def shown(self) -> Shown:
        """For a display whose white is that perfect white."""
        return on_display(self.light)


@dataclass(frozen=True)
class Proof:
    """One conversion of a picture to one surface."""

    conversion: Conversion
    measuring: Measuring

    def converted(self, codes: Pixels, lab: Plane) -> Plane:
        """Colours relative to the output's white of codes of shape (…, bands), which mean `lab`."""
        conversion = self.conversion
        return lab if conversion.is_nothing else meant(conversion.exact(codes), conversion.output)

    def drawn(self, codes: Pixels, lab: Plane) -> Plane:
        """The same within 2 CIEDE2000, by small tables, at a quarter of the time: for pictures.

        Figures are told from what is exact.
        """
        conversion = self.conversion
        if conversion.is_nothing:
            return lab
        compensate = int(imagecodecs.CMS.FLAGS.BLACKPOINTCOMPENSATION)
        device = transform(
            codes, conversion.source, conversion.output.data,
            to="gray" if conversion.output.bands == 1 else "rgb", dtype="u2",
            intent=conversion.intent,
            flags=_NODES << 16 | compensate * conversion.black_point_compensation,
        )  # fmt: skip
        encoded = transform(
            device, conversion.output, LAB_PROFILE,
            to="lab", dtype="u2", intent="relative", flags=_NODES << 16,
        )  # fmt: skip
        # As version 4 has it (ICC.1, 6.3.4.2).
        return encoded * _LAB_STEP - _LAB_START

    def printed(self, converted: Plane) -> Printed:
        """What the surface makes of converted colours."""
        light = light_of(converted)
        if not self.measuring.by_lab_profile:
            light = over_black(light, self.black)
            converted = lab_of(light)
        return Printed(converted, light * self.white)

    def changes(self, lab: Plane, printed: Printed) -> Floats:
        """Tell how far colours move, CIEDE2000; 0 where that is less than 5 anyhow.

        Both sides count from their own white, and where black point compensation or the perceptual
        intent brings black to that of the print, from their own black too: so neither paper white
        nor the depth of its black counts.

        Args:
            lab: Of the source, shape (…, 3).
            printed: What became of them.
        """
        is_cut = self.conversion.intent == "relative" and self.measuring.by_lab_profile
        is_cut = is_cut and not self.conversion.black_point_compensation
        wanted = lab if is_cut else lab_of(over_black(light_of(lab), self.black))
        found = np.zeros(lab.shape[:-1], np.float32)
        apart = wanted - printed.relative
        far = np.einsum("...i,...i", apart, apart) > (CHANGED / _FARTHEST) ** 2
        found[far] = delta_e_2000(wanted[far], printed.relative[far])
        return found

    def with_other_intent(self) -> Proof | None:
        """The same by the intent that was not planned; None where the profile has no other."""
        other = other_intent(self.conversion) if self.measuring.by_lab_profile else None
        return replace(self, conversion=other) if other is not None else None

    @cached_property
    def white(self) -> Floats:
        """Light of the bare surface."""
        if self.measuring.by_lab_profile:
            white = self.conversion.output.parsed.white_xyz or PCS_WHITE
            return (np.array(white) / PCS_WHITE).astype(np.float32)
        white_lab = np.array([float(self.measuring.white_l), 0, float(self.measuring.white_b)])
        return light_of(white_lab).astype(np.float32)

    @cached_property
    def black(self) -> float:
        """Light of the deepest black, as a part of the bare surface's."""
        if self.measuring.by_lab_profile:
            return black_of(self.conversion.output)
        greys = [float(self.measuring.black_l), float(self.measuring.white_l)]
        black, white = light_of(np.array([[grey, 0, 0] for grey in greys]))[:, 1]
        return float(min(max(black / max(white, 1e-6), 0.0), 1.0))


def other_intent(conversion: Conversion) -> Conversion | None:
    """The perceptual conversion for a relative one, and the other way round.

    None where neither was planned, or the profile has not both tables or the same for both. Black
    point compensation goes with the relative intent (ISO 18619).
    """
    others: dict[Intent, Intent] = {"relative": "perceptual", "perceptual": "relative"}
    other, output = others.get(conversion.intent), conversion.output
    if other is None or not {*others} <= {*output.parsed.intents}:
        return None
    tables = {
        tag.signature: output.data[tag.offset : tag.offset + tag.length]
        for tag in output.parsed.tags
    }
    if tables["B2A0"] == tables["B2A1"]:
        return None
    return replace(conversion, intent=other, black_point_compensation=other == "relative")


def black_of(output: Profile) -> float:
    """Light of the deepest black that an output's relative tables lead to, as a part of white."""
    lightness = max(float(there_and_back(np.zeros((1, 3)), output)[0, 0]), 0.0)
    return float(light_of(np.array([lightness, 0, 0]))[1])


def there_and_back(lab: Plane, output: Profile) -> Plane:
    """What comes back of colours of shape (n, 3) from an output's relative tables."""
    return meant(device_of_lab(output.data, np.ascontiguousarray(lab)), output)


def meant(device: Pixels, output: Profile) -> Plane:
    """Colours of device values of shape (…, bands), relative to the output's white."""
    return transform(
        device, output, LAB_PROFILE, to="lab", dtype="f4", intent="relative", flags=UNTABLED
    )


def on_display(light: Plane) -> Shown:
    """Take light to sRGB, clipped."""
    matrix, codes = _display()
    # A plane at a time, which is several times as fast as a product of three by three.
    planes = [light[..., at].astype(np.float32, copy=False) for at in range(3)]
    shown = np.empty(light.shape, np.uint8)
    for at, row in enumerate(matrix):
        linear = planes[0] * row[0] + planes[1] * row[1] + planes[2] * row[2]
        np.clip(linear, 0, 1, out=linear)
        # Roots are spread as evenly as codes almost, so that a table of them is fine enough.
        np.sqrt(linear, out=linear)
        linear *= np.float32(_TOP)
        linear += np.float32(0.5)
        shown[..., at] = np.take(codes, linear.astype(np.uint16))
    return shown


@cache
def _display() -> tuple[Floats, Shown]:
    """From light to linear sRGB; and the code of each root of that (IEC 61966-2-1)."""
    colorants = parse_profile(build_matrix_profile("srgb")).colorants
    if colorants is None:
        raise ValueError("our own sRGB has no colorants")
    to_xyz = np.array(colorants).T
    matrix = np.linalg.inv(to_xyz / to_xyz.sum(axis=1, keepdims=True))
    linear = (np.arange(_TOP + 1) / _TOP) ** 2
    coded = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)
    return matrix.astype(np.float32), np.round(coded * 255).astype(np.uint8)
