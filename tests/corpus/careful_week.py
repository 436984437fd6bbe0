"""Two hundred ordinary files of competent photographers, over all ten surfaces of the starter.

Each is a real photograph, cropped to its order, tagged, with its size in the name, and with the
things about it that editors and cameras leave: camera data, positions, descriptions, resolution
tags, saved selections, a turned camera. Nothing here is meant to be caught.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from functools import cache
from pathlib import Path
from typing import Any, Literal

import made_profiles as profiles
import numpy as np
import skimage.data
import tifffile
from metadata import camera, jpeg_of, xmp_of
from photographs import Pixels, deep, in_space, spot, with_channels
from PIL import Image

COUNT = 200

Space = Literal["srgb", "adobe-rgb", "display-p3", "romm", "grey"]

ORDERS: dict[str, tuple[tuple[str, ...], int]] = {
    # Sizes that are ordered in every proportion that is sold there, small ones to be quick; and
    # the ppi from which the surface is content.
    "smooth-rag": (("8x10in", "8x12in", "8x8in", "A4"), 200),
    "etching-rag": (("8x10in", "8x12in", "8x8in", "A4"), 180),
    "baryta": (("8x10in", "8x12in", "8x8in"), 240),
    "rc-lustre": (("4x6in", "5x7in", "8x8in", "A5"), 240),
    "acrylic-bonded": (("4x6in", "5x7in", "15x20cm"), 240),
    "acrylic-reverse": (("4x6in", "5x7in", "20x20cm"), 240),
    "aluminium-matte": (("5x7in", "8x10in", "20x30cm"), 180),
    "aluminium-bare": (("5x7in", "8x10in", "20x30cm"), 180),
    "pvc-board": (("8x10in", "8x12in", "A4"), 120),
    "canvas-wrap": (("8x10in", "11x14in", "12x12in"), 150),
}
TITLES = ("heron", "Alder and Finch 014", "mill-pond", "Nordlicht", "crête", "DSC_4711")
SUBJECTS = ("astronaut", "chelsea", "coffee", "rocket", "hubble_deep_field", "left", "right")
GREY_SUBJECTS = ("camera", "brick", "grass", "gravel", "moon")


@dataclass(frozen=True, slots=True)
class Ordinary:
    """One file of the week."""

    number: int
    surface: str
    name: str
    form: Literal["jpeg", "tiff"]
    bits: int
    space: Space
    width: int
    """Of the picture as it is looked at, px."""
    height: int
    orientation: int
    ppi_tag: int
    """0 where there is none."""
    has_selection: bool
    has_long_metadata: bool
    quality: int
    share: float
    """Of the ppi that the surface is content with."""

    def __str__(self) -> str:
        depth = f"{self.bits} bit" if self.form == "tiff" else f"q{self.quality}"
        turned = f", orientation {self.orientation}" if self.orientation > 1 else ""
        return (
            f"{self.surface}/{self.name}: {self.width} × {self.height}, {self.form} {depth}, "
            f"{self.space}, {self.ppi_tag or 'no'} ppi tag{turned}"
        )


def week() -> tuple[Ordinary, ...]:
    """The two hundred; the same every time."""
    chance = random.Random(20260302)
    return tuple(_one(number, chance) for number in range(COUNT))


def _one(number: int, chance: random.Random) -> Ordinary:
    surface = list(ORDERS)[number % len(ORDERS)]
    sizes, content = ORDERS[surface]
    size = chance.choice(sizes)
    form: Literal["jpeg", "tiff"] = chance.choice(("jpeg", "jpeg", "tiff", "tiff", "tiff"))
    bits = 16 if form == "tiff" and chance.random() < 0.6 else 8
    spaces: list[Space] = ["srgb", "srgb", "adobe-rgb", "adobe-rgb", "display-p3"]
    if bits == 16:
        spaces += ["romm", "romm", "romm"]
    space = "grey" if chance.random() < 0.06 else chance.choice(spaces)
    # One in ten has a little less than the surface would like, as happens; most have plenty.
    share = chance.uniform(0.86, 0.98) if number % 10 == 7 else chance.uniform(1.0, 1.35)
    lies = chance.random() < 0.6 or surface == "aluminium-bare"
    width, height = _pixels(size, content * share, lies=lies)
    # On brushed metal the size is written as it will hang: width first.
    written = _turned(size) if surface == "aluminium-bare" else size
    return Ordinary(
        number=number,
        surface=surface,
        name=f"{chance.choice(TITLES)} {number:03d}_{written}.{_ending(form, chance)}",
        form=form,
        bits=bits,
        space=space,
        width=width,
        height=height,
        orientation=chance.choice((1, 1, 1, 6, 8)),
        ppi_tag=chance.choice((0, 72, 240, 300)),
        has_selection=form == "tiff" and chance.random() < 0.2,
        has_long_metadata=chance.random() < 0.5,
        quality=chance.randint(92, 98),
        share=share,
    )


def _ending(form: str, chance: random.Random) -> str:
    return chance.choice(("jpg", "jpg", "JPG", "jpeg") if form == "jpeg" else ("tif", "tiff"))


_ISO_MM = {"A4": (210, 297), "A5": (148, 210)}  # ISO 216


def _sides(size: str) -> tuple[Fraction, Fraction]:
    """Short and long side, inches."""
    if size in _ISO_MM:
        short, long = (Fraction(side * 10, 254) for side in _ISO_MM[size])
        return short, long
    unit = Fraction(100, 254) if size.endswith("cm") else Fraction(1)
    narrow, wide = sorted(int(side) for side in size[:-2].split("x"))
    return narrow * unit, wide * unit


def _pixels(size: str, ppi: float, *, lies: bool) -> tuple[int, int]:
    """Width and height for a size, the proportion as near as whole pixels come."""
    short, long = _sides(size)
    narrow = -int(-(float(short) * ppi) // 1)
    wide = round(narrow * long / short)
    return (wide, narrow) if lies else (narrow, wide)


def _turned(size: str) -> str:
    first, second = size[:-2].split("x")
    return f"{second}x{first}{size[-2:]}"


# --- Writing it -----------------------------------------------------------------------------


@cache
def _subject(name: str) -> Pixels:
    if name in ("left", "right"):
        pair: Any = skimage.data
        return np.asarray(pair.stereo_motorcycle()[name == "right"])
    return np.asarray(getattr(skimage.data, name)())


def _photograph(one: Ordinary) -> Pixels:
    """The photograph, cropped to its order and enlarged, 8 bit."""
    names = GREY_SUBJECTS if one.space == "grey" else SUBJECTS
    pixels = _subject(names[one.number % len(names)])
    high, wide = pixels.shape[:2]
    across = min(wide, high * one.width / one.height)
    down = min(high, wide * one.height / one.width)
    left, top = (wide - across) * (one.number % 9) / 8, (high - down) * (one.number % 7) / 6
    part = Image.fromarray(pixels).resize(
        (one.width, one.height),
        Image.Resampling.BICUBIC,
        (left, top, left + across, top + down),
    )
    return np.asarray(part)


PROFILES = {
    "srgb": profiles.srgb,
    "adobe-rgb": profiles.adobe,
    "display-p3": profiles.display_p3,
    "romm": profiles.romm,
    "grey": profiles.grey_22,
}


def write(one: Ordinary, folder: Path) -> Path:
    """Write one file of the week as a camera or an editor does.

    Returns:
        Where it is.
    """
    path = folder / one.name
    pixels = _photograph(one)
    # The camera was turned, so the sensor's rows are the picture's columns.
    turns = {1: 0, 6: 1, 8: 3}[one.orientation]
    pixels = np.ascontiguousarray(np.rot90(pixels, turns))
    if one.form == "jpeg":
        path.write_bytes(_jpeg(one, pixels))
    else:
        tifffile.imwrite(path, *_tiff_pixels(one, pixels), **_tiff_options(one))
    return path


def _encoded(one: Ordinary, pixels: Pixels) -> Pixels:
    """The picture's colours in its own space."""
    return pixels if one.space in ("srgb", "grey") else in_space(pixels, PROFILES[one.space]())


def _jpeg(one: Ordinary, pixels: Pixels) -> bytes:
    options: dict[str, Any] = {}
    if one.ppi_tag:
        options["dpi"] = (one.ppi_tag, one.ppi_tag)
    if one.has_long_metadata:
        options["xmp"] = xmp_of(description="seen from the bank " * 300, keywords=300)
    return jpeg_of(
        Image.fromarray(_encoded(one, pixels)),
        icc_profile=PROFILES[one.space](),
        quality=one.quality,
        # Editors keep full chroma at high quality; cameras halve it, across or both ways.
        subsampling=0 if one.quality >= 95 else 1 + one.number % 2,
        exif=camera(
            space=1 if one.space == "srgb" else 0xFFFF,
            orientation=one.orientation,
            place=one.has_long_metadata,
            lines=200 if one.has_long_metadata else 0,
        ),
        **options,
    )


def _tiff_pixels(one: Ordinary, pixels: Pixels) -> Iterator[Pixels]:
    made = _encoded(one, deep(pixels) if one.bits == 16 else pixels)
    if one.has_selection:
        planes = made if made.ndim == 3 else made[..., np.newaxis]
        made = with_channels(planes, spot(planes, 0))
    yield made


def _tiff_options(one: Ordinary) -> dict[str, Any]:
    packings: tuple[dict[str, Any], ...] = (
        {},
        {"compression": "lzw"},
        {"compression": "zlib", "predictor": 2},
    )
    tags: list[tuple[int, int, int, Any, bool]] = [(274, 3, 1, one.orientation, True)]
    if one.has_long_metadata:
        packet = xmp_of(description="seen from the bank " * 300, keywords=300)
        tags += [(700, 1, len(packet), packet, True), (271, 2, 15, "Invented Works", True)]
    options: dict[str, Any] = {
        "photometric": "minisblack" if one.space == "grey" else "rgb",
        "planarconfig": "contig",
        "iccprofile": PROFILES[one.space](),
        "extratags": tags,
        "metadata": None,
        **packings[one.number % 3],
    }
    if one.ppi_tag:
        options |= {"resolution": (one.ppi_tag, one.ppi_tag), "resolutionunit": "inch"}
    if one.has_selection:
        options["extrasamples"] = ["unspecified"]
    return options
