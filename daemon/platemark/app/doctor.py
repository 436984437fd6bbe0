"""`doctor`: everything that can be wrong with a studio, and what to do about it."""

from __future__ import annotations

import shutil
import sys
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Literal
from zoneinfo import ZoneInfo

import click

from platemark.app.coming_words import closing_words, coming_words, waiting_words
from platemark.app.context import FAULT, out, out_json, studio_of
from platemark.app.doctor_editions import edition_words
from platemark.app.doctor_hot import words_of_hot
from platemark.app.doctor_keeping import keeping_words
from platemark.app.doctor_morning import record_words, settings_words
from platemark.app.doctor_page import page_words
from platemark.app.doctor_word import Word
from platemark.app.open_studio import reading
from platemark.app.page.words import count_words
from platemark.app.showing import AS_JSON, on_terminal, show_table
from platemark.delivery import COLLECT, courier_for
from platemark.engine.profile_dates import near_profiles
from platemark.engine.profiles import is_retired
from platemark.imaging.sandbox import confinement
from platemark.intake.mounts import is_network
from platemark.model.errors import StudioMissing
from platemark.model.plain import to_plain
from platemark.model.studio import Settings
from platemark.settings.load import find_mistakes

LITTLE_ROOM = 5 * 2**30
APART = {
    "limits on memory, processor time and output": "limits on memory, time and output",
    "death with the parent": "an end when the service ends",
    "no new privileges": "no further rights",
    "reads and writes only what its task names": "no other file within reach",
    "no TCP connections": "no network",
    "no signals to other processes": "no hold on other programs",
}
"""How the confinements of whatever opens a picture are called for people."""


@click.command("doctor")
@AS_JSON
@click.pass_obj
def doctor(studio: str | None, as_json: bool) -> None:
    """Say what is wrong with the studio, and what to do about it."""
    root = studio_of(studio)
    words = tuple(examine_studio(root))
    if as_json:
        out_json([to_plain(word) for word in words])
    else:
        _tell(words)
    sys.exit(FAULT if any(word.level == "wrong" for word in words) else 0)


def _tell(words: Sequence[Word]) -> None:
    signs = {"good": "good", "note": "note", "wrong": "WRONG"}
    if on_terminal():
        rows = [
            (signs[word.level], word.about, "\n".join(filter(None, (word.sentence, word.next))))
            for word in words
        ]
        show_table(("", "about", "said"), rows, texts=("about", "said"))
        return
    for word in words:
        out(f"{signs[word.level]:>6}  {word.about}: {word.sentence}")
        if word.next:
            out(f"         {word.next}")


def examine_studio(root: Path) -> Iterator[Word]:
    """Everything that can be said of a studio without changing it."""
    settings, mistakes = find_mistakes(root)
    for mistake in mistakes:
        yield Word("wrong", "settings", str(mistake))
    if settings is None:
        return
    if not mistakes:
        yield Word(
            "good",
            "settings",
            f"{count_words(len(settings.surfaces), 'surface', 'surfaces')}, "
            f"{count_words(len(settings.labs), 'lab', 'labs')}, "
            f"{count_words(len(settings.studio.people), 'person', 'people')}",
        )
    yield from _folders(root, settings)
    yield from _disk(root, settings)
    yield from _profiles(root, settings)
    yield from _deliveries(root, settings)
    yield from closing_words(settings)
    yield from settings_words(root, settings)
    yield from page_words(root, settings.studio.page)
    yield from _record(root, settings)
    kept = ", ".join(dict.fromkeys(APART.get(each, each) for each in confinement()))
    yield Word("good", "pictures", f"each is opened apart from the rest, with {kept}")
    yield from coming_words(settings, datetime.now(UTC))


def _folders(root: Path, settings: Settings) -> Iterator[Word]:
    for said in words_of_hot(root, settings):
        yield Word(*said)
    for surface in settings.surfaces:
        if not settings.labs_offering(surface.id):
            yield Word(
                "note",
                "surfaces",
                f"no lab prints on {surface.id}",
                "Add a product to one of labs/*.toml, or remove the surface.",
            )
        elif settings.usual_lab(surface.id) is None:
            yield Word(
                "note",
                "surfaces",
                f"more than one lab prints on {surface.id}; each request must name one",
                "Or name the usual one in studio.toml under [usual_lab].",
            )


def _disk(root: Path, settings: Settings) -> Iterator[Word]:
    del settings
    free = shutil.disk_usage(root).free
    level: Literal["good", "wrong"] = "good" if free > LITTLE_ROOM else "wrong"
    yield Word(
        level,
        "disk",
        f"{free / 2**30:.1f} GB free",
        "" if level == "good" else "Free some space: a large picture needs several gigabytes.",
    )
    if is_network(root):
        yield Word(
            "wrong",
            "disk",
            "the studio is on a network share",
            "Move it to a local disk; only hot folders may be on a share.",
        )


def _profiles(root: Path, settings: Settings) -> Iterator[Word]:
    today = datetime.now(ZoneInfo(settings.studio.time_zone)).date()
    near = {(each.stated.lab, each.stated.file): each for each in near_profiles(settings, today)}
    try:
        with reading(root) as reader:
            rows = reader.profiles()
    except StudioMissing:
        rows = []
    for lab in settings.labs:
        for product in lab.products:
            use = product.profile
            if use is None:
                continue
            about = f"profile of {lab.id} for {product.surface}"
            if not (root / "profiles" / use.file).is_file():
                yield Word(
                    "wrong",
                    about,
                    f"{use.file} is not in profiles/",
                    "Put the file that the lab sent there, under that name.",
                )
            elif is_retired([r for r in rows if (r.lab, r.surface) == (lab.id, product.surface)]):
                yield Word(
                    "wrong",
                    about,
                    f"{use.file} was retired, and no other was added since",
                    "Ask the lab for its current one, and `platemark profiles add` it.",
                )
            elif use.valid_until is not None and (told := near.get((lab.id, use.file))):
                level: Literal["note", "wrong"] = "wrong" if told.days_left < 0 else "note"
                yield Word(level, about, f"{use.file}: {told.sentence}", told.next)
            else:
                yield Word("good", about, use.file)


def _deliveries(root: Path, settings: Settings) -> Iterator[Word]:
    for lab in settings.labs:
        means = lab.delivery
        about = f"delivery to {lab.id}"
        if means.method == COLLECT:
            yield Word("good", about, f"somebody fetches from outgoing/{lab.id}/")
        elif courier_for(means.method) is None:
            yield Word(
                "wrong",
                about,
                f"nobody knows how to deliver by “{means.method}”",
                f"Correct [delivery] in labs/{lab.id}.toml.",
            )
        elif means.method == "folder" and not (root / means.path).is_dir():
            yield Word("wrong", about, f"{means.path} is not there", "Connect the disk or share.")
        else:
            yield Word("good", about, f"by {means.method}, to {means.path}")


def _record(root: Path, settings: Settings) -> Iterator[Word]:
    try:
        with reading(root) as reader:
            head = reader.head()
            held = len(reader.jobs(state="held"))
            kept = (
                *waiting_words(settings, reader, datetime.now(UTC)),
                *record_words(root, settings, reader),
                *keeping_words(root, settings, reader),
                *edition_words(settings, reader),
            )
    except StudioMissing:
        yield Word("note", "record", "none yet; it begins with the first sweep or run")
        return
    yield Word("good", "record", f"{head.seq} entries")
    if held:
        yield Word(
            "note",
            "held",
            count_words(held, "job waits for an answer", "jobs wait for an answer"),
            "See hot/WAITING.txt.",
        )
    yield from kept
