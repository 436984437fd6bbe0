"""The labs' profiles: tried before the first use, registered by content, never changed unseen."""

from __future__ import annotations

import errno
import hashlib
import os
import stat
from collections.abc import Sequence
from datetime import date, datetime
from pathlib import Path
from typing import Any, Literal

import structlog

from platemark import durable
from platemark.engine.workshop import Workshop
from platemark.imaging.child import Children
from platemark.ledger.chain import Entry
from platemark.ledger.read import ProfileRow, Reader
from platemark.model.errors import ChildFault
from platemark.model.known import ProfileStanding
from platemark.model.lab import Lab, Product, ProfileUse
from platemark.model.planning import usual_intent
from platemark.model.studio import Settings
from platemark.model.terms import Intent
from platemark.model.work import AdmitReport, AdmitTask, ChildLimits, Failure

ATTEMPTS = 2
"""A profile whose trial ends so often without an answer is refused; one such end may be chance."""

LARGEST_PROFILE = 32 << 20
"""Bytes; the largest printer profiles have a few million."""


def standing_of(workshop: Workshop, lab: Lab, product: Product) -> ProfileStanding:
    """How a product's profile stands, trying and registering a new one where none is registered.

    A file that differs from the registered one is only tried; it is registered by a decision.
    """
    read = workshop.ledger.read
    if product.profile is None:
        return ProfileStanding("none-needed")
    path = workshop.folders.profiles / product.profile.file
    sha256 = _hash(workshop, path)
    rows = rows_of(read, lab, product)
    settled = registered_of(rows) is not None or is_retired(rows)
    known = next((row for row in rows if row.sha256 == sha256), None)
    if sha256 is not None and (known is None or (known.state == "refused" and not settled)):
        # What is tried is our own copy, so that nobody can put another in its place meanwhile.
        try:
            sha256 = workshop.keep_bytes(content_of(path), "icc")
        except OSError:
            return standing_among(read, rows, product.profile, None)
        report = try_kept(workshop, lab, product, sha256)
        kind = "profile-tried" if settled else "profile-admitted"
        kind = kind if report.accepted else "profile-refused"
        body = tried_body(lab, product, sha256, report)
        with workshop.ledger.transaction() as transaction:
            transaction.append(kind, body)
        structlog.get_logger().info(kind, lab=lab.id, surface=product.surface, file=body["file"])
        rows = rows_of(read, lab, product)
    return standing_among(read, rows, product.profile, sha256)


def rows_of(read: Reader, lab: Lab, product: Product) -> list[ProfileRow]:
    """What the record knows of a product's profiles."""
    return [row for row in read.profiles() if (row.lab, row.surface) == (lab.id, product.surface)]


def standing_among(
    read: Reader, rows: Sequence[ProfileRow], use: ProfileUse, sha256: str | None
) -> ProfileStanding:
    """How a profile file of that hash stands among those that were tried."""
    registered, retired = registered_of(rows), _retired(rows)
    if retired is not None:
        told = entry_of(read, retired)
        return ProfileStanding(
            "retired", use.file, retired_by=told.actor, retired_on=_date(told.at)
        )
    if sha256 is None:
        return ProfileStanding(
            "missing", use.file, registered_sha256=registered.sha256 if registered else ""
        )
    row = next(row for row in rows if row.sha256 == sha256)
    entry = entry_of(read, row)
    states: dict[str, Literal["good", "refused"]] = {"admitted": "good", "refused": "refused"}
    return ProfileStanding(
        state=states.get(row.state, "changed"),
        file=use.file,
        sha256=sha256,
        registered_sha256=registered.sha256 if registered else sha256,
        description=entry.body["description"],
        version=entry.body.get("version", ""),
        reasons=tuple(entry.body["reasons"]),
        admitted_on=_date(entry.at) if row.state == "admitted" else None,
        valid_until=use.valid_until,
    )


def registered_of(rows: Sequence[ProfileRow]) -> ProfileRow | None:
    """The registered one among a product's profiles."""
    return next((row for row in rows if row.state == "admitted"), None)


def _retired(rows: Sequence[ProfileRow]) -> ProfileRow | None:
    """The one that a person retired, where the product has stood without a profile since.

    One whose place another took is marked as retired too, but then the other is registered.
    """
    if registered_of(rows) is not None:
        return None
    return max((row for row in rows if row.state == "retired"), key=_seq, default=None)


def is_retired(rows: Sequence[ProfileRow]) -> bool:
    """Whether a product stands without a profile because a person retired it."""
    return _retired(rows) is not None


def _seq(row: ProfileRow) -> int:
    return row.seq


def entry_of(read: Reader, row: ProfileRow) -> Entry:
    """The newest entry about a profile that was tried."""
    entry = read.entry(row.seq)
    if entry is None:
        raise LookupError(row.seq)
    return entry


def register(workshop: Workshop, lab: Lab, product: Product, sha256: str, actor: str) -> None:
    """Make a tried profile the registered one, because a person decided so."""
    row = next(
        (
            row
            for row in workshop.ledger.read.profiles()
            if (row.lab, row.surface, row.sha256) == (lab.id, product.surface, sha256)
        ),
        None,
    )
    if row is None or row.state in ("admitted", "refused"):
        return
    body = {key: value for key, value in workshop.ledger.read.body(row.seq).items() if key != "v"}
    with workshop.ledger.transaction() as transaction:
        transaction.append("profile-admitted", body, actor=actor)


def still_registered(workshop: Workshop, lab: Lab, product: Product, sha256: str) -> bool:
    """Whether a profile still is the file and the registered one; asked before each use."""
    if product.profile is None:
        return True
    registered = registered_of(rows_of(workshop.ledger.read, lab, product))
    return (
        registered is not None
        and registered.sha256 == sha256
        and profile_now(workshop, product) == sha256
    )


def question_of(workshop: Workshop, lab: Lab, product: Product) -> str:
    """What a job that is held for its profile alone waits to see changed.

    `registered` where the file is the registered one; `retired`; `missing`; else the file's hash.
    """
    rows = rows_of(workshop.ledger.read, lab, product)
    if is_retired(rows):
        return "retired"
    now = profile_now(workshop, product)
    registered = registered_of(rows)
    if registered is not None and registered.sha256 == now:
        return "registered"
    return now or "missing"


def profile_now(workshop: Workshop, product: Product) -> str | None:
    """SHA-256 of a product's profile as its file is now; None where there is none."""
    if product.profile is None:
        return None
    return _hash(workshop, workshop.folders.profiles / product.profile.file)


def _hash(workshop: Workshop, path: Path) -> str | None:
    try:
        identity = durable.identity(path.stat())
        known = workshop.profile_hashes.get(path)
        if known is None or known[0] != identity:
            known = (identity, hashlib.sha256(content_of(path)).hexdigest())
            workshop.profile_hashes[path] = known
    except OSError:
        return None
    return known[1]


def content_of(path: Path) -> bytes:
    """All bytes of a profile, which is a plain file of a sensible size.

    Raises:
        OSError: it cannot be read, or is none.
    """
    # Opening a pipe would wait for somebody to write into it.
    descriptor = os.open(path, os.O_RDONLY | os.O_NONBLOCK)
    with os.fdopen(descriptor, "rb") as stream:
        status = os.fstat(descriptor)
        if not stat.S_ISREG(status.st_mode) or status.st_size > LARGEST_PROFILE:
            raise OSError(errno.EINVAL, "no plain file, or too large for a profile", str(path))
        return stream.read()


def try_kept(workshop: Workshop, lab: Lab, product: Product, sha256: str) -> AdmitReport:
    """Try a profile that is in the archive, for a product.

    Raises:
        ChildFault: the system would not start a process.
    """
    kept = workshop.folders.archived(sha256, "icc")
    intent = wanted_intent(workshop.settings, product)
    return try_profile(workshop.children, kept, workshop.child_limits(1), intent)


def wanted_intent(settings: Settings, product: Product) -> Intent:
    """The intent that a product is printed with: the lab's wish, else the surface's."""
    surface = settings.surface(product.surface)
    return usual_intent(surface, product) if surface is not None else "relative"


def try_profile(children: Children, path: Path, limits: ChildLimits, intent: Intent) -> AdmitReport:
    """Try a profile in a child process.

    Raises:
        ChildFault: the system would not start one.
    """
    for _ in range(ATTEMPTS):
        outcome = children.run(AdmitTask(str(path), "RGB", intent), limits)
        if isinstance(outcome, AdmitReport):
            return outcome
        if isinstance(outcome, Failure) and outcome.kind == "world":
            raise ChildFault(outcome.sentence, "It is tried again.")
    why = f"the process that read it broke down {ATTEMPTS} times"
    return AdmitReport(False, (why,), "", "", "", "", "")


def tried_body(lab: Lab, product: Product, sha256: str, report: AdmitReport) -> dict[str, Any]:
    """What an entry says of a profile that was tried."""
    return {
        "lab": lab.id,
        "surface": product.surface,
        "file": product.profile.file if product.profile is not None else "",
        "sha256": sha256,
        "description": report.description,
        "version": report.version,
        "black_l": report.black_l,
        "round_trip_mean": report.round_trip_mean,
        "round_trip_p95": report.round_trip_p95,
        "reasons": list(report.reasons),
    }


def _date(at: str) -> date:
    return datetime.fromisoformat(at).date()
