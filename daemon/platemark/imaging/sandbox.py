"""What a child process may do: set up before anything that could be attacked is loaded.

Only the standard library is used here, because every third-party module that is imported first
would run unconfined, and one of them may start a second thread: the file system rules bind the
calling thread and what it starts later, never a thread that is there already.

A step that a system does not have is left out; `confinement` names those that it has.
"""

from __future__ import annotations

import ctypes
import errno
import os
import re
import resource
import signal
import struct
import sys
from collections.abc import Iterable, Sequence
from pathlib import Path

from platemark.imaging.call_filter import call_filter, knows_processor

_MIB = 1 << 20
_OPEN_FILES = 256
# A thread's stack is 8 MiB on Linux, and what was asked for last may have been larger.
_NEAR_THE_LIMIT = 32 * _MIB
_CPU_GRACE_S = 5

# prctl(2), <linux/prctl.h>
_PR_SET_PDEATHSIG = 1
_PR_SET_NO_NEW_PRIVS = 38

# Landlock, <linux/landlock.h>; the numbers of its three calls are the same on every machine.
_CREATE_RULESET, _ADD_RULE, _RESTRICT_SELF = 444, 445, 446
_CREATE_RULESET_VERSION = 1
_RULE_PATH_BENEATH = 1
_EXECUTE, _WRITE_FILE, _READ_FILE, _READ_DIR = (1 << n for n in range(4))
_REMOVE_FILE, _MAKE_REG = 1 << 5, 1 << 8
_TRUNCATE = 1 << 14
_ALL_OF_ABI = {1: (1 << 13) - 1, 2: (1 << 14) - 1, 3: (1 << 15) - 1, 5: (1 << 16) - 1}
"""Every file access that an ABI knows, from the ABI on where it grew."""
_TCP_BIND_AND_CONNECT = 0b11
_ABSTRACT_SOCKETS_AND_SIGNALS = 0b11
_FILE_ACCESS = _EXECUTE | _WRITE_FILE | _READ_FILE | _TRUNCATE
"""What the kernel allows in a rule for a single file rather than a folder."""

_PR_SET_SECCOMP, _SECCOMP_MODE_FILTER = 22, 2

# capget(2), <linux/capability.h>
_CAPABILITY_VERSION = 0x20080522
_READ_ANY_FILE = 1 << 2

_SYSTEM_PATHS = (
    "/usr",
    "/lib",
    "/lib64",
    "/etc/ld.so.cache",
    "/proc/self",
    "/proc/cpuinfo",
    "/proc/meminfo",
    "/sys/devices/system/cpu",
    "/dev/urandom",
)


class Orphaned(RuntimeError):
    """The process that asked for the work is gone."""


def confine(
    *,
    memory_mb: int,
    cpu_seconds: int,
    output_mb: int,
    readable: Sequence[str],
    writable_dirs: Sequence[str],
    parent_pid: int,
) -> None:
    """Confine this process and every thread that it starts from here on; it cannot be undone.

    Args:
        memory_mb: Address space, MiB.
        cpu_seconds: Processor time over all threads.
        output_mb: Size of the largest single file it may write, MiB.
        readable: Files, or folders with all in them, that the task reads.
        writable_dirs: Folders in which it may make, write and remove files.
        parent_pid: Process that waits for it.

    Raises:
        Orphaned: the parent has ended already.
        OSError: a limit that this system has was refused.
        RuntimeError: another thread runs already.
    """
    _die_with(parent_pid)
    if os.getpid() != os.getsid(0):
        os.setsid()
    os.umask(0o077)
    _limit(memory_mb, cpu_seconds, output_mb)
    if sys.platform == "linux":
        _be_alone()
        _prctl(_PR_SET_NO_NEW_PRIVS, 1)
        _give_up_powers()
        if landlock_abi() > 0:
            _landlock(readable, writable_dirs)
        if knows_call_filters():
            _refuse_calls()


def confinement() -> tuple[str, ...]:
    """Name the confinements that this system offers, for a person."""
    found = ["limits on memory, processor time and output"]
    if sys.platform == "linux":
        found += ["death with the parent", "no new privileges"]
        abi = landlock_abi()
        if abi >= 1:
            found.append("reads and writes only what its task names")
        if abi >= 4:
            found.append("no TCP connections")
        if abi >= 6:
            found.append("no signals to other processes")
        if knows_call_filters():
            found += ["no other processes", "no network", "no other part of the system"]
    return tuple(found)


def landlock_abi() -> int:
    """Return the version of Landlock that the kernel has, 0 where it has none."""
    if sys.platform != "linux":
        return 0
    libc = ctypes.CDLL(None, use_errno=True)
    version = int(libc.syscall(_CREATE_RULESET, None, ctypes.c_size_t(0), _CREATE_RULESET_VERSION))
    return max(version, 0)


def knows_call_filters() -> bool:
    """Whether the kernel takes a filter of system calls for this kind of processor."""
    if not knows_processor():
        return False
    libc = ctypes.CDLL(None, use_errno=True)
    nothing = [ctypes.c_ulong(number) for number in (_SECCOMP_MODE_FILTER, 0, 0, 0)]
    # No filter at all is a bad address to a kernel that knows them, and an unknown wish to others.
    return libc.prctl(_PR_SET_SECCOMP, *nothing) != 0 and ctypes.get_errno() == errno.EFAULT


def memory_is_spent() -> bool:
    """Whether this process has at some time come near the limit on its memory.

    The system refuses a thread in the same words whether there are too many of them or no memory is
    left for its stack; only this tells them apart. False where the system does not say.
    """
    limit, _ = resource.getrlimit(resource.RLIMIT_AS)
    if limit == resource.RLIM_INFINITY:
        return False
    try:
        told = Path("/proc/self/status").read_text("ascii")
    except OSError:
        return False
    peak = re.search(r"^VmPeak:\s*(\d+) kB$", told, re.MULTILINE)
    return peak is not None and limit - int(peak[1]) * 1024 < _NEAR_THE_LIMIT


def _die_with(parent_pid: int) -> None:
    if sys.platform == "linux":
        _prctl(_PR_SET_PDEATHSIG, signal.SIGKILL)
    # The parent may have ended before the line above, and then nobody would send the signal.
    if os.getppid() != parent_pid:
        raise Orphaned(f"process {parent_pid}, which asked for the work, is gone")


def _limit(memory_mb: int, cpu_seconds: int, output_mb: int) -> None:
    wanted = {
        "RLIMIT_AS": (memory_mb * _MIB, memory_mb * _MIB),
        # The soft limit ends the process with SIGXCPU, which says why; the hard one with SIGKILL.
        "RLIMIT_CPU": (cpu_seconds, cpu_seconds + _CPU_GRACE_S),
        "RLIMIT_FSIZE": (output_mb * _MIB, output_mb * _MIB),
        "RLIMIT_NOFILE": (_OPEN_FILES, _OPEN_FILES),
        "RLIMIT_CORE": (0, 0),
    }
    for name, (soft, hard) in wanted.items():
        number = getattr(resource, name, None)
        if number is None:
            continue
        allowed = resource.getrlimit(number)[1]
        if allowed != resource.RLIM_INFINITY:
            soft, hard = min(soft, allowed), min(hard, allowed)
        try:
            resource.setrlimit(number, (soft, hard))
        except (ValueError, OSError):
            if sys.platform == "linux":
                raise  # macOS refuses a limit on address space; Linux has no reason to


def _prctl(option: int, value: int, second: int = 0) -> None:
    libc = ctypes.CDLL(None, use_errno=True)
    unsigned = [ctypes.c_ulong(number) for number in (value, second, 0, 0)]
    if libc.prctl(option, *unsigned) != 0:
        raise _last_error("prctl")


def _landlock(readable: Sequence[str], writable_dirs: Sequence[str]) -> None:
    abi = landlock_abi()
    handled = _ALL_OF_ABI[max(known for known in _ALL_OF_ABI if known <= abi)]
    attributes = [handled]
    if abi >= 4:
        attributes.append(_TCP_BIND_AND_CONNECT)
    if abi >= 6:
        attributes.append(_ABSTRACT_SOCKETS_AND_SIGNALS)
    rules = struct.pack(f"={len(attributes)}Q", *attributes)
    libc = ctypes.CDLL(None, use_errno=True)
    ruleset = libc.syscall(_CREATE_RULESET, rules, ctypes.c_size_t(len(rules)), 0)
    if ruleset < 0:
        raise _last_error("landlock_create_ruleset")
    try:
        # No rule grants execution, so no program can be started; libraries are mapped, not
        # executed in that sense.
        read = _READ_FILE | _READ_DIR
        write = read | _WRITE_FILE | _REMOVE_FILE | _MAKE_REG | _TRUNCATE
        for path in (*_code_paths(), *_SYSTEM_PATHS, *readable):
            _allow(libc, ruleset, path, read & handled)
        for path in writable_dirs:
            _allow(libc, ruleset, path, write & handled)
        _allow(libc, ruleset, "/dev/null", (_READ_FILE | _WRITE_FILE) & handled)
        if libc.syscall(_RESTRICT_SELF, ruleset, 0) != 0:
            raise _last_error("landlock_restrict_self")
    finally:
        os.close(ruleset)


def _give_up_powers() -> None:
    """Keep nothing of what root may, but to read the files that the rules allow.

    A studio may be served by another user than the one whose files are in it.
    """
    libc = ctypes.CDLL(None, use_errno=True)
    header = struct.pack("=Ii", _CAPABILITY_VERSION, 0)
    held = ctypes.create_string_buffer(24)
    if libc.capget(header, held) != 0:
        raise _last_error("capget")
    effective, permitted, *_ = struct.unpack("=6I", held.raw)
    kept = struct.pack("=6I", effective & _READ_ANY_FILE, permitted & _READ_ANY_FILE, 0, 0, 0, 0)
    if libc.capset(header, kept) != 0:
        raise _last_error("capset")


def _refuse_calls() -> None:
    """Let this process start threads but no process, open no socket, and touch no other process.

    A second process could leave the group that is ended with this one, and go on writing.
    """
    packed = call_filter(os.getpid())
    instructions = ctypes.create_string_buffer(packed, len(packed))
    header = ctypes.create_string_buffer(
        struct.pack("@HP", len(packed) // 8, ctypes.addressof(instructions))
    )
    _prctl(_PR_SET_SECCOMP, _SECCOMP_MODE_FILTER, ctypes.addressof(header))


def _be_alone() -> None:
    """See that there is one thread; another would go on unconfined.

    Raises:
        RuntimeError: there are more.
    """
    try:
        threads = len(os.listdir("/proc/self/task"))
    except OSError:
        return
    if threads != 1:
        raise RuntimeError(f"{threads} threads run already, and only this one can be confined")


def _allow(libc: ctypes.CDLL, ruleset: int, path: str, access: int) -> None:
    try:
        handle = os.open(path, os.O_PATH | os.O_CLOEXEC)
    except OSError:
        return  # what is not there needs no leave, and reading it will say so
    try:
        if not Path(path).is_dir():
            access &= _FILE_ACCESS
        rule = struct.pack("=Qi", access, handle)
        if libc.syscall(_ADD_RULE, ruleset, _RULE_PATH_BENEATH, rule, 0) != 0:
            raise _last_error(f"landlock_add_rule for {path}")
    finally:
        os.close(handle)


def _code_paths() -> Iterable[str]:
    """Folders that Python and this package are imported from."""
    package = Path(__file__).resolve().parent.parent
    # A development install puts the folder of the sources on the path; only the package in it
    # is code of ours.
    sources = str(package.parent)
    roots = (sys.prefix, sys.base_prefix, sys.exec_prefix, sys.base_exec_prefix, *sys.path)
    named = {path for path in roots if path and path not in ("/", sources)}
    return sorted({*named, str(package)})


def _last_error(call: str) -> OSError:
    number = ctypes.get_errno()
    return OSError(number, f"{call}: {os.strerror(number)}")
