"""`studio.toml`: the studio's own settings."""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal
from pathlib import PurePosixPath
from typing import Annotated, Literal
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError, available_timezones

from pydantic import Field, PlainValidator, ValidationInfo, WithJsonSchema, field_validator

from platemark.model.studio import (
    HotRoot,
    Keep,
    Limits,
    Person,
    Role,
    Settle,
    Studio,
    Upkeep,
)
from platemark.settings.hours import PrepareSection
from platemark.settings.keeping_section import KeepSection, UpkeepSection
from platemark.settings.morning_section import DisplaySection, MorningSection
from platemark.settings.page_section import PageSection
from platemark.settings.strips_section import StripsSection
from platemark.settings.values import (
    Around,
    Exact,
    Problem,
    Section,
    Whole,
    Words,
    around,
    meant,
    mistaken,
    nearest,
    one_of,
    quoted,
)

OUR_FOLDERS = ("archive", "decisions", "held", "mornings", "outgoing", "work")
"""Folders of a studio that Platemark fills."""


def _usual_lab(value: object, info: ValidationInfo) -> tuple[tuple[str, str], ...]:
    if not isinstance(value, dict):
        raise mistaken(Problem(f"{quoted(value)} is not a section", "Begin it with [usual_lab]."))
    known = around(info)
    problems = [
        problem
        for surface, lab in value.items()
        for problem in _usual_problems(surface, lab, known)
    ]
    if problems:
        raise mistaken(*problems)
    return tuple(value.items())


def _usual_problems(surface: str, lab: object, known: Around | None) -> Iterator[Problem]:
    if not isinstance(lab, str):
        yield Problem(
            f"{quoted(lab)} is not the name of a lab",
            'Write a line like smooth-rag = "brindlewick".',
            (surface,),
        )
        return
    if known is None:
        return
    if surface not in known.surfaces:
        right = meant(surface, known.surfaces, "Add a file to surfaces/ first.")
        yield Problem(f"there is no surface “{surface}” in surfaces/", right, (surface,))
    if lab not in known.labs:
        right = meant(lab, known.labs, "Add a file to labs/ first.")
        yield Problem(f"there is no lab “{lab}” in labs/", right, (surface,))
        return
    if surface in known.surfaces and not known.may_offer(lab, surface):
        others = [each for each, has in known.labs.items() if has and surface in has]
        yield Problem(
            f"the lab “{lab}” has no product on “{surface}”",
            f"{one_of(others, 'and')} has one."
            if others
            else f"Add one to labs/{lab}.toml, or leave this line out.",
            (surface,),
        )


def _zone(mistyped: str) -> str:
    """The zone most like a mistyped one; the name of its city alone is enough."""
    zones = sorted(available_timezones(), reverse=True)
    cities = {zone.rpartition("/")[2]: zone for zone in zones}
    city = cities.get(nearest(mistyped.replace(" ", "_"), cities), "Europe/London")
    return nearest(mistyped, zones) or city


class PersonSection(Section):
    """Somebody who may answer held pictures."""

    name: Words = Field(description="The name that they sign with.", examples=["Ilka"])
    role: Role = Field(
        description="A photographer may accept more than an assistant.", examples=["assistant"]
    )

    @field_validator("name")
    @classmethod
    def _only_once(cls, name: str, info: ValidationInfo) -> str:
        known = around(info)
        alike = [each for each in known.people if each == name.casefold()] if known else []
        if len(alike) > 1:
            raise mistaken(
                Problem(
                    f"two people sign as {quoted(name)}",
                    "Remove one, or add something to the name, so that the record can tell "
                    "them apart.",
                )
            )
        return name


class HotSection(Section):
    """Where finished pictures are dropped."""

    path: Words = Field(
        default="hot",
        description=(
            "Folder with the hot folders; from the studio's folder where not whole. It may be on "
            "a network share."
        ),
        examples=["hot"],
    )
    watch: Literal["auto", "native", "polling"] = Field(
        default="auto",
        description=(
            "How new files are noticed: auto finds out; native is for a disk of this computer; "
            "polling, that is looking again and again, is for a network share."
        ),
        examples=["auto"],
    )

    @field_validator("path")
    @classmethod
    def _a_folder_of_its_own(cls, path: str) -> str:
        parts = PurePosixPath(path).parts
        if not parts or ".." in parts or parts[0] in OUR_FOLDERS:
            raise mistaken(
                Problem(
                    f"{quoted(path)} cannot be the hot folder; pictures would lie among "
                    "Platemark's own files",
                    'Write path = "hot", or a whole path like "/srv/share/hot".',
                )
            )
        return path


class SettleSection(Section):
    """How long a dropped file must be still before it is taken."""

    local_s: Whole = Field(
        default=2,
        ge=1,
        le=3600,
        description="Seconds without a change on a disk of this computer.",
        examples=[2],
    )
    share_s: Whole = Field(
        default=30,
        ge=1,
        le=3600,
        description="Seconds without a change on a network share, where copying may pause.",
        examples=[30],
    )
    scan_s: Whole = Field(
        default=2,
        ge=1,
        le=3600,
        description="Seconds between two looks into the hot folders.",
        examples=[2],
    )
    truncated_wait_min: Whole = Field(
        default=30,
        ge=0,
        le=1440,
        description="Minutes that a picture which ends too early is given to arrive whole.",
        examples=[30],
    )
    sheet_wait_hours: Whole = Field(
        default=48,
        ge=1,
        le=720,
        description="Hours that an order sheet waits for files that it names and are not there.",
        examples=[48],
    )


class LimitsSection(Section):
    """What is refused from a file's first lines, before a pixel is read, and what work may use."""

    megapixels: Exact = Field(
        default=Decimal(600),
        gt=0,
        le=4000,
        description="The largest picture, in millions of pixels.",
        examples=[600],
    )
    side_px: Whole = Field(
        default=65_500,
        ge=1,
        le=1_000_000,
        description="The longest side, in pixels; a JPEG cannot have more than 65,500.",
        examples=[65_500],
    )
    file_gb: Exact = Field(
        default=Decimal(4),
        gt=0,
        le=64,
        description="The largest file, in gigabytes of 1,000,000,000 bytes.",
        examples=[4],
    )
    expansion: Whole = Field(
        default=1000,
        ge=10,
        le=1_000_000,
        description="How many times larger than its file a picture may be; more is a trap.",
        examples=[1000],
    )
    progressive_megapixels: Exact = Field(
        default=Decimal(150),
        gt=0,
        le=4000,
        description=(
            "The largest progressive JPEG or interlaced PNG, in millions of pixels: these need "
            "memory for the whole picture at once."
        ),
        examples=[150],
    )
    memory_mb: Whole = Field(
        default=4096,
        ge=256,
        le=1_048_576,
        description="Memory that the work on one picture may use, in megabytes.",
        examples=[4096],
    )
    seconds: Whole = Field(
        default=900,
        ge=10,
        le=86_400,
        description="Seconds by the clock that one step of the work on one picture may take.",
        examples=[900],
    )
    jobs: Whole = Field(
        default=0,
        ge=0,
        le=256,
        description="Pictures worked on at once; 0 means one for every two processors.",
        examples=[0],
    )
    free_factor: Whole = Field(
        default=3,
        ge=1,
        le=100,
        description="Room wanted on the disk before work starts, in times the opened picture.",
        examples=[3],
    )
    profile_months: Whole = Field(
        default=12,
        ge=1,
        le=120,
        description="Months after which a profile is called old on the ticket.",
        examples=[12],
    )
    sheet_rows: Whole = Field(
        default=2000,
        ge=1,
        le=20_000,
        description="The longest order sheet, in rows; a longer one is turned away whole.",
        examples=[2000],
    )

    def limits(self) -> Limits:
        """The limits in the units that they are compared in."""
        return Limits(
            pixels=int(self.megapixels * 1_000_000),
            side_px=self.side_px,
            file_bytes=int(self.file_gb * 1_000_000_000),
            expansion=self.expansion,
            progressive_pixels=int(self.progressive_megapixels * 1_000_000),
            child_memory_mb=self.memory_mb,
            child_seconds=self.seconds,
            jobs=self.jobs,
            free_factor=self.free_factor,
            profile_months=self.profile_months,
            sheet_rows=self.sheet_rows,
        )


class StudioFile(Section):
    """The studio: its people, where pictures are dropped, and how much it takes on."""

    name: Words = Field(description="The studio's name; it is on tickets.", examples=["Quillfen"])
    contact: Words | None = Field(
        default=None,
        description="How a lab reaches the studio, in your own words; it is on tickets.",
        examples=["prints@quillfen.example, 01632 960 417"],
    )
    ship_to: Words | None = Field(
        default=None,
        description="Where prints go when a request does not say; it is on tickets.",
        examples=["Quillfen Studio, 4 Weir Lane, Quillfen QF1 4ZZ"],
    )
    time_zone: Words = Field(
        description="The studio's time zone, as the time zone database calls it.",
        examples=["Europe/London"],
    )
    untagged: Literal["stop", "srgb-camera"] = Field(
        default="stop",
        description=(
            "What happens to a picture without a colour profile: stop holds it; srgb-camera lets "
            "a camera's or phone's JPEG that says sRGB in its own data pass as sRGB, with a "
            "caution."
        ),
        examples=["srgb-camera"],
    )
    people: tuple[PersonSection, ...] = Field(
        min_length=1, description="Who may answer held pictures."
    )
    hot: HotSection = Field(
        default=HotSection(), description="Where finished pictures are dropped."
    )
    settle: SettleSection = Field(
        default=SettleSection(),
        description="How long a dropped file must be still before it is taken.",
    )
    limits: LimitsSection = Field(
        default=LimitsSection(), description="What is refused unread, and what work may use."
    )
    prepare: PrepareSection = Field(
        default=PrepareSection(), description="The hours in which print files are made."
    )
    upkeep: UpkeepSection = Field(
        default=UpkeepSection(), description="When the service looks after what it keeps."
    )
    keep: KeepSection = Field(
        default=KeepSection(), description="How long what is no longer needed is kept."
    )
    page: PageSection = Field(
        default=PageSection(), description="The status page, and who may reach it."
    )
    morning: MorningSection = Field(
        default=MorningSection(), description="The digest that is written every morning."
    )
    display: DisplaySection | None = Field(
        default=None, description="The screen on which pictures are judged before they are printed."
    )
    strips: StripsSection = Field(
        default=StripsSection(), description="How patch strips that come back are judged."
    )
    usual_lab: Annotated[
        tuple[tuple[str, str], ...],
        PlainValidator(_usual_lab),
        WithJsonSchema({"type": "object", "additionalProperties": {"type": "string"}}),
    ] = Field(
        default=(),
        description=(
            "The lab that prints a surface when a request names none; needed where more than one "
            "offers it."
        ),
        examples=[{"smooth-rag": "brindlewick"}],
    )

    @field_validator("time_zone")
    @classmethod
    def _known_zone(cls, zone: str) -> str:
        try:
            ZoneInfo(zone)
        except (ZoneInfoNotFoundError, ValueError, OSError) as error:
            raise mistaken(
                Problem(f"there is no time zone {quoted(zone)}", f'Write it like "{_zone(zone)}".')
            ) from error
        return zone

    @field_validator("people")
    @classmethod
    def _a_photographer(cls, people: tuple[PersonSection, ...]) -> tuple[PersonSection, ...]:
        if all(person.role != "photographer" for person in people):
            raise mistaken(
                Problem(
                    "nobody is a photographer, so some held pictures could never be answered",
                    'Give one of them role = "photographer".',
                )
            )
        return people

    def studio(self) -> Studio:
        """The studio that this file describes."""
        return Studio(
            name=self.name,
            time_zone=self.time_zone,
            people=tuple(Person(each.name, each.role) for each in self.people),
            hot=HotRoot(self.hot.path, self.hot.watch),
            settle=Settle(
                self.settle.local_s,
                self.settle.share_s,
                self.settle.scan_s,
                self.settle.truncated_wait_min,
                self.settle.sheet_wait_hours,
            ),
            limits=self.limits.limits(),
            default_lab=self.usual_lab,
            untagged=self.untagged,
            contact=self.contact,
            ship_to=self.ship_to,
            upkeep=Upkeep(**self.upkeep.model_dump()),
            keep=Keep(**self.keep.model_dump()),
            prepare=self.prepare.window,
            page=self.page.page(),
            morning=self.morning.morning(),
            display=self.display.display() if self.display is not None else None,
            strips=self.strips.limits(),
        )
