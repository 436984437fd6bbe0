"""What a morning digest says of the time since the last one: taken, sent, decided, gone wrong."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from platemark.delivery import COLLECT
from platemark.engine.mending import damage_words
from platemark.engine.paperless import NEXT, lacking_words
from platemark.ledger.chain import Entry
from platemark.ledger.keeping import Damage, Keeping
from platemark.ledger.mornings import TOLD, Mornings
from platemark.ledger.read import JobRow, Reader
from platemark.model.job import job_number, shown_name
from platemark.model.morning import DigestLine
from platemark.model.studio import Settings

BY_PEOPLE = {
    "decided": "answered",
    "withdrawn": "withdrew",
    "recalled": "called back",
    "picture-settled": "settled how the picture prints",
    "profile-admitted": "admitted a profile",
    "profile-retired": "retired a profile",
    "parcel-let-out": "let a parcel go out",
    "parcel-taken-back": "took a parcel back",
    "approved": "approved a test",
    "approval-taken-back": "took an approval back",
    "returned": "said how a print came back",
    "lab-answered": "wrote down a lab's answer",
    "strip-settled": "decided about a drift",
    "edition-sold": "called a number sold",
    "edition-unsold": "called a number unsold",
    "edition-void": "called a number void",
    "edition-destroyed": "called a number destroyed",
}
"""What people did, by the kind of its entry."""
WRONG = {
    "archive-damaged", "decision-refused", "profile-refused", "record-restored", "rescued",
    "parcel-sealed", "upkeep-begun", TOLD,
}  # fmt: skip
"""Kinds of entries that may say that something went wrong."""
OUR_FAULTS = {"our-fault", "print-check-failed", "file-stops-its-reader"}
"""Codes of stops that are no fault of the picture."""


def describe(row: JobRow) -> str:
    """A job in one line: number, picture, surface, size, copies."""
    copies = f", {row.copies} copies" if row.copies and row.copies > 1 else ""
    size = f", {row.size}" if row.size else ""
    test = ", a test" if row.purpose == "test" else ""
    return f"{job_number(row.job)}  {row.original_name} on {row.surface}{size}{copies}{test}"


def taken(reader: Reader, since: int) -> list[DigestLine]:
    """Jobs that were made of drops after an entry."""
    found = []
    for entry in reader.entries(since, kind="claimed"):
        row = reader.job(entry.job) if entry.job is not None else None
        if row is not None:
            is_held = ", held" if row.state == "held" else ""
            found.append(
                DigestLine(f"{describe(row)}{is_held}", job=row.job, private=row.order or "")
            )
    return found


def sent(reader: Reader, settings: Settings, since: int) -> list[DigestLine]:
    """Parcels that arrived at their labs after an entry, or lie ready to be fetched since."""
    found = []
    for entry in Mornings(reader).since(since, {"parcel-closed", "parcel-delivered"}):
        collected = entry.kind == "parcel-closed" and entry.body.get("method") == COLLECT
        if entry.kind == "parcel-closed" and not collected:
            continue
        name = entry.body["parcel"]
        parcel = reader.parcel(name)
        if parcel is None:
            continue
        lab = settings.lab(parcel.lab)
        what = _content(reader, name)
        how = f"lies in outgoing/{parcel.lab}/, to be fetched" if collected else "arrived"
        to = lab.name if lab is not None else parcel.lab
        found.append(DigestLine(f"{name} to {to}: {what}; {how}."))
    return found


def _content(reader: Reader, parcel: str) -> str:
    rows = reader.jobs(parcel=parcel)
    if not rows:
        jobs = ", ".join(job_number(each.job) for each in reader.recalls() if each.notice == parcel)
        return f"a notice not to print {jobs}" if jobs else "nothing to print"
    prints = sum(row.copies or 1 for row in rows)
    pictures = "1 picture" if len(rows) == 1 else f"{len(rows)} pictures"
    return pictures if prints == len(rows) else f"{pictures}, {prints} prints"


def answered(reader: Reader, since: int) -> list[DigestLine]:
    """What people decided after an entry, with who did; the reasons stay in the record."""
    found = []
    for entry in Mornings(reader).since(since, BY_PEOPLE):
        if entry.actor == "service":
            continue
        row = reader.job(entry.job) if entry.job is not None else None
        about = f": {describe(row)}" if row is not None else _about(entry)
        found.append(DigestLine(f"{entry.actor} {BY_PEOPLE[entry.kind]}{about}.", job=entry.job))
    return found


def _about(entry: Entry) -> str:
    body = entry.body
    if "parcel" in body:
        return f": {body['parcel']}"
    if "number" in body:
        proof = "proof " if body["of_kind"] == "proof" else ""
        part = f" in {body['part']}" if body["part"] else ""
        return f": {proof}{body['number']} of {body['edition']}{part}"
    return f" of {body['lab']} for {body['surface']}" if "surface" in body else ""


def went_wrong(reader: Reader, since: int) -> list[DigestLine]:
    """What went wrong after an entry, whether it still does or not."""
    found = []
    for entry in Mornings(reader).since(since, WRONG):
        line = _SAID[entry.kind](reader, entry)
        if line is not None:
            found.append(line)
    return [*found, *_our_faults(reader, since)]


def _damaged(reader: Reader, entry: Entry) -> DigestLine:
    body = entry.body
    path = shown_name(body["path"].encode("utf-8", "surrogateescape"))
    damage = Keeping(reader).damage(body["path"])
    if damage is None:
        return DigestLine(f"{path} was damaged, and is whole again.")
    sentence, then = damage_words(
        reader, Damage(body["path"], entry.seq, body["expected"], body["found"])
    )
    return DigestLine(f"{path}: {sentence}", then)


def _refused(_: Reader, entry: Entry) -> DigestLine:
    return DigestLine(f"A decision of {entry.actor} was refused: {entry.body['sentence']}")


def _profile(_: Reader, entry: Entry) -> DigestLine:
    body = entry.body
    why = "; ".join(body.get("reasons", ())) or "it cannot be used"
    return DigestLine(
        f"A profile of {body['lab']} for {body['surface']} was refused: {why}.",
        "`platemark profiles list` says which.",
    )


def _restored(_: Reader, entry: Entry) -> DigestLine:
    return DigestLine(
        f"The record was put back from a copy on {entry.at[:10]}.",
        "hot/WAITING.txt says what has to be asked of the labs.",
    )


def _late(_: Reader, entry: Entry) -> DigestLine | None:
    body: dict[str, Any] = entry.body
    if not body["late"]:
        return None
    missed = body["missed"]
    before = f", {missed} nights before it were missed" if missed > 1 else ""
    before = ", the night before it was missed" if missed == 1 else before
    return DigestLine(
        f"The nightly work of {body['local_date']} was late{before}: the service did not run."
    )


def _not_told(_: Reader, entry: Entry) -> DigestLine | None:
    body = entry.body
    if body["outcome"] == "sent" or not body["last"]:
        return None
    return DigestLine(
        f"The digest of {body['local_date']} could not be sent by {body['way']}, after "
        f"{body['tries']} tries.",
        "`platemark doctor` says what is wrong with it.",
    )


def _paperless(_: Reader, entry: Entry) -> DigestLine | None:
    said = lacking_words(entry)
    return DigestLine(f"{entry.body['parcel']}: {said}", NEXT) if said else None


_SAID: dict[str, Callable[[Reader, Entry], DigestLine | None]] = {
    "archive-damaged": _damaged,
    "decision-refused": _refused,
    "profile-refused": _profile,
    "record-restored": _restored,
    "rescued": _restored,
    "parcel-sealed": _paperless,
    "upkeep-begun": _late,
    TOLD: _not_told,
}


def _our_faults(reader: Reader, since: int) -> list[DigestLine]:
    found = []
    for entry in reader.entries(since, kind="held"):
        stops = [each for each in entry.body.get("findings", ()) if each["code"] in OUR_FAULTS]
        row = reader.job(entry.job) if entry.job is not None and stops else None
        if row is not None:
            found.append(
                DigestLine(
                    f"{job_number(row.job)}  {row.original_name}: {stops[0]['message']}",
                    job=row.job,
                )
            )
    return found
