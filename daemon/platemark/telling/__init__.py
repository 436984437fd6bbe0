"""Tells people beside the studio's folder: by mail, and by channels.

Whatever is told may hang for ever, so it is called from a thread that nothing waits for. What comes
of it is a word of `Outcome`, never what the other end said: that may hold names and addresses.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Literal

__all__ = ["SENTENCES", "Message", "Outcome", "Told"]

Outcome = Literal[
    "sent", "partly", "refused", "login", "unencrypted", "certificate", "unreachable", "unknown",
    "silent", "credentials", "our-fault",
]  # fmt: skip

SENTENCES: dict[Outcome, str] = {
    "sent": "it was sent",
    "partly": "it was sent to some of the addresses only",
    "refused": "the other end refused it",
    "login": "the other end refused the name or the password",
    "unencrypted": "the other end offers no encryption at that port, and nothing is sent without",
    "certificate": "the other end could not prove who it is (its certificate)",
    "unreachable": "the other end cannot be reached",
    "unknown": "the address of the channel is of no known kind",
    "silent": "the other end does not answer",
    "credentials": "the names and passwords for it could not be used",
    "our-fault": "Platemark made a mistake",
}
"""What each outcome means, for people."""


@dataclass(frozen=True, slots=True)
class Message:
    """What is told."""

    subject: str
    text: str
    html: str
    short: str
    """For channels: without anybody's personal words."""
    ident: str
    """The same however often it is tried, so that a mail program knows it again."""
    at: datetime


@dataclass(frozen=True, slots=True)
class Told:
    """What came of telling."""

    outcome: Outcome
    code: int | None = None
    """The number that a mail server answered with."""
    left: tuple[str, ...] = ()
    """Addresses that did not get it, and may yet."""
