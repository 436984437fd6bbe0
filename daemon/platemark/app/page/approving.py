"""The form by which a test is approved, or that is taken back: what it shows and what it brings."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from platemark.app.page.answering import LONGEST_REASON, decision_id, new_nonce, nonce_of, one_line
from platemark.app.page.studio_seen import StudioSeen
from platemark.app.page.words import STATES
from platemark.engine.approving import Test, whole_test, why_not_seen
from platemark.engine.picture_decisions import day_words
from platemark.engine.test_prints import part_of
from platemark.intake.answers import is_reason
from platemark.intake.plain_text import flat
from platemark.ledger.read import JobRow, Reader
from platemark.model.adjusting import EXAMPLE, BadAdjustment, parse_adjustment
from platemark.model.decision import ApprovalDecision
from platemark.model.job import job_number
from platemark.model.studio import Studio

PARTS = {
    "half": "at half size",
    "crops": "crops at full size",
    "steps": "steps of an adjustment",
}
_NONCE = re.compile(r"[0-9a-f]{32}")
_TEST = re.compile(r"([1-9][0-9]{0,8}):([1-9][0-9]{0,17}):(0|[1-9][0-9]{0,17})")


@dataclass(frozen=True, slots=True)
class Said:
    """A form as it was sent, its lines made one."""

    nonce: str = ""
    job: int = 0
    """The test's first job; 0 where the form did not say."""
    seq: int = 0
    settled_seq: int = 0
    adjust: str = ""
    take_back: bool = False
    by: str = ""
    because: str = ""
    mark: str = ""

    def decision(self) -> ApprovalDecision:
        """The decision that it is; the same form sent again is the same one."""
        return ApprovalDecision(
            id=decision_id(self.nonce, self.job),
            kind="approval-take-back" if self.take_back else "approve",
            job=self.job,
            expected_seq=self.seq,
            settled_seq=self.settled_seq,
            adjust=self.adjust or None,
            by=self.by,
            because=self.because,
        )


def read_said(fields: Iterable[tuple[str, str]]) -> Said:
    """Take a form apart; what it cannot have is left out."""
    several: dict[str, list[str]] = {}
    for name, value in fields:
        several.setdefault(name, []).append(one_line(value))
    one = {name: values[-1] for name, values in several.items()}
    test = _TEST.fullmatch(one.get("test", ""))
    nonce = one.get("nonce", "")
    job, seq, settled = (int(each) for each in test.groups()) if test is not None else (0, 0, 0)
    return Said(
        nonce=nonce_of(nonce, several) if _NONCE.fullmatch(nonce) else "",
        job=job,
        seq=seq,
        settled_seq=settled,
        adjust=one.get("adjust", ""),
        take_back="take_back" in several,
        by=one.get("by", ""),
        because=one.get("because", ""),
        mark=one.get("mark", ""),
    )


def problem_of(said: Said, studio: Studio) -> str:
    """What is wrong with a form whatever the test is; empty where nothing is."""
    if not said.nonce or not said.job:
        return "The form came without what it is about. Open the job again and answer there."
    if not said.by:
        return "Say who decides."
    person = studio.person(said.by)
    if person is None or person.role != "photographer":
        return f"A test is for the photographer to approve, not for {flat(said.by)}."
    if not is_reason(said.because) or len(said.because) > LONGEST_REASON:
        return f"Say why, in a few words, at most {LONGEST_REASON} signs. It stays in the record."
    if said.adjust and not said.take_back:
        try:
            parse_adjustment(said.adjust)
        except BadAdjustment as error:
            text = flat(str(error))
            return f"{text[:1].upper()}{text[1:]}."
    return ""


def seen_test(
    seen: StudioSeen, reader: Reader, row: JobRow, said: Said | None = None
) -> dict[str, Any] | None:
    """What the page says of the test that a job belongs to; None for a final.

    Args:
        seen: The studio.
        reader: Its record.
        row: The job.
        said: What was typed and not taken, to be shown again.
    """
    test = whole_test(reader, row)
    if test is None:
        return None
    why_not = why_not_seen(seen.workshop(reader), test)
    approved = _approved(seen, reader, test)
    return {
        "prints": [_print(reader, each) for each in (test.first, *test.parts)],
        "why_not": "" if approved else why_not,
        "approved": approved,
        "target": f"{test.first.job}:{test.first.seq}:{test.settled_seq}",
        "nonce": new_nonce(),
        "said": said or Said(),
        "people": [p for p in seen.settings.studio.people if p.role == "photographer"],
        "longest_reason": LONGEST_REASON,
        "example": EXAMPLE,
    }


def _print(reader: Reader, row: JobRow) -> dict[str, Any]:
    return {
        "job": row.job,
        "number": job_number(row.job),
        "part": PARTS[part_of(reader, row)],
        "size": row.size or "",
        "state": row.state,
        "word": STATES[row.state],
    }


def _approved(seen: StudioSeen, reader: Reader, test: Test) -> str:
    """Who approved it and when; empty where nobody did, or it was taken back."""
    approval = test.approval
    entry = reader.entry(approval.seq) if approval is not None else None
    if approval is None or entry is None or approval.state != "approved":
        return ""
    adjust = entry.body["printed"]["adjust"]
    said = f"Approved by {entry.actor} on {day_words(seen.local(entry.at))}"
    return f"{said}, with {adjust}." if adjust else f"{said}."
