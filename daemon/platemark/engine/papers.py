"""Has papers drawn as PDF, in a process of their own: the service opens no picture."""

from __future__ import annotations

import os
import secrets
from collections.abc import Mapping
from pathlib import Path

import structlog

from platemark import durable
from platemark.engine.workshop import Workshop
from platemark.imaging.child import Children
from platemark.model.errors import ChildFault
from platemark.model.paper import Paper
from platemark.model.work import ChildLimits, Failure, PapersReport, PapersTask

_MEMORY_MB, _SECONDS, _OUTPUT_MB = 1024, 120, 256
"""Of one process; a parcel of some hundred jobs stays far below."""


def draw_papers(workshop: Workshop, what: str, papers: Mapping[str, Paper]) -> dict[str, bytes]:
    """Draw papers for a parcel, all at once; where that fails by a mistake of ours, one by one.

    One that cannot be drawn at all is left out and logged; the parcel then says so, and
    `paperless` tells the studio.

    The lab has the same words as pages and as JSON, so nothing waits for a paper but what waits for
    the system anyway.

    Args:
        workshop: The open studio.
        what: Whose papers they are, for the log.
        papers: By file name.

    Raises:
        ChildFault: the system would not start the process, or has no room.
    """
    folder = workshop.folders.scratch("papers") / secrets.token_hex(4)
    durable.make_folder(folder)
    try:
        drawn = _drawn(workshop.children, what, papers, folder)
        if isinstance(drawn, Failure):
            alone = {
                name: _drawn(workshop.children, what, {name: paper}, folder)
                for name, paper in papers.items()
            }
            return _those_drawn(what, alone)
        return drawn
    finally:
        durable.remove_tree(folder)


def _those_drawn(what: str, alone: Mapping[str, dict[str, bytes] | Failure]) -> dict[str, bytes]:
    good: dict[str, bytes] = {}
    for name, drawn in alone.items():
        if isinstance(drawn, Failure):
            structlog.get_logger().error(
                "paper-not-drawn", what=what, paper=name, why=drawn.sentence, trace=drawn.trace
            )
        else:
            good |= drawn
    return good


def draw_paper(paper: Paper, target: Path) -> int:
    """Draw one paper for a person; gives how many pages it has.

    Args:
        paper: What stands on it.
        target: A new file.

    Raises:
        FileExistsError: there is something of that name.
        ChildFault: it could not be drawn.
    """
    if os.path.lexists(target):
        raise FileExistsError(str(target))
    report = Children().run(PapersTask((paper,), (str(target.absolute()),)), _limits())
    if isinstance(report, PapersReport):
        return report.pages[0]
    why = report.sentence if isinstance(report, Failure) else "it brought another report"
    raise ChildFault(
        f"{target.name} could not be drawn: {why}",
        "Try again; if it stays so, tell whoever looks after Platemark.",
    )


def _drawn(
    children: Children, what: str, papers: Mapping[str, Paper], folder: Path
) -> dict[str, bytes] | Failure:
    """Draw papers in one process; a failure is a mistake of ours."""
    places = {name: folder / name for name in papers}
    task = PapersTask(tuple(papers.values()), tuple(map(str, places.values())))
    report = children.run(task, _limits())
    if isinstance(report, Failure):
        if report.kind != "world":
            return report
        raise ChildFault(
            f"The papers of {what} could not be drawn: {report.sentence}",
            "Nothing is lost; it is tried again.",
        )
    return {name: place.read_bytes() for name, place in places.items()}


def _limits() -> ChildLimits:
    return ChildLimits(_MEMORY_MB, _SECONDS, _OUTPUT_MB, threads=1)
