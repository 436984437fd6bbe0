"""Which system calls a child process may make: a filter that the kernel keeps (seccomp).

Old calls are allowed unless they are named here, as the libraries use many; those that the kernel
got since 2019 are refused unless they are named, for each is new ground to attack, and libraries
that know them do without where they are missing.

A refused call is a plain error and ends nothing. The numbers are those of the kernel's headers
(`asm/unistd_64.h` for x86-64, `asm-generic/unistd.h` for 64-bit ARM); from 424 on they are the same
on both.
"""

from __future__ import annotations

import errno
import platform
import struct
import sys
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

# <linux/filter.h>, <linux/seccomp.h>
_LOAD, _AND, _RETURN = 0x20, 0x54, 0x06
_JUMP_IF_EQUAL, _JUMP_IF_AT_LEAST = 0x15, 0x35
_ALLOW, _REFUSE = 0x7FFF0000, 0x00050000
# struct seccomp_data: number of the call, kind of processor, place in the code, six arguments.
_NUMBER_AT, _PROCESSOR_AT, _ARGUMENTS_AT = 0, 4, 16

_X32_BEGINS = 0x40000000
"""Calls of the x32 ABI; no other ABI has as many."""
_NEW_BEGIN = 424
_CLONE_THREAD = 0x00010000
_LOW_WORD = 0xFFFFFFFF

_AUDIT: Final = {"x86_64": 0xC000003E, "aarch64": 0xC00000B7}
"""How the kernel calls a kind of processor (<linux/audit.h>)."""

_CLONE3 = 435
_NEW_ALLOWED: Final = {
    "close_range": 436,
    "openat2": 437,
    "faccessat2": 439,
    "epoll_pwait2": 441,
    "futex_waitv": 449,
    "map_shadow_stack": 453,
    "futex_wake": 454,
    "futex_wait": 455,
    "futex_requeue": 456,
    "mseal": 462,
}

_NONE = -1
REFUSED: Final[dict[str, tuple[int, int]]] = {
    # Other processes: starting one, taking one over, ending one, slowing one down.
    "fork": (57, _NONE), "vfork": (58, _NONE), "execve": (59, 221), "execveat": (322, 281),
    "ptrace": (101, 117), "process_vm_readv": (310, 270), "process_vm_writev": (311, 271),
    "kill": (62, 129), "tkill": (200, 130), "rt_sigqueueinfo": (129, 138),
    "rt_tgsigqueueinfo": (297, 240), "kcmp": (312, 272), "setpriority": (141, 140),
    "ioprio_set": (251, 30), "move_pages": (279, 239), "migrate_pages": (256, 238),
    # The network, and every other way to talk to somebody.
    "socket": (41, 198), "socketpair": (53, 199), "connect": (42, 203), "bind": (49, 200),
    "listen": (50, 201), "accept": (43, 202), "accept4": (288, 242), "sendto": (44, 206),
    "sendmsg": (46, 211), "sendmmsg": (307, 269), "shmget": (29, 194), "shmat": (30, 196),
    "shmctl": (31, 195), "semget": (64, 190), "semop": (65, 193), "semctl": (66, 191),
    "semtimedop": (220, 192), "msgget": (68, 186), "msgsnd": (69, 189), "msgrcv": (70, 188),
    "msgctl": (71, 187), "mq_open": (240, 180), "mq_unlink": (241, 181),
    # Files by other means than those that the rules for the file system govern.
    "chmod": (90, _NONE), "fchmod": (91, 52), "fchmodat": (268, 53), "chown": (92, _NONE),
    "fchown": (93, 55), "lchown": (94, _NONE), "fchownat": (260, 54), "utime": (132, _NONE),
    "utimes": (235, _NONE), "futimesat": (261, _NONE), "utimensat": (280, 88),
    "setxattr": (188, 5), "lsetxattr": (189, 6), "fsetxattr": (190, 7), "removexattr": (197, 14),
    "lremovexattr": (198, 15), "fremovexattr": (199, 16), "truncate": (76, 45),
    "link": (86, _NONE), "linkat": (265, 37), "symlink": (88, _NONE), "symlinkat": (266, 36),
    "mknod": (133, _NONE), "mknodat": (259, 33), "name_to_handle_at": (303, 264),
    "open_by_handle_at": (304, 265), "inotify_init": (253, _NONE), "inotify_init1": (294, 26),
    "inotify_add_watch": (254, 27), "fanotify_init": (300, 262), "fanotify_mark": (301, 263),
    # Memory that no limit counts.
    "memfd_create": (319, 279), "vmsplice": (278, 75), "splice": (275, 76), "tee": (276, 77),
    # The machine, and what it takes for this process.
    "mount": (165, 40), "umount2": (166, 39), "pivot_root": (155, 41), "chroot": (161, 51),
    "setns": (308, 268), "unshare": (272, 97), "swapon": (167, 224), "swapoff": (168, 225),
    "reboot": (169, 142), "sethostname": (170, 161), "setdomainname": (171, 162),
    "init_module": (175, 105), "finit_module": (313, 273), "delete_module": (176, 106),
    "kexec_load": (246, 104), "kexec_file_load": (320, 294), "iopl": (172, _NONE),
    "ioperm": (173, _NONE), "acct": (163, 89), "quotactl": (179, 60), "syslog": (103, 116),
    "clock_settime": (227, 112), "settimeofday": (164, 170), "adjtimex": (159, 171),
    "clock_adjtime": (305, 266), "vhangup": (153, 58), "personality": (135, 92),
    "modify_ldt": (154, _NONE), "uselib": (134, _NONE), "setrlimit": (160, 164),
    "setuid": (105, 146), "setgid": (106, 144), "setreuid": (113, 145), "setregid": (114, 143),
    "setresuid": (117, 147), "setresgid": (119, 149), "setgroups": (116, 159),
    "setfsuid": (122, 151), "setfsgid": (123, 152), "capset": (126, 91),
    # Parts of the kernel that have been attacked often and that no picture needs.
    "add_key": (248, 217), "request_key": (249, 218), "keyctl": (250, 219), "bpf": (321, 280),
    "perf_event_open": (298, 241), "userfaultfd": (323, 282), "lookup_dcookie": (212, 18),
    "nfsservctl": (180, 42), "io_setup": (206, 0), "io_submit": (209, 2),
}  # fmt: skip
"""Number on x86-64 and on 64-bit ARM, which lacks some."""

_CLONE, _PRCTL, _FCNTL = (56, 220), (157, 167), (72, 25)
_TGKILL, _PRLIMIT = (234, 131), (302, 261)
_SCHEDULING: Final = ((203, 122), (144, 119), (142, 118), (314, 274))
"""sched_setaffinity, sched_setscheduler, sched_setparam, sched_setattr."""

_PRCTL_ALLOWED: Final = (2, 3, 15, 16, 21, 23, 39, 0x53564D41)
"""Asking, and giving a thread or a piece of memory a name. Not among them: living on when the
parent dies, and letting others look in (<linux/prctl.h>)."""
_FCNTL_REFUSED: Final = (8, 10, 15, 1024, 1026)
"""Sending a signal when a file is ready, and a hold on a file that others open (<fcntl.h>)."""

Instruction = tuple[int, int, int, int]


def knows_processor() -> bool:
    """Whether the calls' numbers on this kind of processor are known."""
    return sys.platform == "linux" and platform.machine() in _AUDIT


def call_filter(own_pid: int) -> bytes:
    """Return the filter for this kind of processor, as the kernel takes it.

    Args:
        own_pid: The process that it is for; signals and limits concern no other.

    Raises:
        KeyError: the processor is of another kind.
    """
    machine = platform.machine()
    program = _Program(["x86_64", "aarch64"].index(machine), [])
    program.add(_LOAD, _PROCESSOR_AT)
    program.unless(_JUMP_IF_EQUAL, _AUDIT[machine])
    program.add(_LOAD, _NUMBER_AT)
    program.where(_JUMP_IF_AT_LEAST, _X32_BEGINS, [_refuse(errno.EPERM)])
    program.new_calls()
    for numbers in REFUSED.values():
        program.call(numbers, [_refuse(errno.EPERM)])
    program.call(_CLONE, _with_flag(0, _CLONE_THREAD))
    program.call(_PRCTL, _if_among(0, _PRCTL_ALLOWED))
    program.call(_FCNTL, _unless_among(1, _FCNTL_REFUSED))
    program.call(_TGKILL, _if_among(0, (own_pid,)))
    program.call(_PRLIMIT, _only_asking(own_pid))
    for numbers in _SCHEDULING:
        program.call(numbers, _if_among(0, (0,)))
    program.instructions.append(_ALLOWED)
    return b"".join(struct.pack("=HBBI", *each) for each in program.instructions)


@dataclass(frozen=True, slots=True)
class _Program:
    """Instructions of the kernel's packet filter, one after the other."""

    column: int
    instructions: list[Instruction]

    def add(self, code: int, operand: int) -> None:
        self.instructions.append((code, 0, 0, operand))

    def where(self, jump: int, operand: int, then: list[Instruction]) -> None:
        """Do something where the number at hand is so, and go on behind it otherwise."""
        self.instructions.extend([(jump, 0, len(then), operand), *then])

    def unless(self, jump: int, operand: int) -> None:
        """Refuse where the number at hand is not so."""
        self.instructions.extend([(jump, 1, 0, operand), _refuse(errno.EPERM)])

    def call(self, numbers: tuple[int, int], then: list[Instruction]) -> None:
        """Say what becomes of one call; a system that lacks it needs nothing."""
        if numbers[self.column] != _NONE:
            self.where(_JUMP_IF_EQUAL, numbers[self.column], then)

    def new_calls(self) -> None:
        """Allow those that are named; the others are missing, as on an older kernel.

        So is `clone3`, whose flags are in memory, where a filter cannot look; the C library then
        asks again with `clone`.
        """
        allowed = [
            instruction
            for number in _NEW_ALLOWED.values()
            for instruction in ((_JUMP_IF_EQUAL, 0, 1, number), _ALLOWED)
        ]
        self.where(_JUMP_IF_AT_LEAST, _NEW_BEGIN, [*allowed, _refuse(errno.ENOSYS)])


_ALLOWED: Instruction = (_RETURN, 0, 0, _ALLOW)


def _refuse(error: int) -> Instruction:
    return (_RETURN, 0, 0, _REFUSE | error)


def _argument(index: int, *, high: bool = False) -> Instruction:
    place = _ARGUMENTS_AT + 8 * index
    return (_LOAD, 0, 0, place + 4 if high == (sys.byteorder == "little") else place)


def _if_among(index: int, values: Iterable[int]) -> list[Instruction]:
    tests = [part for value in values for part in ((_JUMP_IF_EQUAL, 0, 1, value), _ALLOWED)]
    return [_argument(index), *tests, _refuse(errno.EPERM)]


def _unless_among(index: int, values: Iterable[int]) -> list[Instruction]:
    refused = _refuse(errno.EPERM)
    tests = [part for value in values for part in ((_JUMP_IF_EQUAL, 0, 1, value), refused)]
    return [_argument(index), *tests, _ALLOWED]


def _with_flag(index: int, flag: int) -> list[Instruction]:
    return [
        _argument(index),
        (_AND, 0, 0, flag & _LOW_WORD),
        (_JUMP_IF_EQUAL, 0, 1, flag),
        _ALLOWED,
        _refuse(errno.EPERM),
    ]


def _only_asking(own_pid: int) -> list[Instruction]:
    """`prlimit`: of this process, and without new limits, whose place is the third argument."""
    refused = _refuse(errno.EPERM)
    return [
        _argument(0),
        (_JUMP_IF_EQUAL, 2, 0, 0),
        (_JUMP_IF_EQUAL, 1, 0, own_pid),
        refused,
        _argument(2),
        (_JUMP_IF_EQUAL, 1, 0, 0),
        refused,
        _argument(2, high=True),
        (_JUMP_IF_EQUAL, 1, 0, 0),
        refused,
        _ALLOWED,
    ]
