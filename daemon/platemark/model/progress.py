"""How far long work is, for whoever watches it."""

from __future__ import annotations

from collections.abc import Callable

Watch = Callable[[str, int, int], None]
"""Told what is being done, how much of it is done, and of how much; 0 where nobody knows."""


def unwatched(what: str, done: int, total: int) -> None:
    """What long work tells where nobody watches."""
