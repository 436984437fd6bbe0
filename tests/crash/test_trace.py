"""The order in which things are made lasting, as the system was really asked for it.

Bytes before the name that makes them count, that name before the record speaks of it: common
practice, for POSIX promises nothing without. That SQLite syncs its journal before the database and
the folder after the journal is gone (DELETE, EXTRA) is in its documentation (pragma.html).
"""

import json
import sys
from collections import Counter
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from harness import DRIVER, LAB, drop_pictures, make_studio, printer_profile, result
from tracing import PUBLIC, Event, events, order_of, trace

PLATEMARK = Path(sys.executable).with_name("platemark")
pytestmark = pytest.mark.tool("strace")


@pytest.fixture(scope="session")
def swept(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list[Event]]:
    """A studio after a real sweep, and all that was asked of the system."""
    folder = tmp_path_factory.mktemp("traced")
    root = folder / "studio"
    make_studio(root, printer_profile())
    drop_pictures(root)
    done = trace([str(PLATEMARK), "--studio", str(root), "sweep"], folder / "trace")
    assert done.returncode == 3, done.stderr
    return root, events(folder / "trace")


@pytest.mark.fault(3)
def test_bytes_come_before_their_name_and_both_before_the_record(
    swept: tuple[Path, list[Event]],
) -> None:
    """In a real sweep every file and folder that counts is synced in order, and then recorded."""
    root, traced = swept
    order = order_of(root, traced)
    assert order.faults == []
    places = Counter(path.relative_to(root).parts[0] for path in order.published)
    assert set(places) == set(PUBLIC)
    assert places["at-the-lab"] == places["outgoing"] == places["held"] == 1
    assert places["archive"] >= 8
    assert order.commits >= 10
    # Studied undisturbed, it is the job that the other tests try.
    assert [job[1] for job in result(root).jobs] == ["delivered", "held"]


def test_control_each_sync_of_what_counts_is_missed(swept: tuple[Path, list[Event]]) -> None:
    """One sync of a published file, of its folder or of the record left out is noticed, each.

    But for those that are made twice: SQLite syncs its journal once more for its heading, and the
    tree of a folder is synced whole at its end.
    """
    root, traced = swept
    published = order_of(root, traced).published
    folders = {path.parent for path in published}
    missed, unmissed = 0, []
    for number, event in enumerate(traced):
        is_record = event.path.name in ("ledger.sqlite3", "ledger.sqlite3-journal")
        counts = event.path in folders or event.path.parent.name in ("spool", "prints")
        if event.kind != "sync" or not (is_record or counts) or root not in event.path.parents:
            continue
        if order_of(root, [*traced[:number], *traced[number + 1 :]]).faults:
            missed += 1
        else:
            unmissed.append(event.path)
    # The lab's folder is also synced for the mark that lies there meanwhile.
    spare = [path for path in unmissed if path.name not in ("ledger.sqlite3-journal", "at-the-lab")]
    assert spare == []
    assert missed >= 50


@pytest.mark.parametrize(
    ("omit", "told"),
    [
        ("skip-file", "before the bytes of"),
        pytest.param("skip-folder", "was not synced", marks=pytest.mark.long),
    ],
)
def test_control_a_program_that_does_not_sync_is_found_out(
    omit: str, told: str, tmp_path: Path
) -> None:
    """The same sweep by a program whose syncs ask the system for nothing has faults everywhere."""
    root = tmp_path / "studio"
    make_studio(root, printer_profile())
    (tmp_path / "order").write_text(
        json.dumps({"studio": str(root), "log": str(tmp_path / "log"), "omit": omit})
    )
    drop_pictures(root)
    (root / "hot/small-rag/2x3in/untagged.tif").unlink()
    command = f"exec {sys.executable} {DRIVER} < {tmp_path / 'order'}"
    trace(["sh", "-c", command], tmp_path / "trace")
    order = order_of(root, events(tmp_path / "trace"))
    assert any(path.name == f"{LAB}-000001" for path in order.published)
    assert {path.relative_to(root).parts[0] for path in order.published} == set(PUBLIC) - {"held"}
    assert sum(told in fault for fault in order.faults) > 5


def test_the_trace_is_read_as_it_is_written(tmp_path: Path) -> None:
    """Calls that failed are none, and those during which another thread went on are whole."""
    file = tmp_path / "trace"
    file.write_text(
        """1 openat(AT_FDCWD</here>, "/s/archive/a", O_WRONLY|O_CREAT|O_EXCL, 0644) = 5</s/a>
1 write(5</s/archive/a>, ""..., 4 <unfinished ...>
2 fsync(7</s/archive>) = 0
1 <... write resumed>)              = 4
1 fsync(5</s/archive/a>) = -1 EIO (Input/output error) (INJECTED)
2 renameat2(7</s/work>, "b", 8</s/archive>, "c", RENAME_NOREPLACE) = 0
1 copy_file_range(3</s/x>, NULL, 4</s/y>, NULL, 16, 0) = 16
"""
    )
    s = Path("/s")
    assert events(file) == [
        Event(1, "new", s / "archive/a"),
        Event(2, "sync", s / "archive"),
        Event(1, "write", s / "archive/a"),
        Event(2, "rename", s / "work/b", s / "archive/c"),
        Event(1, "write", s / "y"),
    ]
