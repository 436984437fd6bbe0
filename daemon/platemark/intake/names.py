"""What a file's name says: words of a request, a title, or that it is no drop at all.

Names come from anywhere. They are bytes, need not be UTF-8, and nothing here uses one as a path.
"""

from __future__ import annotations

import re
import unicodedata
from functools import lru_cache

from platemark.model.job import shown_name
from platemark.model.request import Layer, Trouble
from platemark.model.units import BadSize, parse_size

# A dot and letters at the end; `.5in` in `heron_16x20.5in` is none.
_EXTENSION = re.compile(r"\.[A-Za-z][A-Za-z0-9]{0,7}\Z")
# Two measures that somebody meant as a size; four digits are more likely pixels.
_SIDE = r"[0-9]{1,3}(?:\.[0-9]{1,3})?"
_MEASURES = rf"({_SIDE})\s?[x×]\s?({_SIDE})"
_UNIT_WORDS = r"in(?:ch(?:es)?)?|cm|mm|”|″|''|\""
_ALMOST = re.compile(
    rf"(?<![^\W_])(?<!\.){_MEASURES}(?:\s?({_UNIT_WORDS}))?(?![^\W_])(?!\.[0-9])",
    re.IGNORECASE,
)
_ALMOST_QUANTITY = re.compile(
    r"(?<![^\W_])(?:qty|quantity)[\W_]*([1-9][0-9]{0,3})(?![^\W_])", re.IGNORECASE
)
_QUANTITY = re.compile(r"qty([0-9]+)", re.IGNORECASE)

# What file managers leave behind; it says nothing about a copy that is going on.
_LITTER = frozenset(
    {b".ds_store", b".localized", b"desktop.ini", b"ehthumbs.db", b"icon\r", b"thumbs.db"}
)
# Office programs lock an open document with a file of such a name.
_LOCKS = (b"~$", b".~lock.")
# Copying, browsing and syncing programs write under such a name until the file is whole.
_PARTIAL_ENDINGS = (
    b".aria2",
    b".crdownload",
    b".download",
    b".filepart",
    b".opdownload",
    b".part",
    b".partial",
    b".temp",
    b".tmp",
    b"~",
)


def words_of(name: bytes) -> tuple[Layer, ...]:
    """What the words in a file's name ask for.

    Words are whole tokens between underscores: a size with its unit or an ISO name, unless it is
    the first token (`heron_16x20in.tif`, `heron_A3.tif`); `qty` with a number; `test`.

    Args:
        name: The file's name, without its folder.

    Returns:
        One statement, or nothing where no word is understood.
    """
    values = tuple(pair for pair in _understood(_tokens(name)) if pair is not None)
    return (Layer(f"name “{shown_name(name)}”", values),) if values else ()


def title_of(name: bytes) -> str:
    """A title for a picture that nobody gave one: the words before the first understood token.

    Where nothing stands before it, the tokens that are not understood; where there are none, the
    whole name without its extension.
    """
    tokens = _tokens(name)
    understood = _understood(tokens)
    plain = [token for token, pair in zip(tokens, understood, strict=True) if pair is None]
    first = next((at for at, pair in enumerate(understood) if pair is not None), len(tokens))
    for words in (tokens[:first], plain, tokens):
        if title := " ".join(" ".join(words).split()):
            return _clean(title)
    return _clean(_text(name))


def size_in(name: bytes) -> str | None:
    """The size that a whole folder name gives, as written, or None where it is no size."""
    text = _text(name)
    return text if _is_size(text) else None


def almost_size_in(folder: bytes) -> Trouble | None:
    """What is wrong with a folder's name that was meant as a size: `20x30`, `20x30 inches`."""
    text = _text(folder)
    match = _ALMOST.fullmatch(text)
    if match is None or _is_size(text) or not (sizes := _sizes_meant(match)):
        return None
    why = "has no unit" if len(sizes) > 1 else "is no size as it is written"
    return _almost(f"The folder “{_clean(text)}” {why}: call it {' or '.join(sizes)}.", sizes)


def almost_size_of(name: bytes) -> Trouble | None:
    """What is wrong with a size in a file's name that says none: `heron_8x10`, `heron 8x10in`."""
    stem, extension = split_extension(name)
    match = _ALMOST.search(_text(stem))
    if match is None or any("size" in dict(layer.values) for layer in words_of(name)):
        return None
    if not (sizes := _sizes_meant(match)):
        return None
    before = match.string[: match.start()].rstrip(" _-–.,") or "heron"
    right = " or ".join(_clean(f"{before}_{size}{_text(extension)}") for size in sizes)
    if len(sizes) > 1:
        why = f"{sizes[0].removesuffix('in')} has no unit"
    else:
        why = f"put _ before {sizes[0]} and nothing but _ behind it"
    return _almost(f"In the name “{shown_name(name)}” {why}: write {right}.", sizes)


def almost_copies_of(name: bytes) -> Trouble | None:
    """What is wrong with a number of prints in a file's name: `heron_Qty 3`, `heron-qty3`."""
    stem, _ = split_extension(name)
    match = _ALMOST_QUANTITY.search(_text(stem))
    if match is None or any("copies" in dict(layer.values) for layer in words_of(name)):
        return None
    return Trouble(
        "unreadable",
        "copies",
        f"In the name “{shown_name(name)}” “{_clean(match[0])}” is not read as a number of prints: "
        f"write _qty{int(match[1])}, with nothing but _ around it.",
        (f"copies={int(match[1])}",),
    )


def _sizes_meant(match: re.Match[str]) -> tuple[str, ...]:
    unit = (match[3] or "").lower()
    units = ("in", "cm") if not unit else (unit,) if unit in ("cm", "mm") else ("in",)
    sizes = (f"{match[1]}x{match[2]}{each}" for each in units)
    return tuple(size for size in sizes if _is_size(size))


def _almost(sentence: str, sizes: tuple[str, ...]) -> Trouble:
    return Trouble("unreadable", "size", sentence, tuple(f"size={size}" for size in sizes))


def words_in(name: bytes) -> str:
    """A folder's name as words for people, the same whichever system wrote it."""
    return _clean(_text(name))


@lru_cache(maxsize=32_768)
def is_ignored(name: bytes) -> bool:
    """Whether a name is never that of a drop: hidden, partial, a lock, or litter of a system."""
    lowered = name.lower()
    return (
        lowered.startswith((b".", b"~")) or lowered.endswith(_PARTIAL_ENDINGS) or lowered in _LITTER
    )


def is_litter(name: bytes) -> bool:
    """Whether an ignored name tells nothing, not even that something is being copied."""
    lowered = name.lower()
    return lowered in _LITTER or lowered.startswith(_LOCKS)


def split_extension(name: bytes) -> tuple[bytes, bytes]:
    """A name without its extension, and the extension with its dot; it may be empty."""
    match = _EXTENSION.search(name.decode("ascii", "replace"))
    # Every byte that is not ASCII becomes one sign, so positions in the text are those in the name.
    at = match.start() if match is not None and match.start() > 0 else len(name)
    return name[:at], name[at:]


def _text(name: bytes) -> str:
    # macOS writes é as two signs; composed, a word is the same from every system (Unicode NFC).
    return unicodedata.normalize("NFC", name.decode("utf-8", "replace"))


def _clean(text: str) -> str:
    return shown_name(text.encode("utf-8"))


def _tokens(name: bytes) -> list[str]:
    return _text(split_extension(name)[0]).split("_")


def _understood(tokens: list[str]) -> list[tuple[str, str] | None]:
    """For each token the key and value it gives, or None."""
    found: list[tuple[str, str] | None] = []
    for at, token in enumerate(tokens):
        quantity = _QUANTITY.fullmatch(token)
        if quantity is not None:
            found.append(("copies", quantity[1]))
        elif token.lower() == "test":
            found.append(("purpose", "test"))
        elif at > 0 and any(tokens[:at]) and _is_size(token):
            found.append(("size", token))
        else:
            found.append(None)
    return found


def _is_size(text: str) -> bool:
    try:
        parse_size(text)
    except BadSize:
        return False
    return True
