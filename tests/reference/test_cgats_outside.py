"""Our reader of measured colours held against public data sets and against another program.

The data sets are those of Debian's `icc-profiles-free` (zlib licence): nine characterisations of
printing, FOGRA28 to 40 and TR 002 to 006, each with Lab and XYZ of the same readings.
"""

import functools
import os
import re
import subprocess
from decimal import Decimal
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from platemark.imaging.delta_e import delta_e_2000
from platemark.imaging.icc import build_matrix_profile
from platemark.imaging.print_model import MATTE_RAG, make_printer_profile
from platemark.imaging.strip_report import delta_e, report_strip
from platemark.model.cgats import read_tables
from platemark.model.patch_strip import PATCHES
from platemark.model.readings import lab_of_xyz, read_strip
from platemark.model.work import StripPatch, StripTask

FOLDER = Path("/usr/share/color/icc")
SETS = {
    "FOGRA28L": 1485, "FOGRA29L": 1485, "FOGRA30L": 1485, "FOGRA39L": 1617, "FOGRA40L": 1617,
    "TR002": 928, "TR003": 1617, "TR005": 1617, "TR006": 1617,
}  # fmt: skip
"""Rows of each, as their own NUMBER_OF_SETS says and `grep -c` counts."""


@functools.cache
def printer() -> bytes:
    return make_printer_profile(MATTE_RAG)


def data_set(name: str) -> bytes:
    path = FOLDER / f"{name}.ti3"
    if not path.exists():
        if os.environ.get("PLATEMARK_REQUIRE_TOOLS") == "1":
            pytest.fail("icc-profiles-free is not installed, and is required here", pytrace=False)
        pytest.skip("icc-profiles-free is not installed")
    return path.read_bytes()


@pytest.mark.parametrize(("name", "rows"), SETS.items())
def test_public_data_sets_are_read_whole(name: str, rows: int) -> None:
    """Every row is there, and its Lab is that of its XYZ within ΔE76 .32, which is rounding.

    The largest that was seen is .319 (TR 006), at near-black where hundredths of Y weigh most.
    """
    (table,) = read_tables(data_set(name))
    assert len(table.rows) == rows
    lab = np.array(table.numbers("LAB_L", "LAB_A", "LAB_B"), np.float64)
    xyz = table.numbers("XYZ_X", "XYZ_Y", "XYZ_Z")
    ours = np.array([lab_of_xyz(row) for row in xyz], np.float64)
    assert np.linalg.norm(lab - ours, axis=1).max() <= 0.32
    assert table.texts("SAMPLE_ID")[:2] == ("1", "2")
    assert table.words["DEVICE_CLASS"] == "OUTPUT"


def by_transicc(folder: Path, *words: str, rows: np.ndarray[Any, Any], fields: str) -> Path:
    """A CGATS file of rows, put through `transicc`."""
    lines = [f"{n} " + " ".join(f"{value:.4f}" for value in row) for n, row in enumerate(rows, 1)]
    (folder / "asked.txt").write_text(
        f"CGATS.17\nNUMBER_OF_FIELDS 4\nBEGIN_DATA_FORMAT\nSAMPLE_ID {fields}\nEND_DATA_FORMAT\n"
        f"NUMBER_OF_SETS {len(lines)}\nBEGIN_DATA\n" + "\n".join(lines) + "\nEND_DATA\n"
    )
    subprocess.run(
        ["transicc", *words, "-c0", "asked.txt", "answered.txt"], cwd=folder, check=True,
        capture_output=True, timeout=60,
    )  # fmt: skip
    return folder / "answered.txt"


@pytest.mark.tool("transicc")
@pytest.mark.parametrize("compensate", [False, True])
def test_what_a_strip_should_read_is_what_transicc_says(compensate: bool, tmp_path: Path) -> None:
    """The predicted Lab of all 34 colours, against `transicc` (Debian, liblcms2-utils).

    Two steps as a strip goes: sRGB to the print by its intent, the print to Lab ICC-absolute.
    Without compensation within ΔE00 .05. With it Debian's LittleCMS (2.14) and ours (2.18) make
    another black; that moves dark colours, 1 is allowed (.36 seen here, .86 on a glossy paper).
    """
    icc = printer()
    (tmp_path / "print.icc").write_bytes(icc)
    (tmp_path / "srgb.icc").write_bytes(build_matrix_profile("srgb"))
    rgb = np.array([patch.rgb for patch in PATCHES], np.float64)
    printed = by_transicc(
        tmp_path, "-i", "srgb.icc", "-o", "print.icc", "-t1", *(["-b"] if compensate else []),
        rows=rgb, fields="RGB_R RGB_G RGB_B",
    )  # fmt: skip
    (table,) = read_tables(printed.read_bytes())
    device = np.array(table.numbers("RGB_R", "RGB_G", "RGB_B"), np.float64)
    answered = by_transicc(
        tmp_path, "-i", "print.icc", "-o", "*Lab", "-t3", rows=device, fields="RGB_R RGB_G RGB_B"
    )
    (table,) = read_tables(answered.read_bytes())
    theirs = np.array(table.numbers("LAB_L", "LAB_A", "LAB_B"), np.float64)
    zero = ("0.00", "0.00", "0.00")
    patches = tuple(StripPatch(each.name, each.group, each.rgb, zero) for each in PATCHES)
    icc_path = str(tmp_path / "print.icc")
    report = report_strip(StripTask(patches, icc_path, "relative", compensate, "absolute"))
    ours = np.array(report.predicted, np.float64)
    assert delta_e_2000(ours, theirs).max() <= (1 if compensate else 0.05)
    # What transicc wrote is read as a strip, by its numbers alone.
    readings = read_strip(answered.read_bytes(), scale=None, condition="M1")
    assert len(readings.patches) == 34
    assert readings.patches[0].lab == tuple(
        Decimal(f"{value:.2f}") for value in theirs[[0, -2]].mean(axis=0)
    )


@pytest.mark.tool("transicc")
def test_relative_readings_are_held_against_the_paper(tmp_path: Path) -> None:
    """Counted from the paper, white is 100, 0, 0 by ours and by `transicc -t1` alike."""
    icc = printer()
    (tmp_path / "print.icc").write_bytes(icc)
    grey = np.array([[255, 255, 255], [128, 128, 128], [0, 0, 0]], np.float64)
    answered = by_transicc(
        tmp_path, "-i", "print.icc", "-o", "*Lab", "-t1", rows=grey, fields="RGB_R RGB_G RGB_B"
    )
    (table,) = read_tables(answered.read_bytes())
    theirs = np.array(table.numbers("LAB_L", "LAB_A", "LAB_B"), np.float64)
    from platemark.imaging.strip_report import predicted_lab

    ours = predicted_lab(icc, (grey * 257).astype(np.uint16), absolute=False)
    assert np.abs(ours - theirs).max() <= 0.02
    assert np.abs(ours[0] - [100, 0, 0]).max() <= 0.05


def test_figures_are_those_of_the_published_pairs(tmp_path: Path) -> None:
    """A strip whose colours are the first of published pairs, held against the second.

    CIEDE2000 of Sharma, Wu and Dalal 2005, table 1, through colour-science: mean, 95 of 100 by
    interpolation, largest; ΔH and ΔCh of the named groups by hand.
    """
    pairs = (
        ("paper", (50, 2.6772, -79.7751), (50, 0, -82.7485), 2.0425),
        ("grey", (50, 0, 0), (50, -1, 2), 2.3669),
        ("primary", (50, 2.5, 0), (58, 24, 15), 19.4535),
        ("black", (6.7747, -0.2908, -2.4247), (5.8714, -0.0985, -2.2286), 0.6377),
    )
    patches = tuple(
        StripPatch(group, group, (0, 0, 0), tuple(map(str, one)))  # type: ignore[arg-type]
        for group, one, _, _ in pairs
    )
    reference = tuple(tuple(map(str, other)) for _, _, other, _ in pairs)
    report = report_strip(StripTask(patches, "", "relative", False, "absolute", reference))  # type: ignore[arg-type]
    figures = report.by_reference
    assert figures is not None
    published = [each[3] for each in pairs]
    assert [float(value) for value in report.off_reference] == pytest.approx(published, abs=0.006)
    assert float(figures.mean) == pytest.approx(np.mean(published), abs=0.006)
    assert float(figures.p95) == pytest.approx(np.percentile(published, 95), abs=0.006)
    assert (figures.largest, figures.primaries, figures.paper) == ("19.45", "19.45", "2.04")
    assert float(figures.neutral_mean) == pytest.approx(5**0.5, abs=0.006)
    # C* 2.5 and 28.30, apart by 26.24 in a* b*: what is left is hue.
    assert float(figures.primaries_hue) == pytest.approx(
        (21.5**2 + 15**2 - (28.3019 - 2.5) ** 2) ** 0.5, abs=0.006
    )
    assert float(figures.black_l) == pytest.approx(0.9033, abs=0.006)
    assert (report.by_profile, report.predicted) == (None, ())


def test_our_delta_e_is_colour_sciences() -> None:
    """The report's ΔE is the library's, and the library's is our own (random colours, seeded)."""
    random = np.random.default_rng(28178)
    one = random.uniform([0, -100, -100], [100, 100, 100], (2000, 3))
    other = one + random.normal(0, 4, one.shape)
    assert np.abs(delta_e(one, other) - delta_e_2000(one, other)).max() <= 1e-9


def test_limits_are_those_of_the_handbook() -> None:
    """The starting limits, beside what they are known from.

    Against the reference: house practice. Against a profile: ISO 12647-7:2016, from memory:
    substrate 3.0, mean 2.5, largest 5.0, greys ΔCh mean 2.0 and largest 3.5, primaries ΔE00 3.0
    and ΔH 2.5. No conformity is claimed anywhere.
    """
    text = (Path(__file__).parents[2] / "config/studio.toml").read_text("utf-8")
    section = text[text.index("[strips]") : text.index("[usual_lab]")]
    stated = dict(re.findall(r"^(\w+) = ([^#\n]+?)\s*(?:#.*)?$", section, re.MULTILINE))
    assert stated == {
        "condition": '"M1"', "p95": "[4.0, 6.0]", "neutral": "[1.5, 2.5]", "black": "[2.0, 4.0]",
        "paper": "3.0", "mean": "2.5", "largest": "5.0", "neutral_mean": "2.0",
        "neutral_largest": "3.5", "primaries": "3.0", "primaries_hue": "2.5",
    }  # fmt: skip
    for both in ("paper = [2.0, 3.0]", "mean = [2.0, 3.0]", "primaries = [3.0, 5.0]"):
        assert both in section
