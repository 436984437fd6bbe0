"""`[upkeep]` and `[keep]` in `studio.toml`: what is looked after at night, and what may go when."""

from __future__ import annotations

from datetime import time

from pydantic import Field

from platemark.settings.values import Section, TimeOfDay, Whole


class UpkeepSection(Section):
    """When the service looks after what it keeps: the record, the archive, and what may go."""

    at: TimeOfDay = Field(
        default=time(3, 30),
        description="The time of day at which it is begun, in the studio's time zone.",
        examples=["03:30"],
    )
    archive_days: Whole = Field(
        default=7,
        ge=1,
        le=366,
        description="Nights over which one reading of the whole archive is spread.",
        examples=[7],
    )
    minutes: Whole = Field(
        default=120,
        ge=1,
        le=1440,
        description="Minutes that reading the archive may take in one night.",
        examples=[120],
    )
    backup_days: Whole = Field(
        default=30,
        ge=1,
        le=366,
        description="Days after the last backup when doctor says that another is due.",
        examples=[30],
    )


class KeepSection(Section):
    """How long what is no longer needed is kept; 0 is for ever."""

    taken_days: Whole = Field(
        default=30,
        ge=0,
        le=36_500,
        description="Days that a dropped file stays in taken/; the archive has it as well.",
        examples=[30],
    )
    parcels_days: Whole = Field(
        default=365,
        ge=0,
        le=36_500,
        description=(
            "Days that a delivered parcel stays in outgoing/; its tickets and lists go into the "
            "archive before it leaves."
        ),
        examples=[365],
    )
    withdrawn_days: Whole = Field(
        default=365,
        ge=0,
        le=36_500,
        description=(
            "Days that things which were never sent are kept: the files of withdrawn pictures, "
            "print files and previews that others took the place of, answers that could not be "
            "read, damaged files that were set aside."
        ),
        examples=[365],
    )
    archive_years: Whole = Field(
        default=0,
        ge=0,
        le=1000,
        description=(
            "Years that originals and print files of sent pictures are kept; those of an edition "
            "stay for ever."
        ),
        examples=[0],
    )
