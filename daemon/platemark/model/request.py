"""What is asked of one picture, said in layers, with every disagreement found.

Two kinds of layer. *Defaults* (the surface's, then `request.toml` of each folder on the way down):
nearer wins silently. *Statements about this file* (sidecar, order sheet row, name words, size
folder): they beat defaults, and two that disagree are a stop.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from decimal import Decimal
from difflib import get_close_matches
from fractions import Fraction
from typing import Literal, get_args

from platemark.model.edition import PrintKind
from platemark.model.surface import Place
from platemark.model.terms import EdgeChoice, EdgeMode
from platemark.model.units import (
    ZERO,
    BadSize,
    Length,
    OneSide,
    Size,
    parse_full_size,
    parse_size,
)

Purpose = Literal["final", "test"]
Fit = Literal["hold", "crop", "border"]
Untagged = Literal["stop", "srgb-camera"]

# 1 ft = 12 in (international yard and pound agreement, 1959).
_FAR = re.compile(r"([0-9]{1,4}(?:\.[0-9]{1,4})?)\s*(m|ft)", re.IGNORECASE)
CROP_NAMES = ("centre", "top", "bottom", "left", "right")


@dataclass(frozen=True, slots=True)
class Layer:
    """What one place says: where it stands, and the words as they were written."""

    source: str
    """For people: `name “heron_16x20in.tif”`, `folder 16x20in`, `sidecar heron.tif.toml`."""
    values: tuple[tuple[str, str], ...]
    kind: Literal["default", "statement"] = "statement"


@dataclass(frozen=True, slots=True)
class Border:
    """White around the picture: left, top, right, bottom."""

    left: Length
    top: Length
    right: Length
    bottom: Length

    @classmethod
    def even(cls, length: Length) -> Border:
        """The same on all four sides."""
        return cls(length, length, length, length)

    @property
    def across_mm(self) -> Fraction:
        """Left and right together."""
        return self.left.mm + self.right.mm

    @property
    def down_mm(self) -> Fraction:
        """Top and bottom together."""
        return self.top.mm + self.bottom.mm

    def __str__(self) -> str:
        if self.left == self.top == self.right == self.bottom:
            return str(self.left)
        return f"{self.left} {self.top} {self.right} {self.bottom}"


@dataclass(frozen=True, slots=True)
class CropBox:
    """Part of the upright picture, as exact fractions of its width and height."""

    left: Decimal
    top: Decimal
    right: Decimal
    bottom: Decimal

    def __str__(self) -> str:
        return f"{self.left} {self.top} {self.right} {self.bottom}"


@dataclass(frozen=True, slots=True)
class Request:
    """One picture's request with every layer taken together."""

    size: Size | OneSide | None = None
    sheet: Size | None = None
    border: Border | None = None
    copies: int = 1
    lab: str | None = None
    surface: str | None = None
    purpose: Purpose = "final"
    fit: Fit = "hold"
    crop_at: str | CropBox = "centre"
    edge: EdgeChoice | None = None
    wrap: Length | None = None
    sharpen: Literal["none", "surface"] = "none"
    untagged: Untagged | None = None
    viewing: Length | None = None
    place: Place | None = None
    order: str | None = None
    set: str | None = None
    set_of: int | None = None
    title: str | None = None
    due: date | None = None
    finish: str | None = None
    mount: str | None = None
    hardware: str | None = None
    ship_to: str | None = None
    note: str | None = None
    remark: str | None = None
    allow: tuple[str, ...] = ()
    because: str | None = None
    by: str | None = None
    """Who allows it: one of the studio's people."""
    edition: str | None = None
    edition_kind: PrintKind = "print"
    replaces: int | None = None
    """The number of a destroyed print whose place this one takes."""
    strip: Literal["patches", "none"] = "none"
    """Whether a patch strip goes outside the trim, to be measured when it comes back."""
    steps: Literal["lightness", "shadows", "chroma", "a", "b"] | None = None
    """Which adjustment a test's sheet of steps varies; None for what the tones suggest."""


@dataclass(frozen=True, slots=True)
class Trouble:
    """Something in a request that a person must settle."""

    kind: Literal["unreadable", "disagree", "unknown-key"]
    key: str
    sentence: str
    choices: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Resolved:
    """A request, where each value came from, and what is wrong with it."""

    request: Request
    sources: tuple[tuple[str, str], ...] = ()
    troubles: tuple[Trouble, ...] = field(default=())


class _BadValue(ValueError):
    pass


def _one_of(*choices: str) -> Callable[[str], str]:
    def read(text: str) -> str:
        word = text.strip().lower()
        if word not in choices:
            raise _BadValue(f"“{text}” is none of {', '.join(choices)}")
        return word

    return read


def _count(lowest: int, highest: int) -> Callable[[str], int]:
    def read(text: str) -> int:
        if not re.fullmatch(r"[0-9]{1,6}", text.strip()) or not lowest <= int(text) <= highest:
            raise _BadValue(f"“{text}” is not a whole number from {lowest} to {highest}")
        return int(text)

    return read


def _words(text: str) -> str:
    if len(text) > 2000:
        raise _BadValue("it is longer than 2,000 characters")
    return text.strip()


def _identifier(text: str) -> str:
    word = text.strip().lower()
    if not re.fullmatch(r"[a-z0-9][a-z0-9-]{0,63}", word):
        raise _BadValue(
            f"“{text}” is not an id; write the name of its file in the studio without .toml, like "
            "smooth-rag"
        )
    return word


def _sheet(text: str) -> Size | None:
    return None if text.strip().lower() == "none" else parse_full_size(text)


def _border(text: str) -> Border | None:
    if text.strip().lower() == "none":
        return None
    parts = [Length.parse(part) for part in text.split()]
    if len(parts) == 1:
        return Border.even(parts[0])
    if len(parts) == 4:
        return Border(*parts)
    raise _BadValue(
        f"“{text}” is not a border; give none, one length or four: left top right bottom"
    )


def _crop_at(text: str) -> str | CropBox:
    word = text.strip().lower()
    if word in CROP_NAMES:
        return word
    parts = word.split()
    if len(parts) == 4 and all(re.fullmatch(r"[01](\.[0-9]{1,9})?", part) for part in parts):
        box = CropBox(*(Decimal(part) for part in parts))
        if box.left < box.right <= 1 and box.top < box.bottom <= 1:
            return box
    raise _BadValue(
        f"“{text}” is no place to crop; say {', '.join(CROP_NAMES)} "
        "or four fractions: left top right bottom, like 0 0.1 1 0.9"
    )


def _edge(text: str) -> EdgeChoice:
    mode, _, colour = text.strip().lower().partition(" ")
    choices: tuple[EdgeMode, ...] = get_args(EdgeMode)
    for choice in choices:
        if mode == choice and (choice == "solid") == bool(colour):
            if colour and not re.fullmatch(r"#[0-9a-f]{6}", colour):
                break
            return EdgeChoice(choice, colour or None)
    raise _BadValue(
        f"“{text}” is no way to fill an edge; say none, included, mirror, extend, image "
        "or solid #rrggbb"
    )


def _date(text: str) -> date:
    try:
        return date.fromisoformat(text.strip())
    except ValueError as error:
        raise _BadValue(f"“{text}” is not a date; write it like 2026-12-24") from error


def _distance(text: str) -> Length:
    """How far away somebody stands: in m or ft as well, kept in cm or in."""
    match = _FAR.fullmatch(text.strip())
    if match is None:
        return Length.parse(text)
    if match[2].lower() == "m":
        return Length(Decimal(match[1]) * 100, "cm")
    return Length(Decimal(match[1]) * 12, "in")


def _codes(text: str) -> tuple[str, ...]:
    return tuple(dict.fromkeys(text.replace(",", " ").split()))


READERS: dict[str, Callable[[str], object]] = {
    "size": parse_size,
    "sheet": _sheet,
    "border": _border,
    "copies": _count(1, 10_000),
    "lab": _identifier,
    "surface": _identifier,
    "purpose": _one_of("final", "test"),
    "fit": _one_of("hold", "crop", "border"),
    "crop_at": _crop_at,
    "edge": _edge,
    "wrap": Length.parse,
    "sharpen": _one_of("none", "surface"),
    "untagged": _one_of("stop", "srgb-camera"),
    "viewing": _distance,
    "place": _one_of("indoor", "bright", "humid", "outdoor"),
    "order": _words,
    "set": _words,
    "set_of": _count(1, 1000),
    "title": _words,
    "due": _date,
    "finish": _words,
    "mount": _words,
    "hardware": _words,
    "ship_to": _words,
    "note": _words,
    "remark": _words,
    "allow": _codes,
    "because": _words,
    "by": _words,
    "edition": _identifier,
    "edition_kind": _one_of("print", "proof"),
    "replaces": _count(1, 1_000_000),
    "strip": _one_of("patches", "none"),
    "steps": _one_of("lightness", "shadows", "chroma", "a", "b"),
}

PERSONAL_KEYS = ("order", "ship_to", "note", "remark")
"""Keys whose words may name a person; the record keeps them beside the chain."""


def read_value(key: str, text: str) -> object:
    """Read one value as the request has it.

    Raises:
        ValueError: the key is unknown or the text cannot be read; the message says what is right.
    """
    reader = READERS.get(key)
    if reader is None:
        raise _BadValue(f"“{key}” is not a key of a request")
    return reader(text)


def resolve(layers: Sequence[Layer]) -> Resolved:
    """Take all layers together.

    Args:
        layers: defaults first, from far to near; then statements, in any order.

    Returns:
        The request; where each value came from; and every trouble found, all at once.
    """
    troubles: list[Trouble] = []
    values: dict[str, object] = {}
    sources: dict[str, str] = {}
    for layer in (layer for layer in layers if layer.kind == "default"):
        for key, value in _readable(layer, troubles):
            values[key], sources[key] = value, layer.source
    said: dict[str, list[tuple[str, object]]] = {}
    for layer in (layer for layer in layers if layer.kind == "statement"):
        for key, value in _readable(layer, troubles):
            said.setdefault(key, []).append((layer.source, value))
    for key, sayings in said.items():
        first_source, first = sayings[0]
        others = [(source, value) for source, value in sayings if not _agree(first, value)]
        if others:
            troubles.append(_disagreement(key, [sayings[0], *others]))
        values[key], sources[key] = first, first_source
    return Resolved(_request(values), tuple(sorted(sources.items())), tuple(troubles))


def with_answers(resolved: Resolved, answers: Mapping[str, str]) -> Resolved:
    """Let a person's answer win over every layer, and settle what it answers.

    Raises:
        ValueError: an answer cannot be read.
    """
    if not answers:
        return resolved
    values = {key: read_value(key, text) for key, text in answers.items()}
    return Resolved(
        replace(resolved.request, **values),  # type: ignore[arg-type]
        tuple(sorted({**dict(resolved.sources), **dict.fromkeys(values, "decision")}.items())),
        tuple(t for t in resolved.troubles if t.key not in values),
    )


def _readable(layer: Layer, troubles: list[Trouble]) -> Iterable[tuple[str, object]]:
    for key, text in layer.values:
        if key not in READERS:
            near = get_close_matches(key, READERS, 1)
            meant = f"; {near[0]} may be meant" if near else ""
            troubles.append(
                Trouble(
                    "unknown-key",
                    key,
                    f"{layer.source} has “{key} = {text}”, which nobody knows{meant}.",
                )
            )
            continue
        try:
            yield key, read_value(key, text)
        except (_BadValue, BadSize) as error:
            troubles.append(Trouble("unreadable", key, f"{layer.source}, {key}: {error}."))


def _agree(one: object, other: object) -> bool:
    if isinstance(one, Size) and isinstance(other, Size):
        return one.same_as(other)
    if isinstance(one, Length) and isinstance(other, Length):
        return one.mm == other.mm
    return one == other


def _disagreement(key: str, sayings: list[tuple[str, object]]) -> Trouble:
    listed = "; ".join(f"{source} says {_shown(value)}" for source, value in sayings)
    choices = tuple(dict.fromkeys(f"{key}={_shown(value)}" for _, value in sayings))
    return Trouble(
        "disagree", key, f"The {key.replace('_', ' ')} is said twice: {listed}.", choices
    )


def _shown(value: object) -> str:
    if value is None:
        return "none"
    return " ".join(value) if isinstance(value, tuple) else str(value)


def _request(values: Mapping[str, object]) -> Request:
    return replace(Request(), **values)  # type: ignore[arg-type]


def border_or_none(border: Border | None) -> Border:
    """The border, or one of nothing."""
    return border if border is not None else Border.even(ZERO)
