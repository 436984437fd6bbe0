"""Reads a studio's settings and reports every mistake of every file at once."""

from __future__ import annotations

import hashlib
import re
import tomllib
from collections.abc import Iterable
from dataclasses import dataclass, replace
from decimal import Decimal
from pathlib import Path
from typing import Any, TypeVar

from pydantic import ValidationError

from platemark.model.errors import SettingsError, StudioMissing
from platemark.model.request import read_value
from platemark.model.studio import Settings
from platemark.settings.edition_file import EditionFile
from platemark.settings.lab_file import LabFile
from platemark.settings.report import Mistake, listed, mistakes_of
from platemark.settings.studio_file import StudioFile
from platemark.settings.surface_file import SurfaceFile
from platemark.settings.values import Around, Section

STUDIO_FILE = "studio.toml"
FOLDERS = ("surfaces", "labs", "editions")

M = TypeVar("M", bound=Section)


@dataclass(frozen=True, slots=True)
class _File:
    name: str
    data: bytes
    values: dict[str, Any] | None
    """None where it cannot be read at all."""
    mistakes: tuple[Mistake, ...]

    @property
    def id(self) -> str:
        return Path(self.name).stem


def load_settings(studio_dir: Path) -> Settings:
    """Read all settings of a studio.

    Raises:
        StudioMissing: there is no `studio.toml`.
        SettingsError: they have mistakes; the sentence lists all of them.
    """
    settings, mistakes = find_mistakes(studio_dir)
    if settings is None:
        raise SettingsError(
            listed(mistakes), "Mend these lines and try again; nothing was done meanwhile."
        )
    return settings


def find_mistakes(studio_dir: Path) -> tuple[Settings | None, tuple[Mistake, ...]]:
    """Read all settings of a studio and find everything that is wrong with them.

    Returns:
        The settings, or None where there is any mistake; and the mistakes, file by file.

    Raises:
        StudioMissing: there is no `studio.toml`.
    """
    files = [_read(studio_dir, name) for name in settings_files(studio_dir)]
    surfaces = [file for file in files if file.name.startswith("surfaces/")]
    labs = [file for file in files if file.name.startswith("labs/")]
    known = _around(files[0], surfaces, labs)
    studio, mistakes = _checked(StudioFile, files[0], known)
    found = [*mistakes, *_none_there(surfaces, labs), *_misnamed(studio_dir)]
    surface_models = []
    for file in surfaces:
        surface, mistakes = _checked(SurfaceFile, file, known)
        found += [*_bad_id(file), *mistakes]
        surface_models += [surface.surface(file.id)] if surface is not None else []
    lab_models = []
    for file in labs:
        lab, mistakes = _checked(LabFile, file, known)
        found += [*_bad_id(file), *mistakes]
        lab_models += [lab.lab(file.id)] if lab is not None else []
    editions = []
    for file in (file for file in files if file.name.startswith("editions/")):
        edition, mistakes = _checked(EditionFile, file, known)
        found += [*_bad_id(file), *mistakes]
        editions += [edition.edition(file.id)] if edition is not None else []
    if found or studio is None:
        return None, tuple(dict.fromkeys(found))
    settings = Settings(
        studio.studio(),
        tuple(surface_models),
        tuple(lab_models),
        _sha256(files),
        tuple(editions),
    )
    return settings, ()


def settings_files(studio_dir: Path) -> tuple[str, ...]:
    """Names of the files that hold the settings, from the studio's folder.

    `studio.toml` is the first; hidden files are nobody's settings.

    Raises:
        StudioMissing: there is no `studio.toml`.
    """
    if not (studio_dir / STUDIO_FILE).is_file():
        raise StudioMissing(
            f"There is no studio in {studio_dir}.",
            "Go to a studio's folder, name one with --studio, or make one with `platemark new`.",
        )
    below = [
        f"{folder}/{path.name}"
        for folder in FOLDERS
        for path in _visible(studio_dir / folder)
        if path.suffix == ".toml"
    ]
    return (STUDIO_FILE, *sorted(below))


def _visible(folder: Path) -> list[Path]:
    if not folder.is_dir():
        return []
    return sorted(path for path in folder.iterdir() if not path.name.startswith("."))


def _read(studio_dir: Path, name: str) -> _File:
    try:
        data = (studio_dir / name).read_bytes()
    except OSError as error:
        wrong = f"it cannot be read: {error.strerror}"
        right = "Let the account that Platemark runs under read it."
        return _File(name, b"", None, (Mistake(name, "", wrong, right),))
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        wrong = f"line {line} has a letter that is not UTF-8"
        right = "Save the file as plain text in UTF-8."
        return _File(name, data, None, (Mistake(name, "", wrong, right),))
    try:
        values = tomllib.loads(text, parse_float=Decimal)
    except tomllib.TOMLDecodeError as error:
        return _File(name, data, None, (_syntax(name, str(error), text),))
    except (ValueError, RecursionError, ArithmeticError):
        # The reader does not say where.
        wrong = "a number is longer, or a list deeper, than anything that stands here can be"
        right = "Look for it in the file and write it short."
        return _File(name, data, None, (Mistake(name, "", wrong, right),))
    return _File(name, data, values, ())


def _syntax(name: str, said: str, text: str) -> Mistake:
    match = re.fullmatch(r"(.*) \(at (?:line (\d+), column \d+|end of document)\)", said, re.DOTALL)
    why, at = (match[1], match[2]) if match else (said, None)
    lines = text.rstrip().splitlines()
    line = min(int(at), len(lines)) if at else len(lines)
    shown = lines[line - 1].strip() if lines else ""
    if re.match(r"Cannot (overwrite|declare|mutate)", why):
        return Mistake(name, "", f"line {line} (“{shown}”) is there twice", "Keep one of the two.")
    if at is None:
        return Mistake(name, "", "it ends too early", "A quote or a bracket is not closed.")
    return Mistake(
        name,
        "",
        f"line {line} (“{shown}”) cannot be read",
        'Write key = value, one to a line; words, sizes and lengths in quotes, like "16x20in".',
    )


def _checked(model: type[M], file: _File, known: Around) -> tuple[M | None, tuple[Mistake, ...]]:
    if file.values is None:
        return None, file.mistakes
    try:
        return model.model_validate(file.values, context=replace(known, id=file.id)), ()
    except ValidationError as error:
        return None, mistakes_of(error, model, file.values, file.name)


def _around(studio: _File, surfaces: Iterable[_File], labs: Iterable[_File]) -> Around:
    return Around(
        surfaces={file.id: _edge(file.values) for file in surfaces},
        labs={
            file.id: None if file.values is None else _texts(file.values, "products", "surface")
            for file in labs
        },
        people=tuple(name.strip().casefold() for name in _texts(studio.values, "people", "name")),
        printed_on_back=frozenset(
            file.id for file in surfaces if (file.values or {}).get("printed_on") == "back"
        ),
    )


def _edge(values: dict[str, Any] | None) -> str | None:
    edge = (values or {}).get("edge")
    return edge if edge in ("none", "bleed", "wrap") else None


def _texts(values: dict[str, Any] | None, section: str, key: str) -> tuple[str, ...]:
    items = (values or {}).get(section)
    if not isinstance(items, list):
        return ()
    found = (item.get(key) for item in items if isinstance(item, dict))
    return tuple(text for text in found if isinstance(text, str))


def _none_there(surfaces: list[_File], labs: list[_File]) -> list[Mistake]:
    found = []
    if not surfaces:
        right = "Copy one from a starter studio (`platemark new`) and change it."
        found.append(Mistake("surfaces/", "", "there is no surface", right))
    if not labs:
        right = "Copy one from a starter studio (`platemark new`) and change it."
        found.append(Mistake("labs/", "", "there is no lab", right))
    return found


def _misnamed(studio_dir: Path) -> list[Mistake]:
    """Settings that an editor or a file manager gave another ending, so that nobody reads them."""
    return [
        Mistake(
            f"{folder}/{path.name}",
            "",
            "nobody reads it, because its name does not end in .toml",
            f"Call it {re.split(r'[.]toml', path.name, flags=re.IGNORECASE)[0]}.toml.",
        )
        for folder in FOLDERS
        for path in _visible(studio_dir / folder)
        if re.search(r"\.toml(\.txt)?$", path.name, re.IGNORECASE) and path.suffix != ".toml"
    ]


def _bad_id(file: _File) -> list[Mistake]:
    try:
        read_value("surface", file.id)
    except ValueError:
        better = re.sub(r"[^a-z0-9]+", "-", file.id.lower()).strip("-") or "name"
        wrong = "its name is used as an id, and ids have small letters, digits and hyphens"
        return [Mistake(file.name, "", wrong, f"Call it {better}.toml.")]
    return []


def _sha256(files: Iterable[_File]) -> str:
    """Hash over names and bytes, each file's bytes by their own hash so that none run together."""
    total = hashlib.sha256()
    for file in sorted(files, key=lambda each: each.name):
        total.update(file.name.encode() + b"\0" + hashlib.sha256(file.data).digest())
    return total.hexdigest()
