"""Puts together what the checks may look at, from the record and the settings."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import date, datetime
from functools import lru_cache
from pathlib import Path
from unicodedata import normalize
from zoneinfo import ZoneInfo

from platemark.checks import (
    all_checks,
    edition_not_named,
    edition_restored,
    file_too_large,
    record_restored,
    reprint_differs,
    same_again,
    same_name,
)
from platemark.engine.claim import TEST_OF, asked_body, layers_of
from platemark.engine.editions import standing_of as edition_standing
from platemark.engine.profiles import standing_of
from platemark.engine.reprinted import first_of, reprint_of
from platemark.engine.strips import drift_of
from platemark.engine.workshop import Workshop
from platemark.imaging.icc import ProfileDamage, parse_profile
from platemark.intake.names import title_of
from platemark.ledger.approvals import Approvals
from platemark.ledger.chain import Entry
from platemark.ledger.keeping import Keeping
from platemark.ledger.read import JobRow, Reader
from platemark.model.adjusting import adjustment_of
from platemark.model.approval import Approval, AsPrinted
from platemark.model.finding import ENGINE_CODES, Acceptance, Finding
from platemark.model.geometry import Layout, Misfit, lay_out
from platemark.model.job import Drop
from platemark.model.known import (
    Known,
    Other,
    ProfileStanding,
    Restored,
    Settled,
    SettledBefore,
)
from platemark.model.lab import Lab, Product
from platemark.model.picture import Facts
from platemark.model.plain import digest, from_plain
from platemark.model.request import Request, Resolved, Trouble, resolve, with_answers
from platemark.model.studio import Settings
from platemark.model.surface import Surface
from platemark.model.units import Size

MEASURES = ("size", "sheet", "border")
"""Keys that say how large a print is."""

SET_CODES = frozenset(check.code for check in all_checks() if check.of_set)
"""Stops that are for a set's sake, not for the picture's own."""

_OF_ITS_TIME = frozenset(
    (same_again.CODE, same_name.CODE, record_restored.CODE, reprint_differs.CODE,
     edition_not_named.CODE, edition_restored.CODE,
     "reprint-file-differs", "profile-changed-meanwhile")
)  # fmt: skip
"""Stops whose acceptance says nothing of the same print at another time."""

ONLY_LOOKED_AT_AGAIN = frozenset((file_too_large.CODE,))
"""Stops whose acceptance makes the file be looked at again and settles nothing by itself."""


@dataclass(frozen=True, slots=True)
class Answers:
    """Everything that people decided about a job so far."""

    settings: Mapping[str, str]
    acceptances: tuple[Acceptance, ...]


def answers_of(reader: Reader, job: int) -> Answers:
    """Collect a job's decisions, the latest winning where two set the same key.

    For a reprint, what was accepted of the first with the same figures stands; what was answered
    to the first print of a test counts for its others.
    """
    settings: dict[str, str] = {}
    acceptances = _accepted_then(reader, job)
    entries = list(reader.entries(job=job, kind="decided"))
    if (first := Approvals(reader).first_of(job)) != job:
        entries = [*reader.entries(job=first, kind="decided"), *entries]
    for entry in entries:
        body = reader.filled(entry.body)
        settings.update(body["settings"])
        acceptances.extend(
            Acceptance(
                accepted["code"],
                tuple((key, value) for key, value in accepted["figures"]),
                entry.actor,
                body["because"],
            )
            for accepted in body["accepted"]
        )
    return Answers(settings, tuple(acceptances))


def _accepted_then(reader: Reader, job: int) -> list[Acceptance]:
    row = reader.job(job)
    found = first_of(reader, row) if row is not None else None
    if found is None:
        return []
    first = answers_of(reader, found[0].job).acceptances
    return [each for each in first if each.code not in (_OF_ITS_TIME | SET_CODES)]


def asked(reader: Reader, row: JobRow, answers: Answers) -> Resolved:
    """A job's request with every layer and every answer taken together."""
    body = asked_body(reader, row)
    resolved = resolve(layers_of(body))
    troubles = tuple(from_plain(Trouble, item) for item in body["troubles"])
    resolved = replace(resolved, troubles=resolved.troubles + troubles)
    if TEST_OF in body:
        answers = replace(answers, settings={**answers.settings, **OF_A_SHEET})
    if resolved.request.title is None:
        title = title_of(Drop(**body["drop"]).path_bytes.rsplit(b"/", 1)[-1])
        resolved = replace(resolved, request=replace(resolved.request, title=title))
    resolved = with_answers(resolved, answers.settings)
    if TEST_OF in body:
        # Its first print is the one that belongs to a set.
        resolved = replace(resolved, request=replace(resolved.request, set=None, set_of=None))
    return resolved


OF_A_SHEET = {"copies": "1", "purpose": "test"}
"""What the sheets of a test are made with, whatever is answered to its first print."""


def know(
    *,
    name: str,
    surface: Surface,
    facts: Facts,
    resolved: Resolved,
    settings: Settings,
    profile: ProfileStanding,
    earlier: tuple[Other, ...],
    today: date,
) -> Known:
    """Put one value together for the checks."""
    lab, product = choose(settings, surface, resolved.request)
    acceptors = {**{check.code: check.accept for check in all_checks()}, **dict(ENGINE_CODES)}
    layout, misfit = None, ""
    # At a size that nobody agreed on, nothing can be said of pixels or proportion.
    if not any(t.kind == "disagree" and t.key in MEASURES for t in resolved.troubles):
        layout, misfit = layout_of(facts, resolved.request, surface, product)
    return Known(
        name=name,
        folder_surface=surface.id,
        today=today,
        facts=facts,
        resolved=resolved,
        surface=surface,
        lab=lab,
        product=product,
        labs_offering=tuple(each.id for each in settings.labs_offering(surface.id)),
        layout=layout,
        misfit=misfit,
        profile=profile,
        limits=settings.studio.limits,
        earlier=earlier,
        untagged=settings.studio.untagged,
        codes=frozenset(acceptors),
        never_accepted=ONLY_LOOKED_AT_AGAIN
        | {code for code, acceptor in acceptors.items() if acceptor == "never"},
        photographers_own=frozenset(
            code for code, acceptor in acceptors.items() if acceptor == "photographer"
        ),
        photographers=frozenset(
            person.name for person in settings.studio.people if person.role == "photographer"
        ),
    )


def choose(
    settings: Settings, surface: Surface, request: Request
) -> tuple[Lab | None, Product | None]:
    """The lab and its product: the request's, else the usual one for the surface."""
    lab = settings.lab(request.lab) if request.lab else settings.usual_lab(surface.id)
    return lab, lab.product_for(surface.id) if lab is not None else None


def know_job(workshop: Workshop, row: JobRow, facts: Facts, answers: Answers) -> Known:
    """Put together what is known of a job."""
    reader = workshop.ledger.read
    resolved = asked(reader, row, answers)
    surface = workshop.settings.surface(row.surface)
    if surface is None:
        raise LookupError(row.surface)
    lab, product = choose(workshop.settings, surface, resolved.request)
    standing = ProfileStanding("none-needed")
    if lab is not None and product is not None:
        standing = standing_of(workshop, lab, product)
    today = workshop.local(workshop.clock.now()).date()
    known = know(
        name=row.original_name,
        surface=surface,
        facts=facts,
        resolved=resolved,
        settings=workshop.settings,
        profile=standing,
        earlier=(),
        today=today,
    )
    mates = _mates(reader, row)
    others = tuple(
        other
        for other in _others(reader, row, {request_key(known), *_broad_keys(known)})
        if other.job not in mates
    )
    earlier = tuple(other for other in others if other.job < row.job)
    zone = workshop.settings.studio.time_zone
    settled = settled_of(reader, row.original_sha256, row.surface, zone)
    known = replace(
        known,
        profile=replace(standing, intents=_intents_of(workshop, standing.sha256)),
        earlier=earlier,
        later=tuple(other for other in others if other.job > row.job),
        settled=settled,
        settled_before=_settled_before(reader, earlier, zone) if settled is None else None,
        restored=_restored_after(reader, row),
        drift=drift_of(reader, lab.id, row.surface, zone) if lab is not None else None,
        original_sha256=row.original_sha256,
        approval=_approval_for(reader, row, known, zone),
    )
    reprint = reprint_of(reader, row)
    editions = edition_standing(reader, workshop.settings, known, row.original_sha256, job=row.job)
    return replace(known, reprint=reprint, editions=editions)


def _mates(reader: Reader, row: JobRow) -> set[int]:
    """All prints of the test that a job is part of: none of them is the same again."""
    approvals = Approvals(reader)
    first = approvals.first_of(row.job)
    return {first, *approvals.parts_of(first)}


def _approval_for(reader: Reader, row: JobRow, known: Known, zone: str) -> Approval | None:
    """The approval that a final is held against.

    Of several, one of the same bytes before one of the same name, then that of the same surface
    and lab, then the newest.
    """
    if known.resolved.request.purpose != "final":
        return None
    lab = known.lab.id if known.lab is not None else None
    standing = Approvals(reader).standing(row.original_sha256, _spellings(row.original_name))
    if not standing:
        return None
    best = max(
        standing,
        key=lambda each: (
            each.original == row.original_sha256,
            each.surface == row.surface,
            each.lab == lab,
            each.seq,
        ),
    )
    entry = reader.entry(best.seq)
    if entry is None:
        return None
    return Approval(
        test=best.job,
        by=entry.actor,
        on=datetime.fromisoformat(entry.at).astimezone(ZoneInfo(zone)).date(),
        original_sha256=best.original,
        same_picture=best.original == row.original_sha256,
        printed=from_plain(AsPrinted, entry.body["printed"]),
    )


def _spellings(name: str) -> set[str]:
    """One system writes an accent as a sign of its own, another as part of its letter."""
    return {name, *(normalize(form, name) for form in ("NFC", "NFD"))}


def _restored_after(reader: Reader, row: JobRow) -> Restored | None:
    """The newest older state of the record that the studio goes on from since a job was claimed.

    For a later job, whether its file was there before.
    """
    entry = reader.entry(Keeping(reader).restored_after(row.job))
    if entry is not None:
        restored, claimed = restored_of(entry), reader.entry(row.claimed_seq)
        is_known = claimed is None or claimed.kind != "job-read-back"
        return restored if is_known else replace(restored, how="read-back")
    entry = reader.entry(Keeping(reader).unplaced(row.original_sha256))
    if entry is None:
        return None
    return Restored(entry.seq, datetime.fromisoformat(entry.at).date(), "unplaced")


def restored_of(entry: Entry) -> Restored:
    """What checks are told of the entry by which an older state became the studio's."""
    made = datetime.fromisoformat(entry.body["copy_made"]).date()
    return Restored(entry.seq, made, entry.body.get("how", "copy"))


def settled_of(reader: Reader, original: str, surface: str, zone: str) -> Settled | None:
    """What stands settled for a picture on a surface; None where nothing ever was.

    Args:
        reader: The record.
        original: SHA-256 of the picture.
        surface: The surface's id.
        zone: The studio's time zone.
    """
    row = reader.settled(original, surface)
    entry = reader.entry(row.seq) if row is not None else None
    if row is None or entry is None:
        return None
    on = datetime.fromisoformat(entry.at).astimezone(ZoneInfo(zone)).date()
    return Settled(row.version, adjustment_of(row.adjust), row.intent, on)


def _settled_before(reader: Reader, earlier: tuple[Other, ...], zone: str) -> SettledBefore | None:
    """What stands settled for the newest earlier file of that name on that surface."""
    for other in earlier:
        if not other.same_name or other.same_bytes or not other.same_surface:
            continue
        row = reader.job(other.job)
        settled = settled_of(reader, row.original_sha256, row.surface, zone) if row else None
        if settled is not None:
            return None if settled.is_nothing else SettledBefore(other.job, settled)
    return None


def _intents_of(workshop: Workshop, sha256: str) -> tuple[str, ...]:
    return intents_in(workshop.folders.archived(sha256, "icc")) if sha256 else ()


@lru_cache(maxsize=64)
def intents_in(path: Path) -> tuple[str, ...]:
    """The intents that a profile has tables for, both ways; none where it cannot be read.

    Args:
        path: A file that is named by its content, or is asked about but once.
    """
    try:
        return parse_profile(path.read_bytes()).intents
    except (OSError, ProfileDamage):
        return ()


def request_key(known: Known) -> str:
    """What makes two requests the same: surface, lab, measures, fit, edge, purpose, edition."""
    request, layout = known.resolved.request, known.layout
    measures = [str(request.size), str(request.sheet), str(request.border)]
    if layout is not None:
        sides = (layout.size.w.mm, layout.size.h.mm, layout.sheet.w.mm, layout.sheet.h.mm)
        measures = [str(side) for side in sides]
    return digest(
        [
            known.surface.id,
            known.lab.id if known.lab is not None else "",
            *measures,
            request.fit,
            str(request.crop_at),
            _edge_key(known),
            request.purpose,
            request.edition or "",
            # Left out where they are not said, so that a request from before is the same still.
            *(["proof"] if request.edition_kind == "proof" else []),
            *([f"replaces {request.replaces}"] if request.replaces is not None else []),
        ]
    )


def broad_key(surface: str, lab: str, size: Size, sheet: Size, purpose: str) -> str:
    """What a ticket tells of a request's key: how it was fitted and made is not on it.

    A job that was read back from its ticket has this one, so more of what is dropped again is asked
    about, never less.
    """
    sides = (size.w.mm, size.h.mm, sheet.w.mm, sheet.h.mm)
    return "ticket:" + digest([surface, lab, *map(str, sides), purpose])


ANY_REQUEST = "ticket:unknown"
"""The key of a job of which only the file is known."""


def _broad_keys(known: Known) -> tuple[str, ...]:
    layout, lab = known.layout, known.lab
    if layout is None or lab is None:
        return (ANY_REQUEST,)
    purpose = known.resolved.request.purpose
    key = broad_key(known.surface.id, lab.id, layout.size, layout.sheet, purpose)
    return key, ANY_REQUEST


def _edge_key(known: Known) -> str:
    """How the edge is made; on another bar than the usual, the bar too."""
    layout, product = known.layout, known.product
    if layout is None or product is None:
        return str(known.resolved.request.edge)
    is_usual = not layout.wrap_px or layout.wrap.mm == product.wrap.mm
    return str(layout.edge) if is_usual else f"{layout.edge} {layout.wrap}"


def accepted(
    known: Known, findings: Iterable[Finding], acceptances: tuple[Acceptance, ...]
) -> dict[str, Acceptance]:
    """Which stops were accepted, by code: by a decision, or by `allow` with a reason.

    Where two stops have one code, both must be. Whoever may drop a file may allow what an assistant
    may accept; what is the photographer's needs `by` with their name.
    """
    found: dict[str, Acceptance] = {}
    open_codes: set[str] = set()
    for finding in findings:
        if finding.severity != "stop":
            continue
        covering = next((a for a in acceptances if a.covers(finding)), None)
        if covering is None:
            covering = _allowed(known, finding)
        if covering is None or finding.accept == "never" or finding.code in ONLY_LOOKED_AT_AGAIN:
            open_codes.add(finding.code)
        else:
            found[finding.code] = covering
    return {code: acceptance for code, acceptance in found.items() if code not in open_codes}


def _allowed(known: Known, finding: Finding) -> Acceptance | None:
    request = known.resolved.request
    if not request.because or finding.code not in request.allow:
        return None
    if finding.accept == "photographer" and request.by not in known.photographers:
        return None
    return Acceptance(finding.code, finding.figures, request.by or "request", request.because)


def layout_of(
    facts: Facts, request: Request, surface: Surface, product: Product | None
) -> tuple[Layout | None, str]:
    """The layout, or why there is none although a size is given."""
    if product is None or facts.width < 1 or facts.height < 1:
        return None, ""
    if request.size is None and request.sheet is None:
        return None, ""
    try:
        upright = (facts.upright_width, facts.upright_height)
        return lay_out(*upright, request, surface, product), ""
    except Misfit as misfit:
        return None, str(misfit)


def _others(reader: Reader, row: JobRow, keys: set[str]) -> Iterable[Other]:
    rows = {r.job: r for r in reader.jobs(original=row.original_sha256)}
    names = _spellings(row.original_name)
    for name in names:
        rows.update({r.job: r for r in reader.jobs(name=name)})
    for job in sorted(rows, reverse=True):
        other = rows[job]
        if job == row.job:
            continue
        yield Other(
            job=job,
            state=other.state,
            parcel=other.parcel,
            order=other.order,
            same_bytes=other.original_sha256 == row.original_sha256,
            same_name=other.original_name in names,
            same_request=other.request_key in keys,
            same_surface=other.surface == row.surface,
            recalled=reader.recall(job) is not None,
        )
