"""The whole job against the bare library on the same pixels, as ratios within one run.

Measures and prints; asserts only that the work was done. `pytest -m bench -n 0 -s tests/bench`.
"""

import resource
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "crash"))
sys.path.insert(0, str(Path(__file__).parent))

from harness import LAB_FILE, STUDIO, SURFACE, printer_profile
from measuring import bare, careful, ours, write_picture

from platemark.settings.load import load_settings

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
    # Each once and in turn: the same file with the same request again would rightly be held.
    a = bare(source, tmp_path, profile, kind)
    b = careful(source, tmp_path, profile, kind)
    c = ours(root, source, drop)
    peak = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss // 1024
    print(
        f"\n{width * height / 1e6:.0f} Mpx {kind}: bare {a:.2f} s, careful {b:.2f} s, "
        f"whole job {c:.2f} s = {c / a:.2f} × bare, {c / b:.2f} × careful; "
        f"largest child so far {peak} MB"
    )
    assert list((root / "outgoing/brindlewick").glob("*/data/*.tif"))
