"""What other people's readers see in a picture and in its print, both as sRGB and small.

tifffile and Pillow decode, LittleCMS by way of Pillow converts; nothing of ours takes part.
"""

from __future__ import annotations

import io
import warnings
from pathlib import Path
from typing import Any

import numpy as np
import tifffile
from made_profiles import display_p3
from numpy.typing import NDArray
from PIL import Image, ImageCms

Small = NDArray[np.int64]
"""Shape (24, 36, 3), codes 0 to 255."""

ACROSS, DOWN = 36, 24

_DISPLAY_P3_CHUNK = b"cICP" + bytes([12, 13, 0, 1])


def seen(path: Path) -> Image.Image | None:
    """A picture upright and in sRGB, whatever its form; None for Lab, which Pillow reads its way.

    Raises:
        OSError: it cannot be read.
        ValueError: the same.
    """
    with warnings.catch_warnings():
        # Camera data that cannot be read are no fault of the pixels.
        warnings.simplefilter("ignore")
        data = path.read_bytes()
        if data[:4] in (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+"):
            return _tiff(path)
        with Image.open(path) as picture:
            profile = picture.info.get("icc_profile")
            if _DISPLAY_P3_CHUNK in data[:200]:
                # Pillow does not read that chunk.
                profile = display_p3()
            turned = picture.getexif().get(274, 1)
            return _in_srgb(_upright(_eight(picture), turned), profile)


def _eight(picture: Image.Image) -> Image.Image:
    if picture.mode.startswith("I"):
        codes = np.asarray(picture).astype(np.uint32)
        return Image.fromarray((codes // 257).astype(np.uint8))
    return picture.convert("L" if picture.mode in ("L", "LA") else "RGB")


def _tiff(path: Path) -> Image.Image | None:
    with tifffile.TiffFile(path) as whole:
        page = whole.pages.first
        kind = int(page.photometric)
        tags: Any = page.tags
        pixels = page.asarray()
        if kind in (8, 9):
            return None
        if int(page.planarconfig) == 2:
            pixels = np.moveaxis(pixels, 0, -1)
        turned = tags[274].value if 274 in tags else 1
        profile = tags[34675].value if 34675 in tags else None
        is_jpeg = int(page.compression) == 7
    if pixels.dtype == np.uint16:
        pixels = (pixels // 257).astype(np.uint8)
    if kind in (0, 1):
        plane = pixels[..., 0] if pixels.ndim == 3 else pixels
        made = Image.fromarray(255 - plane if kind == 0 else plane)
    elif kind == 6 and not is_jpeg:
        made = Image.frombytes("YCbCr", pixels.shape[1::-1], pixels.tobytes()).convert("RGB")
    else:
        made = Image.fromarray(np.ascontiguousarray(pixels[..., :3]))
    return _in_srgb(_upright(made, int(turned)), profile)


_TURNS = {
    2: Image.Transpose.FLIP_LEFT_RIGHT,
    3: Image.Transpose.ROTATE_180,
    4: Image.Transpose.FLIP_TOP_BOTTOM,
    5: Image.Transpose.TRANSPOSE,
    6: Image.Transpose.ROTATE_270,
    7: Image.Transpose.TRANSVERSE,
    8: Image.Transpose.ROTATE_90,
}


def _upright(picture: Image.Image, orientation: int) -> Image.Image:
    turn = _TURNS.get(orientation)
    return picture.transpose(turn) if turn is not None else picture.copy()


def _in_srgb(picture: Image.Image, profile: bytes | None) -> Image.Image:
    if not profile:
        return picture.convert("RGB")
    converted = ImageCms.profileToProfile(
        picture,
        ImageCms.ImageCmsProfile(io.BytesIO(profile)),
        ImageCms.createProfile("sRGB"),
        renderingIntent=ImageCms.Intent.RELATIVE_COLORIMETRIC,
        outputMode="RGB",
    )
    assert converted is not None
    return converted


def small(picture: Image.Image, box: tuple[int, int, int, int]) -> Small:
    """A part of a picture as 36 × 24 means."""
    part = picture.resize((ACROSS, DOWN), Image.Resampling.BOX, box)
    return np.asarray(part).astype(np.int64)


def apart(one: Small, other: Small) -> float:
    """Mean difference in codes; photographs that are not the same are 40 and more apart."""
    return float(np.abs(one - other).mean())
