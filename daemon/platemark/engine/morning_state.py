"""Whether the digest comes as it should: what `doctor` and the status page say of it."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from zoneinfo import ZoneInfo

from platemark.engine.nights import find_due
from platemark.ledger.chain import Entry
from platemark.ledger.mornings import Mornings
from platemark.ledger.read import Reader
from platemark.model.morning import DigestLine
from platemark.model.studio import Settings
from platemark.telling import SENTENCES


def morning_troubles(reader: Reader, settings: Settings, now: datetime) -> Iterator[DigestLine]:
    """What is wrong with the newest digest: that it is not there in time, or could not be sent.

    A studio that never had one is not missing any: a sweep makes none.

    Args:
        reader: The record.
        settings: The studio's.
        now: The moment, in UTC.
    """
    newest, first = Mornings(reader).newest(), reader.entry(1)
    if newest is None or first is None:
        return
    at = settings.studio.morning.at
    due = find_due(
        now,
        ZoneInfo(settings.studio.time_zone),
        at,
        datetime.fromisoformat(first.at),
        newest.body["local_date"],
    )
    if due is not None and due.late:
        before = f"; nor were the {due.missed} before it" if due.missed > 1 else ""
        before = "; nor was the one before it" if due.missed == 1 else before
        yield DigestLine(
            f"The digest of {due.day.day} {due.day:%B %Y}, due at {at:%H:%M}, was not "
            f"written{before}.",
            "The service does not run, or cannot write: start it again, and look at its log.",
        )
    for way, told in newest_tries(reader, newest).items():
        if told.body["outcome"] != "sent":
            then = "It was given up" if told.body["last"] else "It is tried again"
            yield DigestLine(
                f"The digest of {told.body['local_date']} was not sent ({way}): "
                f"{SENTENCES[told.body['outcome']]}.",
                f"{then}. Try it yourself with `platemark morning --send`.",
            )


def newest_tries(reader: Reader, written: Entry) -> dict[str, Entry]:
    """By each way the newest try to send the digest of an entry.

    That the credentials could not be used counts until something was sent after all.
    """
    tries = {entry.body["way"]: entry for entry in Mornings(reader).told(written.seq)}
    refused = tries.get("credentials")
    if refused is not None and any(each.seq > refused.seq for each in tries.values()):
        del tries["credentials"]
    return tries
