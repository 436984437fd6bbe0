"""The line of text that shows how often a print was mirrored.

It is read back with tifffile and NumPy (PyPI).
"""

from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import skimage.data
import tifffile
from made_plans import picture, plan_for, render_task

from platemark.imaging.icc import build_matrix_profile
from platemark.imaging.render import render
from platemark.imaging.slug import Slug, lettered, slug_of
from platemark.model.plan import Plan
from platemark.model.terms import Box, EdgeChoice

SRGB = build_matrix_profile("srgb")
WORDS = "READS RIGHT · MIRROR ONCE · 24x36in 3f9a1c22"
MM = Fraction(10, 254)


def plan_at(tmp_path: Path, ppi: int, bleed_mm: int, width: int = 2400) -> Plan:
    """A plan for a grey panel with a bleed."""
    made = picture(tmp_path, np.full((600, width, 3), 90, np.uint8))
    bleed = -(-bleed_mm * MM * ppi // 1)
    placed = Box(int(bleed), int(bleed), width, 600)
    edge = EdgeChoice("mirror")
    return plan_for(
        made, SRGB, placed=placed, bleed_px=int(bleed), edge=edge, slug=WORDS, ppi=Fraction(ppi)
    )


def second_letter(slug: Slug) -> Any:
    """The ink of the E of READS, cut to its own rows and columns."""
    columns = np.flatnonzero(slug.ink.any(axis=0))
    runs = np.split(columns, np.flatnonzero(np.diff(columns) > 1) + 1)
    letter = slug.ink[:, runs[1]]
    rows = np.flatnonzero(letter.any(axis=1))
    return letter[rows[0] : rows[-1] + 1]


@pytest.mark.parametrize("bleed_mm", [3, 5, 6])
@pytest.mark.parametrize("ppi", [150, 240, 254, 300, 400])
def test_letters_can_be_read_and_keep_clear_of_the_cut(
    ppi: int, bleed_mm: int, tmp_path: Path
) -> None:
    """Capitals are 1.5 to 2 mm high, 1 mm and more outside the trim, in the outermost bleed."""
    plan = plan_at(tmp_path, ppi, bleed_mm)
    slug = slug_of(plan)
    assert slug is not None
    trim, box = plan.trim_box, slug.box
    assert box.top - (trim.top + trim.height) >= MM * ppi
    assert box.top + box.height == plan.height_px
    assert trim.left <= box.left
    assert box.left + box.width <= trim.left + trim.width
    letter = second_letter(slug)
    assert 1.4 <= float(len(letter) / (MM * ppi)) <= 2.1
    # An E has its upright at the left and its three bars end at the right.
    assert letter[:, 0].all()
    assert letter[:, -1].mean() < 0.5


def test_a_narrow_print_gets_the_shorter_line(tmp_path: Path) -> None:
    """Where size and hash have no room the rest is written, and where that has none, nothing."""
    plan = plan_at(tmp_path, 300, 5)
    whole = slug_of(plan)
    assert whole is not None
    assert whole.words == WORDS
    short = slug_of(replace(plan, trim_box=Box(60, 60, 500, 600)))
    assert short is not None
    assert short.words == "READS RIGHT · MIRROR ONCE"
    assert slug_of(replace(plan, trim_box=Box(60, 60, 100, 600))) is None
    assert slug_of(replace(plan, slug="")) is None


@pytest.mark.parametrize("mirror", [False, True])
@pytest.mark.parametrize("bits", [8, 16])
def test_it_is_in_the_file_as_the_file_is_turned(bits: int, mirror: bool, tmp_path: Path) -> None:
    """On any picture it is black on white; mirrored with the picture where the studio mirrors."""
    made = picture(tmp_path, skimage.data.coffee())
    plan = plan_for(
        made, SRGB, placed=Box(60, 60, 600, 400), bleed_px=60, edge=EdgeChoice("extend"),
        slug="READS RIGHT · MIRROR ONCE", bits=bits, mirror=mirror,
    )  # fmt: skip
    task = render_task(made, plan)
    report = render(task)
    slug = slug_of(plan)
    assert slug is not None
    written = tifffile.imread(task.print_file)
    front = written[:, ::-1] if mirror else written
    box = slug.box
    patch = front[box.top : box.top + box.height, box.left : box.left + box.width]
    white = 255 if bits == 8 else 65535
    assert np.array_equal(patch, np.where(slug.ink, 0, white)[:, :, None].repeat(3, axis=2))
    codes = [change.code for change in report.changes]
    assert codes.count("slug-added") == 1
    assert ("mirrored" in codes) is mirror


def test_no_room_is_told(tmp_path: Path) -> None:
    """Without a bleed there is no line, and the change log says so."""
    made = picture(tmp_path, skimage.data.coffee())
    report = render(render_task(made, plan_for(made, SRGB, slug=WORDS)))
    assert [c.code for c in report.changes if c.code.startswith("slug")] == ["slug-left-out"]


@pytest.mark.parametrize("letter", [7, 9, 14, 23])
def test_no_letter_is_cut(letter: int) -> None:
    """A margin without ink lies all around, and a last letter is as wide as one amid the line."""
    ink = lettered("MIRROR ONCE ee3a9ddc", letter)
    rim = np.concatenate([ink[0], ink[-1], ink[:, 0], ink[:, -1]])
    assert not rim.any()
    widths = {words: lettered(words, letter).shape[1] for words in ("dc", "d", "dcd", "dd")}
    assert abs((widths["dc"] - widths["d"]) - (widths["dcd"] - widths["dd"])) <= max(2, letter // 7)
