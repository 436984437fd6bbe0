"""Every watcher keeps the same promise: it wakes when something comes or goes, and harms nobody."""

import os
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from watchdog.observers.api import EventEmitter

from platemark.intake import watch, watches
from platemark.intake.drop_files import open_drop
from platemark.intake.scan import HotFolders
from platemark.intake.watch import (
    RETRY_S,
    Kind,
    NativeWatcher,
    PollingWatcher,
    Used,
    Watcher,
    choose,
    folders_below,
    make_watcher,
    unwatched,
    used_watches,
    watch_limits,
)
from platemark.intake.watches import Watches, how_watched

PATIENCE_S = 15.0
"""After this long a watcher that has not woken never will; waiting ends at once when it does."""
NOBODY = 65534
QUIET_S = 0.7
"""Long enough for events of what was done before to have come."""

Make = Callable[[Path, Callable[[], float]], Watcher]


def polling(root: Path, now: Callable[[], float]) -> PollingWatcher:
    """A polling watcher that does not make a test wait."""
    return PollingWatcher(root, now, poll_s=0.05)


@pytest.fixture(params=[NativeWatcher, polling], ids=["native", "polling"])
def make(request: pytest.FixtureRequest) -> Make:
    """How to make each kind."""
    made: Make = request.param
    return made


@pytest.fixture
def hot(tmp_path: Path) -> Path:
    """A hot root with a surface folder."""
    root = tmp_path / "hot"
    (root / "smooth-rag").mkdir(parents=True)
    return root


class Woken:
    """Counts how often it is called."""

    def __init__(self) -> None:
        self.event = threading.Event()
        self.times = 0

    def __call__(self) -> None:
        """Be woken."""
        self.times += 1
        self.event.set()

    def within_patience(self) -> bool:
        """Wait to be woken."""
        return self.event.wait(PATIENCE_S)

    def calm_down(self) -> None:
        """Let what was done before come through, then forget it."""
        time.sleep(QUIET_S)
        self.event.clear()
        self.times = 0


@pytest.fixture
def woken() -> Woken:
    """Somebody to wake."""
    return Woken()


@pytest.fixture
def watcher(make: Make, hot: Path, woken: Woken) -> Iterator[Watcher]:
    """A started watcher whose start has calmed down."""
    started = make(hot, time.monotonic)
    started.start(woken)
    woken.calm_down()
    yield started
    started.stop()


@pytest.mark.usefixtures("watcher")
@pytest.mark.parametrize("where", ["smooth-rag", ".", "smooth-rag/new/folder"])
def test_a_new_file_wakes(hot: Path, woken: Woken, where: str) -> None:
    """A file that is written wakes, also in a folder that was not there before."""
    (hot / where).mkdir(parents=True, exist_ok=True)
    (hot / where / "heron.tif").write_text("picture")
    assert woken.within_patience()


@pytest.mark.usefixtures("watcher")
def test_a_file_in_a_folder_made_after_the_start_wakes(hot: Path, woken: Woken) -> None:
    """A new folder is watched like the old ones."""
    (hot / "smooth-rag/new").mkdir()
    assert woken.within_patience()
    woken.calm_down()
    (hot / "smooth-rag/new/heron.tif").write_text("picture")
    assert woken.within_patience()


@pytest.mark.usefixtures("watcher")
def test_a_file_that_is_moved_in_wakes(hot: Path, tmp_path: Path, woken: Woken) -> None:
    """A file that nobody writes here, only renames, wakes."""
    (tmp_path / "heron.tif").write_text("picture")
    (tmp_path / "heron.tif").rename(hot / "smooth-rag/heron.tif")
    assert woken.within_patience()


def test_a_file_that_goes_wakes(make: Make, hot: Path, woken: Woken) -> None:
    """A file that is removed wakes: others may wait for its folder to be still."""
    (hot / "smooth-rag/heron.tif").write_text("picture")
    watcher = make(hot, time.monotonic)
    watcher.start(woken)
    woken.calm_down()
    (hot / "smooth-rag/heron.tif").unlink()
    assert woken.within_patience()
    watcher.stop()


@pytest.mark.usefixtures("watcher")
def test_looking_and_reading_wake_nobody(hot: Path, woken: Woken) -> None:
    """A scan must not cause the next one."""
    (hot / "smooth-rag/heron.tif").write_text("picture")
    assert woken.within_patience()
    woken.calm_down()
    scan = HotFolders(hot, ["smooth-rag"], quiet_s=0, compare_ctime=True)
    for _ in range(5):
        scan.look()
        descriptor = open_drop(hot, b"smooth-rag/heron.tif")
        os.read(descriptor, 100)
        os.close(descriptor)
    time.sleep(QUIET_S)
    assert woken.times == 0


@pytest.mark.fault(10)
def test_a_fault_in_the_woken_does_not_end_the_watching(make: Make, hot: Path) -> None:
    """Whoever is woken may fail; the next file wakes again."""
    calls = threading.Semaphore(0)

    def fail() -> None:
        calls.release()
        raise RuntimeError("a fault in the scan")

    watcher = make(hot, time.monotonic)
    watcher.start(fail)
    for number in range(3):
        (hot / f"smooth-rag/{number}.tif").write_text("picture")
        assert calls.acquire(timeout=PATIENCE_S)
        time.sleep(QUIET_S)
        while calls.acquire(blocking=False):
            pass
    assert watcher.alive()
    watcher.stop()


def test_after_stop_nobody_is_woken(watcher: Watcher, hot: Path, woken: Woken) -> None:
    """A stopped watcher is silent, and may be stopped again."""
    watcher.stop()
    watcher.stop()
    (hot / "smooth-rag/heron.tif").write_text("picture")
    time.sleep(QUIET_S)
    assert woken.times == 0


def test_stop_before_start_does_nothing(make: Make, hot: Path) -> None:
    """A watcher that never started can be stopped."""
    make(hot, time.monotonic).stop()


def test_no_thread_is_left(make: Make, hot: Path, woken: Woken) -> None:
    """Stopping ends every thread that starting began, and so does a start that fails."""
    before = set(threading.enumerate())
    watcher = make(hot, time.monotonic)
    watcher.start(woken)
    assert set(threading.enumerate()) > before
    watcher.stop()
    failing = make(hot / "missing", time.monotonic)
    with pytest.raises(OSError):
        failing.start(woken)
    assert set(threading.enumerate()) == before


def test_a_working_watcher_is_alive_for_ever(make: Make, hot: Path, woken: Woken) -> None:
    """Nobody makes a new watcher while the old one works."""
    now = [0.0]
    watcher = make(hot, lambda: now[0])
    watcher.start(woken)
    now[0] = 1e6
    assert watcher.alive()
    watcher.stop()
    assert not watcher.alive()


def test_a_start_that_failed_is_tried_again_only_after_a_while(make: Make, hot: Path) -> None:
    """A missing root is an error at once; it is not worth a new try at every scan."""
    now = [0.0]
    watcher = make(hot / "missing", lambda: now[0])
    with pytest.raises(FileNotFoundError):
        watcher.start(lambda: None)
    now[0] = RETRY_S - 0.1
    assert watcher.alive()
    now[0] = RETRY_S
    assert not watcher.alive()


@pytest.mark.fault(10, 11)
def test_a_root_that_comes_back_is_watched_again(make: Make, hot: Path, woken: Woken) -> None:
    """Whoever makes a new watcher whenever the old one is not alive is woken again."""
    now = [0.0]
    watcher = make(hot, lambda: now[0])
    watcher.start(woken)
    shutil.rmtree(hot)
    (hot / "smooth-rag").mkdir(parents=True)
    deadline = time.monotonic() + PATIENCE_S
    woken.calm_down()
    while not woken.event.is_set() and time.monotonic() < deadline:
        # That the old root is gone is heard a moment later.
        now[0] += RETRY_S
        if not watcher.alive():
            watcher.stop()
            watcher = make(hot, lambda: now[0])
            watcher.start(woken)
            woken.calm_down()
        (hot / "smooth-rag/heron.tif").write_text(f"picture at {now[0]}")
        woken.event.wait(QUIET_S)
    watcher.stop()
    assert woken.event.is_set()


def test_a_root_behind_a_link_is_watched(make: Make, hot: Path, woken: Woken) -> None:
    """The hot root may be a link to where the hot folders are."""
    link = hot.with_name("link")
    link.symlink_to(hot)
    watcher = make(link, time.monotonic)
    watcher.start(woken)
    for where in (hot, hot / "smooth-rag"):
        woken.calm_down()
        (where / "heron.tif").write_text("picture")
        assert woken.within_patience()
    watcher.stop()


@pytest.mark.usefixtures("watcher")
def test_a_flood_wakes_a_few_times(hot: Path, woken: Woken) -> None:
    """A thousand files do not wake a thousand times, and are all found by the scan."""
    for number in range(1000):
        (hot / f"smooth-rag/{number}.tif").touch()
    assert woken.within_patience()
    time.sleep(QUIET_S)
    assert woken.times < 500
    scan = HotFolders(hot, ["smooth-rag"], quiet_s=0, compare_ctime=True)
    scan.look()
    assert len(scan.look().settled) == 1000


def test_a_root_that_may_not_be_read_is_an_error(make: Make, woken: Woken) -> None:
    """A root without rights is told at once, not watched in vain."""
    mine = os.geteuid()
    with tempfile.TemporaryDirectory() as folder:
        Path(folder).chmod(0o700 if mine == 0 else 0o000)
        watcher = make(Path(folder), time.monotonic)
        if mine == 0:
            os.seteuid(NOBODY)
        try:
            with pytest.raises(PermissionError):
                watcher.start(woken)
        finally:
            os.seteuid(mine)
            Path(folder).chmod(0o700)


FEW_WATCHES = """
import sys, threading
from pathlib import Path
from platemark.intake.scan import HotFolders
from platemark.intake.watch import NativeWatcher, unwatched
hot = Path(sys.argv[1])
watcher = NativeWatcher(hot)
try:
    watcher.start(lambda: None)
    print("started")
except OSError:
    print("refused")
print(unwatched(hot))
scan = HotFolders(hot, ["smooth-rag"], quiet_s=0, compare_ctime=True)
scan.look()
print(len(scan.look().settled))
watcher.stop()
print(threading.active_count())
"""


@pytest.mark.skipif(sys.platform != "linux", reason="a limit of Linux (user_namespaces(7))")
@pytest.mark.parametrize(("limit", "outcome"), [(0, "refused"), (20, "started")])
@pytest.mark.fault(9)
def test_too_few_watches_lose_nothing(hot: Path, limit: int, outcome: str) -> None:
    """Where the system allows too few folders to be watched, the scan still finds every file."""
    for number in range(100):
        (hot / f"smooth-rag/{number}").mkdir()
        (hot / f"smooth-rag/{number}/heron.tif").touch()
    done = subprocess.run(
        [
            "unshare", "--user", "--map-root-user", "sh", "-c",
            f'echo {limit} > /proc/sys/user/max_inotify_watches && exec "$0" -c "$1" "$2"',
            sys.executable, FEW_WATCHES, str(hot),
        ],
        capture_output=True, text=True, check=False,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
    )  # fmt: skip
    if "unshare" in done.stderr or "max_inotify_watches" in done.stderr:
        pytest.skip("a limit of one's own is not allowed here")
    # 102 folders; of none is said how many lack where nothing is watched at all.
    lacking = "82" if limit else "0"
    assert done.stdout.split() == [outcome, lacking, "100", "1"], done.stderr


@pytest.mark.fault(11)
def test_native_watching_of_a_replaced_root_is_not_alive(hot: Path, woken: Woken) -> None:
    """Threads that go on watching a folder that was moved away are no watching."""
    now = [0.0]
    watcher = NativeWatcher(hot, lambda: now[0])
    watcher.start(woken)
    now[0] = RETRY_S
    assert watcher.alive()
    hot.rename(hot.with_name("away"))
    assert not watcher.alive()
    (hot / "smooth-rag").mkdir(parents=True)
    assert not watcher.alive()
    watcher.stop()


@pytest.mark.fault(11)
def test_polling_waits_for_its_root(hot: Path, woken: Woken) -> None:
    """A share that comes back is noticed without a new watcher."""
    watcher = PollingWatcher(hot, poll_s=0.05)
    watcher.start(woken)
    away = hot.rename(hot.with_name("away"))
    assert woken.within_patience()
    woken.calm_down()
    (away / "smooth-rag/heron.tif").write_text("picture")
    away.rename(hot)
    assert woken.within_patience()
    watcher.stop()


def test_polling_does_not_glance_at_what_was_let_go(hot: Path, woken: Woken) -> None:
    """Thousands of taken files cost a share nothing."""
    (hot / "smooth-rag/taken").mkdir()
    watcher = PollingWatcher(hot, poll_s=0.05)
    watcher.start(woken)
    woken.calm_down()
    (hot / "smooth-rag/taken/000001-heron.tif").write_text("picture")
    time.sleep(QUIET_S)
    assert woken.times == 0
    watcher.stop()


def test_the_settings_choose_and_auto_asks_the_disk(
    hot: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A share is polled unless the settings say otherwise; a local disk is not."""
    assert choose("auto", hot) == "native"
    # A share cannot be made in a test.
    monkeypatch.setattr(watch, "is_network", lambda path: path == hot)
    assert choose("auto", hot) == "polling"
    assert choose("native", hot) == "native"
    assert choose("polling", Path("/")) == "polling"


def test_each_kind_is_made(hot: Path) -> None:
    """The chosen kind is the one that is made."""
    assert isinstance(make_watcher("native", hot), NativeWatcher)
    assert isinstance(make_watcher("polling", hot), PollingWatcher)


@pytest.mark.fault(9)
def test_small_limits_are_told(tmp_path: Path) -> None:
    """Limits that are too small for what there is to watch are named, with what to raise them to.

    What is in use is told by the system for each process (proc(5), fdinfo); here as it tells it.
    """
    limits, process = tmp_path / "limits", tmp_path / "proc/77"
    limits.mkdir()
    (process / "fd").mkdir(parents=True)
    (process / "fdinfo").mkdir()
    (process / "fd/5").symlink_to("anon_inode:inotify")
    (process / "fd/6").symlink_to("/dev/null")
    told = "inotify wd:1 ino:9e7e sdev:800013 mask:800afce ignored_mask:0\n"
    (process / "fdinfo/5").write_text("pos:\t0\nflags:\t00\n" + told * 40)
    (limits / "max_user_watches").write_text("99\n")
    (limits / "max_user_instances").write_text("128\n")
    assert used_watches(tmp_path / "proc") == Used(40, 1, frozenset({0x9E7E}))
    assert watch_limits(range(59), limits, tmp_path / "proc") == ()
    ((sentence, then),) = watch_limits(range(60), limits, tmp_path / "proc")
    assert "99 folders" in sentence
    assert "40 are in use" in sentence
    assert "60 more are wanted" in sentence
    assert "Nothing is missed" in then
    assert "sysctl fs.inotify.max_user_watches=256" in then
    (limits / "max_user_instances").write_text("1\n")
    assert len(watch_limits(range(60), limits, tmp_path / "proc")) == 2
    assert watch_limits(range(60), tmp_path / "missing", tmp_path / "proc") == ()


def test_what_is_in_use_is_what_was_begun(hot: Path, woken: Woken) -> None:
    """The count of the system grows by a watcher's folders, and by one for the watcher."""
    for number in range(5):
        (hot / f"smooth-rag/{number}").mkdir()
    before = used_watches()
    watcher = NativeWatcher(hot)
    watcher.start(woken)
    now = used_watches()
    assert unwatched(hot) == 0
    watcher.stop()
    assert now.instances - before.instances >= 1
    assert now.watches - before.watches >= 7
    assert len(folders_below(hot)) == 7
    assert {*folders_below(hot)} <= now.inodes


@pytest.mark.parametrize("kind", ["native", "polling"])
def test_what_is_to_be_left_out_is_not_watched(hot: Path, woken: Woken, kind: Kind) -> None:
    """A folder on a share of its own wakes nobody through the root, and the others do."""
    (hot / "far-rag/album").mkdir(parents=True)
    watcher = make_watcher(kind, hot, ["far-rag"])
    watcher.start(woken)
    woken.calm_down()
    (hot / "far-rag/heron.tif").write_text("picture")
    (hot / "far-rag/album/heron.tif").write_text("picture")
    time.sleep(1.5)
    assert woken.times == 0
    (hot / "smooth-rag/heron.tif").write_text("picture")
    assert woken.within_patience()
    watcher.stop()


@pytest.mark.fault(10, 11)
@pytest.mark.parametrize("harm", ["emitters end", "root removed", "root renamed twice"])
def test_watching_that_dies_is_begun_anew(
    hot: Path, woken: Woken, monkeypatch: pytest.MonkeyPatch, harm: str
) -> None:
    """Whatever ended it, drops are noticed again soon; only the wait is made shorter."""
    monkeypatch.setattr(watch, "RETRY_S", 0.3)
    monkeypatch.setattr(watches, "CHECK_S", 0.1)
    kept = Watches(hot, ["smooth-rag"], "native", woken)
    before = set(threading.enumerate())
    kept.start()
    woken.calm_down()
    if harm == "emitters end":
        for thread in set(threading.enumerate()) - before:
            if isinstance(thread, EventEmitter):
                thread.stop()
    elif harm == "root removed":
        shutil.rmtree(hot)
        time.sleep(0.5)
        (hot / "smooth-rag").mkdir(parents=True)
    else:
        hot.rename(hot.with_name("away"))
        time.sleep(0.5)
        hot.with_name("away").rename(hot)
    time.sleep(1.5)
    woken.calm_down()
    (hot / "smooth-rag/heron.tif").write_text("picture")
    assert woken.within_patience()
    kept.stop()


@pytest.mark.root
@pytest.mark.fault(13)
def test_a_surface_on_a_disk_of_its_own_is_watched_apart(hot: Path, woken: Woken) -> None:
    """Once something is mounted on it, it has a watcher of its own; how is told by its disk."""
    far = hot / "far-rag"
    far.mkdir()
    kept = Watches(hot, ["smooth-rag", "far-rag"], "auto", woken)
    kept.start()
    subprocess.run(["mount", "-t", "tmpfs", "tmpfs", str(far)], check=True)
    try:
        told = {each.surface: (each.kind, each.file_system)
                for each in how_watched(hot, ["smooth-rag", "far-rag"], "auto")}  # fmt: skip
        assert told["far-rag"] == ("native", "tmpfs")
        assert "smooth-rag" not in told
        time.sleep(2.5)
        woken.calm_down()
        (far / "heron.tif").write_text("picture")
        assert woken.within_patience()
    finally:
        subprocess.run(["umount", "--lazy", str(far)], check=True)
        kept.stop()


def test_the_last_of_a_flood_wakes_as_well(hot: Path) -> None:
    """Whoever looks when woken sees the last file of a flood, without waiting for the next look."""
    seen, over = [], threading.Event()
    watcher = NativeWatcher(hot)

    def look() -> None:
        seen.append(len(os.listdir(hot / "smooth-rag")))
        if seen[-1] == 300:
            over.set()

    watcher.start(look)
    for number in range(300):
        (hot / f"smooth-rag/{number}.tif").touch()
        time.sleep(0.002)
    assert over.wait(5)
    watcher.stop()
    assert len(seen) < 60
