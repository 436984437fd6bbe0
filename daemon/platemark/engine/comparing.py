"""One file on every surface of the studio: measured for each, ranked, and drawn side by side."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

from platemark.engine.look_at import (
    UNTOUCHED,
    Examined,
    Subject,
    child_limits,
    concluded,
    known_of,
    measured,
    task_of,
)
from platemark.engine.ranking import Asked, Standing, rank
from platemark.imaging.child import Children
from platemark.intake.names import words_of
from platemark.model.errors import ChildFault, UsageError
from platemark.model.geometry import SILENT_PERCENT, aspect_error
from platemark.model.known import Known
from platemark.model.measures import Measures
from platemark.model.request import resolve
from platemark.model.units import BadSize, Size, orientation_of, parse_size
from platemark.model.work import (
    BesideReport,
    BesideTask,
    Failure,
    MeasureTask,
    PreviewTask,
    ProofPanel,
)

_HARDLY_WORSE = 5
"""Points below the best up to which a proof is captioned with what speaks for its surface."""
_AT_ONCE = 2
"""Children that measure side by side."""


@dataclass(frozen=True, slots=True)
class OnSurface:
    """What is to be said of a file on one surface."""

    examined: Examined
    standing: Standing
    panel: Path | None
    """Its soft proof; None where none was asked for or could be drawn."""


@dataclass(frozen=True, slots=True)
class Compared:
    """A file on every surface, best first; those that would be held come last."""

    size: str
    """What all were asked for; empty where each had its own."""
    is_chosen: bool
    """Nobody gave the size: of those that are sold, the most surfaces take it."""
    surfaces: tuple[OnSurface, ...]


def compare(subject: Subject, said: Mapping[str, str], panels: Path | None) -> Compared:
    """Ask about a file on every surface of the studio.

    Args:
        subject: The file.
        said: Request keys given on the command line.
        panels: An empty folder for soft proofs; None for none.

    Raises:
        UsageError: a value cannot be read, or no size is given and none can be chosen.
        ChildFault: a process would not start or brought nothing.
    """
    said, is_chosen = _with_size(subject, said)
    surfaces = subject.settings.surfaces
    knowns = [known_of(subject, surface, said) for surface in surfaces]
    tasks = [_task(subject, known, panels) for known in knowns]
    found = [
        concluded(subject, known, measures)
        for known, measures in zip(knowns, _all_measured(subject, tasks), strict=True)
    ]
    standings = rank([_asked(examined) for examined in found])
    places = {examined.known.surface.id: examined for examined in found}
    drawn = {
        known.surface.id: Path(task.panel)
        for known, task in zip(knowns, tasks, strict=True)
        if task is not None and task.panel and Path(task.panel).is_file()
    }
    return Compared(
        said.get("size", ""),
        is_chosen,
        tuple(OnSurface(places[each.surface], each, drawn.get(each.surface)) for each in standings),
    )


def draw_proofs(subject: Subject, compared: Compared, target: Path) -> None:
    """Draw the soft proofs side by side into a PNG, the picture itself ahead of them.

    Raises:
        ChildFault: they could not be drawn.
    """
    facts = subject.facts
    at = f" at {compared.size}" if compared.size else ""
    original = PreviewTask(
        original=str(subject.file.resolve()),
        orientation=facts.orientation,
        source_profile="",
        choices=(),
        drawing="",
        is_icc_lab=facts.lab_encoding == "icc",
    )
    best = max(each.standing.score for each in compared.surfaces)
    panels = tuple(
        ProofPanel(
            str(each.panel),
            f"{number}  {each.standing.name}  {each.standing.score}",
            _line(each, best),
        )
        for number, each in enumerate(compared.surfaces, 1)
        if each.panel is not None
    )
    heading = f"{compared.surfaces[0].examined.known.name}{at}: soft proofs, the best suited first"
    task = BesideTask(heading, original, panels, str(target))
    report = Children().run(task, child_limits(subject.settings))
    if not isinstance(report, BesideReport):
        why = report.sentence if isinstance(report, Failure) else "it brought another report"
        raise ChildFault(f"The proofs of {subject.file.name} could not be drawn: {why}.", UNTOUCHED)


def _line(each: OnSurface, best: int) -> str:
    standing = each.standing
    if standing.held:
        return f"Would be held: {standing.held}"
    blame_first = standing.score < best - _HARDLY_WORSE
    said = (standing.against, standing.suits) if blame_first else (standing.suits, standing.against)
    return next((sentence for sentences in said for sentence in sentences), "")


def _asked(examined: Examined) -> Asked:
    known = examined.known
    profile = known.product.profile if known.product is not None else None
    return Asked(
        surface=known.surface,
        lab=known.lab.id if known.lab is not None else "",
        by_lab_profile=profile is not None,
        measures=known.measures,
        findings=examined.findings,
    )


def _task(subject: Subject, known: Known, panels: Path | None) -> MeasureTask | None:
    task = task_of(subject, known)
    if task is None or panels is None:
        return task
    return replace(task, panel=str(panels / f"{known.surface.id}.png"))


def _all_measured(subject: Subject, tasks: Sequence[MeasureTask | None]) -> list[Measures | None]:
    """Measure for every surface, a few at a time."""
    at_once = min(_AT_ONCE, os.cpu_count() or 1)
    with ThreadPoolExecutor(at_once) as pool:
        # A child lives no longer than the thread that started it; these wait for theirs.
        return list(pool.map(partial(measured, subject, at_once=at_once), tasks))


def _with_size(subject: Subject, said: Mapping[str, str]) -> tuple[Mapping[str, str], bool]:
    """See to it that all surfaces are asked for one size, standing as the picture stands."""
    if not subject.facts.is_read or ("sheet" in said and "size" not in said):
        return said, False
    words = resolve(words_of(os.fsencode(subject.file.name))).request
    text = said.get("size") or (str(words.size) if words.size is not None else "")
    if text:
        try:
            size = parse_size(text)
        except BadSize as error:
            raise UsageError(f"{error}.") from error
        if isinstance(size, Size):
            size = _standing(size, subject)
        return {**said, "size": str(size)}, False
    return {**said, "size": str(_chosen_size(subject, said))}, True


def _standing(size: Size, subject: Subject) -> Size:
    """A size as the picture stands, so that a surface with a direction is asked for that too."""
    stands = size.standing_like(orientation_of(*_upright(subject)))
    # Turned, a named size would lose its turn with its measures unsaid.
    return stands if stands == size else replace(stands, name=None)


def _upright(subject: Subject) -> tuple[int, int]:
    return subject.facts.upright_width, subject.facts.upright_height


def _chosen_size(subject: Subject, said: Mapping[str, str]) -> Size:
    """The size that the most surfaces have and the pixels are enough for; of several the largest.

    Raises:
        UsageError: no size that any lab sells has its proportion, or pixels enough.
    """
    knowns = [known_of(subject, surface, said) for surface in subject.settings.surfaces]
    offered = [known for known in knowns if known.product is not None]
    wide, high = _upright(subject)
    sizes = {
        str(standing): standing
        for known in offered
        if known.product is not None
        for standing in [_standing(size, subject) for size in known.product.sizes]
        if aspect_error(wide, high, standing) * 100 <= SILENT_PERCENT
    }

    def worth(size: Size) -> tuple[int, int, object]:
        takes = [known for known in offered if known.sells(size)]
        ppi = wide / size.w.inches
        fine = sum(ppi >= known.surface.ppi.caution for known in takes)
        fair = sum(ppi >= known.surface.ppi.stop for known in takes)
        return fine, fair, size.w.mm * size.h.mm

    best = max(sizes.values(), key=worth, default=None)
    if best is None or worth(best)[1] == 0:
        raise UsageError(
            f"No size that is sold suits the {wide} × {high} px of {subject.file.name}.",
            "Give one with --size, and with --set fit=crop or --set fit=border where its "
            "proportion differs.",
        )
    return best
