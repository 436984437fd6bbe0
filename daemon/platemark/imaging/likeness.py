"""What a picture is known by when another file of it comes: a perceptual hash of its small grey.

Sixty-four bits say where the lowest frequencies of a picture's lightness (a cosine transform of
32 × 32 px) are above their median. Another size, depth, space or a little more contrast leave most
of them alone; another picture differs in about half.
"""

from __future__ import annotations

from typing import Literal

import imagehash
import numpy as np
import pyvips
from PIL import Image

from platemark.imaging.opening import open_picture

_SIDE_PX = 128
"""Of the small picture; the hash makes it smaller yet."""
_TURNS = (
    None,
    Image.Transpose.ROTATE_90,
    Image.Transpose.ROTATE_180,
    Image.Transpose.ROTATE_270,
    Image.Transpose.FLIP_LEFT_RIGHT,
    Image.Transpose.FLIP_TOP_BOTTOM,
    Image.Transpose.TRANSPOSE,
    Image.Transpose.TRANSVERSE,
)


def likeness_of(path: str, picture_format: Literal["tiff", "jpeg", "png"]) -> str:
    """The likeness of a picture: as stored, then turned and mirrored in every way.

    Args:
        path: The file.
        picture_format: `tiff`, `jpeg` or `png`.

    Returns:
        Eight hashes of 64 bits, hexadecimal, with blanks between them.

    Raises:
        PictureFault: it is of another format.
        pyvips.Error: it cannot be decoded.
    """
    grey = Image.fromarray(_small_grey(open_picture(path, picture_format)))
    turned = (grey if turn is None else grey.transpose(turn) for turn in _TURNS)
    return " ".join(str(imagehash.phash(each)) for each in turned)


def _small_grey(picture: pyvips.Image) -> np.ndarray[tuple[int, ...], np.dtype[np.uint8]]:
    """Lightness as encoded, 8 bit; profiles are left out of it, as they change no order."""
    small = picture.thumbnail_image(_SIDE_PX, height=_SIDE_PX, size="force", no_rotate=True)
    if small.interpretation == "lab" or small.interpretation == "labs":
        grey = small.colourspace("lab")[0] * 2.55
    else:
        grey = small.colourspace("b-w")[0]
    return np.asarray(grey.cast("uchar").numpy(), dtype=np.uint8)
