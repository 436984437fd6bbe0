"""Refuses to work by a record that knows less than the studio's files do.

A record that was put back from a copy, or saved in part, verifies; but what it does not know it
would send again.
"""

from __future__ import annotations

from platemark.engine.rescue_look import held_jobs, parcel_folders, parcel_number
from platemark.engine.workshop import Workshop
from platemark.ledger.keeping import Keeping
from platemark.model.errors import RecordDamaged
from platemark.model.job import job_number


def refuse_behind(workshop: Workshop) -> None:
    """Refuse a record that is behind its studio.

    Raises:
        RecordDamaged: it was rescued and not read back yet, or is older than what lies here.
    """
    if why := behind(workshop):
        raise RecordDamaged(
            f"The record knows less than the studio's files do: {why}.",
            "Nothing was sent or changed, and no picture is lost. `platemark ledger read-back` "
            "reads from the files what was sent since, and holds what may have been.",
        )


def behind(workshop: Workshop) -> str:
    """Say what the record does not know; empty where it knows all that names here tell."""
    read = workshop.ledger.read
    keeping = Keeping(read)
    rescued, restored = keeping.newest("rescued"), keeping.newest("record-restored")
    if rescued is not None and (restored is None or restored.seq < rescued.seq):
        return f"it was rescued up to entry {rescued.body['upto']}, and nothing was read back yet"
    newest: dict[str, int] = {}
    for folder, lab in parcel_folders(workshop.folders.outgoing):
        if lab not in newest:
            newest[lab] = read.newest_parcel_number(lab)
        if parcel_number(folder.name, lab) > newest[lab]:
            return f"it has no parcel {folder.name}, which is in outgoing/"
    last = read.newest_job()
    for job, folder in held_jobs(workshop.folders.held):
        if job > last:
            return f"it has no job {job_number(job)}, whose folder is {folder}"
    return ""
