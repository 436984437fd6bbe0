"""Between what a file says and what the checks ask: the picture, measured as it is laid out."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import structlog

from platemark import durable
from platemark.checks import run_checks
from platemark.engine.workshop import space_hashes
from platemark.imaging.child import Children
from platemark.model.known import Known
from platemark.model.measures import Measures
from platemark.model.picture import Facts
from platemark.model.plain import digest, to_plain
from platemark.model.planning import measuring_of
from platemark.model.testing import strip_px
from platemark.model.work import ChildLimits, Failure, MeasureReport, MeasureTask


@dataclass(frozen=True, slots=True)
class Measured:
    """A picture that was read and then measured, as far as it can be."""

    facts: Facts
    measures: Measures | None
    of: str
    """Digest of what was measured; see `digest_of`."""
    proof: Path | None = None
    """The proof sheet, synced and not yet in the archive; None where none was asked for."""
    proof_sha256: str = ""
    likeness: str = ""
    """What the picture is known by; empty where that was not asked for."""


def task_for(known: Known, original: Path, profiles: Path) -> MeasureTask | None:
    """What is to be measured of a picture.

    Args:
        known: What is known of it so far.
        original: Where it lies.
        profiles: The folder of the labs' profiles.

    Returns:
        The task; None where the layout is not settled, or a stop that nobody may accept is open.
    """
    if any(each.severity == "stop" and each.accept == "never" for each in run_checks(known)):
        return None
    measuring = measuring_of(known, space_hashes(), strip_px(known))
    if measuring is None:
        return None
    files: tuple[tuple[str, str], ...] = ()
    if known.product is not None and known.product.profile is not None:
        path = profiles / known.product.profile.file
        files = ((measuring.output_profile_sha256, str(path)),)
    return MeasureTask(str(original), measuring, files)


def digest_of(task: MeasureTask | None) -> str:
    """SHA-256 of all that a picture's measures depend on besides its bytes; empty for no task.

    Without places to be found it is what it was before there were tests of several prints.
    """
    if task is None:
        return ""
    plain = to_plain(task.measuring)
    if task.measuring.places_px == (0, 0):
        del plain["places_px"]
    return digest(plain)


def measure(
    children: Children, facts: Facts, task: MeasureTask, limits: ChildLimits
) -> Measured | Failure:
    """Measure a picture in a child process.

    One that cannot be worked on as it is laid out has no measures; what is wrong with it, the
    checks and the renderer tell.
    """
    outcome = children.run(task, limits)
    if isinstance(outcome, MeasureReport):
        proof = Path(task.proof) if task.proof else None
        sha256 = durable.sync_and_hash(proof) if proof is not None else ""
        return Measured(facts, outcome.measures, digest_of(task), proof, sha256, outcome.likeness)
    if not isinstance(outcome, Failure):
        raise TypeError(type(outcome).__name__)
    if outcome.kind == "picture":
        structlog.get_logger().warning("not-measured", path=task.original, why=outcome.sentence)
        return Measured(facts, None, digest_of(task))
    return outcome
