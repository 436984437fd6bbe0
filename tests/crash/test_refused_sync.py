"""A disk that refuses to sync: the real sweep stops and says so, and nothing counts as done.

After a refused sync nobody knows what of a file is on the disk, and the next one may report that
all is well (the kernel marks what it could not write as clean); so nothing is ever synced again in
its place: it is made anew. That is common practice since 2018.
"""

import re
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from harness import Result, drive, drop_pictures, fresh, make_studio, printer_profile, result
from tracing import events, trace

PLATEMARK = Path(sys.executable).with_name("platemark")
WORDS = re.compile(r"hot/(\.WAITING\.txt\.tmp|small-rag(/taken|/2x3in)?)?$")
"""What is said to people, and where drops are: a share may have it, so that never stops anything
for good."""
HELD = 3
"""The sweep went to its end: one picture of the template is held."""
# Each thread counts for itself: the service's own, that of the hot folders, the lab's courier.
SOME = [("fsync", 1), ("fsync", 15), ("fdatasync", 30)]
MORE = [("fsync", n) for n in range(2, 41)] + [("fdatasync", n) for n in range(1, 66, 3)]


@pytest.fixture(scope="session")
def memory(tmp_path_factory: pytest.TempPathFactory) -> str:
    """What children made."""
    return str(tmp_path_factory.mktemp("memory"))


@pytest.fixture(scope="session")
def template(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = tmp_path_factory.mktemp("refused") / "studio"
    make_studio(root, printer_profile())
    assert drive(root, 0, root.parent / "log") == 0
    drop_pictures(root)
    return root


@pytest.fixture(scope="session")
def healthy(template: Path, tmp_path_factory: pytest.TempPathFactory, memory: str) -> Result:
    root = fresh(template, tmp_path_factory.mktemp("healthy") / "studio")
    assert drive(root, 0, root.parent / "log", memory=memory) == 0
    return result(root)


@pytest.mark.fault(4)
@pytest.mark.tool("strace")
@pytest.mark.parametrize(
    ("call", "which"), [*SOME, *(pytest.param(*each, marks=pytest.mark.long) for each in MORE)]
)
def test_a_refused_sync_stops_the_sweep_and_nothing_counts(
    template: Path, healthy: Result, memory: str, tmp_path: Path, call: str, which: int
) -> None:
    """The n-th sync of each thread gives EIO: exit 1 and a sentence; a healthy start makes it good.

    What could not be synced is not synced again.
    """
    root, file = fresh(template, tmp_path / "studio"), tmp_path / "trace"
    command = [str(PLATEMARK), "--studio", str(root), "sweep"]
    done = trace(command, file, f"--inject={call}:error=EIO:when={which}")
    said = done.stdout + done.stderr
    refused = re.findall(r"sync\(\d+<([^>]*)>.*INJECTED", file.read_text(errors="replace"))
    assert refused, f"no thread made so many calls of {call}"
    assert "Traceback" not in said
    inside = [str(Path(path).relative_to(root)) for path in refused]
    # SQLite itself does not heed that the name of its new journal could not be synced (os_unix.c,
    # unixSync; from memory).
    may_go_on = call == "fdatasync" and inside == ["."]
    is_unheeded = may_go_on and done.returncode == HELD
    if not is_unheeded and not all(WORDS.fullmatch(path) for path in inside):
        assert done.returncode == 1, (inside, said)
        assert "Input/output error" in said or "disk I/O error" in said, (inside, said)
    for path in refused:
        assert _never_synced_again(file, Path(path)), path
    assert drive(root, 0, tmp_path / "log", memory=memory) == 0
    assert result(root) == healthy, inside


def _never_synced_again(file: Path, path: Path) -> bool:
    """Whether a file is written anew before it is synced after that; folders have no bytes."""
    text = file.read_text(errors="replace")
    after = file.with_name("after")
    after.write_text(text[text.index("INJECTED") :].partition("\n")[2])
    for event in events(after):
        if event.path == path:
            return event.kind != "sync" or path.is_dir()
    return True
