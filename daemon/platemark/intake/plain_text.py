"""Text for people, safe to show: one line at a time, with nothing that hides or turns signs."""

from __future__ import annotations

import re
import textwrap
import unicodedata

from platemark.model.job import shown_name

# A number keeps its unit on its line.
_UNIT = re.compile(r"(?<=[0-9]) (?=(?:%|in|cm|mm|ppi|px|kg)(?:\W|$))")


_HARMFUL = frozenset(("Cc", "Cf", "Cs", "Zl", "Zp"))
"""General categories (Unicode Standard Annex 44) of signs that are no writing."""


def does_harm(sign: str) -> bool:
    """Whether a sign is one that a terminal obeys, or that turns or hides writing."""
    # Those that join and part letters belong to some scripts, and to signs of people and families.
    if sign.isprintable() or sign in "\n\t\u00ad\u200c\u200d":
        return False
    return unicodedata.category(sign) in _HARMFUL


def harmless(text: str) -> str:
    """Text as it came, but for the signs that do harm, which are replaced."""
    if text.isprintable():
        return text
    return "".join("\ufffd" if does_harm(sign) else sign for sign in text)


def flat(text: str) -> str:
    """Text on one line; signs that hide or turn others are replaced."""
    return " ".join(shown_name(part.encode("utf-8", "replace")) for part in text.split())


def wrapped(text: str, width: int, first: str = "", rest: str = "") -> list[str]:
    """Text in lines of at most `width` columns; a word that is longer stays whole.

    Args:
        text: What to say.
        width: Columns.
        first: Begins the first line.
        rest: Begins each line after it.
    """
    return textwrap.wrap(
        _UNIT.sub("\u00a0", flat(text)),
        width,
        initial_indent=first,
        subsequent_indent=rest,
        break_long_words=False,
        break_on_hyphens=False,
    )


def shortened(text: str, longest: int) -> str:
    """Text of at most so many signs, with an ellipsis where some are left out."""
    return text if len(text) <= longest else text[: longest - 1] + "…"
