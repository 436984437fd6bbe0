"""Short ways for a check to answer."""

from __future__ import annotations

from platemark.model.finding import Acceptor, Finding


def stop(
    code: str,
    accept: Acceptor,
    message: str,
    then: str,
    *,
    figures: dict[str, str] | None = None,
    choices: tuple[str, ...] = (),
) -> Finding:
    """A finding that a person must decide."""
    return Finding(
        code, "stop", message, then, accept, tuple(sorted((figures or {}).items())), choices
    )


def caution(
    code: str, message: str, then: str = "", *, figures: dict[str, str] | None = None
) -> Finding:
    """A finding that travels on the ticket."""
    return Finding(
        code, "caution", message, then, "assistant", tuple(sorted((figures or {}).items()))
    )
