"""How single values of the settings are read, and what is said of one that is wrong."""

from __future__ import annotations

import difflib
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime, time
from decimal import Decimal
from typing import Annotated, Any, TypeVar

from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    PlainValidator,
    Strict,
    StringConstraints,
    ValidationInfo,
    WithJsonSchema,
)
from pydantic_core import PydanticCustomError

from platemark.model.units import BadSize, Length, Size, parse_full_size

T = TypeVar("T")

PROBLEMS = "platemark_problems"
"""Type of the pydantic error that carries our own sentences."""


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing wrong with a value: a sentence without its full stop, and the cure."""

    wrong: str
    right: str = ""
    """Empty where the example of the key is the best cure."""
    at: tuple[str, ...] = ()
    """Keys below the value, where the value is a section."""


@dataclass(frozen=True, slots=True)
class Around:
    """What other files, and other parts of this file, say that a value may refer to.

    It is taken from the files as they are, so that one mistake does not hide another.
    """

    surfaces: Mapping[str, str | None]
    """Edge of each surface by its id; None where that cannot be read."""
    labs: Mapping[str, tuple[str, ...] | None]
    """Surfaces that each lab's products name, by the lab's id; None where they cannot be read."""
    people: tuple[str, ...] = ()
    """Names as `studio.toml` has them."""
    id: str = ""
    """Id of the file that is being read."""
    printed_on_back: frozenset[str] = frozenset()
    """Surfaces whose picture is seen through them."""

    def may_offer(self, lab: str, surface: str) -> bool:
        """Whether a lab has a product on a surface, or something that was meant to be one.

        A lab that cannot be read, or a product whose surface is mistyped, is a mistake of its
        own; what refers to it is not called wrong as well.
        """
        offered = self.labs[lab]
        if offered is None or surface in offered:
            return True
        return bool(nearest(surface, (each for each in offered if each not in self.surfaces)))


class Section(BaseModel):
    """A part of a settings file: nothing unknown passes, and nothing changes later."""

    model_config = ConfigDict(extra="forbid", frozen=True)


def mistaken(*problems: Problem) -> PydanticCustomError:
    """Make the error that reports problems in our words.

    Args:
        problems: At least one.
    """
    return PydanticCustomError(
        PROBLEMS, "{first}", {"first": problems[0].wrong, "problems": problems}
    )


def around(info: ValidationInfo) -> Around | None:
    """What is known of the other files, or None where one file is read for itself."""
    return info.context if isinstance(info.context, Around) else None


def nearest(word: str, choices: Iterable[str]) -> str:
    """The choice most like a mistyped or shortened word, or an empty text."""
    known = {choice.casefold(): choice for choice in choices}
    typed = word.casefold()
    found = difflib.get_close_matches(typed, known, n=1)
    if not found and len(typed) >= 3:
        found = [choice for choice in known if choice.startswith(typed)]
    return known[found[0]] if len(found) == 1 else ""


def one_of(choices: Iterable[str], word: str = "or") -> str:
    """Write choices for people: `a, b or c`."""
    names = list(choices)
    return f" {word} ".join([", ".join(names[:-1]), names[-1]]) if names[1:] else "".join(names)


def meant(word: str, choices: Iterable[str], none: str) -> str:
    """The cure for a name that nobody knows: the nearest one, and all there are.

    Args:
        word: The name as it was written.
        choices: The names that would do.
        none: The cure where there is no name at all.
    """
    names = sorted(choices)
    if not names:
        return none
    near = nearest(word, names)
    listed = f"There is {one_of(names, 'and')}."
    return f"Is “{near}” meant? {listed}" if near else listed


def quoted(value: object) -> str:
    """Write a value as it stands in the file, short enough for a sentence."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dict):
        return "a section"
    if isinstance(value, list):
        return "a list"
    text = str(value)
    return f"“{text if len(text) <= 60 else text[:57] + '…'}”"


def _measure(read: Callable[[str], T], what: str, example: str) -> Callable[[object], T]:
    def parse(value: object) -> T:
        if not isinstance(value, str):
            raise mistaken(
                Problem(
                    f"{quoted(value)} is not {what}",
                    f"Write it with its unit and in quotes, like {example}.",
                )
            )
        try:
            return read(value)
        except BadSize as error:
            wrong, _, right = str(error).partition("; ")
            raise mistaken(Problem(wrong, f"{right[:1].upper()}{right[1:]}.")) from error

    return parse


def _exact(value: object) -> Decimal:
    if isinstance(value, bool) or not isinstance(value, int | Decimal):
        raise mistaken(Problem(f"{quoted(value)} is not a number"))
    number = Decimal(value)
    if not number.is_finite():
        raise mistaken(Problem(f"{quoted(value)} is not a number"))
    return number


def _day(value: object) -> date:
    if isinstance(value, date) and not isinstance(value, datetime):
        return value
    try:
        return date.fromisoformat(value if isinstance(value, str) else "")
    except ValueError as error:
        raise mistaken(
            Problem(f"{quoted(value)} is not a date", "Write it like 2027-03-31.")
        ) from error


def _time(value: object) -> time:
    if isinstance(value, time) and value.tzinfo is None:
        return value
    try:
        return datetime.strptime(value if isinstance(value, str) else "", "%H:%M").time()
    except ValueError as error:
        raise mistaken(
            Problem(f"{quoted(value)} is not a time of day", 'Write it like "06:15".')
        ) from error


def _schema(**what: Any) -> WithJsonSchema:
    return WithJsonSchema(what)


_NUMBER = r"[0-9]{1,6}(\.[0-9]{1,6})?"
_UNIT = "([iI][nN]|[cC][mM]|[mM][mM])"

Words = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1)]
Text = Annotated[str, StringConstraints(strip_whitespace=True)]
Whole = Annotated[int, Strict()]
YesNo = Annotated[bool, Strict()]
Exact = Annotated[Decimal, BeforeValidator(_exact)]
Day = Annotated[date, PlainValidator(_day), _schema(type="string", format="date")]
TimeOfDay = Annotated[
    time,
    PlainValidator(_time),
    _schema(type="string", pattern="^([01]?[0-9]|2[0-3]):[0-5]?[0-9]$"),
]
LengthText = Annotated[
    Length,
    PlainValidator(_measure(Length.parse, "a length", '"3mm", "1.5in" or "2cm"')),
    _schema(type="string", pattern=rf"^\s*{_NUMBER}\s*{_UNIT}\s*$"),
]
SizeText = Annotated[
    Size,
    PlainValidator(_measure(parse_full_size, "a size", '"16x20in", "40x60cm" or "A3"')),
    _schema(
        type="string",
        pattern=rf"^\s*([aA][0-6]|{_NUMBER}\s*[x×X]\s*{_NUMBER}\s*{_UNIT})\s*$",
    ),
]
