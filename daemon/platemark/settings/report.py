"""Mistakes in settings, as sentences for the photographer who wrote them."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal, get_args, get_origin

from pydantic import BaseModel, ValidationError
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails

from platemark.settings.values import PROBLEMS, Problem, nearest, one_of, quoted

Place = tuple[int | str, ...]


@dataclass(frozen=True, slots=True)
class Mistake:
    """One mistake: where it stands, what is wrong, and what would be right."""

    file: str
    """From the studio's folder, like `labs/brindlewick.toml`."""
    key: str
    """Like `products[canvas-wrap].ppi.target`; empty where it is about the whole file."""
    wrong: str
    right: str

    def __str__(self) -> str:
        where = f"{self.file}, {self.key}" if self.key else self.file
        return f"{where}: {self.wrong}. {self.right}"


def listed(mistakes: Sequence[Mistake]) -> str:
    """All mistakes as one text, a line for each."""
    count = len(mistakes)
    head = f"There {'is 1 mistake' if count == 1 else f'are {count} mistakes'} in the settings:"
    return "\n".join([head, *(f"  {mistake}" for mistake in mistakes)])


def mistakes_of(
    error: ValidationError, model: type[BaseModel], values: Mapping[str, Any], file: str
) -> tuple[Mistake, ...]:
    """Put what a model found into words.

    Args:
        error: What it raised.
        model: The model of the whole file.
        values: The file's values as they were read.
        file: The file's name for people.
    """
    found = error.errors(include_url=False)
    mistyped = {_mistyped(details, model) for details in found}
    return tuple(
        Mistake(
            file,
            key_path((*place, *problem.at), values),
            problem.wrong,
            problem.right or _example(model, (*place, *problem.at)),
        )
        for details in found
        if details["type"] != "missing" or details["loc"] not in mistyped
        if details["type"] != "too_short" or not _below(details["loc"], found)
        for place, problem in _problems(details, model)
    )


def key_path(place: Place, values: Any) -> str:
    """Write a place for people; an item of a list goes by its name where that is unlike others'.

    Args:
        place: Keys and positions from the top of the file.
        values: The file's values as they were read.
    """
    written = ""
    for part in place:
        if isinstance(part, int):
            written += f"[{_label(values, part)}]"
        else:
            written += f".{part}" if written else part
        values = _inside(values, part)
    return written


def _inside(values: Any, part: int | str) -> Any:
    if isinstance(values, dict):
        return values.get(part)
    if isinstance(values, list) and isinstance(part, int) and part < len(values):
        return values[part]
    return None


def _label(items: Any, position: int) -> str:
    if not isinstance(items, list):
        return str(position + 1)
    names = [
        next((item[k] for k in ("surface", "name") if isinstance(item.get(k), str)), "")
        if isinstance(item, dict)
        else ""
        for item in items
    ]
    name = names[position]
    return name if name and names.count(name) == 1 else str(position + 1)


def _problems(details: ErrorDetails, model: type[BaseModel]) -> Iterator[tuple[Place, Problem]]:
    place = details["loc"]
    if details["type"] == PROBLEMS:
        for problem in details["ctx"]["problems"]:
            yield place, problem
    elif details["type"] == "extra_forbidden":
        yield place, _unknown(place, model)
    elif details["type"] == "missing":
        yield place, Problem("it is missing")
    else:
        yield place, _translated(details)


def _translated(details: ErrorDetails) -> Problem:
    value = quoted(details["input"])
    limits = details.get("ctx", {})
    words = _KINDS.get(details["type"])
    if words is not None:
        return words(value, limits)
    return Problem(f"{value} cannot be read here ({details['msg']})")


def _not(what: str, right: str = "") -> Callable[[str, Mapping[str, Any]], Problem]:
    return lambda value, limits: Problem(f"{value} is not {what}", right)


def _bound(side: str, key: str) -> Callable[[str, Mapping[str, Any]], Problem]:
    return lambda value, limits: Problem(f"{value} is {side} {limits[key]}")


def _choice(value: str, limits: Mapping[str, Any]) -> Problem:
    choices = str(limits["expected"]).replace("'", "").replace(" or ", ", ").split(", ")
    near = nearest(value.strip("“”"), choices)
    right = f"Say {one_of(choices)}."
    return Problem(
        f"{value} is none of the choices", f"Is “{near}” meant? {right}" if near else right
    )


_KINDS: dict[str, Callable[[str, Mapping[str, Any]], Problem]] = {
    "literal_error": _choice,
    "int_type": _not("a whole number"),
    "bool_type": _not("true or false", "Write true or false, without quotes."),
    "string_type": _not("text in quotes"),
    "string_too_short": lambda value, limits: Problem("it is empty"),
    "too_short": lambda value, limits: Problem("the list is empty; at least one is needed"),
    "tuple_type": _not("a list"),
    "model_type": _not("a section"),
    "greater_than": _bound("not more than", "gt"),
    "greater_than_equal": _bound("less than", "ge"),
    "less_than_equal": _bound("more than", "le"),
}


def _mistyped(details: ErrorDetails, model: type[BaseModel]) -> Place | None:
    """The place that an unknown key was meant for; it need not be called missing as well."""
    if details["type"] != "extra_forbidden":
        return None
    *above, key = details["loc"]
    section = _model_at(model, tuple(above))
    near = nearest(str(key), section.model_fields) if section is not None else ""
    return (*above, near) if near else None


def _below(place: Place, found: Iterable[ErrorDetails]) -> bool:
    """Whether something in a list is wrong, so that the list is short of it but not empty."""
    return any(each["loc"] != place and each["loc"][: len(place)] == place for each in found)


def _unknown(place: Place, model: type[BaseModel]) -> Problem:
    key = str(place[-1])
    here = _model_at(model, place[:-1]) or model
    near = nearest(key, here.model_fields)
    if near:
        return Problem("nobody knows this key", f"Is “{near}” meant?")
    elsewhere = [
        section
        for section, each in _sections(model, "")
        if key in each.model_fields and each is not here
    ]
    if elsewhere:
        homes = one_of(section or "the top of the file" for section in elsewhere)
        top = " Lines of the top stand before the first [section]." if "" in elsewhere else ""
        return Problem("this key does not belong here", f"It belongs in {homes}.{top}")
    return Problem(
        "nobody knows this key", f"Remove it; what may stand here is {one_of(here.model_fields)}."
    )


def _sections(model: type[BaseModel], name: str) -> Iterator[tuple[str, type[BaseModel]]]:
    """Every section of a file with its name as TOML writes it; the top has an empty one."""
    yield name, model
    for key, field in model.model_fields.items():
        inner = _model_in(field.annotation)
        if inner is not None:
            path = f"{name.strip('[]')}.{key}".lstrip(".")
            yield from _sections(inner, f"[[{path}]]" if _repeats(field) else f"[{path}]")


def _example(model: type[BaseModel], place: Place) -> str:
    """The cure that the description of a key gives."""
    field = _field_at(model, place)
    if field is None:
        return "Look at the starter studio's file for how it is written."
    inner = _model_in(field.annotation)
    if inner is not None:
        path = ".".join(str(part) for part in place if isinstance(part, str))
        header = f"[[{path}]]" if _repeats(field) else f"[{path}]"
        needed = [key for key, each in inner.model_fields.items() if each.is_required()]
        return f"Add a section {header}" + (f" with {one_of(needed, 'and')}." if needed else ".")
    if get_origin(field.annotation) is Literal:
        # An example alone would be copied; here the person must choose.
        choices = one_of(_written(choice) for choice in get_args(field.annotation))
        return f"Write {place[-1]} = {choices}. {field.description}"
    written = _written(field.examples[0] if field.examples else "")
    if isinstance(place[-1], int):
        return f"Write the list like {written}."
    return f"Write a line like {place[-1]} = {written}."


def _written(value: object) -> str:
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{key} = {_written(each)}" for key, each in value.items()) + " }"
    return json.dumps(value, ensure_ascii=False)


def _repeats(field: FieldInfo) -> bool:
    return get_origin(field.annotation) is tuple


def _model_in(annotation: object) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    return _first(_model_in(each) for each in get_args(annotation))


def _first(found: Iterable[type[BaseModel] | None]) -> type[BaseModel] | None:
    return next((each for each in found if each is not None), None)


def _field_at(model: type[BaseModel], place: Place) -> FieldInfo | None:
    here: type[BaseModel] | None = model
    field: FieldInfo | None = None
    for part in place:
        if isinstance(part, int):
            continue
        field = here.model_fields.get(part) if here is not None else None
        if field is None:
            return None
        here = _model_in(field.annotation)
    return field


def _model_at(model: type[BaseModel], place: Place) -> type[BaseModel] | None:
    if not place:
        return model
    field = _field_at(model, place)
    return _model_in(field.annotation) if field is not None else None
