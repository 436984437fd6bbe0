"""What `doctor` says of the mornings: the digest, how it is sent, the display."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from platemark.app.doctor_word import Word
from platemark.engine.copy_marker import read_marker
from platemark.engine.digest_reminders import display_lines, sample_lines
from platemark.engine.morning_state import morning_troubles, newest_tries
from platemark.ledger.mornings import Mornings
from platemark.ledger.read import Reader
from platemark.model.errors import CredentialsRefused
from platemark.model.studio import Settings
from platemark.telling.credentials import read_credentials


def settings_words(root: Path, settings: Settings) -> Iterator[Word]:
    """What can be said without a record: names and passwords, the display, samples."""
    morning = settings.studio.morning
    try:
        credentials = read_credentials(morning.credentials, root)
    except CredentialsRefused as refused:
        yield Word("wrong", "sending", refused.sentence, refused.hint)
    else:
        yield from _sending(settings, channels=len(credentials.channels))
    today = datetime.now(ZoneInfo(settings.studio.time_zone)).date()
    for line in display_lines(settings.studio.display, today):
        yield Word("note" if line.next else "good", "display", line.text, line.next)
    for line in sample_lines(settings, today):
        yield Word("note", "samples", line.text, line.next)


def record_words(root: Path, settings: Settings, reader: Reader) -> Iterator[Word]:
    """What the record says of the newest digest."""
    at = f"{settings.studio.morning.at:%H:%M} ({settings.studio.time_zone})"
    newest = Mornings(reader).newest()
    if newest is None:
        yield Word("note", "morning", f"no digest yet; the service writes it at {at}")
        return
    late = ", late" if newest.body["late"] else ""
    said = f"the last digest is that of {newest.body['local_date']}{late}; the next comes at {at}"
    yield Word("good", "morning", said)
    for way, told in newest_tries(reader, newest).items():
        if told.body["outcome"] == "sent":
            yield Word("good", f"sent by {way}", f"the digest of {told.body['local_date']}")
    if read_marker(root) is None:
        for line in morning_troubles(reader, settings, datetime.now(UTC)):
            yield Word("wrong", "morning", line.text, line.next)


def _sending(settings: Settings, *, channels: int) -> Iterator[Word]:
    morning = settings.studio.morning
    if not morning.send:
        yield Word("good", "sending", "the digest is written into the studio's folder alone")
    if "mail" in morning.send and morning.mail is not None:
        count = len(morning.mail.to)
        to = "1 address" if count == 1 else f"{count} addresses"
        yield Word("good", "sending", f"by mail to {to}, through {morning.mail.host}")
    if "channels" in morning.send and channels:
        yield Word("good", "sending", f"by {channels} channel{'s' * (channels > 1)}")
    elif "channels" in morning.send:
        yield Word(
            "wrong",
            "sending",
            "the digest is to be sent by channels, and none is named",
            "Name them in the credentials file, or in PLATEMARK_CHANNELS.",
        )
