"""Which reading a strip is held against, from a real record; and how it is judged."""

from collections.abc import Iterator
from dataclasses import replace
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from records import Clock, claimed, sha

from platemark.engine.strips import Likeness, drift_of, reference_of, trend_of
from platemark.ledger.proof import find_faults_beside
from platemark.ledger.store import Ledger
from platemark.ledger.strips import Strips
from platemark.model.strip_report import (
    Limit,
    StripFigures,
    StripLimits,
    judged_by_profile,
    judged_by_reference,
    own_reference_alone,
    told,
    white_of,
    worst,
)
from platemark.settings.load import load_settings

LAB, SURFACE = "brindlewick", "smooth-rag"
ALIKE = Likeness("profile relative black fitted", "M1", "absolute")
FINE = StripFigures("0.5", "0.8", "1.9", "2.4", "1.2", "0.9", "0.6", "1.1", "0.4")


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    made = Ledger(tmp_path / "ledger.sqlite3", Clock())
    with made.transaction() as transaction:
        for job in range(1, 7):
            transaction.append("claimed", claimed(job), job=job)
    yield made
    assert list(find_faults_beside(made.read)) == []
    before = list(Strips(made.read).of_product(LAB, SURFACE))
    made.rebuild()
    assert list(Strips(made.read).of_product(LAB, SURFACE)) == before
    made.close()


def read_in(
    ledger: Ledger, job: int, verdict: str = "within", like: Likeness = ALIKE, **more: Any
) -> int:
    """Record a reading; gives its entry."""
    body = {
        "lab": LAB, "surface": SURFACE, "verdict": verdict, "beyond": "paper 3.4 ΔE00 (limit 3.0)",
        "readings": {"sha256": sha("s", job, verdict, more), "extension": "txt", "bytes": "900"},
        "colours": like.colours, "condition": like.condition, "white": like.white,
        "against": "reference", "reference": None, "by_profile": None,
        "chart_sha256": sha("c", job),
        "by_reference": {name: getattr(FINE, name) for name in FINE.__slots__}, **more,
    }  # fmt: skip
    with ledger.transaction() as transaction:
        return transaction.append("strip-read", body, job=job).seq


def settle(ledger: Ledger, reading: int, reference: int | None) -> None:
    body = {"lab": LAB, "surface": SURFACE, "reading": reading, "reference": reference,
            "chart_sha256": None}  # fmt: skip
    with ledger.transaction() as transaction:
        transaction.append("strip-settled", body)


def approve(ledger: Ledger, job: int, kind: str = "approved") -> None:
    body = {"original": sha("o", job), "name": f"heron-{job:06d}.tif", "surface": SURFACE,
            "lab": LAB}  # fmt: skip
    with ledger.transaction() as transaction:
        transaction.append(kind, body, job=job)


def reference(ledger: Ledger, like: Likeness = ALIKE) -> int | None:
    entry = reference_of(ledger.read, LAB, SURFACE, like)
    return entry.seq if entry is not None else None


def test_what_a_strip_is_held_against(ledger: Ledger) -> None:
    """The first that was not beyond; then the approved test's; then what a person named last."""
    assert reference(ledger) is None
    read_in(ledger, 1, "beyond")
    assert reference(ledger) is None
    first = read_in(ledger, 2)
    test = read_in(ledger, 3, "caution")
    assert reference(ledger) == first
    approve(ledger, 3)
    assert reference(ledger) == test
    approve(ledger, 3, "approval-taken-back")
    assert reference(ledger) == first
    approve(ledger, 3)
    drifted = read_in(ledger, 4, "beyond")
    settle(ledger, drifted, None)
    assert reference(ledger) == test
    settle(ledger, drifted, drifted)
    assert reference(ledger) == drifted
    # Of a part of a test that is approved later, its own strip.
    with ledger.transaction() as transaction:
        transaction.append("noted", {"links": [{"other": 5, "kind": "part-of"}]}, job=6)
    part = read_in(ledger, 6)
    approve(ledger, 5)
    assert reference(ledger) == part


@pytest.mark.parametrize(
    "other",
    [
        replace(ALIKE, colours="another profile"),
        replace(ALIKE, condition="M0"),
        replace(ALIKE, white="paper"),
    ],
)
def test_only_like_is_held_against_like(ledger: Ledger, other: Likeness) -> None:
    """Another profile or intent, another condition, another white: no reference, not even named."""
    first = read_in(ledger, 1, like=other)
    settle(ledger, first, first)
    assert reference(ledger) is None
    assert reference(ledger, other) == first


def test_a_drift_stands_until_it_is_decided(ledger: Ledger) -> None:
    """A good reading after it does not end it; a word does, and a newer drift is another."""
    zone = "Europe/Berlin"
    assert drift_of(ledger.read, LAB, SURFACE, zone) is None
    bad = read_in(ledger, 1, "beyond")
    read_in(ledger, 2)
    drift = drift_of(ledger.read, LAB, SURFACE, zone)
    assert drift is not None
    assert (drift.reading, drift.job) == (bad, 1)
    assert drift_of(ledger.read, "tarnmoor", SURFACE, zone) is None
    assert [row.job for row in Strips(ledger.read).all_open()] == [1]
    settle(ledger, bad, None)
    assert drift_of(ledger.read, LAB, SURFACE, zone) is None
    worse = read_in(ledger, 3, "beyond")
    drift = drift_of(ledger.read, LAB, SURFACE, zone)
    assert drift is not None
    assert drift.reading == worse


def test_a_trend_marks_what_was_held_against(ledger: Ledger) -> None:
    """Every reading is a point, oldest first; references are marked."""
    first = read_in(ledger, 1)
    read_in(ledger, 2, reference=first)
    bad = read_in(ledger, 3, "beyond", reference=first)
    settle(ledger, bad, bad)
    settings = load_settings(Path(__file__).parents[2] / "config")
    task = trend_of(ledger.read, settings, LAB, SURFACE, "x.png", reference=bad)
    assert [(point.job, point.level, point.is_reference) for point in task.points] == [
        (1, "within", True), (2, "within", False), (3, "beyond", True),
    ]  # fmt: skip
    assert task.heading.endswith("of Brindlewick Editions") or "Brindlewick" in task.heading


EDGES: list[tuple[str, str, str]] = [
    ("paper", "2.00", "3.00"), ("mean", "2.00", "3.00"), ("p95", "4.00", "6.00"),
    ("neutral_mean", "1.50", "2.50"), ("primaries", "3.00", "5.00"), ("black_l", "2.00", "4.00"),
]  # fmt: skip


@pytest.mark.parametrize(("figure", "caution", "stop"), EDGES)
def test_a_limit_is_passed_above_it_and_not_at_it(figure: str, caution: str, stop: str) -> None:
    """At a limit all is well; a hundredth above it is told, or holds (house limits)."""
    limits, step = StripLimits(), Decimal("0.01")
    for value, level in (
        (caution, "within"), (str(Decimal(caution) + step), "caution"), (stop, "caution"),
        (str(Decimal(stop) + step), "beyond"),
    ):  # fmt: skip
        found = judged_by_reference(replace(FINE, **{figure: value}), limits)
        assert worst(found) == level
        assert (value in told(found, "beyond")) == (level == "beyond")


def test_black_that_became_darker_is_no_drift() -> None:
    """Only a lighter black is; limits can be edited; a profile's yardsticks have one step."""
    limits = StripLimits()
    assert worst(judged_by_reference(replace(FINE, black_l="-9.00"), limits)) == "within"
    tight = replace(limits, mean=Limit(Decimal("0.1"), Decimal("0.2")))
    assert worst(judged_by_reference(FINE, tight)) == "beyond"
    assert worst(judged_by_profile(FINE, limits)) == "within"
    assert worst(judged_by_profile(replace(FINE, largest="5.01"), limits)) == "beyond"
    assert worst(judged_by_profile(replace(FINE, primaries_hue="2.51"), limits)) == "beyond"


def test_which_surfaces_are_their_own_reference_alone() -> None:
    """Weave, brushed or bare metal, and clear sheet over the print (common practice)."""
    surfaces = load_settings(Path(__file__).parents[2] / "config").surfaces
    alone = {surface.id for surface in surfaces if own_reference_alone(surface)}
    assert alone == {"acrylic-bonded", "acrylic-reverse", "aluminium-bare", "canvas-wrap"}


def test_readings_from_the_paper_are_told_from_those_from_a_perfect_white() -> None:
    """No paper reads 100, 0, 0; the whitest with brighteners are 97 and blue."""
    white = (Decimal("100.00"), Decimal("0.10"), Decimal("-0.20"))
    assert white_of(white) == "paper"
    for lightness, b in (("97.20", "0.10"), ("99.80", "-3.00"), ("95.00", "2.00")):
        assert white_of((Decimal(lightness), Decimal(0), Decimal(b))) == "absolute"
