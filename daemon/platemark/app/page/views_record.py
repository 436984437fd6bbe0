"""Parcels and their papers, pictures, the search, and the record itself."""

from __future__ import annotations

import json
import re
from datetime import date
from typing import Any, cast
from urllib.parse import urlencode

from markupsafe import Markup
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from platemark.app.page.kept_files import (
    drawing_bytes,
    paper_bytes,
    papers_of,
    proof_bytes,
)
from platemark.app.page.site import Site, View
from platemark.app.page.studio_seen import StudioSeen
from platemark.app.page.views_now import parcel_count
from platemark.app.page.words import (
    KINDS,
    PARCEL_SHAPES,
    STATES,
    asked_words,
    kind_words,
    moment_words,
    parcel_words,
)
from platemark.intake.plain_text import flat
from platemark.ledger.chain import Entry
from platemark.ledger.keeping import Keeping
from platemark.ledger.read import JobRow, ParcelRow, Reader
from platemark.ledger.search import LONGEST, Wanted
from platemark.model.job import State, job_number

OF_A_PAGE = 50
PAPER_POLICY = (
    "sandbox; default-src 'none'; img-src data:; style-src 'unsafe-inline'; frame-ancestors 'self'"
)
"""A ticket is a page of its own with its style and pictures inside: it may do nothing here."""
_PICTURE = re.compile(r"([0-9a-f]{64})\.jpg")
_DRAWING = re.compile(r"([1-9][0-9]{0,8})-[1-9][0-9]{0,17}\.jpg")
_NUMBER = re.compile(r"[1-9][0-9]{0,17}")


def picture(site: Site, request: Request) -> Response:
    """A proof, by its hash."""
    match = _PICTURE.fullmatch(request.path_params["name"])
    data = None
    if match is not None:
        with site.seen.reading() as reader:
            data = proof_bytes(site.seen, reader, match[1])
    # What has that hash never changes, but a client's picture does not stay in browsers for ever.
    return _jpeg(data, "private, max-age=86400, immutable")


def drawing(site: Site, request: Request) -> Response:
    """The drawing of a held job, with its choices."""
    match = _DRAWING.fullmatch(request.path_params["name"])
    data = None
    if match is not None:
        with site.seen.reading() as reader:
            data = drawing_bytes(site.seen, reader, int(match[1]))
    return _jpeg(data, "private, max-age=600")


def _jpeg(data: bytes | None, keep: str) -> Response:
    if data is None:
        raise HTTPException(404)
    headers = {"cache-control": keep, "content-security-policy": "sandbox; default-src 'none'"}
    return Response(data, media_type="image/jpeg", headers=headers)


def parcels(site: Site, request: Request) -> Response:
    """What went to which lab, the newest first."""
    seen, lab = site.seen, request.query_params.get("lab", "")
    lab = lab if seen.settings.lab(lab) is not None else ""
    with seen.reading() as reader:
        rows = [
            _parcel_row(seen, reader, row)
            for row in seen.search(reader).newest_parcels(OF_A_PAGE, lab)
        ]
    return site.show(request, "parcels", rows=rows, labs=seen.settings.labs, lab=lab)


def parcel(site: Site, request: Request) -> Response:
    """One parcel: its jobs, its papers, what happened to it."""
    seen = site.seen
    with seen.reading() as reader:
        row = reader.parcel(request.path_params["name"])
        if row is None:
            raise HTTPException(404)
        jobs = reader.jobs(parcel=row.name)
        papers = papers_of(seen, reader, row)
        cleared = bool(Keeping(reader).papers(row.name))
        recalled = [each for each in reader.recalls(lab=row.lab) if each.notice == row.name]
        proofs = {each.job: proof for each in jobs if (proof := _proof_of(reader, each))}
        since = min((each.claimed_seq for each in jobs), default=0)
        history = [
            _entry(seen, entry)
            for kind in ("parcel-sealed", "parcel-closed", "parcel-verified-at-lab",
                         "parcel-delivered", "parcel-taken-back")
            for entry in _of_parcel(reader, row, kind, since)
        ]  # fmt: skip
        shown = _parcel_row(seen, reader, row)
    name = next((each for each in ("ticket.html", "recall.html") if each in papers), "")
    return site.show(
        request, "parcel", parcel=shown, papers=list(papers.values()), frame=name, jobs=[
            _found(seen, each) | {"proof": proofs.get(each.job, "")} for each in jobs
        ], history=history, cleared=cleared, recalled=[each.job for each in recalled],
    )  # fmt: skip


def paper(site: Site, request: Request) -> Response:
    """A paper of a parcel, as it was closed."""
    seen = site.seen
    with seen.reading() as reader:
        row = reader.parcel(request.path_params["name"])
        found = papers_of(seen, reader, row).get(request.path_params["paper"]) if row else None
        data = paper_bytes(seen, row, found) if row and found else None
    if data is None or found is None or row is None:
        raise HTTPException(404)
    headers = {
        "content-type": found.kind,
        "content-security-policy": PAPER_POLICY,
        "x-frame-options": "SAMEORIGIN",
    }
    if found.kind == "application/pdf":
        headers["content-disposition"] = f'attachment; filename="{row.name}-{found.name}"'
    elif not found.kind.startswith("text/html"):
        headers["content-type"] = "text/plain; charset=utf-8"
    return Response(data, headers=headers)


def search(site: Site, request: Request) -> Response:
    """Look for jobs and parcels."""
    seen, asked = site.seen, request.query_params
    wanted, mistakes = _wanted(asked)
    before = _seq(asked.get("before", ""))
    is_asked = wanted != Wanted()
    with seen.reading() as reader:
        found = seen.search(reader).find(wanted, before=before, most=OF_A_PAGE)
        jobs = [_found(seen, row) for row in found.jobs]
        lots = [_parcel_row(seen, reader, row) for row in found.parcels]
    fields = {key: value for key, value in asked.items() if value and key != "before"}
    more = urlencode({**fields, "before": found.before}) if found.before else ""
    return site.show(
        request, "search", wanted=wanted, jobs=jobs, parcels=lots, entry=found.entry,
        more=more, is_asked=is_asked, mistakes=mistakes, surfaces=seen.settings.surfaces,
        labs=seen.settings.labs, states=STATES,
    )  # fmt: skip


def _wanted(asked: Any) -> tuple[Wanted, list[str]]:
    """What a search asks, and what of it cannot be understood."""
    mistakes: list[str] = []

    def day(key: str) -> date | None:
        text = asked.get(key, "").strip()
        if not text:
            return None
        try:
            return date.fromisoformat(text)
        except ValueError:
            mistakes.append(f"“{text[:20]}” is no date; write it like 2026-11-27.")
            return None

    state = asked.get("state", "")
    text = " ".join(asked.get("q", "")[:LONGEST].replace("\x00", " ").split())
    wanted = Wanted(
        text=text,
        state=cast(State, state) if state in STATES else None,
        surface=asked.get("surface", "")[:64],
        lab=asked.get("lab", "")[:64],
        since=day("since"),
        until=day("until"),
    )
    return wanted, mistakes


def record(site: Site, request: Request) -> Response:
    """The record's entries, the newest first."""
    seen = site.seen
    before = _seq(request.query_params.get("before", ""))
    kind = request.query_params.get("kind", "")
    kind = kind if kind in KINDS else ""
    with seen.reading() as reader:
        entries = seen.search(reader).newest_entries(OF_A_PAGE, before=before, kind=kind)
        head = reader.head()
        night = Keeping(reader).newest("upkeep-done")
    at = moment_words(seen.local(night.at), seen.now()) if night is not None else ""
    more = entries[-1].seq if len(entries) == OF_A_PAGE else None
    return site.show(
        request, "record", entries=[_entry(seen, entry) for entry in entries], head=head,
        proved=at, more=more, kinds=KINDS, kind=kind,
    )  # fmt: skip


def entry(site: Site, request: Request) -> Response:
    """One entry, all that it says."""
    seq = _seq(request.path_params["seq"])
    seen = site.seen
    with seen.reading() as reader:
        found = reader.entry(seq) if seq is not None else None
        if found is None:
            raise HTTPException(404)
        body = reader.filled(found.body)
    text = json.dumps(body, ensure_ascii=False, indent=2)
    # Of a line only what is before its first sign is kept as it is: the step to the right.
    lines = [
        Markup(" " * (len(line) - len(line.lstrip(" ")))) + flat(line)  # noqa: S704  # spaces
        for line in text.split("\n")
    ]
    return site.show(
        request, "entry", entry=_entry(seen, found), lines=lines, hash=found.hash.hex(),
        previous=found.previous.hex(), stamp=found.at,
    )  # fmt: skip


def _of_parcel(reader: Reader, row: ParcelRow, kind: str, since: int) -> list[Entry]:
    """A parcel's entries of a kind; none is before its first job or after its newest word."""
    rows = reader.ask(
        "entries",
        "SELECT seq FROM entries WHERE kind = ? AND seq BETWEEN ? AND ? AND instr(body, ?)"
        " ORDER BY seq LIMIT 5",
        kind,
        since,
        row.seq,
        f'"parcel":{json.dumps(row.name)}',
    )
    return [found for each in rows if (found := reader.entry(each[0])) is not None]


def _proof_of(reader: Reader, row: JobRow) -> str:
    sha256 = reader.body(row.examined_seq).get("proof_sha256", "")
    return f"/picture/{sha256}.jpg" if sha256 else ""


def _found(seen: StudioSeen, row: JobRow) -> dict[str, Any]:
    return {
        "job": row.job,
        "number": job_number(row.job),
        "name": row.original_name,
        "title": row.title or "",
        "state": row.state,
        "word": STATES[row.state],
        "parcel": row.parcel or "",
        "asked": asked_words(row, seen.surface_name(row.surface), seen.lab_name(row.lab)),
        "when": moment_words(seen.local(row.moved_at), seen.now()),
    }


def _parcel_row(seen: StudioSeen, reader: Reader, row: ParcelRow) -> dict[str, Any]:
    newest = reader.entry(row.seq)
    return {
        "name": row.name,
        "lab": seen.lab_name(row.lab),
        "state": PARCEL_SHAPES.get(row.state, "claimed"),
        "word": parcel_words(row, newest),
        "when": moment_words(seen.local(newest.at), seen.now()) if newest is not None else "",
        "jobs": parcel_count(reader, row.name),
        "tagmanifest": row.tagmanifest,
        "seq": row.seq,
    }


def _entry(seen: StudioSeen, entry: Entry) -> dict[str, Any]:
    return {
        "seq": entry.seq,
        "at": moment_words(seen.local(entry.at), seen.now()),
        "job": entry.job,
        "words": kind_words(entry.kind),
        "kind": entry.kind,
        "actor": "" if entry.actor == "service" else entry.actor,
    }


def _seq(text: str) -> int | None:
    return int(text) if _NUMBER.fullmatch(text) else None


VIEWS: tuple[tuple[str, View], ...] = (
    ("/picture/{name}", picture),
    ("/drawing/{name}", drawing),
    ("/parcels", parcels),
    ("/parcel/{name}", parcel),
    ("/parcel/{name}/{paper}", paper),
    ("/search", search),
    ("/record", record),
    ("/record/{seq}", entry),
)
