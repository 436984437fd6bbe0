"""What the system was really asked to make lasting, read from a trace of its calls.

The trace is made by `strace -f -y`, which writes the path of every descriptor beside it.
"""

import re
import subprocess
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

CALLS = (
    "openat,write,pwrite64,writev,ftruncate,copy_file_range,ioctl,fsync,fdatasync,rename,renameat,"
    "renameat2,link,linkat,unlink,unlinkat,mkdir,mkdirat"
)
PUBLIC = ("archive", "outgoing", "held", "at-the-lab")
"""Folders of a studio in which whatever has a name counts."""
JOURNAL = "ledger.sqlite3-journal"
_LINE = re.compile(r"(\d+)\s+(.*)")
_CALL = re.compile(r"(\w+)\((.*)\)\s+= (-?\d+)(.*)", re.DOTALL)
_DESCRIPTOR = re.compile(r"(?:AT_FDCWD|\d+)<([^>]*)>")
_AT = re.compile(r'(?:(?:AT_FDCWD|\d+)<([^>]*)>, )?"([^"]*)"')


@dataclass(frozen=True)
class Event:
    """One call that succeeded."""

    thread: int
    kind: str
    """`write`, `sync`, `new`, `rename` or `remove`."""
    path: Path
    to: Path | None = None


def trace(command: Sequence[str], file: Path, *more: str) -> "subprocess.CompletedProcess[str]":
    """Run a command and have its calls, and its children's, written to a file."""
    return subprocess.run(
        ["strace", "-f", "-y", "-s", "0", "--seccomp-bpf", "-o", str(file), "-e", f"trace={CALLS}",
         *more, *command],
        capture_output=True, text=True, check=False,
    )  # fmt: skip


def events(file: Path) -> list[Event]:
    """The events of a trace, in the order in which the calls came back."""
    return [event for thread, call in _calls(file) for event in _event(thread, call)]


def _calls(file: Path) -> Iterator[tuple[int, str]]:
    """Every call, whole: one during which another thread went on is in two lines."""
    begun: dict[int, str] = {}
    for line in file.read_text(errors="replace").splitlines():
        found = _LINE.match(line)
        if found is None:
            continue
        thread, text = int(found[1]), found[2]
        if text.endswith("<unfinished ...>"):
            begun[thread] = text.removesuffix("<unfinished ...>")
        elif text.startswith("<... "):
            yield thread, begun.pop(thread, "") + text.partition(" resumed>")[2]
        else:
            yield thread, text


def _event(thread: int, call: str) -> Iterator[Event]:
    found = _CALL.match(call)
    if found is None or found[3].startswith("-"):
        return
    name, given = found[1], found[2]
    if name in ("fsync", "fdatasync"):
        yield Event(thread, "sync", _opened(given))
    elif name == "copy_file_range" or (name == "ioctl" and "FICLONE" in given):
        yield Event(thread, "write", _opened(given, -1 if name == "copy_file_range" else 0))
    elif name in ("write", "pwrite64", "writev", "ftruncate"):
        if _DESCRIPTOR.match(given):
            yield Event(thread, "write", _opened(given))
    elif name in ("mkdir", "mkdirat") or (name == "openat" and _makes(given)):
        yield Event(thread, "new", _named(given)[0])
    elif name in ("unlink", "unlinkat"):
        yield Event(thread, "remove", _named(given)[0])
    elif name.startswith(("rename", "link")):
        yield Event(thread, "rename", *_named(given))


def _makes(given: str) -> bool:
    return "O_CREAT" in given and ("O_EXCL" in given or JOURNAL in given)


def _opened(given: str, which: int = 0) -> Path:
    return Path(_DESCRIPTOR.findall(given)[which])


def _named(given: str) -> list[Path]:
    return [Path(folder or "/") / name for folder, name in _AT.findall(given)]


@dataclass
class Order:
    """Follows the events of one studio and notes what was made visible or recorded too early."""

    root: Path
    faults: list[str] = field(default_factory=list)
    published: list[Path] = field(default_factory=list)
    commits: int = 0
    _unsynced: set[Path] = field(default_factory=set)
    """Files with bytes that were not synced."""
    _nameless: set[Path] = field(default_factory=set)
    """Files and folders whose names were not synced."""
    _due: dict[int, list[Path]] = field(default_factory=dict)
    """By thread, folders that it must sync before it does anything else."""
    _written: dict[Path, int] = field(default_factory=dict)
    """How many commits there were when a file was written to last."""

    def follow(self, event: Event) -> None:
        """Know of one more event."""
        paths = (event.path, event.to or event.path)
        if not all(path.is_relative_to(self.root) for path in paths):
            return
        due = self._due.get(event.thread, [])
        if due and not (event.kind == "sync" and event.path in due):
            self.faults.append(f"{due[0]} was not synced before {event.kind} {event.path}")
            self._due[event.thread] = []
        match event.kind:
            case "write":
                self._write_record(event)
                self._unsynced.add(event.path)
                self._written[event.path] = self.commits
            case "new":
                self._nameless.add(event.path)
            case "sync":
                self._sync(event)
            case "remove":
                self._unsynced.discard(event.path)
                self._nameless.discard(event.path)
                if event.path.name == JOURNAL:
                    self._commit(event)
            case "rename":
                self._rename(event)

    def end(self) -> None:
        """Nothing comes any more."""
        for due in self._due.values():
            self.faults += [f"{folder} was never synced" for folder in due]

    def _sync(self, event: Event) -> None:
        self._unsynced.discard(event.path)
        self._nameless = {path for path in self._nameless if path.parent != event.path}
        due = self._due.get(event.thread, [])
        self._due[event.thread] = [path for path in due if path != event.path]

    def _write_record(self, event: Event) -> None:
        """Before the record is changed, what would bring back the old one must be lasting."""
        journal = self.root / JOURNAL
        if event.path.name == "ledger.sqlite3" and journal in self._unsynced | self._nameless:
            self.faults.append(f"the record was changed before {JOURNAL} was synced")

    def _commit(self, event: Event) -> None:
        self.commits += 1
        if self.root / "ledger.sqlite3" in self._unsynced:
            self.faults.append(f"commit {self.commits} before the record was synced")
        self._due[event.thread] = [event.path.parent]

    def _rename(self, event: Event) -> None:
        assert event.to is not None
        source, target = event.path, event.to
        if target.relative_to(self.root).parts[0] in PUBLIC and not target.name.startswith("."):
            self._publish(event, source, target)
        for known in (self._unsynced, self._nameless):
            moved = {path for path in known if path == source or source in path.parents}
            known -= moved
            known |= {target / path.relative_to(source) for path in moved}

    def _publish(self, event: Event, source: Path, target: Path) -> None:
        self.published.append(target)
        for what, known in (("bytes", self._unsynced), ("name", self._nameless)):
            for path in known:
                if source in path.parents or (what == "bytes" and path == source):
                    self.faults.append(f"{target} became visible before the {what} of {path}")
        for folder in target.parents:
            if folder in self._nameless:
                self.faults.append(f"{target} became visible before the name of {folder}")
        if target.relative_to(self.root).parts[0] in ("outgoing", "at-the-lab"):
            last = max(n for path, n in self._written.items() if source in path.parents)
            if last == self.commits:
                self.faults.append(f"{target} became visible before it was recorded")
        self._due[event.thread] = list(dict.fromkeys((target.parent, source.parent)))


def order_of(root: Path, traced: Sequence[Event]) -> Order:
    """Follow a whole trace."""
    order = Order(root)
    for event in traced:
        order.follow(event)
    order.end()
    return order
