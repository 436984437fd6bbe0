"""A child process whose decoder was taken over: it does its step, then tries all that it must not.

Started in the worker's place, with what there is to attack as JSON in its argument. Everything up
to the end of the real step is the worker's own; then each attempt is made in turn and what came of
each is sent back as the sentence of a failure. `without` names layers of the confinement that are
left out, for the control: `rules` (Landlock), `filter` (seccomp) and `powers` (capabilities).
"""

import ctypes
import errno
import json
import os
import resource
import signal
import socket
import struct
import sys
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

from platemark.imaging import sandbox, worker
from platemark.imaging.call_filter import _NEW_ALLOWED, REFUSED
from platemark.imaging.steps import PictureFault

TARGETS: dict[str, Any] = json.loads(sys.argv[1])
SAYS_NO = {errno.EPERM, errno.EACCES, errno.ENOSYS, errno.EXDEV}
LIBC = ctypes.CDLL(None, use_errno=True)
ON_X86 = os.uname().machine == "x86_64"
_NEW_USER, _NEW_MOUNTS = 0x10000000, 0x00020000
Attempt = Callable[[], object]


def call(name: str, *arguments: Any) -> int:
    """A system call by its name; OSError where it is refused or fails."""
    number = REFUSED[name][0 if ON_X86 else 1]
    return numbered(number, *arguments)


def numbered(number: int, *arguments: Any) -> int:
    given = [ctypes.c_long(a) if isinstance(a, int) else a for a in arguments]
    came = int(LIBC.syscall(ctypes.c_long(number), *given))
    if came < 0:
        raise OSError(ctypes.get_errno(), f"call {number}")
    return came


def forked() -> None:
    pid = os.fork()
    if pid == 0:
        os._exit(0)
    os.waitpid(pid, 0)


def cloned() -> None:
    """`clone3` by hand, which a filter cannot look into."""
    arguments = struct.pack("=11Q", 0, 0, 0, 0, signal.SIGCHLD, 0, 0, 0, 0, 0, 0)
    pid = numbered(435, arguments, len(arguments))
    if pid == 0:
        os._exit(0)
    os.waitpid(pid, 0)


def executed() -> None:
    """Make another program of a thread's own process; in the control a fork stands for it."""
    try:
        pid = os.fork()
    except OSError:
        os.execv("/bin/true", ["true"])
    if pid == 0:
        try:
            os.execv("/bin/true", ["true"])
        except OSError:
            os._exit(9)
    if os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1]) == 9:
        raise PermissionError(errno.EACCES, "exec")


def connected(family: int, kind: int, address: Any) -> None:
    with socket.socket(family, kind) as tried:
        tried.connect(address)
        tried.send(b"x")


def listened() -> None:
    with socket.socket() as tried:
        tried.bind(("127.0.0.1", 0))
        tried.listen()


def opened(path: str, flags: int = os.O_RDONLY) -> None:
    handle = os.open(path, flags, 0o600)
    try:
        if flags == os.O_RDONLY and not Path(path).is_dir():
            os.read(handle, 1)
    finally:
        os.close(handle)


def read_memory(pid: int) -> None:
    """Read a byte of another process, at an address that is none: only the right is asked for."""
    local = ctypes.create_string_buffer(1)
    mine = struct.pack("@PN", ctypes.addressof(local), 1)
    theirs = struct.pack("@PN", 4096, 1)
    try:
        call("process_vm_readv", pid, mine, 1, theirs, 1, 0)
    except OSError as error:
        if error.errno != errno.EFAULT:
            raise


def attached(pid: int) -> None:
    call("ptrace", 16, pid, 0, 0)
    call("ptrace", 17, pid, 0, 0)


def signals_by_pipe(pid: int) -> None:
    """Have the kernel signal another process when a pipe is ready."""
    import fcntl

    reads, writes = os.pipe()
    try:
        fcntl.fcntl(reads, fcntl.F_SETOWN, pid)
    finally:
        os.close(reads)
        os.close(writes)


def raised_limit() -> None:
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard + 1))


def lives_on() -> None:
    """Undo the order to die with the parent."""
    if LIBC.prctl(1, ctypes.c_ulong(0), 0, 0, 0) != 0:
        raise OSError(ctypes.get_errno(), "prctl")


def mounted(folder: str) -> None:
    call("mount", b"none", folder.encode(), b"tmpfs", 0, 0)
    call("umount2", folder.encode(), 0)


def in_new_namespaces(flags: int) -> None:
    """In a thread of its own where that is allowed, so that the others stay where they are."""
    call("unshare", flags)


def device_made(folder: str) -> None:
    """A node of the first disk's numbers."""
    path = f"{folder}/disk"
    os.mknod(path, 0o060600, os.makedev(8, 0))
    Path(path).unlink()


def made_in(folder: str, make: Callable[[str], object]) -> None:
    path = f"{folder}/made"
    make(path)
    made = Path(path)
    (made.rmdir if made.is_dir() and not made.is_symlink() else made.unlink)()


def handle_of(path: str) -> None:
    """A file by its number, past every name."""
    handle = struct.pack("=Ii128s", 128, 0, b"")
    mount = ctypes.create_string_buffer(8)
    call("name_to_handle_at", -100, path.encode(), ctypes.c_char_p(handle), mount, 0)


def on_files() -> dict[str, Attempt]:
    """What is none of its own on the disk, and what must stay as it is."""
    t = TARGETS
    source, parent, sibling = t["source"], os.getppid(), t["sibling"]
    found: dict[str, Attempt] = {}
    for name in ("other-original", "passwd", "ledger", "settings", "neighbour"):
        found[f"read {name}"] = lambda path=t[name]: opened(path)
    return found | {
        "list neighbours": lambda: os.listdir(Path(t["neighbour"]).parent),
        "read passwd through /proc": lambda: opened("/proc/self/root/etc/passwd"),
        "read passwd through the parent": lambda: opened(f"/proc/{parent}/root/etc/passwd"),
        "read parent's environment": lambda: opened(f"/proc/{parent}/environ"),
        "read parent's memory": lambda: opened(f"/proc/{parent}/mem", os.O_RDWR),
        "read sibling's environment": lambda: opened(f"/proc/{sibling}/environ"),
        "write source": lambda: opened(source, os.O_WRONLY),
        "truncate source": lambda: os.truncate(source, Path(source).stat().st_size),
        "rename source": lambda: Path(source).rename(source + "x").rename(source),
        "unlink source": lambda: Path(t["spare"]).unlink(),
        "chmod source": lambda: Path(source).chmod(0o644),
        "chown source": lambda: os.chown(source, os.getuid(), os.getgid()),
        "date source": lambda: os.utime(source, (1, 1)),
        "mark source": lambda: os.setxattr(source, "user.platemark-test", b"x"),
        "link source": lambda: made_in(t["outside"], lambda path: os.link(source, path)),
        "make a file outside": lambda: made_in(
            t["outside"], lambda path: opened(path, os.O_WRONLY | os.O_CREAT)
        ),
        "make a link": lambda: made_in(t["outside"], lambda path: Path(path).symlink_to("/etc")),
        "make a pipe": lambda: made_in(t["outside"], os.mkfifo),
        "make a folder": lambda: made_in(t["outside"], os.mkdir),
        "make shared memory": lambda: made_in(
            "/dev/shm", lambda path: opened(path, os.O_WRONLY | os.O_CREAT)
        ),
        "open a device": lambda: opened("/dev/zero"),
        "make a device": lambda: device_made(t["outside"]),
        "handle of a file": lambda: handle_of(source),
        "watch a folder": lambda: os.close(call("inotify_init1", 0)),
    }


def on_the_network() -> dict[str, Attempt]:
    """Every way to talk to somebody."""
    t = TARGETS
    return {
        "tcp": lambda: connected(socket.AF_INET, socket.SOCK_STREAM, ("127.0.0.1", t["port"])),
        "udp": lambda: connected(socket.AF_INET, socket.SOCK_DGRAM, ("127.0.0.1", t["port"])),
        "unix": lambda: connected(socket.AF_UNIX, socket.SOCK_STREAM, t["unix"]),
        "abstract": lambda: connected(socket.AF_UNIX, socket.SOCK_STREAM, "\0" + t["abstract"]),
        "netlink": lambda: socket.socket(socket.AF_NETLINK, socket.SOCK_RAW).close(),
        "pair of sockets": lambda: [each.close() for each in socket.socketpair()],
        "listen": listened,
    }


def on_processes() -> dict[str, Attempt]:
    """Making one, looking into one, ending one, slowing one down."""
    parent, sibling = os.getppid(), TARGETS["sibling"]
    return {
        "fork": forked,
        "clone3": cloned,
        "exec": executed,
        "ptrace": lambda: attached(sibling),
        "read sibling's memory": lambda: read_memory(sibling),
        "open sibling": lambda: os.close(numbered(434, sibling, 0)),
        "signal parent": lambda: os.kill(parent, 0),
        "signal sibling": lambda: os.kill(sibling, signal.SIGUSR1),
        "signal sibling's thread": lambda: numbered(
            234 if ON_X86 else 131, sibling, sibling, signal.SIGUSR1
        ),
        "signal by a pipe": lambda: signals_by_pipe(sibling),
        "slow sibling down": lambda: os.setpriority(os.PRIO_PROCESS, sibling, 5),
        "bind sibling to a processor": lambda: os.sched_setaffinity(sibling, {0}),
    }


def on_the_system() -> dict[str, Attempt]:
    """Its own limits, the machine, and parts of the kernel that have been attacked often."""
    parent = os.getppid()
    return {
        "raise a limit": raised_limit,
        "limit parent": lambda: resource.prlimit(
            parent, resource.RLIMIT_NOFILE, resource.prlimit(parent, resource.RLIMIT_NOFILE)
        ),
        "live on": lives_on,
        "mount": lambda: mounted(TARGETS["outside"]),
        "change root": lambda: os.chroot("/"),
        "new user namespace": lambda: in_new_namespaces(_NEW_USER),
        "new mount namespace": lambda: in_new_namespaces(_NEW_MOUNTS),
        "keyring": lambda: call("keyctl", 0, -3, 0),
        "bpf": lambda: os.close(
            call("bpf", 0, struct.pack("=IIIII", 2, 4, 8, 1, 0) + bytes(100), 120)
        ),
        "io_uring": lambda: os.close(numbered(425, 1, bytes(120))),
        "userfaultfd": lambda: os.close(call("userfaultfd", 1)),
        "performance events": lambda: os.close(
            call("perf_event_open", struct.pack("=IIQ", 1, 112, 0) + bytes(96), 0, -1, -1, 0)
        ),
        "memory without limit": lambda: os.close(call("memfd_create", b"x", 0)),
        "memory that stays": lambda: call("shmctl", call("shmget", 0, 4096, 0o600), 0, 0),
    }


def came_of(attempt: Attempt) -> str:
    """`refused`, `went through`, or the error that had another reason."""
    try:
        attempt()
    except OSError as error:
        return "refused" if error.errno in SAYS_NO else errno.errorcode[error.errno or 0]
    except ValueError as error:  # how the standard library tells of a limit
        return "refused" if "not allowed" in str(error) else str(error)
    return "went through"


def refused_calls() -> dict[str, str]:
    """Of every call that the filter names, the error that nonsense arguments bring."""
    found = {}
    for name, numbers in REFUSED.items():
        number = numbers[0 if ON_X86 else 1]
        if number >= 0 and name not in ("fork", "vfork"):
            found[name] = error_of(number)
    for number in set(range(424, 480)) - set(_NEW_ALLOWED.values()):
        found[str(number)] = error_of(number)
    return found


def error_of(number: int) -> str:
    try:
        numbered(number, -1, -1, -1, -1, -1, -1)
    except OSError as error:
        return errno.errorcode[error.errno or 0]
    return "went through"


def what_it_has() -> dict[str, Any]:
    """What came with the process, and what the kernel says of it."""
    status = dict(
        line.split(":\t", 1) for line in Path("/proc/self/status").read_text().splitlines()
    )
    handles = {}
    for handle in os.listdir("/proc/self/fd"):
        try:
            handles[handle] = str(Path(f"/proc/self/fd/{handle}").readlink())
        except OSError:
            continue
    return {
        "environment": dict(os.environ),
        "handles": handles,
        "threads": threading.active_count(),
        **{key: status[key] for key in ("NoNewPrivs", "Seccomp", "CapEff", "CapPrm")},
        "umask": status["Umask"],
        "session": os.getsid(0) == os.getpid(),
        "limits": {
            name: resource.getrlimit(getattr(resource, name))
            for name in ("RLIMIT_AS", "RLIMIT_CPU", "RLIMIT_FSIZE", "RLIMIT_NOFILE", "RLIMIT_CORE")
        },
    }


def taken_over(step: str, data: Any) -> Any:
    """Do the real step, then try everything."""
    done = real(step, data)
    has = what_it_has()
    every = on_files() | on_the_network() | on_processes() | on_the_system()
    tried = {name: came_of(attempt) for name, attempt in every.items()}
    calls = refused_calls() if "filter" not in TARGETS["without"] else {}
    raise PictureFault(
        json.dumps({"did": type(done).__name__, "has": has, "tried": tried, "calls": calls})
    )


real = worker._dispatch
worker._dispatch = taken_over
for layer in TARGETS["without"]:
    name = {"rules": "_landlock", "filter": "_refuse_calls", "powers": "_give_up_powers"}[layer]
    setattr(sandbox, name, lambda *_: None)
worker.main()
