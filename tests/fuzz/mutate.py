"""Spoils files in ways that know their structure, and in ways that know nothing.

Everything follows from a number: the same number is the same mutant on every machine, so that a
find is kept as a number and not as a file.
"""

from __future__ import annotations

import io
import random
import struct
import zlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from seeds import PICTURES, PROFILES, seed

_EXTREMES = (0, 1, 2, 3, 7, 8, 15, 16, 127, 128, 255, 256, 32767, 32768, 65535, 65536, 1 << 24,
             (1 << 31) - 1, 1 << 31, (1 << 32) - 1)  # fmt: skip
_MOST_BYTES = 400_000
"""Doubling a file again and again teaches nothing."""

Change = Callable[[random.Random, bytes], bytes]


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
    return _mutant(number, tuple(PROFILES), lambda _: _FOR_PROFILES)


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
    return {".tif": _FOR_TIFF, ".jpg": _FOR_JPEG, ".png": _FOR_PNG}[name[-4:]]


# -- knowing nothing -------------------------------------------------------------------------------


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
    value = rng.choice(_EXTREMES) & (0xFFFF if form[1] == "H" else 0xFFFFFFFF)
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


_DUMB: tuple[Change, ...] = (
    flip_bits, flip_early, run_of_bytes, cut, cut_last, take_out, put_in, repeat, extreme_number,
    halves, longer,
)  # fmt: skip


# -- TIFF ------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Row:
    place: int
    tag: int
    kind: int
    count: int
    value: int


@dataclass(frozen=True, slots=True)
class _Contents:
    """The first list of contents of a TIFF."""

    order: str
    big: bool
    start: int
    rows: tuple[_Row, ...]
    next_at: int

    @property
    def row_form(self) -> str:
        return self.order + ("HHQQ" if self.big else "HHII")


def _contents(data: bytes) -> _Contents:
    order = {b"II": "<", b"MM": ">"}.get(data[:2])
    if order is None:
        raise ValueError
    big = struct.unpack_from(order + "H", data, 2)[0] == 43
    start = struct.unpack_from(order + ("Q" if big else "I"), data, 8 if big else 4)[0]
    count = struct.unpack_from(order + ("Q" if big else "H"), data, start)[0]
    form = order + ("HHQQ" if big else "HHII")
    at = start + (8 if big else 2)
    if not 0 < count < 200:
        raise ValueError
    rows = []
    for number in range(count):
        place = at + number * struct.calcsize(form)
        rows.append(_Row(place, *struct.unpack_from(form, data, place)))
    return _Contents(order, big, start, tuple(rows), at + count * struct.calcsize(form))


def _with_row(data: bytes, contents: _Contents, row: _Row, **new: int) -> bytes:
    values = {"tag": row.tag, "kind": row.kind, "count": row.count, "value": row.value} | new
    top = (1 << (64 if contents.big else 32)) - 1
    made = bytearray(data)
    struct.pack_into(
        contents.row_form, made, row.place, values["tag"] & 0xFFFF, values["kind"] & 0xFFFF,
        values["count"] & top, values["value"] & top,
    )  # fmt: skip
    return bytes(made)


def _any_row(rng: random.Random, data: bytes) -> tuple[_Contents, _Row]:
    contents = _contents(data)
    return contents, rng.choice(contents.rows)


def tag_value(rng: random.Random, data: bytes) -> bytes:
    contents, row = _any_row(rng, data)
    value = rng.choice((*_EXTREMES, row.value + 1, row.value - 1, row.value * 2, len(data) - 1))
    if contents.order == ">" and row.kind == 3 and row.count == 1:
        value = (value & 0xFFFF) << (48 if contents.big else 16)
    return _with_row(data, contents, row, value=value)


def tag_count(rng: random.Random, data: bytes) -> bytes:
    contents, row = _any_row(rng, data)
    return _with_row(
        data, contents, row, count=rng.choice((*_EXTREMES, row.count + 1, row.count - 1))
    )


def tag_kind(rng: random.Random, data: bytes) -> bytes:
    contents, row = _any_row(rng, data)
    return _with_row(data, contents, row, kind=rng.choice((*range(20), 255, 65535)))


def tag_number(rng: random.Random, data: bytes) -> bytes:
    """Another tag of TIFF in its place, so that one is missing and one is new or there twice."""
    contents, row = _any_row(rng, data)
    tags = (254, 255, 256, 257, 258, 259, 262, 266, 273, 274, 277, 278, 279, 284, 297, 317, 318,
            320, 322, 323, 324, 325, 330, 332, 338, 339, 340, 347, 530, 532, 700, 34665, 34675,
            37724, 50706)  # fmt: skip
    return _with_row(data, contents, row, tag=rng.choice(tags))


def meaning(rng: random.Random, data: bytes) -> bytes:
    """Another compression, colour model, depth, order or predictor than the data have."""
    contents = _contents(data)
    choices = {
        256: (1, 149, 151, 300, 65500), 257: (1, 99, 101, 200, 65500),
        258: (1, 2, 4, 8, 16, 32, 64), 259: (1, 2, 3, 4, 5, 6, 7, 8, 32773, 32946, 34712, 50000),
        262: (0, 1, 2, 3, 5, 6, 8, 9, 10), 266: (1, 2), 274: tuple(range(10)),
        277: (1, 2, 3, 4, 5, 6), 278: (1, 2, 16, 50, 100, 65535), 284: (1, 2), 317: (1, 2, 3),
        322: (16, 32, 64, 65536), 323: (16, 48, 64), 338: (0, 1, 2), 339: (1, 2, 3, 4, 5, 6),
    }  # fmt: skip
    rows = [row for row in contents.rows if row.tag in choices and row.count == 1]
    row = rng.choice(rows)
    value = rng.choice(choices[row.tag])
    if contents.order == ">" and row.kind == 3:
        value <<= 48 if contents.big else 16
    return _with_row(data, contents, row, value=value)


def drop_tag(rng: random.Random, data: bytes) -> bytes:
    contents, row = _any_row(rng, data)
    return _with_row(data, contents, row, tag=rng.choice((65000, 1)))


def swap_tags(rng: random.Random, data: bytes) -> bytes:
    contents = _contents(data)
    one, other = rng.choice(contents.rows), rng.choice(contents.rows)
    length = struct.calcsize(contents.row_form)
    made = bytearray(data)
    made[one.place : one.place + length] = data[other.place : other.place + length]
    if rng.random() < 0.7:
        made[other.place : other.place + length] = data[one.place : one.place + length]
    return bytes(made)


def circle(rng: random.Random, data: bytes) -> bytes:
    """A list of contents that is followed by itself, or by nonsense."""
    contents = _contents(data)
    made = bytearray(data)
    target = rng.choice((contents.start, contents.start + 2, 8, len(data) - 6, 0xFFFFFFF0))
    struct.pack_into(
        contents.order + ("Q" if contents.big else "I"), made, contents.next_at, target
    )
    return bytes(made)


def strip_list(rng: random.Random, data: bytes) -> bytes:
    """One offset or byte count of a strip or tile."""
    contents = _contents(data)
    lists = (273, 279, 324, 325)
    rows = [row for row in contents.rows if row.tag in lists and 1 < row.count < 1000]
    row = rng.choice(rows)
    form = contents.order + {3: "H", 4: "I", 16: "Q"}[row.kind]
    length = struct.calcsize(form)
    places = [row.value + length * index for index in range(row.count)]
    if row.count * length <= (8 if contents.big else 4):
        places = [row.place + struct.calcsize(contents.row_form) - (8 if contents.big else 4)]
    place = rng.choice(places)
    made = bytearray(data)
    old = struct.unpack_from(form, data, place)[0]
    other = struct.unpack_from(form, data, rng.choice(places))[0]
    new = rng.choice((0, 1, old - 1, old + 1, old // 2, old * 2, other, len(data), 0xFFFFFFFF))
    struct.pack_into(form, made, place, max(new, 0) & ((1 << 8 * length) - 1))
    return bytes(made)


def in_strips(rng: random.Random, data: bytes) -> bytes:
    """Bits of the picture's data alone."""
    contents = _contents(data)
    row = next(row for row in contents.rows if row.tag in (273, 324))
    start = row.value
    if row.count > 1:
        form = contents.order + {3: "H", 4: "I", 16: "Q"}[row.kind]
        start = struct.unpack_from(form, data, row.value)[0]
    made = bytearray(data)
    for _ in range(rng.choice((1, 1, 3))):
        made[rng.randrange(start, len(made))] ^= 1 << rng.randrange(8)
    return bytes(made)


def profile_inside(rng: random.Random, data: bytes) -> bytes:
    """The colour profile in the picture, of whatever form that is."""
    start = data.find(b"acsp") - 36
    if start < 0:
        raise ValueError
    length = min(int.from_bytes(data[start : start + 4], "big"), len(data) - start)
    spoilt = rng.choice(_FOR_PROFILES)(rng, data[start : start + length])
    spoilt = spoilt[:length].ljust(length, b"\0")
    return data[:start] + spoilt + data[start + length :]


_FOR_TIFF: tuple[Change, ...] = (
    *_DUMB, tag_value, tag_value, tag_count, tag_kind, tag_number, meaning, meaning, drop_tag,
    swap_tags, circle, strip_list, strip_list, in_strips, profile_inside,
)  # fmt: skip


# -- JPEG ------------------------------------------------------------------------------------------


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


_FOR_JPEG: tuple[Change, ...] = (
    *_DUMB, drop_segment, double_segment, move_segment, segment_length, in_segment, in_segment,
    frame, frame, scan, scan, marker_in_scan, end_mark_gone, profile_inside,
)  # fmt: skip


# -- PNG -------------------------------------------------------------------------------------------


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
    struct.pack_into(">I", made, at, rng.choice(_EXTREMES))
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
    profile = rng.choice(_FOR_PROFILES)(rng, zlib.decompress(packed))
    chunks[at] = (b"iCCP", front + b"\0\0" + zlib.compress(profile))
    return _png(chunks)


_FOR_PNG: tuple[Change, ...] = (
    *_DUMB, drop_chunk, double_chunk, move_chunk, rename_chunk, chunk_length, in_chunk, in_chunk,
    wrong_crc, in_rows, in_rows, header, header, packed_profile,
)  # fmt: skip


# -- ICC -------------------------------------------------------------------------------------------


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
    new = rng.choice((*_EXTREMES, old + 4, max(old - 4, 0), len(data), 128))
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
        struct.pack_into(">I", made, place + 8, rng.choice(_EXTREMES) & 0xFFFFFFFF)
    else:
        struct.pack_into(
            ">I", made, place + 8 + 4 * rng.randrange(max((length - 8) // 4, 1)),
            rng.choice((*_EXTREMES, 0xFFFF0000, rng.randrange(1 << 32))) & 0xFFFFFFFF,
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


_FOR_PROFILES: tuple[Change, ...] = (
    flip_bits, flip_early, run_of_bytes, cut, cut_last, take_out, extreme_number, part_place,
    part_place, part_name, in_part, in_part, in_part, profile_header, table_bytes,
)  # fmt: skip
