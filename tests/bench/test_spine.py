"""The whole job against the bare library on the same pixels, as ratios within one run.

Measures and prints; asserts only that the work was done. `pytest -m bench -n 0 -s tests/bench`.
"""

import hashlib
import os
import resource
import shutil
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest
import pyvips

sys.path.insert(0, str(Path(__file__).parents[1] / "crash"))

from harness import LAB_FILE, STUDIO, SURFACE, printer_profile

from platemark.app.open_studio import open_studio
from platemark.engine.clock import SystemClock
from platemark.imaging.icc import build_matrix_profile
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

BARE = """
import sys, pyvips
source, target, profile, kind = sys.argv[1:5]
image = pyvips.Image.new_from_file(source, access="sequential", fail_on="error")
if kind == "canvas":
    image = image.resize(4800 / image.width, vscale=6000 / image.height)
    image = image.embed(600, 600, 6000, 7200, extend="copy")
image = image.icc_transform(profile, embedded=True, intent="relative",
                            black_point_compensation=True, depth=16)
image.tiffsave(target, compression="none")
"""

CAREFUL_AFTER = """
import sys, pyvips
image = pyvips.Image.new_from_file(sys.argv[1], access="sequential", fail_on="error")
image.avg()
"""


class SettledClock(SystemClock):
    """A clock on which the settle time is over at once."""

    def monotonic(self) -> float:
        """Seconds that pass a thousand times as fast."""
        return super().monotonic() * 1000


def write_picture(path: Path, width: int, height: int) -> None:
    """A 16-bit ROMM picture with detail everywhere, uncompressed."""
    noise = pyvips.Image.gaussnoise(width, height, sigma=1500, mean=0, seed=3)
    ramp = pyvips.Image.xyz(width, height)
    base = ramp[0] * (40000 / width) + ramp[1] * (15000 / height) + 4000
    image = (base + noise).bandjoin([base * 0.8 + noise, base * 0.6 + noise]).cast("ushort")
    image = image.copy(interpretation="rgb16").copy()
    image.set_type(pyvips.GValue.blob_type, "icc-profile-data", build_matrix_profile("romm"))
    image.tiffsave(str(path), compression="none", xres=300 / 25.4, yres=300 / 25.4)


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


def bare(source: Path, folder: Path, profile: Path, kind: str) -> float:
    """Decode, resize, convert, write: the library alone."""
    os.sync()  # nobody pays for what another left to be written
    began = time.perf_counter()
    command = [sys.executable, "-c", BARE, source, folder / "bare.tif", profile, kind]
    subprocess.run(command, check=True)
    return time.perf_counter() - began


def careful(source: Path, folder: Path, profile: Path, kind: str) -> float:
    """What a careful person scripts: copy, hash, sync, the bare work, decode again, hash."""
    os.sync()
    began = time.perf_counter()
    hashed = hashlib.sha256()
    with source.open("rb") as read, (folder / "kept.tif").open("wb") as write:
        while chunk := read.read(1 << 22):
            hashed.update(chunk)
            write.write(chunk)
        write.flush()
        os.fsync(write.fileno())
    bare(folder / "kept.tif", folder, profile, kind)
    subprocess.run([sys.executable, "-c", CAREFUL_AFTER, folder / "bare.tif"], check=True)
    with (folder / "bare.tif").open("rb") as file:
        hashlib.file_digest(file, "sha256")
    return time.perf_counter() - began


def ours(root: Path, source: Path, drop: str) -> float:
    """From the end of the settle time to the closed parcel."""
    shutil.copy(source, root / drop)
    awake = threading.Event()
    with open_studio(root, SettledClock()) as studio:
        closed = len(studio.workshop.ledger.read.parcels())
        studio.dispatch.turn()
        os.sync()
        began = time.perf_counter()
        while len(studio.workshop.ledger.read.parcels(state="closed")) == closed:
            studio.dispatch.turn(wake=awake.set)
            assert not studio.workshop.ledger.read.jobs(state="held")
            awake.wait(0.02)
            awake.clear()
        took = time.perf_counter() - began
        studio.dispatch.stop()
    return took


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
