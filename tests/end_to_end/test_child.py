"""Child processes as they really run: confined, told apart when they fail, and never left over."""

import json
import os
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from made_plans import LIMITS, check_task, picture, plan_for, render_task

from platemark.imaging.child import Children
from platemark.imaging.icc import build_matrix_profile
from platemark.imaging.sandbox import confinement, knows_call_filters, landlock_abi
from platemark.model.work import (
    AdmitReport,
    AdmitTask,
    CheckReport,
    Failure,
    HeaderLimits,
    PreviewTask,
    ProbeReport,
    ProbeTask,
    RenderReport,
)

HEADER = HeaderLimits(600_000_000, 65_500, 4 << 30, 1000, 100_000_000)
MISBEHAVING = Path(__file__).with_name("misbehaving.py")
linux = pytest.mark.skipif(sys.platform != "linux", reason="the kernel is another")
landlock = pytest.mark.skipif(landlock_abi() < 1, reason="the kernel has no Landlock")


def end(how: str, folder: Path, **limits: int) -> Failure:
    """What is said of a child that ends like that."""
    children = Children([sys.executable, "-I", str(MISBEHAVING), how])
    task = PreviewTask("/nowhere", 1, "", (), str(folder / "drawing.jpg"))
    outcome = children.run(task, replace(LIMITS, **{"seconds": 60, **limits}))
    assert isinstance(outcome, Failure)
    return outcome


@pytest.mark.fault(27, 28)
@pytest.mark.parametrize(
    ("how", "limits", "kind"),
    [
        ("segv", {}, "killed"),
        ("abort", {}, "killed"),
        ("memory", {}, "memory"),
        ("hang", {"seconds": 1}, "deadline"),
        ("closed", {"seconds": 1}, "deadline"),
        ("busy", {"seconds": 1, "threads": 1}, "deadline"),
        ("thread", {}, "world"),
        ("flood", {}, "bug"),
        ("noise", {}, "bug"),
        ("other", {}, "bug"),
        ("bug", {}, "bug"),
    ],
)
def test_every_bad_end_has_its_name(
    how: str, limits: dict[str, int], kind: str, tmp_path: Path
) -> None:
    """Each way in which a child can end badly gives its own kind of failure and a sentence."""
    failure = end(how, tmp_path, **limits)
    assert (failure.kind, failure.sentence.endswith(".")) == (kind, True)


def test_the_trace_is_kept(tmp_path: Path) -> None:
    """What a child wrote to standard error before it broke down is in the failure."""
    failure = end("segv", tmp_path)
    assert "something on standard error" in failure.trace
    assert "SIGSEGV" in failure.sentence


@pytest.mark.fault(28)
@linux
def test_processor_time_is_limited_by_itself(tmp_path: Path) -> None:
    """A child that burns processor time is ended by the system even if nobody watches the clock."""
    reads, writes = os.pipe()
    message = {
        "limits": {
            "memory_mb": 500, "cpu_seconds": 1, "output_mb": 10, "readable": [],
            "writable_dirs": [str(tmp_path)], "parent_pid": os.getpid(),
        }
    }  # fmt: skip
    os.write(writes, json.dumps(message).encode())
    os.close(writes)
    ended = subprocess.run(
        [sys.executable, "-I", str(MISBEHAVING), "busy"],
        stdin=reads,
        capture_output=True,
        check=False,
    )
    os.close(reads)
    assert ended.returncode == -24  # SIGXCPU


def test_a_program_that_is_not_there_is_a_fault_of_the_world(tmp_path: Path) -> None:
    """Where the system cannot start a child, the picture is not blamed."""
    children = Children([str(tmp_path / "nothing")])
    outcome = children.run(AdmitTask("/nowhere", "RGB"), LIMITS)
    assert isinstance(outcome, Failure)
    assert outcome.kind == "world"


def test_stopping_ends_all_children(tmp_path: Path) -> None:
    """When the service stops, every child is ended at once, none is blamed, and none starts."""
    children = Children([sys.executable, "-I", str(MISBEHAVING), "mark"])
    outcomes: list[object] = []

    def work(folder: Path) -> None:
        task = PreviewTask("/nowhere", 1, "", (), str(folder / "drawing.jpg"))
        outcomes.append(children.run(task, LIMITS))

    folders = [tmp_path / name for name in "abc"]
    for folder in folders:
        folder.mkdir()
    threads = [threading.Thread(target=work, args=(folder,)) for folder in folders]
    for thread in threads:
        thread.start()
    pids = [int(wait_for(lambda at=folder: mark_in(at))) for folder in folders]
    children.kill_all()
    for thread in threads:
        thread.join()
    assert [outcome.kind for outcome in outcomes if isinstance(outcome, Failure)] == ["world"] * 3
    assert not any(is_alive(pid) for pid in pids)
    later = children.run(AdmitTask("/nowhere", "RGB"), LIMITS)
    assert isinstance(later, Failure)
    assert later.kind == "world"


@pytest.mark.fault(28)
@linux
def test_what_a_child_leaves_behind_ends_with_it(tmp_path: Path) -> None:
    """A process that a child started and did not wait for writes nothing after the child's end.

    The child ends well, with a report, and the one that it leaves holds none of its pipes.
    """
    code = f"""
import json, os, sys, time
sys.stdin.buffer.read()
reads, writes = os.pipe()
if os.fork() == 0:
    for handle in (0, 1, 2):
        os.close(handle)
    os.write(writes, str(os.getpid()).encode())
    time.sleep(5)
    open({str(tmp_path / "late")!r}, "w").write("written after the check")
    os._exit(0)
pid = os.read(reads, 9).decode()
json.dump({{"failure": {{"kind": "picture", "sentence": pid}}}}, sys.stdout)
sys.stdout.flush()
os._exit(0)
"""
    outcome = Children([sys.executable, "-I", "-c", code]).run(AdmitTask("/nowhere", "RGB"), LIMITS)
    assert isinstance(outcome, Failure)
    assert outcome.kind == "picture", outcome
    wait_for(lambda: "gone" if not is_alive(int(outcome.sentence)) else "")
    assert not (tmp_path / "late").exists()


@pytest.mark.skipif(not knows_call_filters(), reason="the kernel filters no calls here")
@pytest.mark.parametrize(
    "code",
    [
        "os.fork()",
        "os.posix_spawn('/bin/true', ['true'], {})",
        "import subprocess; subprocess.run(['/bin/true'])",
        "import socket; socket.socket(socket.AF_INET, socket.SOCK_DGRAM)",
        "import socket; socket.socket(socket.AF_UNIX)",
    ],
)
def test_no_other_process_and_no_socket(code: str, tmp_path: Path) -> None:
    """A child can start no process, which could outlive it, and open no socket, UDP included."""
    tried = f"try:\n    {code}\nexcept OSError as error:\n    print(error.errno)\n"
    run = confined(f"{tried}else:\n    print('it went through')", tmp_path)
    assert run.stdout.strip() == "1", run.stderr  # EPERM


@landlock
@pytest.mark.parametrize("place", ["same", "other"])
def test_another_jobs_files_are_out_of_reach(place: str, tmp_path: Path) -> None:
    """A child that was taken over cannot touch what other jobs have in the folders of its files."""
    folder = tmp_path / "drawings"
    folder.mkdir()
    other = (folder if place == "same" else tmp_path) / "2.jpg"
    other.write_text("another job's")
    code = f"""
import json, sys
from platemark.imaging.sandbox import confine
message = json.loads(sys.stdin.buffer.read())
confine(**message["limits"])
found = []
for act in (lambda: open({str(other)!r}, "w"), lambda: __import__("os").unlink({str(other)!r})):
    try:
        act()
    except PermissionError:
        found.append("refused")
open(message["task"]["drawing"], "w").write("mine")
json.dump({{"failure": {{"kind": "picture", "sentence": " ".join(found)}}}}, sys.stdout)
"""
    task = PreviewTask("/nowhere", 1, "", (), str(folder / "1.jpg"))
    outcome = Children([sys.executable, "-I", "-c", code]).run(task, LIMITS)
    assert isinstance(outcome, Failure)
    assert outcome.sentence == "refused refused"
    assert other.read_text() == "another job's"


@pytest.mark.parametrize("ends_well", [True, False])
def test_files_get_their_place_after_a_good_end_only(ends_well: bool, tmp_path: Path) -> None:
    """What a child wrote takes its place when it ended well, over an older one, and else is gone.

    A link in place of its file is refused, and so is none at all; nothing of its folder stays.
    """
    answer = {"report": {"width": 3, "height": 2}} if ends_well else {"wrong": 1}
    code = f"""
import json, sys
message = json.loads(sys.stdin.buffer.read())
open(message["task"]["drawing"], "w").write("new")
open("left over", "w").write("x")
print({json.dumps(json.dumps(answer))})
"""
    (tmp_path / "1.jpg").write_text("old")
    task = PreviewTask("/nowhere", 1, "", (), str(tmp_path / "1.jpg"))
    Children([sys.executable, "-I", "-c", code]).run(task, LIMITS)
    assert (tmp_path / "1.jpg").read_text() == ("new" if ends_well else "old")
    assert [path.name for path in tmp_path.iterdir()] == ["1.jpg"]
    linked = code.replace('open(message["task"]["drawing"], "w").write("new")', """
import os
os.symlink("left over", message["task"]["drawing"])
""")  # fmt: skip
    outcome = Children([sys.executable, "-I", "-c", linked]).run(task, LIMITS)
    assert isinstance(outcome, Failure)
    silent = code.replace('open(message["task"]["drawing"], "w").write("new")', "")
    assert isinstance(Children([sys.executable, "-I", "-c", silent]).run(task, LIMITS), Failure)
    assert [path.name for path in tmp_path.iterdir()] == ["1.jpg"]
    assert not (tmp_path / "1.jpg").is_symlink()


@pytest.mark.fault(31)
@linux
def test_a_child_dies_with_its_parent(tmp_path: Path) -> None:
    """When the service is killed, its child ends within a second, and its output is nobody's."""
    code = f"""
import sys
from platemark.imaging.child import Children
from platemark.model.work import ChildLimits, PreviewTask
task = PreviewTask("/nowhere", 1, "", (), {str(tmp_path / "drawing.jpg")!r})
children = Children([sys.executable, "-I", {str(MISBEHAVING)!r}, "mark"])
children.run(task, ChildLimits(500, 600, 9, 1))
"""
    parent = subprocess.Popen([sys.executable, "-c", code])
    pid = int(wait_for(lambda: mark_in(tmp_path)))
    assert is_alive(pid)
    parent.kill()
    killed = time.monotonic()
    parent.wait()
    wait_for(lambda: "gone" if not is_alive(pid) else "")
    assert time.monotonic() - killed < 1
    assert not (tmp_path / "drawing.jpg").exists()


@pytest.mark.fault(31)
@linux
def test_an_orphan_does_not_begin(tmp_path: Path) -> None:
    """A child whose parent is already another process does nothing at all."""
    inside = confined("print('began')", tmp_path, parent_pid=1)
    assert "Orphaned" in inside.stderr
    assert inside.stdout == ""


@linux
def test_only_a_lone_thread_is_confined(tmp_path: Path) -> None:
    """The rules bind the thread that asks for them; where another runs already, nothing begins."""
    setup = """
import os, threading, time
threading.Thread(target=time.sleep, args=(9,), daemon=True).start()
"""
    inside = confined("print('began')", tmp_path, before=setup)
    assert "2 threads run already" in inside.stderr
    assert inside.stdout == ""


def confined(
    code: str,
    folder: Path,
    *,
    parent_pid: int | None = None,
    readable: tuple[Path, ...] = (),
    before: str = "",
) -> "subprocess.CompletedProcess[str]":
    """Run Python code inside the sandbox, with one folder to write in."""
    setup = f"""
import os
from platemark.imaging.sandbox import confine
confine(memory_mb=500, cpu_seconds=60, output_mb=1, readable={[str(p) for p in readable]!r},
        writable_dirs=[{str(folder)!r}], parent_pid={parent_pid or os.getpid()})
"""
    return subprocess.run(
        [sys.executable, "-I", "-c", before + setup + code],
        capture_output=True,
        text=True,
        check=False,
    )


@landlock
@pytest.mark.parametrize(
    "code",
    [
        "open('/etc/passwd').read()",
        "open({other!r}).read()",
        "open({other!r}, 'a')",
        "os.unlink({other!r})",
        "os.mkdir({outside!r} + '/new')",
        "open({outside!r} + '/new', 'w')",
        "os.rename({inside!r} + '/mine', {outside!r} + '/mine')",
        "os.listdir({outside!r})",
        "os.execv('/bin/true', ['true'])",
        "os.symlink('/etc/passwd', {inside!r} + '/link')",
    ],
)
def test_the_rest_of_the_disk_is_out_of_reach(code: str, tmp_path: Path) -> None:
    """What a task does not name cannot be read, written, removed, listed, linked or run."""
    inside, outside = tmp_path / "inside", tmp_path / "outside"
    inside.mkdir()
    outside.mkdir()
    other = outside / "other.tif"
    other.write_text("another picture")
    (inside / "mine").write_text("mine")
    tried = code.format(other=str(other), outside=str(outside), inside=str(inside))
    run = confined(
        f"try:\n    {tried}\nexcept OSError as error:\n    print(type(error).__name__)", inside
    )
    assert run.stdout.strip() in {"PermissionError", "OSError"}, run.stderr
    assert other.read_text() == "another picture"


@pytest.mark.skipif(landlock_abi() < 4, reason="the kernel's Landlock knows no network")
def test_no_connections(tmp_path: Path) -> None:
    """A child cannot open a TCP connection, not even to this machine."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = server.getsockname()[1]
        code = f"""
import socket
for act in (lambda s: s.connect(("127.0.0.1", {port})), lambda s: s.bind(("127.0.0.1", 0))):
    try:
        with socket.socket() as tried:
            act(tried)
    except PermissionError:
        print("refused")
"""
        assert confined(code, tmp_path).stdout.split() == ["refused"] * 2


@pytest.mark.skipif(landlock_abi() < 6, reason="the kernel's Landlock knows no signals")
def test_no_signals(tmp_path: Path) -> None:
    """A child cannot signal the service that started it."""
    code = "try:\n    os.kill(os.getppid(), 0)\nexcept PermissionError:\n    print('refused')"
    assert confined(code, tmp_path).stdout.strip() == "refused"


@linux
def test_a_file_cannot_outgrow_its_limit(tmp_path: Path) -> None:
    """A file that a child writes stops at the limit, as an error and not as a full disk."""
    code = f"""
try:
    with open({str(tmp_path / "large")!r}, "wb") as stream:
        stream.write(bytes(3 << 20))
except OSError as error:
    print(error.errno)
"""
    assert confined(code, tmp_path).stdout.strip() == "27"  # EFBIG
    assert (tmp_path / "large").stat().st_size == 1 << 20


@landlock
def test_what_a_task_names_is_in_reach(tmp_path: Path) -> None:
    """Its own inputs can be read and its own folder written, code can be loaded, threads start."""
    inside, outside = tmp_path / "inside", tmp_path / "outside"
    inside.mkdir()
    outside.mkdir()
    (outside / "mine.tif").write_text("my picture")
    code = f"""
import threading
open({str(inside / "new")!r}, "w").write(open({str(outside / "mine.tif")!r}).read())
os.unlink({str(inside / "new")!r})
import decimal, numpy, pyvips
thread = threading.Thread(target=print, args=("all is well",))
thread.start()
thread.join()
"""
    run = confined(code, inside, readable=(outside / "mine.tif",))
    assert run.stdout.strip() == "all is well", run.stderr


def test_confinement_has_names() -> None:
    """What this system offers is told in words, memory limits at least."""
    assert confinement()[0].startswith("limits on memory")
    assert ("reads and writes only what its task names" in confinement()) == (landlock_abi() > 0)


def test_whole_way_in_children(tmp_path: Path) -> None:
    """Probe, render and check of one picture, each in a confined process, all bring reports."""
    pixels = np.arange(300 * 400 * 3, dtype=np.uint32).reshape(300, 400, 3)
    made = picture(tmp_path / "job", (pixels * 7919 % 65536).astype(np.uint16))
    adobe = build_matrix_profile("adobe-rgb")
    task = render_task(made, plan_for(made, adobe), adobe)
    probed = Children().run(ProbeTask(str(made.original), "original.tiff", HEADER), LIMITS)
    assert isinstance(probed, ProbeReport)
    assert (probed.facts.width, probed.facts.bits) == (400, 16)
    rendered = Children().run(task, LIMITS)
    assert isinstance(rendered, RenderReport), rendered
    checked = Children().run(check_task(task), LIMITS)
    assert isinstance(checked, CheckReport), checked
    assert (checked.passed, checked.reasons) == (True, ())
    assert [path.name for path in made.folder.glob("*.samples")] == []


@pytest.mark.fault(27)
def test_a_real_picture_beyond_its_memory(tmp_path: Path) -> None:
    """A picture that needs more memory than it may have is told as that, not as a crash."""
    made = picture(tmp_path / "job", np.zeros((3000, 4000, 3), np.uint16))
    task = render_task(made, plan_for(made, build_matrix_profile("srgb")))
    outcome = Children().run(task, replace(LIMITS, memory_mb=170, threads=1))
    assert isinstance(outcome, Failure)
    assert outcome.kind == "memory", outcome


@pytest.mark.fault(29)
def test_a_profile_is_tried_in_a_child(tmp_path: Path) -> None:
    """A profile that is none is refused with reasons, in a report and not a failure."""
    path = tmp_path / "lab.icc"
    path.write_bytes(b"no profile at all" * 20)
    outcome = Children().run(AdmitTask(str(path), "RGB"), LIMITS)
    assert isinstance(outcome, AdmitReport)
    assert not outcome.accepted
    assert outcome.reasons


@pytest.mark.parametrize("disguise", ["svg", "webp", "gif"])
def test_other_formats_are_not_read(disguise: str, tmp_path: Path) -> None:
    """A file of another kind is not decoded under a picture's name."""
    data = {
        "svg": b'<svg xmlns="http://www.w3.org/2000/svg" width="9" height="9"/>',
        "webp": b"RIFF\x24\x00\x00\x00WEBPVP8 \x18\x00\x00\x00" + bytes(24),
        "gif": b"GIF89a\x01\x00\x01\x00\x80\x00\x00\xff\xff\xff\x00\x00\x00!\xf9\x04\x01"
        b"\x00\x00\x00\x00,\x00\x00\x00\x00\x01\x00\x01\x00\x00\x02\x02D\x01\x00;",
    }[disguise]
    path = tmp_path / "innocent.jpg"
    path.write_bytes(data)
    task = PreviewTask(str(path), 1, "", (), str(tmp_path / "drawing.jpg"))
    outcome = Children().run(task, LIMITS)
    assert isinstance(outcome, Failure)
    assert outcome.kind == "picture"


def wait_for(look: Callable[[], str]) -> str:
    """Look again and again until there is something to see."""
    deadline = time.monotonic() + 60
    while time.monotonic() < deadline:
        found = look()
        if found:
            return found
        time.sleep(0.02)
    pytest.fail("it did not happen")


def read(path: Path) -> str:
    """A file's text, empty as long as it is not there."""
    try:
        return path.read_text()
    except FileNotFoundError:
        return ""


def mark_in(folder: Path) -> str:
    """What a child wrote into the folder of its own, which is below that of its files."""
    return "".join(read(path) for path in folder.glob("*/pid"))


def is_alive(pid: int) -> bool:
    """Whether a process runs; one that only waits to be counted does not."""
    try:
        return "\nState:\tZ" not in Path(f"/proc/{pid}/status").read_text()
    except FileNotFoundError:
        return False
