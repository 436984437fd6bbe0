"""Every lasting operation of a job is a place to die; a restart must make nothing of it.

The order of operations and the requirement are our own; that a file is synced before its rename and
the folder after is common practice (POSIX gives no promise without).
"""

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from driver import unguarded_rename
from harness import (
    LAB,
    Result,
    cut_power,
    drive,
    drop_pictures,
    fresh,
    make_studio,
    operations,
    printer_profile,
    result,
)

SHARDS = 8


@pytest.fixture(scope="session")
def template(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = tmp_path_factory.mktemp("template") / "studio"
    make_studio(root, printer_profile())
    # A sweep of nothing makes the folders and our own profiles, which are no part of a job.
    assert drive(root, 0, root.parent / "log") == 0
    drop_pictures(root)
    return root


@pytest.fixture(scope="session")
def undisturbed(template: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Result, int]:
    folder = tmp_path_factory.mktemp("undisturbed")
    root = fresh(template, folder / "studio")
    assert drive(root, 0, folder / "log") == 0
    return result(root), len(operations(folder / "log"))


def test_the_undisturbed_run_does_the_whole_job(undisturbed: tuple[Result, int]) -> None:
    """Undisturbed, one picture is delivered in a whole parcel and one is held with its pages."""
    found, count = undisturbed
    assert [job[1] for job in found.jobs] == ["delivered", "held"]
    assert [name for name, _ in found.delivered] == [f"{LAB}-000001"]
    assert {Path(path).name for path in found.held} == {
        "untagged.tif", "WHY.html", "WHY.txt", "ANSWER.txt",
    }  # fmt: skip
    assert {Path(path).name for path in found.hot} == {
        "WAITING.txt", "000001-good.tif", "000001-good.tif.toml", "000002-untagged.tif",
    }  # fmt: skip
    assert count > 60


def test_the_same_job_again_gives_the_same_print(
    template: Path, undisturbed: tuple[Result, int], tmp_path: Path
) -> None:
    """Two undisturbed runs agree in everything that a crash may not change."""
    root = fresh(template, tmp_path / "studio")
    assert drive(root, 0, tmp_path / "log") == 0
    assert result(root) == undisturbed[0]


LONG = pytest.mark.long


@pytest.mark.parametrize(
    ("shard", "power"),
    [
        # Each shard takes every eighth operation; half of them are enough for every day.
        *(pytest.param(at, True, id=f"{at}-power-cut") for at in range(0, SHARDS, 2)),
        *(pytest.param(at, True, id=f"{at}-power-cut", marks=LONG) for at in range(1, SHARDS, 2)),
        *(pytest.param(at, False, id=f"{at}-killed", marks=LONG) for at in range(SHARDS)),
    ],
)
def test_dying_before_any_operation_changes_nothing(
    template: Path, undisturbed: tuple[Result, int], tmp_path: Path, shard: int, power: bool
) -> None:
    """Stopped before the n-th operation, for every n, a restart gives the undisturbed result.

    The power cut is a kill that also takes away what was not synced; the plain kill is the long
    form.
    """
    expected, count = undisturbed
    for stop_at in range(1 + shard, count + 1, SHARDS):
        assert _after(template, tmp_path / str(stop_at), stop_at, power=power) == expected, stop_at


@pytest.mark.parametrize("omit", ["sync-file", "sync-folder"])
def test_control_without_a_sync_the_power_cut_bites(
    template: Path, undisturbed: tuple[Result, int], tmp_path: Path, omit: str
) -> None:
    """The harness bites: with one kind of sync left out, some power cut loses something."""
    expected, count = undisturbed
    for stop_at in range(count, 0, -1):
        try:
            found = _after(template, tmp_path / str(stop_at), stop_at, power=True, omit=omit)
        except AssertionError:
            return
        if found != expected:
            return
    pytest.fail(f"leaving out {omit} was never noticed")


def test_an_occupied_name_at_the_lab_is_never_overwritten(template: Path, tmp_path: Path) -> None:
    """An empty folder of the parcel's name at the lab stays; the parcel waits."""
    root = fresh(template, tmp_path / "studio")
    occupied = root / "at-the-lab" / f"{LAB}-000001"
    occupied.mkdir()
    drive(root, 0, tmp_path / "log")
    assert list(occupied.iterdir()) == []


def test_control_without_the_rename_guard_it_is_overwritten(template: Path, tmp_path: Path) -> None:
    """The harness bites: a plain rename replaces the empty folder without a word."""
    root = fresh(template, tmp_path / "studio")
    occupied = root / "at-the-lab" / f"{LAB}-000001"
    occupied.mkdir()
    # The courier looks before it renames; the guard is for what appears in between.
    private = root / "at-the-lab" / ".before"
    private.mkdir()
    (private / "parcel").write_text("x")
    from platemark import durable

    with pytest.raises(durable.AlreadyThere):
        durable.publish(private, occupied)
    guarded = durable._rename_noreplace
    durable._rename_noreplace = unguarded_rename
    try:
        durable.publish(private, occupied)
    finally:
        durable._rename_noreplace = guarded
    assert [path.name for path in occupied.iterdir()] == ["parcel"]


def _after(template: Path, folder: Path, stop_at: int, *, power: bool, omit: str = "") -> Result:
    """Kill a run at one operation, perhaps cut the power, restart undisturbed, and look."""
    root = fresh(template, folder / "studio")
    log = folder / "log"
    if drive(root, stop_at, log, omit) == -9 and power:
        cut_power(root, log)
    assert drive(root, 0, folder / "log2") == 0
    return result(root)
