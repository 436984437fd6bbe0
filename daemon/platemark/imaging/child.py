"""The parent's side of a child process: one for each picture and step, thrown away afterwards.

Nothing here decodes. A child that crashes, hangs, swells or floods its pipes costs only its own
picture, and is told from a fault of the machine.
"""

from __future__ import annotations

import contextlib
import json
import os
import selectors
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import IO

import msgspec

from platemark import durable
from platemark.imaging.steps import (
    STEPS,
    THREAD_SENTENCE,
    memory_sentence,
    tells_of_memory,
    tells_of_threads,
)
from platemark.model.errors import DiskFault, DiskFull
from platemark.model.plain import from_plain, to_plain
from platemark.model.work import (
    AdmitTask,
    BesideTask,
    CheckTask,
    ChildLimits,
    DrawTask,
    Failure,
    GamutTask,
    MakeReport,
    MakeTask,
    MeasureTask,
    PapersTask,
    PreviewTask,
    ProbeTask,
    RenderTask,
    Report,
    StripTask,
    Task,
    ThenNowTask,
    TrendTask,
)

WORKER = (sys.executable, "-I", "-B", "-m", "platemark.imaging.worker")
"""Isolated from the caller's environment and folder; it needs Platemark to be installed."""

_REPORT_BYTES = 4 << 20
_TRACE_BYTES = 16 << 10
_CHUNK = 1 << 16


@dataclass(slots=True)
class _Talk:
    """What a child has said so far."""

    report: bytearray = field(default_factory=bytearray)
    trace: bytearray = field(default_factory=bytearray)
    flooded: bool = False
    late: bool = False


class Children:
    """Every child process of the service, so that all can be ended when it stops.

    `run` may be called from several threads at once. Each must live as long as its child: the
    kernel ends a child with the *thread* that started it.
    """

    def __init__(self, command: Sequence[str] = WORKER) -> None:
        """Make a household of children.

        Args:
            command: What starts one; another than the worker is for trying how bad ends are told.
        """
        self._command = tuple(command)
        self._running: set[subprocess.Popen[bytes]] = set()
        self._lock = threading.Lock()
        self._stopped = False

    def run(self, task: Task, limits: ChildLimits) -> Report | Failure:
        """Do one step in a process of its own and wait for it.

        Args:
            task: What to do; its paths are absolute.
            limits: What the child may use; `seconds` is by the clock.

        Returns:
            The step's report, or why there is none.
        """
        files = written_files(task)
        if not files:
            return self._run(task, limits, "")
        try:
            folder = Path(tempfile.mkdtemp(prefix=".child-", dir=Path(files[0]).parent))
        except OSError as error:
            return Failure("world", f"The disk would not take a file: {error}.")
        try:
            places = {
                file: str(folder / f"{number}-{Path(file).name}")
                for number, file in enumerate(files)
            }
            outcome = self._run(_placed(task, places), limits, str(folder))
            if isinstance(outcome, Failure):
                return outcome
            for file, place in places.items():
                durable.hand_over(Path(place), Path(file))
            return replace(outcome, path=files[0]) if isinstance(outcome, MakeReport) else outcome
        except (DiskFault, DiskFull) as fault:
            return Failure("world", fault.sentence)
        finally:
            with contextlib.suppress(DiskFault):
                durable.remove_tree(folder)

    def _run(self, task: Task, limits: ChildLimits, folder: str) -> Report | Failure:
        step, report_kind = next(
            (name, report) for name, (kind, report) in STEPS.items() if isinstance(task, kind)
        )
        try:
            process = self._start(limits, folder)
        except OSError as error:
            return Failure("world", f"The system would not start a child process: {error}.")
        if process is None:
            return Failure("world", "Platemark is stopping; the picture waits for the next start.")
        try:
            deadline = time.monotonic() + limits.seconds
            talk = _converse(process, _message(step, task, limits, folder), deadline)
            _await_end(process, talk, deadline)
        finally:
            with self._lock:
                self._running.discard(process)
            code = _end(process)
        with self._lock:
            stopped = self._stopped and code < 0
        if stopped:
            return Failure("world", "Platemark is stopping; the picture waits for the next start.")
        return _outcome(talk, code, limits, report_kind)

    def kill_all(self) -> None:
        """End every child at once, and start no more."""
        with self._lock:
            self._stopped = True
            for process in self._running:
                _kill_group(process)

    def _start(self, limits: ChildLimits, folder: str) -> subprocess.Popen[bytes] | None:
        with self._lock:
            if self._stopped:
                return None
            process = subprocess.Popen(
                self._command,
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.PIPE,
                bufsize=0,
                cwd=folder or "/",
                env=_environment(limits, folder),
                start_new_session=True,
            )
            self._running.add(process)
            return process


def readable_files(task: Task) -> tuple[str, ...]:
    """Files that a task reads."""
    match task:
        case ProbeTask(path=path) | AdmitTask(path=path) | GamutTask(path=path):
            found = [path]
        case RenderTask() | MeasureTask():
            found = [task.original, *(path for _, path in task.profiles)]
        case CheckTask():
            found = [task.original, task.face, task.print_file]
            found += [path for _, path in task.profiles]
        case PreviewTask():
            found = [task.original, task.source_profile]
        case BesideTask():
            found = [task.original.original, task.original.source_profile]
            found += [panel.picture for panel in task.panels]
        case DrawTask():
            found = [task.print_file]
        case ThenNowTask():
            found = [task.then.path, task.now.path]
        case MakeTask():
            found = [task.profile]
        case StripTask():
            found = [task.profile]
        case TrendTask():
            found = []
        case PapersTask():
            found = [path for paper in task.papers for path in paper.pictures()]
    return tuple(path for path in found if path)


def written_files(task: Task) -> tuple[str, ...]:
    """Files that a task writes. The child writes them in a folder of its own.

    Only when it has ended well do they get their places, so that a child that was taken over can
    spoil nobody's files but its own.
    """
    match task:
        case RenderTask():
            return (task.face, task.print_file, task.drawing)
        case MeasureTask():
            return tuple(path for path in (task.proof, task.panel) if path)
        case PreviewTask() | GamutTask() | BesideTask() | TrendTask() | DrawTask() | ThenNowTask():
            return (task.drawing,)
        case MakeTask():
            return (task.path,)
        case PapersTask():
            return task.paths
        case _:
            return ()


def _placed(task: Task, places: dict[str, str]) -> Task:
    match task:
        case RenderTask():
            return replace(
                task,
                face=places[task.face],
                print_file=places[task.print_file],
                drawing=places[task.drawing],
            )
        case MeasureTask():
            return replace(task, proof=places.get(task.proof, ""), panel=places.get(task.panel, ""))
        case PreviewTask() | GamutTask() | BesideTask() | TrendTask() | DrawTask() | ThenNowTask():
            return replace(task, drawing=places[task.drawing])
        case MakeTask():
            return replace(task, path=places[task.path])
        case PapersTask():
            return replace(task, paths=tuple(places[path] for path in task.paths))
        case _:
            return task


def _environment(limits: ChildLimits, folder: str) -> dict[str, str]:
    """Only what a child needs; nothing of ours that could hold a secret.

    The allocator and the thread pools read theirs before any Python code runs.
    """
    return {
        "LANG": "C.UTF-8",
        "MALLOC_ARENA_MAX": "2",
        "OMP_NUM_THREADS": "1",
        "OPENBLAS_NUM_THREADS": "1",
        "TMPDIR": folder or "/nonexistent",
        "TZ": "UTC",
        "VIPS_CONCURRENCY": str(max(1, limits.threads)),
    }


def _message(step: str, task: Task, limits: ChildLimits, folder: str) -> bytes:
    return json.dumps(
        {
            "step": step,
            "task": to_plain(task),
            "limits": {
                "memory_mb": limits.memory_mb,
                "cpu_seconds": limits.seconds * max(1, limits.threads),
                "output_mb": limits.output_mb,
                "readable": readable_files(task),
                "writable_dirs": [folder] if folder else [],
                "parent_pid": os.getpid(),
            },
        }
    ).encode("ascii")


def _converse(process: subprocess.Popen[bytes], message: bytes, deadline: float) -> _Talk:
    """Feed a child and hear it out, until it closes its pipes, floods them or is late."""
    talk, left = _Talk(), memoryview(message)
    stdin, stdout, stderr = _pipes(process)
    with selectors.DefaultSelector() as selector:
        for pipe, events in ((stdin, selectors.EVENT_WRITE), (stdout, 1), (stderr, 1)):
            os.set_blocking(pipe.fileno(), False)
            selector.register(pipe, events)
        while selector.get_map():
            remaining = deadline - time.monotonic()
            ready = selector.select(remaining) if remaining > 0 else []
            if not ready:
                if time.monotonic() < deadline:
                    continue
                talk.late = True
                break
            for key, _ in ready:
                if key.fileobj is stdin:
                    left = _feed(stdin, left)
                    ended = not left
                elif key.fileobj is stdout:
                    ended = not _hear(stdout, talk.report, _REPORT_BYTES)
                else:
                    ended = not _hear(stderr, talk.trace, None)
                    del talk.trace[:-_TRACE_BYTES]
                if ended:
                    selector.unregister(key.fileobj)
                    if key.fileobj is stdin:
                        stdin.close()
            if len(talk.report) > _REPORT_BYTES:
                talk.flooded = True
                break
    if talk.late or talk.flooded:
        _kill_group(process)
    return talk


def _await_end(process: subprocess.Popen[bytes], talk: _Talk, deadline: float) -> None:
    """Wait until a child that has closed its pipes has ended; end it when it is late."""
    grace = max(deadline, time.monotonic() + 1)
    pause = 0.0005
    while not _has_ended(process):
        if time.monotonic() > grace:
            talk.late = True
            _kill_group(process)
            return
        time.sleep(pause)
        pause = min(2 * pause, 0.05)


def _has_ended(process: subprocess.Popen[bytes]) -> bool:
    """Whether a child has ended, without asking how: its number stays taken until it is asked."""
    if not hasattr(os, "waitid"):  # macOS before Python 3.13
        return process.poll() is not None
    flags = os.WEXITED | os.WNOHANG | os.WNOWAIT
    return os.waitid(os.P_PID, process.pid, flags) is not None


def _pipes(process: subprocess.Popen[bytes]) -> Iterator[IO[bytes]]:
    for pipe in (process.stdin, process.stdout, process.stderr):
        if pipe is not None:
            yield pipe


def _feed(pipe: IO[bytes], left: memoryview) -> memoryview:
    try:
        return left[os.write(pipe.fileno(), left[:_CHUNK]) :]
    except BlockingIOError:
        return left
    except BrokenPipeError:
        return memoryview(b"")  # it has ended early; its exit says why


def _hear(pipe: IO[bytes], into: bytearray, most: int | None) -> bool:
    try:
        data = os.read(pipe.fileno(), _CHUNK)
    except BlockingIOError:
        return True
    if most is None or len(into) <= most:
        into += data
    return bool(data)


def _kill_group(process: subprocess.Popen[bytes]) -> None:
    """End a child and all that it started; it leads a session of its own."""
    if process.returncode is None:
        with contextlib.suppress(ProcessLookupError, PermissionError):
            os.killpg(process.pid, signal.SIGKILL)


def _end(process: subprocess.Popen[bytes]) -> int:
    """End what is left of a child and of all that it started; gives its exit code.

    Also where the child itself has ended: what it left behind would go on writing. Its number
    cannot have been given to another as long as nobody has asked for the exit code.
    """
    _kill_group(process)
    code = process.wait()
    for pipe in _pipes(process):
        with contextlib.suppress(OSError):
            pipe.close()
    return code


def _outcome(
    talk: _Talk, code: int, limits: ChildLimits, report_kind: type[Report]
) -> Report | Failure:
    trace = talk.trace.decode("utf-8", "replace").strip()
    if talk.late or code == -signal.SIGXCPU:
        return Failure(
            "deadline",
            f"The work on this picture was not done within {limits.seconds} seconds, so it was "
            "ended. The original is safe.",
            trace,
        )
    if talk.flooded:
        return Failure("bug", "A child process sent far more than a report.", trace)
    if code == 0:
        try:
            answer = json.loads(talk.report)
            if "failure" in answer:
                return from_plain(Failure, answer["failure"])
            return from_plain(report_kind, answer["report"])
        except (ValueError, KeyError, TypeError, msgspec.ValidationError) as error:
            return Failure("bug", f"A child process sent a report that cannot be read: {error}.")
    return _death(trace, code, limits)


def _death(trace: str, code: int, limits: ChildLimits) -> Failure:
    if tells_of_threads(trace):
        return Failure("world", THREAD_SENTENCE, trace)
    if tells_of_memory(trace):
        return Failure("memory", memory_sentence(limits.memory_mb), trace)
    if code < 0:
        try:
            name = signal.Signals(-code).name
        except ValueError:
            name = f"signal {-code}"
        return Failure(
            "killed",
            f"The process that worked on this picture broke down ({name}). The original is safe.",
            trace,
        )
    return Failure("bug", f"A child process ended with code {code} and no report.", trace)
