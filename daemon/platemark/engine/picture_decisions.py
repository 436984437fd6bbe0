"""What a photographer settles for a picture on a surface: its tonal adjustment and its intent.

It is numbers in the record, never pixels: every print is made from the original with the newest of
them, so a version takes the place of the one before, and none is ever worked on another's result.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import datetime

import structlog

from platemark.checks import adjust_possible
from platemark.engine.examine import facts_of
from platemark.engine.knowing import answers_of, know_job
from platemark.engine.lifecycle import being_sealed, look_again
from platemark.engine.people import photographer
from platemark.engine.sets import panels_of
from platemark.engine.workshop import Workshop
from platemark.intake.answers import is_reason
from platemark.ledger.read import JobRow, Reader, SettledRow
from platemark.ledger.store import Transaction
from platemark.model.adjusting import Adjustment, BadAdjustment, adjustment_of, parse_adjustment
from platemark.model.decision import PictureDecision
from platemark.model.errors import DecisionRefused
from platemark.model.job import job_number
from platemark.model.known import Settled
from platemark.model.planning import why_not_intent
from platemark.model.studio import Person
from platemark.model.terms import Intent

_OPEN = ("examined", "rendered", "held")
"""States from which a job is prepared anew; one that is claimed is about to be anyway."""
_SENT = ("parcelled", "delivered")


@dataclass(frozen=True, slots=True)
class Settling:
    """All that one decision settles: a picture on its surface, or the pictures of a set."""

    rows: tuple[JobRow, ...]
    """One job for each picture, that of the decision first."""
    set_name: str | None
    """None where it is but one picture."""

    @property
    def pictures(self) -> frozenset[tuple[str, str]]:
        """Original and surface of each."""
        return frozenset((row.original_sha256, row.surface) for row in self.rows)


@dataclass(frozen=True, slots=True)
class _New:
    """What is settled for one picture from now on."""

    row: JobRow
    before: SettledRow | None
    adjust: Adjustment | None
    intent: Intent | None

    @property
    def version(self) -> int:
        return 1 + (self.before.version if self.before is not None else 0)


def settling_of(read: Reader, row: JobRow) -> Settling:
    """What a decision about a job would settle."""
    panels = panels_of(read, row)
    one_each: dict[str, JobRow] = {}
    for panel in panels:
        one_each.setdefault(panel.original_sha256, panel)
    return Settling(tuple(one_each.values()), row.set if len(one_each) > 1 else None)


def newest_seq(read: Reader, settling: Settling) -> int:
    """The newest entry that settled anything for those pictures; 0 before the first."""
    newest = _newest(read, settling)
    return newest.seq if newest is not None else 0


def apply_to_picture(workshop: Workshop, decision: PictureDecision) -> str:
    """Record what a photographer settled, and have what is not sent prepared anew with it.

    All of it becomes true in one transaction.

    Returns:
        What was settled and what comes of it, for people.

    Raises:
        DecisionRefused: it cannot be; nothing was changed.
    """
    settled = settling(workshop, decision)
    with workshop.ledger.transaction() as transaction:
        settled.record(workshop, transaction)
    settled.log()
    return settled.sentence


@dataclass(frozen=True, slots=True)
class ToSettle:
    """What a decision settles, found to be possible and not recorded yet."""

    decision: PictureDecision
    person: Person
    news: tuple[_New, ...]
    anew: tuple[JobRow, ...]
    sentence: str

    def record(self, workshop: Workshop, transaction: Transaction) -> None:
        """Record it and have what is not sent prepared anew, within the caller's transaction."""
        for new in self.news:
            _record(transaction, self.decision, self.person, new, self.sentence)
        for each in self.anew:
            look_again(
                transaction, workshop.ledger.read, each, "how its picture is printed was settled"
            )

    def log(self) -> None:
        """Say which jobs are prepared anew, once it is on record."""
        for each in self.anew:
            structlog.get_logger().info("looked-again", job=each.job, name=each.original_name)


def settling(workshop: Workshop, decision: PictureDecision) -> ToSettle:
    """Find out what a decision settles and what comes of it; nothing is changed.

    Raises:
        DecisionRefused: it cannot be.
    """
    read = workshop.ledger.read
    person = photographer(
        workshop.settings.studio,
        decision.by,
        "How a picture is printed is for the photographer to settle",
    )
    if not is_reason(decision.because):
        raise DecisionRefused(
            f"Job {job_number(decision.job)}: nothing says why.", "Give a reason with --because."
        )
    adjust = _asked(decision)
    row = read.job(decision.job)
    if row is None:
        raise DecisionRefused(f"There is no job {job_number(decision.job)}.")
    if row.state == "withdrawn":
        raise DecisionRefused(
            f"Job {job_number(row.job)} is withdrawn.", "Decide about a job that is printed."
        )
    whole = settling_of(read, row)
    _refuse_stale(workshop, decision, whole)
    news = [_new(read, each, decision, adjust) for each in whole.rows]
    _refuse_needless(decision, news)
    for new in news:
        _refuse_impossible(workshop, new, decision)
    anew, sent = _jobs_of(workshop, whole)
    sentence = _told(workshop, whole, news, anew, sent)
    return ToSettle(decision, person, tuple(news), tuple(anew), sentence)


def _asked(decision: PictureDecision) -> Adjustment | None:
    """The adjustment that is asked for; None for none, or where it is not spoken of."""
    if decision.adjust is None and decision.intent is None:
        raise DecisionRefused(f"Job {job_number(decision.job)}: nothing is decided.")
    try:
        return parse_adjustment(decision.adjust) if decision.adjust is not None else None
    except BadAdjustment as error:
        raise DecisionRefused(f"Job {job_number(decision.job)}: {error}.") from error


def _new(read: Reader, row: JobRow, decision: PictureDecision, adjust: Adjustment | None) -> _New:
    """What is not spoken of stays as it was settled before."""
    before = read.settled(row.original_sha256, row.surface)
    intent: Intent | None = before.intent if before is not None else None
    if decision.adjust is None and before is not None:
        adjust = adjustment_of(before.adjust)
    if decision.intent is not None:
        intent = None if decision.intent == "surface" else decision.intent
    return _New(row, before, adjust, intent)


def _newest(read: Reader, settling: Settling) -> SettledRow | None:
    rows = (read.settled(*picture) for picture in settling.pictures)
    return max((row for row in rows if row is not None), key=lambda row: row.seq, default=None)


def _refuse_stale(workshop: Workshop, decision: PictureDecision, settling: Settling) -> None:
    newest = _newest(workshop.ledger.read, settling)
    if (newest.seq if newest is not None else 0) == decision.expected_seq:
        return
    number = job_number(decision.job)
    again = f"Look at it again (`platemark job {decision.job}`) and decide that."
    entry = workshop.ledger.read.entry(newest.seq) if newest is not None else None
    if newest is None or entry is None:
        raise DecisionRefused(f"Job {number}: nothing is settled for its picture any more.", again)
    at = workshop.local(datetime.fromisoformat(entry.at))
    raise DecisionRefused(
        f"Job {number}: {entry.actor} settled {words_of(newest)} on {day_words(at)} "
        f"(version {newest.version}), which is not what you saw.",
        again,
    )


def _refuse_needless(decision: PictureDecision, news: list[_New]) -> None:
    """Refuse to undo what nobody did.

    Raises:
        DecisionRefused: nothing of it was settled for any of the pictures.
    """
    before = [new.before for new in news if new.before is not None]
    if decision.adjust is not None and decision.intent is None:
        what, undoes = "adjustment", news[0].adjust is None
        was_there = any(row.adjust is not None for row in before)
    elif decision.adjust is None:
        what, undoes = "intent", decision.intent == "surface"
        was_there = any(row.intent is not None for row in before)
    else:
        return
    if undoes and not was_there:
        raise DecisionRefused(
            f"Job {job_number(decision.job)}: no {what} is settled for its picture, so there is "
            "nothing to undo."
        )


def _refuse_impossible(workshop: Workshop, new: _New, decision: PictureDecision) -> None:
    """Refuse what the picture or the lab's profile does not bear, as far as it is known yet.

    Raises:
        DecisionRefused: says why not.
    """
    row = new.row
    if workshop.settings.surface(row.surface) is None:
        raise DecisionRefused(
            f"{row.original_name} was for {row.surface}, and there is no such surface any more.",
            f"Put surfaces/{row.surface}.toml back, then decide it again.",
        )
    facts = facts_of(workshop, row)
    if facts is None:
        return
    known = know_job(workshop, row, facts, answers_of(workshop.ledger.read, row.job))
    today = workshop.local(workshop.clock.now()).date()
    known = replace(known, settled=Settled(new.version, new.adjust, new.intent, today))
    if decision.adjust is not None:
        for stop in adjust_possible.find(known):
            raise DecisionRefused(stop.message, stop.next)
    if decision.intent is not None and new.intent is not None and known.product is not None:
        why = why_not_intent(new.intent, known, known.product)
        if why:
            raise DecisionRefused(
                f"{row.original_name} cannot be printed with the {new.intent} intent: {why}."
            )


def _jobs_of(workshop: Workshop, settling: Settling) -> tuple[list[JobRow], list[JobRow]]:
    """The jobs that are prepared anew, and those that are on their way or there."""
    read = workshop.ledger.read
    sealed = being_sealed(read)
    anew: list[JobRow] = []
    sent: list[JobRow] = []
    for original, surface in sorted(settling.pictures):
        for row in read.jobs(original=original):
            if row.surface != surface:
                continue
            if row.state in _SENT or row.job in sealed:
                sent.append(row)
            elif row.state in _OPEN:
                anew.append(row)
    return sorted(anew, key=_number), sorted(sent, key=_number)


def _number(row: JobRow) -> int:
    return row.job


def _record(
    transaction: Transaction,
    decision: PictureDecision,
    person: Person,
    new: _New,
    sentence: str,
) -> None:
    body = {
        "original": new.row.original_sha256,
        "surface": new.row.surface,
        "version": new.version,
        "adjust": str(new.adjust) if new.adjust is not None else None,
        "intent": new.intent,
        "decision": decision.id,
        "because": transaction.word(decision.because),
        "sentence": sentence,
    }
    transaction.append("picture-settled", body, job=new.row.job, actor=person.name)


def _told(
    workshop: Workshop,
    settling: Settling,
    news: list[_New],
    anew: list[JobRow],
    sent: list[JobRow],
) -> str:
    """What was settled and what comes of it."""
    first = settling.rows[0]
    surface = workshop.settings.surface(first.surface)
    on = surface.name if surface is not None else first.surface
    what = first.original_name
    if settling.set_name is not None:
        what = f"The {len(settling.rows)} pictures of the set “{settling.set_name}”"
    now = _words(news[0].adjust, news[0].intent)
    said = [f"{what} on {on}: {now} (version {max(new.version for new in news)})."]
    before = news[0].before
    if before is not None and words_of(before) != now:
        said.append(f"It takes the place of: {words_of(before)}.")
    if anew:
        said.append(f"{_jobs(anew)} {'is' if len(anew) == 1 else 'are'} prepared anew with it.")
    if sent:
        verb = "is" if len(sent) == 1 else "are"
        said.append(
            f"{_jobs(sent)} {verb} in a parcel already and not changed: this counts from the next "
            "print on."
        )
    return " ".join(said)


def _jobs(rows: Iterable[JobRow]) -> str:
    numbers = [job_number(row.job) for row in rows]
    return f"Job {numbers[0]}" if len(numbers) == 1 else f"Jobs {', '.join(numbers)}"


def words_of(row: SettledRow) -> str:
    """What is settled, for people."""
    return _words(adjustment_of(row.adjust), row.intent)


def _words(adjust: Adjustment | None, intent: Intent | None) -> str:
    said = [adjust.words] if adjust is not None else []
    if intent is not None:
        said.append(f"{intent} intent")
    return ", ".join(said) or "as it came, with the usual intent"


def day_words(day: datetime) -> str:
    """A day for people."""
    return f"{day.day} {day:%B %Y}"
