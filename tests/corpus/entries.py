"""What one file of the corpus is, and what must come of it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

Come = Literal["passes", "held", "told", "ignored"]

BOARD = "pvc-board/4x6in"
"""Where a file is dropped unless it says otherwise: small prints on the most patient surface."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """What must come of a file."""

    come: Come
    """`told`: it is no job and stays where it is, and WAITING.txt names it; `ignored`: no job and
    nobody needs to know."""
    codes: frozenset[str] = frozenset()
    """Of its cautions where it passes, of its stops where it is held."""
    cautions: frozenset[str] = frozenset()
    """Beside its stops."""
    logged: str = ""
    """Words that the change log of a passing file, or WAITING.txt, must have."""

    def __str__(self) -> str:
        return " ".join([self.come, *sorted(self.codes), *sorted(self.cautions)])


def passes(*cautions: str, logged: str = "") -> Outcome:
    """It is printed, with these cautions and no other."""
    return Outcome("passes", frozenset(cautions), logged=logged)


def held(*stops: str, cautions: tuple[str, ...] = ()) -> Outcome:
    """A person must decide, for these reasons and no other, told these cautions and no other."""
    return Outcome("held", frozenset(stops), frozenset(cautions))


def told(name: str) -> Outcome:
    """It is no job; WAITING.txt speaks of what is called so."""
    return Outcome("told", logged=name)


TOLD = Outcome("told")
IGNORED = Outcome("ignored")


@dataclass(frozen=True, slots=True)
class Dropped:
    """One file of the corpus."""

    name: str | bytes
    write: Callable[[Path], object]
    """Writes the file, with a writer that is not ours."""
    outcome: Outcome
    where: str = BOARD
    """Folder under `hot/`."""
    says: str = ""
    """Text of a request beside it."""
    young: bool = False
    """Written just now; the others are long there."""

    @property
    def file_name(self) -> bytes:
        """The name as the disk has it."""
        return self.name if isinstance(self.name, bytes) else self.name.encode("utf-8")


def raw(data: bytes | Callable[[], bytes]) -> Callable[[Path], None]:
    """A file of these bytes."""

    def write(path: Path) -> None:
        path.write_bytes(data() if callable(data) else data)

    return write
