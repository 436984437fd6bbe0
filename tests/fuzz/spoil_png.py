"""Spoils PNG: its chunks, its header, its rows before they are packed."""

from __future__ import annotations

import io
import random
import struct
import zlib
from collections.abc import Sequence

from spoil import DUMB, EXTREMES, Change
from spoil_icc import FOR_PROFILES


def _chunks(data: bytes) -> list[tuple[bytes, bytes]]:
    """Name and body of every chunk."""
    if data[:8] != b"\x89PNG\r\n\x1a\n":
        raise ValueError
    found, at = [], 8
    while at < len(data):
        length = int.from_bytes(data[at : at + 4], "big")
        if length > len(data) - at - 12:
            raise ValueError
        found.append((data[at + 4 : at + 8], data[at + 8 : at + 8 + length]))
        at += 12 + length
    return found


def _png(chunks: Sequence[tuple[bytes, bytes]]) -> bytes:
    """The file again, every CRC right."""
    made = io.BytesIO()
    made.write(b"\x89PNG\r\n\x1a\n")
    for name, body in chunks:
        made.write(struct.pack(">I", len(body)) + name + body)
        made.write(struct.pack(">I", zlib.crc32(name + body)))
    return made.getvalue()


def drop_chunk(rng: random.Random, data: bytes) -> bytes:
    chunks = _chunks(data)
    del chunks[rng.randrange(len(chunks))]
    return _png(chunks)


def double_chunk(rng: random.Random, data: bytes) -> bytes:
    chunks = _chunks(data)
    at = rng.randrange(len(chunks))
    return _png([*chunks[:at], chunks[at], *chunks[at:]])


def move_chunk(rng: random.Random, data: bytes) -> bytes:
    chunks = _chunks(data)
    moved = chunks.pop(rng.randrange(len(chunks)))
    chunks.insert(rng.randrange(len(chunks) + 1), moved)
    return _png(chunks)


def rename_chunk(rng: random.Random, data: bytes) -> bytes:
    chunks = _chunks(data)
    at = rng.randrange(len(chunks))
    names = (b"IDAT", b"IEND", b"PLTE", b"tRNS", b"gAMA", b"acTL", b"fdAT", b"ABCD", b"abcd")
    chunks[at] = (rng.choice(names), chunks[at][1])
    return _png(chunks)


def chunk_length(rng: random.Random, data: bytes) -> bytes:
    chunks = _chunks(data)
    at = 8 + sum(12 + len(body) for _, body in chunks[: rng.randrange(len(chunks))])
    made = bytearray(data)
    struct.pack_into(">I", made, at, rng.choice(EXTREMES))
    return bytes(made)


def in_chunk(rng: random.Random, data: bytes) -> bytes:
    """A byte of a chunk, its CRC repaired."""
    chunks = _chunks(data)
    at = rng.choice([n for n, (_, body) in enumerate(chunks) if body])
    name, body = chunks[at]
    spoilt = bytearray(body)
    spoilt[rng.randrange(len(spoilt))] = rng.choice((0, 1, 0xFF, rng.randrange(256)))
    chunks[at] = (name, bytes(spoilt))
    return _png(chunks)


def wrong_crc(rng: random.Random, data: bytes) -> bytes:
    chunks = _chunks(data)
    end = 8 + sum(12 + len(body) for _, body in chunks[: rng.randint(1, len(chunks))])
    return data[: end - 4] + rng.randbytes(4) + data[end:]


def in_rows(rng: random.Random, data: bytes) -> bytes:
    """The unpacked rows: fewer, more, of another filter; packed again without a fault."""
    chunks = _chunks(data)
    packed = b"".join(body for name, body in chunks if name == b"IDAT")
    rows = bytearray(zlib.decompress(packed))
    way = rng.randrange(4)
    if way == 0:
        rows = rows[: rng.randrange(len(rows))]
    elif way == 1:
        rows += rng.randbytes(rng.choice((1, 400, 4000)))
    elif way == 2:
        rows[rng.randrange(len(rows))] = rng.randrange(256)
    else:
        rows = bytearray(rows[: len(rows) - 1])
    again = zlib.compress(bytes(rows))
    if rng.random() < 0.2:
        again = again[:-4] + rng.randbytes(4)  # the Adler-32 that nobody needs
    first = next(n for n, (name, _) in enumerate(chunks) if name == b"IDAT")
    others = [each for each in chunks if each[0] != b"IDAT"]
    return _png([*others[:first], (b"IDAT", again), *others[first:]])


def header(rng: random.Random, data: bytes) -> bytes:
    chunks = _chunks(data)
    spoilt = bytearray(chunks[0][1])
    if rng.random() < 0.5:
        struct.pack_into(
            ">I", spoilt, rng.choice((0, 4)), rng.choice((0, 1, 99, 149, 151, 1 << 31))
        )
    else:
        spoilt[rng.randrange(8, 13)] = rng.choice((0, 1, 2, 3, 4, 6, 8, 16))
    return _png([(chunks[0][0], bytes(spoilt)), *chunks[1:]])


def packed_profile(rng: random.Random, data: bytes) -> bytes:
    """The profile in an iCCP chunk, packed again."""
    chunks = _chunks(data)
    at = next(n for n, (name, _) in enumerate(chunks) if name == b"iCCP")
    front, packed = chunks[at][1].split(b"\0\0", 1)
    profile = rng.choice(FOR_PROFILES)(rng, zlib.decompress(packed))
    chunks[at] = (b"iCCP", front + b"\0\0" + zlib.compress(profile))
    return _png(chunks)


FOR_PNG: tuple[Change, ...] = (
    *DUMB, drop_chunk, double_chunk, move_chunk, rename_chunk, chunk_length, in_chunk, in_chunk,
    wrong_crc, in_rows, in_rows, header, header, packed_profile,
)  # fmt: skip
