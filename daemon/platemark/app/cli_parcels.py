"""`parcels`: what went to which lab, and what is on its way."""

from __future__ import annotations

from typing import Any

import click

from platemark.app.context import out, out_json, studio_of
from platemark.app.open_studio import reading
from platemark.app.showing import AS_JSON, show_table
from platemark.ledger.read import Reader
from platemark.model.errors import UsageError
from platemark.model.job import job_number

STATES = ("sealed", "closed", "verified", "delivered", "taken-back", "doubtful", "given-up")


@click.command("parcels")
@click.option("--lab", help="Only those for this lab.")
@click.option("--state", type=click.Choice(STATES), help="Only those in this state.")
@AS_JSON
@click.pass_obj
def parcels(studio: str | None, lab: str | None, state: str | None, as_json: bool) -> None:
    """List the parcels, by lab: what each holds, when it was closed and delivered."""
    with reading(studio_of(studio)) as reader:
        told = _told(reader, lab, state)
        labs = {row.lab for row in reader.parcels()} if not told else set()
    if not told and lab is not None and lab not in labs:
        raise UsageError(f"No parcel for the lab “{lab}” was ever closed.", "See `platemark jobs`.")
    if as_json:
        out_json(told)
    elif not told:
        out("No parcels.")
    else:
        show_table(
            ("parcel", "lab", "state", "jobs", "prints", "closed", "delivered"),
            [_cells(each) for each in told],
            right=("prints",),
            texts=("jobs",),
        )


def _told(reader: Reader, lab: str | None, state: str | None) -> list[dict[str, Any]]:
    moments = {
        (entry.kind, entry.body["parcel"]): entry.at
        for kind in ("parcel-closed", "parcel-delivered")
        for entry in reader.entries(kind=kind)
    }
    calls_back: dict[str, list[int]] = {}
    for recall in reader.recalls():
        if recall.notice is not None:
            calls_back.setdefault(recall.notice, []).append(recall.job)
    return [
        {
            "parcel": row.name,
            "lab": row.lab,
            "state": row.state,
            "jobs": [job.job for job in jobs],
            "prints": sum(job.copies or 1 for job in jobs),
            "calls_back": calls_back.get(row.name, []),
            "closed": moments.get(("parcel-closed", row.name)),
            "delivered": moments.get(("parcel-delivered", row.name)),
            "tagmanifest_sha256": row.tagmanifest,
        }
        for row in reader.parcels(state=state, lab=lab)
        for jobs in (reader.jobs(parcel=row.name),)
    ]


def _cells(each: dict[str, Any]) -> tuple[str, ...]:
    numbers = ", ".join(map(job_number, each["jobs"] or each["calls_back"]))
    return (
        each["parcel"],
        each["lab"],
        each["state"],
        numbers if each["jobs"] or not numbers else f"calls back {numbers}",
        str(each["prints"] or ""),
        (each["closed"] or "")[:10],
        (each["delivered"] or "")[:10],
    )
