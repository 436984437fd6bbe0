"""A lab's profile added or retired by a photographer: proved first, then put in its place."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Sequence
from typing import Any

import structlog

from platemark import durable
from platemark.engine.people import photographer
from platemark.engine.profiles import (
    content_of,
    entry_of,
    profile_now,
    registered_of,
    rows_of,
    tried_body,
    try_kept,
)
from platemark.engine.workshop import Workshop
from platemark.intake.answers import is_reason
from platemark.ledger.read import ProfileRow
from platemark.model.decision import ProfileDecision
from platemark.model.errors import DecisionRefused
from platemark.model.lab import Lab, Product, ProfileUse
from platemark.model.studio import Person, Settings
from platemark.model.work import AdmitReport

BESIDE = "icc"
"""Ending of the profile that lies beside a decision to add it."""
SHOWN = 8
"""Letters of a hash that people are shown."""


def product_of(settings: Settings, lab_id: str, surface: str) -> tuple[Lab, Product, ProfileUse]:
    """The lab, its product on a surface, and how its profile is used.

    Raises:
        DecisionRefused: there is no such lab or product, or the lab converts itself.
    """
    lab = settings.lab(lab_id)
    if lab is None:
        there = ", ".join(each.id for each in settings.labs)
        raise DecisionRefused(f"There is no lab {lab_id}.", f"There are: {there}.")
    product = lab.product_for(surface)
    if product is None:
        there = ", ".join(each.surface for each in lab.products)
        raise DecisionRefused(f"{lab.name} does not print on {surface}.", f"It prints on: {there}.")
    if product.profile is None:
        raise DecisionRefused(
            f"{lab.name} converts to its own printer for {surface} itself, so no profile of it is "
            "used."
        )
    return lab, product, product.profile


def newest_seq(rows: Sequence[ProfileRow]) -> int:
    """The newest entry about a product's profiles; 0 before the first."""
    return max((row.seq for row in rows), default=0)


def apply_to_profile(workshop: Workshop, decision: ProfileDecision) -> str:
    """Do what a photographer decided about a lab's profile, and record it.

    Returns:
        What was done, for people.

    Raises:
        DecisionRefused: it cannot be; nothing was changed.
        ChildFault: the profile cannot be tried just now; the decision waits.
    """
    person = photographer(
        workshop.settings.studio,
        decision.by,
        "A lab's profile is for the photographer to add or retire",
    )
    lab, product, use = product_of(workshop.settings, decision.lab, decision.surface)
    if not is_reason(decision.because):
        raise DecisionRefused(f"{use.file}: nothing says why.", "Give a reason with --because.")
    rows = rows_of(workshop.ledger.read, lab, product)
    _refuse_stale(workshop, decision, lab, product, rows)
    if decision.kind == "profile-retire":
        return _retire(workshop, decision, person, lab, product, rows)
    return _add(workshop, decision, person, lab, product, rows)


def _refuse_stale(
    workshop: Workshop,
    decision: ProfileDecision,
    lab: Lab,
    product: Product,
    rows: list[ProfileRow],
) -> None:
    """Refuse a decision of somebody who saw another record or another file.

    Raises:
        DecisionRefused: says what has changed since.
    """
    file = product.profile.file if product.profile is not None else ""
    again = "See `platemark profiles`, and decide that."
    newest = max(rows, key=lambda row: row.seq, default=None)
    if newest is not None and newest.seq != decision.expected_seq:
        entry = entry_of(workshop.ledger.read, newest)
        what = {
            "profile-admitted": f"{newest.sha256[:SHOWN]} was registered",
            "profile-tried": f"another file ({newest.sha256[:SHOWN]}) was found and tried",
            "profile-refused": f"another file ({newest.sha256[:SHOWN]}) was found and refused",
            "profile-retired": f"{newest.sha256[:SHOWN]} was retired",
        }[entry.kind]
        raise DecisionRefused(
            f"{file} of {lab.name} for {product.surface} has moved on since: {what} by "
            f"{entry.actor}.",
            again,
        )
    now = profile_now(workshop, product) or ""
    # The new file is there already where the machine stopped half-way through this decision.
    if now not in (decision.expected_file, decision.sha256):
        there = f"it is {now[:SHOWN]} now" if now else "it is no longer there"
        raise DecisionRefused(f"profiles/{file} was changed since you looked: {there}.", again)


def _retire(
    workshop: Workshop,
    decision: ProfileDecision,
    person: Person,
    lab: Lab,
    product: Product,
    rows: list[ProfileRow],
) -> str:
    registered = registered_of(rows)
    if registered is None:
        raise DecisionRefused(f"No profile of {lab.name} for {product.surface} is registered.")
    before = entry_of(workshop.ledger.read, registered).body
    sentence = (
        f"{before['file']} ({registered.sha256[:SHOWN]}) of {lab.name} for {product.surface} is "
        "retired. Its jobs are held until another is added."
    )
    body = {key: before[key] for key in before if key not in ("v", *_OF_A_DECISION)}
    _record(workshop, "profile-retired", body, decision, person, sentence)
    return sentence


def _add(
    workshop: Workshop,
    decision: ProfileDecision,
    person: Person,
    lab: Lab,
    product: Product,
    rows: list[ProfileRow],
) -> str:
    use = product.profile
    if use is None:
        raise LookupError(product.surface)
    _take_in(workshop, decision)
    report = try_kept(workshop, lab, product, decision.sha256)
    if not report.accepted:
        raise DecisionRefused(
            f"This file cannot be used as {use.file} of {lab.name} for {product.surface}: "
            f"{' '.join(report.reasons)}",
            "Nothing was changed. Ask the lab for a sound copy.",
        )
    kept = _put_in_place(workshop, decision, use, {row.sha256 for row in rows})
    before = registered_of(rows)
    sentence = " ".join(_told(workshop, decision, lab, product, report, before, kept))
    body = tried_body(lab, product, decision.sha256, report)
    if before is not None:
        body["instead_of"] = before.sha256
    if kept:
        body["kept_unregistered"] = kept
    _record(workshop, "profile-admitted", body, decision, person, sentence)
    return sentence


def _take_in(workshop: Workshop, decision: ProfileDecision) -> None:
    """Put the handed-in bytes into the archive; what is tried and used is our own copy.

    Raises:
        DecisionRefused: they are not there, or are others than were decided about.
    """
    try:
        data = content_of(workshop.folders.decisions / f"{decision.id}.{BESIDE}")
    except OSError as error:
        raise DecisionRefused(
            f"The profile that was to be added cannot be read: {error.strerror}.", "Add it again."
        ) from error
    if hashlib.sha256(data).hexdigest() != decision.sha256:
        raise DecisionRefused(
            "The profile that was to be added was changed on its way.", "Add it again."
        )
    workshop.keep_bytes(data, "icc")


def _put_in_place(
    workshop: Workshop, decision: ProfileDecision, use: ProfileUse, known: set[str]
) -> str:
    """Write the profile into `profiles/` under the product's name, over what was seen there.

    Returns:
        SHA-256 of a file that was there, that the record did not know and that is now in the
        archive; empty where there was none.

    Raises:
        DecisionRefused: something that is no file is in the way.
    """
    target = workshop.folders.profiles / use.file
    old = b""
    if os.path.lexists(target):
        try:
            old = content_of(target)
        except OSError as error:
            raise DecisionRefused(
                f"profiles/{use.file} is in the way and is no profile: {error.strerror}.",
                "Move it elsewhere, then add the profile again.",
            ) from error
    before = workshop.keep_bytes(old, "icc") if old else ""
    if before != decision.sha256:
        new = content_of(workshop.folders.archived(decision.sha256, "icc"))
        durable.write_over(target, new, target.with_name(f".{decision.id}.tmp"))
    return before if before not in (*known, decision.sha256) else ""


def _told(
    workshop: Workshop,
    decision: ProfileDecision,
    lab: Lab,
    product: Product,
    report: AdmitReport,
    before: ProfileRow | None,
    kept: str,
) -> list[str]:
    """What was done and what else to know, a sentence each."""
    use = product.profile
    if use is None:
        raise LookupError(product.surface)
    said = [
        f"{use.file} ({decision.sha256[:SHOWN]}, “{report.description}”) is registered for "
        f"{product.surface} of {lab.name}."
    ]
    if before is not None and before.sha256 != decision.sha256:
        said.append(f"It takes the place of {before.sha256[:SHOWN]}, which is retired.")
    if kept:
        said.append(
            f"Another file of that name lay in profiles/ and was never registered; it is kept as "
            f"archive/{kept[:2]}/{kept}.icc."
        )
    today = workshop.local(workshop.clock.now()).date()
    if use.valid_until is not None and use.valid_until < today:
        said.append(
            f"labs/{lab.id}.toml still says that the profile was valid until "
            f"{use.valid_until.isoformat()}: its jobs are held until you correct that."
        )
    others = [
        f"{other.surface} of {each.name}"
        for each in workshop.settings.labs
        for other in each.products
        if other.profile is not None
        and other.profile.file == use.file
        and (each.id, other.surface) != (lab.id, product.surface)
    ]
    if others:
        said.append(
            f"The same file is named for {', '.join(others)}: add it there too, or its jobs are "
            "held to ask."
        )
    return said


_OF_A_DECISION = ("decision", "because", "sentence", "instead_of", "kept_unregistered")


def _record(
    workshop: Workshop,
    kind: str,
    body: dict[str, Any],
    decision: ProfileDecision,
    person: Person,
    sentence: str,
) -> None:
    with workshop.ledger.transaction() as transaction:
        decided = {
            "decision": decision.id,
            "because": transaction.word(decision.because),
            "sentence": sentence,
        }
        transaction.append(kind, {**body, **decided}, actor=person.name)
    structlog.get_logger().info(
        kind, lab=decision.lab, surface=decision.surface, file=body["file"], by=person.name
    )
