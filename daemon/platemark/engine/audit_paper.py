"""An audit on paper: the verdict first, then the proof, then every parcel with its entries."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC

from platemark.engine.audit import Audit, JobSeen, ParcelSeen
from platemark.ledger.chain import Entry
from platemark.model import paper
from platemark.model.job import job_number
from platemark.model.paper import Block, Paper, Section
from platemark.parcel.ticket_words import shown_time

HOW_IT_IS_PROVED = (
    "Each entry's hash is SHA-256 of one zero byte, the hash of the entry before it (32 zero bytes "
    "before the first) and the entry itself as JSON: its number, time, job, kind, who, and what it "
    "says, keys sorted, without blanks, in UTF-8.",
    "“platemark ledger export” writes every entry with its hash, so that anybody can reckon the "
    "whole chain again with any program.",
    "A ticket names the newest entry when it was written. As the lab has had it since, the entries "
    "up to there cannot have been written anew without it showing.",
    "The record holds the hash of each parcel's list of its papers, that list holds the ticket's, "
    "and the list of print files holds theirs.",
    "What an entry tells is named as the record has it: “claimed” is a file that was taken in, "
    "“let-go” that it was moved out of the hot folder once its copy was in the archive.",
)


def verdict(seen: Audit) -> str:
    """The outcome in one sentence."""
    if seen.record_faults:
        return "The record does not hold; nothing else was compared."
    if not seen.holds:
        return "Something is not what the record says."
    return "Everything that was compared is what the record says."


def audit_paper(seen: Audit) -> Paper:
    """Put an audit on paper."""
    made = shown_time(seen.made.astimezone(UTC).isoformat())
    head = (seen.studio, f"Audit of {seen.about}", made)
    faults = [*(fault.sentence for fault in seen.record_faults)]
    faults += [fault for parcel in seen.parcels for fault in parcel.faults]
    blocks = [
        paper.words(f"Audit of {seen.about}", "title"),
        paper.words(verdict(seen), "order" if seen.holds else "big"),
        *([paper.notes(faults)] if faults else []),
        paper.row("The record", paper.facts(_record(seen)), first=True),
        paper.row("What was proved", paper.points(seen.proved or ("Nothing.",))),
        paper.row("What was not", paper.points(seen.not_proved)),
        paper.row("How it is proved", paper.points(HOW_IT_IS_PROVED)),
    ]
    sections = [Section(head, tuple(blocks))]
    sections += [Section(head, tuple(_parcel(parcel))) for parcel in seen.parcels]
    return Paper(f"{seen.studio}: audit of {seen.about}", seen.studio, tuple(sections))


def _record(seen: Audit) -> list[tuple[str, str]]:
    return [
        ("Entries", f"{seen.head.seq:,}"),
        ("Its newest hash", seen.head.hash),
        ("Parcels looked at", str(len(seen.parcels))),
        ("Jobs in them", str(sum(len(parcel.jobs) for parcel in seen.parcels))),
    ]


def _parcel(parcel: ParcelSeen) -> list[Block]:
    row = parcel.row
    facts = [
        ("For", row.lab),
        ("It is", row.state),
        ("Its list’s SHA-256", row.tagmanifest),
        ("Its ticket", parcel.ticket),
        ("Its files", parcel.bag),
    ]
    if parcel.witness is not None:
        facts += [
            ("Witness", f"entry {parcel.witness.seq}"),
            ("Witness’s hash", parcel.witness.hash),
        ]
    return [
        paper.words(f"Parcel {row.name}", "title"),
        *([paper.notes(parcel.faults)] if parcel.faults else []),
        paper.row("What it is", paper.facts(facts), first=True),
        paper.row("Its entries", _entries(parcel.history)),
        *(block for job in parcel.jobs for block in _job(job)),
    ]


def _job(job: JobSeen) -> Iterable[Block]:
    row = job.row
    of = f"{row.copies or 1} of {row.size or 'no size'} on {row.surface}"
    files = [(f"{file.what}, {file.state}", file.sha256) for file in job.files]
    shown = [(f"{what[:1].upper()}{what[1:]}, SHA-256", sha256 or "none") for what, sha256 in files]
    yield paper.words(f"Job {job_number(row.job)}: {row.title or row.original_name}", "heading")
    yield paper.row(
        "What it is",
        paper.facts([("File", row.original_name), ("Asked for", of), ("It is", row.state), *shown]),
    )
    yield paper.row("Its entries", _entries(job.history))


def _entries(entries: Iterable[Entry]) -> Block:
    rows = [
        (str(entry.seq), entry.at.replace("T", " "), entry.kind, entry.actor, entry.hash.hex())
        for entry in entries
    ]
    return paper.table(
        ("Entry", "Time (UTC)", "What", "Who", "Hash"),
        rows,
        (3, 8, 7, 5, 12),
        figures=(0,),
        tone="code",
    )
