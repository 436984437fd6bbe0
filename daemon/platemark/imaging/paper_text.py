"""Words on paper: typefaces that are embedded, letters by letter, lines that fit a width.

A name may be written in any letters. Each letter is set in the first typeface that has it; one that
none has is shown by its number in Unicode, so that two names never look the same by being left out.
Arabic letters are joined and writing from right to left is put in order after the Unicode
Bidirectional Algorithm (UAX 9), line by line.
"""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass
from functools import cache
from importlib import resources
from itertools import groupby

from arabic_reshaper import ArabicReshaper
from bidi.algorithm import get_display
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont

from platemark.model.job import plain_text

SANS, BOLD, MONO, OTHER = "Sans", "Bold", "Mono", "Other"
_FILES = {
    SANS: "DejaVuSans.ttf",
    BOLD: "DejaVuSans-Bold.ttf",
    MONO: "DejaVuSansMono.ttf",
    OTHER: "DroidSansFallback.ttf",
}
# Hebrew, Arabic and their relatives, and numbers among them.
_TURNED = frozenset({"R", "AL", "AN"})
_JOINED = frozenset({"AL", "AN"})
_JOINTS = "_-/."
_STYLES_ANOTHER = frozenset(map(chr, range(0xFE00, 0xFE10)))
"""Variation selectors have no look of their own."""


@dataclass(frozen=True, slots=True)
class Hand:
    """How words are written."""

    face: str
    size: float
    """Points."""
    leading: float
    """From one line to the next, points."""
    ink: str
    """`#rrggbb`."""


@dataclass(frozen=True, slots=True)
class Run:
    """Letters of one line in one typeface."""

    face: str
    text: str
    width: float


@cache
def load_faces() -> None:
    """Make the typefaces known to the PDF library, from files of this package alone."""
    folder = resources.files("platemark.imaging").joinpath("fonts")
    for face, file in _FILES.items():
        with resources.as_file(folder.joinpath(file)) as path:
            pdfmetrics.registerFont(TTFont(face, str(path)))


def lines_of(text: str, hand: Hand, width: float) -> list[str]:
    """Break words into lines that fit, at blanks where that can be, in the order they are read."""
    found: list[str] = []
    for paragraph in plain_text(text).splitlines() or [""]:
        # A letter and its accent apart look like the letter in one piece.
        found += _broken(_joined(unicodedata.normalize("NFC", paragraph)), hand, width)
    return found


def runs_of(line: str, hand: Hand) -> list[Run]:
    """A line as it is seen from left to right, letters of one typeface together."""
    if any(unicodedata.bidirectional(letter) in _TURNED for letter in line):
        line = str(get_display(line))
    pieces = (_piece(letter, hand.face) for letter in line)
    return [
        Run(face, text, pdfmetrics.stringWidth(text, face, hand.size))
        for face, group in groupby(pieces, key=lambda piece: piece[0])
        for text in ("".join(piece[1] for piece in group),)
    ]


def width_of(text: str, hand: Hand) -> float:
    """How wide words are on one line, points."""
    return sum(_width(letter, hand.face) for letter in text) * hand.size


@cache
def _reshaper() -> ArabicReshaper:
    return ArabicReshaper({"delete_harakat": False})


def _joined(text: str) -> str:
    if any(unicodedata.bidirectional(letter) in _JOINED for letter in text):
        return str(_reshaper().reshape(text))
    return text


def _broken(text: str, hand: Hand, width: float) -> list[str]:
    lines: list[str] = []
    line, used = "", 0.0
    blank = width_of(" ", hand)
    for word in text.split():
        wide = width_of(word, hand)
        if line and used + blank + wide <= width:
            line, used = f"{line} {word}", used + blank + wide
            continue
        if line:
            lines.append(line)
        *full, line = _cut(word, hand, width) if wide > width else [word]
        lines += full
        used = width_of(line, hand)
    return [*lines, line]


def _cut(word: str, hand: Hand, width: float) -> list[str]:
    """A word that is longer than a line, in pieces that are not; a file name at its joints."""
    pieces, piece, used = [], "", 0.0
    for letter in word:
        wide = _width(letter, hand.face) * hand.size
        if piece and used + wide > width:
            joint = max(piece.rfind(sign) for sign in _JOINTS) + 1
            at = joint if joint > len(piece) // 3 else len(piece)
            pieces.append(piece[:at])
            piece = piece[at:]
            used = width_of(piece, hand)
        piece, used = piece + letter, used + wide
    return [*pieces, piece]


@cache
def _piece(letter: str, face: str) -> tuple[str, str]:
    """A letter with the typeface that has it, or its number."""
    for each in (face, SANS, OTHER):
        if ord(letter) in pdfmetrics.getFont(each).face.charToGlyph:
            return each, letter
    if letter in _STYLES_ANOTHER:
        return face, ""
    return face, f"[U+{ord(letter):04X}]"


@cache
def _width(letter: str, face: str) -> float:
    """Of a letter at a size of one point."""
    found, text = _piece(letter, face)
    return float(pdfmetrics.stringWidth(text, found, 1000)) / 1000
