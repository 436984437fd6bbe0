"""The letters of the typeface that drawings are written in."""

from __future__ import annotations

import unicodedata

_SPELT = str.maketrans(
    {
        "ß": "ss",
        "ø": "o",
        "Ø": "O",
        "æ": "ae",
        "ł": "l",
        "Ł": "L",
        "–": "-",
        "—": "-",
        "−": "-",
        "×": "x",
        "Δ": "d",
        "“": '"',
        "”": '"',
        "‘": "'",
        "’": "'",
    }
)


def in_letters(words: str) -> str:
    """Words in letters that the typeface has: it knows no accents."""
    plain = unicodedata.normalize("NFKD", words.translate(_SPELT))
    bare = "".join(letter for letter in plain if not unicodedata.combining(letter))
    return bare.encode("ascii", "replace").decode("ascii")
