"""Spoils files in ways that know their structure, and in ways that know nothing.

Everything follows from a number: the same number is the same mutant on every machine, so that a
find is kept as a number and not as a file.
"""

from __future__ import annotations

import random
import struct
import zlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from seeds import PICTURES, PROFILES, seed
from spoil import Change
from spoil_icc import FOR_PROFILES
from spoil_jpeg import FOR_JPEG
from spoil_png import FOR_PNG
from spoil_tiff import FOR_TIFF

_MOST_BYTES = 400_000
"""Doubling a file again and again teaches nothing."""


@dataclass(frozen=True, slots=True)
class Mutant:
    """One spoilt file."""

    number: int
    seed: str
    how: str
    """What was done to it, for people."""
    data: bytes


def picture_mutant(number: int) -> Mutant:
    """The spoilt picture of that number."""
    return _mutant(number, tuple(PICTURES), _of_pictures)


def profile_mutant(number: int) -> Mutant:
    """The spoilt colour profile of that number."""
    return _mutant(number, tuple(PROFILES), lambda _: FOR_PROFILES)


def _mutant(number: int, names: Sequence[str], ways: Callable[[str], Sequence[Change]]) -> Mutant:
    rng = random.Random(number)
    name = names[number % len(names)]
    data, done = seed(name), []
    for _ in range(rng.choice((1, 1, 1, 1, 2, 3))):
        change = rng.choice(ways(name))
        try:
            changed = change(rng, data)
        except (struct.error, ValueError, LookupError, StopIteration, zlib.error):
            continue  # what an earlier change has spoilt cannot be parsed any more
        if changed and len(changed) <= _MOST_BYTES:
            data = changed
            done.append(change.__name__)
    return Mutant(number, name, " + ".join(done) or "nothing", data)


def _of_pictures(name: str) -> Sequence[Change]:
    return {".tif": FOR_TIFF, ".jpg": FOR_JPEG, ".png": FOR_PNG}[name[-4:]]
