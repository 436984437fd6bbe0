"""`[morning]` and `[display]` in `studio.toml`: the daily digest, and what it reminds of."""

from __future__ import annotations

import ipaddress
import re
from datetime import date, time
from decimal import Decimal
from pathlib import Path
from typing import Literal

from pydantic import Field, ValidationInfo, field_validator

from platemark.model.morning import Display, Mail, Morning
from platemark.settings.values import (
    Day,
    Exact,
    Problem,
    Section,
    TimeOfDay,
    Whole,
    Words,
    mistaken,
    quoted,
)

_ADDRESS = re.compile(r"[^\s@<>,;\"]+@[^\s@<>,;\"]+")
_NO_SECRETS = "Take it out, and write it into the credentials file or the environment."


class MailSection(Section):
    """The server that takes the studio's mail; its name and password stand elsewhere."""

    host: Words = Field(description="The mail server's name.", examples=["smtp.quillfen.example"])
    port: Whole = Field(
        default=465, ge=1, le=65_535, description="The port that it answers on.", examples=[465]
    )
    security: Literal["tls", "starttls", "none"] = Field(
        default="tls",
        description=(
            "tls is encrypted from the start (usually port 465), starttls from the first words on "
            "(usually 587); none is only for a server on this computer."
        ),
        examples=["tls"],
    )
    sender: Words = Field(
        description="The address that the mail comes from.", examples=["prints@quillfen.example"]
    )
    to: tuple[Words, ...] = Field(
        min_length=1,
        max_length=20,
        description="The addresses that it goes to.",
        examples=[["ilka@quillfen.example"]],
    )

    @field_validator("security")
    @classmethod
    def _not_in_the_open(cls, security: str, info: ValidationInfo) -> str:
        host = str(info.data.get("host", ""))
        if security == "none" and host and not _is_this_computer(host):
            raise mistaken(
                Problem(
                    f"mail to {quoted(host)} would travel unencrypted",
                    'Write security = "tls" or "starttls".',
                )
            )
        return security

    @field_validator("sender")
    @classmethod
    def _one_address(cls, sender: str) -> str:
        return _address(sender)

    @field_validator("to")
    @classmethod
    def _addresses(cls, to: tuple[str, ...]) -> tuple[str, ...]:
        return tuple(map(_address, to))

    def mail(self) -> Mail:
        """The server as the engine has it."""
        return Mail(self.host, self.port, self.security, self.sender, self.to)


class MorningSection(Section):
    """The digest that is written every morning, and how it is sent besides."""

    at: TimeOfDay = Field(
        default=time(7, 0),
        description="The time of day at which it is written, in the studio's time zone.",
        examples=["07:00"],
    )
    keep_days: Whole = Field(
        default=60,
        ge=0,
        le=3660,
        description="Days that past ones stay in mornings/; 0 means for ever.",
        examples=[60],
    )
    sample_days: Whole = Field(
        default=365,
        ge=0,
        le=3660,
        description="Days after which a surface's sample is called old; 0 means never.",
        examples=[365],
    )
    tests_days: Whole = Field(
        default=60,
        ge=0,
        le=3660,
        description="Days that a delivered test print is reminded of; 0 means never.",
        examples=[60],
    )
    send: tuple[Literal["mail", "channels"], ...] = Field(
        default=(),
        max_length=2,
        description=(
            "How it is sent besides: mail, by the server under [morning.mail]; channels, by those "
            "that the credentials name. It is written into the studio's folder in any case."
        ),
        examples=[["mail"]],
    )
    credentials: Words | None = Field(
        default=None,
        description=(
            "Whole path of the file with names, passwords and channels, outside the studio's "
            "folder; readable by its owner alone."
        ),
        examples=["/etc/platemark/credentials.toml"],
    )
    mail: MailSection | None = Field(
        default=None,
        validate_default=True,
        description="The server that takes the studio's mail.",
    )

    @field_validator("send")
    @classmethod
    def _each_once(cls, send: tuple[str, ...]) -> tuple[str, ...]:
        return tuple(dict.fromkeys(send))

    @field_validator("credentials")
    @classmethod
    def _a_whole_path(cls, path: str | None) -> str | None:
        if path is not None and "://" in path:
            raise mistaken(Problem("a channel stands there, which is a secret", _NO_SECRETS))
        if path is not None and not Path(path).expanduser().is_absolute():
            raise mistaken(
                Problem(
                    f"{quoted(path)} is not a whole path",
                    'Write it like "/etc/platemark/credentials.toml".',
                )
            )
        return path

    @field_validator("mail")
    @classmethod
    def _mail_that_is_sent(
        cls, mail: MailSection | None, info: ValidationInfo
    ) -> MailSection | None:
        if mail is None and "mail" in info.data.get("send", ()):
            raise mistaken(_NO_SERVER)
        return mail

    def morning(self) -> Morning:
        """The digest's settings as the engine has them."""
        return Morning(
            at=self.at,
            keep_days=self.keep_days,
            send=self.send,
            credentials=self.credentials or "",
            mail=self.mail.mail() if self.mail is not None else None,
            sample_days=self.sample_days,
            tests_days=self.tests_days,
        )


class DisplaySection(Section):
    """The screen on which pictures are judged before they are printed."""

    calibrated: Day = Field(description="The day of its last calibration.", examples=["2026-11-02"])
    white: Words = Field(description="The white that it was calibrated to.", examples=["D65"])
    luminance: Exact = Field(
        gt=0,
        le=10_000,
        description="The luminance of its white, in candela per square metre.",
        examples=[100],
    )
    limit_days: Whole = Field(
        default=30,
        ge=0,
        le=3660,
        description="Days after which another calibration is asked for; 0 means never.",
        examples=[30],
    )

    @field_validator("calibrated")
    @classmethod
    def _not_mistyped(cls, calibrated: date) -> date:
        if calibrated.year < 2000:
            raise mistaken(
                Problem(f"{quoted(calibrated)} is long ago", "Write it like 2026-11-02.")
            )
        return calibrated

    def display(self) -> Display:
        """The display as the engine has it."""
        return Display(self.calibrated, self.white, Decimal(self.luminance), self.limit_days)


_NO_SERVER = Problem(
    "mail is to be sent, and nothing says by which server",
    "Add a section [morning.mail] with host, sender and to.",
)


def _address(text: str) -> str:
    if not _ADDRESS.fullmatch(text):
        raise mistaken(
            Problem(f"{quoted(text)} is not an address", 'Write it like "ilka@quillfen.example".')
        )
    return text


def _is_this_computer(host: str) -> bool:
    if host.casefold() == "localhost":
        return True
    try:
        return ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return False
