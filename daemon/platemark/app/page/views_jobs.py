"""Held jobs and their answers, and everything about one job."""

from __future__ import annotations

import asyncio
import re
from typing import Any

import structlog
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from platemark import durable
from platemark.app.page.answering import (
    LONGEST_REASON,
    MOST_JOBS,
    NOTHING,
    Sent,
    answer_of,
    choices_for,
    decision_id,
    new_nonce,
    problem_of,
    read_form,
)
from platemark.app.page.approving import Said, seen_test
from platemark.app.page.kept_files import has_drawing
from platemark.app.page.site import Site, View, form_fields
from platemark.app.page.studio_seen import StudioSeen, is_served
from platemark.app.page.words import STATES, asked_words, kind_words, moment_words
from platemark.engine.decide import write_decision
from platemark.engine.editions import edition_of
from platemark.engine.hold import notice_of
from platemark.engine.picture_decisions import words_of
from platemark.engine.thread import Step, is_single, thread_of
from platemark.intake.held import who_accepts
from platemark.ledger.chain import Entry
from platemark.ledger.read import JobRow, Reader
from platemark.model.decision import Decision
from platemark.model.errors import DiskFault, DiskFull
from platemark.model.finding import Finding
from platemark.model.job import job_number
from platemark.model.notice import HeldNotice
from platemark.model.plain import from_plain
from platemark.model.sits import proof_words

OF_A_PAGE = 20
WAIT_S = 4.0
"""After an answer was handed in its entry is waited for so long before the outcome is shown."""
_JOB = re.compile(r"[1-9][0-9]{0,8}")
_NONCE = re.compile(r"[0-9a-f]{32}")


def held(site: Site, request: Request) -> Response:
    """Everything that waits for a person."""
    after = _number(request.query_params.get("after", "")) or 0
    seen = site.seen
    with seen.reading() as reader:
        numbers = [
            int(row[0])
            for row in reader.ask(
                "jobs",
                "SELECT job FROM jobs WHERE state = 'held' AND job > ? ORDER BY job LIMIT ?",
                after,
                OF_A_PAGE + 1,
            )
        ]
        rows = reader.jobs_numbered(numbers[:OF_A_PAGE])
        cards = [_card(seen, reader, row) for row in rows]
        total = seen.search(reader).counts().get("held", 0)
    more = numbers[OF_A_PAGE - 1] if len(numbers) > OF_A_PAGE else None
    return site.show(request, "held", cards=cards, total=total, more=more, after=after)


def together(site: Site, request: Request) -> Response:
    """Several held jobs with one answer."""
    numbers = [_number(text) for text in request.query_params.getlist("job")]
    jobs = list(dict.fromkeys(number for number in numbers if number is not None))[:MOST_JOBS]
    if not jobs:
        return RedirectResponse("/held", 303)
    return _ask(site, request, jobs, NOTHING, "", 200)


def job(site: Site, request: Request) -> Response:
    """Everything about one job, and the form where it is held."""
    return job_page(site, request, _path_job(request), NOTHING, "", 200)


def outcome(site: Site, request: Request) -> Response:
    """What came of an answer."""
    nonce = request.path_params["nonce"]
    jobs = [_number(text) for text in request.query_params.get("jobs", "").split(".")]
    wanted = [number for number in jobs[:MOST_JOBS] if number is not None]
    if not _NONCE.fullmatch(nonce) or not wanted:
        raise HTTPException(404)
    seen = site.seen
    with seen.reading() as reader:
        rows = {row.job: row for row in reader.jobs_numbered(wanted)}
        told = [_outcome(reader, rows[each], nonce) for each in wanted if each in rows]
    waits = any(each["waits"] for each in told)
    return site.show(
        request, "outcome", told=told, waits=waits, served=is_served(seen.root), nonce=nonce
    )


async def answer(site: Site, request: Request) -> Response:
    """Take an answer to one held job, or to several."""
    sent = read_form(await form_fields(request))
    response, decisions = await run_in_threadpool(_take, site, request, sent)
    if decisions and is_served(site.seen.root) is not False:
        for _ in range(int(WAIT_S / 0.2)):
            if await run_in_threadpool(_all_decided, site.seen, decisions):
                break
            await asyncio.sleep(0.2)
    return response


def show_again(site: Site, request: Request, fields: list[tuple[str, str]]) -> Response:
    """An answer that was kept while the token was asked for; it does not count yet."""
    sent = read_form(fields)
    jobs = [job for job, _ in sent.targets][:MOST_JOBS]
    if not jobs:
        return RedirectResponse("/held", 303)
    return _ask(site, request, jobs, sent, "Look at it once more and send it again.", 200)


def _take(site: Site, request: Request, sent: Sent) -> tuple[Response, list[Decision]]:
    """Judge an answer and hand it in; what is not right is shown again with what was typed."""
    jobs = [job for job, _ in sent.targets][:MOST_JOBS]
    if not jobs:
        raise HTTPException(400)
    if not site.is_our_form(request, sent.mark):
        wrong = (
            "This page was open for long, or Platemark was started anew since. What you typed is "
            "still here: look at it once more and send it again."
        )
        return _ask(site, request, jobs, sent, wrong, 403), []
    if wrong := problem_of(sent, site.seen.settings.studio):
        return _ask(site, request, jobs, sent, wrong, 422), []
    decisions: list[Decision] = []
    with site.seen.reading() as reader:
        workshop = site.seen.workshop(reader)
        for number, seq in sent.targets:
            if reader.decided(decision_id(sent.nonce, number)) is not None:
                continue  # the same form sent again
            row = reader.job(number)
            if row is None:
                raise HTTPException(404)
            if row.state != "held" or row.moved_seq != seq:
                wrong = _moved_on(site.seen, reader, row, seq)
                return _ask(site, request, jobs, sent, wrong, 409), []
            decided = answer_of(sent, notice_of(workshop, row))
            if isinstance(decided, str):
                wrong = f"Job {job_number(number)}: {decided}" if len(jobs) > 1 else decided
                return _ask(site, request, jobs, sent, wrong, 422), []
            decisions.append(decided)
    return _hand_in(site, request, sent, jobs, decisions)


def _hand_in(
    site: Site, request: Request, sent: Sent, jobs: list[int], decisions: list[Decision]
) -> tuple[Response, list[Decision]]:
    folder = site.seen.folders.decisions
    try:
        for decision in decisions:
            scratch = folder / f".{decision.id}.tmp"
            durable.remove_file(scratch)
            try:
                write_decision(folder, decision, scratch)
            except durable.AlreadyThere:
                durable.remove_file(scratch)
    except (DiskFault, DiskFull) as fault:
        return _ask(site, request, jobs, sent, f"{fault.sentence} {fault.hint}", 503), []
    for decision in decisions:
        structlog.get_logger().info("page-answer", job=decision.job, by=decision.by)
    about = ".".join(str(each) for each in jobs)
    return RedirectResponse(f"/outcome/{sent.nonce}?jobs={about}", 303), decisions


def _all_decided(seen: StudioSeen, decisions: list[Decision]) -> bool:
    with seen.reading() as reader:
        return all(reader.decided(decision.id) is not None for decision in decisions)


def _ask(
    site: Site, request: Request, jobs: list[int], sent: Sent, wrong: str, status: int
) -> Response:
    """Show the form, for one job on its own page, for several on theirs."""
    if len(jobs) == 1:
        return job_page(site, request, jobs[0], sent, wrong, status)
    seen = site.seen
    with seen.reading() as reader:
        workshop = seen.workshop(reader)
        rows = reader.jobs_numbered(jobs)
        open_rows = [row for row in rows if row.state == "held"]
        notices = [notice_of(workshop, row) for row in open_rows]
        gone = [_item(row) for row in rows if row.state != "held"]
        cards = [_card(seen, reader, row) for row in open_rows]
    form = _form(site, sent, notices) if notices else None
    return site.show(request, "together", status, cards=cards, gone=gone, form=form, wrong=wrong)


def _form(site: Site, sent: Sent, notices: list[HeldNotice]) -> dict[str, Any]:
    """What the form of an answer holds; bound to what is seen now."""
    return {
        "choices": choices_for(notices),
        "targets": [(notice.job, notice.seq) for notice in notices],
        "nonce": new_nonce(),
        "sent": sent,
        "people": site.seen.settings.studio.people,
        "several": len(notices) > 1,
        "longest_reason": LONGEST_REASON,
        "each": len([f for f in notices[0].findings if f.severity == "stop"]) > 1,
    }


def _moved_on(seen: StudioSeen, reader: Reader, row: JobRow, seq: int) -> str:
    """What became of a job since a person saw it."""
    number = job_number(row.job)
    since = [entry for entry in reader.entries(seq, job=row.job) if entry.kind != "let-go"]
    by = next((entry for entry in since if entry.actor != "service"), None)
    who = ""
    if by is not None:
        at = moment_words(seen.local(by.at), seen.now())
        who = f" {by.actor} gave another answer at {at}."
    if row.state == "held":
        return (
            f"Job {number} has moved on since you looked at it.{who} It is held anew: see below "
            "what for. Your answer was not taken."
        )
    return (
        f"Job {number} has moved on since you looked at it.{who} It is {STATES[row.state]} now. "
        "Your answer was not taken."
    )


# -- one job -----------------------------------------------------------------------------------


def job_page(
    site: Site,
    request: Request,
    number: int,
    sent: Sent,
    wrong: str,
    status: int,
    said: Said | None = None,
) -> Response:
    """Show one job, with what was typed and not taken: an answer, or a word on its test."""
    seen = site.seen
    with seen.reading() as reader:
        row = reader.job(number)
        if row is None:
            raise HTTPException(404)
        workshop = seen.workshop(reader)
        notice = notice_of(workshop, row) if row.state == "held" else None
        findings = notice.findings if notice is not None else _findings(reader, row)
        history = [_step(seen, entry) for entry in reader.entries(job=number)]
        card = _card(seen, reader, row, notice)
        made = row.state in ("rendered", "parcelled", "delivered") or row.parcel is not None
        changes = reader.body(row.rendered_seq).get("changes", []) if made else []
        settled = reader.settled(row.original_sha256, row.surface)
        recall = reader.recall(number)
        edition = edition_of(reader, row)
        test = seen_test(seen, reader, row, said)
        earlier = reader.jobs(original=row.original_sha256)[:20]
        steps = thread_of(reader, row, seen.settings)
    form = _form(site, sent, [notice]) if notice is not None else None
    return site.show(
        request, "job", status, row=row, card=card, notice=notice, form=form, wrong=wrong,
        test=test, findings=findings, history=history, changes=[each["text"] for each in changes],
        settled=words_of(settled) if settled is not None else "", recall=recall,
        edition=edition.words if edition is not None else "",
        others=[_item(each) for each in earlier if each.job != number],
        lab_name=seen.lab_name(row.lab), surface_name=seen.surface_name(row.surface),
        print_sha256=row.print_sha256 if made else None,
        thread=[] if is_single(steps) else [_in_thread(seen, each) for each in steps],
    )  # fmt: skip


def _findings(reader: Reader, row: JobRow) -> tuple[Finding, ...]:
    seqs = [seq for seq in (row.examined_seq, row.held_seq) if seq is not None]
    found = reader.body(max(seqs)).get("findings", []) if seqs else []
    return tuple(from_plain(Finding, each) for each in found)


def _card(
    seen: StudioSeen, reader: Reader, row: JobRow, notice: HeldNotice | None = None
) -> dict[str, Any]:
    """A job with its pictures and, where it is held, why."""
    if notice is None and row.state == "held":
        notice = notice_of(seen.workshop(reader), row)
    seqs = [seq for seq in (row.examined_seq, row.held_seq) if seq is not None]
    sha256 = reader.body(max(seqs)).get("proof_sha256", "") if seqs else ""
    stops = [f for f in notice.findings if f.severity == "stop"] if notice is not None else []
    return {
        **_item(row),
        "asked": asked_words(row, seen.surface_name(row.surface), seen.lab_name(row.lab)),
        "proof": f"/picture/{sha256}.jpg" if sha256 else "",
        "proof_said": _proof_said(notice),
        "then_and_now": notice.then_and_now if notice is not None else "",
        "drawing": f"/drawing/{row.job}-{row.moved_seq}.jpg"
        if has_drawing(seen, reader, row.job)
        else "",
        "letters": [letter for letter, _ in notice.drawing_choices] if notice is not None else [],
        "stops": [{"finding": f, "who": who_accepts(f)} for f in stops],
        "since": moment_words(seen.local(row.moved_at), seen.now()),
        "answered": notice.answered if notice is not None else "",
        "folder": _folder(seen, row),
    }


def _proof_said(notice: HeldNotice | None) -> str:
    """What a job's proof shows, for those who cannot see it."""
    if notice is not None and (notice.then_and_now or notice.sits):
        told = ((each.label, each.figure) for each in notice.sits)
        return notice.then_and_now or proof_words(told)
    return "The picture as it came and as it will print"


def _folder(seen: StudioSeen, row: JobRow) -> str:
    """Where a held job lies, from the studio's folder; empty where it is not held."""
    if row.state != "held":
        return ""
    folder = seen.folders.held_folder(row.surface, row.original_name, row.job)
    return f"{folder.relative_to(seen.root)}/"


def _item(row: JobRow) -> dict[str, Any]:
    return {
        "job": row.job,
        "seq": row.moved_seq,
        "number": job_number(row.job),
        "name": row.original_name,
        "title": row.title or "",
        "state": row.state,
        "word": STATES[row.state],
        "parcel": row.parcel or "",
    }


def _step(seen: StudioSeen, entry: Entry) -> dict[str, Any]:
    return {
        "seq": entry.seq,
        "at": moment_words(seen.local(entry.at), seen.now()),
        "words": kind_words(entry.kind),
        "actor": "" if entry.actor == "service" else entry.actor,
    }


def _in_thread(seen: StudioSeen, step: Step) -> dict[str, Any]:
    return {
        "seq": step.seq,
        "at": moment_words(seen.local(step.at), seen.now()),
        "job": step.job,
        "number": job_number(step.job),
        "called": step.called,
        "words": step.words,
        "by": step.by,
    }


def _outcome(reader: Reader, row: JobRow, nonce: str) -> dict[str, Any]:
    entry = reader.decided(decision_id(nonce, row.job))
    told = {**_item(row), "waits": entry is None, "taken": False, "sentence": "", "why": []}
    if entry is None:
        return told
    said = str(entry.body.get("sentence", ""))
    if entry.kind == "decision-refused":
        return told | {"sentence": said}
    found = _findings(reader, row) if row.state == "held" else ()
    why = [each.message for each in found if each.severity == "stop"]
    words = "The answer was taken." if said == "answered" else f"{said[:1].upper()}{said[1:]}."
    then = _THEN.get(row.state, f"It is {STATES[row.state]} now.")
    return told | {"taken": True, "sentence": words.replace("..", "."), "why": why, "then": then}


_THEN = {"claimed": "It is looked at once more.", "examined": "It is prepared next."}


def _path_job(request: Request) -> int:
    number = _number(request.path_params["job"])
    if number is None:
        raise HTTPException(404)
    return number


def _number(text: str) -> int | None:
    digits = text.strip().lstrip("0")
    return int(digits) if _JOB.fullmatch(digits) else None


VIEWS: tuple[tuple[str, View], ...] = (
    ("/held", held),
    ("/held/together", together),
    ("/job/{job}", job),
    ("/outcome/{nonce}", outcome),
)
