"""A job: one picture with one request on its way."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

State = Literal["claimed", "examined", "rendered", "parcelled", "delivered", "held", "withdrawn"]


def job_number(job: int) -> str:
    """A job's number as people see it: `000123`."""
    return f"{job:06d}"


@dataclass(frozen=True, slots=True)
class Drop:
    """Where a job came from, and what the file was when it was claimed."""

    surface_folder: str
    """First folder under `hot/`."""
    path_hex: str
    """Path under the hot root as bytes, hexadecimal: names need not be UTF-8."""
    size: int
    mtime_ns: int
    inode: int
    device: int

    @property
    def path_bytes(self) -> bytes:
        """The path under the hot root, as the file system has it."""
        return bytes.fromhex(self.path_hex)

    @property
    def name(self) -> str:
        """The file's name for people: unreadable and control characters are replaced."""
        return shown_name(self.path_bytes.rsplit(b"/", 1)[-1])


def shown_name(name: bytes) -> str:
    """A file name for people and pages: control, bidirectional and unreadable signs replaced."""
    text = name.decode("utf-8", "replace")
    hidden = {0x200B, 0x200E, 0x200F, 0xFEFF, *range(0x202A, 0x202F), *range(0x2066, 0x206A)}
    return "".join("\ufffd" if ord(c) in hidden or not c.isprintable() else c for c in text)


def plain_text(value: str) -> str:
    """Text as people may see it: signs that hide or turn others are replaced, line by line."""
    return "\n".join(shown_name(line.encode("utf-8", "replace")) for line in value.splitlines())
