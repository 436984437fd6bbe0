"""Finds a studio, takes its lock and puts the engine together."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import structlog

from platemark import durable
from platemark.engine.clock import Clock, SystemClock
from platemark.engine.copy_marker import refuse_a_copy
from platemark.engine.dispatch import Dispatch
from platemark.engine.hot_side import Silent, answer_within
from platemark.engine.recovery import recover
from platemark.engine.workshop import Folders, Workshop
from platemark.imaging.child import Children
from platemark.intake.mounts import is_network
from platemark.ledger.read import Reader, connect_reader
from platemark.ledger.store import Ledger
from platemark.model.errors import FolderGone, StudioBusy, StudioMissing
from platemark.settings.load import load_settings

SETTINGS_FILE = "studio.toml"
START_S = 10.0
"""A start waits so long for the hot folders to say what disk they are on."""


@dataclass(slots=True)
class OpenStudio:
    """A studio whose lock we hold, ready for turns."""

    workshop: Workshop
    dispatch: Dispatch


def find_studio(given: str | None) -> Path:
    """The studio's folder: the one given, else the one we stand in, else the environment's.

    Raises:
        StudioMissing: none of them is a studio.
    """
    if given is not None:
        return _checked(Path(given))
    for folder in (Path.cwd(), *Path.cwd().parents):
        if (folder / SETTINGS_FILE).is_file():
            return folder
    named = os.environ.get("PLATEMARK_STUDIO")
    if named:
        return _checked(Path(named))
    raise StudioMissing(
        "There is no studio here.",
        "Go into a studio's folder, name one with --studio, or make one with `platemark new DIR`.",
    )


@contextmanager
def open_studio(root: Path, clock: Clock | None = None) -> Iterator[OpenStudio]:
    """Take a studio's lock, prove its record, finish half steps, and have it ready.

    Raises:
        StudioBusy: another service has it.
        SettingsError: its settings have mistakes.
        PlatemarkError: the disk or the record is not fit.
    """
    refuse_a_copy(root)
    settings = load_settings(root)
    folders = Folders.of(root, settings)
    on_share = _share_at(folders.hot)
    with durable.only_one(folders.lock) as got:
        if not got:
            raise StudioBusy(
                "Another service has this studio.",
                "Stop that one first; answers can be given while it runs.",
            )
        clock = clock or SystemClock()
        ledger = Ledger(folders.ledger, clock.now)
        try:
            workshop = Workshop(folders, settings, ledger, clock, Children())
            workshop.prepare_folders()
            recover(workshop)
            yield OpenStudio(workshop, Dispatch(workshop, on_share=on_share))
        finally:
            ledger.close()


@contextmanager
def reading(root: Path) -> Iterator[Reader]:
    """Open a studio's record for questions.

    Raises:
        StudioMissing: it has no record yet.
    """
    connection = connect_reader(root / "ledger.sqlite3")
    try:
        yield Reader(connection)
    finally:
        connection.close()


def _share_at(hot: Path) -> bool:
    """Whether the hot folders are on a share; one that does not answer is.

    Raises:
        FolderGone: they are not there.
    """
    try:
        there, share = answer_within(START_S, lambda: (hot.is_dir(), is_network(hot)))
    except Silent:
        structlog.get_logger().error("hot-folder-silent", why=f"{hot} does not answer.")
        return True
    if not there:
        raise FolderGone(
            f"The hot folders' root {hot} is not there.",
            "Nothing is lost. Connect the disk or share that it is on, or correct [hot] in "
            "studio.toml.",
        )
    return share


def _checked(folder: Path) -> Path:
    if not (folder / SETTINGS_FILE).is_file():
        raise StudioMissing(
            f"{folder} is no studio: it has no {SETTINGS_FILE}.",
            "Make one with `platemark new DIR`.",
        )
    return folder.resolve()
