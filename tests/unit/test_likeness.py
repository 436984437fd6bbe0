"""A picture is known again by its likeness, and others are not taken for it.

Real photographs of scikit-image's data set, each made into what a studio might drop later: another
size, format, tone, a turned or mirrored file, a little cropped.
"""

from collections.abc import Callable
from itertools import combinations
from pathlib import Path

import numpy as np
import pytest
from PIL import Image, ImageEnhance
from skimage import data

from platemark.imaging.likeness import likeness_of
from platemark.model.edition import ALIKE_BITS, bits_apart, numbered_words, size_key
from platemark.model.units import parse_full_size

NAMES = ("astronaut", "coffee", "chelsea", "rocket", "camera", "moon", "coins")


def photograph(name: str) -> Image.Image:
    return Image.fromarray(np.asarray(getattr(data, name)())).convert("RGB")


def cropped(picture: Image.Image, percent: int) -> Image.Image:
    across, down = (side * percent // 100 for side in picture.size)
    return picture.crop((across, down, picture.width - across, picture.height - down))


VERSIONS: dict[str, Callable[[Image.Image], Image.Image]] = {
    "half as large": lambda p: p.resize((p.width // 2, p.height // 2)),
    "lighter": lambda p: ImageEnhance.Brightness(p).enhance(1.2),
    "darker": lambda p: ImageEnhance.Brightness(p).enhance(0.7),
    "more contrast": lambda p: ImageEnhance.Contrast(p).enhance(1.3),
    "in grey": lambda p: p.convert("L"),
    "turned": lambda p: p.transpose(Image.Transpose.ROTATE_90),
    "upside down": lambda p: p.transpose(Image.Transpose.ROTATE_180),
    "mirrored": lambda p: p.transpose(Image.Transpose.FLIP_LEFT_RIGHT),
    "cropped by 2 % a side": lambda p: cropped(p, 2),
}


def apart(likeness: str, other: str) -> int:
    """As the engine compares: the new picture however it is turned, the known one upright."""
    return min(bits_apart(each, other.split()[0]) for each in likeness.split())


def test_a_picture_is_known_again_and_no_other(tmp_path: Path) -> None:
    """Every version is within the limit; no two different photographs are, by far."""
    known = {}
    for name in NAMES:
        file = tmp_path / f"{name}.png"
        photograph(name).save(file)
        known[name] = likeness_of(str(file), "png")
        assert len(known[name].split()) == 8
    for name, (what, make) in ((n, v) for n in NAMES for v in VERSIONS.items()):
        file = tmp_path / "version.jpg"
        make(photograph(name)).save(file, quality=60)
        bits = apart(likeness_of(str(file), "jpeg"), known[name])
        assert bits <= ALIKE_BITS, (name, what, bits)
    nearest = min(apart(known[a], known[b]) for a, b in combinations(NAMES, 2))
    assert nearest >= ALIKE_BITS + 4


def test_depth_and_lab_change_nothing(tmp_path: Path) -> None:
    """The same picture with 16 bits, and in CIELAB, is the same picture."""
    import pyvips
    import tifffile

    pixels = np.asarray(photograph("coffee"))
    eight, sixteen, lab = (tmp_path / f"{each}.tif" for each in ("eight", "sixteen", "lab"))
    tifffile.imwrite(eight, pixels, photometric="rgb")
    tifffile.imwrite(sixteen, pixels.astype(np.uint16) * 257, photometric="rgb")
    pyvips.Image.new_from_array(pixels).colourspace("lab").cast("float").write_to_file(str(lab))
    first = likeness_of(str(eight), "tiff")
    assert apart(likeness_of(str(sixteen), "tiff"), first) == 0
    assert apart(likeness_of(str(lab), "tiff"), first) <= 4


def test_the_words_and_keys_of_editions() -> None:
    """A size is the same however it is written; likenesses of other lengths are a mistake."""
    keys = {size_key(parse_full_size(each)) for each in ("16x20in", "50.8x40.64cm", "20x16in")}
    assert keys == {"406.4x508mm"}
    assert size_key(parse_full_size("A2")) == "420x594mm"
    assert numbered_words("proof", (2,), 3) == "AP 2/3"
    with pytest.raises(ValueError, match="lengths"):
        bits_apart("ff", "f")
