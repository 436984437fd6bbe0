"""A numbered edition: how many prints there may be, how they are counted, what is said of them."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from fractions import Fraction
from typing import Literal

from platemark.model.units import Size, shown

PrintKind = Literal["print", "proof"]
"""`proof` is an artist's proof: over and above the numbered prints, with numbers of its own."""
NumberState = Literal["reserved", "printed", "sold", "void", "destroyed"]
"""`reserved`: of a job that is in no parcel yet; `void`: never to be printed, or withdrawn from
the edition; `destroyed`: the print is no more, so the number may be printed again."""
Counted = Literal["together", "each-size"]

TOGETHER = ""
"""The part of an edition whose sizes are counted together."""
TOLERANCE_MM = Fraction(1)
"""A side that differs by no more is the same: one side of a size may come from the picture."""
ALIKE_BITS = 14
"""Two pictures are taken for the same while no more of the 64 bits of their likeness differ; see
`tests/unit/test_likeness.py` for what that finds and what it lets pass."""


@dataclass(frozen=True, slots=True)
class EditionSize:
    """A size of an edition."""

    size: Size
    total: int = 0
    """How many numbered prints of it; 0 where all sizes are counted together."""
    proofs: int = 0


@dataclass(frozen=True, slots=True)
class GivenBefore:
    """A number that was given before it was counted here."""

    part: str
    kind: PrintKind
    number: int
    state: Literal["sold", "void", "destroyed"]


@dataclass(frozen=True, slots=True)
class Disclosure:
    """What a buyer is to be told of a print, as the certificate says it; empty: not stated."""

    artist: str = ""
    year: str = ""
    process: str = ""
    signed: str = ""
    derived_from: str = ""
    master: str = ""
    """What became of the file that it is printed from."""
    other_editions: str = ""
    posthumous: bool | None = None
    workshop: str = ""
    """Who printed it; empty for the lab's name."""
    care: str = ""


@dataclass(frozen=True, slots=True)
class Terms:
    """What an edition promises: what must not change once a number was given."""

    counted: Counted
    totals: tuple[tuple[str, PrintKind, int], ...]
    """How many of each kind in each part."""
    sizes: tuple[str, ...]
    surfaces: tuple[str, ...]

    def total(self, part: str, kind: PrintKind) -> int | None:
        """How many of a kind a part may have; None where there is no such part."""
        return next((n for p, k, n in self.totals if (p, k) == (part, kind)), None)


@dataclass(frozen=True, slots=True)
class Edition:
    """One file of `editions/`."""

    id: str
    name: str
    sizes: tuple[EditionSize, ...]
    total: int
    """How many numbered prints of all sizes together; 0 where each size has its own."""
    proofs: int
    surfaces: tuple[str, ...]
    given: tuple[GivenBefore, ...] = ()
    pictures: tuple[str, ...] = ()
    """SHA-256 of files that are known to be of it."""
    disclosure: Disclosure = Disclosure()

    @property
    def counted(self) -> Counted:
        """Whether its sizes share one row of numbers."""
        return "together" if self.total else "each-size"

    @property
    def parts(self) -> tuple[str, ...]:
        """The rows of numbers that it has."""
        return (TOGETHER,) if self.total else self.size_keys

    @property
    def size_keys(self) -> tuple[str, ...]:
        """Its sizes, as `size_key` writes them."""
        return tuple(size_key(each.size) for each in self.sizes)

    @property
    def terms(self) -> Terms:
        """What it promises now."""
        kinds: tuple[PrintKind, ...] = ("print", "proof")
        totals = tuple((part, kind, self.of(part, kind)) for part in self.parts for kind in kinds)
        return Terms(self.counted, totals, self.size_keys, self.surfaces)

    def size_like(self, size: Size) -> EditionSize | None:
        """That of its sizes which a print has, or None."""
        return next((each for each in self.sizes if _is_as_large(each.size, size)), None)

    def part_of(self, size: Size) -> str | None:
        """The row of numbers that a print of a size counts in; None where it has none."""
        if self.total:
            return TOGETHER
        found = self.size_like(size)
        return size_key(found.size) if found is not None else None

    def of(self, part: str, kind: PrintKind) -> int:
        """How many prints of a kind a part may have; 0 for a part that is not there."""
        if self.total:
            return (self.total if kind == "print" else self.proofs) if part == TOGETHER else 0
        for each in self.sizes:
            if size_key(each.size) == part:
                return each.total if kind == "print" else each.proofs
        return 0

    def part_words(self, part: str) -> str:
        """A part for people: ` in 40x60cm`; empty where sizes are counted together."""
        named = (str(each.size) for each in self.sizes if size_key(each.size) == part)
        return f" in {next(named, part)}" if part else ""

    def as_typed(self, part: str, kind: PrintKind, number: int | str) -> str:
        """A number as commands take it: `herons 7`, `herons 1 --proof --size 40x60cm`.

        Args:
            part: Of which row of numbers.
            kind: Whether of the prints or of the proofs.
            number: Which, or a word in its place.
        """
        proof = " --proof" if kind == "proof" else ""
        several = self.part_words(part).removeprefix(" in ") if len(self.parts) > 1 else ""
        return f"{self.id} {number}{proof}{f' --size {several}' if several else ''}"


@dataclass(frozen=True, slots=True)
class Numbered:
    """One number of an edition, as the record has it."""

    part: str
    kind: PrintKind
    number: int
    state: NumberState
    job: int | None
    seq: int
    """The newest entry that speaks of it."""


@dataclass(frozen=True, slots=True)
class PictureOf:
    """An edition that a picture belongs to, and how that is known."""

    edition: str
    name: str
    how: Literal["same", "alike", "listed"]
    """`same` bytes; `alike` to the eye; `listed` in the edition's file."""
    bits: int = 0
    """By how much it differs, where it is alike."""


@dataclass(frozen=True, slots=True)
class TermsBefore:
    """The terms under which a number was given last."""

    terms: Terms
    number: int
    """The highest that stands in the part that this print counts in; 0 where none does."""
    binding: bool
    """Somebody may have a print of it: one was sent to a lab, or sold."""


@dataclass(frozen=True, slots=True)
class EditionStanding:
    """What is known of the edition that a print asks for, and of those that its picture is of."""

    ids: tuple[str, ...]
    """Of all the studio's editions."""
    edition: Edition | None = None
    """The one that is asked for; None where none is, or there is none of that id."""
    part: str | None = None
    """The row of numbers that it counts in; None where it has no size yet, or one without any."""
    numbers: tuple[int, ...] = ()
    """What it gets; empty where it gets none."""
    left: int = 0
    """How many numbers are free, those that it has counted in."""
    replaced: Numbered | None = None
    """The number that it is to take the place of, where it has been given."""
    remake_of: int | None = None
    """The job whose spoilt print it is made again for."""
    before: TermsBefore | None = None
    """None where no number was ever given."""
    pictures: tuple[PictureOf, ...] = ()
    """Every edition that the picture is known to be of."""
    has_pictures: bool = False
    """Whether the likeness of any picture of the edition that is asked for is known."""
    restored: tuple[int, date] | None = None
    """An older state of the record that the studio goes on from since it last gave a number of
    this edition: the entry, and up to when that state knows."""


def size_key(size: Size) -> str:
    """A size in whatever unit it was written, however it stands: shorter side first, in mm."""
    short, long = sorted((size.w.mm, size.h.mm))
    return f"{shown(short, 3)}x{shown(long, 3)}mm"


def numbers_words(numbers: Iterable[int]) -> str:
    """Numbers for people, those that follow each other together: `7`, `7-9`, `3, 7-9`."""
    runs: list[list[int]] = []
    for number in sorted(numbers):
        if runs and number == runs[-1][1] + 1:
            runs[-1][1] = number
        else:
            runs.append([number, number])
    return ", ".join(str(a) if a == b else f"{a}-{b}" for a, b in runs)


def kind_words(kind: PrintKind) -> str:
    """What a number is called: `number` or `artist's proof`."""
    return "number" if kind == "print" else "artist’s proof"


def numbered_words(kind: PrintKind, numbers: Iterable[int], of: int) -> str:
    """Numbers of an edition as a print carries them: `7/25`, `AP 2/3`, `7-9/25`."""
    return f"{'AP ' if kind == 'proof' else ''}{numbers_words(numbers)}/{of}"


def bits_apart(one: str, other: str) -> int:
    """How many bits of two likenesses differ.

    Args:
        one: A likeness, hexadecimal.
        other: Another of the same length.

    Raises:
        ValueError: they are not of one length, or no hexadecimal.
    """
    if len(one) != len(other):
        raise ValueError("likenesses of different lengths")
    return (int(one, 16) ^ int(other, 16)).bit_count()


def _is_as_large(one: Size, other: Size) -> bool:
    ours, theirs = (sorted((size.w.mm, size.h.mm)) for size in (one, other))
    return all(abs(a - b) <= TOLERANCE_MM for a, b in zip(ours, theirs, strict=True))
