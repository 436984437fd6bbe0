"""What a morning digest says of what waits: held pictures, prints on their way, what to do."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import Any

from platemark.delivery import COLLECT
from platemark.ledger.read import JobRow, Reader
from platemark.ledger.strips import Strips
from platemark.ledger.threads import Threads
from platemark.model.job import job_number
from platemark.model.morning import DigestLine
from platemark.model.notice import WaitingLine
from platemark.model.studio import Settings

_UNDER_WAY = {"claimed": "to be looked at", "examined": "to be prepared"}


def held(reader: Reader, since: int) -> list[DigestLine]:
    """Every job that is held, with why and what next; those that are new first."""
    rows = reader.jobs(state="held")
    rows.sort(key=lambda row: (row.moved_seq <= since, row.job))
    return [_held_line(reader, row, is_new=row.moved_seq > since) for row in rows]


def _held_line(reader: Reader, row: JobRow, *, is_new: bool) -> DigestLine:
    stops = _stops(reader, row)
    why = " ".join(each["message"] for each in stops) or "It waits for an answer."
    then = stops[0]["next"] if len(stops) == 1 else "See WHY.html in its folder in held/."
    since = "" if is_new else f" (since {row.moved_at[:10]})"
    # Most reasons name the file themselves.
    named = "" if row.original_name in why else f"{row.original_name} "
    return DigestLine(
        f"{job_number(row.job)}  {named}on {row.surface}{since}: {why}",
        then,
        row.job,
        row.order or "",
    )


def _stops(reader: Reader, row: JobRow) -> list[dict[str, Any]]:
    found = reader.body(row.held_seq).get("findings", [])
    return [each for each in found if each["severity"] == "stop"]


def waits(reader: Reader, settings: Settings) -> list[DigestLine]:
    """Pictures that are being prepared, prints that wait for their parcel, parcels under way."""
    found = []
    for state, what in _UNDER_WAY.items():
        if rows := reader.jobs(state=state):
            count = "1 picture waits" if len(rows) == 1 else f"{len(rows)} pictures wait"
            found.append(DigestLine(f"{count} {what}."))
    by_lab = Counter(row.lab or "" for row in reader.jobs(state="rendered"))
    for lab_id, ready in sorted(by_lab.items()):
        lab = settings.lab(lab_id)
        name = lab.name if lab is not None else lab_id
        prints = "1 print waits" if ready == 1 else f"{ready} prints wait"
        found.append(DigestLine(f"{prints} for the next parcel to {name}."))
    for state in ("closed", "verified"):
        for parcel in reader.parcels(state=state):
            lab = settings.lab(parcel.lab)
            if lab is not None and lab.delivery.method != COLLECT:
                found.append(DigestLine(f"{parcel.name} is on its way to {lab.name}."))
    return found


def to_do(
    reader: Reader,
    settings: Settings,
    lines: Sequence[WaitingLine],
    since: int,
    reminded: Sequence[DigestLine],
) -> list[DigestLine]:
    """What a person should do today, the most pressing first.

    Args:
        reader: The record.
        settings: The studio's.
        lines: What WAITING.txt says; its held jobs are counted, not repeated.
        since: The newest entry that the last digest spoke of.
        reminded: What was found to be old or near its date.
    """
    found = [
        DigestLine(" ".join(filter(None, (_named(line), line.sentence))), line.next, line.job)
        for line in lines
        # Profiles near their date are among what is reminded of.
        if line.where != "profiles"
        if line.job is None or (row := reader.job(line.job)) is None or row.state != "held"
    ]
    found += _to_answer(reader, settings)
    found += _to_fetch(reader, settings, since)
    found += _from_labs(reader, settings)
    found += _drifted(reader, settings)
    return [*found, *(line for line in reminded if line.next)]


def _named(line: WaitingLine) -> str:
    where = f" in {line.where}" if line.where else ""
    return f"{line.name}{where}:"


def _to_answer(reader: Reader, settings: Settings) -> list[DigestLine]:
    many = "`platemark decide` answers many at once"
    if settings.studio.page.on:
        many = "the status page answers many at once, and so does `platemark decide`"
    wanted: Counter[str] = Counter()
    for row in reader.jobs(state="held"):
        accepts = {each.get("accept", "photographer") for each in _stops(reader, row)}
        wanted["photographer" if accepts & {"photographer", "never"} else "assistant"] += 1
    found = []
    for who in ("photographer", "assistant"):
        if count := wanted[who]:
            pictures = "1 held picture waits" if count == 1 else f"{count} held pictures wait"
            by = "the photographer's answer" if who == "photographer" else "anybody's answer"
            found.append(
                DigestLine(
                    f"{pictures} for {by}.",
                    f"Each has a folder in held/ with WHY.html; {many}.",
                )
            )
    return found


def _drifted(reader: Reader, settings: Settings) -> list[DigestLine]:
    """Surfaces whose returned strips are beyond their limits, with nothing decided."""
    found = []
    for row in Strips(reader).all_open():
        surface, lab = settings.surface(row.surface), settings.lab(row.lab)
        on = surface.name if surface is not None else row.surface
        by = lab.name if lab is not None else row.lab
        found.append(
            DigestLine(
                f"The strip of job {job_number(row.job)} is beyond the limits: finals on {on} of "
                f"{by} are held.",
                "Ask the lab, then decide: `platemark strip settle "
                f"--lab {row.lab} --surface {row.surface} --by NAME --because …`.",
                row.job,
            )
        )
    return found


def _from_labs(reader: Reader, settings: Settings) -> list[DigestLine]:
    """What labs ask or refuse, and prints that failed and were not ordered again."""
    found, threads = [], Threads(reader)
    for asked in threads.unanswered():
        row = reader.job(asked.job)
        lab = settings.lab(row.lab) if row is not None and row.lab else None
        name = lab.name if lab is not None else "The lab"
        number = job_number(asked.job)
        if asked.says == "question":
            said = f"{name} asks something about job {number}."
            then = "Answer the lab, then record it: `platemark lab-answer`."
        else:
            said = f"{name} will not make job {number}."
            then = f"Call it back (`platemark recall {asked.job}`) and put right what is named."
        found.append(DigestLine(said, then, asked.job))
    found += [
        DigestLine(
            f"The print of job {job_number(job)} failed, and was not ordered again.",
            f"Order it: `platemark reprint {job} --reason lab-fault --by NAME --because …`.",
            job,
        )
        for job in threads.to_remake()
    ]
    return found


def _to_fetch(reader: Reader, settings: Settings, since: int) -> list[DigestLine]:
    by_lab: dict[str, list[str]] = {}
    for entry in reader.entries(since, kind="parcel-closed"):
        parcel = reader.parcel(entry.body["parcel"])
        if entry.body.get("method") == COLLECT and parcel is not None and parcel.state == "closed":
            by_lab.setdefault(parcel.lab, []).append(parcel.name)
    found = []
    for lab_id, names in sorted(by_lab.items()):
        lab = settings.lab(lab_id)
        found.append(
            DigestLine(
                f"{', '.join(names)} for {lab.name if lab else lab_id}, to be fetched.",
                f"See that the lab gets it: outgoing/{lab_id}/.",
            )
        )
    return found
