"""Who may reach the page, and that a form came from it: the token, sessions, marks of forms."""

from __future__ import annotations

import hashlib
import hmac
import os
import secrets
import stat
import time
from pathlib import Path

from platemark import durable
from platemark.model.errors import UsageError

TOKEN_FILE = "page-token"  # noqa: S105  # a file's name
VARIABLE = "PLATEMARK_PAGE_TOKEN"
SHORTEST = 16
SESSION_S = 14 * 86_400
FORM_S = 12 * 3600
"""A form that was open for longer is shown anew before it counts."""


def token_of(root: Path) -> str:
    """The studio's token: the environment's, else the file's, which is made where there is none.

    Raises:
        UsageError: it is too short, or others may read its file.
    """
    given = os.environ.get(VARIABLE, "").strip()
    path = root / TOKEN_FILE
    if not given and not os.path.lexists(path):
        durable.write_new(path, f"{secrets.token_urlsafe(24)}\n".encode(), 0o600)
        durable.sync_folder(root)
    token = given or _read(path)
    if len(token) < SHORTEST:
        raise UsageError(
            f"The token of the page is shorter than {SHORTEST} signs.",
            f"Remove {path} and a good one is made, or set {VARIABLE} to a longer one.",
        )
    return token


def _read(path: Path) -> str:
    try:
        descriptor = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK)
    except OSError as error:
        raise UsageError(
            f"The token in {path} cannot be read: {error.strerror}.",
            "Remove that file, and a good one is made.",
        ) from error
    with os.fdopen(descriptor, "rb") as file:
        status = os.fstat(descriptor)
        if not stat.S_ISREG(status.st_mode) or status.st_mode & 0o077:
            raise UsageError(
                f"Others may read the token in {path}.",
                f"Remove that file, and a new one is made; or keep it to yourself: "
                f"chmod 600 {path}",
            )
        return file.read(4096).decode("utf-8", "replace").strip()


class Keys:
    """Makes and checks what the page gives to browsers. A new start makes new marks of forms."""

    def __init__(self, token: str | None) -> None:
        """Keys of one start of the page.

        Args:
            token: What is asked for; None where nothing is, for this computer alone.
        """
        self._token = token
        self._form_key = secrets.token_bytes(32)

    @property
    def asks(self) -> bool:
        """Whether a token is asked for."""
        return self._token is not None

    def is_token(self, given: str) -> bool:
        """Whether it is the token, in a time that tells nothing of it."""
        return self._token is not None and hmac.compare_digest(
            hashlib.sha256(given.strip().encode("utf-8", "replace")).digest(),
            hashlib.sha256(self._token.encode()).digest(),
        )

    def new_session(self) -> str:
        """What a browser that gave the token shows from then on."""
        issued = str(int(time.time()))
        return f"{issued}.{self._session_mac(issued)}"

    def is_session(self, shown: str) -> bool:
        """Whether a browser gave the token, not too long ago."""
        issued, _, mac = shown.partition(".")
        return (
            self.asks
            and hmac.compare_digest(
                mac.encode("utf-8", "replace"), self._session_mac(issued).encode()
            )
            and _is_young(issued, SESSION_S)
        )

    def _session_mac(self, issued: str) -> str:
        key = hashlib.sha256(f"session {self._token}".encode()).digest()
        return hmac.new(key, issued.encode("utf-8", "replace"), "sha256").hexdigest()

    def mark_form(self, browser: str) -> str:
        """A mark that a form of ours carries, for one browser."""
        issued = str(int(time.time()))
        return f"{issued}.{self._form_mac(browser, issued)}"

    def is_our_form(self, browser: str, mark: str) -> bool:
        """Whether a form was given to this browser by this start of the page, and lately."""
        issued, _, mac = mark.partition(".")
        right = self._form_mac(browser, issued)
        return (
            bool(browser)
            and hmac.compare_digest(mac.encode("utf-8", "replace"), right.encode())
            and _is_young(issued, FORM_S)
        )

    def _form_mac(self, browser: str, issued: str) -> str:
        said = f"{browser} {issued}".encode("utf-8", "replace")
        return hmac.new(self._form_key, said, "sha256").hexdigest()


def _is_young(issued: str, seconds: float) -> bool:
    return issued.isascii() and issued.isdigit() and 0 <= time.time() - int(issued) <= seconds
