"""What lies in the hot folders and will not become a job as it is, in words for people."""

from __future__ import annotations

import stat
from dataclasses import dataclass

from platemark.model.job import shown_name

DEEPEST = 20
"""Folders within folders that are looked into."""


@dataclass(frozen=True, slots=True)
class Oddity:
    """Something in the hot folders that will not become a job as it is."""

    relative: bytes
    sentence: str
    next: str


def document(path: bytes) -> Oddity:
    """A spreadsheet that cannot be read as it is."""
    stem, _, _ = shown_name(path.rsplit(b"/", 1)[-1]).rpartition(".")
    return Oddity(
        path,
        "A table of this kind cannot be read as an order sheet, and it is no picture.",
        f"Open it, save it as CSV (UTF-8) under the name {stem}.csv here, and remove this one.",
    )


def no_plain_file(path: bytes, kind: int) -> Oddity:
    """A link, a pipe, a device, or a file with a second name."""
    if kind == stat.S_IFREG:
        return Oddity(
            path,
            "The same file has a second name somewhere, so it could change after it was taken.",
            "Put a copy of it here instead, under another name, and remove this one.",
        )
    if kind == stat.S_IFLNK:
        return Oddity(
            path,
            "It is only a link to something elsewhere; links are not followed.",
            "Remove the link and copy the picture or folder itself here.",
        )
    return Oddity(path, "It is no file that could hold a picture.", "Remove it.")


def unreadable(path: bytes) -> Oddity:
    """A folder that cannot be looked into."""
    return Oddity(
        path,
        "Platemark may not look into this folder, or the disk refuses.",
        "Give it the right to read and change the folder, or check the disk.",
    )


def unreadable_file(path: bytes) -> Oddity:
    """A file that we may not read."""
    return Oddity(
        path, "Platemark may not read this file.", "Give it the right to, or copy the file again."
    )


def unreadable_sheet(path: bytes) -> Oddity:
    """An order sheet that we may not read."""
    return Oddity(
        path,
        "Platemark may not read this order sheet, so no picture that it may name is taken.",
        "Give it the right to, copy the sheet again, or remove it.",
    )


def not_ours_to_move(path: bytes) -> Oddity:
    """A folder that nothing may be moved out of."""
    return Oddity(
        path,
        "Platemark may not move files out of this folder, so nothing in it is taken.",
        "Give it the right to change the folder.",
    )


def other_disk(path: bytes) -> Oddity:
    """A folder that something else is mounted on."""
    return Oddity(
        path,
        "This folder is on another disk than the hot folder around it, so it is not looked into.",
        "Put the pictures into a folder of the hot folder itself.",
    )


def too_deep(path: bytes) -> Oddity:
    """A folder below too many others."""
    return Oddity(
        path,
        f"There are more than {DEEPEST} folders in each other; this one is not looked into.",
        "Move the pictures further up.",
    )


def long_sheet_name(path: bytes) -> Oddity:
    """An order sheet beside which no answer has room for its name."""
    return Oddity(
        path,
        "The name of this order sheet is too long, so it is not read.",
        "Give it a shorter one.",
    )
