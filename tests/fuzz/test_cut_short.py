"""Copies that ended early, at every hundredth of five formats: never printed."""

from __future__ import annotations

from pathlib import Path

import pytest
from given import known
from seeds import seed

from platemark.checks import file_whole
from platemark.imaging.probe import probe
from platemark.model.picture import Facts
from platemark.model.work import HeaderLimits, ProbeTask

LIMITS = HeaderLimits(600_000_000, 65_500, 4 << 30, 1000, 100_000_000)
LONG = pytest.mark.long
FIVE = ("strips-16.tif", "tiles-deflate.tif", "bigtiff-lzw.tif", "baseline.jpg", "eight.png")
"""TIFF in strips as it is, in tiles as ZIP, BigTIFF as LZW, JPEG and PNG."""


def facts_of(data: bytes, name: str, folder: Path) -> Facts:
    path = folder / name
    path.write_bytes(data)
    return probe(ProbeTask(str(path), name, LIMITS)).facts


def is_stopped(facts: Facts) -> bool:
    """Whether a check that nobody may accept stops such a file."""
    stops = [found for found in file_whole.find(known(facts=facts)) if found.severity == "stop"]
    return bool(stops) or facts.format == "other"


@pytest.mark.fault(24)
@pytest.mark.parametrize("parts", [10, *(pytest.param(n, marks=LONG) for n in (100, 1000))])
@pytest.mark.parametrize("name", FIVE)
def test_no_part_of_a_picture_is_printed(name: str, parts: int, tmp_path: Path) -> None:
    """Cut at every tenth, and every hundredth and thousandth in the long form, and the last bytes.

    The whole one passes, so that it is the cut that is found.
    """
    data = seed(name)
    assert not is_stopped(facts_of(data, name, tmp_path))
    lengths = {len(data) * part // parts for part in range(parts)}
    lengths |= {len(data) - last for last in (1, 2, 3, 4, 8, 12, 16)}
    passed = [n for n in sorted(lengths) if not is_stopped(facts_of(data[:n], name, tmp_path))]
    # What stands behind the picture's own end says nothing of it.
    assert passed == [], f"of {len(data)} bytes"


@pytest.mark.fault(24)
@pytest.mark.parametrize("name", FIVE)
def test_zeros_for_an_end_are_found(name: str, tmp_path: Path) -> None:
    """A copy that reserved its room and never filled the second half is not printed either."""
    data = seed(name)
    half = (len(data) // 2) // 4096 * 4096
    facts = facts_of(data[:half] + bytes(len(data) - half), name, tmp_path)
    assert is_stopped(facts) or facts.zero_run


@pytest.mark.fault(24)
def test_a_jpeg_without_its_last_mark_alone(tmp_path: Path) -> None:
    """All rows are there, and still nobody can know that nothing is missing."""
    data = seed("baseline.jpg")
    assert data.endswith(b"\xff\xd9")
    facts = facts_of(data[:-2], "baseline.jpg", tmp_path)
    assert facts.truncated
    assert "mark" in facts.damage
