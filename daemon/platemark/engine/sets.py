"""Keeps a set together: its pictures are held or go together, and are made alike.

A set is its name within an order, tests apart from finals. Its pictures are examined one by one as
they come; only when all of it that is on its way has been read can be said whether it may go on.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any

import structlog

from platemark.checks import all_checks
from platemark.engine.examine import facts_of, hold
from platemark.engine.hold import stops_of
from platemark.engine.knowing import SET_CODES, accepted, answers_of, asked, know_job
from platemark.engine.lifecycle import move
from platemark.engine.roster import Moving, Roster
from platemark.engine.workshop import Workshop
from platemark.ledger.read import JobRow, Reader
from platemark.model.adjusting import NONE, Adjustment
from platemark.model.finding import Acceptance, Finding
from platemark.model.known import Panel, StandingSet
from platemark.model.plain import from_plain
from platemark.model.request import Request

_CHECKS = tuple(check for check in all_checks() if check.of_set)
_FOR_ALL = frozenset(check.code for check in _CHECKS if check.for_all)
"""What is accepted for one picture of a set is accepted for the whole of it."""

_SENT = ("parcelled", "delivered")


@dataclass(frozen=True, slots=True)
class _Key:
    order: str | None
    name: str
    purpose: str


@dataclass(frozen=True, slots=True)
class _Set:
    """The jobs of one set."""

    key: _Key
    open: tuple[JobRow, ...]
    """Examined, rendered or held."""
    expected: int
    """Claimed ones, not read yet."""
    sent: tuple[JobRow, ...]
    """Parcelled or delivered, of the same order; without an order, while another was open."""

    @property
    def standing(self) -> tuple[tuple[int, int], ...]:
        """Every job of it and the entry that brought it where it is."""
        return tuple((row.job, row.moved_seq) for row in (*self.open, *self.sent))


class Sets:
    """Looks after the sets of one studio, a turn at a time."""

    def __init__(self, workshop: Workshop, roster: Roster) -> None:
        self._workshop = workshop
        self._roster = roster
        self._asked: dict[int, tuple[int, _Key | None]] = {}
        self._settled: dict[_Key, tuple[tuple[tuple[int, int], ...], frozenset[int]]] = {}
        """What came of each set as it stood; what has not moved is not looked at again."""
        self.waiting: frozenset[int] = frozenset()
        """Jobs that must not go on yet, for the sake of their set."""

    def tend(self, *, arriving: bool) -> None:
        """Hold what cannot go as a set, and let go on what can.

        Args:
            arriving: Whether anything in the hot folders is still being copied.
        """
        waiting: set[int] = set()
        mistake: Exception | None = None
        settled, self._settled = self._settled, {}
        for each in self._sets():
            whole = {row.job for row in each.open if row.state != "held"}
            if each.expected or (arriving and self._may_grow(each)):
                waiting |= whole
                continue
            known = settled.get(each.key)
            if known is None or known[0] != each.standing:
                try:
                    known = each.standing, self._settle(each)
                except Exception as error:
                    # A set of which nothing can be said does not go; the others do.
                    waiting |= whole
                    mistake = error
                    continue
            self._settled[each.key] = known
            waiting |= known[1]
        self.waiting = frozenset(waiting)
        if mistake is not None:
            raise mistake

    def _sets(self) -> list[_Set]:
        found: dict[_Key, list[JobRow]] = {}
        states: tuple[Moving, ...] = ("examined", "rendered", "held")
        for state in states:
            for row in self._roster.jobs(state):
                if row.set is not None:
                    found.setdefault(_key_of(row), []).append(row)
        if not found:
            self._asked = {}
            return []
        expected = self._expected()
        return [
            _Set(key, tuple(rows), expected.get(key, 0), self._sent(key, rows))
            for key, rows in found.items()
        ]

    def _expected(self) -> dict[_Key, int]:
        """How many pictures of each set are claimed and not read yet."""
        read = self._workshop.ledger.read
        known, self._asked = self._asked, {}
        counts: dict[_Key, int] = {}
        for row in self._roster.jobs("claimed"):
            seq, key = known.get(row.job, (0, None))
            if seq != row.seq:
                request = asked(read, row, answers_of(read, row.job)).request
                key = _key_in(request)
            self._asked[row.job] = row.seq, key
            if key is not None:
                counts[key] = counts.get(key, 0) + 1
        return counts

    def _sent(self, key: _Key, rows: list[JobRow]) -> tuple[JobRow, ...]:
        read = self._workshop.ledger.read
        if key.order is not None:
            sent = read.jobs(order=key.order)
        else:
            begun = min(row.claimed_seq for row in rows)
            sent = [row for state in _SENT for row in read.jobs(state=state)]
            sent = [row for row in sent if row.moved_seq > begun]
        # Another panel may take the place of one that was called back.
        return tuple(
            row
            for row in sent
            if row.state in _SENT and row.set and _key_of(row) == key
            if read.recall(row.job) is None
        )

    def _may_grow(self, each: _Set) -> bool:
        """Whether the rest of a set may be what is being copied now."""
        minutes = self._workshop.settings.studio.settle.truncated_wait_min
        newest = max(datetime.fromisoformat(row.moved_at) for row in each.open)
        return self._workshop.clock.now() - newest < timedelta(minutes=minutes)

    def _settle(self, each: _Set) -> frozenset[int]:
        """Hold or let go on what of a set can be decided; gives what must wait a turn."""
        read = self._workshop.ledger.read
        others = {row.job: answers_of(read, row.job) for row in (*each.open, *each.sent)}
        of = _said_of(self._workshop, each.open)
        shared = tuple(
            acceptance
            for answers in others.values()
            for acceptance in answers.acceptances
            if acceptance.code in _FOR_ALL
        )
        panels = self._panels(each, of)
        moved = False
        for row in each.open:
            if panels[row.job].held:
                continue
            own = others[row.job].acceptances
            whole = StandingSet(
                each.key.name,
                of,
                panels[row.job],
                tuple(panel for job, panel in panels.items() if job != row.job),
            )
            findings = self._open_stops(row, whole, (*own, *shared))
            moved |= self._bring(row, findings)
        busy = moved or any(row.state == "examined" for row in each.open)
        held_back = ("examined", "rendered") if moved else ("rendered",)
        return frozenset(row.job for row in each.open if busy and row.state in held_back)

    def _panels(self, each: _Set, of: int | None) -> dict[int, Panel]:
        # What was sent fills up what is missing; a set of that name that went long ago does not
        # make one that is all here too large.
        room = len(each.sent) if of is None else max(0, of - len(each.open))
        sent = each.sent[max(0, len(each.sent) - room) :]
        rows = sorted((*each.open, *sent), key=lambda row: row.job)
        return {row.job: self._panel(row) for row in rows}

    def _panel(self, row: JobRow) -> Panel:
        own_stops = [
            f
            for f in (stops_of(self._workshop, row) if row.state == "held" else ())
            if f.severity == "stop" and f.code not in SET_CODES
        ]
        traits = () if own_stops else _traits(self._workshop, row)
        return Panel(row.job, row.original_name, bool(own_stops), traits)

    def _open_stops(
        self, row: JobRow, whole: StandingSet, acceptances: tuple[Acceptance, ...]
    ) -> tuple[Finding, ...]:
        workshop = self._workshop
        facts = facts_of(workshop, row)
        if facts is None:
            return ()
        known = know_job(workshop, row, facts, answers_of(workshop.ledger.read, row.job))
        known = replace(known, whole_set=whole)
        findings = [finding for check in _CHECKS for finding in check.find(known)]
        taken = accepted(known, findings, acceptances)
        return tuple(finding for finding in findings if finding.code not in taken)

    def _bring(self, row: JobRow, findings: tuple[Finding, ...]) -> bool:
        """Hold a job for its set, or take it up again; gives whether it moved."""
        if row.state != "held":
            if findings:
                hold(self._workshop, row, *findings)
            return bool(findings)
        told = [f for f in stops_of(self._workshop, row) if f.severity == "stop"]
        if {(f.code, f.figures) for f in told} == {(f.code, f.figures) for f in findings}:
            return False
        with self._workshop.ledger.transaction() as transaction:
            body = {"why": "its set is not as it was when it was held"}
            move(transaction, row, "looked-again", "claimed", body)
        structlog.get_logger().info("looked-again", job=row.job, name=row.original_name)
        return True


def whole_sets(rows: Iterable[JobRow], missing: Iterable[JobRow]) -> list[JobRow]:
    """Of some jobs, those that belong to no set or to one that none of the missing belongs to."""
    torn = {_key_of(row) for row in missing if row.set is not None}
    return [row for row in rows if row.set is None or _key_of(row) not in torn]


def panels_of(read: Reader, row: JobRow) -> tuple[JobRow, ...]:
    """The jobs that are settled with one: it first, then the rest of its set on the same surface.

    Those that were sent belong to it within an order alone: elsewhere a name may be used again.
    """
    key = _key_now(read, row)
    if key is None:
        return (row,)
    going = [
        other
        for state in ("claimed", "examined", "rendered", "held")
        for other in read.jobs(state=state)
    ]
    sent = read.jobs(order=key.order) if key.order is not None else []
    going += [other for other in sent if other.state in _SENT]
    others = (other for other in going if (other.job, other.surface) != (row.job, row.surface))
    alike = [other for other in others if other.surface == row.surface]
    return (row, *(other for other in alike if _key_now(read, other) == key))


def same_set(read: Reader, row: JobRow) -> tuple[JobRow, ...]:
    """The other jobs of a job's set, withdrawn ones left out, whatever they are printed on.

    Without an order a name may be used again, so of what was sent only its own parcel counts.
    """
    key = _key_now(read, row)
    if key is None:
        return ()
    going = [
        other
        for state in ("claimed", "examined", "rendered", "held")
        for other in read.jobs(state=state)
    ]
    sent = read.jobs(order=key.order) if key.order is not None else []
    if key.order is None and row.parcel is not None:
        sent = read.jobs(parcel=row.parcel)
    going += [other for other in sent if other.state in _SENT]
    return tuple(other for other in going if other.job != row.job and _key_now(read, other) == key)


def _key_now(read: Reader, row: JobRow) -> _Key | None:
    """The set that a job belongs to by the newest word, whether or not it was read yet."""
    if row.state == "claimed":
        return _key_in(asked(read, row, answers_of(read, row.job)).request)
    return _key_of(row) if row.set is not None else None


def _key_of(row: JobRow) -> _Key:
    return _Key(row.order, row.set or "", row.purpose or "final")


def _key_in(request: Request) -> _Key | None:
    return _Key(request.order, request.set, request.purpose) if request.set is not None else None


def _said_of(workshop: Workshop, rows: Iterable[JobRow]) -> int | None:
    """How many pictures a set is said to have; the most where two disagree."""
    read = workshop.ledger.read
    newest = [max(filter(None, (row.examined_seq, row.held_seq)), default=None) for row in rows]
    said = [read.body(seq).get("request", {}) for seq in newest]
    return max((request["set_of"] for request in said if request.get("set_of")), default=None)


def _traits(workshop: Workshop, row: JobRow) -> tuple[tuple[str, str], ...]:
    """What the pictures of a set share, from a job's plan; empty where it has none."""
    body = workshop.ledger.read.body(row.examined_seq)
    if "plan" not in body:
        return ()
    plan, request = body["plan"], body["request"]
    traits = [
        ("surface", row.surface),
        ("lab", str(body["lab"])),
        ("profile", str(plan["output_profile_sha256"])[:8]),
        ("intent", str(plan["intent"])),
        ("black point compensation", "on" if plan["black_point_compensation"] else "off"),
        ("sharpening", str(request["sharpen"])),
        ("adjustment", _adjustment_in(plan)),
    ]
    if request["set_of"] is not None:
        traits.append(("pictures in the set", str(request["set_of"])))
    return tuple(traits)


def _adjustment_in(plan: dict[str, Any]) -> str:
    """A plan's adjustment as it is typed; plans from before there was any have none."""
    settled = plan.get("adjust")
    return str(from_plain(Adjustment, settled)) if settled is not None else NONE
