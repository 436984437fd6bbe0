"""What lies around the picture: bleed, wrap and tuck, or white paper."""

from __future__ import annotations

import imagecodecs
import numpy as np
import pyvips

from platemark.imaging.icc import build_matrix_profile
from platemark.imaging.source import Profile, named_16_bit
from platemark.imaging.steps import PictureFault
from platemark.model.plan import Plan

_EXTEND = {"mirror": "mirror", "extend": "copy"}
"""The library's names; its mirror repeats the edge pixel, 2 1 | 1 2 3, which a test holds it to."""


def is_bordered(plan: Plan) -> bool:
    """Whether there is bare paper around the picture."""
    placed = plan.placed
    return plan.edge.mode == "none" and (placed.width, placed.height) != (
        plan.width_px,
        plan.height_px,
    )


def with_edge(face: pyvips.Image, plan: Plan, source: Profile) -> pyvips.Image:
    """Fill bleed or wrap from the picture, in its own colours; a border is not filled here.

    Args:
        face: The picture as placed, with random access.
        plan: Says where it lies and how the edge is filled.
        source: What the face's samples mean.
    """
    placed = plan.placed
    if is_bordered(plan) or (placed.width, placed.height) == (plan.width_px, plan.height_px):
        return face
    where = (placed.left, placed.top, plan.width_px, plan.height_px)
    mode = plan.edge.mode
    if mode in _EXTEND:
        return named_16_bit(face.embed(*where, extend=_EXTEND[mode]))
    if mode == "solid" and plan.edge.colour:
        colour = solid_colour(plan.edge.colour, source)
        return named_16_bit(face.embed(*where, extend="background", background=colour))
    raise PictureFault(
        f"The plan leaves room around the picture but says edge = {plan.edge}; plan it again."
    )


def solid_colour(colour: str, source: Profile) -> list[int]:
    """Take `#rrggbb`, which is sRGB, into the picture's own space.

    Args:
        colour: As in the request.
        source: The picture's profile.

    Returns:
        16-bit values, one for each channel. Black and white are the space's own, exactly.

    Raises:
        PictureFault: nothing can be converted into that profile.
    """
    codes = [int(colour[at : at + 2], 16) for at in (1, 3, 5)]
    if codes in ([0, 0, 0], [255, 255, 255]):
        return [codes[0] * 257] * source.bands
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
