"""Whatever order things happen in, a number has one print, and an edition is never exceeded."""

import random
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from edition_cases import BY_SIZE, HERONS, SIZE
from given import asked, known

from platemark.engine.editions import promised_otherwise, recorded, rows_of, standing_of
from platemark.ledger.edition_tables import DESTROYED, SOLD, VOID
from platemark.ledger.editions import Editions
from platemark.ledger.proof import find_faults_beside
from platemark.ledger.store import Ledger
from platemark.model.edition import Edition, EditionSize, GivenBefore, Numbered, size_key
from platemark.model.studio import Settings
from platemark.model.units import parse_full_size

PART = size_key(SIZE)
FEW = replace(HERONS, total=5, proofs=1, given=(GivenBefore("", "print", 2, "destroyed"),))
APART = replace(BY_SIZE, sizes=(EditionSize(SIZE, 4, 1), EditionSize(parse_full_size("8x10in"), 3)))


class Life:
    """An edition's record, and everything that may happen to it."""

    def __init__(self, path: Path, edition: Edition, seed: int) -> None:
        self.ledger = Ledger(path, lambda: datetime(2026, 5, 1, tzinfo=UTC))
        self.edition, self.chance = edition, random.Random(seed)
        self.settings = Settings(None, (), (), "", (edition,))  # type: ignore[arg-type]
        self.jobs: dict[int, str] = {}

    def say(self, kind: str, body: dict[str, Any], job: int | None = None) -> None:
        """An entry."""
        with self.ledger.transaction() as transaction:
            transaction.append(kind, body, job=job)

    def rows(self) -> list[Numbered]:
        """Every number that is given."""
        return rows_of(Editions(self.ledger.read), self.edition)

    def ask(self, job: int) -> None:
        """Examine a job that asks for something, as the engine does."""
        size = self.chance.choice(self.edition.sizes).size
        gone = [row.number for row in self.rows() if row.state == "destroyed"]
        words = {"size": str(size), "edition": "herons", "copies": str(self.chance.choice((1, 2)))}
        if self.chance.random() < 0.2:
            words["edition_kind"] = "proof"
        if gone and self.chance.random() < 0.5:
            words |= {"replaces": str(self.chance.choice(gone)), "copies": "1"}
        seen = known(resolved=asked(**words))
        standing = standing_of(self.ledger.read, self.settings, seen, "ab" * 32, job=job)
        assert standing is not None
        if not standing.numbers:
            self.say("held", {"state": "held"}, job)
            self.jobs[job] = "held"
            return
        assert len(standing.numbers) == int(words["copies"])
        body = recorded(replace(seen, editions=standing), "00" * 8)
        self.say("examined", {"state": "examined", **body}, job)
        self.jobs[job] = "examined"

    def drop(self) -> None:
        """One more picture of the edition."""
        job = len(self.jobs) + 1
        drop = {
            "surface_folder": "rag", "path_hex": "00", "size": 1, "mtime_ns": 1, "inode": job,
            "device": 1,
        }  # fmt: skip
        original = {"sha256": "ab" * 32}
        said = {"state": "claimed", "name": "a.tif", "drop": drop, "sidecar_hex": None}
        self.say("claimed", {**said, "original": original}, job)
        self.ask(job)

    def again(self) -> None:
        """A job that waits, or is in no parcel yet, is examined once more."""
        if jobs := [job for job, state in self.jobs.items() if state in ("examined", "held")]:
            self.ask(self.chance.choice(jobs))

    def withdraw(self) -> None:
        """One of the jobs is taken back."""
        if jobs := [job for job, state in self.jobs.items() if state != "withdrawn"]:
            job = self.chance.choice(jobs)
            self.say("withdrawn", {"state": "withdrawn"}, job)
            self.jobs[job] = "withdrawn"

    def close(self) -> None:
        """Some that are ready go into a parcel."""
        ready = [job for job, state in self.jobs.items() if state == "examined"][:2]
        self.say("parcel-closed", {"parcel": "l-000001", "jobs": ready})
        self.jobs |= dict.fromkeys(ready, "parcelled")

    def say_of_one(self) -> None:
        """Somebody says what became of a number."""
        kind, fits = self.chance.choice(
            ((SOLD, ("printed",)), (DESTROYED, ("printed", "sold")), (VOID, ("printed",)))
        )
        if rows := [row for row in self.rows() if row.state in fits]:
            row = self.chance.choice(rows)
            said = {"part": row.part, "of_kind": row.kind, "number": row.number}
            self.say(kind, {"edition": "herons", **said})

    def holds(self) -> None:
        """What must be so after every step."""
        rows = self.rows()
        places = [(row.part, row.kind, row.number) for row in rows]
        assert len(places) == len(set(places))
        for part, kind, number in places:
            assert 1 <= number <= self.edition.of(part, kind)
        for row in rows:
            if row.state == "reserved":
                assert row.job is not None
                # Held again, a job keeps what it had until it is examined or withdrawn.
                assert self.jobs[row.job] in ("examined", "held")
        assert promised_otherwise(Editions(self.ledger.read), self.edition) == ""


@pytest.mark.parametrize("edition", [FEW, APART], ids=["together", "each-size"])
@pytest.mark.parametrize("seed", range(4))
def test_it_is_never_exceeded(tmp_path: Path, edition: Edition, seed: int) -> None:
    """After every step each number has at most one print, and no number is beyond the total."""
    life = Life(tmp_path / "ledger.sqlite3", edition, seed)
    steps = (life.drop, life.drop, life.drop, life.again, life.withdraw, life.close,
             life.say_of_one)  # fmt: skip
    for _ in range(40):
        life.chance.choice(steps)()
        life.holds()
    assert list(find_faults_beside(life.ledger.read)) == []
    life.ledger.close()


def test_what_a_record_promises_is_held_against_the_file(tmp_path: Path) -> None:
    """Once a number is given, another total or another way to count differs from the record."""
    life = Life(tmp_path / "ledger.sqlite3", HERONS, 1)
    life.drop()
    ledger = Editions(life.ledger.read)
    assert promised_otherwise(ledger, HERONS) == ""
    assert "as of 25 prints" in promised_otherwise(ledger, replace(HERONS, total=26))
    assert "artist’s proofs" in promised_otherwise(ledger, replace(HERONS, proofs=3))
    assert "counted together" in promised_otherwise(ledger, BY_SIZE)
    assert PART == "406.4x508mm"
    life.ledger.close()
