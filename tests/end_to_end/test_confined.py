"""The confinement proved from inside: a child that was taken over, after each real step.

`taken_over.py` does the step with the worker's own code and then tries what it must not. The same
attempts without a layer, and without any, show that each would go through otherwise, and by which
layer it is refused.
"""

import json
import os
import socket
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import skimage.data
from made_plans import LIMITS, Made, check_task, picture, plan_for, render_task, sha256

from platemark.engine.workshop import space_hashes
from platemark.imaging.call_filter import REFUSED
from platemark.imaging.check import check
from platemark.imaging.child import Children, _environment
from platemark.imaging.icc import build_matrix_profile
from platemark.imaging.print_model import MATTE_RAG, make_printer_profile
from platemark.imaging.render import render
from platemark.imaging.sandbox import knows_call_filters, landlock_abi
from platemark.model.terms import Box
from platemark.model.work import (
    AdmitTask,
    BesideTask,
    Failure,
    GamutTask,
    HeaderLimits,
    MakeTask,
    MeasureTask,
    Measuring,
    PreviewTask,
    ProbeTask,
    Task,
)

TAKEN_OVER = Path(__file__).with_name("taken_over.py")
CANARY = "PLATEMARK_TEST_CANARY"
LAYERS = ("rules", "filter", "powers")

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="the kernel is another")

RULES, NETWORK_RULES, SCOPES, FILTER, POWERS = "rules", "rules 4", "rules 6", "filter", "powers"
REFUSED_BY: dict[str, set[str]] = {
    **{
        f"read {name}": {RULES}
        for name in (
            "other-original", "passwd", "ledger", "settings", "neighbour", "passwd through /proc",
        )
    },
    # Another process with more powers is out of reach for one with fewer.
    **{
        f"read {name}": {RULES, POWERS}
        for name in (
            "passwd through the parent", "parent's environment", "parent's memory",
            "sibling's environment",
        )
    },
    **{
        name: {RULES}
        for name in (
            "list neighbours", "write source", "rename source", "unlink source",
            "make a file outside", "make a folder", "make shared memory", "open a device",
        )
    },
    "truncate source": {"rules 3", FILTER},
    "chmod source": {FILTER},
    "chown source": {FILTER},
    "date source": {FILTER},
    "mark source": {FILTER},
    "link source": {RULES, FILTER},
    "make a link": {RULES, FILTER},
    "make a pipe": {RULES, FILTER},
    "make a device": {RULES, FILTER, POWERS},
    "handle of a file": {FILTER},
    "watch a folder": {FILTER},
    "tcp": {NETWORK_RULES, FILTER},
    "udp": {FILTER},
    "unix": {FILTER},
    "abstract": {SCOPES, FILTER},
    "netlink": {FILTER},
    "pair of sockets": {FILTER},
    "listen": {NETWORK_RULES, FILTER},
    "fork": {FILTER},
    "clone3": {FILTER},
    "exec": {RULES, FILTER},
    "ptrace": {RULES, FILTER, POWERS},
    "read sibling's memory": {RULES, FILTER, POWERS},
    "open sibling": {FILTER},
    "signal parent": {SCOPES, FILTER},
    "signal sibling": {SCOPES, FILTER},
    "signal sibling's thread": {SCOPES, FILTER},
    "signal by a pipe": {FILTER},
    "slow sibling down": {FILTER, POWERS},
    "bind sibling to a processor": {FILTER, POWERS},
    "raise a limit": {FILTER, POWERS},
    "limit parent": {FILTER},
    "live on": {FILTER},
    "mount": {RULES, FILTER, POWERS},
    "change root": {FILTER, POWERS},
    "new user namespace": {FILTER},
    "new mount namespace": {FILTER, POWERS},
    "keyring": {FILTER},
    "bpf": {FILTER},
    "io_uring": {FILTER},
    "userfaultfd": {FILTER},
    "performance events": {FILTER},
    "memory without limit": {FILTER},
    "memory that stays": {FILTER},
}  # fmt: skip
"""What each attempt is refused by, each layer by itself; a number is the Landlock that is needed.

What a process may do by its own rights alone (capabilities) is the kernel's word, `man 7
capabilities`; which accesses the rules govern, <linux/landlock.h> and the kernel's own document.
"""

ONLY_ROOT = {
    "make a device", "raise a limit", "mount", "change root", "new mount namespace",
    "read passwd through the parent", "limit parent",
}  # fmt: skip
MAY_BE_SHUT = {
    "ptrace", "read sibling's memory", "open sibling", "mount", "change root", "handle of a file",
    "new user namespace", "new mount namespace", "keyring", "bpf", "io_uring", "userfaultfd",
    "performance events", "make a device", "mark source", "read parent's memory", "clone3",
    "raise a limit",
    "read passwd through the parent",
}  # fmt: skip
"""A system may refuse these to everybody, in a container for one."""
BY_ITS_SETTINGS = {
    "performance events", "bpf", "userfaultfd", "keyring", "io_uring", "handle of a file",
}  # fmt: skip
"""Whether they need powers is a setting of the system."""


@dataclass
class World:
    """What there is to attack, and a task for each step."""

    targets: dict[str, Any]
    tasks: dict[str, Task]
    sibling: "subprocess.Popen[bytes]"
    original: Path

    def take_over(self, step: str, without: tuple[str, ...] = ()) -> dict[str, Any]:
        """Run a step whose decoder was taken over; what it found."""
        spare = Path(self.targets["spare"])
        spare.write_bytes(b"x")
        told = json.dumps(self.targets | {"without": without})
        outcome = Children([sys.executable, "-I", str(TAKEN_OVER), told]).run(
            self.tasks[step], LIMITS
        )
        assert isinstance(outcome, Failure)
        assert outcome.kind == "picture", outcome
        found: dict[str, Any] = json.loads(outcome.sentence)
        return found


def has(layer: str) -> bool:
    """Whether this system has a layer."""
    if layer == FILTER:
        return knows_call_filters()
    if layer == POWERS:
        return os.geteuid() == 0
    return landlock_abi() >= int(layer.removeprefix(RULES) or 1)


def refused(found: dict[str, Any]) -> set[str]:
    return {name for name, came in found["tried"].items() if came == "refused"}


def measure_task(made: Made) -> MeasureTask:
    whole = Box(0, 0, made.width, made.height)
    plan = plan_for(made, build_matrix_profile("srgb"))
    spaces = space_hashes()
    measuring = Measuring(
        "tiff", 1, whole, whole, whole, plan.ppi, 0 * plan.ppi, "16", plan.source_profile_sha256,
        "embedded", spaces["srgb"], "relative", False, False, "Rag", "97", "1", False, "100",
    )  # fmt: skip
    proof = str(made.folder / "proof.jpg")
    return MeasureTask(str(made.original), measuring, (), proof)


def tasks_in(root: Path) -> tuple[Made, dict[str, Task]]:
    """A job's picture, rendered, and a task of every kind for it."""
    made = picture(root / "job", np.asarray(skimage.data.coffee())[:200, :300])
    adobe, printer = build_matrix_profile("adobe-rgb"), make_printer_profile(MATTE_RAG)
    task = render_task(made, plan_for(made, adobe), adobe)
    render(task)
    assert check(check_task(task)).passed
    (root / "printer.icc").write_bytes(printer)
    preview = PreviewTask(str(made.original), 1, "", (), str(made.folder / "small.jpg"))
    header = HeaderLimits(10**6, 65_500, 1 << 30, 1000, 10**6)
    icc = str(root / "printer.icc")
    tasks: dict[str, Task] = {
        "probe": ProbeTask(str(made.original), "original.tiff", header),
        "measure": measure_task(made),
        "render": task,
        "check": check_task(task),
        "preview": preview,
        "admit": AdmitTask(icc, "RGB"),
        "gamut": GamutTask(icc, "A printer", str(root / "gamut.png")),
        "beside": BesideTask("Beside", preview, (), str(root / "beside.png")),
        "make": MakeTask(
            "picture", "dunes", str(root / "m.tif"), 90, 60, "tiff16", "srgb", "", "72"
        ),
    }
    return made, tasks


@pytest.fixture(scope="module")
def world(tmp_path_factory: pytest.TempPathFactory) -> Iterator[World]:
    """A studio's files, a job's picture, a service beside it, and servers that wait."""
    root = tmp_path_factory.mktemp("world")
    made, tasks = tasks_in(root)
    (root / "other").mkdir()
    secrets = {
        "other-original": root / "other/original.tif",
        "ledger": root / "ledger.sqlite3",
        "settings": root / "studio.toml",
        "neighbour": made.folder / "neighbour.tif",
    }
    for path in secrets.values():
        path.write_text("nobody's business")
    (root / "outside").mkdir()
    os.environ[CANARY] = "the key to the lab's door"
    # As some library of the service might leave it.
    left_open = os.open(secrets["ledger"], os.O_RDONLY)
    os.set_inheritable(left_open, True)
    sibling = subprocess.Popen([
        sys.executable, "-c",
        "import signal, time; signal.signal(10, lambda *_: None); print(1, flush=True)\n"
        "while True: time.sleep(60)",
    ], stdout=subprocess.PIPE)  # fmt: skip
    assert sibling.stdout is not None
    sibling.stdout.readline()
    name = f"platemark-{os.getpid()}"
    with (
        socket.create_server(("127.0.0.1", 0)) as server,
        socket.socket(socket.AF_UNIX) as by_path,
        socket.socket(socket.AF_UNIX) as abstract,
    ):
        by_path.bind(str(root / "s"))
        abstract.bind(f"\0{name}")
        for each in (by_path, abstract):
            each.listen(50)
        targets = {
            "source": str(made.original), "spare": str(made.folder / "spare"),
            "passwd": "/etc/passwd", "outside": str(root / "outside"), "sibling": sibling.pid,
            "port": server.getsockname()[1], "unix": str(root / "s"), "abstract": name,
            **{key: str(path) for key, path in secrets.items()},
        }  # fmt: skip
        yield World(targets, tasks, sibling, made.original)
    sibling.kill()
    sibling.wait()
    sibling.stdout.close()
    del os.environ[CANARY]
    os.close(left_open)


STEPS = ("probe", "measure", "render", "check", "preview", "admit", "beside", "make")


@pytest.mark.parametrize("step", [*STEPS, pytest.param("gamut", marks=pytest.mark.long)])
def test_nothing_goes_through(step: str, world: World) -> None:
    """After each real step, every attempt is refused, and what was attacked is as it was.

    Where the kernel lacks a layer, what only that would refuse goes through and is named.
    """
    before = sha256(world.original.read_bytes()), world.original.stat()
    found = world.take_over(step)
    open_here = {name for name, by in REFUSED_BY.items() if not any(map(has, by))}
    assert set(found["tried"]) == set(REFUSED_BY)
    through = set(REFUSED_BY) - refused(found)
    assert through == open_here, {name: found["tried"][name] for name in through ^ open_here}
    after = world.original.stat()
    assert (sha256(world.original.read_bytes()), after.st_mode, after.st_mtime_ns) == (
        before[0], before[1].st_mode, before[1].st_mtime_ns,
    )  # fmt: skip
    assert world.sibling.poll() is None
    assert list(Path(world.targets["outside"]).iterdir()) == []
    assert found["did"].lower() == f"{step}report"
    if has(FILTER):
        old = {name: came for name, came in found["calls"].items() if not name.isdigit()}
        new = {came for name, came in found["calls"].items() if name.isdigit()}
        assert {name: came for name, came in old.items() if came != "EPERM"} == {}
        assert new == {"ENOSYS"}
    _came_with_nothing(found["has"], step, world)


def _came_with_nothing(came: dict[str, Any], step: str, world: World) -> None:
    """No environment but the one it was given, no open file, no right, no privilege, all limits."""
    folder = came["environment"]["TMPDIR"]
    assert CANARY not in came["environment"]
    # The C library's own and those that the libraries set for themselves are no secrets of ours.
    assert set(_environment(LIMITS, folder).items()) <= set(came["environment"].items())
    assert "nobody's" not in str(came["environment"])
    paths = [path for path in came["handles"].values() if path.startswith("/")]
    allowed = ("/dev/", "/proc/", str(Path(sys.prefix).resolve()), "/usr/", folder)
    own = [world.targets["source"], *(str(p) for p in _files_of(world.tasks[step]))]
    assert [p for p in paths if not p.startswith(allowed) and p not in own] == []
    assert (came["NoNewPrivs"], came["session"], came["umask"]) == ("1", True, "0077")
    assert came["Seccomp"] == ("2" if has(FILTER) else "0")
    assert int(came["CapEff"], 16) & ~4 == int(came["CapPrm"], 16) & ~4 == 0
    assert came["limits"]["RLIMIT_AS"] == [LIMITS.memory_mb << 20] * 2
    assert came["limits"]["RLIMIT_CORE"] == [0, 0]
    assert came["limits"]["RLIMIT_NOFILE"] == [256, 256]


def _files_of(task: Task) -> Iterator[str]:
    for name in ("path", "original", "face", "print_file"):
        value = getattr(task, name, "")
        if isinstance(value, str):
            yield value


def test_without_any_layer_it_goes_through(
    world: World, record_property: Any, capsys: pytest.CaptureFixture[str]
) -> None:
    """The control: unconfined but for its limits, the same process does all of that.

    What this system refuses to everybody is named, and is not among what must be shown.
    """
    found = world.take_over("probe", LAYERS)
    shut = refused(found)
    expected = MAY_BE_SHUT | (set() if os.geteuid() == 0 else ONLY_ROOT)
    assert shut <= expected, {name: found["tried"][name] for name in shut - expected}
    if shut:
        record_property("not shown, as this system refuses it to everybody", sorted(shut))
        with capsys.disabled():
            print(f"\nnot shown, as this system refuses it to everybody: {', '.join(sorted(shut))}")


@pytest.mark.parametrize("layer", LAYERS)
def test_each_layer_refuses_what_is_its_own(layer: str, world: World) -> None:
    """One layer alone refuses what the table says of it, and nothing else is refused by it."""
    own = {name for name, by in REFUSED_BY.items() if any(each.startswith(layer) for each in by)}
    if not any(has(each) for each in {x for by in REFUSED_BY.values() for x in by
                                      if x.startswith(layer)}):  # fmt: skip
        pytest.skip(f"{layer}: not on this system, so not proved here: {', '.join(sorted(own))}")
    alone = refused(world.take_over("probe", tuple(set(LAYERS) - {layer})))
    without = refused(world.take_over("probe", LAYERS))
    wanted = {
        name for name, by in REFUSED_BY.items() if any(x.startswith(layer) and has(x) for x in by)
    }
    assert wanted - alone == set(), "the table says more than the layer does"
    more = alone - wanted - without - (BY_ITS_SETTINGS if layer == POWERS else set())
    assert more == set(), "the layer does more than the table says"


def test_the_numbers_are_the_kernels() -> None:
    """Every number of x86-64 and of 64-bit ARM is that of the kernel's own headers, where there."""
    import re

    headers = {
        0: Path("/usr/include/x86_64-linux-gnu/asm/unistd_64.h"),
        1: Path("/usr/include/asm-generic/unistd.h"),
    }
    seen = 0
    for column, header in headers.items():
        if not header.exists():
            continue
        told = dict(re.findall(r"#define __NR(?:3264)?_(\w+) (\d+)", header.read_text()))
        for name, numbers in REFUSED.items():
            if name in told:
                assert numbers[column] == int(told[name]), name
                seen += 1
    if not seen:
        pytest.skip("the kernel's headers are not installed")
