"""Pictures that may still be arriving are waited for, in the real service on a clock of ours."""

import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import tifffile
from harness import make_studio

from platemark.app.open_studio import OpenStudio, open_studio
from platemark.engine.clock import SystemClock
from platemark.engine.hold import stops_of
from platemark.imaging.icc import build_matrix_profile

pytestmark = pytest.mark.usefixtures("steps_here")


class SteppedClock(SystemClock):
    """A clock on which waiting for quiet takes no time: it stands, and is stepped forward."""

    steps = 0.0

    def monotonic(self) -> float:
        """The sum of all steps, in seconds."""
        return self.steps


def turn_until(studio: OpenStudio, right: Callable[[], bool]) -> None:
    """Take turns until something has come to be so."""
    deadline = time.monotonic() + 60
    while time.monotonic() < deadline:
        studio.dispatch.turn()
        if right():
            return
        time.sleep(0.02)
    raise AssertionError("it never came to that")


@pytest.fixture
def holed(tmp_path: Path, profile: bytes) -> tuple[Path, Path, bytes]:
    """A studio with one settled drop in which 64 KiB are not there yet; and what it should be."""
    root = tmp_path / "studio"
    make_studio(root, profile)
    pixels = np.random.default_rng(1).integers(20, 235, (400, 600, 3), np.uint8)
    picture = root / "hot/small-rag/2x3in/night.tif"
    tifffile.imwrite(
        picture,
        pixels,
        photometric="rgb",
        iccprofile=build_matrix_profile("srgb"),
        rowsperstrip=400,
    )
    whole = picture.read_bytes()
    at = 40 * 4096
    picture.write_bytes(whole[:at] + bytes(16 * 4096) + whole[at + 16 * 4096 :])
    return root, picture, whole


@pytest.mark.parametrize("is_filled", [True, False])
@pytest.mark.fault(15)
def test_a_hole_must_outlast_a_second_settle_time(
    holed: tuple[Path, Path, bytes], is_filled: bool
) -> None:
    """Filled meanwhile, the file is taken anew and goes on; else it is held for its hole."""
    root, picture, whole = holed
    clock = SteppedClock()
    with open_studio(root, clock) as studio:
        read = studio.workshop.ledger.read
        studio.dispatch.turn()
        clock.steps += 2
        turn_until(studio, lambda: studio.dispatch.turn().working == 1 and bool(read.jobs()))
        # Until the real child has read it.
        turn_until(studio, lambda: studio.dispatch._growing.with_holes == 1)
        assert [row.state for row in read.jobs()] == ["claimed"]
        # Nobody is told that it is being read, and it is not read too often.
        assert read.attempts(read.jobs()[0].job, "examine") == 0
        if is_filled:
            picture.write_bytes(whole)
        clock.steps += 2
        studio.dispatch.turn()
        clock.steps += 2
        turn_until(studio, lambda: read.jobs()[-1].state in ("rendered", "held"))
        rows = read.jobs()
        if is_filled:
            assert [row.state for row in rows] == ["withdrawn", "rendered"]
        else:
            assert [row.state for row in rows] == ["held"]
            findings = stops_of(studio.workshop, rows[0])
            assert [f.code for f in findings if f.severity == "stop"] == ["file-hole"]
        studio.dispatch.stop()
