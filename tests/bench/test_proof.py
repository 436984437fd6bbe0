"""What the proof sheet costs on top of measuring: processor seconds and memory of the child."""

import os
import resource
import sys
from dataclasses import replace
from pathlib import Path

import pytest
from made_measures import measure_task
from made_plans import LIMITS, Made
from measuring import write_picture
from test_measuring_speed import Watcher

from platemark.imaging.child import Children
from platemark.imaging.icc import build_matrix_profile
from platemark.imaging.print_model import MATTE_RAG, make_printer_profile
from platemark.model.work import MeasureReport, MeasureTask

pytestmark = pytest.mark.bench


def seconds(task: MeasureTask) -> float:
    """Processor seconds of a child that measures."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    assert isinstance(Children().run(task, LIMITS), MeasureReport)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


@pytest.mark.parametrize(("width", "height"), [(8660, 5774), (18000, 12000)])
def test_a_sheet(width: int, height: int, tmp_path: Path) -> None:
    """A 16-bit TIFF measured with and without its sheet, in turn: the best of three each."""
    path = tmp_path / "original.tif"
    write_picture(path, width, height)
    made = Made(tmp_path, path, width, height, "tiff", build_matrix_profile("romm"))
    plain = measure_task(made, make_printer_profile(MATTE_RAG))
    drawn = replace(plain, proof=str(tmp_path / "sheet.jpg"))
    watcher = Watcher()
    watcher.start()
    pairs = [(seconds(plain), seconds(drawn)) for _ in range(3)]
    watcher.is_over = True
    watcher.join()
    alone, both = (min(each) for each in zip(*pairs, strict=True))
    print(f"\n{width * height / 1e6:.0f} Mpx: measured {alone:.2f} s CPU, with its sheet "
          f"{both:.2f} s ({both / alone:.2f} times), {watcher.highest} MB, "
          f"load {os.getloadavg()[0]:.1f}", file=sys.stderr)  # fmt: skip
    assert watcher.highest < 400
