"""Spoils files in ways that know nothing of what is in them."""

from __future__ import annotations

import random
import struct
from collections.abc import Callable

from seeds import PICTURES, seed

EXTREMES = (0, 1, 2, 3, 7, 8, 15, 16, 127, 128, 255, 256, 32767, 32768, 65535, 65536, 1 << 24,
             (1 << 31) - 1, 1 << 31, (1 << 32) - 1)  # fmt: skip

Change = Callable[[random.Random, bytes], bytes]
"""Spoils bytes; the same random numbers spoil them the same way."""


def flip_bits(rng: random.Random, data: bytes) -> bytes:
    made = bytearray(data)
    for _ in range(rng.choice((1, 1, 1, 2, 4, 16))):
        made[rng.randrange(len(made))] ^= 1 << rng.randrange(8)
    return bytes(made)


def flip_early(rng: random.Random, data: bytes) -> bytes:
    """Where headers are."""
    made = bytearray(data)
    made[rng.randrange(min(len(made), 600))] = rng.choice(
        (0, 1, 0x7F, 0x80, 0xFF, rng.randrange(256))
    )
    return bytes(made)


def run_of_bytes(rng: random.Random, data: bytes) -> bytes:
    start = rng.randrange(len(data))
    length = min(rng.choice((1, 4, 32, 512, 4096)), len(data) - start)
    filling = rng.choice((bytes(length), b"\xff" * length, rng.randbytes(length)))
    return data[:start] + filling + data[start + length :]


def cut(rng: random.Random, data: bytes) -> bytes:
    return data[: rng.randrange(len(data))]


def cut_last(rng: random.Random, data: bytes) -> bytes:
    return data[: -rng.randint(1, 16)]


def take_out(rng: random.Random, data: bytes) -> bytes:
    start = rng.randrange(len(data))
    return data[:start] + data[start + rng.choice((1, 2, 3, 4, 64, 1000)) :]


def put_in(rng: random.Random, data: bytes) -> bytes:
    start = rng.randrange(len(data))
    return data[:start] + rng.randbytes(rng.choice((1, 2, 4, 100))) + data[start:]


def repeat(rng: random.Random, data: bytes) -> bytes:
    start = rng.randrange(len(data))
    part = data[start : start + rng.choice((2, 16, 500, 5000))]
    return data[:start] + part + data[start:]


def extreme_number(rng: random.Random, data: bytes) -> bytes:
    """A number of 16 or 32 bit, anywhere, of either order."""
    form = rng.choice("<>") + rng.choice("HI")
    place = rng.randrange(len(data) - 4)
    value = rng.choice(EXTREMES) & (0xFFFF if form[1] == "H" else 0xFFFFFFFF)
    made = bytearray(data)
    struct.pack_into(form, made, place, value)
    return bytes(made)


def halves(rng: random.Random, data: bytes) -> bytes:
    """The beginning of this file and the end of another, of its kind or not."""
    other = seed(rng.choice(tuple(PICTURES)))
    share = rng.random()
    return data[: int(len(data) * share)] + other[int(len(other) * share) :]


def longer(rng: random.Random, data: bytes) -> bytes:
    return data + rng.choice((bytes(5000), rng.randbytes(300), data[: len(data) // 2]))


DUMB: tuple[Change, ...] = (
    flip_bits, flip_early, run_of_bytes, cut, cut_last, take_out, put_in, repeat, extreme_number,
    halves, longer,
)  # fmt: skip
