"""The whole job, measures and proof included, against the bare library and the careful script.

Measures and prints; asserts that the work was done and what a process may grow to. On a machine
that does other things too, go by the ratio of processor seconds.
`pytest -m bench -n 0 -s tests/bench`.
"""

import os
import resource
import statistics
import sys
from functools import partial
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "crash"))
sys.path.insert(0, str(Path(__file__).parent))

from harness import LAB_FILE, STUDIO, SURFACE, printer_profile
from measuring import Spent, bare, careful, ours, write_picture

from platemark.settings.load import load_settings

PAIRS = 3
MOST_MB = 600
"""The largest that a process may grow, resident."""

CANVAS = """
[[products]]
surface = "small-canvas"
name = "Canvas"
sizes = []
mirror_by = "nobody"
wrap = "1.5in"
tuck = "0.5in"
[products.ppi]
lowest = 150
target = 300
highest = 360
[products.file]
format = "tiff"
bits = 16
[products.profile]
file = "rag.icc"
"""


def make_bench_studio(root: Path) -> None:
    """One lab that closes a parcel for each print, on paper and on canvas."""
    for folder in ("surfaces", "labs", "profiles", "hot/small-rag", "hot/small-canvas"):
        (root / folder).mkdir(parents=True)
    (root / "studio.toml").write_text(STUDIO)
    (root / "surfaces/small-rag.toml").write_text(SURFACE)
    canvas = SURFACE.replace('edge = "none"', 'edge = "wrap"')
    canvas = canvas.replace('edge_mode = "none"', 'edge_mode = "mirror"')
    (root / "surfaces/small-canvas.toml").write_text(canvas)
    lab = LAB_FILE.replace('rule = "quiet"\nminutes = 600', 'rule = "each"')
    lab = lab.replace('method = "folder"\npath = "at-the-lab"', 'method = "collect"')
    lab = lab.replace("lowest = 50", "lowest = 150").replace("target = 100", "target = 300")
    lab = lab.replace("highest = 200", "highest = 360")
    (root / "labs/brindlewick.toml").write_text(lab + CANVAS)
    (root / "profiles/rag.icc").write_bytes(printer_profile())
    load_settings(root)


@pytest.mark.bench
@pytest.mark.parametrize(
    ("width", "height", "kind", "drop"),
    [
        (8688, 5792, "paper", "hot/small-rag/paper_20x30in.tif"),
        (8688, 5792, "canvas", "hot/small-canvas/canvas_16x20in.tif"),
        (18000, 12000, "paper", "hot/small-rag/large_40x60in.tif"),
    ],
)
def test_whole_job_against_bare_and_careful(
    tmp_path: Path, width: int, height: int, kind: str, drop: str
) -> None:
    """Prints the whole job's time as a ratio to the bare and to the careful script."""
    root = tmp_path / "studio"
    make_bench_studio(root)
    source = tmp_path / "source.tif"
    if kind == "canvas":
        width, height = 6340, 7925  # 5:4, and as many pixels
    write_picture(source, width, height)
    # A lab's profile is admitted once, so a first small print has that behind it.
    warm = tmp_path / "warm.tif"
    write_picture(warm, 600, 900)
    ours(root, warm, str(Path(drop).with_name("warm_2x3in.tif")))
    profile = root / "profiles/rag.icc"
    a = bare(source, tmp_path, profile, kind)
    pairs = []
    for turn in range(PAIRS if width * height < 1e8 else 1):
        # Another picture each time: the same again would rightly be held.
        write_picture(source, width, height, seed=turn)
        works = [
            partial(careful, source, tmp_path, profile, kind),
            partial(ours, root, source, drop),
        ]
        # Alternately first, so that what else the machine does falls on both.
        spent = [work() for work in (works if turn % 2 else works[::-1])]
        pairs.append(spent if turn % 2 else spent[::-1])
        print(f"\n{width * height / 1e6:.0f} Mpx {kind}: {told(a, *pairs[-1])}")
    peak = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss // 1024
    wall, cpu = (
        statistics.median(getattr(c, name) / getattr(b, name) for b, c in pairs)
        for name in ("wall", "cpu")
    )
    print(
        f"{width * height / 1e6:.0f} Mpx {kind}: median of {len(pairs)} {wall:.2f} × careful, "
        f"{cpu:.2f} × in processor seconds; largest child so far {peak} MB"
    )
    assert peak <= MOST_MB
    assert list((root / "outgoing/brindlewick").glob("*/data/*.tif"))


def told(a: Spent, b: Spent, c: Spent) -> str:
    """One pair of figures in words."""
    return (
        f"bare {a.wall:.2f} s, careful {b.wall:.2f} s ({b.cpu:.2f} of processors), whole job "
        f"{c.wall:.2f} s ({c.cpu:.2f}) = {c.wall / a.wall:.2f} × bare, {c.wall / b.wall:.2f} × "
        f"careful ({c.cpu / b.cpu:.2f}); load {os.getloadavg()[0]:.1f}"
    )
