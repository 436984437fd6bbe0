"""How much may be asked: a bucket for each caller and one for all, that fill by the second.

The page runs beside the preparation of pictures, so what a flood may cost is bounded before any of
it is looked at.
"""

from __future__ import annotations

import time
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass

MOST_CALLERS = 1024


@dataclass(frozen=True, slots=True)
class Rate:
    """What may be asked: so much at once, and so much more with each second."""

    burst: float
    a_second: float


CALLER = Rate(200, 6)
"""A view with its pictures is some two dozen; an open page asks once in two seconds."""
EVERYBODY = Rate(400, 10)
ENTERING = Rate(5, 0.1)
"""Tokens that may be tried."""


class Bucket:
    """One that is emptied by asking."""

    def __init__(self, rate: Rate, clock: Callable[[], float]) -> None:
        """A full one."""
        self._rate = rate
        self._clock = clock
        self._left = rate.burst
        self._at = clock()

    def takes(self, cost: float) -> bool:
        """Take so much out, where there is so much; else nothing."""
        now = self._clock()
        filled = self._left + (now - self._at) * self._rate.a_second
        self._left, self._at = min(self._rate.burst, filled), now
        if self._left < cost:
            return False
        self._left -= cost
        return True


class Rates:
    """A bucket for each caller, the least recent forgotten first, and one for all together."""

    def __init__(
        self, each: Rate, everybody: Rate, clock: Callable[[], float] = time.monotonic
    ) -> None:
        """Nobody has asked yet."""
        self._each = each
        self._clock = clock
        self._all = Bucket(everybody, clock)
        self._callers: OrderedDict[str, Bucket] = OrderedDict()

    def allows(self, caller: str, cost: float = 1) -> bool:
        """Whether a caller may ask for that much now."""
        bucket = self._callers.pop(caller, None) or Bucket(self._each, self._clock)
        self._callers[caller] = bucket
        if len(self._callers) > MOST_CALLERS:
            self._callers.popitem(last=False)
        return bucket.takes(cost) and self._all.takes(cost)
