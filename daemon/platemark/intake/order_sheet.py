"""Order sheets: a table of files and what is asked of each, as a spreadsheet program saves it.

A row is a statement about its file, as a sidecar is. Everything that is wrong with a sheet is found
at once; of a sheet with mistakes nothing counts, and `OrderSheet.names` tells which pictures it may
mean, so that none of them is printed with half of its request.
"""

from __future__ import annotations

import codecs
import csv
import io
import re
import unicodedata
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass
from difflib import get_close_matches

from platemark.intake.names import split_extension
from platemark.intake.plain_text import harmless
from platemark.model.job import shown_name
from platemark.model.request import READERS, Layer, read_value

LARGEST = 2_000_000
"""Bytes; a larger file is no order sheet."""

FILE = "file"
"""The heading of the column with the files' names."""

SOURCE = "order sheet “"
"""Begins the source of every layer that is a row."""

_KEYS = (FILE, *READERS)
_DELIMITERS = (",", ";", "\t")
_SAVE_AS = "In the spreadsheet program choose “Save as”, then CSV and, for the text, UTF-8"
_MEANT = {
    "amount": "copies", "filename": FILE, "files": FILE, "image": FILE, "name": FILE,
    "number": "copies", "paper": "surface", "picture": FILE, "prints": "copies", "qty": "copies",
    "quantity": "copies", "material": "surface", "client": "order", "job": "order",
    "comment": "note", "notes": "note", "printer": "lab", "date": "due", "deadline": "due",
    "dimensions": "size",
}  # fmt: skip
"""Headings that people write, and the key that they mean."""
_LENGTHS = ("size", "sheet", "border", "wrap", "viewing")
_DECIMAL_COMMA = re.compile(r"(?<=[0-9]),(?=[0-9])")
_DRIVE = re.compile(r"[A-Za-z]:")
_WORDS = re.compile(r'[,;\t\r\n"/\\]+')


@dataclass(frozen=True, slots=True)
class Row:
    """One row that asks for something."""

    number: int
    """As a spreadsheet program counts: the headings are row 1, empty rows count."""
    file: str
    """A name, or a path from the sheet's folder with `/` between; composed (Unicode NFC)."""
    surface: str | None
    """The surface that the row names."""
    layer: Layer
    """What it says of the file."""


@dataclass(frozen=True, slots=True)
class OrderSheet:
    """What a sheet says, or what is wrong with it."""

    name: str
    """For people."""
    rows: tuple[Row, ...] = ()
    """Empty where there are mistakes."""
    mistakes: tuple[str, ...] = ()
    """Every one, a sentence each; nothing of the sheet counts while there are any."""
    names: frozenset[str] | None = frozenset()
    """What a sheet with mistakes may name, folded; None where that cannot be known."""

    def may_mean(self, path: bytes) -> bool:
        """Whether a sheet with mistakes may name a file of that path."""
        if self.names is None:
            return True
        name = path.rsplit(b"/", 1)[-1]
        stem, _ = split_extension(name)
        return any(self.names.issuperset(_words_in(_folded(each))) for each in (name, stem))


def read_sheet(
    name: str,
    data: bytes,
    *,
    folder_surface: str | None,
    surfaces: Collection[str],
    labs: Collection[str],
    most_rows: int,
) -> OrderSheet:
    """Read an order sheet as a spreadsheet program saves it.

    UTF-8, with or without a mark in front, and UTF-16 with one (Unicode 3.10); comma, semicolon or
    tab, told from the headings; quotes as in RFC 4180; any line end. Text that is neither is
    refused: which of the older encodings it has cannot be known, and a wrong guess is a wrong name.

    Args:
        name: The sheet's name, for people.
        data: Its bytes; of a larger one than `LARGEST` one byte more is enough.
        folder_surface: The surface in whose hot folder it lies; None in the hot root itself.
        surfaces: Ids of the studio's surfaces.
        labs: Ids of its labs.
        most_rows: Rows that a sheet may have.
    """
    if len(data) > LARGEST:
        said = f"It is larger than {LARGEST // 1_000_000} MB. Cut it into several sheets."
        return OrderSheet(name, mistakes=(said,), names=None)
    try:
        text = _text(data)
    except ValueError as error:
        return OrderSheet(name, mistakes=(str(error),), names=_named(_guesses(data)))
    mistakes: list[str] = []
    try:
        table = _Table.of(text, mistakes)
    except ValueError as error:
        return OrderSheet(name, mistakes=(str(error),), names=_named((text,)))
    if len(table.records) > most_rows:
        mistakes.append(
            f"It has {len(table.records):,} rows, and the studio takes at most {most_rows:,}. Cut "
            "it into several sheets, or raise sheet_rows in studio.toml and start again."
        )
        return OrderSheet(name, mistakes=tuple(mistakes), names=_named((text,)))
    reader = _Rows(name, table.headings, folder_surface, surfaces, labs, mistakes)
    rows = tuple(row for number, cells in table.records if (row := reader.row(number, cells)))
    _said_twice(rows, mistakes)
    if not mistakes and not rows:
        mistakes.append("It has headings and no rows. Write one row for each print.")
    if mistakes:
        return OrderSheet(name, mistakes=tuple(mistakes), names=_named((text,)))
    return OrderSheet(name, rows)


# -- text ------------------------------------------------------------------------------------------


def _text(data: bytes) -> str:
    """The sheet's text.

    Raises:
        ValueError: it is in no encoding that can be told; the message says what to do.
    """
    if not data.strip():
        raise ValueError("It is empty. Write the headings in its first row, such as file, size.")
    wide = data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE))
    try:
        text = data.decode("utf-16" if wide else "utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        where = "" if wide else f" (the first sign that is not is in line {line})"
        raise ValueError(f"Its text is not UTF-8{where}. {_SAVE_AS}.") from error
    if "\0" in text:
        raise ValueError(f"It is no text, or its text is not UTF-8. {_SAVE_AS}.")
    return text


def _guesses(data: bytes) -> Iterator[str]:
    """What bytes of an unknown encoding may say; good enough to find names in, no more.

    Windows 1252 and ISO 8859-1 differ in signs that file names hardly have.
    """
    for encoding in ("utf-8", "utf-16-le", "utf-16-be", "cp1252", "mac-roman", "cp850"):
        yield data.decode(encoding, "replace")


def _named(texts: Iterable[str]) -> frozenset[str]:
    """Everything in a text that may be a file's name, with and without its folder and ending."""
    found: set[str] = set()
    for text in texts:
        found.update(_words_in(_fold(text)))
    return frozenset(found)


def _words_in(text: str) -> Iterator[str]:
    """The parts of a text between signs that may part columns, rows or folders."""
    return (word for each in _WORDS.split(text) if (word := each.strip()))


def _fold(text: str) -> str:
    return unicodedata.normalize("NFC", text).casefold()


def _folded(name: bytes) -> str:
    return _fold(name.decode("utf-8", "surrogateescape"))


# -- the table -------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Table:
    headings: tuple[str, ...]
    """Keys by column; empty where a column has none."""
    records: tuple[tuple[int, tuple[str, ...]], ...]
    """Row numbers and cells of the rows that are not empty."""

    @classmethod
    def of(cls, text: str, mistakes: list[str]) -> _Table:
        """Cut a text into rows and cells, and read the headings.

        Raises:
            ValueError: there is no table; the message says why.
        """
        records = list(_records(text, _delimiter(text)))
        if not records:
            raise ValueError(
                "It is empty. Write the headings in its first row, such as file, size."
            )
        (_, first), *rest = records
        # A sheet may be made to have half a million columns.
        first = first[: max((at for at, cell in enumerate(first, 1) if cell), default=0)]
        headings = tuple(_key(cell) for cell in first[: _MOST_COLUMNS + 1])
        if FILE not in headings:
            raise ValueError(
                f"No column is headed “{FILE}”: its first row is “{_shown(' | '.join(first))}”. "
                "Write the headings in the first row, such as file, size, copies."
            )
        mistakes += _wrong_headings(first, headings)
        return cls(headings, tuple(rest))


def _records(text: str, delimiter: str) -> Iterator[tuple[int, tuple[str, ...]]]:
    """Rows that are not empty, with their numbers.

    Raises:
        ValueError: the quotes are not in pairs.
    """
    rows = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    number = 0
    while True:
        number += 1
        try:
            cells = tuple(cell.strip() for cell in next(rows))
        except StopIteration:
            return
        except csv.Error as error:
            why = 'a quote " is missing, or there is one too many'
            if "field limit" in str(error):
                why = "one of its cells is far longer than any request"
            raise ValueError(f"Row {number} cannot be read: {why}.") from error
        if any(cells):
            yield number, cells


_MOST_COLUMNS = 100
_LONGEST_TRIED = 10_000
"""Signs of the headings that are looked at to tell what parts them."""


def _delimiter(text: str) -> str:
    """What stands between cells: that which makes most known keys of the headings."""
    line = next((line for line in text.splitlines() if line.strip(" \t,;")), "")[:_LONGEST_TRIED]

    def known(delimiter: str) -> tuple[int, int]:
        try:
            cells = next(csv.reader([line], delimiter=delimiter), [])
        except csv.Error:
            return 0, 0  # a cell beyond what the library takes; told when the rows are read
        return sum(_key(cell) in _KEYS for cell in cells), len(cells)

    return max(_DELIMITERS, key=known)


def _key(heading: str) -> str:
    return re.sub(r"[\s_-]+", "_", unicodedata.normalize("NFC", heading).strip().casefold())


def _wrong_headings(written: tuple[str, ...], headings: tuple[str, ...]) -> Iterator[str]:
    if len(written) > _MOST_COLUMNS:
        yield f"It has {len(written):,} columns; a sheet has at most {_MOST_COLUMNS}."
        return
    for at, key in enumerate(headings):
        if not key:
            continue  # told where a row has something in it
        if key not in _KEYS:
            near = get_close_matches(key, _KEYS, 1)
            meant = _MEANT.get(key) or (near[0] if near else "")
            hint = f"Is {meant} meant?" if meant else f"There are {', '.join(_KEYS)}."
            yield (
                f"Nobody knows the heading “{_shown(written[at])}”. {hint} A column that is only "
                "for yourself has to be taken out."
            )
        elif key in headings[:at]:
            yield f"Two columns are headed “{key}”. Keep one of them."


# -- rows ------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Rows:
    """Reads rows one by one; what is wrong is added to `mistakes`."""

    sheet: str
    headings: tuple[str, ...]
    folder_surface: str | None
    surfaces: Collection[str]
    labs: Collection[str]
    mistakes: list[str]

    def row(self, number: int, cells: tuple[str, ...]) -> Row | None:
        """Read a row; None where it has mistakes."""
        before = len(self.mistakes)
        if why := self._too_many(cells):
            # Its cells are not under their headings, so nothing else of it can be judged.
            self._say(number, why)
            return None
        said: dict[str, str] = {}
        for key, cell in zip(self.headings, cells, strict=False):
            if cell and key in _KEYS:
                # A file's name is compared with those that are there, as it is.
                said.setdefault(key, cell if key == FILE else harmless(cell))
        file, why = _file(said.pop(FILE, ""))
        self._say(number, why)
        for key, text in said.items():
            self._say(number, self._wrong(key, text))
        if len(self.mistakes) > before:
            return None
        source = f"{SOURCE}{self.sheet}”, row {number}"
        return Row(number, file, said.get("surface"), Layer(source, tuple(said.items())))

    def _say(self, number: int, why: str) -> None:
        if why:
            self.mistakes.append(f"Row {number}: {why}")

    def _too_many(self, cells: tuple[str, ...]) -> str:
        headed = len(self.headings)
        extra = [cell for cell in cells[headed:] if cell]
        if extra:
            return (
                f"“{_shown(extra[0])}” stands to the right of the last heading. Text with the sign "
                "that parts the columns needs quotes around it; measures are written with a point, "
                "like 40.5x60cm."
            )
        for key, cell in zip(self.headings, cells, strict=False):
            if cell and not key:
                return f"“{_shown(cell)}” stands in a column without a heading."
        return ""

    def _wrong(self, key: str, text: str) -> str:
        """What is wrong with one value; empty where nothing is."""
        try:
            value = read_value(key, text)
        except ValueError as error:
            return _with_a_point(key, text) or f"{key}: {_shown(str(error))}."
        if key == "surface" and self.folder_surface not in (None, value):
            return (
                f"surface: the sheet lies in hot/{self.folder_surface}, so it orders on that "
                "surface alone. Move it to hot/ itself to order on others."
            )
        known = {"surface": self.surfaces, "lab": self.labs}.get(key)
        if known is not None and value not in known:
            near = get_close_matches(str(value), sorted(known), 1)
            meant = f"Is {near[0]} meant?" if near else f"There are {', '.join(sorted(known))}."
            return f"{key}: there is no “{_shown(text)}”. {meant}"
        return ""


def _with_a_point(key: str, text: str) -> str:
    """What to say of a measure with a decimal comma; empty where that is not what is wrong."""
    if key not in _LENGTHS:
        return ""
    right = _DECIMAL_COMMA.sub(".", text)
    try:
        read_value(key, right)
    except ValueError:
        return ""
    return f"{key}: “{_shown(text)}” has a comma; write it with a point, {right}."


def _file(written: str) -> tuple[str, str]:
    """The file that a row names, and what is wrong with it."""
    path = unicodedata.normalize("NFC", written).replace("\\", "/")
    shown = _shown(written)
    parts = [part.strip() for part in path.split("/")]
    if not path:
        return "", "it names no file."
    if path.startswith("/") or _DRIVE.match(path) or ".." in parts:
        return "", (
            f"“{shown}” leads out of the sheet's folder. Write the file's name, like heron.tif, or "
            "its way from the sheet, like wedding/heron.tif."
        )
    parts = [part for part in parts if part not in ("", ".")]
    if not parts or "\0" in path:
        return "", f"“{shown}” is no file's name."
    if not split_extension(parts[-1].encode("utf-8", "surrogatepass"))[1]:
        return "", f"“{shown}” has no ending. Write the file's whole name, like heron.tif."
    return "/".join(parts), ""


def _said_twice(rows: tuple[Row, ...], mistakes: list[str]) -> None:
    seen: dict[tuple[str, tuple[tuple[str, str], ...]], Row] = {}
    for row in rows:
        first = seen.setdefault((row.file, row.layer.values), row)
        if first is not row:
            mistakes.append(
                f"Rows {first.number} and {row.number} say the very same of {_shown(row.file)}. "
                "Take one out; for two prints write copies 2."
            )


def _shown(text: str) -> str:
    flat = shown_name(" ".join(text.split()).encode("utf-8", "replace"))
    return flat if len(flat) <= 120 else f"{flat[:119]}…"


# -- which file a row means ------------------------------------------------------------------------


class Files:
    """Paths under the hot root, to find what a row means among them.

    Names are compared composed (Unicode NFC): as written first, then in whatever case.
    """

    def __init__(self, paths: Iterable[bytes]) -> None:
        self._paths = frozenset(paths)
        self._by_path: dict[str, list[bytes]] = {}
        self._by_name: dict[str, list[bytes]] = {}
        self._folded_paths: dict[str, list[bytes]] = {}
        self._folded_names: dict[str, list[bytes]] = {}
        for path in self._paths:
            text = unicodedata.normalize("NFC", path.decode("utf-8", "surrogateescape"))
            name = text.rpartition("/")[2]
            self._by_path.setdefault(text, []).append(path)
            self._by_name.setdefault(name, []).append(path)
            self._folded_paths.setdefault(text.casefold(), []).append(path)
            self._folded_names.setdefault(name.casefold(), []).append(path)

    def has(self, path: bytes) -> bool:
        """Whether a path is among them, byte for byte."""
        return path in self._paths

    def find(self, row: Row, folder: bytes) -> tuple[bytes, ...]:
        """Files that a row means; more than one where it cannot be told.

        Args:
            row: The row; where it names a surface, only files of that surface are looked at.
            folder: The sheet's folder under the hot root; empty for the root itself.
        """
        scope = unicodedata.normalize("NFC", folder.decode("utf-8", "surrogateescape"))
        below = f"{scope}/" if scope else ""
        ways = [below + row.file]
        if not scope and row.surface is not None:
            ways.append(f"{row.surface}/{row.file}")
            below = f"{row.surface}/"
        return self._of_paths(ways, below) or self._of_name(row.file, below)

    def find_anywhere(self, row: Row) -> tuple[bytes, ...]:
        """Files that a row of a sheet in the hot root means, whatever their surface."""
        return self._of_paths([row.file], "") or self._of_name(row.file, "")

    def _of_paths(self, ways: list[str], below: str) -> tuple[bytes, ...]:
        for paths, written in ((self._by_path, str), (self._folded_paths, str.casefold)):
            for way in ways:
                if found := _below(paths.get(written(way), ()), below):
                    return found
        return ()

    def _of_name(self, file: str, below: str) -> tuple[bytes, ...]:
        if "/" in file:
            return ()
        return _below(self._by_name.get(file, ()), below) or _below(
            self._folded_names.get(file.casefold(), ()), below
        )

    def like(self, file: str) -> str:
        """The name of a file here that is most like one that is missing; empty where none is."""
        near = get_close_matches(file.rpartition("/")[2], self._by_name, 1, 0.8)
        return _shown(near[0]) if near else ""


def _below(paths: Iterable[bytes], below: str) -> tuple[bytes, ...]:
    front = below.casefold()
    return tuple(
        path
        for path in paths
        if unicodedata.normalize("NFC", path.decode("utf-8", "surrogateescape"))
        .casefold()
        .startswith(front)
    )


def said_in(layers: Iterable[Layer]) -> Layer | None:
    """The row of an order sheet among layers, or None."""
    return next((layer for layer in layers if layer.source.startswith(SOURCE)), None)


def same_words(one: Layer, other: Layer) -> bool:
    """Whether two rows say the same, in whatever order of columns."""
    return _as_read(dict(one.values)) == _as_read(dict(other.values))


def _as_read(values: Mapping[str, str]) -> dict[str, object]:
    read: dict[str, object] = {}
    for key, text in values.items():
        try:
            read[key] = read_value(key, text)
        except ValueError:
            read[key] = text
    return read
