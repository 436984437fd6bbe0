"""`morning`: what the digest says, at any time; and whether it can be sent."""

from __future__ import annotations

import sys
from datetime import UTC, datetime
from pathlib import Path

import click

from platemark.app.context import FAULT, out, out_json, studio_of
from platemark.app.open_studio import reading
from platemark.app.showing import AS_JSON
from platemark.engine.digest_pages import digest_html, digest_short, digest_text, title
from platemark.engine.morning import digest_now
from platemark.engine.morning_sending import ways_of
from platemark.model.errors import UsageError
from platemark.model.morning import Digest
from platemark.model.plain import to_plain
from platemark.model.studio import Settings
from platemark.settings.load import load_settings
from platemark.telling import SENTENCES, Message


@click.command("morning")
@click.option("--send", is_flag=True, help="Send it now, to try how it is sent; once by each way.")
@AS_JSON
@click.pass_obj
def morning(studio: str | None, send: bool, as_json: bool) -> None:
    """Say what the morning digest would say now; nothing is written or recorded.

    The service writes it every day as MORNING.txt and MORNING.html, and knows more of what is
    under way. Exit code 1 where it was to be sent and was not.
    """
    root = studio_of(studio)
    settings = load_settings(root)
    now = datetime.now(UTC)
    with reading(root) as reader:
        digest = digest_now(reader, root, settings, now)
    if send:
        sys.exit(_send(root, settings, digest, now))
    if as_json:
        out_json(to_plain(digest))
    else:
        out(digest_text(digest).rstrip("\n"))


def _send(root: Path, settings: Settings, digest: Digest, now: datetime) -> int:
    if not settings.studio.morning.send:
        raise UsageError(
            "Nothing in studio.toml says how to send the digest.",
            'Write send = ["mail"] or ["channels"] under [morning], then try again.',
        )
    message = Message(
        f"{title(digest)} (a trial)",
        digest_text(digest),
        digest_html(digest),
        digest_short(digest),
        f"trial.{int(now.timestamp())}",
        now,
    )
    failed = False
    for way, action in ways_of(settings, root, message).items():
        told = action(())
        failed |= told.outcome != "sent"
        number = f" (it answered {told.code})" if told.code is not None else ""
        out(f"{way}: {SENTENCES[told.outcome]}{number}.")
    return FAULT if failed else 0
