"""`labs/<id>.toml`: who prints, on what, and what they want to be given."""

from __future__ import annotations

import re
from collections.abc import Iterator
from string import Formatter
from typing import Literal

from pydantic import Field, ValidationInfo, field_validator

from platemark.model.hours import DayTime
from platemark.model.lab import ClosingRule, DeliveryMeans, Lab
from platemark.settings.hours import DayTimeText, merged
from platemark.settings.product_section import ProductSection
from platemark.settings.values import (
    Problem,
    Section,
    Whole,
    Words,
    YesNo,
    mistaken,
    nearest,
    one_of,
    quoted,
)

FILE_NAME_PARTS = ("job", "copies", "title", "size", "surface", "order", "edition")
"""What a print file's name may be made of."""

_OUR_DELIVERY = ("collect", "folder")


class ClosingSection(Section):
    """When a parcel for this lab is closed and sent."""

    rule: Literal["each", "quiet", "at"] = Field(
        description=(
            "each: every print at once, a parcel of its own; quiet: when nothing new came for "
            "some minutes; at: at certain times of day."
        ),
        examples=["quiet"],
    )
    minutes: Whole | None = Field(
        default=None,
        validate_default=True,
        ge=1,
        le=1440,
        description="For quiet: how many minutes nothing new must have come.",
        examples=[10],
    )
    times: tuple[DayTimeText, ...] = Field(
        default=(),
        validate_default=True,
        description=(
            "For at: the times of day, in the studio's time zone; days of the week may stand "
            "before each."
        ),
        examples=[["06:15", "Mon-Fri 13:00"]],
    )
    per_order: YesNo = Field(
        default=False,
        description="Whether each order gets a parcel of its own.",
        examples=[True],
    )

    @field_validator("minutes")
    @classmethod
    def _for_quiet(cls, minutes: int | None, info: ValidationInfo) -> int | None:
        rule = info.data.get("rule")
        if rule == "quiet" and minutes is None:
            raise mistaken(Problem("the rule quiet needs minutes"))
        if rule in ("each", "at") and minutes is not None:
            raise mistaken(
                Problem(f"the rule {rule} has no minutes", 'Leave it out, or write rule = "quiet".')
            )
        return minutes

    @field_validator("times")
    @classmethod
    def _for_at(cls, times: tuple[DayTime, ...], info: ValidationInfo) -> tuple[DayTime, ...]:
        rule = info.data.get("rule")
        if rule == "at" and not times:
            raise mistaken(Problem("the rule at needs times"))
        if rule in ("each", "quiet") and times:
            raise mistaken(
                Problem(f"the rule {rule} has no times", 'Leave it out, or write rule = "at".')
            )
        return merged(times)


class DeliverySection(Section):
    """How a closed parcel reaches the lab."""

    method: Words = Field(
        default="collect",
        description=(
            "collect: somebody fetches the parcel from outgoing/; folder: it is copied to where "
            "the lab looks."
        ),
        examples=["collect"],
    )
    path: Words | None = Field(
        default=None,
        validate_default=True,
        description="For folder: where the lab looks; from the studio's folder where not whole.",
        examples=["/srv/lab-share/incoming"],
    )

    @field_validator("method")
    @classmethod
    def _no_slip(cls, method: str) -> str:
        near = nearest(method, _OUR_DELIVERY)
        if near and method != near:
            raise mistaken(
                Problem(f"{quoted(method)} is no way to deliver", f'Write method = "{near}".')
            )
        return method

    @field_validator("path")
    @classmethod
    def _for_folder(cls, path: str | None, info: ValidationInfo) -> str | None:
        method = info.data.get("method")
        if method == "folder" and path is None:
            raise mistaken(Problem("the method folder needs a path"))
        if method == "collect" and path is not None:
            raise mistaken(
                Problem(
                    "the method collect has no path", 'Leave it out, or write method = "folder".'
                )
            )
        return path


class LabFile(Section):
    """One lab: who prints, on what, and what they want to be given.

    The file's name is the lab's id.
    """

    name: Words = Field(description="The lab's name.", examples=["Brindlewick Print Room"])
    file_name: Words = Field(
        default="{job}_{copies}x_{title}_{size}",
        description=(
            "How print files are named: letters, digits, - and _ around any of "
            + ", ".join(f"{{{part}}}" for part in FILE_NAME_PARTS)
            + "; {job} must be among them."
        ),
        examples=["{job}_{copies}x_{title}_{size}"],
    )
    closing: ClosingSection = Field(description="When a parcel for this lab is closed and sent.")
    delivery: DeliverySection = Field(
        default=DeliverySection(), description="How a closed parcel reaches the lab."
    )
    products: tuple[ProductSection, ...] = Field(
        min_length=1, description="What the lab sells, one for each surface."
    )

    @field_validator("file_name")
    @classmethod
    def _usable_everywhere(cls, pattern: str) -> str:
        problem = next(_name_problems(pattern), None)
        if problem is not None:
            raise mistaken(problem)
        return pattern

    def lab(self, lab_id: str) -> Lab:
        """The lab that this file describes, under the id that the file's name gives."""
        closing = self.closing
        return Lab(
            id=lab_id,
            name=self.name,
            products=tuple(section.product() for section in self.products),
            closing=ClosingRule(
                closing.rule, closing.minutes or 0, closing.times, closing.per_order
            ),
            delivery=DeliveryMeans(self.delivery.method, self.delivery.path or ""),
            file_name=self.file_name,
        )


def _name_problems(pattern: str) -> Iterator[Problem]:
    try:
        parts = list(Formatter().parse(pattern))
    except ValueError:
        yield Problem("a { or } has no partner", "Write each part like {job}.")
        return
    used = [field for _, field, _, _ in parts if field is not None]
    for field in used:
        if field not in FILE_NAME_PARTS:
            near = nearest(field, FILE_NAME_PARTS)
            listed = one_of((f"{{{part}}}" for part in FILE_NAME_PARTS), "and")
            yield Problem(
                f"nobody knows what to put for {{{field}}}",
                f"Is {{{near}}} meant?" if near else f"There is {listed}.",
            )
    if any(form or turn for _, _, form, turn in parts):
        yield Problem("a part has more than its name", "Write each part like {job}.")
    if not re.fullmatch(r"[A-Za-z0-9_-]*", "".join(text for text, *_ in parts)):
        yield Problem(
            "some computers cannot have such a name",
            "Use letters without accents, digits, - and _ around the parts; the ending is added.",
        )
    if "job" not in used:
        yield Problem("two prints could get the same name", "Put {job} into it.")
