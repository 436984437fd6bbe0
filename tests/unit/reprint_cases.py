"""A print as it was planned then and would be planned now, for the checks of reprints."""

from dataclasses import replace
from fractions import Fraction
from typing import Any

from given import known

from platemark.engine.workshop import space_hashes
from platemark.model.plan import Plan
from platemark.model.planning import make_plan
from platemark.model.reprint import Compared, Printed, Reprint

PLAN: Plan = make_plan(known(), "ab" * 32, space_hashes())
THEN = Printed("brindlewick", "smooth-rag", "Smooth Cotton Rag 310", PLAN)
OTHER_INTENT = replace(
    THEN, plan=replace(PLAN, intent="perceptual", black_point_compensation=False)
)
FOUND = Compared("1.20", "3.45", "12.3", absolute=True)


def again(now: Printed | None = THEN, **changes: Any) -> dict[str, Any]:
    """A reprint of job 12."""
    return {"reprint": replace(Reprint(12, "sold-again", THEN, now), **changes)}


REPRINT_STOPS: list[tuple[str, dict[str, Any], dict[str, Any]]] = [
    ("reprint-differs", again(OTHER_INTENT, compared=FOUND), again()),
    ("reprint-differs", again(OTHER_INTENT, not_compared="They have not one shape."), again(None)),
    ("reprint-differs", again(recalled=True), again()),
    (
        "reprint-differs",
        again(replace(THEN, plan=replace(PLAN, ppi=PLAN.ppi + Fraction(1)))),
        again(replace(THEN, plan=replace(PLAN, dither_seed=PLAN.dither_seed + 1))),
    ),
    ("reprint-differs", again(first=replace(THEN, plan=None)), again()),
]
