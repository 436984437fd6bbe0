"""The time, as a port: the system's clock, or one that a test turns."""

from __future__ import annotations

import time
from datetime import UTC, datetime
from typing import Protocol


class Clock(Protocol):
    """What the engine asks of a clock."""

    def now(self) -> datetime:
        """The moment, in UTC."""
        ...

    def monotonic(self) -> float:
        """Seconds that only go forward, for waits."""
        ...


class SystemClock:
    """The system's clock."""

    def now(self) -> datetime:
        """The moment, in UTC."""
        return datetime.now(UTC)

    def monotonic(self) -> float:
        """Seconds that only go forward."""
        return time.monotonic()
