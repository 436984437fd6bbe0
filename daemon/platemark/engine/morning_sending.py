"""Sends the morning digest besides: in threads that nothing waits for, tried again with pauses.

Each way (mail, or one of the channels) is tried by itself. What came of each try is recorded by the
service's own thread, as a word of ours: no address, no password, nothing that the other end said.
A service that is stopped goes on where the record says that it was.
"""

from __future__ import annotations

import hashlib
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

import structlog

from platemark.engine.digest_pages import digest_html, digest_short, digest_text, title
from platemark.engine.morning_files import read_digest
from platemark.engine.workshop import Workshop
from platemark.ledger.chain import Entry
from platemark.ledger.mornings import TOLD, Mornings
from platemark.model.errors import CredentialsRefused
from platemark.model.morning import Digest, Mail
from platemark.model.notice import WaitingLine
from platemark.model.studio import Settings
from platemark.telling import SENTENCES, Message, Outcome, Told
from platemark.telling.channels import tell_channel
from platemark.telling.credentials import Credentials, read_credentials
from platemark.telling.mail import send_mail

PAUSES_S = (60.0, 300.0, 900.0, 3600.0, 10800.0)
"""After each try that failed; one more try follows each."""
LOGIN_TRIES = 2
"""A server may close an account of which a wrong password is tried too often."""
PATIENCE_S = 600.0
"""A try that has not come back by then counts as silent; its thread is left to itself."""
CREDENTIALS_WAY = "credentials"


@dataclass(slots=True)
class _Try:
    """One try under way."""

    number: int
    started: float
    """By a clock that nobody sets."""
    done: threading.Event = field(default_factory=threading.Event)
    told: Told = field(default_factory=lambda: Told("our-fault"))

    def run(self, action: Callable[[], Told], wake: Callable[[], None]) -> None:
        """Try; whatever comes of it is kept for the service's own thread."""
        try:
            self.told = action()
        except Exception as error:
            # Its words may hold an address; its kind does not.
            structlog.get_logger().error("morning-try-broke", kind=type(error).__name__)
        self.done.set()
        wake()


@dataclass(slots=True)
class _Way:
    """One way to tell, and how far it is with one digest."""

    tries: int = 0
    not_before: float = 0.0
    is_over: bool = False
    outcome: Outcome = "sent"
    left: tuple[str, ...] = ()
    out: _Try | None = None


class Sending:
    """Sends one digest at a time; a newer one takes its place."""

    def __init__(self, workshop: Workshop) -> None:
        self._workshop = workshop
        self._of: Entry | None = None
        self._ways: dict[str, _Way] = {}
        self._is_new = False
        """Whether ways that are on no record yet may be wanting."""

    def begin(self, written: Entry) -> None:
        """Take up the digest of an entry, with the tries that are on record already."""
        self._of = written
        self._ways, self._is_new = {}, True
        for entry in Mornings(self._workshop.ledger.read).told(written.seq):
            body = entry.body
            way = self._ways.setdefault(body["way"], _Way())
            way.tries, way.outcome = body["tries"], body["outcome"]
            way.is_over = bool(body["last"])

    def tend(self, wake: Callable[[], None]) -> None:
        """Record what tries came to, and begin those that are due."""
        if self._of is None:
            return
        for name, way in self._ways.items():
            self._collect(name, way)
        if not self._workshop.settings.studio.morning.send or self._rests():
            return
        root = self._workshop.folders.root
        # Anew, because words may have been erased from it since.
        digest = read_digest(root, self._of.body["local_date"])
        if digest is None:
            return
        try:
            actions = ways_of(self._workshop.settings, root, message_of(digest, self._workshop))
        except CredentialsRefused as refused:
            self._refused(refused)
            return
        self._ways.pop(CREDENTIALS_WAY, None)
        self._is_new = False
        now = self._workshop.clock.monotonic()
        for name, action in actions.items():
            way = self._ways.setdefault(name, _Way())
            if way.out is None and not way.is_over and way.not_before <= now:
                self._start(way, partial(action, way.left), wake)

    @property
    def is_at_work(self) -> bool:
        """Whether a try is under way."""
        return any(way.out is not None for way in self._ways.values())

    def lines(self) -> list[WaitingLine]:
        """What WAITING.txt says of a digest that could not be sent."""
        return [
            WaitingLine(
                None,
                "the morning digest",
                "",
                f"It could not be sent ({name}): {SENTENCES[way.outcome]}.",
                "It lies in the studio as MORNING.html. "
                + ("Ask `platemark doctor`." if way.is_over else "It is tried again."),
            )
            for name, way in self._ways.items()
            if way.tries and way.outcome != "sent"
        ]

    # -- trying ------------------------------------------------------------------------------

    def _rests(self) -> bool:
        """Whether nothing is due: credentials are read only when something is to be sent."""
        now = self._workshop.clock.monotonic()
        return not self._is_new and all(
            way.is_over or way.out is not None or way.not_before > now
            for way in self._ways.values()
        )

    def _start(self, way: _Way, action: Callable[[], Told], wake: Callable[[], None]) -> None:
        way.out = _Try(way.tries + 1, time.monotonic())
        thread = threading.Thread(
            target=way.out.run, args=(action, wake), name="morning", daemon=True
        )
        try:
            thread.start()
        except RuntimeError:
            way.out.done.set()

    def _collect(self, name: str, way: _Way) -> None:
        if way.out is None:
            return
        if way.out.done.is_set():
            self._record(name, way, way.out.told)
        elif time.monotonic() - way.out.started > PATIENCE_S:
            self._record(name, way, Told("silent"))

    def _refused(self, refused: CredentialsRefused) -> None:
        self._is_new = False
        structlog.get_logger().error("credentials-refused", why=refused.sentence)
        way = self._ways.setdefault(CREDENTIALS_WAY, _Way())
        self._record(CREDENTIALS_WAY, way, Told("credentials"))

    def _record(self, name: str, way: _Way, told: Told) -> None:
        way.tries, way.out, way.outcome = way.tries + 1, None, told.outcome
        way.left = told.left
        gives_up = way.tries > len(PAUSES_S) or (
            told.outcome == "login" and way.tries >= LOGIN_TRIES
        )
        way.is_over = told.outcome == "sent" or gives_up
        if not way.is_over:
            way.not_before = self._workshop.clock.monotonic() + PAUSES_S[way.tries - 1]
        if self._of is None:
            return
        body = {
            "of": self._of.seq,
            "local_date": self._of.body["local_date"],
            "way": name,
            "outcome": told.outcome,
            "tries": way.tries,
            "last": way.is_over,
        }
        if told.code is not None:
            body["code"] = told.code
        with self._workshop.ledger.transaction() as transaction:
            transaction.append(TOLD, body)
        structlog.get_logger().info("morning-told", way=name, outcome=told.outcome, tries=way.tries)


def message_of(digest: Digest, workshop: Workshop) -> Message:
    """A digest as it is told; its name is the same whenever it is sent again."""
    first = workshop.ledger.read.entry(1)
    seed = f"{first.hash.hex() if first is not None else ''}\0{digest.day.isoformat()}"
    ident = hashlib.sha256(seed.encode()).hexdigest()[:32]
    return Message(
        title(digest),
        digest_text(digest),
        digest_html(digest),
        digest_short(digest),
        f"morning.{ident}",
        workshop.clock.now(),
    )


def ways_of(
    settings: Settings, root: Path, message: Message
) -> dict[str, Callable[[tuple[str, ...]], Told]]:
    """Every way that the settings ask for, by the name that it has on record.

    Raises:
        CredentialsRefused: the file with names and passwords cannot be used, or names no channel.
    """
    morning = settings.studio.morning
    credentials = read_credentials(morning.credentials, root)
    found: dict[str, Callable[[tuple[str, ...]], Told]] = {}
    if "mail" in morning.send and morning.mail is not None:
        found["mail"] = partial(_mail, message, morning.mail, credentials)
    if "channels" in morning.send:
        if not credentials.channels:
            raise CredentialsRefused(
                "The digest is to be sent by channels, and none is named.",
                "Nothing was sent; the digest stays in the studio. Name them in the credentials "
                'file as channels = ["…"], or in PLATEMARK_CHANNELS.',
            )
        for number, channel in enumerate(credentials.channels, start=1):
            found[f"channel {number}"] = partial(_channel, message, channel)
    return found


def _mail(message: Message, mail: Mail, credentials: Credentials, left: tuple[str, ...]) -> Told:
    return send_mail(message, mail, credentials, left)


def _channel(message: Message, channel: str, _: tuple[str, ...]) -> Told:
    return tell_channel(message, channel)
