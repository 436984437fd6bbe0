"""What the studio's own decisions say of the thresholds in its surface files; it changes none.

A case is one finding of one job, told by what became of the job. A stop was let through where its
figures were accepted, by a decision or beforehand, and the print was sent. A caution was let
through where the print was sent with it. Either was answered where the job was withdrawn or another
file took its place, where an answer made the finding go away, or, where it is about
tones, where the photographer then settled an adjustment of the picture. What is still under way
counts for nothing.

A number is proposed where enough cases were let through and none was answered: so far beyond the
furthest figure that was let through as to leave room for the next like it, and no further than the
trade's own floor, or than where the surface's own stop begins.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from decimal import ROUND_CEILING, ROUND_FLOOR, Decimal
from typing import Any, Final, Literal

from platemark.checks.size_ppi import LOWEST_BY_DISTANCE
from platemark.ledger.chain import Entry
from platemark.model.finding import Severity
from platemark.model.surface import Surface

ENOUGH: Final = 8
"""Cases from which on a number is proposed."""
_ROOM: Final = Decimal("0.05")
"""Of the furthest figure, by which a proposal goes beyond it."""
_NUMBER: Final = re.compile(r"-?\d+(?:\.\d+)?")
_SENT: Final = ("parcelled", "delivered")

_OF_TONES: Final = frozenset(
    (
        "suit-bare-white", "suit-blown", "suit-colour", "suit-dark-on-metal", "suit-flat",
        "suit-low-key", "suit-neutral", "suit-shadows", "suit-skin", "suit-tone", "suit-white-edge",
    )
)  # fmt: skip
"""Findings that an adjustment of tones can be the answer to."""

Outcome = Literal["let through", "answered", "under way"]
Key = tuple[str, Severity]


@dataclass(frozen=True, slots=True)
class Knob:
    """A threshold: where it is written, and which figure of which finding it is held against."""

    code: str
    severity: Severity
    figure: str
    section: Literal["suits", "ppi"]
    key: str
    fires: Literal["above", "below"]
    """On which side of the threshold the finding is made."""
    floor: Decimal | None = None
    """As far as the trade would let it go, whatever was accepted."""
    not_past: str = ""
    """Key of the stop beside it, which it must not pass."""

    def value(self, surface: Surface) -> Decimal | None:
        """What it is on a surface; None where it is off."""
        found = getattr(surface.suits if self.section == "suits" else surface.ppi, self.key)
        return Decimal(found) if found is not None else None


KNOBS: Final = (
    Knob("size-too-few-pixels", "caution", "ppi", "ppi", "caution", "below", not_past="stop"),
    Knob("size-too-few-pixels", "stop", "ppi", "ppi", "stop", "below",
         floor=Decimal(LOWEST_BY_DISTANCE)),
    Knob("suit-bare-white", "caution", "white", "suits", "white_percent", "above",
         not_past="white_stop_percent"),
    # 15 % is where the trade itself stops.
    Knob("suit-bare-white", "stop", "white", "suits", "white_stop_percent", "above",
         floor=Decimal(15)),
    Knob("suit-blown", "caution", "patch", "suits", "blown_patch_percent", "above"),
    Knob("suit-busy-wrap", "caution", "times", "suits", "busy_wrap", "above"),
    Knob("suit-colour", "caution", "lost", "suits", "gamut_loss_percent", "above"),
    Knob("suit-colour", "caution", "chroma", "suits", "chroma", "above"),
    Knob("suit-dark-on-metal", "caution", "median", "suits", "dark_median_l", "below"),
    Knob("suit-fine-detail", "caution", "fine", "suits", "fine_detail_percent", "above"),
    Knob("suit-flat", "caution", "span", "suits", "flat_l", "below"),
    Knob("suit-grain", "caution", "grain", "suits", "grain", "above"),
    Knob("suit-low-key", "caution", "median", "suits", "low_key_median_l", "below"),
    Knob("suit-mirrored-lines", "caution", "lines", "suits", "mirrored_lines", "above"),
    Knob("suit-neutral", "caution", "chroma", "suits", "neutral_chroma", "above"),
    Knob("suit-shadows", "caution", "shadows", "suits", "shadow_percent", "above"),
    Knob("suit-sharpened", "caution", "rim", "suits", "halo", "above"),
    Knob("suit-skin", "caution", "shift", "suits", "skin_shift", "above"),
    Knob("suit-skin", "caution", "skin", "suits", "skin_percent", "above"),
    Knob("suit-soft", "caution", "bite", "suits", "soft_gradient", "below"),
    Knob("suit-steps", "caution", "missing", "suits", "empty_levels_percent", "above"),
    Knob("suit-steps", "caution", "bands", "suits", "plateau_percent", "above"),
    Knob("suit-tone", "caution", "turn", "suits", "hue_turn", "above"),
    Knob("suit-white-edge", "caution", "rim", "suits", "white_edge_percent", "above"),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Case:
    """One finding of one job, and what became of it."""

    surface: str
    code: str
    severity: Severity
    figures: tuple[tuple[str, str], ...]
    outcome: Outcome


@dataclass(frozen=True, slots=True)
class Advice:
    """What the cases of one threshold of one surface say."""

    surface: str
    knob: Knob
    now: Decimal
    fired: int
    let_through: int
    answered: int
    under_way: int
    lowest: Decimal | None
    """Of the figures that were let through."""
    highest: Decimal | None
    proposed: Decimal | None
    why: str
    """What it comes to, in a sentence."""

    @property
    def is_too_early(self) -> bool:
        """Whether too few cases were let through, and none was answered, to say anything."""
        return not self.answered and self.let_through < ENOUGH

    @property
    def line(self) -> str:
        """What to write, and where; empty where nothing is proposed."""
        if self.proposed is None:
            return ""
        file, knob = f"surfaces/{self.surface}.toml", self.knob
        return f"{file}, [{knob.section}]: {knob.key} = {self.proposed}"


@dataclass(slots=True)
class _Job:
    """What is known of a job while its entries are read."""

    surface: str
    found: dict[Key, tuple[tuple[str, str], ...]] = field(default_factory=dict)
    accepted: frozenset[str] = frozenset()
    gone: dict[Key, tuple[tuple[str, str], ...]] = field(default_factory=dict)
    """Findings that were answered: the request or the picture was changed."""
    was_asked: bool = False
    """A person changed the request since it was last examined."""
    state: str = "claimed"


def cases_of(entries: Iterable[Entry]) -> tuple[Case, ...]:
    """Read the record, in order, and tell what became of every finding that has a threshold."""
    jobs: dict[int, _Job] = {}
    for entry in entries:
        if entry.job is None:
            continue
        if entry.kind == "claimed":
            body = entry.body
            jobs[entry.job] = _Job(body.get("surface", body["drop"]["surface_folder"]))
        elif entry.job in jobs:
            _follow(jobs[entry.job], entry)
    return tuple(case for number in sorted(jobs) for case in _cases(jobs[number]))


def advise(cases: Sequence[Case], surfaces: Sequence[Surface]) -> tuple[Advice, ...]:
    """Say for each threshold that ever spoke what the studio did with it.

    Cases that the threshold as it is now would not make any more are left out.
    """
    found = []
    for surface in surfaces:
        for knob in KNOBS:
            now = knob.value(surface)
            if now is not None and (fired := _of(cases, surface, knob, now)):
                found.append(_advice(surface, knob, now, fired))
    return tuple(found)


def _follow(job: _Job, entry: Entry) -> None:
    body = entry.body
    if entry.kind in ("examined", "held"):
        now = _findings(body)
        if job.was_asked and "facts" in body:
            job.gone |= {key: figures for key, figures in job.found.items() if key not in now}
        job.was_asked = False
        job.found = now
        job.accepted = frozenset(each["code"] for each in body.get("accepted", []))
    elif entry.kind in ("decided", "asked-anew"):
        job.was_asked = entry.kind == "asked-anew" or bool(body.get("settings"))
    elif entry.kind == "picture-settled" and body.get("adjust") is not None:
        job.gone |= {key: said for key, said in job.found.items() if key[0] in _OF_TONES}
    state = body.get("state")
    if isinstance(state, str):
        job.state = state


_TUNABLE: Final = frozenset((knob.code, knob.severity) for knob in KNOBS)


def _findings(body: Mapping[str, Any]) -> dict[Key, tuple[tuple[str, str], ...]]:
    return {
        key: tuple((name, value) for name, value in finding.get("figures", ()))
        for finding in body.get("findings", [])
        if (key := (finding["code"], finding["severity"])) in _TUNABLE
    }


def _cases(job: _Job) -> Iterator[Case]:
    for (code, severity), figures in job.gone.items():
        yield Case(job.surface, code, severity, figures, "answered")
    for key, figures in job.found.items():
        if key in job.gone:
            continue
        code, severity = key
        outcome: Outcome = "under way"
        if job.state == "withdrawn":
            outcome = "answered"
        elif job.state in _SENT and (severity == "caution" or code in job.accepted):
            outcome = "let through"
        yield Case(job.surface, code, severity, figures, outcome)


def _of(
    cases: Sequence[Case], surface: Surface, knob: Knob, now: Decimal
) -> list[tuple[Decimal, Outcome]]:
    """Figures and outcomes of the cases that a threshold would still make."""
    found = []
    for case in cases:
        if (case.surface, case.code, case.severity) != (surface.id, knob.code, knob.severity):
            continue
        match = _NUMBER.search(dict(case.figures).get(knob.figure, ""))
        if match is None:
            continue
        figure = Decimal(match[0])
        # Figures are rounded, so one that stands on the threshold was beyond it.
        if figure >= now if knob.fires == "above" else figure <= now:
            found.append((figure, case.outcome))
    return found


def _advice(
    surface: Surface, knob: Knob, now: Decimal, fired: Sequence[tuple[Decimal, Outcome]]
) -> Advice:
    through = sorted(figure for figure, outcome in fired if outcome == "let through")
    answered = sum(outcome == "answered" for _, outcome in fired)
    proposed, why = None, ""
    if answered:
        why = "Not always let through: it does its work, so leave it."
    elif len(through) < ENOUGH:
        why = f"Not enough yet ({len(through)} of {ENOUGH})."
    else:
        proposed = _proposed(surface, knob, now, through)
        why = (
            "Always let through."
            if proposed is not None
            else "Always let through, but it is already as far as it may go."
        )
    return Advice(
        surface=surface.id,
        knob=knob,
        now=now,
        fired=len(fired),
        let_through=len(through),
        answered=answered,
        under_way=len(fired) - len(through) - answered,
        lowest=through[0] if through else None,
        highest=through[-1] if through else None,
        proposed=proposed,
        why=why,
    )


def _proposed(
    surface: Surface, knob: Knob, now: Decimal, through: Sequence[Decimal]
) -> Decimal | None:
    """A little beyond the furthest figure that was let through; None where that is not allowed."""
    is_above = knob.fires == "above"
    furthest = through[-1] if is_above else through[0]
    wanted = furthest * (1 + _ROOM if is_above else 1 - _ROOM)
    step = Decimal(1) if abs(wanted) >= 10 or knob.section == "ppi" else Decimal("0.1")
    wanted = wanted.quantize(step, ROUND_CEILING if is_above else ROUND_FLOOR)
    bounds = [bound for bound in (knob.floor, _stop_beside(surface, knob)) if bound is not None]
    wanted = min([wanted, *bounds]) if is_above else max([wanted, *bounds])
    further = wanted > now if is_above else wanted < now
    return wanted if further else None


def _stop_beside(surface: Surface, knob: Knob) -> Decimal | None:
    if not knob.not_past:
        return None
    found = getattr(surface.suits if knob.section == "suits" else surface.ppi, knob.not_past)
    return Decimal(found) if found is not None else None
