"""`[page]` in `studio.toml`: the status page, and who may reach it."""

from __future__ import annotations

import re

from pydantic import Field, field_validator

from platemark.model.page import Page
from platemark.settings.values import Problem, Section, Whole, Words, YesNo, mistaken, quoted

_NAME = re.compile(r"[0-9A-Za-z]([0-9A-Za-z.-]*[0-9A-Za-z])?|[0-9A-Fa-f:.]+")


def _is_name(text: str) -> bool:
    """Whether it is a name or an address alone: no port, no `http://`, no path."""
    return _NAME.fullmatch(text) is not None and len(text) <= 253


class PageSection(Section):
    """The status page: what waits, what is held and why, what went where; answers too."""

    on: YesNo = Field(
        default=False,
        description="Whether the service keeps the page beside it; else `platemark page` shows it.",
        examples=[True],
    )
    host: Words = Field(
        default="127.0.0.1",
        description=(
            "The address that it answers on. 127.0.0.1 is this computer only; with any other, or "
            "a name in hosts, a token is asked for."
        ),
        examples=["127.0.0.1"],
    )
    port: Whole = Field(
        default=8471, ge=1, le=65_535, description="The port that it answers on.", examples=[8471]
    )
    hosts: tuple[Words, ...] = Field(
        default=(),
        description="Further names that browsers may call it by, such as this computer's own.",
        examples=[["prints.quillfen.example"]],
    )

    @field_validator("host")
    @classmethod
    def _an_address(cls, host: str) -> str:
        if not _is_name(host):
            raise mistaken(
                Problem(
                    f"{quoted(host)} is not an address of a computer",
                    'Write host = "127.0.0.1" for this computer only, or "0.0.0.0" for all of its '
                    "addresses.",
                )
            )
        return host

    @field_validator("hosts")
    @classmethod
    def _names(cls, hosts: tuple[str, ...]) -> tuple[str, ...]:
        wrong = next((host for host in hosts if not _is_name(host)), None)
        if wrong is not None:
            raise mistaken(
                Problem(
                    f"{quoted(wrong)} is not the name of a computer",
                    "Write the name alone, without http://, port or path, like "
                    '"prints.quillfen.example".',
                )
            )
        return hosts

    def page(self) -> Page:
        """The page that this section describes."""
        return Page(self.on, self.host, self.port, self.hosts)
