"""`[suits]` in a surface's file: from where on a picture is said not to suit it."""

from __future__ import annotations

from decimal import Decimal
from typing import Annotated, Any, Final, Literal

from pydantic import Field, PlainValidator, ValidationInfo, WithJsonSchema, field_validator

from platemark.settings.values import Problem, Section, mistaken, quoted

OFF: Final = "off"


def _reader(least: int, most: int) -> PlainValidator:
    """Read a number in a range, or "off"."""

    def read(value: object) -> Decimal | Literal["off"]:
        if value == OFF:
            return "off"
        is_number = isinstance(value, int | Decimal) and not isinstance(value, bool)
        number = Decimal(str(value)) if is_number else Decimal("NaN")
        if not number.is_finite():
            raise mistaken(Problem(f"{quoted(value)} is neither a number nor “off”"))
        if not least <= number <= most:
            raise mistaken(
                Problem(
                    f"{quoted(value)} is not from {least} to {most}",
                    f'Write a number from {least} to {most}, or "off".',
                )
            )
        return number

    return PlainValidator(read)


def _schema(least: int, most: int) -> WithJsonSchema:
    number = {"type": "number", "minimum": least, "maximum": most}
    return WithJsonSchema({"anyOf": [number, {"const": OFF}]})


Limit = Decimal | Literal["off"] | None
Percent = Annotated[Limit, _reader(0, 100), _schema(0, 100)]
Lightness = Annotated[Limit, _reader(0, 100), _schema(0, 100)]
Amount = Annotated[Limit, _reader(0, 300), _schema(0, 300)]
Degrees = Annotated[Limit, _reader(0, 180), _schema(0, 180)]
Tint = Annotated[Limit, _reader(-60, 60), _schema(-60, 60)]
Count = Annotated[Limit, _reader(1, 1000), _schema(1, 1000)]


def _key(words: str, example: float | str) -> Any:
    return Field(default=None, description=words, examples=[example])


class SuitsSection(Section):
    """From where on a picture is said not to suit this surface.

    Each is a number, or "off" for what shall never be said here; what is left out is as usual for
    surfaces that shine and feel like this one.
    """

    low_key_median_l: Lightness = _key(
        "A picture is called dark where half of it is no lighter than this (L*), and low_key_p95_l "
        "holds as well.",
        30,
    )
    low_key_p95_l: Lightness = _key(
        "A dark picture is one of which all but the lightest twentieth is no lighter than this "
        "(L*), and low_key_median_l holds as well.",
        60,
    )
    flat_l: Lightness = _key(
        "A picture is called flat where its lightness spans less than this (L*), the darkest and "
        "lightest twentieth left out.",
        30,
    )
    shadow_percent: Percent = _key(
        "How much of a picture may be darker than this surface's black, with something to be seen "
        "in it.",
        20,
    )
    white_percent: Percent = _key(
        "On bare metal: from how much white on the ticket says that it will be metal.", 3
    )
    white_stop_percent: Percent = _key(
        "On bare metal: from how much white on the picture is held for the photographer.", 15
    )
    dark_median_l: Lightness = _key(
        "On bare metal: a picture is called too dark where half of it is no lighter than this "
        "(L*).",
        35,
    )
    blown_patch_percent: Percent = _key(
        "How large one patch of pure white may be, of the whole picture.", 2
    )
    white_edge_percent: Percent = _key(
        "How much of the rim may be nearly white where the print has no border.", 25
    )
    gamut_loss_percent: Percent = _key(
        "How much of a picture may be of colours that cannot be printed.", 10
    )
    other_intent_percent: Percent = _key(
        "How much of a picture may look visibly different with the other rendering intent before "
        "the photographer is shown both.",
        5,
    )
    chroma: Amount = _key(
        "Where the lab converts, and no profile tells more: how strong (C*) the strongest "
        "hundredth of a picture may be.",
        80,
    )
    soft_gradient: Lightness = _key(
        "A picture is called soft where its steepest hundredth changes by less than this (L*) from "
        "one pixel of the print to the next.",
        4,
    )
    fine_detail_percent: Percent = _key(
        "How much of a picture's detail may be finer than a quarter of a millimetre before the "
        "texture hides it.",
        8,
    )
    grain: Lightness = _key("How strong grain may be (L*) in areas that are otherwise smooth.", 4)
    skin_percent: Percent = _key(
        "From how much of colours like skin on a picture is looked at as a portrait.", 5
    )
    skin_shift: Amount = _key(
        "How far (CIEDE2000) those colours may be moved by the conversion, on average.", 3
    )
    neutral_chroma: Amount = _key(
        "How much colour (C*) a black-and-white picture may have on average, once it is converted.",
        2,
    )
    hue_turn: Degrees = _key(
        "How far a toned picture's hue may be turned by the conversion, in degrees.", 10
    )
    cool_white_b: Tint = _key(
        "A warm tone is said to be cooled where this surface's own white (white_b) is at or under "
        "this.",
        -2,
    )
    empty_levels_percent: Percent = _key(
        "How many of the 256 levels of a channel may be missing within a picture's range.", 10
    )
    plateau_percent: Percent = _key(
        "How much of a picture may lie in plain bands with a step between them.", 1
    )
    busy_wrap: Amount = _key(
        "How many times as busy as the whole picture what is folded over may be.", 1.5
    )
    mirrored_lines: Count = _key(
        "From how many long straight lines that meet a mirrored wrap on the ticket speaks of them.",
        4,
    )
    halo: Lightness = _key(
        "Where sharpening is asked: how bright or dark (L*) rims beside edges may be already.", 10
    )

    @field_validator("white_stop_percent")
    @classmethod
    def _above_caution(cls, stop: Limit, info: ValidationInfo) -> Limit:
        caution = info.data.get("white_percent")
        if isinstance(stop, Decimal) and isinstance(caution, Decimal) and stop < caution:
            raise mistaken(
                Problem(
                    f"white_stop_percent is {stop} and white_percent is {caution}, so nothing "
                    "would ever be cautioned",
                    "Give white_stop_percent the larger number.",
                )
            )
        return stop

    def said(self) -> dict[str, Decimal | None]:
        """What the section says, None for what is off."""
        given = ((key, value) for key, value in self if value is not None)
        return {key: None if value == OFF else value for key, value in given}
