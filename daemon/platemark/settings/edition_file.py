"""`editions/<id>.toml`: how many prints of a picture there may be, and what buyers are told."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from typing import Any, Literal

from pydantic import Field, ValidationInfo, field_validator

from platemark.model.edition import (
    TOGETHER,
    Disclosure,
    Edition,
    EditionSize,
    GivenBefore,
    numbers_words,
    size_key,
)
from platemark.model.units import Size
from platemark.settings.values import (
    Problem,
    Section,
    SizeText,
    Whole,
    Words,
    YesNo,
    around,
    mistaken,
    nearest,
    quoted,
)

LARGEST = 9999
"""Prints that an edition may have; beyond it nobody would call it limited (our own choice)."""


class EditionSizeSection(Section):
    """A size in which the picture is printed for this edition."""

    size: SizeText = Field(
        description="The picture on the front face, without a border.", examples=["40x60cm"]
    )
    total: Whole | None = Field(
        default=None,
        ge=1,
        le=LARGEST,
        description="How many numbered prints of this size, where each size is counted by itself.",
        examples=[15],
    )
    proofs: Whole = Field(
        default=0,
        ge=0,
        le=LARGEST,
        description="How many artist's proofs of this size, where each is counted by itself.",
        examples=[2],
    )


class GivenSection(Section):
    """Numbers that were given before they were counted here."""

    numbers: Words = Field(
        description="Which: one, a range, or several of both.", examples=["1-6, 9"]
    )
    state: Literal["sold", "void", "destroyed"] = Field(
        description=(
            "sold: somebody has it; void: it is never to be printed; destroyed: the print is no "
            "more, and the number may be printed again."
        ),
        examples=["sold"],
    )
    kind: Literal["print", "proof"] = Field(
        default="print", description="proof: numbers of artist's proofs.", examples=["proof"]
    )
    size: SizeText | None = Field(
        default=None,
        description="Of which size, where each size is counted by itself.",
        examples=["40x60cm"],
    )

    @field_validator("numbers")
    @classmethod
    def _numbers(cls, text: str) -> str:
        if not list(_numbers_in(text)):
            raise mistaken(Problem(f"{quoted(text)} are no numbers", "Write them like 1-6, 9."))
        return text


class CertificateSection(Section):
    """What the certificate tells a buyer. What is left out, it calls not stated."""

    artist: Words | None = Field(default=None, description="Who made the picture.")
    year: Words | None = Field(
        default=None, description="When the picture was made, and printed where that differs."
    )
    process: Words | None = Field(
        default=None, description="How it is printed, and with what.", examples=["Pigment print"]
    )
    signed: Words | None = Field(
        default=None, description="Whether, where and how prints are signed and numbered."
    )
    derived_from: Words | None = Field(
        default=None, description="What it was made from where that is another medium; else none."
    )
    master: Words | None = Field(
        default=None, description="Whether the master is cancelled once the edition is printed."
    )
    other_editions: Words | None = Field(
        default=None, description="Earlier and other editions of the same picture; else none."
    )
    posthumous: YesNo | None = Field(
        default=None, description="Whether it is printed after the artist's death."
    )
    workshop: Words | None = Field(
        default=None, description="Who prints; the lab's name where it is left out."
    )
    care: Words | None = Field(default=None, description="How to keep the print.")


class EditionFile(Section):
    """One numbered edition. The file's name is its id, which requests name."""

    name: Words = Field(description="What the edition is called.", examples=["Heron at Dawn"])
    total: Whole | None = Field(
        default=None,
        ge=1,
        le=LARGEST,
        description=(
            "How many numbered prints there are, of all sizes together. Leave it out where each "
            "size has a total of its own."
        ),
        examples=[25],
    )
    proofs: Whole = Field(
        default=0,
        ge=0,
        le=LARGEST,
        description="How many artist's proofs, over and above the numbered prints.",
        examples=[3],
    )
    surfaces: tuple[Words, ...] = Field(
        min_length=1, description="What it is printed on.", examples=[["smooth-rag"]]
    )
    sizes: tuple[EditionSizeSection, ...] = Field(
        min_length=1, description="The sizes in which it is printed."
    )
    given: tuple[GivenSection, ...] = Field(
        default=(), description="Numbers that were given before they were counted here."
    )
    pictures: tuple[Words, ...] = Field(
        default=(),
        description=(
            "SHA-256 of files of the picture, so that it is known before the first print here."
        ),
    )
    certificate: CertificateSection = Field(
        default=CertificateSection(), description="What the certificate tells a buyer."
    )

    @field_validator("surfaces")
    @classmethod
    def _known_surfaces(cls, surfaces: tuple[str, ...], info: ValidationInfo) -> tuple[str, ...]:
        known = around(info)
        for surface in surfaces:
            if known is not None and surface not in known.surfaces:
                near = nearest(surface, known.surfaces)
                right = f"Is “{near}” meant?" if near else "Name a file of surfaces/."
                raise mistaken(Problem(f"there is no surface {quoted(surface)}", right))
        return surfaces

    @field_validator("sizes")
    @classmethod
    def _counted(
        cls, sizes: tuple[EditionSizeSection, ...], info: ValidationInfo
    ) -> tuple[EditionSizeSection, ...]:
        keys = [size_key(each.size) for each in sizes]
        for number, key in enumerate(keys):
            if key in keys[:number]:
                raise mistaken(Problem(f"{quoted(sizes[number].size)} is there twice"))
        if "total" not in info.data:
            return sizes
        together = info.data["total"] is not None
        if together and any(each.total is not None or each.proofs for each in sizes):
            raise mistaken(
                Problem(
                    "the prints are counted together and by size",
                    "Keep total and proofs on top, or those of each size.",
                )
            )
        if not together and any(each.total is None for each in sizes):
            raise mistaken(
                Problem(
                    "nothing says how many prints there may be",
                    "Write total = 25 on top, or a total with every size.",
                )
            )
        if not together and info.data.get("proofs"):
            raise mistaken(
                Problem("the proofs are of no size", "Write proofs with the sizes that have them.")
            )
        return sizes

    @field_validator("given")
    @classmethod
    def _within(
        cls, given: tuple[GivenSection, ...], info: ValidationInfo
    ) -> tuple[GivenSection, ...]:
        if any(key not in info.data for key in ("total", "sizes", "proofs")):
            return given
        problems = list(_given_problems(given, info.data))
        if problems:
            raise mistaken(*problems)
        return given

    @field_validator("pictures")
    @classmethod
    def _hashes(cls, pictures: tuple[str, ...]) -> tuple[str, ...]:
        for each in pictures:
            if not re.fullmatch(r"[0-9a-fA-F]{64}", each):
                raise mistaken(
                    Problem(
                        f"{quoted(each)} is no SHA-256",
                        "It has 64 digits and letters from a to f; `sha256sum FILE` tells it.",
                    )
                )
        return tuple(each.lower() for each in pictures)

    def edition(self, edition_id: str) -> Edition:
        """The edition that this file describes, under the id that the file's name gives."""
        said = self.certificate
        texts = {
            key: value or "" for key, value in said.model_dump().items() if key != "posthumous"
        }
        return Edition(
            id=edition_id,
            name=self.name,
            sizes=tuple(
                EditionSize(each.size, each.total or 0, each.proofs) for each in self.sizes
            ),
            total=self.total or 0,
            proofs=self.proofs,
            surfaces=self.surfaces,
            given=tuple(
                GivenBefore(_part(each.size), each.kind, number, each.state)
                for each in self.given
                for number in _numbers_in(each.numbers)
            ),
            pictures=self.pictures,
            disclosure=Disclosure(**texts, posthumous=said.posthumous),
        )


def _part(size: Size | None) -> str:
    return size_key(size) if size is not None else TOGETHER


def _numbers_in(text: str) -> Iterator[int]:
    """The numbers of `1-6, 9`; none where it cannot be read."""
    found: list[int] = []
    for part in text.split(","):
        match = re.fullmatch(r"\s*([0-9]{1,4})\s*(?:[-–]\s*([0-9]{1,4})\s*)?", part)
        first, last = (int(match[1]), int(match[2] or match[1])) if match else (0, 0)
        if not 1 <= first <= last:
            return
        found += range(first, last + 1)
    yield from found


def _given_problems(
    given: tuple[GivenSection, ...], values: Mapping[str, Any]
) -> Iterator[Problem]:
    """What is wrong with numbers that were given before: no such number, or one given twice."""
    sizes: tuple[EditionSizeSection, ...] = values["sizes"]
    highest: dict[tuple[str, str], int | None] = {
        (TOGETHER, "print"): values["total"],
        (TOGETHER, "proof"): values["proofs"],
    }
    if values["total"] is None:
        highest = {(size_key(each.size), "print"): each.total for each in sizes}
        highest |= {(size_key(each.size), "proof"): each.proofs for each in sizes}
    seen: set[tuple[str, str, int]] = set()
    for each in given:
        part = _part(each.size)
        most = highest.get((part, each.kind))
        if most is None:
            yield Problem(
                f"{quoted(each.numbers)} are of no size that is counted by itself",
                "Give size exactly where each size has a total of its own.",
            )
            continue
        numbers = {(part, each.kind, number) for number in _numbers_in(each.numbers)}
        if any(number > most for *_, number in numbers):
            yield Problem(
                f"{quoted(each.numbers)} go beyond {most}",
                "Correct the total, or leave out what was never given.",
            )
        if again := numbers & seen:
            twice = numbers_words(number for *_, number in again)
            yield Problem(f"{twice} is given twice", "Keep one of the two.")
        seen |= numbers
