"""Spoils JPEG: its segments, its frame, its coded data."""

from __future__ import annotations

import random
import struct

from spoil import DUMB, Change
from spoil_icc import profile_inside


def _segments(data: bytes) -> list[bytes]:
    """The marker segments of a JPEG; the last is the scan and all behind it."""
    if data[:2] != b"\xff\xd8":
        raise ValueError
    found, at = [data[:2]], 2
    while data[at + 1] != 0xDA:
        if data[at] != 0xFF:
            raise ValueError
        end = at + 2 + int.from_bytes(data[at + 2 : at + 4], "big")
        found.append(data[at:end])
        at = end
    return [*found, data[at:]]


def _middle(rng: random.Random, data: bytes) -> tuple[list[bytes], int]:
    parts = _segments(data)
    return parts, rng.randrange(1, len(parts) - 1)


def drop_segment(rng: random.Random, data: bytes) -> bytes:
    parts, at = _middle(rng, data)
    return b"".join(parts[:at] + parts[at + 1 :])


def double_segment(rng: random.Random, data: bytes) -> bytes:
    parts, at = _middle(rng, data)
    return b"".join(parts[:at] + [parts[at]] * 2 + parts[at + 1 :])


def move_segment(rng: random.Random, data: bytes) -> bytes:
    parts, at = _middle(rng, data)
    moved = parts.pop(at)
    parts.insert(rng.randrange(1, len(parts)), moved)
    return b"".join(parts)


def segment_length(rng: random.Random, data: bytes) -> bytes:
    parts, at = _middle(rng, data)
    length = int.from_bytes(parts[at][2:4], "big")
    new = rng.choice((0, 1, 2, length - 1, length + 1, length * 2, 65535)) & 0xFFFF
    parts[at] = parts[at][:2] + new.to_bytes(2, "big") + parts[at][4:]
    return b"".join(parts)


def in_segment(rng: random.Random, data: bytes) -> bytes:
    """One byte of a frame, table or description."""
    parts, at = _middle(rng, data)
    spoilt = bytearray(parts[at])
    spoilt[rng.randrange(4, len(spoilt))] = rng.choice((0, 1, 0x7F, 0xFF, rng.randrange(256)))
    parts[at] = bytes(spoilt)
    return b"".join(parts)


def frame(rng: random.Random, data: bytes) -> bytes:
    """Size, depth, channels or kind of the picture."""
    parts = _segments(data)
    at = next(n for n, part in enumerate(parts) if part[1] in (0xC0, 0xC1, 0xC2))
    spoilt = bytearray(parts[at])
    way = rng.randrange(5)
    if way == 0:
        spoilt[1] = rng.choice((0xC0, 0xC1, 0xC2, 0xC3, 0xC5, 0xC9, 0xCA))
    elif way == 1:
        struct.pack_into(
            ">H", spoilt, rng.choice((5, 7)), rng.choice((0, 1, 99, 101, 149, 151, 65500))
        )
    else:
        spoilt[rng.choice((4, 9, 10, 11, 12, 14))] = rng.choice(
            (0, 1, 2, 3, 4, 8, 12, 0x22, 0x44, 0xFF)
        )
    parts[at] = bytes(spoilt)
    return b"".join(parts)


def scan(rng: random.Random, data: bytes) -> bytes:
    """Bits of the coded data."""
    parts = _segments(data)
    coded = bytearray(parts[-1])
    for _ in range(rng.choice((1, 1, 2, 8))):
        coded[rng.randrange(14, len(coded))] ^= 1 << rng.randrange(8)
    return b"".join([*parts[:-1], bytes(coded)])


def marker_in_scan(rng: random.Random, data: bytes) -> bytes:
    parts = _segments(data)
    place = rng.randrange(14, len(parts[-1]))
    marker = bytes([0xFF, rng.choice((0xD0, 0xD7, 0xD8, 0xD9, 0xDA, 0xC4, 0xDB, 0xDD, 0x01))])
    return b"".join([*parts[:-1], parts[-1][:place] + marker + parts[-1][place + 2 :]])


def end_mark_gone(rng: random.Random, data: bytes) -> bytes:
    place = data.rindex(b"\xff\xd9")
    return data[:place] + data[place + 2 :] if rng.random() < 0.5 else data[:place]


FOR_JPEG: tuple[Change, ...] = (
    *DUMB, drop_segment, double_segment, move_segment, segment_length, in_segment, in_segment,
    frame, frame, scan, scan, marker_in_scan, end_mark_gone, profile_inside,
)  # fmt: skip
