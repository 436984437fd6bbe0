"""The bare library and a careful script on the same pixels, and our whole job, each timed."""

import hashlib
import os
import resource
import shutil
import subprocess
import sys
import threading
import time
from dataclasses import dataclass
from pathlib import Path

import pyvips

from platemark.app.open_studio import open_studio
from platemark.engine.clock import SystemClock
from platemark.imaging.icc import build_matrix_profile

BARE = """
import sys, pyvips
source, target, profile, kind, depth = sys.argv[1:6]
image = pyvips.Image.new_from_file(source, access="sequential", fail_on="error")
if kind == "canvas":
    image = image.resize(4800 / image.width, vscale=6000 / image.height)
if kind.isdigit():
    around = int(kind)
    image = image.embed(around, around, image.width + 2 * around, image.height + 2 * around,
                        extend="copy")
if kind == "canvas":
    image = image.embed(600, 600, 6000, 7200, extend="copy")
image = image.icc_transform(profile, embedded=True, intent="relative",
                            black_point_compensation=True, depth=int(depth))
if target.endswith(".jpg"):
    image.jpegsave(target, Q=95, subsample_mode="off")
else:
    image.tiffsave(target, compression="none")
"""

CAREFUL_AFTER = """
import sys, pyvips
image = pyvips.Image.new_from_file(sys.argv[1], access="sequential", fail_on="error")
image.avg()
"""


@dataclass(frozen=True)
class Spent:
    """Seconds by the clock, and of processors, children that have ended included."""

    wall: float
    cpu: float

    @classmethod
    def so_far(cls) -> "Spent":
        """Since some moment in the past."""
        used = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
        return cls(time.perf_counter(), sum(each.ru_utime + each.ru_stime for each in used))

    def since(self) -> "Spent":
        """From that moment to now."""
        now = self.so_far()
        return Spent(now.wall - self.wall, now.cpu - self.cpu)


class SettledClock(SystemClock):
    """A clock on which the settle time is over at once."""

    def monotonic(self) -> float:
        """Seconds that pass a thousand times as fast."""
        return super().monotonic() * 1000


def write_picture(path: Path, width: int, height: int, seed: int = 3) -> None:
    """A 16-bit ROMM picture with detail everywhere, uncompressed."""
    noise = pyvips.Image.gaussnoise(width, height, sigma=1500, mean=0, seed=seed)
    ramp = pyvips.Image.xyz(width, height)
    base = ramp[0] * (40000 / width) + ramp[1] * (15000 / height) + 4000
    image = (base + noise).bandjoin([base * 0.8 + noise, base * 0.6 + noise]).cast("ushort")
    image = image.copy(interpretation="rgb16").copy()
    image.set_type(pyvips.GValue.blob_type, "icc-profile-data", build_matrix_profile("romm"))
    image.tiffsave(str(path), compression="none", xres=300 / 25.4, yres=300 / 25.4)


def bare(
    source: Path, folder: Path, profile: Path, kind: str, depth: int = 16, form: str = "tif"
) -> Spent:
    """Decode, resize or put an edge around, convert, write: the library alone.

    Args:
        source: The picture.
        folder: Where `bare.<form>` is written.
        profile: The output profile.
        kind: `paper`, `canvas`, or the pixels of an edge all around.
        depth: Bits of the output.
        form: `tif` or `jpg`.
    """
    os.sync()  # nobody pays for what another left to be written
    began = Spent.so_far()
    target = folder / f"bare.{form}"
    command = [sys.executable, "-c", BARE, source, target, profile, kind, str(depth)]
    subprocess.run(command, check=True)
    return began.since()


def careful(
    source: Path, folder: Path, profile: Path, kind: str, depth: int = 16, form: str = "tif"
) -> Spent:
    """What a careful person scripts: copy, hash, sync, the bare work, decode again, hash."""
    os.sync()
    began = Spent.so_far()
    hashed = hashlib.sha256()
    with source.open("rb") as read, (folder / "kept.tif").open("wb") as write:
        while chunk := read.read(1 << 22):
            hashed.update(chunk)
            write.write(chunk)
        write.flush()
        os.fsync(write.fileno())
    bare(folder / "kept.tif", folder, profile, kind, depth, form)
    made = folder / f"bare.{form}"
    subprocess.run([sys.executable, "-c", CAREFUL_AFTER, made], check=True)
    with made.open("rb") as file:
        hashlib.file_digest(file, "sha256")
    return began.since()


def ours(root: Path, source: Path, drop: str) -> Spent:
    """From the end of the settle time to the closed parcel."""
    shutil.copy(source, root / drop)
    awake = threading.Event()
    with open_studio(root, SettledClock()) as studio:
        closed = len(studio.workshop.ledger.read.parcels())
        studio.dispatch.turn()
        os.sync()
        began = Spent.so_far()
        while len(studio.workshop.ledger.read.parcels(state="closed")) == closed:
            studio.dispatch.turn(wake=awake.set)
            held = studio.workshop.ledger.read.jobs(state="held")
            assert not held, [studio.workshop.ledger.read.body(row.held_seq) for row in held]
            awake.wait(0.02)
            awake.clear()
        took = began.since()
        studio.dispatch.stop()
    return took
