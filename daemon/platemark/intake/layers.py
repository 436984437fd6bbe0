"""Gathers what is asked of one file: from its surface, its folders, its name and its sidecar."""

from __future__ import annotations

import errno
import os
import re
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from decimal import Decimal
from pathlib import Path

from platemark import durable
from platemark.intake.drop_files import NotAPlainFile, open_drop
from platemark.intake.names import (
    almost_copies_of,
    almost_size_in,
    almost_size_of,
    size_in,
    words_in,
    words_of,
)
from platemark.intake.plain_text import flat, harmless
from platemark.intake.scan import REQUEST, SIDECAR
from platemark.model.job import shown_name
from platemark.model.request import Layer, Trouble

LONGEST_REQUEST = 64 * 1024
"""Bytes; a larger file is no request."""

_HOW = 'Write each key once, in lines like size = "16x20in" or copies = 2.'
_LINE = re.compile(r"\(at (?:line ([0-9]+), column [0-9]+|end of document)\)\Z")
# Numbers with more digits than any request needs are refused before they are written out.
_MOST_DIGITS = 12


@dataclass(frozen=True, slots=True)
class Gathered:
    """Everything that is said about one file, as it was written."""

    layers: tuple[Layer, ...]
    """Defaults from far to near, then statements: as `request.resolve` takes them."""
    troubles: tuple[Trouble, ...]
    """What could not be read; `resolve` finds what is wrong with the values."""
    sidecar: bytes | None
    """Path under the hot root of the sidecar that was read, even where it made no sense."""
    sidecar_identity: tuple[int, ...] | None
    """`durable.identity` of it when it was read."""


@dataclass(slots=True)
class _File:
    """One request file that is there."""

    source: str
    values: tuple[tuple[str, str], ...] = ()
    identity: tuple[int, ...] | None = None
    troubles: list[Trouble] = field(default_factory=list)


class _NoValue(ValueError):
    """A value of a kind that no request has; says what it is."""


def gather(
    root: Path,
    relative: bytes,
    surface_defaults: Sequence[tuple[str, str]] = (),
    *,
    ordered: Layer | None = None,
    surface: str | None = None,
) -> Gathered:
    """Collect every layer for one file; the file itself need not be there any more.

    Args:
        root: The hot folders' root.
        relative: The file's path under it; the first folder is the surface's.
        surface_defaults: What the surface's own settings give.
        ordered: The row of an order sheet that asks for this file.
        surface: Where the row asks for another surface than the folder's: what the folders say
            for their own surface does not count then, and that surface's own `request.toml` does.

    Returns:
        The layers, and what could not be read, all at once. Folder names that are no size become
        a default for the order's name that everything else outdoes. What was meant as a size and
        is none is told where nothing else gives a size.
    """
    *folders, name = relative.split(b"/")
    defaults, sizes, almost = _from_folders(folders[1:])
    if surface is not None and os.fsencode(surface) != folders[0]:
        folders, sizes, almost = [os.fsencode(surface)], [], []
    if surface_defaults:
        settings = f"surface {shown_name(folders[0])}"
        defaults.append(Layer(settings, tuple(surface_defaults), "default"))
    troubles: list[Trouble] = []
    for found in _request_files(root, folders):
        troubles += found.troubles
        if found.values:
            defaults.append(Layer(found.source, found.values, "default"))
    beside = relative + SIDECAR
    sidecar = _read(root, beside, f"sidecar “{shown_name(name + SIDECAR)}”")
    if sidecar is not None:
        troubles += sidecar.troubles
    layers = (*defaults, *_stated(sidecar, ordered), *words_of(name), *sizes)
    if not any(key in ("size", "sheet") for layer in layers for key, _ in layer.values):
        troubles += filter(None, (*almost, almost_size_of(name)))
    if not any(key == "copies" for layer in layers for key, _ in layer.values):
        troubles += filter(None, (almost_copies_of(name),))
    return Gathered(
        layers=layers,
        troubles=tuple(troubles),
        sidecar=beside if sidecar is not None and sidecar.identity is not None else None,
        sidecar_identity=sidecar.identity if sidecar is not None else None,
    )


def _stated(sidecar: _File | None, ordered: Layer | None) -> Iterator[Layer]:
    """What a sidecar and an order sheet's row state."""
    if sidecar is not None and sidecar.values:
        yield Layer(sidecar.source, sidecar.values)
    if ordered is not None:
        yield ordered


def _request_files(root: Path, folders: Sequence[bytes]) -> Iterator[_File]:
    """Every `request.toml` on the way to a file, from far to near."""
    for depth in range(1, len(folders) + 1):
        at = b"/".join(folders[:depth])
        found = _read(root, at + b"/" + REQUEST, f"request.toml in {shown_name(at)}")
        if found is not None:
            yield found


def _from_folders(
    folders: Sequence[bytes],
) -> tuple[list[Layer], list[Layer], list[Trouble]]:
    """The order that folder names give, the sizes they give, and what is no size as it stands."""
    sizes: list[Layer] = []
    others: list[str] = []
    almost: list[Trouble] = []
    for folder in folders:
        if (size := size_in(folder)) is not None:
            sizes.append(Layer(f"folder “{shown_name(folder)}”", (("size", size),)))
        elif (meant := almost_size_in(folder)) is not None:
            almost.append(meant)
        else:
            others.append(words_in(folder))
    if not others:
        return [], sizes, almost
    order = " / ".join(others)
    return [Layer(f"folder “{order}”", (("order", order),), "default")], sizes, almost


def _read(root: Path, relative: bytes, source: str) -> _File | None:
    """Read one request file; None where there is none."""
    found = _File(source)
    try:
        descriptor = open_drop(root, relative)
    except (FileNotFoundError, NotADirectoryError):
        return None
    except NotAPlainFile:
        found.troubles.append(_trouble(f"{source} is a link or no ordinary file. Copy it here."))
        return found
    except OSError as error:
        # Beside a picture of the longest name there is no room for a sidecar's longer one.
        if error.errno == errno.ENAMETOOLONG:
            return None
        found.troubles.append(_trouble(f"{source} cannot be read: {error.strerror}."))
        return found
    try:
        with os.fdopen(descriptor, "rb") as file:
            found.identity = durable.identity(os.fstat(file.fileno()))
            data = file.read(LONGEST_REQUEST + 1)
    except OSError as error:
        found.troubles.append(_trouble(f"{source} cannot be read: {error.strerror}."))
        return found
    found.values = _values(data, found)
    return found


def _values(data: bytes, found: _File) -> tuple[tuple[str, str], ...]:
    if len(data) > LONGEST_REQUEST:
        found.troubles.append(
            _trouble(f"{found.source} is longer than {LONGEST_REQUEST // 1024} KiB. {_HOW}")
        )
        return ()
    try:
        # Some editors put an invisible mark in front.
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        found.troubles.append(_trouble(f"{found.source} is not plain text. Save it as UTF-8 text."))
        return ()
    try:
        table = tomllib.loads(text, parse_float=Decimal)
    except (ValueError, RecursionError, ArithmeticError) as error:
        at = _LINE.search(str(error))
        line = "" if at is None else at[1] or len(text.rstrip().splitlines())
        where = f", line {line}," if line else ""
        found.troubles.append(_trouble(f"{found.source}{where} cannot be read. {_HOW}"))
        return ()
    return tuple(_texts(table, text, found))


def _texts(table: Mapping[str, object], text: str, found: _File) -> list[tuple[str, str]]:
    texts: list[tuple[str, str]] = []
    for key, value in table.items():
        try:
            texts.append((harmless(key), _text(value)))
        except _NoValue as error:
            where = f", line {line}" if (line := _line_of(key, text)) else ""
            shown = flat(key)
            found.troubles.append(
                _trouble(f"{found.source}{where}: “{shown}” is {error}. {_HOW}", key)
            )
    return texts


def _text(value: object) -> str:
    """A value as the readers of a request take it.

    Raises:
        _NoValue: no request has a value of that kind.
    """
    if isinstance(value, list):
        if any(isinstance(each, list) for each in value):
            raise _NoValue("a list in a list")
        return " ".join(_text(each) for each in value)
    if isinstance(value, str):
        return harmless(value)
    if isinstance(value, bool):
        raise _NoValue("true or false, which says nothing here")
    if isinstance(value, int | Decimal):
        return _number(value)
    if isinstance(value, date) and not isinstance(value, datetime):
        return value.isoformat()
    if isinstance(value, Mapping):
        raise _NoValue("a group of its own; requests have none")
    raise _NoValue("a time; give a date like 2026-12-24")


def _number(value: int | Decimal) -> str:
    if isinstance(value, Decimal):
        digits = len(value.as_tuple().digits)
        if not value.is_finite() or max(digits, abs(value.adjusted())) > _MOST_DIGITS:
            raise _NoValue("no number that can be used")
        return f"{value:f}"
    if abs(value) >= 10**_MOST_DIGITS:
        raise _NoValue("no number that can be used")
    return str(value)


def _line_of(key: str, text: str) -> int | None:
    """The line on which a key begins, where it is written plainly."""
    begins = re.compile(rf"""\s*\[?\s*["']?{re.escape(key)}["']?\s*[=.\]]""")
    for number, line in enumerate(text.splitlines(), 1):
        if begins.match(line):
            return number
    return None


def _trouble(sentence: str, key: str = "") -> Trouble:
    return Trouble("unreadable", key, sentence[0].upper() + sentence[1:])
