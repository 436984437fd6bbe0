"""What a studio's decisions say of its thresholds: real entries of a real ledger."""

from collections.abc import Iterator
from dataclasses import fields, replace
from datetime import UTC, datetime
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from given import PAPER, known
from suits_cases import SUIT_CASES, SUIT_STOPS

from platemark.checks import run_checks
from platemark.engine.lifecycle import move
from platemark.engine.tuning import ENOUGH, KNOBS, Advice, advise, cases_of
from platemark.ledger.store import Ledger, Transaction
from platemark.model.asking import caution, stop
from platemark.model.finding import Finding
from platemark.model.plain import to_plain
from platemark.model.surface import PpiFloors, Suits, Surface, usual_suits

SUITS = usual_suits("matte", "smooth", bare_metal=False)
RAG = replace(PAPER, suits=SUITS)
LIMIT = SUITS.shadow_percent or Decimal(20)


class Studio:
    """A record that jobs are written into, as the engine does."""

    def __init__(self, ledger: Ledger, transaction: Transaction) -> None:
        self.ledger, self.transaction = ledger, transaction
        self.jobs = 0

    def job(self, surface: str = "smooth-rag") -> int:
        """A claimed job."""
        self.jobs += 1
        body = {
            "state": "claimed", "name": "heron.tif", "surface": surface, "sidecar_hex": None,
            "original": {"sha256": f"{self.jobs:064x}", "extension": "tif"},
            "drop": {"surface_folder": surface, "path_hex": f"{self.jobs:04x}", "device": 1,
                     "inode": self.jobs, "size": 1, "mtime_ns": 1},
        }  # fmt: skip
        self.transaction.append("claimed", body, job=self.jobs)
        return self.jobs

    def goes(self, job: int, kind: str, state: str, **body: Any) -> None:
        """Move a job on."""
        row = self.ledger.read.job(job)
        assert row is not None
        move(self.transaction, row, kind, state, body)  # type: ignore[arg-type]

    def examined(self, job: int, *findings: Finding, accepted: tuple[str, ...] = ()) -> None:
        """With those findings it may go, or is held."""
        is_open = any(f.severity == "stop" and f.code not in accepted for f in findings)
        kind = "held" if is_open else "examined"
        self.goes(
            job, kind, kind, facts={}, findings=to_plain(findings),
            accepted=[{"code": code} for code in accepted],
        )  # fmt: skip

    def sent(self, job: int) -> None:
        """Through to the lab."""
        self.goes(job, "rendered", "rendered", print_file={"sha256": "ab" * 32})
        self.goes(job, "parcelled", "parcelled", summary={"parcel": "brindlewick-000001"})

    def advice(self, *surfaces: Surface) -> tuple[Advice, ...]:
        """What the record says."""
        return advise(cases_of(self.ledger.read.entries()), surfaces or (RAG,))


@pytest.fixture
def studio(tmp_path: Path) -> Iterator[Studio]:
    ledger = Ledger(tmp_path / "ledger.sqlite3", lambda: datetime(2026, 5, 1, tzinfo=UTC))
    # One transaction for all of it spares the disk some hundred syncs.
    with ledger.transaction() as transaction:
        yield Studio(ledger, transaction)
    ledger.close()


def shadows(share: int) -> Finding:
    """So much of the picture closes up."""
    return caution("suit-shadows", "…", figures={"shadows": f"{share} %"})


def few(ppi: int) -> Finding:
    """Too few pixels."""
    return stop("size-too-few-pixels", "photographer", "…", "…", figures={"ppi": str(ppi)})


def test_a_caution_that_always_travelled(studio: Studio) -> None:
    """Eight are enough: a little beyond the furthest, in whole per cent, with the line to write."""
    for share in (21, 22, 22, 24, 25, 26, 28, 31):
        job = studio.job()
        studio.examined(job, shadows(share))
        studio.sent(job)
    (advice,) = studio.advice()
    assert (advice.fired, advice.let_through, advice.answered, advice.under_way) == (8, 8, 0, 0)
    assert (advice.lowest, advice.highest) == (21, 31)
    assert advice.proposed == 33  # 31 × 1.05 = 32.55
    assert advice.line == "surfaces/smooth-rag.toml, [suits]: shadow_percent = 33"


def test_too_few_cases(studio: Studio) -> None:
    """Three of eight say nothing yet; what is under way counts for nothing."""
    for number in range(5):
        job = studio.job()
        studio.examined(job, shadows(30))
        if number < 3:
            studio.sent(job)
    (advice,) = studio.advice()
    assert (advice.let_through, advice.under_way, advice.proposed) == (3, 2, None)
    assert advice.is_too_early
    assert advice.why == f"Not enough yet (3 of {ENOUGH})."
    assert advice.line == ""


@pytest.mark.parametrize("answer", ["withdrawn", "superseded", "adjusted", "smaller"])
def test_one_that_was_answered_keeps_the_threshold(studio: Studio, answer: str) -> None:
    """Withdrawn, replaced by another file, adjusted, or printed otherwise: the caution worked."""
    for _ in range(12):
        job = studio.job()
        studio.examined(job, shadows(30))
        studio.sent(job)
    job = studio.job()
    if answer == "smaller":
        studio.examined(job, shadows(30), few(100))
        studio.goes(job, "decided", "claimed", settings={"size": "8x10in"}, accepted=[])
        studio.examined(job)
        studio.sent(job)
    else:
        if answer == "adjusted":
            grain = caution("suit-grain", "…", "…", figures={"grain": "5.0"})
            studio.examined(job, shadows(30), grain)
            body = {
                "original": "ab" * 32, "surface": "smooth-rag", "version": 1, "intent": None,
                "adjust": "lift 4",
            }  # fmt: skip
            studio.transaction.append("picture-settled", body, job=job)
            studio.sent(job)
        else:
            studio.examined(job, shadows(30))
            studio.goes(job, answer, "withdrawn")
    told = {each.knob.code: each for each in studio.advice()}
    assert (told["suit-shadows"].let_through, told["suit-shadows"].answered) == (12, 1)
    assert told["suit-shadows"].proposed is None
    if answer == "smaller":
        assert told["size-too-few-pixels"].answered == 1
    if answer == "adjusted":
        assert told["suit-grain"].answered == 0, "tones are no answer to grain"


def test_stops_count_as_accepted_and_end_at_the_floor(studio: Studio) -> None:
    """Accepted down to 62 ppi, the proposal is the trade's 60 ppi and never less."""
    for ppi in (130, 120, 118, 110, 99, 90, 80, 62):
        job = studio.job()
        studio.examined(job, few(ppi))
        studio.goes(job, "decided", "claimed", settings={},
                    accepted=[{"code": "size-too-few-pixels", "figures": []}])  # fmt: skip
        studio.examined(job, few(ppi), accepted=("size-too-few-pixels",))
        studio.sent(job)
    (advice,) = studio.advice()
    assert advice.knob.key == "stop"
    assert (advice.let_through, advice.proposed) == (8, 60)  # 62 × .95 = 58.9


def test_a_caution_never_passes_its_stop(studio: Studio) -> None:
    """However often white was let through on bare metal, the caution ends where the stop begins."""
    suits = usual_suits("metallic", "brushed", bare_metal=True)
    metal = replace(PAPER, id="bare", bare_metal=True, suits=suits)
    for _ in range(9):
        job = studio.job("bare")
        studio.examined(job, caution("suit-bare-white", "…", figures={"white": "15 %"}))
        studio.sent(job)
    (advice,) = studio.advice(metal)
    assert advice.proposed == suits.white_stop_percent == 15


def test_a_stop_of_the_trade_stays(studio: Studio) -> None:
    """White on bare metal is held from 15 % on, whatever was accepted."""
    suits = usual_suits("metallic", "brushed", bare_metal=True)
    metal = replace(PAPER, id="bare", bare_metal=True, suits=suits)
    for _ in range(9):
        job = studio.job("bare")
        white = stop("suit-bare-white", "photographer", "…", "…", figures={"white": "22 %"})
        studio.examined(job, white, accepted=("suit-bare-white",))
        studio.sent(job)
    (advice,) = studio.advice(metal)
    assert (advice.let_through, advice.proposed) == (9, None)
    assert "as far as it may go" in advice.why


def test_what_the_threshold_would_not_say_any_more(studio: Studio) -> None:
    """Cases below a limit that was raised meanwhile, of another surface, or of one that is off."""
    for _ in range(9):
        job = studio.job()
        studio.examined(job, shadows(24))
        studio.sent(job)
    assert studio.advice(replace(RAG, suits=replace(SUITS, shadow_percent=Decimal(30)))) == ()
    assert studio.advice(replace(RAG, suits=replace(SUITS, shadow_percent=None))) == ()
    assert studio.advice(replace(RAG, id="etching-rag")) == ()


def test_every_threshold_is_there() -> None:
    """Each that is named exists on a surface, and each code is a check's."""
    from platemark.checks import all_checks

    codes = {check.code for check in all_checks()}
    # One figure for a threshold that two measures pass together, one that is not loosened by use.
    assert {f.name for f in fields(Suits)} - {knob.key for knob in KNOBS} == {
        "low_key_p95_l", "cool_white_b", "other_intent_percent",
    }  # fmt: skip
    for knob in KNOBS:
        assert knob.code in codes
        names = Suits.__slots__ if knob.section == "suits" else PpiFloors.__slots__
        assert knob.key in names
        assert not knob.not_past or knob.not_past in names


def test_every_figure_is_one_that_its_check_gives() -> None:
    """A threshold whose figure had another name would never learn anything, and silently."""
    given = {
        (finding.code, finding.severity, name)
        for code, trips, _ in (*SUIT_CASES, *SUIT_STOPS)
        for finding in run_checks(known(**trips))
        if finding.code == code
        for name, value in finding.figures
        if any(sign.isdigit() for sign in value)
    }
    of_surface = [knob for knob in KNOBS if knob.section == "suits"]
    assert {(knob.code, knob.severity, knob.figure) for knob in of_surface} <= given
