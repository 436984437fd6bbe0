"""A share whose server can be stopped: a real file system of the kernel, served by this program.

Run as a program it serves a folder at a mount point by the kernel's FUSE protocol (linux/fuse.h),
so a stopped server holds whoever touches the mount in the system itself, as a dead network share
does. As with those, closing a file that was only read asks the server nothing. It needs root and
/dev/fuse, and nothing else.
"""

import contextlib
import ctypes
import errno
import os
import select
import signal
import stat
import struct
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

_IN = struct.Struct("<IIQQIIIHH")
_OUT = struct.Struct("<IiQ")
_ATTR = struct.Struct("<QQQQQQIIIIIIIIII")
_ENTRY = struct.Struct("<QQQQII")
_INIT = struct.Struct("<IIIIHHIIHHII24x")
_READ = struct.Struct("<QQIIQII")
_SETATTR = struct.Struct("<IIQQQQQQIIIIIIII")
_DIRENT = struct.Struct("<QQII")
_LARGEST = 1 << 20
_ROOT = 1
_SIZE, _MODE, _MTIME, _MTIME_NOW = 1 << 3, 1 << 0, 1 << 5, 1 << 8


class Share:
    """The server of a mounted share, from outside."""

    def __init__(self, server: "subprocess.Popen[bytes]") -> None:
        self._server = server

    def hang(self) -> None:
        """Answer nobody any more, from the next question on.

        What a server has in hand nothing can end, not even by killing whoever asked it.
        """
        if self._state() == "T":
            return
        self._server.send_signal(signal.SIGUSR1)
        while (state := self._state()) != "T":
            assert state not in "ZX", "the share's server has ended"
            time.sleep(0.001)

    def _state(self) -> str:
        """Of the server's process (proc(5)): T is stopped, Z and X have ended."""
        stat = Path(f"/proc/{self._server.pid}/stat").read_text()
        return stat.rpartition(")")[2].split()[0]

    def answer(self) -> None:
        """Answer again, first whoever waits."""
        self._server.send_signal(signal.SIGCONT)

    def break_off(self) -> None:
        """Be gone: whoever waits gets an error."""
        self._server.kill()
        self._server.wait()


@contextmanager
def mounted(backing: Path, at: Path) -> Iterator[Share]:
    """Serve a folder at a mount point."""
    server = subprocess.Popen(
        [sys.executable, __file__, str(backing), str(at)], stdout=subprocess.PIPE
    )
    try:
        assert server.stdout is not None
        assert server.stdout.readline() == b"mounted\n"
        yield Share(server)
    finally:
        subprocess.run(["umount", "--lazy", str(at)], check=False, capture_output=True)
        server.kill()
        server.wait()
        server.stdout.close()


@dataclass
class Server:
    """Answers the kernel's questions about a folder."""

    backing: bytes
    device: int
    told: int
    """Readable once somebody asked that it hang."""
    paths: dict[int, bytes] = field(default_factory=lambda: {_ROOT: b""})

    def serve(self) -> None:
        """Answer until the mount is gone."""
        while True:
            if self.told in select.select([self.device, self.told], [], [])[0]:
                os.read(self.told, 4096)
                os.kill(os.getpid(), signal.SIGSTOP)
                continue
            try:
                question = os.read(self.device, _LARGEST + 65536)
            except OSError as error:
                if error.errno == errno.ENODEV:
                    return
                continue
            _, opcode, unique, node, *_ = _IN.unpack_from(question)
            body = question[_IN.size :]
            do = _DO.get(opcode)
            if opcode in (2, 36, 42):  # nobody waits for an answer to being forgotten
                continue
            try:
                answer, fault = (do(self, node, body), 0) if do else (b"", errno.ENOSYS)
            except OSError as error:
                answer, fault = b"", error.errno or errno.EIO
            with contextlib.suppress(OSError):
                head = _OUT.pack(_OUT.size + len(answer), -fault, unique)
                os.write(self.device, head + answer)

    def at(self, node: int, name: bytes = b"") -> bytes:
        """The path behind a node, or behind a name in it."""
        return b"/".join(filter(None, (self.backing, self.paths[node], name)))

    def entry(self, node: int, name: bytes) -> bytes:
        """What the kernel wants to know of a name; nothing of it may be remembered."""
        found = os.lstat(self.at(node, name))
        path = b"/".join(filter(None, (self.paths[node], name)))
        number = next((n for n, known in self.paths.items() if known == path), 0)
        if not number:
            number = max(self.paths) + 1
            self.paths[number] = path
        return _ENTRY.pack(number, 0, 0, 0, 0, 0) + _attributes(found)

    def moved(self, old: bytes, new: bytes) -> None:
        """Know a file, and all in a folder, by its new name."""
        for number, path in self.paths.items():
            if path == new:
                self.paths[number] = b"?gone"
            elif path == old or path.startswith(old + b"/"):
                self.paths[number] = new + path[len(old) :]


def _attributes(found: os.stat_result) -> bytes:
    times = [divmod(each, 10**9) for each in (found.st_atime_ns, found.st_mtime_ns,
                                              found.st_ctime_ns)]  # fmt: skip
    return _ATTR.pack(
        found.st_ino, found.st_size, found.st_blocks, *(seconds for seconds, _ in times),
        *(rest for _, rest in times), found.st_mode, found.st_nlink, found.st_uid, found.st_gid,
        0, 4096, 0,
    )  # fmt: skip


def _name(body: bytes) -> bytes:
    return body.partition(b"\0")[0]


def _init(server: Server, node: int, body: bytes) -> bytes:
    return _INIT.pack(7, 31, 65536, 0, 16, 12, 65536, 1, 16, 0, 0, 0)


def _lookup(server: Server, node: int, body: bytes) -> bytes:
    return server.entry(node, _name(body))


def _getattr(server: Server, node: int, body: bytes) -> bytes:
    return struct.pack("<QII", 0, 0, 0) + _attributes(os.lstat(server.at(node)))


def _setattr(server: Server, node: int, body: bytes) -> bytes:
    valid, _, _, size, _, _, mtime, _, _, mtime_ns, _, mode, *_ = _SETATTR.unpack_from(body)
    path = server.at(node)
    if valid & _SIZE:
        os.truncate(path, size)
    if valid & _MODE:
        Path(os.fsdecode(path)).chmod(stat.S_IMODE(mode))
    if valid & _MTIME_NOW:
        os.utime(path)
    elif valid & _MTIME:
        os.utime(path, ns=(mtime * 10**9 + mtime_ns,) * 2)
    return _getattr(server, node, body)


def _open(server: Server, node: int, body: bytes) -> bytes:
    flags = struct.unpack_from("<I", body)[0]
    return struct.pack("<QII", os.open(server.at(node), flags & ~os.O_NOFOLLOW), 1, 0)


def _opendir(server: Server, node: int, body: bytes) -> bytes:
    return struct.pack("<QII", os.open(server.at(node), os.O_RDONLY | os.O_DIRECTORY), 0, 0)


def _create(server: Server, node: int, body: bytes) -> bytes:
    flags, mode = struct.unpack_from("<II", body)
    name = _name(body[16:])
    handle = os.open(server.at(node, name), flags | os.O_CREAT, mode & 0o7777)
    return server.entry(node, name) + struct.pack("<QII", handle, 1, 0)


def _read(server: Server, node: int, body: bytes) -> bytes:
    handle, offset, size, *_ = _READ.unpack_from(body)
    return os.pread(handle, size, offset)


def _write(server: Server, node: int, body: bytes) -> bytes:
    handle, offset, size, *_ = _READ.unpack_from(body)
    return struct.pack("<II", os.pwrite(handle, body[40 : 40 + size], offset), 0)


def _readdir(server: Server, node: int, body: bytes) -> bytes:
    _, offset, size, *_ = _READ.unpack_from(body)
    names, answer = sorted(os.listdir(server.at(node))), b""
    for number, name in enumerate(names[offset:], offset + 1):
        found = os.lstat(server.at(node, name))
        kind = stat.S_IFMT(found.st_mode) >> 12
        entry = _DIRENT.pack(found.st_ino, number, len(name), kind) + name
        entry += bytes(-len(entry) % 8)
        if len(answer) + len(entry) > size:
            break
        answer += entry
    return answer


def _close(server: Server, node: int, body: bytes) -> bytes:
    os.close(struct.unpack_from("<Q", body)[0])
    return b""


def _sync(server: Server, node: int, body: bytes) -> bytes:
    os.fsync(struct.unpack_from("<Q", body)[0])
    return b""


def _mkdir(server: Server, node: int, body: bytes) -> bytes:
    name = _name(body[8:])
    os.mkdir(server.at(node, name), struct.unpack_from("<I", body)[0] & 0o7777)
    return server.entry(node, name)


def _unlink(server: Server, node: int, body: bytes) -> bytes:
    os.unlink(server.at(node, _name(body)))
    return b""


def _rmdir(server: Server, node: int, body: bytes) -> bytes:
    os.rmdir(server.at(node, _name(body)))
    return b""


def _rename(server: Server, node: int, body: bytes, *, head: int = 8) -> bytes:
    folder = struct.unpack_from("<Q", body)[0]
    flags = struct.unpack_from("<I", body, 8)[0] if head == 16 else 0
    old, new, _ = body[head:].split(b"\0", 2)
    if flags & 1 and os.path.lexists(server.at(folder, new)):
        raise FileExistsError(errno.EEXIST, "the name is taken")
    os.rename(server.at(node, old), server.at(folder, new))
    before, after = ((server.paths[number] + b"/" + name).lstrip(b"/")
                     for number, name in ((node, old), (folder, new)))  # fmt: skip
    server.moved(before, after)
    return b""


def _rename2(server: Server, node: int, body: bytes) -> bytes:
    return _rename(server, node, body, head=16)


def _statfs(server: Server, node: int, body: bytes) -> bytes:
    found = os.statvfs(server.backing)
    return struct.pack(
        "<QQQQQIIII24x", found.f_blocks, found.f_bfree, found.f_bavail, found.f_files,
        found.f_ffree, found.f_bsize, 255, found.f_frsize, 0,
    )  # fmt: skip


def _nothing(server: Server, node: int, body: bytes) -> bytes:
    return b""


_DO: dict[int, Callable[[Server, int, bytes], bytes]] = {
    1: _lookup, 3: _getattr, 4: _setattr, 9: _mkdir, 10: _unlink, 11: _rmdir, 12: _rename,
    14: _open, 15: _read, 16: _write, 17: _statfs, 18: _close, 20: _sync, 26: _init,
    27: _opendir, 28: _readdir, 29: _close, 30: _sync, 35: _create, 38: _nothing, 45: _rename2,
}  # fmt: skip


def main() -> None:
    """Mount, say so, and serve."""
    backing, at = (os.fsencode(Path(each).resolve()) for each in sys.argv[1:])
    device = os.open("/dev/fuse", os.O_RDWR)
    libc = ctypes.CDLL(None, use_errno=True)
    options = b"fd=%d,rootmode=40000,user_id=0,group_id=0,allow_other" % device
    no_devices_and_rights = 2 | 4
    if libc.mount(b"share", at, b"fuse", no_devices_and_rights, options) != 0:
        raise OSError(ctypes.get_errno(), "cannot mount")
    # Whoever reads that it is mounted may ask at once that it hang.
    told, tell = os.pipe()
    os.set_blocking(tell, False)
    signal.set_wakeup_fd(tell)
    signal.signal(signal.SIGUSR1, lambda *_: None)
    print("mounted", flush=True)
    Server(backing, device, told).serve()


if __name__ == "__main__":
    main()
