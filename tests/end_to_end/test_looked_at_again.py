"""What was held for its file is looked at again: by raised limits, and by a newer version."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import skimage.data
import tifffile
from harness import LAB, make_studio

from platemark.app.open_studio import open_studio
from platemark.app.service import sweep
from platemark.engine import decide, examine
from platemark.engine.clock import SystemClock
from platemark.imaging.icc import build_matrix_profile
from platemark.imaging.print_model import MATTE_RAG, make_printer_profile
from platemark.ledger.read import JobRow, Reader, connect_reader
from platemark.model.decision import Decision
from platemark.model.picture import FACTS_VERSION

pytestmark = pytest.mark.usefixtures("steps_here")

HOT = "hot/small-rag/2x3in"
SINCE = ("unread", "colour_code", "version")
"""Facts that version 1 did not ask for."""


class Hurried(SystemClock):
    """A clock on which whatever must rest has rested."""

    def monotonic(self) -> float:
        """Seconds that pass a thousand times as fast."""
        return super().monotonic() * 1000


@pytest.fixture
def studio(tmp_path: Path, profile: bytes) -> Path:
    """A small studio whose hot folders are empty."""
    make_studio(tmp_path / "studio", profile)
    return tmp_path / "studio"


def photograph() -> np.ndarray:
    """240 × 160 px of the scikit-image wheel's `coffee`."""
    return np.ascontiguousarray(skimage.data.coffee()[:240, 100:260])


def drop(studio: Path, pixels: np.ndarray, profile: bytes | None = None) -> None:
    tifffile.imwrite(
        studio / HOT / "coffee.tif",
        pixels,
        photometric="rgb",
        iccprofile=profile or build_matrix_profile("srgb"),
    )


def swept(studio: Path) -> tuple[JobRow, dict[str, Any]]:
    """Sweep; the only job, and what was last found of it."""
    sweep(studio, Hurried())
    connection = connect_reader(studio / "ledger.sqlite3")
    reader = Reader(connection)
    (row,) = reader.jobs()
    seq = max(each for each in (row.examined_seq, row.held_seq) if each is not None)
    body = reader.body(seq)
    connection.close()
    return row, body


def answer(
    studio: Path,
    row: JobRow,
    number: int,
    by: str = "Asa",
    accept: tuple[str, ...] = (),
    settings: tuple[tuple[str, str], ...] = (),
) -> None:
    with open_studio(studio, Hurried()) as opened:
        decision = Decision(
            id=f"d-{number}",
            kind="decide",
            job=row.job,
            expected_seq=row.moved_seq,
            accept=accept,
            settings=settings,
            withdraw=False,
            by=by,
            because="looked at it",
        )
        outcome = decide.apply(opened.workshop, decision)
        opened.dispatch.stop()
    assert outcome.applied, outcome


def stops(body: dict[str, Any]) -> list[str]:
    return [each["code"] for each in body["findings"] if each["severity"] == "stop"]


def with_limit(studio: Path, pixels: int) -> None:
    settings = studio / "studio.toml"
    head = settings.read_text().split("[limits]")[0]
    settings.write_text(f"{head}[limits]\njobs = 1\nmegapixels = {pixels / 1e6}\n")


def test_a_raised_limit_counts_once_somebody_answers(studio: Path) -> None:
    """An assistant may have it looked at again; only the limit in studio.toml lets it through."""
    with_limit(studio, 160 * 240 - 1)
    drop(studio, photograph())
    row, body = swept(studio)
    assert (row.state, stops(body)) == ("held", ["file-too-large"])
    answer(studio, row, 1, accept=("file-too-large",))
    row, body = swept(studio)
    assert (row.state, stops(body), "plan" in body) == ("held", ["file-too-large"], False)
    with_limit(studio, 160 * 240)
    answer(studio, row, 2, accept=("file-too-large",))
    row, body = swept(studio)
    assert (row.state, stops(body), body["facts"]["over_limit"]) == ("delivered", [], "")


def as_recorded(
    change: Callable[[dict[str, Any]], None], monkeypatch: pytest.MonkeyPatch, part: str
) -> None:
    """Have a part of what is recorded changed, as another version would have written it."""
    now = getattr(examine, part)

    def then(*args: Any) -> dict[str, Any]:
        body: dict[str, Any] = now(*args)
        change(body)
        return body

    monkeypatch.setattr(examine, part, then)


@pytest.mark.parametrize("is_old", [True, False])
def test_facts_of_an_older_version_are_asked_for_again(
    is_old: bool, studio: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A job held by an older version gets every check of this one; newer facts are used again."""

    def change(body: dict[str, Any]) -> None:
        body["facts"]["creator"] = "on record"
        for name in SINCE if is_old else ():
            del body["facts"][name]

    def change_plan(body: dict[str, Any]) -> None:
        del body["plan"]["slug"], body["plan"]["sharpen"]

    drop(studio, photograph()[:160])
    with monkeypatch.context() as patched:
        as_recorded(change, patched, "_body")
        row, body = swept(studio)
    assert (row.state, stops(body)) == ("held", ["size-proportion"])
    answer(studio, row, 1, settings=(("fit", "crop"),))
    as_recorded(change_plan, monkeypatch, "_planned")
    row, body = swept(studio)
    assert (row.state, "slug" in body["plan"]) == ("delivered", False)
    assert body["facts"]["version"] == FACTS_VERSION
    assert body["facts"]["creator"] == ("" if is_old else "on record")


def test_the_first_of_several_pictures_is_printed_where_the_photographer_says_so(
    studio: Path,
) -> None:
    """What lies behind the first page is neither looked at nor printed."""
    with tifffile.TiffWriter(studio / HOT / "coffee.tif") as writer:
        for pixels in (photograph(), 255 - photograph()):
            writer.write(pixels, photometric="rgb", iccprofile=build_matrix_profile("srgb"))
    row, body = swept(studio)
    assert (row.state, stops(body)) == ("held", ["file-pages"])
    answer(studio, row, 1, by="Mira", accept=("file-pages",))
    row, _ = swept(studio)
    assert row.state == "delivered"
    printed = tifffile.imread(next((studio / "outgoing" / LAB).rglob("*.tif")))
    tones = [picture.mean(axis=-1).ravel() for picture in (printed, photograph())]
    assert np.corrcoef(*tones)[0, 1] > 0.95


def test_a_printers_profile_is_read_where_the_photographer_says_so(studio: Path) -> None:
    """Its colours go by its own tables, from the device to the connection space, to the lab's."""
    drop(studio, photograph(), make_printer_profile(MATTE_RAG))
    row, body = swept(studio)
    assert (row.state, stops(body)) == ("held", ["colour-profile-class"])
    answer(studio, row, 1, by="Mira", accept=("colour-profile-class",))
    row, _ = swept(studio)
    assert row.state == "delivered"
    # The lab's profile is the same one, so its own codes come back, within what its tables round.
    printed = tifffile.imread(next((studio / "outgoing" / LAB).rglob("*.tif"))) / 257
    assert np.abs(printed - photograph()).mean() < 6
