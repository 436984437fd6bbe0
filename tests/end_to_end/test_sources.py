"""Pictures that carry no RGB profile of their own, and sharpening, through the real command."""

import json
import struct
import zlib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import pyvips
import skimage.data
import tifffile
from at_work import ask, jobs
from PIL import Image

from platemark.imaging.icc import build_grey_profile
from platemark.settings.starter import copy_starter

# 8x10in at 250 ppi, which Tarnmoor takes as it is; it converts by itself.
WIDTH, HEIGHT = 2000, 2500


@pytest.fixture(scope="module")
def tickets(tmp_path_factory: pytest.TempPathFactory) -> dict[str, dict[str, Any]]:
    """The tickets of one sweep by the original's name, each with its parcel's folder."""
    root = tmp_path_factory.mktemp("sources") / "studio"
    copy_starter(root)
    hot = root / "hot/rc-lustre/8x10in"
    photo = np.asarray(Image.fromarray(skimage.data.astronaut()).resize((WIDTH, HEIGHT)))
    lab = photo.astype(np.uint16) * 128 + 16384
    tifffile.imwrite(hot / "lab.tif", lab, photometric="icclab")
    grey = photo[..., 1].astype(np.uint16) * np.uint16(257)
    tifffile.imwrite(hot / "grey.tif", grey, iccprofile=build_grey_profile(), photometric=1)
    png = hot / "stated.png"
    pyvips.Image.new_from_array(photo).copy(interpretation="srgb").pngsave(str(png), keep="none")
    # The four bytes are H.273's Display P3: primaries 12, transfer 13, matrix 0, full range.
    png.write_bytes(with_chunk(png.read_bytes(), b"cICP", bytes([12, 13, 0, 1])))
    (hot / "stated.png.toml").write_text('sharpen = "surface"\nviewing = "24in"\n')
    code, said = ask(root, "sweep", patience_s=300)
    assert (code, [job["state"] for job in jobs(root)]) == (0, ["parcelled"] * 3), said
    (parcel,) = (root / "outgoing/tarnmoor").iterdir()
    written = json.loads((parcel / "ticket.json").read_text("utf-8"))["tickets"]
    return {each["original"]["name"]: {**each, "folder": str(parcel)} for each in written}


def with_chunk(png: bytes, name: bytes, body: bytes) -> bytes:
    """A PNG with a chunk right after its header (PNG, third edition, 5.3)."""
    chunk = struct.pack(">I", len(body)) + name + body
    end_of_header = 8 + 12 + 13
    return b"".join(
        (
            png[:end_of_header],
            chunk,
            struct.pack(">I", zlib.crc32(name + body)),
            png[end_of_header:],
        )
    )


def said(ticket: dict[str, Any]) -> dict[str, str]:
    """The change log by code."""
    return {change["code"]: change["text"] for change in ticket["changes"]}


def test_lab(tickets: dict[str, dict[str, Any]]) -> None:
    """A Lab picture is printed, and its ticket says by which way."""
    ticket = tickets["lab.tif"]
    assert ticket["colour"]["source_profile_from"] == "lab"
    assert ticket["original"]["profile"] == "none (Lab)"
    assert "from-lab" in said(ticket)
    assert "colour-lab" in [each["code"] for each in ticket["findings"]]
    assert "(the picture was in Lab and was brought into it)" in page(ticket)


def test_stated(tickets: dict[str, dict[str, Any]]) -> None:
    """A PNG that names its space is read in it, sharpened for surface and distance, and printed."""
    ticket = tickets["stated.png"]
    assert ticket["colour"]["source_profile_from"] == "stated"
    assert "Display P3" in said(ticket)["profile-stated"]
    # 24 in × 0.0004 × 250 ppi is 2.4 px, or .24 mm.
    assert "seen from 24in: radius 0.24 mm (2.4 px), amount 1.3" in said(ticket)["sharpened"]
    assert "(stated by the file, without a profile)" in page(ticket)


def test_grey(tickets: dict[str, dict[str, Any]]) -> None:
    """A grey picture is delivered as equal red, green and blue, within a step of the JPEG."""
    ticket = tickets["grey.tif"]
    path = Path(ticket["folder"]) / ticket["print_file"]["path"]
    printed = np.asarray(Image.open(path)).astype(int)
    assert np.ptp(printed, axis=-1).max() <= 1
    assert printed.std() > 20


def page(ticket: dict[str, Any]) -> str:
    """What the lab's person reads."""
    return (Path(ticket["folder"]) / "ticket.html").read_text("utf-8")
