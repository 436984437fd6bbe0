"""Spoils TIFF: its tags, its lists of strips and tiles, what it says of its samples."""

from __future__ import annotations

import random
import struct
from dataclasses import dataclass

from spoil import DUMB, EXTREMES, Change
from spoil_icc import profile_inside


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
    value = rng.choice((*EXTREMES, row.value + 1, row.value - 1, row.value * 2, len(data) - 1))
    if contents.order == ">" and row.kind == 3 and row.count == 1:
        value = (value & 0xFFFF) << (48 if contents.big else 16)
    return _with_row(data, contents, row, value=value)


def tag_count(rng: random.Random, data: bytes) -> bytes:
    contents, row = _any_row(rng, data)
    return _with_row(
        data, contents, row, count=rng.choice((*EXTREMES, row.count + 1, row.count - 1))
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


FOR_TIFF: tuple[Change, ...] = (
    *DUMB, tag_value, tag_value, tag_count, tag_kind, tag_number, meaning, meaning, drop_tag,
    swap_tags, circle, strip_list, strip_list, in_strips, profile_inside,
)  # fmt: skip
