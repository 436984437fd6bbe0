"""Any channel that the Apprise library knows; its address is a secret, and shown nowhere."""

from __future__ import annotations

import logging
import warnings
from typing import Any

from platemark.telling import Message, Told


def tell_channel(message: Message, channel: str) -> Told:
    """Tell one channel what its few lines say; may take as long as the other end lets it.

    Args:
        message: What is told.
        channel: Its address as the library writes it, such as `ntfy://host/topic`.
    """
    apprise = _library()
    asset = apprise.AppriseAsset(
        app_id="Platemark", app_desc="Platemark", app_url="", async_mode=False, secure_logging=True
    )
    told = apprise.Apprise(asset=asset)
    if not told.add(channel):
        return Told("unknown")
    done = told.notify(
        body=message.short, title=message.subject, body_format=apprise.NotifyFormat.TEXT
    )
    return Told("sent" if done else "refused")


def _library() -> Any:
    """The library, loaded when it is first wanted: it brings more than a hundred kinds."""
    # It logs addresses of what it cannot reach.
    log = logging.getLogger("apprise")
    log.handlers = [logging.NullHandler()]
    log.propagate = False
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import apprise

        # The kinds are read when one is first asked for.
        apprise.Apprise().add("json://localhost")
    return apprise
