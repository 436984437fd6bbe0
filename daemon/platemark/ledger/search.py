"""Finds jobs, parcels and entries in a long record: a page at a time, the newest first."""

from __future__ import annotations

import json
import re
import unicodedata
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from types import MappingProxyType
from zoneinfo import ZoneInfo

from platemark.ledger.chain import Entry
from platemark.ledger.keeping import Keeping
from platemark.ledger.read import JobRow, ParcelRow, Reader
from platemark.model.job import State

LONGEST = 200
"""Signs of a search that are heard."""
MOST_WORDS = 8
_DAY = re.compile(r"(\d{4})-(\d{2})(?:-(\d{2}))?")
_HASH = re.compile(r"[0-9a-f]{6,64}")
_NUMBER = re.compile(r"#?(\d{1,9})")
_LAST = 2**62


@dataclass(frozen=True, slots=True)
class Wanted:
    """What is looked for; everything that is given must fit."""

    text: str = ""
    """Words of a file's name, a title, an order, a parcel's name; a job's number; a date such as
    `2026-11-27` or `2026-11`; the beginning of a hash. Each word must be somewhere."""
    state: State | None = None
    surface: str = ""
    lab: str = ""
    since: date | None = None
    until: date | None = None
    """Taken in, or moved on last, between these local dates, both included."""


@dataclass(frozen=True, slots=True)
class Found:
    """One page of what was found."""

    jobs: tuple[JobRow, ...]
    parcels: tuple[ParcelRow, ...]
    entry: Entry | None
    """The entry that has the hash that was looked for."""
    before: int | None
    """The next page is of jobs before this number; None at the end."""


class Search:
    """Looks for things in the record."""

    def __init__(
        self,
        reader: Reader,
        zone: ZoneInfo,
        surfaces: Mapping[str, str] = MappingProxyType({}),
        labs: Mapping[str, str] = MappingProxyType({}),
    ) -> None:
        """Look in a record.

        Args:
            reader: The open record.
            zone: The studio's time zone, in which dates are meant.
            surfaces: Names of the studio's surfaces by their ids; jobs are found by both.
            labs: Names of its labs by their ids.
        """
        self._reader = reader
        self._zone = zone
        self._surfaces = surfaces
        self._labs = labs

    def find(self, wanted: Wanted, *, before: int | None = None, most: int = 50) -> Found:
        """Find jobs, the newest first, and what else has such a name or hash.

        Args:
            wanted: What to look for; nothing at all finds every job.
            before: Only jobs before this number.
            most: Of a page.
        """
        terms: list[str] = ["j.job < ?"]
        values: list[object] = [before or _LAST]
        for column, value in (
            ("state", wanted.state), ("surface", wanted.surface), ("lab", wanted.lab),
        ):  # fmt: skip
            if value:
                terms.append(f"j.{column} = ?")
                values.append(value)
        if wanted.since or wanted.until:
            self._between(terms, values, wanted.since or date.min, wanted.until or date.max)
        words = wanted.text[:LONGEST].split()[:MOST_WORDS]
        for word in words:
            self._word(terms, values, word)
        rows = self._reader.ask(
            "jobs",
            f"SELECT j.job FROM jobs j WHERE {' AND '.join(terms)} ORDER BY j.job DESC LIMIT ?",
            *values,
            most + 1,
        )
        numbers = [int(row[0]) for row in rows]
        more = numbers[most - 1] if len(numbers) > most else None
        jobs = reversed(self._reader.jobs_numbered(numbers[:most]))
        first = before is None
        return Found(
            tuple(jobs),
            self._parcels(words) if first else (),
            self._entry_of(words) if first else None,
            more,
        )

    def newest_parcels(self, most: int, lab: str = "") -> list[ParcelRow]:
        """Parcels and notices, those first that something happened to last."""
        rows = self._reader.ask(
            "parcels",
            "SELECT * FROM parcels WHERE state <> 'given-up' AND (?1 = '' OR lab = ?1)"
            " ORDER BY seq DESC LIMIT ?2",
            lab,
            most,
        )
        return [ParcelRow(*row) for row in rows]

    def newest_entries(
        self, most: int, *, before: int | None = None, kind: str = ""
    ) -> list[Entry]:
        """Entries, the newest first."""
        rows = self._reader.ask(
            "entries",
            "SELECT seq FROM entries WHERE seq < ?"
            f"{' AND kind = ?' if kind else ''} ORDER BY seq DESC LIMIT ?",
            *(before or _LAST, *([kind] if kind else []), most),
        )
        found = (self._reader.entry(row[0]) for row in rows)
        return [entry for entry in found if entry is not None]

    def counts(self) -> dict[str, int]:
        """How many jobs there are in each state; states without one are left out."""
        rows = self._reader.ask("jobs", "SELECT state, count(*) FROM jobs GROUP BY state")
        return {str(state): int(count) for state, count in rows}

    def parcel_counts(self) -> dict[str, int]:
        """How many parcels there are in each state."""
        rows = self._reader.ask("parcels", "SELECT state, count(*) FROM parcels GROUP BY state")
        return {str(state): int(count) for state, count in rows}

    def in_state(self, state: State, most: int, *, newest: bool = False) -> list[JobRow]:
        """Some jobs in a state, by number or the newest first."""
        order = "DESC" if newest else "ASC"
        rows = self._reader.ask(
            "jobs",
            f"SELECT job FROM jobs WHERE state = ? ORDER BY job {order} LIMIT ?",
            state,
            most,
        )
        found = self._reader.jobs_numbered(row[0] for row in rows)
        return found[::-1] if newest else found

    # -- one word ----------------------------------------------------------------------------

    def _word(self, terms: list[str], values: list[object], word: str) -> None:
        """Add what one word of a search asks: it may stand anywhere."""
        ways = [_holds(f"j.{column}", word, values) for column in ("original_name", "title")]
        # Of these there are few, so they are looked through before the jobs are.
        few = (
            ("order_word", self._having("words", "text", "digest", word)),
            ("parcel", self._having("parcels", "name", "name", word)),
            ("surface", _called(self._surfaces, word)),
            ("lab", _called(self._labs, word)),
        )
        for column, those in few:
            if those:
                ways.append(f"j.{column} IN (SELECT value FROM json_each(?))")
                values.append(json.dumps(those))
        lowered = word.casefold()
        if match := _NUMBER.fullmatch(lowered):
            ways.append("j.job = ?")
            values.append(int(match[1]))
        if _HASH.fullmatch(lowered):
            for column in ("original_sha256", "print_sha256"):
                ways.append(f"j.{column} BETWEEN ? AND ?")
                values += [lowered, f"{lowered}~"]
        if (days := _days(word)) is not None:
            self._between(ways, values, *days)
        terms.append(f"({' OR '.join(ways)})")

    def _having(self, table: str, column: str, key: str, word: str) -> list[str]:
        """Keys of the rows of a table that hold a word."""
        values: list[object] = []
        condition = _holds(column, word, values)
        rows = self._reader.ask(table, f"SELECT {key} FROM {table} WHERE {condition}", *values)
        return [str(row[0]) for row in rows]

    def _between(self, terms: list[str], values: list[object], since: date, until: date) -> None:
        """Add that a job was taken in, or moved on last, in a time."""
        keeping = Keeping(self._reader)
        after = keeping.seq_before(self._stamp(since))
        upto = keeping.seq_before(self._stamp(until, days=1))
        terms.append("(j.claimed_seq BETWEEN ? AND ? OR j.moved_seq BETWEEN ? AND ?)")
        values += [after + 1, upto, after + 1, upto]

    def _stamp(self, day: date, days: int = 0) -> str:
        """The first moment of a local date, as entries have it."""
        if day == date.max:
            return "9999"
        if day == date.min:
            return "0000"
        begin = datetime.combine(day + timedelta(days), time(), self._zone)
        return begin.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.000Z")

    def _parcels(self, words: Iterable[str]) -> tuple[ParcelRow, ...]:
        """Parcels that have such a name, or a manifest of such a hash."""
        found: dict[str, ParcelRow] = {}
        for word in words:
            lowered = word.casefold()
            if not any(sign.isdigit() for sign in lowered) or len(lowered) < 4:
                continue
            hashed = lowered if _HASH.fullmatch(lowered) else "none"
            rows = self._reader.ask(
                "parcels",
                "SELECT * FROM parcels WHERE name LIKE ? ESCAPE '\\'"
                " OR tagmanifest BETWEEN ? AND ? ORDER BY seq DESC LIMIT 20",
                _like(lowered),
                hashed,
                f"{hashed}~",
            )
            found |= {row[0]: ParcelRow(*row) for row in rows}
        return tuple(found.values())

    def _entry_of(self, words: Iterable[str]) -> Entry | None:
        for word in words:
            if len(word) == 64 and _HASH.fullmatch(word.casefold()):
                rows = self._reader.ask(
                    "entries", "SELECT seq FROM entries WHERE hash = ?", bytes.fromhex(word)
                )
                if rows:
                    return self._reader.entry(rows[0][0])
        return None


def begun_steps(reader: Reader) -> dict[int, tuple[str, int]]:
    """Steps that were begun and are not done, by job: which, and how often it was begun."""
    rows = reader.ask("attempts", "SELECT job, step, n FROM attempts ORDER BY job")
    return {int(job): (str(step), int(count)) for job, step, count in rows}


def _like(text: str) -> str:
    """A pattern of LIKE for text that stands anywhere."""
    escaped = text.replace("\\", "\\\\").replace("%", "\\%").replace("_", "\\_")
    return f"%{escaped}%"


def _called(names: Mapping[str, str], word: str) -> list[str]:
    """Ids that hold a word, themselves or in the name that people read."""
    wanted = unicodedata.normalize("NFC", word).casefold()
    return [
        each
        for each, name in names.items()
        if wanted in f"{each}\n{unicodedata.normalize('NFC', name)}".casefold()
    ]


def _holds(column: str, word: str, values: list[object]) -> str:
    """The condition that a column holds a word, in either case.

    LIKE knows the cases of A to Z alone, and names of files are composed on one system and
    decomposed on another (Unicode Standard Annex 15). So a word of other letters is looked for as
    it may be written, where one is found that has any letter in their places.
    """
    like = f"{column} LIKE ? ESCAPE '\\'"
    if word.isascii():
        values.append(_like(word))
        return like
    forms = [unicodedata.normalize(form, word) for form in ("NFC", "NFD")]
    rough = list(dict.fromkeys(re.sub(r"[^\x00-\x7f]", "_", _like(each)) for each in forms))
    cases = (word, word.lower(), word.upper(), word.capitalize())
    exact = list(
        dict.fromkeys(
            _like(unicodedata.normalize(form, each)) for each in cases for form in ("NFC", "NFD")
        )
    )
    values += [*rough, *exact]
    # Most names are of plain letters alone: a letter of theirs is a byte.
    is_other = f"length(CAST({column} AS BLOB)) > length({column})"
    rough_holds, exact_holds = (" OR ".join([like] * len(each)) for each in (rough, exact))
    return f"({is_other} AND ({rough_holds}) AND ({exact_holds}))"


def _days(word: str) -> tuple[date, date] | None:
    """The first and last day that a word such as `2026-11` means; None where it is no date."""
    match = _DAY.fullmatch(word)
    if match is None:
        return None
    year, month = int(match[1]), int(match[2])
    try:
        if match[3]:
            day = date(year, month, int(match[3]))
            return day, day
        first = date(year, month, 1)
        return first, (first + timedelta(31)).replace(day=1) - timedelta(1)
    except (ValueError, OverflowError):
        return None
