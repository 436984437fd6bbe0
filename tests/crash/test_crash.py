"""Every lasting operation of a job is a place to die; a restart must make nothing of it.

The order of operations and the requirement are our own; that a file is synced before its rename and
the folder after is common practice (POSIX gives no promise without).
"""

import random
import sys
from contextlib import nullcontext
from itertools import pairwise
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from driver import unguarded_rename
from harness import (
    LAB,
    Result,
    disturbed,
    drive,
    drop_pictures,
    fresh,
    make_studio,
    operations,
    printer_profile,
    restart,
    result,
    take_from_lab,
)

from platemark.model.errors import PlatemarkError

SHARDS = 8
REAL_SHARDS = 16
PAIRS = 16
SEED = 20261127
FURTHER = 6
"""After a start, so many operations of new work are tried with it."""

LONG = pytest.mark.long
Undisturbed = tuple[Result, list[tuple[str, list[Path]]]]


@pytest.fixture(scope="session")
def template(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = tmp_path_factory.mktemp("template") / "studio"
    make_studio(root, printer_profile())
    # A sweep of nothing makes the folders and our own profiles, which are no part of a job.
    assert drive(root, 0, root.parent / "log") == 0
    drop_pictures(root)
    return root


@pytest.fixture(scope="session")
def memory(tmp_path_factory: pytest.TempPathFactory) -> str:
    """What children made."""
    return str(tmp_path_factory.mktemp("memory"))


@pytest.fixture(scope="session")
def undisturbed(template: Path, tmp_path_factory: pytest.TempPathFactory) -> Undisturbed:
    folder = tmp_path_factory.mktemp("undisturbed")
    root = fresh(template, folder / "studio")
    assert drive(root, 0, folder / "log") == 0
    return result(root), operations(folder / "log")


def test_the_undisturbed_run_does_the_whole_job(undisturbed: Undisturbed) -> None:
    """Undisturbed, one picture is delivered in a whole parcel and one is held with its pages."""
    found, done = undisturbed
    assert [job[1] for job in found.jobs] == ["delivered", "held"]
    assert [name for name, _ in found.delivered] == [f"{LAB}-000001"]
    assert {Path(path).name for path in found.held} == {
        "untagged.tif", "WHY.html", "WHY.txt", "ANSWER.txt",
    }  # fmt: skip
    assert {Path(path).name for path in found.hot} == {
        "WAITING.txt", "000001-good.tif", "000001-good.tif.toml", "000002-untagged.tif",
    }  # fmt: skip
    assert len(done) > 60


def test_the_same_job_again_gives_the_same_print(
    template: Path, undisturbed: Undisturbed, tmp_path: Path
) -> None:
    """Two undisturbed runs agree in everything that a crash may not change."""
    root = fresh(template, tmp_path / "studio")
    assert drive(root, 0, tmp_path / "log") == 0
    assert result(root) == undisturbed[0]


@pytest.mark.fault(1, 3)
@pytest.mark.parametrize(
    ("shard", "power"),
    [
        # Each shard takes every eighth operation; two of them are enough for every day.
        *(pytest.param(at, True, id=f"{at}-power-cut") for at in (0, 4)),
        *(pytest.param(at, True, id=f"{at}-power-cut", marks=LONG) for at in (1, 2, 3, 5, 6, 7)),
        *(pytest.param(at, False, id=f"{at}-killed", marks=LONG) for at in range(SHARDS)),
    ],
)
def test_dying_before_any_operation_changes_nothing(
    template: Path, undisturbed: Undisturbed, memory: str, tmp_path: Path, shard: int, power: bool
) -> None:
    """Stopped before the n-th operation, for every n, a restart gives the undisturbed result.

    The power cut is a kill that also takes away what was not synced; the plain kill is the long
    form.
    """
    expected, done = undisturbed
    for stop_at in range(1 + shard, len(done) + 1, SHARDS):
        found = disturbed(template, tmp_path / "at", stop_at, power=power, memory=memory)
        assert found == expected, stop_at


@pytest.mark.fault(1)
@pytest.mark.parametrize(
    "shard", [0, *(pytest.param(at, marks=LONG) for at in range(1, REAL_SHARDS))]
)
def test_children_that_are_at_work_then_change_nothing(
    template: Path, undisturbed: Undisturbed, tmp_path: Path, shard: int
) -> None:
    """The same with children that do not remember: some are in the middle of their work."""
    expected, done = undisturbed
    for stop_at in range(1 + shard, len(done) + 1, REAL_SHARDS):
        assert disturbed(template, tmp_path / "at", stop_at, power=False) == expected, stop_at


@pytest.mark.fault(2)
def test_dying_again_while_it_starts_changes_nothing(
    template: Path, undisturbed: Undisturbed, memory: str, tmp_path: Path
) -> None:
    """Some pairs: stopped by a power cut, stopped again at the start or soon after it."""
    expected, done = undisturbed
    chance = random.Random(SEED)
    for _ in range(PAIRS):
        first = chance.randint(1, len(done))
        # Most of a start's own operations are among the first few.
        again = chance.choice((chance.randint(1, 8), chance.randint(1, len(done) - first + 12)))
        found = disturbed(template, tmp_path / "at", first, again, power=True, memory=memory)
        assert found == expected, (first, again)


@LONG
@pytest.mark.fault(2)
@pytest.mark.parametrize("shard", range(SHARDS))
def test_dying_at_every_operation_of_a_start_changes_nothing(
    template: Path, undisturbed: Undisturbed, memory: str, tmp_path: Path, shard: int
) -> None:
    """All pairs: stopped anywhere, and again anywhere in the start and soon after it."""
    expected, done = undisturbed
    for first in range(1 + shard, len(done) + 1, SHARDS):
        length = restart(template, tmp_path / "start", first, memory=memory)
        for again in range(1, length + FURTHER + 1):
            found = disturbed(template, tmp_path / "at", first, again, power=True, memory=memory)
            assert found == expected, (first, again)


# -- controls: each guard is left out once, and that must be noticed --------------------------


@pytest.mark.fault(3)
@pytest.mark.parametrize("omit", ["sync-file", "sync-folder"])
def test_control_without_a_sync_the_power_cut_bites(
    template: Path, undisturbed: Undisturbed, memory: str, tmp_path: Path, omit: str
) -> None:
    """The harness bites: with one kind of sync left out, some power cut loses something."""
    expected, done = undisturbed
    for stop_at in range(len(done), 0, -1):
        try:
            found = disturbed(
                template, tmp_path / str(stop_at), stop_at, power=True, omit=omit, memory=memory
            )
        except AssertionError:
            return
        if found != expected:
            return
    pytest.fail(f"leaving out {omit} was never noticed")


def test_control_without_the_transaction_a_kill_bites(
    template: Path, undisturbed: Undisturbed, memory: str, tmp_path: Path
) -> None:
    """The harness bites: an entry whose consequences are true only later is seen without them."""
    root = fresh(template, tmp_path / "studio")
    log = tmp_path / "log"
    assert drive(root, 0, log, omit="transaction", memory=memory) == 0
    apart = [number for number, (_, paths) in enumerate(operations(log), 2) if not paths]
    assert len(apart) > 8
    noticed = 0
    for stop_at in apart[:: len(apart) // 4]:
        try:
            disturbed(
                template, tmp_path / str(stop_at), stop_at,
                power=False, omit="transaction", memory=memory,
            )  # fmt: skip
        except (AssertionError, PlatemarkError):
            noticed += 1
    assert noticed


@pytest.mark.parametrize("omit", ["", "sent-once"])
def test_control_what_was_proved_and_is_uploaded_again_comes_twice(
    template: Path, undisturbed: Undisturbed, memory: str, tmp_path: Path, omit: str
) -> None:
    """Taken by the lab before that was recorded, a parcel comes once; without the guard twice."""
    expected, done = undisturbed
    revealed = next(
        number
        for number, ((_, paths), _) in enumerate(pairwise(done), 2)
        if paths[-1].parent.name == "at-the-lab" and paths[-1].name == f"{LAB}-000001"
    )
    where = (template, tmp_path / "at", revealed + 1)
    how = {"power": False, "takes": True, "omit": omit, "memory": memory}
    if not omit:
        assert disturbed(*where, **how) == expected  # type: ignore[arg-type]
    else:
        with pytest.raises(AssertionError, match="came twice"):
            disturbed(*where, **how)  # type: ignore[arg-type]


@pytest.mark.parametrize("omit", ["", "rename-guard"])
@pytest.mark.parametrize("place", ["at-the-lab", f"outgoing/{LAB}"])
def test_a_name_that_is_taken_at_the_last_moment_is_never_overwritten(
    template: Path, memory: str, tmp_path: Path, place: str, omit: str
) -> None:
    """An empty folder that appears between look and rename stays; without the guard it is gone.

    What has a parcel's name in `outgoing/` ends the service, at the lab the parcel waits.
    """
    root = fresh(template, tmp_path / "studio")
    rival = {"rival": str(root / place), "memory": memory, "omit": omit}
    ends = pytest.raises(AssertionError, match="Nothing was overwritten")
    with ends if place != "at-the-lab" and not omit else nullcontext():
        drive(root, 0, tmp_path / "log", **rival)
    theirs = root / place / f"{LAB}-000001"
    assert bool(list(theirs.iterdir())) == bool(omit)


def test_an_occupied_name_at_the_lab_is_never_overwritten(template: Path, tmp_path: Path) -> None:
    """An empty folder of the parcel's name at the lab stays; the parcel waits."""
    root = fresh(template, tmp_path / "studio")
    occupied = root / "at-the-lab" / f"{LAB}-000001"
    occupied.mkdir()
    drive(root, 0, tmp_path / "log")
    assert list(occupied.iterdir()) == []


def test_a_lab_that_takes_twice_is_noticed(
    template: Path, undisturbed: Undisturbed, tmp_path: Path, memory: str
) -> None:
    """The harness bites: a parcel that comes once more is told, whatever the record says."""
    root = fresh(template, tmp_path / "studio")
    assert drive(root, 0, tmp_path / "log", memory=memory) == 0
    take_from_lab(root)
    assert result(root) == undisturbed[0]
    (root / "at-the-lab" / f"{LAB}-000001").mkdir()
    with pytest.raises(AssertionError):
        result(root)


def test_the_rename_is_guarded_by_the_system(tmp_path: Path) -> None:
    """A rename over an empty folder is refused; a plain one would replace it without a word."""
    from platemark import durable

    for name in ("old", "new", "other"):
        (tmp_path / name).mkdir()
    with pytest.raises(durable.AlreadyThere):
        durable.publish(tmp_path / "old", tmp_path / "new")
    unguarded_rename(bytes(tmp_path / "old"), bytes(tmp_path / "new"))
    assert sorted(path.name for path in tmp_path.iterdir()) == ["new", "other"]
