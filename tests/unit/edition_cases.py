"""Prints of editions: what trips their checks, and what is nearest to that without tripping it."""

from dataclasses import replace
from datetime import date
from typing import Any

from given import PAPER, asked
from suits_cases import ORDINARY

from platemark.model.edition import (
    TOGETHER,
    Edition,
    EditionSize,
    EditionStanding,
    Numbered,
    PictureOf,
    TermsBefore,
)
from platemark.model.units import parse_full_size

SIZE = parse_full_size("16x20in")
HERONS = Edition(
    id="herons",
    name="Herons",
    sizes=(EditionSize(SIZE),),
    total=25,
    proofs=2,
    surfaces=("smooth-rag",),
)
BY_SIZE = replace(HERONS, sizes=(EditionSize(SIZE, 9, 1),), total=0, proofs=0)
GETS_7 = EditionStanding(("herons", "reeds"), HERONS, TOGETHER, (7,), left=19)
NONE_LEFT = replace(GETS_7, numbers=(), left=0)


def stands(standing: EditionStanding, *, size: str = "16x20in", **asked_too: str) -> dict[str, Any]:
    """A print that asks for the edition, and how it stands to it."""
    return {
        "resolved": asked(size=size, edition="herons", **asked_too),
        "editions": standing,
    }


def before(edition: Edition, number: int = 6, *, binding: bool = True) -> EditionStanding:
    """Numbers were given under the terms that this edition has."""
    return replace(GETS_7, before=TermsBefore(edition.terms, number, binding))


def destroyed(state: str) -> Numbered:
    return Numbered(TOGETHER, "print", 7, state, 3, 40)  # type: ignore[arg-type]


ALIKE = PictureOf("reeds", "Reeds", "alike", 4)
OWN = PictureOf("herons", "Herons", "same")
LISTED = PictureOf("herons", "Herons", "listed")

# Code, what trips it, and what is nearest to that without tripping it.
EDITION_CASES: list[tuple[str, dict[str, Any], dict[str, Any]]] = [
    ("edition-unknown", stands(EditionStanding(("heron",))), stands(GETS_7)),
    ("edition-unknown", {"resolved": asked(size="16x20in", replaces="7")}, stands(GETS_7)),
    ("edition-exceeded", stands(NONE_LEFT), stands(GETS_7)),
    ("edition-exceeded", stands(NONE_LEFT), stands(NONE_LEFT, purpose="test")),
    (
        "edition-exceeded",
        stands(replace(NONE_LEFT, left=1), copies="2"),
        stands(replace(GETS_7, numbers=(24, 25), left=2), copies="2"),
    ),
    (
        "edition-replaces",
        stands(replace(NONE_LEFT, replaced=destroyed("sold")), replaces="7"),
        stands(replace(GETS_7, replaced=destroyed("destroyed")), replaces="7"),
    ),
    ("edition-replaces", stands(NONE_LEFT, replaces="7", copies="2"), stands(GETS_7, replaces="7")),
    (
        "edition-replaces",
        stands(replace(NONE_LEFT, remake_of=3)),
        stands(replace(GETS_7, remake_of=3)),
    ),
    ("edition-total-differs", stands(before(replace(HERONS, total=20))), stands(before(HERONS))),
    ("edition-total-differs", stands(before(replace(HERONS, total=30))), stands(before(HERONS))),
    (
        "edition-total-differs",
        stands(before(replace(HERONS, total=30), binding=False)),
        stands(before(replace(HERONS, proofs=3), binding=False)),
    ),
    ("edition-total-differs", stands(before(BY_SIZE)), stands(before(HERONS))),
    # A side that the picture gives may be a fraction of a millimetre off.
    ("edition-size", stands(GETS_7, size="12x15in"), stands(GETS_7, size="40.6x50.8cm")),
    (
        "edition-size",
        stands(replace(GETS_7, edition=BY_SIZE), size="12x15in"),
        stands(replace(GETS_7, edition=BY_SIZE)),
    ),
    (
        "edition-size",
        stands(before(replace(HERONS, sizes=(EditionSize(parse_full_size("8x10in")),)))),
        stands(before(HERONS)),
    ),
    (
        "edition-surface",
        stands(replace(GETS_7, edition=replace(HERONS, surfaces=("baryta",)))),
        stands(replace(GETS_7, edition=replace(HERONS, surfaces=("baryta", PAPER.id)))),
    ),
    (
        "edition-surface",
        stands(before(replace(HERONS, surfaces=("baryta",)))),
        stands(before(HERONS)),
    ),
    (
        "edition-not-named",
        {"resolved": asked(size="16x20in"), "editions": EditionStanding((), pictures=(ALIKE,))},
        {
            "resolved": asked(size="16x20in", purpose="test"),
            "editions": EditionStanding((), pictures=(ALIKE,)),
        },
    ),
    (
        "edition-not-named",
        stands(replace(GETS_7, pictures=(ALIKE,))),
        stands(replace(GETS_7, pictures=(ALIKE, OWN))),
    ),
    (
        # The file of an edition, renamed, would count its picture from 1 again.
        "edition-not-named",
        stands(replace(GETS_7, pictures=(replace(ALIKE, how="same"), LISTED))),
        stands(replace(GETS_7, pictures=(replace(ALIKE, how="listed"), LISTED))),
    ),
    (
        "edition-restored",
        stands(replace(GETS_7, restored=(90, date(2026, 3, 1)))),
        stands(replace(NONE_LEFT, restored=(90, date(2026, 3, 1)))),
    ),
    (
        # Nor is it known whether a destroyed number was printed again since.
        "edition-restored",
        stands(replace(GETS_7, restored=(90, date(2026, 3, 1))), replaces="7"),
        stands(GETS_7, replaces="7"),
    ),
]

SEEN = replace(GETS_7, has_pictures=True)
EDITION_OTHER: list[tuple[str, dict[str, Any], dict[str, Any]]] = [
    (
        "edition-other-picture",
        {**stands(SEEN), "measures": ORDINARY},
        {**stands(replace(SEEN, pictures=(OWN,))), "measures": ORDINARY},
    ),
    # Before it was looked at, nothing is said.
    (
        "edition-other-picture",
        {**stands(SEEN), "measures": ORDINARY},
        stands(SEEN),
    ),
]
