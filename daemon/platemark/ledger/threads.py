"""Questions to the record about how prints hang together, and what was said of them since."""

from __future__ import annotations

from dataclasses import dataclass

from platemark.ledger.read import Reader

REPRINT_OF, REMAKE_OF = "reprint-of", "remake-of"
MOST_JOBS = 200
"""Jobs of one thread that are looked for; a picture that sells better has more than one thread."""


@dataclass(frozen=True, slots=True)
class Link:
    """How one job hangs together with another."""

    job: int
    other: int
    kind: str
    """`part-of`, `approved-by`, `reprint-of` or `remake-of`."""


@dataclass(frozen=True, slots=True)
class Unanswered:
    """What a lab said of a job last, where somebody must do something about it."""

    job: int
    seq: int
    says: str
    """`question` or `refused`."""


class Threads:
    """What the record says of threads."""

    def __init__(self, reader: Reader) -> None:
        self._reader = reader

    def links(self, job: int) -> list[Link]:
        """Every link that a job is at one end of, by number."""
        rows = self._reader.ask(
            "links",
            "SELECT job, other, kind FROM links WHERE job = ?1 UNION"
            f" SELECT job, other, kind FROM links WHERE other = ?1 ORDER BY 1, 3 LIMIT {MOST_JOBS}",
            job,
        )
        return [Link(*row) for row in rows]

    def link(self, job: int, *kinds: str) -> Link | None:
        """The first link of these kinds that leads from a job to an earlier one."""
        return next(
            (each for each in self.links(job) if each.job == job and each.kind in kinds), None
        )

    def jobs(self, job: int) -> list[int]:
        """The jobs that hang together with one, it among them, by number; `MOST_JOBS` at most."""
        found, ahead = {job}, [job]
        while ahead and len(found) < MOST_JOBS:
            at = ahead.pop()
            for link in self.links(at):
                fresh = {link.job, link.other} - found
                found |= fresh
                ahead += fresh
        return sorted(found)[:MOST_JOBS]

    def failed(self, job: int) -> bool:
        """Whether the newest print of a job that came back failed."""
        rows = self._reader.ask(
            "returns", "SELECT passed FROM returns WHERE job = ? ORDER BY seq DESC LIMIT 1", job
        )
        return bool(rows) and not rows[0][0]

    def unanswered(self) -> list[Unanswered]:
        """Jobs of which their lab asked something last, or which it refused, by number.

        One that was called back, or ordered again, since has been seen to.
        """
        rows = self._reader.ask(
            "lab_answers",
            "SELECT job, seq, says FROM lab_answers a WHERE says IN ('question', 'refused')"
            " AND NOT EXISTS (SELECT 1 FROM recalls r WHERE r.job = a.job)"
            " AND NOT EXISTS (SELECT 1 FROM links l WHERE l.other = a.job AND l.seq > a.seq"
            " AND l.kind IN ('reprint-of', 'remake-of')) ORDER BY job",
        )
        return [Unanswered(*row) for row in rows]

    def to_remake(self) -> list[int]:
        """Jobs whose newest print to come back failed, and that were not ordered again since."""
        rows = self._reader.ask(
            "returns",
            "SELECT r.job FROM returns r WHERE r.passed = 0"
            " AND NOT EXISTS (SELECT 1 FROM returns s WHERE s.job = r.job AND s.seq > r.seq)"
            " AND NOT EXISTS (SELECT 1 FROM links l WHERE l.other = r.job AND l.seq > r.seq"
            " AND l.kind IN ('reprint-of', 'remake-of')) ORDER BY r.job",
        )
        return [int(row[0]) for row in rows]
