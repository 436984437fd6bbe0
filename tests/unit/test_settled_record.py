"""What was settled for pictures, in the record: the newest stands, in older records too."""

import sqlite3
from datetime import UTC, datetime
from pathlib import Path

from platemark.ledger.proof import find_faults_beside
from platemark.ledger.read import Reader, SettledRow, connect_reader
from platemark.ledger.store import Ledger

BODY = {"original": "ab" * 32, "surface": "rag", "intent": None}


def opened(folder: Path) -> Ledger:
    return Ledger(folder / "ledger.sqlite3", lambda: datetime(2026, 5, 1, tzinfo=UTC))


def settle(ledger: Ledger, **body: object) -> None:
    with ledger.transaction() as transaction:
        transaction.append("picture-settled", {**BODY, **body}, actor="Mira")


def test_the_newest_version_stands_and_is_made_again_from_the_entries(tmp_path: Path) -> None:
    """One row a picture and surface; a rebuilt table is the same, a forged one is found."""
    ledger = opened(tmp_path)
    settle(ledger, version=1, adjust="b 1")
    settle(ledger, version=1, adjust=None, surface="baryta", intent="perceptual")
    settle(ledger, version=2, adjust="chroma 1.1")
    stands = ledger.read.settled("ab" * 32, "rag")
    assert stands == SettledRow("ab" * 32, "rag", 3, 2, "chroma 1.1", None)
    assert ledger.read.settled("ab" * 32, "baryta").intent == "perceptual"
    assert ledger.read.settled("cd" * 32, "rag") is None
    ledger.rebuild()
    assert ledger.read.settled("ab" * 32, "rag") == stands
    assert not list(find_faults_beside(ledger.read))
    ledger.close()
    forged = sqlite3.connect(tmp_path / "ledger.sqlite3")
    forged.execute("UPDATE settled SET adjust = 'chroma 1.2' WHERE surface = 'rag'")
    forged.commit()
    forged.close()
    (fault,) = find_faults_beside(Reader(connect_reader(tmp_path / "ledger.sqlite3")))
    assert "adjust is “chroma 1.2”, and by the entries it is “chroma 1.1”" in fault.sentence
