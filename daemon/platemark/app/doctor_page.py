"""What `doctor` says of the status page that the service keeps beside it."""

from __future__ import annotations

import http.client
from collections.abc import Iterator
from pathlib import Path

from platemark.app.doctor_word import Word
from platemark.app.page.studio_seen import is_served
from platemark.model.page import LOOPBACK_NAMES, Page, is_any_address

PATIENCE_S = 5.0


def page_words(root: Path, page: Page) -> Iterator[Word]:
    """Whether the page answers while a service has the studio; nothing where it is off."""
    if not page.on or not is_served(root):
        return
    where = f"{page.host}, port {page.port}"
    if _answers(page):
        yield Word("good", "page", f"it answers at {where}")
        return
    yield Word(
        "wrong",
        "page",
        f"the status page does not answer at {where}; the service goes on without it",
        "The service's log says why, after page-refused or page-ended. Where another program has "
        "that port, give another under [page] in studio.toml and start the service again.",
    )


def _answers(page: Page) -> bool:
    """Whether it is this page that answers: its `/healthz` says in few words how the studio is."""
    host = LOOPBACK_NAMES[0] if is_any_address(page.host) else page.host
    connection = http.client.HTTPConnection(host, page.port, timeout=PATIENCE_S)
    try:
        connection.request("GET", "/healthz", headers={"Host": LOOPBACK_NAMES[0]})
        answer = connection.getresponse()
        # Too much may be asked of it just now.
        return answer.status in (200, 429, 503) and answer.getheader("x-frame-options") == "DENY"
    except (OSError, UnicodeError, http.client.HTTPException):
        return False
    finally:
        connection.close()
