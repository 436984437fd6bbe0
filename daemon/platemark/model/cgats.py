"""Measured colours as text, in the keyword form of CGATS.17 and ISO 28178.

Programs write it in many ways, so it is read leniently: any line ends, tabs or spaces, quoted
words, comments, several tables, names of fields in any case, UTF-8, UTF-16 or Latin-1. It is never
read by guessing: a count that is wrong, a row too short, a comma for a decimal point or a number
that is none is a fault that names its line. Nothing here grows beyond a few times the file.
"""

from __future__ import annotations

import codecs
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from decimal import Decimal, InvalidOperation

LARGEST_FILE = 8 << 20
"""Bytes; a strip is some thousands, the largest charts of the trade some hundred thousands."""
MOST_ROWS, MOST_FIELDS, MOST_TABLES, MOST_WORDS = 20_000, 500, 20, 2_000
MOST_LINES, LONGEST_LINE = 200_000, 100_000
_LONGEST_TOKEN = 2_000
_SHOWN = 40

_TOKEN = re.compile(r'"((?:[^"]|"")*)"|\'([^\']*)\'|([^\s"\'][^\s]*)')
_NUMBER = re.compile(
    r"[+-]?(?:[0-9]{1,12}(?:\.[0-9]{0,30})?|\.[0-9]{1,30})(?:[eE][+-]?[0-9]{1,2})?"
)
_COMMA = re.compile(r"[+-]?[0-9]+,[0-9]+")
_MARKS = {"BEGIN_DATA_FORMAT", "BEGIN_DATA"}
_COUNTS = {"NUMBER_OF_FIELDS", "NUMBER_OF_SETS"}
_BOMS = ((codecs.BOM_UTF8, "utf-8"), (codecs.BOM_UTF16_LE, "utf-16-le"),
         (codecs.BOM_UTF16_BE, "utf-16-be"))  # fmt: skip


class BadReadings(ValueError):
    """A file of readings that cannot be used; the message says what and where, `hint` what next."""

    def __init__(self, sentence: str, hint: str = "") -> None:
        super().__init__(sentence)
        self.hint = hint


@dataclass(frozen=True, slots=True)
class Row:
    """One set of data."""

    line: int
    """Of the file, from 1, where it begins."""
    cells: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Table:
    """One table: what is said above it, its fields and its rows."""

    words: Mapping[str, str]
    """Keywords in capitals, with what they say; what an earlier table said counts too."""
    fields: tuple[str, ...]
    """In capitals."""
    rows: tuple[Row, ...]
    remarks: tuple[str, ...] = ()
    """Comments above the data."""

    def has(self, *fields: str) -> bool:
        """Whether it has all of these fields."""
        return all(each in self.fields for each in fields)

    def texts(self, name: str) -> tuple[str, ...]:
        """A field of every row, as it stands.

        Raises:
            KeyError: there is no such field.
        """
        if name not in self.fields:
            raise KeyError(name)
        place = self.fields.index(name)
        return tuple(row.cells[place] for row in self.rows)

    def numbers(self, *fields: str) -> tuple[tuple[Decimal, ...], ...]:
        """Some fields of every row as numbers.

        Raises:
            BadReadings: one is no number.
            KeyError: there is no such field.
        """
        places = [(name, self.fields.index(name)) for name in fields if name in self.fields]
        if len(places) != len(fields):
            raise KeyError(fields)
        return tuple(
            tuple(_number(row.cells[place], name, row.line) for name, place in places)
            for row in self.rows
        )


@dataclass(slots=True)
class _Making:
    """A table as far as it was read."""

    words: dict[str, str]
    remarks: list[str]
    fields: list[str] = field(default_factory=list)
    counts: dict[str, int] = field(default_factory=dict)
    part: str = ""
    """The mark of the part that is being read; empty between parts."""
    begun: int = 0


def read_tables(data: bytes) -> tuple[Table, ...]:
    """Read a file of measured colours.

    Args:
        data: The whole file.

    Returns:
        Its tables, at least one.

    Raises:
        BadReadings: it is none, or is not whole; the message names the line.
    """
    if len(data) > LARGEST_FILE:
        raise BadReadings(
            f"It has {len(data):,} bytes, and readings have {LARGEST_FILE:,} at most.",
            "Hand in the instrument's text file of this strip alone.",
        )
    reading = _Reading()
    for number, line in enumerate(_lines(data), 1):
        reading.take(number, line)
    return reading.finished()


class _Reading:
    """Takes lines one by one."""

    def __init__(self) -> None:
        self._tables: list[Table] = []
        self._making = _Making({}, [])
        self._cells: list[str] = []
        self._rows: list[Row] = []
        self._row_line = 0
        self._is_first = True

    def take(self, number: int, line: str) -> None:
        """Take one more line.

        Raises:
            BadReadings: it cannot be part of readings.
        """
        if len(line) > LONGEST_LINE:
            raise BadReadings(f"Line {number} has more than {LONGEST_LINE:,} letters.")
        tokens, remark = _split(line, number)
        if remark and self._making.part != "BEGIN_DATA":
            self._remember(remark)
        if not tokens:
            return
        first, is_quoted = tokens[0]
        mark = first.upper()
        making = self._making
        if making.part and not is_quoted and mark == making.part.replace("BEGIN", "END"):
            self._close(number)
        elif making.part == "BEGIN_DATA":
            self._take_cells(number, [text for text, _ in tokens])
        elif making.part:
            making.fields += [text.upper() for text, _ in tokens]
            if len(making.fields) > MOST_FIELDS:
                raise BadReadings(f"Line {number}: a row has more than {MOST_FIELDS} fields.")
        elif not is_quoted and mark in _MARKS:
            self._open(number, mark)
        elif not is_quoted and mark in _COUNTS:
            self._count(number, mark, [text for text, _ in tokens[1:]])
        else:
            self._say(number, tokens)
        self._is_first = False

    def finished(self) -> tuple[Table, ...]:
        """All tables.

        Raises:
            BadReadings: there is none, or the last one has no end.
        """
        if self._making.part:
            begun = self._making.begun
            raise BadReadings(
                f"{self._making.part} of line {begun} has no end: the file is cut off.",
                "Export it again.",
            )
        if not self._tables:
            raise BadReadings(
                "There is no table of data in it (BEGIN_DATA … END_DATA).",
                "Hand in the instrument's CGATS text file, not its picture or its sheet.",
            )
        return tuple(self._tables)

    def _open(self, number: int, mark: str) -> None:
        making = self._making
        if mark == "BEGIN_DATA_FORMAT":
            making.fields = []
        elif not making.fields:
            # A further table may keep the fields of the one before.
            making.fields = list(self._tables[-1].fields) if self._tables else []
            if not making.fields:
                raise BadReadings(
                    f"Line {number}: data begin, and nothing said before what its columns are "
                    "(BEGIN_DATA_FORMAT).",
                    "Export it again with the names of the fields.",
                )
        making.part, making.begun = mark, number

    def _close(self, number: int) -> None:
        making = self._making
        was, making.part = making.part, ""
        if was == "BEGIN_DATA_FORMAT":
            _refuse_fields(making.fields, making.counts.get("NUMBER_OF_FIELDS"), number)
            return
        if self._cells:
            raise BadReadings(
                f"Line {self._row_line}: the last row has {len(self._cells)} values for "
                f"{len(making.fields)} fields.",
                "Export it again; a value is missing.",
            )
        stated = making.counts.get("NUMBER_OF_SETS")
        if stated is not None and stated != len(self._rows):
            raise BadReadings(
                f"It says NUMBER_OF_SETS {stated}, and {len(self._rows)} rows are there.",
                "Export it again; part of it may be missing.",
            )
        if len(self._tables) >= MOST_TABLES:
            raise BadReadings(f"Line {number}: it has more than {MOST_TABLES} tables.")
        rows = tuple(self._rows)
        self._tables.append(
            Table(dict(making.words), tuple(making.fields), rows, tuple(making.remarks))
        )
        self._rows = []
        self._making = _Making(dict(making.words), list(making.remarks))

    def _take_cells(self, number: int, cells: list[str]) -> None:
        """Rows are counted by their values; a row may run over lines, a line over rows."""
        width = len(self._making.fields)
        for cell in cells:
            if not self._cells:
                self._row_line = number
            self._cells.append(cell)
            if len(self._cells) == width:
                self._rows.append(Row(self._row_line, tuple(self._cells)))
                self._cells = []
        if self._cells and any(_COMMA.fullmatch(cell) for cell in cells):
            _refuse_comma(next(cell for cell in cells if _COMMA.fullmatch(cell)), number)
        if len(self._rows) > MOST_ROWS:
            raise BadReadings(f"Line {number}: it has more than {MOST_ROWS:,} rows.")

    def _count(self, number: int, mark: str, said: list[str]) -> None:
        if len(said) != 1 or not re.fullmatch(r"[0-9]{1,9}", said[0]):
            shown = " ".join(said)[:_SHOWN]
            raise BadReadings(f"Line {number}: {mark} says “{shown}”, which is no count.")
        if mark in self._making.counts and self._making.counts[mark] != int(said[0]):
            raise BadReadings(f"Line {number}: {mark} is said twice, and differently.")
        self._making.counts[mark] = int(said[0])

    def _say(self, number: int, tokens: list[tuple[str, bool]]) -> None:
        name, value = tokens[0][0].upper(), " ".join(text for text, _ in tokens[1:])
        if self._is_first and not value:
            name, value = "FILE_TYPE", tokens[0][0]
        elif not re.fullmatch(r"[A-Z][A-Z0-9_.\-]{0,79}", name):
            raise BadReadings(
                f"Line {number} is neither a keyword nor data: “{tokens[0][0][:_SHOWN]}”.",
                "Hand in the instrument's CGATS text file.",
            )
        elif name == "KEYWORD":
            return
        self._remember()
        self._making.words[name] = value[:_LONGEST_TOKEN]

    def _remember(self, remark: str = "") -> None:
        if remark:
            self._making.remarks.append(remark)
        if len(self._making.words) + len(self._making.remarks) > MOST_WORDS:
            raise BadReadings(f"More than {MOST_WORDS:,} lines stand above its data.")


def _lines(data: bytes) -> Iterator[str]:
    """The lines of a file, whatever it is written in; Latin-1 reads any bytes."""
    text = None
    for bom, name in _BOMS:
        if data.startswith(bom):
            try:
                text = data[len(bom) :].decode(name)
            except UnicodeDecodeError as error:
                raise BadReadings(
                    f"It begins as {name.upper()} and goes on as something else.",
                    "Export it again as plain text.",
                ) from error
    if text is None:
        if b"\0" in data:
            raise BadReadings(
                "It holds zero bytes, so it is no text.",
                "Hand in the instrument's CGATS text file.",
            )
        try:
            text = data.decode("utf-8")
        except UnicodeDecodeError:
            text = data.decode("latin-1")
    if text.count("\n") + text.count("\r") > 2 * MOST_LINES:
        raise BadReadings(f"It has more than {MOST_LINES:,} lines.")
    return iter(re.split(r"\r\n|\n|\r", text))


def _split(line: str, number: int) -> tuple[list[tuple[str, bool]], str]:
    """The words of a line, each with whether it was quoted, and the comment at its end."""
    found: list[tuple[str, bool]] = []
    at = 0
    while True:
        while at < len(line) and line[at].isspace():
            at += 1
        if at >= len(line):
            return found, ""
        if line[at] == "#":
            return found, line[at + 1 :].strip()[:_LONGEST_TOKEN]
        match = _TOKEN.match(line, at)
        if match is None:
            raise BadReadings(
                f"Line {number}: a quotation mark opens and does not close: "
                f"“{line[at : at + _SHOWN]}”."
            )
        # A quotation mark inside quoted words is written twice.
        text = next(part for part in match.groups() if part is not None).replace('""', '"')
        if len(text) > _LONGEST_TOKEN:
            raise BadReadings(f"Line {number}: a word has more than {_LONGEST_TOKEN:,} letters.")
        found.append((text, match[3] is None))
        at = match.end()


def _refuse_fields(fields: list[str], stated: int | None, number: int) -> None:
    if not fields:
        raise BadReadings(f"Line {number}: no field is named between its marks.")
    twice = sorted({name for name in fields if fields.count(name) > 1})
    if twice:
        raise BadReadings(f"Line {number}: the field {twice[0][:_SHOWN]} is named twice.")
    if stated is not None and stated != len(fields):
        raise BadReadings(
            f"It says NUMBER_OF_FIELDS {stated}, and {len(fields)} fields are named.",
            "Export it again; part of it may be missing.",
        )


def _number(text: str, name: str, line: int) -> Decimal:
    if _COMMA.fullmatch(text):
        _refuse_comma(text, line)
    try:
        if _NUMBER.fullmatch(text):
            return Decimal(text)
    except InvalidOperation:
        pass
    raise BadReadings(
        f"Line {line}: “{text[:_SHOWN]}” in {name} is no number.", "Read that patch again."
    )


def _refuse_comma(text: str, line: int) -> None:
    raise BadReadings(
        f"Line {line}: “{text[:_SHOWN]}” has a comma where the form has a decimal point.",
        "Set the program that wrote it to decimal points, and export it again.",
    )
