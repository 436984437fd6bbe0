"""Sound TIFFs of other people's writers stay sound: libtiff's own tool, Pillow and libvips.

The same photograph in every packing, in strips and tiles of odd sizes, in both byte orders. What is
looked for in spoilt files (lengths, types of tags, sums) must not be found in any of them.
"""

from __future__ import annotations

import subprocess
from pathlib import Path

import numpy as np
import pytest
import pyvips
import skimage.data
import tifffile
from PIL import Image

from platemark.imaging.probe import probe
from platemark.model.picture import Facts
from platemark.model.work import HeaderLimits, ProbeTask

LIMITS = HeaderLimits(600_000_000, 65_500, 4 << 30, 1000, 100_000_000)
PHOTO = np.asarray(skimage.data.coffee())[:333, :517]
DEEP = PHOTO.astype(np.uint16) * 257 + 3


def facts_of(path: Path) -> Facts:
    return probe(ProbeTask(str(path), path.name, LIMITS)).facts


@pytest.mark.tool("tiffcp")
@pytest.mark.parametrize("deep", [False, True])
@pytest.mark.parametrize(
    "options",
    [
        "-c none", "-c lzw", "-c lzw:2", "-c zip", "-c zip:2", "-c packbits", "-c none -r 7",
        "-c lzw -r 333", "-c zip -r 1", "-c none -t -w 48 -l 80", "-c zip -t -w 128 -l 16",
        "-c packbits -t -w 64 -l 64", "-c none -p separate", "-c lzw:2 -p separate -r 50",
        "-B -c lzw", "-L -8 -c zip", "-c jpeg:90", "-c jpeg:95:r -r 16", "-c jpeg -t -w 64 -l 64",
    ],
)  # fmt: skip
def test_libtiff(options: str, deep: bool, tmp_path: Path) -> None:
    """Every way in which libtiff's own tool writes it."""
    if deep and ("jpeg" in options or "separate" in options):
        options = "-c zip -r 16"  # the tool does those with 8 bits alone
    source, made = tmp_path / "source.tif", tmp_path / "made.tif"
    tifffile.imwrite(source, DEEP if deep else PHOTO, photometric="rgb", rowsperstrip=64)
    subprocess.run(["tiffcp", *options.split(), source, made], capture_output=True, check=True)
    facts = facts_of(made)
    assert (facts.damage, facts.unread, facts.zero_run) == ("", "", "")


@pytest.mark.parametrize(
    "packing", [None, "tiff_lzw", "tiff_adobe_deflate", "packbits", "jpeg", "tiff_deflate"]
)
def test_pillow(packing: str | None, tmp_path: Path) -> None:
    """Every packing that Pillow writes."""
    path = tmp_path / "made.tif"
    Image.fromarray(PHOTO).save(path, compression=packing)
    assert (facts_of(path).damage, facts_of(path).unread) == ("", "")


@pytest.mark.parametrize("predictor", ["none", "horizontal"])
@pytest.mark.parametrize("tile", [False, True])
@pytest.mark.parametrize("packing", ["none", "lzw", "deflate", "packbits", "jpeg"])
def test_libvips(packing: str, tile: bool, predictor: str, tmp_path: Path) -> None:
    """Every packing that libvips writes, with its pyramid's smaller copies behind it too."""
    path = tmp_path / "made.tif"
    image = pyvips.Image.new_from_array(PHOTO if packing == "jpeg" else DEEP)
    image = image.copy(interpretation="srgb" if packing == "jpeg" else "rgb16")
    image.tiffsave(
        str(path), compression=packing, tile=tile, predictor=predictor, pyramid=tile, Q=90
    )
    assert (facts_of(path).damage, facts_of(path).unread) == ("", "")
