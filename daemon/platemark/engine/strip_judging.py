"""Readings of a strip judged: what they are held against, and how that is said."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from platemark import durable
from platemark.engine.strips import Likeness, colours_of, reference_of
from platemark.engine.workshop import Workshop
from platemark.ledger.chain import Entry
from platemark.ledger.read import JobRow
from platemark.model.cgats import BadReadings
from platemark.model.decision import StripDecision
from platemark.model.errors import ChildFault, DecisionRefused
from platemark.model.job import job_number
from platemark.model.plain import to_plain
from platemark.model.plan import Plan
from platemark.model.readings import Readings, read_strip
from platemark.model.strip_report import (
    Against,
    Judgement,
    Level,
    judged_by_profile,
    judged_by_reference,
    own_reference_alone,
    told,
    white_of,
    worst,
)
from platemark.model.surface import Surface
from platemark.model.work import Failure, StripPatch, StripReport, StripTask

_FEW = "Readings of fewer than three passes say less on paper with a texture."
_PASSES = 3


@dataclass(frozen=True, slots=True)
class Judged:
    """A strip as it was read, what it was held against, and what came of it."""

    readings: Readings
    like: Likeness
    report: StripReport
    reference: Entry | None
    against: Against
    verdict: Level
    judgements: tuple[Judgement, ...]
    why_no_profile: str
    """Why its profile's prediction does not count; empty where it does."""


def judge(
    workshop: Workshop,
    decision: StripDecision,
    row: JobRow,
    plan: Plan,
    surface: Surface,
    data: bytes,
) -> Judged:
    """Judge the readings of a job's strip.

    Args:
        workshop: The open studio.
        decision: What was said of them.
        row: The job.
        plan: How it was printed.
        surface: On what.
        data: The instrument's file.

    Raises:
        DecisionRefused: they cannot be used.
        ChildFault: they cannot be worked out just now.
    """
    limits = workshop.settings.studio.strips
    try:
        readings = read_strip(data, scale=decision.scale, condition=decision.condition)
    except BadReadings as error:
        raise DecisionRefused(
            f"Job {job_number(row.job)}, its readings: {error}",
            f"Nothing was recorded. {error.hint}".strip(),
        ) from error
    if readings.condition != limits.condition:
        raise DecisionRefused(
            f"Job {job_number(row.job)}: its strip was measured with {readings.condition}, and the "
            f"studio judges by {limits.condition}; the two are not compared.",
            f"Nothing was recorded. Measure it with {limits.condition}, or change condition under "
            "[strips] in studio.toml.",
        )
    white = white_of(readings.patches[0].lab)
    like = Likeness(colours_of(plan), readings.condition, white)
    reference = reference_of(workshop.ledger.read, row.lab or "", row.surface, like)
    report = _reported(workshop, plan, readings, like, reference)
    by_profile = (
        judged_by_profile(report.by_profile, limits) if report.by_profile is not None else ()
    )
    why = own_reference_alone(surface)
    if report.by_reference is not None:
        judgements, against = judged_by_reference(report.by_reference, limits), "reference"
    elif by_profile and not why:
        judgements, against = by_profile, "profile"
    else:
        judgements, against = (), "nothing"
    return Judged(
        readings, like, report, reference, _against(against), worst(judgements), judgements, why
    )


def _against(word: str) -> Against:
    return "reference" if word == "reference" else "profile" if word == "profile" else "nothing"


def _reported(
    workshop: Workshop, plan: Plan, readings: Readings, like: Likeness, reference: Entry | None
) -> StripReport:
    """Have a child process work the differences out.

    Raises:
        ChildFault: it cannot be just now.
        DecisionRefused: the profile is of no use.
    """
    profile = ""
    if plan.conversion == "lab-profile":
        kept = workshop.folders.archived(plan.output_profile_sha256, "icc")
        is_whole = kept.is_file() and durable.hash_file(kept) == plan.output_profile_sha256
        profile = str(kept) if is_whole else ""
    task = StripTask(
        patches=tuple(
            StripPatch(
                each.patch.name,
                each.patch.group,
                each.patch.rgb,
                _lab(each.lab),
                tuple(map(_lab, each.readings)),
            )
            for each in readings.patches
        ),
        profile=profile,
        intent=plan.intent,
        black_point_compensation=plan.black_point_compensation,
        white="paper" if like.white == "paper" else "absolute",
        reference=_labs(reference) if reference is not None else (),
    )
    outcome = workshop.children.run(task, workshop.child_limits(output_mb=1))
    if isinstance(outcome, Failure):
        if outcome.kind == "picture":
            raise DecisionRefused(f"Its profile cannot be used: {outcome.sentence}")
        raise ChildFault(outcome.sentence, "The readings wait and are tried again.")
    if not isinstance(outcome, StripReport):
        raise TypeError(type(outcome).__name__)
    return outcome


def _labs(entry: Entry) -> tuple[tuple[str, str, str], ...]:
    """Lab of each patch of a reading, in the strip's order."""
    labs = (patch["lab"] for patch in entry.body["patches"])
    return tuple((lab[0], lab[1], lab[2]) for lab in labs)


def _lab(lab: tuple[Any, Any, Any]) -> tuple[str, str, str]:
    lightness, a, b = (f"{value:f}" for value in lab)
    return lightness, a, b


def body_of(row: JobRow, judged: Judged, kept: str, size: int) -> dict[str, Any]:
    """What the record says of it: the readings themselves, and all that was worked out.

    Args:
        row: The job.
        judged: What was found.
        kept: SHA-256 of the instrument's file, which is in the archive.
        size: Of the file, bytes.
    """
    report, readings = judged.report, judged.readings
    patches: list[dict[str, Any]] = []
    for number, each in enumerate(readings.patches):
        patch: dict[str, Any] = {"name": each.patch.name, "lab": list(_lab(each.lab))}
        if report.predicted:
            patch["predicted"] = list(report.predicted[number])
            patch["off_profile"] = report.off_profile[number]
        if report.off_reference:
            patch["off_reference"] = report.off_reference[number]
        patches.append(patch)
    return {
        "lab": row.lab,
        "surface": row.surface,
        "readings": {"sha256": kept, "extension": "txt", "bytes": str(size)},
        "colours": judged.like.colours,
        "condition": judged.like.condition,
        "white": judged.like.white,
        "times": readings.times,
        "created": readings.created,
        "instrument": readings.instrument,
        "patches": patches,
        "by_profile": to_plain(report.by_profile),
        "by_reference": to_plain(report.by_reference),
        "spread": report.spread or None,
        "reference": judged.reference.seq if judged.reference is not None else None,
        "against": judged.against,
        "verdict": judged.verdict,
        "beyond": told(judged.judgements, "beyond"),
        "near": told(judged.judgements, "caution"),
    }


def told_of(
    workshop: Workshop, row: JobRow, judged: Judged, held: list[JobRow], sent: list[JobRow]
) -> str:
    """What came of a reading, for people."""
    surface, lab = workshop.settings.surface(row.surface), workshop.settings.lab(row.lab or "")
    on = f"{surface.name if surface else row.surface} of {lab.name if lab else row.lab}"
    than = "nothing yet"
    if judged.against == "reference" and judged.reference is not None:
        than = f"the strip of job {job_number(judged.reference.job or 0)}"
    elif judged.against == "profile":
        than = "what its profile predicts"
    figures = judged.report.by_reference or judged.report.by_profile
    said = [f"Job {job_number(row.job)}, its strip on {on}, held against {than}:"]
    said.append(
        {
            "within": "within the studio's limits.",
            "caution": f"near the limits: {told(judged.judgements, 'caution')}.",
            "beyond": f"BEYOND THE LIMITS: {told(judged.judgements, 'beyond')}.",
        }[judged.verdict]
        if judged.judgements
        else "it is the first of its kind and becomes the reference."
    )
    if figures is not None and judged.against != "nothing":
        said.append(f"Mean {figures.mean}, 95 of 100 within {figures.p95} ΔE00.")
    if judged.why_no_profile and judged.against == "nothing":
        said.append(
            f"On {judged.why_no_profile} an instrument reads otherwise than a profile's maker did, "
            "so it is not judged by the profile: decide by eye."
        )
    if judged.like.white == "paper":
        said.append("It counts from the bare paper, and so does what it is held against.")
    if judged.verdict == "beyond":
        said.append(_held_words(row, held, sent))
    elif judged.readings.times < _PASSES and surface is not None and surface.texture != "smooth":
        said.append(_FEW)
    return " ".join(said)


def _held_words(row: JobRow, held: list[JobRow], sent: list[JobRow]) -> str:
    words = (
        "Finals on that surface are held until the photographer decides: `platemark strip settle "
        f"--lab {row.lab} --surface {row.surface} --by … --because …`."
    )
    if held:
        words += f" Held now: {numbers_of(held)}."
    if sent:
        words += (
            f" In a parcel already: {numbers_of(sent)}; `platemark recall` calls them back where "
            "that matters."
        )
    return words


def numbers_of(rows: list[JobRow]) -> str:
    """Jobs in words."""
    numbers = [job_number(row.job) for row in rows]
    return f"job {numbers[0]}" if len(numbers) == 1 else f"jobs {', '.join(numbers)}"
