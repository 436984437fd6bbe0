"""How the status page is reached."""

from __future__ import annotations

import ipaddress
from dataclasses import dataclass

LOOPBACK_NAMES = ("localhost", "127.0.0.1", "::1")
"""Names under which a computer calls itself."""


@dataclass(frozen=True, slots=True)
class Page:
    """Where the status page answers, and to which names."""

    on: bool = False
    """Whether `run` keeps one beside it."""
    host: str = "127.0.0.1"
    """An address of this computer, or a name of it."""
    port: int = 8471
    hosts: tuple[str, ...] = ()
    """Further names that a browser may call it by."""

    @property
    def is_here_only(self) -> bool:
        """Whether nobody but this computer can reach it.

        A further name is one that others call it by, through a server before it on this computer.
        """
        return all(map(is_loopback, (self.host, *self.hosts)))

    @property
    def names(self) -> frozenset[str]:
        """Every name that a request may call the page by, in small letters."""
        bound = () if is_any_address(self.host) else (self.host,)
        return frozenset(name.casefold() for name in (*LOOPBACK_NAMES, *bound, *self.hosts))


def is_loopback(host: str) -> bool:
    """Whether a name or address leads to this very computer and from nowhere else."""
    if host.casefold() == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def is_any_address(host: str) -> bool:
    """Whether it stands for every address of this computer: `0.0.0.0` and `::`."""
    try:
        return ipaddress.ip_address(host).is_unspecified
    except ValueError:
        return False
