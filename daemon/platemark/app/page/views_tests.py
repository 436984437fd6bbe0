"""A test is approved on the page of its job."""

from __future__ import annotations

import asyncio

import structlog
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from platemark import durable
from platemark.app.page.answering import NOTHING
from platemark.app.page.approving import Said, problem_of, read_said
from platemark.app.page.site import Site, form_fields
from platemark.app.page.studio_seen import StudioSeen, is_served
from platemark.app.page.views_jobs import WAIT_S, job_page
from platemark.app.page.views_jobs import show_again as show_answer_again
from platemark.engine.approving import whole_test
from platemark.engine.decide import write_decision
from platemark.model.decision import ApprovalDecision
from platemark.model.errors import DiskFault, DiskFull


async def approve(site: Site, request: Request) -> Response:
    """Take the word on a test, and wait a moment for what comes of it."""
    said = read_said(await form_fields(request))
    response, decision = await run_in_threadpool(_take, site, request, said)
    if decision is not None and is_served(site.seen.root) is not False:
        for _ in range(int(WAIT_S / 0.2)):
            if await run_in_threadpool(_is_decided, site.seen, decision):
                break
            await asyncio.sleep(0.2)
    return response


def show_again(site: Site, request: Request, fields: list[tuple[str, str]]) -> Response:
    """What was kept while the token was asked for, of this form or an answer's; it does not count.

    What is shown is to be sent once more.
    """
    said = read_said(fields)
    if not said.job:
        return show_answer_again(site, request, fields)
    return _ask(site, request, said, "Look at it once more and send it again.", 200)


def _take(site: Site, request: Request, said: Said) -> tuple[Response, ApprovalDecision | None]:
    if not said.job:
        raise HTTPException(400)
    if not site.is_our_form(request, said.mark):
        wrong = (
            "This page was open for long, or Platemark was started anew since. What you typed is "
            "still here: look at it once more and send it again."
        )
        return _ask(site, request, said, wrong, 403), None
    if wrong := problem_of(said, site.seen.settings.studio):
        return _ask(site, request, said, wrong, 422), None
    decision = said.decision()
    with site.seen.reading() as reader:
        row = reader.job(said.job)
        test = whole_test(reader, row) if row is not None else None
        if test is None:
            raise HTTPException(404)
        answered = reader.decided(decision.id) is not None
    seen = (test.first.seq, test.settled_seq)
    if not answered and seen != (said.seq, said.settled_seq):
        wrong = "More is on record of this test than you saw. See below, and send it again."
        return _ask(site, request, said, wrong, 409), None
    if not answered and (fault := _hand_in(site.seen, decision)):
        return _ask(site, request, said, fault, 503), None
    structlog.get_logger().info("page-approval", job=decision.job, by=decision.by)
    return RedirectResponse(f"/outcome/{said.nonce}?jobs={said.job}", 303), decision


def _hand_in(seen: StudioSeen, decision: ApprovalDecision) -> str:
    """Leave the decision for the service; what the disk refuses is told."""
    folder = seen.folders.decisions
    scratch = folder / f".{decision.id}.tmp"
    try:
        durable.remove_file(scratch)
        try:
            write_decision(folder, decision, scratch)
        except durable.AlreadyThere:
            durable.remove_file(scratch)
    except (DiskFault, DiskFull) as fault:
        return f"{fault.sentence} {fault.hint}"
    return ""


def _ask(site: Site, request: Request, said: Said, wrong: str, status: int) -> Response:
    return job_page(site, request, said.job, NOTHING, wrong, status, said)


def _is_decided(seen: StudioSeen, decision: ApprovalDecision) -> bool:
    with seen.reading() as reader:
        return reader.decided(decision.id) is not None
