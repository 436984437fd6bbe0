"""Wakes the service now and then, and at the very moment of the next event of its schedule."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import Any

from apscheduler.schedulers.background import BackgroundScheduler

from platemark.engine.schedule import Event, coming
from platemark.model.studio import Settings

TICK_S = 30.0
"""Waits after failures and retries are looked at this often, and a clock that jumped is noticed."""


class Alarm:
    """Calls `wake` from a thread of its own."""

    def __init__(self, settings: Settings, wake: Callable[[], None], most_s: float = 0.0) -> None:
        """Make ready; nothing is called yet.

        Args:
            settings: The studio's.
            wake: To be called.
            most_s: The longest pause between two calls, where it is to be shorter; 0 is none.
        """
        self._settings = settings
        self._wake = wake
        self._tick_s = min(TICK_S, most_s) if most_s else TICK_S
        self._scheduler: Any = BackgroundScheduler(timezone=settings.studio.time_zone)
        self.next: Event | None = None
        """What comes next."""

    def start(self) -> None:
        """Begin."""
        self._scheduler.add_job(
            self._wake,
            "interval",
            seconds=self._tick_s,
            coalesce=True,
            max_instances=1,
            misfire_grace_time=None,
        )
        self._scheduler.start()

    def look(self, now: datetime) -> None:
        """Be set for the next event after a moment; to be called after each turn."""
        if self.next is not None and now < self.next.at:
            return
        self.next = next(coming(self._settings, now), None)
        if self.next is not None:
            self._scheduler.add_job(
                self._wake,
                "date",
                run_date=self.next.at,
                id="next",
                replace_existing=True,
                misfire_grace_time=None,
            )

    def stop(self) -> None:
        """End, at once."""
        self._scheduler.shutdown(wait=False)
