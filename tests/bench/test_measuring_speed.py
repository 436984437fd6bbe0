"""What measuring costs: a whole child process, and L*a*b* beside general-purpose libraries."""

import os
import re
import resource
import subprocess
import sys
import threading
import time
import warnings
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import skimage.color
from made_measures import measure_task
from made_plans import LIMITS, Made, sha256
from measuring import Spent, write_picture

from platemark.imaging.child import Children
from platemark.imaging.delta_e import delta_e_2000
from platemark.imaging.icc import build_matrix_profile
from platemark.imaging.print_model import MATTE_RAG, make_printer_profile
from platemark.imaging.source import find_profile
from platemark.imaging.to_lab import LabOf
from platemark.model.work import MeasureReport

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # that it cannot plot
    import colour

pytestmark = pytest.mark.bench


class Watcher(threading.Thread):
    """Follows the memory of a child of this process, MB."""

    def __init__(self) -> None:
        """Not watching yet."""
        super().__init__(daemon=True)
        self.highest = 0
        self.is_over = False

    def run(self) -> None:
        """Read the peak of every child as long as there is one."""
        while not self.is_over:
            told = Path(f"/proc/self/task/{os.getpid()}/children").read_text().split()
            for child in told:
                try:
                    status = Path(f"/proc/{child}/status").read_text()
                except OSError:
                    continue
                peak = re.search(r"^VmHWM:\s*(\d+)", status, re.MULTILINE)
                self.highest = max(self.highest, int(peak[1]) // 1024 if peak else 0)
            time.sleep(0.005)


@pytest.mark.parametrize(("width", "height"), [(8660, 5774), (18000, 12000)])
def test_a_child(width: int, height: int, tmp_path: Path) -> None:
    """Measure a 16-bit TIFF three times: the best of wall and processor seconds, and the peak."""
    path = tmp_path / "original.tif"
    write_picture(path, width, height)
    subprocess.run(["cat", path], stdout=subprocess.DEVNULL, check=True)
    made = Made(tmp_path, path, width, height, "tiff", build_matrix_profile("romm"))
    task = measure_task(made, make_printer_profile(MATTE_RAG))
    watcher = Watcher()
    watcher.start()
    walls, works = [], []
    for _ in range(3):
        before, began = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
        # Children start on the thread that asks, and here that is the one watched.
        assert isinstance(Children().run(task, LIMITS), MeasureReport)
        walls.append(time.perf_counter() - began)
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        works.append(after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)
    watcher.is_over = True
    watcher.join()
    print(f"\n{width * height / 1e6:.0f} Mpx: {min(walls):.2f} s wall, {min(works):.2f} s CPU, "
          f"{watcher.highest} MB, load {os.getloadavg()[0]:.1f}", file=sys.stderr)  # fmt: skip
    assert watcher.highest < 400


def cost(work: Callable[[], object], megapixels: float) -> float:
    """The best of three, processor seconds a megapixel."""
    found = []
    for _ in range(3):
        began = time.process_time()
        work()
        found.append((time.process_time() - began) / megapixels)
    return min(found)


def test_lab_beside_other_libraries() -> None:
    """The same sRGB values to L*a*b*: ours takes a fraction of scikit-image's and colour's time."""
    codes = np.random.default_rng(2).integers(0, 65536, (1000, 1000, 3), dtype=np.uint16)
    values = codes / 65535
    data = build_matrix_profile("srgb")
    lab_of = LabOf(find_profile(sha256(data), {}, data))
    space = colour.RGB_COLOURSPACES["sRGB"]

    def by_colour() -> object:
        xyz = colour.RGB_to_XYZ(values, space, apply_cctf_decoding=True)
        return colour.XYZ_to_Lab(xyz, space.whitepoint)

    ours = cost(lambda: lab_of(codes), 1)
    by_skimage = cost(lambda: skimage.color.rgb2lab(values), 1)
    by_colour_science = cost(by_colour, 1)
    print(f"\nL*a*b*: ours {ours:.3f}, scikit-image {by_skimage:.3f}, "
          f"colour-science {by_colour_science:.3f} s/Mpx", file=sys.stderr)  # fmt: skip
    assert ours < by_skimage
    assert ours < by_colour_science


def test_differences_beside_other_libraries() -> None:
    """CIEDE2000 of the same million pairs: ours takes less than scikit-image and colour-science."""
    random = np.random.default_rng(4)
    low, high = np.array([0, -128, -128]), np.array([100, 128, 128])
    one, other = random.uniform(low, high, (2, 1000, 1000, 3))
    ours = cost(lambda: delta_e_2000(one, other), 1)
    by_skimage = cost(lambda: skimage.color.deltaE_ciede2000(one, other), 1)
    by_colour_science = cost(lambda: colour.difference.delta_E_CIE2000(one, other), 1)
    print(f"\nΔE00: ours {ours:.3f}, scikit-image {by_skimage:.3f}, "
          f"colour-science {by_colour_science:.3f} s/Mpx", file=sys.stderr)  # fmt: skip
    assert ours < by_skimage
    assert ours < by_colour_science


def test_all_measures_beside_lab_alone(tmp_path: Path) -> None:
    """All measures and the proof cost less a megapixel than L*a*b* alone in other libraries.

    A whole child process with its start and the decoding, of a picture of 24 Mpx, against a
    megapixel that lies in memory.
    """
    path = tmp_path / "original.tif"
    write_picture(path, 6000, 4000)
    made = Made(tmp_path, path, 6000, 4000, "tiff", build_matrix_profile("romm"))
    task = measure_task(made, make_printer_profile(MATTE_RAG))
    task = replace(task, proof=str(tmp_path / "proof.jpg"))
    ours = []
    for _ in range(3):
        before = Spent.so_far()
        assert isinstance(Children().run(task, LIMITS), MeasureReport)
        ours.append(before.since().cpu / 24)
    values = np.random.default_rng(2).random((1000, 1000, 3))
    space = colour.RGB_COLOURSPACES["ROMM RGB"]

    def by_colour() -> object:
        xyz = colour.RGB_to_XYZ(values, space, apply_cctf_decoding=True)
        return colour.XYZ_to_Lab(xyz, space.whitepoint)

    by_skimage = cost(lambda: skimage.color.rgb2lab(values), 1)
    by_colour_science = cost(by_colour, 1)
    print(f"\nall measures and the proof {min(ours):.3f}; L*a*b* alone: scikit-image "
          f"{by_skimage:.3f}, colour-science {by_colour_science:.3f} s/Mpx",
          file=sys.stderr)  # fmt: skip
    assert min(ours) < by_skimage
    assert min(ours) < by_colour_science
