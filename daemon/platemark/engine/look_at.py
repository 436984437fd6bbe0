"""Examines one file without writing anything: the findings, and the plan where none stops it."""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path

from platemark import durable
from platemark.checks import run_checks
from platemark.engine.editions import standing_of
from platemark.engine.knowing import choose, intents_in, know, request_key, settled_of
from platemark.engine.measuring import measure, task_for
from platemark.engine.profiles import (
    is_retired,
    rows_of,
    standing_among,
    try_profile,
    wanted_intent,
)
from platemark.engine.workshop import space_hashes
from platemark.imaging.child import Children
from platemark.intake.names import almost_size_of, words_of
from platemark.ledger.read import Reader
from platemark.model.errors import ChildFault, UsageError
from platemark.model.finding import Finding
from platemark.model.job import shown_name
from platemark.model.known import Known, Other, ProfileStanding
from platemark.model.lab import Lab, Product
from platemark.model.measures import Measures
from platemark.model.picture import Facts
from platemark.model.plan import Plan
from platemark.model.planning import make_plan
from platemark.model.request import Layer, resolve, with_answers
from platemark.model.studio import Settings
from platemark.model.surface import Surface
from platemark.model.work import (
    ChildLimits,
    Failure,
    HeaderLimits,
    MeasureTask,
    ProbeReport,
    ProbeTask,
)

UNTOUCHED = "The file is untouched. Try again; if it stays so, tell whoever looks after Platemark."


@dataclass(frozen=True, slots=True)
class Subject:
    """A file that is looked at, read once, however many surfaces it is asked about."""

    root: Path
    """The studio's folder."""
    settings: Settings
    reader: Reader | None
    """The studio's record, where there is one yet."""
    file: Path
    facts: Facts
    sha256: str
    today: date
    """In the studio."""


@dataclass(frozen=True, slots=True)
class Examined:
    """What is to be said of a file."""

    known: Known
    findings: tuple[Finding, ...]
    plan: Plan | None


def look_at(
    root: Path,
    settings: Settings,
    reader: Reader | None,
    file: Path,
    surface_id: str,
    said: Mapping[str, str],
    today: date,
) -> Examined:
    """Ask every question of a file as if it had been dropped.

    Args:
        root: The studio's folder.
        settings: Its settings.
        reader: Its record, where there is one yet.
        file: The picture.
        surface_id: The surface it is meant for.
        said: Request keys given on the command line.
        today: The date in the studio.

    Raises:
        UsageError: there is no such surface or file, or a value cannot be read.
        ChildFault: the picture's process would not start or brought nothing.
    """
    surface = settings.surface(surface_id)
    if surface is None:
        known_ids = ", ".join(s.id for s in settings.surfaces)
        raise UsageError(f"There is no surface {surface_id}.", f"There are: {known_ids}.")
    subject = subject_of(root, settings, reader, file, today)
    known = known_of(subject, surface, said)
    return concluded(subject, known, measured(subject, task_of(subject, known)))


def subject_of(
    root: Path, settings: Settings, reader: Reader | None, file: Path, today: date
) -> Subject:
    """Read a file.

    Raises:
        UsageError: there is no such file.
        ChildFault: the picture's process would not start or brought nothing.
    """
    if not file.is_file():
        raise UsageError(f"There is no file {file}.")
    facts = _facts(settings, file)
    return Subject(root, settings, reader, file, facts, durable.hash_file(file), today)


def known_of(subject: Subject, surface: Surface, said: Mapping[str, str]) -> Known:
    """What is known of a file on one surface, before it is measured.

    Raises:
        UsageError: a value cannot be read.
        ChildFault: a profile's process would not start.
    """
    settings, name = subject.settings, os.fsencode(subject.file.name)
    defaults = Layer(surface.name, surface.defaults, "default")
    resolved = resolve([defaults, *words_of(name)])
    almost = almost_size_of(name)
    if almost is not None and resolved.request.size is None:
        resolved = replace(resolved, troubles=(*resolved.troubles, almost))
    try:
        resolved = with_answers(resolved, said)
    except ValueError as error:
        raise UsageError(f"{error}.") from error
    lab, product = choose(settings, surface, resolved.request)
    known = know(
        name=shown_name(name),
        surface=surface,
        facts=subject.facts,
        resolved=resolved,
        settings=settings,
        profile=_standing(subject.root, settings, subject.reader, lab, product),
        earlier=(),
        today=subject.today,
    )
    if subject.reader is None:
        return known
    zone, file = settings.studio.time_zone, known.profile.file
    intents = intents_in(subject.root / "profiles" / file) if file else ()
    return replace(
        known,
        editions=standing_of(subject.reader, settings, known, subject.sha256),
        profile=replace(known.profile, intents=intents),
        earlier=_earlier(subject.reader, subject.sha256, request_key(known)),
        settled=settled_of(subject.reader, subject.sha256, surface.id, zone),
    )


def task_of(subject: Subject, known: Known) -> MeasureTask | None:
    """What is to be measured of a file; None where it cannot be."""
    return task_for(known, subject.file.resolve(), subject.root / "profiles")


def measured(subject: Subject, task: MeasureTask | None, at_once: int = 1) -> Measures | None:
    """Measure a file in a child process, one of so many; None where there is no task or no way.

    Raises:
        ChildFault: the process would not start or brought nothing.
    """
    if task is None:
        return None
    outcome = measure(Children(), subject.facts, task, child_limits(subject.settings, at_once))
    if isinstance(outcome, Failure):
        raise ChildFault(
            f"{subject.file.name} could not be measured: {outcome.sentence}.", UNTOUCHED
        )
    return outcome.measures


def concluded(subject: Subject, known: Known, measures: Measures | None) -> Examined:
    """Ask every question, and plan where none stops it."""
    known = replace(known, measures=measures)
    findings = run_checks(known)
    stopped = any(finding.severity == "stop" for finding in findings)
    plan = None if stopped else make_plan(known, subject.sha256, space_hashes())
    return Examined(known, findings, plan)


def child_limits(settings: Settings, at_once: int = 1) -> ChildLimits:
    """What a child process may use, where so many are at work."""
    limits, cores = settings.studio.limits, os.cpu_count() or 1
    threads = min(4, max(1, cores // at_once))
    return ChildLimits(limits.child_memory_mb, limits.child_seconds, 64, threads)


def _facts(settings: Settings, file: Path) -> Facts:
    limits = settings.studio.limits
    header = HeaderLimits(
        limits.pixels,
        limits.side_px,
        limits.file_bytes,
        limits.expansion,
        limits.progressive_pixels,
    )
    task = ProbeTask(str(file.resolve()), file.name, header)
    outcome = Children().run(task, child_limits(settings))
    if isinstance(outcome, ProbeReport):
        return outcome.facts
    why = outcome.sentence if isinstance(outcome, Failure) else "it brought another report"
    raise ChildFault(f"{file.name} could not be examined: {why}.", UNTOUCHED)


def _standing(
    root: Path,
    settings: Settings,
    reader: Reader | None,
    lab: Lab | None,
    product: Product | None,
) -> ProfileStanding:
    if lab is None or product is None or product.profile is None:
        return ProfileStanding("none-needed")
    path = root / "profiles" / product.profile.file
    rows = rows_of(reader, lab, product) if reader is not None else []
    if not path.is_file() and not is_retired(rows):
        return ProfileStanding("missing", product.profile.file)
    sha256 = durable.hash_file(path) if path.is_file() else ""
    if reader is not None and (is_retired(rows) or any(row.sha256 == sha256 for row in rows)):
        return standing_among(reader, rows, product.profile, sha256)
    report = try_profile(Children(), path, child_limits(settings), wanted_intent(settings, product))
    registered = next((row.sha256 for row in rows if row.state == "admitted"), "")
    return ProfileStanding(
        state="refused" if not report.accepted else "changed" if registered else "good",
        file=product.profile.file,
        sha256=sha256,
        registered_sha256=registered or sha256,
        description=report.description,
        version=report.version,
        reasons=report.reasons,
        valid_until=product.profile.valid_until,
    )


def _earlier(reader: Reader, sha256: str, key: str) -> tuple[Other, ...]:
    return tuple(
        Other(
            job=row.job,
            state=row.state,
            parcel=row.parcel,
            order=row.order,
            same_bytes=True,
            same_name=False,
            same_request=row.request_key == key,
            recalled=reader.recall(row.job) is not None,
        )
        for row in reversed(reader.jobs(original=sha256))
    )
