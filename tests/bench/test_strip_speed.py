"""How soon a strip's report is there: 100 patches in a second (measured as `-m bench`)."""

import time
from pathlib import Path

import numpy as np
import pytest

from platemark.imaging.child import Children
from platemark.imaging.print_model import MATTE_RAG, make_printer_profile
from platemark.model.work import ChildLimits, StripPatch, StripReport, StripTask

pytestmark = pytest.mark.bench

PATCHES, WANTED_S = 100, 1.0


def test_a_report_of_100_patches(tmp_path: Path) -> None:
    """From the start of the child process to its report, against a profile and a reference."""
    (tmp_path / "print.icc").write_bytes(make_printer_profile(MATTE_RAG))
    random = np.random.default_rng(100)
    rgb = random.integers(0, 256, (PATCHES, 3))
    lab = random.uniform([5, -40, -40], [95, 40, 40], (PATCHES, 3))
    patches = tuple(
        StripPatch(
            f"patch {number}", "memory", (int(codes[0]), int(codes[1]), int(codes[2])), read,
            (read, read, read),
        )
        for number, (codes, read) in enumerate(zip(rgb, map(_texts, lab), strict=True))
    )  # fmt: skip
    reference = tuple(map(_texts, lab + random.normal(0, 1, lab.shape)))
    task = StripTask(patches, str(tmp_path / "print.icc"), "relative", True, "absolute", reference)
    taken = []
    for _ in range(5):
        began = time.perf_counter()
        report = Children().run(task, ChildLimits(800, 60, 1, 1))
        taken.append(time.perf_counter() - began)
        assert isinstance(report, StripReport)
        assert len(report.off_profile) == len(report.off_reference) == PATCHES
    best, middle = min(taken), sorted(taken)[2]
    print(f"\nstrip report, {PATCHES} patches: best {best:.2f} s, middle of 5 {middle:.2f} s")
    assert best <= WANTED_S


def _texts(lab: "np.ndarray[tuple[int], np.dtype[np.float64]]") -> tuple[str, str, str]:
    lightness, a, b = (f"{value:.2f}" for value in lab)
    return lightness, a, b
