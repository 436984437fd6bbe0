"""Names, passwords and channels: from the environment, or from a file that its owner alone reads.

They stand in no settings file, are in no record, no log and no message of ours.
"""

from __future__ import annotations

import os
import stat
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from platemark.model.errors import CredentialsRefused

USER, PASSWORD, CHANNELS = (
    "PLATEMARK_MAIL_USER", "PLATEMARK_MAIL_PASSWORD", "PLATEMARK_CHANNELS",
)  # fmt: skip
"""Variables of the environment; each takes the place of what the file says."""
KEYS = ("mail_user", "mail_password", "channels")
LARGEST = 1 << 16
_NOTHING_SENT = "Nothing was read from it, and nothing was sent; the digest stays in the studio."


@dataclass(frozen=True, slots=True, repr=False)
class Credentials:
    """What must be known to send; it shows nothing of itself."""

    mail_user: str = ""
    mail_password: str = ""
    channels: tuple[str, ...] = ()

    def __repr__(self) -> str:
        return f"Credentials(channels={len(self.channels)})"


def read_credentials(
    file: str, studio: Path, environment: Mapping[str, str] | None = None
) -> Credentials:
    """Read what must be known to send.

    Args:
        file: The path that the settings name; empty where they name none.
        studio: The studio's folder, which the file must not be in.
        environment: Another than the process's own.

    Raises:
        CredentialsRefused: the file is not there, others may read or change it, or it is not of
            the form that it must have. The sentence has no word of what is in it.
    """
    given = os.environ if environment is None else environment
    values = _from_file(Path(file).expanduser(), studio) if file else {}
    channels = given.get(CHANNELS, "").split() or values.get("channels", ())
    return Credentials(
        given.get(USER) or values.get("mail_user", ""),
        given.get(PASSWORD) or values.get("mail_password", ""),
        tuple(channels),
    )


def _from_file(path: Path, studio: Path) -> dict[str, Any]:
    if path.resolve().is_relative_to(studio.resolve()):
        raise CredentialsRefused(
            f"The credentials file {path} lies in the studio's folder, which is copied by backups.",
            f"{_NOTHING_SENT} Move it elsewhere, such as /etc/platemark/, and change its passwords "
            "if a backup was made meanwhile.",
        )
    try:
        text = _read_closed(path)
        values = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, RecursionError):
        values = None
    if values is None or not _has_form(values):
        raise CredentialsRefused(
            f"The credentials file {path} cannot be understood.",
            f'{_NOTHING_SENT} Write lines like mail_user = "…", mail_password = "…" and '
            'channels = ["…"], and nothing else.',
        )
    return values


def _read_closed(path: Path) -> str:
    """Read a file that nobody but its owner, who is us, can read or exchange."""
    _refuse_open_folder(path.parent)
    try:
        descriptor = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
    except OSError as error:
        raise CredentialsRefused(
            f"The credentials file {path} cannot be read: {error.strerror}.",
            f"{_NOTHING_SENT} Correct credentials in studio.toml under [morning], or let the "
            "account that Platemark runs under own that file; a link is not followed.",
        ) from error
    with os.fdopen(descriptor, "rb") as stream:
        status = os.fstat(descriptor)
        if not stat.S_ISREG(status.st_mode) or status.st_size > LARGEST:
            raise CredentialsRefused(
                f"The credentials file {path} is no plain file, or far too large.",
                f"{_NOTHING_SENT} Correct credentials in studio.toml under [morning].",
            )
        if status.st_uid != os.geteuid():
            raise CredentialsRefused(
                f"The credentials file {path} belongs to another account.",
                f"{_NOTHING_SENT} Let the account that Platemark runs under own it (chown).",
            )
        if status.st_mode & 0o077:
            raise CredentialsRefused(
                f"The credentials file {path} may be read or changed by others (its rights are "
                f"{stat.S_IMODE(status.st_mode):04o}).",
                f"{_NOTHING_SENT} Close it with `chmod 600`, and change its passwords if others "
                "use this computer.",
            )
        return stream.read(LARGEST).decode("utf-8")


def _refuse_open_folder(folder: Path) -> None:
    try:
        status = folder.stat()
    except OSError:
        return
    if status.st_mode & 0o022 and not status.st_mode & stat.S_ISVTX:
        raise CredentialsRefused(
            f"The folder {folder} with the credentials file may be changed by others.",
            f"{_NOTHING_SENT} Close it with `chmod go-w`.",
        )


def _has_form(values: dict[str, Any]) -> bool:
    channels = values.get("channels", [])
    return (
        set(values) <= set(KEYS)
        and all(isinstance(values.get(key, ""), str) for key in KEYS[:2])
        and isinstance(channels, list)
        and all(isinstance(each, str) for each in channels)
    )
