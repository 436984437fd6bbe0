"""Spoils colour profiles, alone and inside a picture."""

from __future__ import annotations

import random
import struct

from spoil import (
    EXTREMES,
    Change,
    cut,
    cut_last,
    extreme_number,
    flip_bits,
    flip_early,
    run_of_bytes,
    take_out,
)


def _part(rng: random.Random, data: bytes) -> tuple[int, int, int]:
    """Where a row of the list of contents stands, and the place and length that it gives."""
    count = int.from_bytes(data[128:132], "big")
    if not 0 < count < 200:
        raise ValueError
    row = 132 + 12 * rng.randrange(count)
    return row, *struct.unpack_from(">II", data, row + 4)


def part_place(rng: random.Random, data: bytes) -> bytes:
    row, place, length = _part(rng, data)
    made = bytearray(data)
    at = rng.choice((4, 8))
    old = place if at == 4 else length
    new = rng.choice((*EXTREMES, old + 4, max(old - 4, 0), len(data), 128))
    struct.pack_into(">I", made, row + at, new & 0xFFFFFFFF)
    return bytes(made)


def part_name(rng: random.Random, data: bytes) -> bytes:
    row, _, _ = _part(rng, data)
    names = (
        b"rTRC",
        b"kTRC",
        b"A2B0",
        b"B2A0",
        b"A2B1",
        b"wtpt",
        b"desc",
        b"cicp",
        b"vcgt",
        b"gXYZ",
    )
    return data[:row] + rng.choice(names) + data[row + 4 :]


def in_part(rng: random.Random, data: bytes) -> bytes:
    """Its type, a count in it, or a number of it."""
    _, place, length = _part(rng, data)
    made = bytearray(data)
    way = rng.randrange(3)
    if way == 0:
        kinds = (b"curv", b"para", b"XYZ ", b"mft1", b"mft2", b"mAB ", b"mBA ", b"text", b"mluc")
        made[place : place + 4] = rng.choice(kinds)
    elif way == 1:
        struct.pack_into(">I", made, place + 8, rng.choice(EXTREMES) & 0xFFFFFFFF)
    else:
        struct.pack_into(
            ">I", made, place + 8 + 4 * rng.randrange(max((length - 8) // 4, 1)),
            rng.choice((*EXTREMES, 0xFFFF0000, rng.randrange(1 << 32))) & 0xFFFFFFFF,
        )  # fmt: skip
    return bytes(made)


def profile_header(rng: random.Random, data: bytes) -> bytes:
    made = bytearray(data)
    place = rng.choice((0, 8, 12, 16, 20, 36, 44, 64, 68))
    words = (b"RGB ", b"GRAY", b"CMYK", b"Lab ", b"XYZ ", b"mntr", b"prtr", b"link", b"abst")
    made[place : place + 4] = rng.choice((*words, bytes(4), b"\xff" * 4, rng.randbytes(4)))
    return bytes(made)


def table_bytes(rng: random.Random, data: bytes) -> bytes:
    """A run inside the longest parts, which are the tables."""
    start = rng.randrange(min(132, len(data) - 1), len(data))
    length = min(rng.choice((2, 64, 2000)), len(data) - start)
    filling = rng.choice((bytes(length), b"\xff" * length, rng.randbytes(length)))
    return data[:start] + filling + data[start + length :]


FOR_PROFILES: tuple[Change, ...] = (
    flip_bits, flip_early, run_of_bytes, cut, cut_last, take_out, extreme_number, part_place,
    part_place, part_name, in_part, in_part, in_part, profile_header, table_bytes,
)  # fmt: skip


def profile_inside(rng: random.Random, data: bytes) -> bytes:
    """The colour profile in the picture, of whatever form that is."""
    start = data.find(b"acsp") - 36
    if start < 0:
        raise ValueError
    length = min(int.from_bytes(data[start : start + 4], "big"), len(data) - start)
    spoilt = rng.choice(FOR_PROFILES)(rng, data[start : start + length])
    spoilt = spoilt[:length].ljust(length, b"\0")
    return data[:start] + spoilt + data[start + length :]
