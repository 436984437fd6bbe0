"""An ordinary week goes through: few files are held, and most tickets say nothing to worry about.

The two figures are promises of the project: at most one file in twenty held, and at most one
caution on four prints of five.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager, nullcontext
from datetime import date
from pathlib import Path

import pytest
from careful_week import COUNT, ORDERS, Ordinary, week, write

from here import examined_here
from platemark.engine.look_at import look_at
from platemark.imaging.make import PRINTERS
from platemark.imaging.print_model import make_printer_profile
from platemark.model.finding import Finding
from platemark.settings.load import load_settings
from platemark.settings.starter import copy_starter

MOST_HELD = 0.05
"""Of the whole week; of the few that are always tried, none."""
MOST_CAUTIONS = 1
LEAST_WITH_SO_FEW = 0.80
TODAY = date(2026, 3, 2)


@pytest.fixture(scope="module")
def studio(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The starter studio with its labs' profiles."""
    root = tmp_path_factory.mktemp("week") / "studio"
    copy_starter(root)
    for surface, spec in PRINTERS.items():
        path = root / "profiles" / f"brindlewick-{surface}.icc"
        path.write_bytes(make_printer_profile(spec))
    return root


def findings_of(studio: Path, ordinary: Ordinary, folder: Path) -> tuple[Finding, ...]:
    """What `examine` says of one file."""
    path = write(ordinary, folder)
    settings = load_settings(studio)
    found = look_at(studio, settings, None, path, ordinary.surface, {}, TODAY).findings
    path.unlink()
    return found


def report(found: Sequence[tuple[Ordinary, tuple[Finding, ...]]]) -> str:
    """Every hold, every caution's code, and how many cautions the files have."""
    lines = []
    for ordinary, findings in found:
        stops = [finding for finding in findings if finding.severity == "stop"]
        lines += [f"HELD {ordinary}\n     {stop.code}: {stop.message}" for stop in stops]
    codes = Counter(f.code for _, findings in found for f in findings if f.severity == "caution")
    counts = Counter(sum(f.severity == "caution" for f in findings) for _, findings in found)
    spread = ", ".join(f"{count} with {number}" for number, count in sorted(counts.items()))
    lines.append(f"Cautions on {len(found)} files: {spread}")
    lines += [f"     {count:4d} {code}" for code, count in codes.most_common()]
    return "\n".join(lines)


@pytest.mark.parametrize(
    ("files", "most_held", "steps"),
    [
        # 20 are 2 of each surface.
        pytest.param(week()[:20], 0, examined_here, id="20"),
        pytest.param(
            week(), MOST_HELD * COUNT, nullcontext, id=f"all-{COUNT}", marks=pytest.mark.long
        ),
    ],
)
def test_an_ordinary_week_goes_through(
    files: Sequence[Ordinary],
    most_held: float,
    steps: Callable[[], AbstractContextManager[None]],
    studio: Path,
    tmp_path: Path,
) -> None:
    """At most 5 % are held (none of 20), and at least 80 % have at most one caution."""
    assert {ordinary.surface for ordinary in files} == set(ORDERS)
    with steps():
        found = [(ordinary, findings_of(studio, ordinary, tmp_path)) for ordinary in files]
    said = report(found)
    written = tmp_path / "careful-week.txt"
    written.write_text(said)
    print(f"Every hold and caution is listed in {written}.")
    held = sum(any(f.severity == "stop" for f in findings) for _, findings in found)
    calm = sum(
        sum(f.severity == "caution" for f in findings) <= MOST_CAUTIONS for _, findings in found
    )
    assert held <= most_held, said
    assert calm >= LEAST_WITH_SO_FEW * len(files), said
