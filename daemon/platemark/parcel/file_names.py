"""Names of print files: the lab's pattern, in signs that every system takes."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Collection
from dataclasses import dataclass, replace

LONGEST_NAME = 100
"""Characters, extension included (common practice of labs)."""

PLACEHOLDERS = ("job", "copies", "title", "size", "surface", "order", "edition")
"""What a lab's pattern may name in braces."""

# Letters that have no decomposition in Unicode, in their usual Latin spelling.
_SPELT_OUT = str.maketrans(
    {
        "ß": "ss", "ẞ": "SS", "æ": "ae", "Æ": "AE", "œ": "oe", "Œ": "OE", "ø": "o", "Ø": "O",
        "đ": "d", "Đ": "D", "ð": "d", "Ð": "D", "þ": "th", "Þ": "Th", "ł": "l", "Ł": "L",
        "ħ": "h", "Ħ": "H", "ı": "i", "×": "x", "–": "-", "—": "-", "/": "-", "\\": "-", ":": "-",
    }
)  # fmt: skip
# Device names that Windows keeps for itself, whatever follows the first dot
# (from memory, unverified).
_DEVICE = re.compile(r"(?:con|prn|aux|nul|(?:com|lpt)[0-9])(?:\..*)?", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class _Parts:
    job: str
    copies: str
    title: str
    size: str
    surface: str
    order: str
    edition: str


def print_file_name(
    pattern: str,
    *,
    job: str,
    copies: int,
    title: str | None,
    size: str,
    surface: str,
    order: str | None,
    extension: str,
    taken: Collection[str],
    edition: str = "",
) -> str:
    """Make the name of one print file, safe everywhere and unique in its parcel.

    Args:
        pattern: The lab's, such as `{job}_{copies}x_{title}_{size}`.
        job: The job's number as people see it, such as `000123`.
        copies: How many are to be printed.
        title: The picture's title, or the name it was dropped under without its extension.
        size: As ordered, such as `16x20in`.
        surface: The surface's id.
        order: The order's name.
        extension: `tif` or `jpg`, with or without its dot.
        taken: Names already in the parcel, without their folder; compared whatever the case.
        edition: The prints' numbers in their edition, such as `7/25`; empty for none.

    Returns:
        A name of letters, digits and `._-`, at most 100 characters long.
    """
    suffix = "." + (re.sub(r"[^A-Za-z0-9]", "", _ascii(extension)).lower()[:16] or "bin")
    parts = _Parts(
        job=ascii_word(job),
        copies=str(copies),
        title=ascii_word(title or ""),
        size=ascii_word(size),
        surface=ascii_word(surface),
        order=ascii_word(order or ""),
        edition=ascii_word(edition),
    )
    occupied = {name.casefold() for name in taken}
    number = 1
    while True:
        ending = suffix if number == 1 else f"-{number}{suffix}"
        name = _fitted(pattern, parts, LONGEST_NAME - len(ending)) + ending
        if name.casefold() not in occupied:
            return name
        number += 1


def _fitted(pattern: str, parts: _Parts, room: int) -> str:
    """Shorten title and order, in that order, before anything that tells two jobs apart."""
    for field in ("title", "order"):
        excess = len(_stem(pattern, parts)) - room
        if excess > 0:
            value = getattr(parts, field)
            parts = replace(parts, **{field: value[: max(0, len(value) - excess)].rstrip("._-")})
    return _stem(pattern, parts)[:room].rstrip("._-") or parts.job


def _stem(pattern: str, parts: _Parts) -> str:
    filled = re.sub(
        r"\{(\w*)\}",
        lambda match: getattr(parts, match[1]) if match[1] in PLACEHOLDERS else "",
        pattern,
    )
    text = re.sub(r"[^A-Za-z0-9._-]", "", re.sub(r"\s+", "_", _ascii(filled)))
    # A value that is empty leaves its neighbours' separators behind.
    text = re.sub(r"\.{2,}", ".", re.sub(r"-{2,}", "-", re.sub(r"_{2,}", "_", text)))
    text = re.sub(r"[._-]*_[._-]*", "_", text).strip("._-")
    if not text:
        return parts.job
    return f"print-{text}" if _DEVICE.fullmatch(text) else text


def ascii_word(text: str) -> str:
    """Words of a request as they stand in a file's name."""
    joined = re.sub(r"[\s_]+", "-", _ascii(text).strip())
    return re.sub(r"[^A-Za-z0-9.-]", "", joined).strip(".-")


def _ascii(text: str) -> str:
    # Composed first: a letter with its stroke or ring apart is spelt like the one in one piece.
    spelt = unicodedata.normalize("NFC", text).translate(_SPELT_OUT)
    return unicodedata.normalize("NFKD", spelt).encode("ascii", "ignore").decode("ascii")
