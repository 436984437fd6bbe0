"""Answers to held jobs: the choices that ANSWER.txt has, as a form, and what a person sent.

What was sent is written as the lines of a sheet and read by the reader of sheets, so that page,
sheet and command can never mean different things.
"""

from __future__ import annotations

import hashlib
import json
import re
import uuid
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from platemark.intake.answers import (
    acceptable,
    choice_words,
    choices_of,
    cured_by_size,
    drawn_words,
    is_reason,
    read_answer,
    remark_on,
)
from platemark.intake.plain_text import flat, shortened
from platemark.model.decision import Decision
from platemark.model.finding import Finding
from platemark.model.job import job_number
from platemark.model.notice import Answer, HeldNotice
from platemark.model.studio import Studio

MOST_JOBS = 200
"""That may be answered at once."""
LONGEST_REASON = 500
"""Signs."""
_NONCE = re.compile(r"[0-9a-f]{32}")
_TARGET = re.compile(r"([1-9][0-9]{0,8}):([1-9][0-9]{0,17})")
_FREE = re.compile(r"\s*([A-Za-z_]+)\s*=\s*(.+?)\s*")


@dataclass(frozen=True, slots=True)
class Tick:
    """One thing that can be ticked."""

    value: str
    words: str
    remark: str
    """Figures, what it comes to, and for whom it is."""


@dataclass(frozen=True, slots=True)
class Choices:
    """What one answer may say, for one job or for several."""

    accept: tuple[Tick, ...]
    settings: tuple[Tick, ...]
    size: bool
    """Whether another size may settle it."""
    free: bool
    """Whether the right value of something is asked for."""


@dataclass(frozen=True, slots=True)
class Sent:
    """A form as it was sent, its lines made one."""

    nonce: str
    """The same for the same answer in the same form; empty where the form had none."""
    targets: tuple[tuple[int, int], ...]
    """Job, and the entry that the person saw."""
    accept: tuple[str, ...]
    settings: tuple[str, ...]
    size: str
    free: str
    withdraw: bool
    by: str
    because: str
    mark: str


NOTHING = Sent("", (), (), (), "", "", False, "", "", "")


def new_nonce() -> str:
    """What tells a form from every other, so that one sent twice is one answer."""
    return uuid.uuid4().hex


def choices_for(notices: Sequence[HeldNotice]) -> Choices:
    """What all of some held jobs offer; of several what every one of them does."""
    first = notices[0]
    accepts = [{f.code for f in acceptable(notice.findings)} for notice in notices]
    asked = [set(choices_of(notice.findings)) for notice in notices]
    shared_codes = set.intersection(*accepts)
    shared_asked = set.intersection(*asked)
    findings = acceptable(first.findings)
    alone = len(notices) == 1
    return Choices(
        accept=tuple(
            _acceptance(code, [f for n in notices for f in acceptable(n.findings)], alone)
            for code in dict.fromkeys(f.code for f in findings)
            if code in shared_codes
        ),
        settings=tuple(
            Tick(choice, choice_words(choice), _remark(choice, first) if alone else "")
            for choice in choices_of(first.findings)
            if choice in shared_asked
        ),
        size=all(cured_by_size(notice.findings) for notice in notices),
        free=all(
            any(f.code == "request-unclear" for f in acceptable(notice.findings))
            for notice in notices
        ),
    )


def _acceptance(code: str, findings: Sequence[Finding], alone: bool) -> Tick:
    same = [f for f in findings if f.code == code]
    figures = [f"{name} {shortened(value, 24)}" for f in same for name, value in f.figures]
    who = (
        "for a photographer to accept"
        if any(f.accept == "photographer" for f in same)
        else "anybody of the studio may accept it"
    )
    told = (*dict.fromkeys(figures if alone else ()), who)
    return Tick(code, code.replace("-", " "), flat("; ".join(told)))


def _remark(choice: str, notice: HeldNotice) -> str:
    letter, drawn = drawn_words(choice, notice)
    return flat(f"{letter} on the drawing: {drawn}" if letter else remark_on(choice, notice))


def read_form(fields: Iterable[tuple[str, str]]) -> Sent:
    """Take a form apart; what it cannot have is left out."""
    several: dict[str, list[str]] = {}
    for name, value in fields:
        several.setdefault(name, []).append(one_line(value))

    def one(name: str) -> str:
        return several.get(name, [""])[-1]

    targets = [_TARGET.fullmatch(value) for value in several.get("job", [])]
    nonce = one("nonce")
    return Sent(
        nonce=nonce_of(nonce, several) if _NONCE.fullmatch(nonce) else "",
        targets=tuple(
            dict.fromkeys((int(each[1]), int(each[2])) for each in targets if each is not None)
        ),
        accept=tuple(several.get("accept", ())),
        settings=tuple(several.get("set", ())),
        size=one("size"),
        free=one("free"),
        withdraw="withdraw" in several,
        by=one("by"),
        because=one("because"),
        mark=one("mark"),
    )


def nonce_of(nonce: str, several: dict[str, list[str]]) -> str:
    """Whoever goes back, changes the answer and sends it again has given another answer."""
    said = {name: values for name, values in several.items() if name != "mark"}
    return hashlib.sha256(json.dumps([nonce, said], sort_keys=True).encode()).hexdigest()[:32]


def one_line(value: str) -> str:
    """Make a field one line: what follows a line's end could be read as a line of the sheet."""
    return " ".join(value.replace("\x00", " ").split())


def problem_of(sent: Sent, studio: Studio) -> str:
    """What is wrong with an answer whatever the job is; empty where nothing is."""
    if not sent.nonce or not sent.targets:
        return "The form came without what it is about. Open the job again and answer there."
    if len(sent.targets) > MOST_JOBS:
        return f"At most {MOST_JOBS} jobs are answered at once; tick fewer."
    if not (sent.accept or sent.settings or sent.size or sent.free or sent.withdraw):
        return "Nothing is decided yet. Tick what shall become of it."
    if not sent.by:
        return "Say who decides."
    if studio.person(sent.by) is None:
        names = ", ".join(person.name for person in studio.people)
        return f"{flat(sent.by)} is not one of the studio's people ({names})."
    if not is_reason(sent.because):
        return "Say why, in a few words. It stays in the record."
    if len(sent.because) > LONGEST_REASON:
        return f"Say why in at most {LONGEST_REASON} signs; it stays in the record for good."
    if sent.free and not _FREE.fullmatch(sent.free):
        return f"“{shortened(flat(sent.free), 60)}” is not a value. Write it like: copies = 2"
    return ""


def answer_of(sent: Sent, notice: HeldNotice) -> Decision | str:
    """What a form says of one held job: a decision, or what is wrong with it, in a sentence."""
    offered = set(choices_of(notice.findings))
    codes = {f.code for f in notice.findings}
    if not set(sent.settings) <= offered or not set(sent.accept) <= codes:
        return "It was answered with something that is not offered for it. Look at it again."
    answer = read_answer(_sheet(sent, notice), notice)
    if not isinstance(answer, Answer):
        return answer or "Nothing is decided yet."
    return answer.decision(decision_id(sent.nonce, notice.job))


def decision_id(nonce: str, job: int) -> str:
    """The id of a form's answer to one job: the same form sent again is the same answer."""
    return f"page-{nonce}-{job}"


def _sheet(sent: Sent, notice: HeldNotice) -> str:
    """What a person would have written on the sheet."""
    lines = [f"[x] accept {code}" for code in sent.accept]
    lines += [f"[x] set {choice}" for choice in sent.settings]
    if sent.size:
        lines.append(f"set size = {sent.size}")
    if match := _FREE.fullmatch(sent.free):
        lines.append(f"set {match[1].lower()} = {match[2]}")
    if sent.withdraw:
        lines.append("[x] withdraw")
    lines += [
        f"by: {sent.by}",
        f"because: {sent.because}",
        f"job {job_number(notice.job)}, answered to entry {notice.seq}",
    ]
    return "\n".join(lines) + "\n"
