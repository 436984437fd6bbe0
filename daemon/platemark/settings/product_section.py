"""`[[products]]` of `labs/<id>.toml`: what a lab sells on one surface, and in which form."""

from __future__ import annotations

import re
from typing import Literal

from pydantic import Field, ValidationInfo, field_validator

from platemark.model.lab import FileForm, PpiRange, Product, ProfileUse, WorkingSpace
from platemark.model.terms import Intent
from platemark.model.units import ZERO, Length
from platemark.settings.values import (
    Day,
    LengthText,
    Problem,
    Section,
    SizeText,
    Text,
    Whole,
    Words,
    YesNo,
    around,
    meant,
    mistaken,
    quoted,
)


class RangeSection(Section):
    """The pixels to an inch that the lab takes as they are."""

    lowest: Whole = Field(
        ge=1,
        le=2400,
        description="The fewest pixels to an inch that the lab takes as they are.",
        examples=[180],
    )
    target: Whole = Field(
        ge=1,
        le=2400,
        description="What a picture outside the range is brought to.",
        examples=[300],
    )
    highest: Whole = Field(
        ge=1,
        le=2400,
        description="The most pixels to an inch that the lab takes as they are.",
        examples=[360],
    )

    @field_validator("target")
    @classmethod
    def _not_below_lowest(cls, target: int, info: ValidationInfo) -> int:
        lowest = info.data.get("lowest")
        if lowest is not None and target < lowest:
            raise mistaken(
                Problem(
                    f"target ({target}) is below lowest ({lowest})",
                    "The order is lowest, target, highest; two of them may be equal.",
                )
            )
        return target

    @field_validator("highest")
    @classmethod
    def _not_above_highest(cls, highest: int, info: ValidationInfo) -> int:
        target = info.data.get("target")
        if target is not None and highest < target:
            raise mistaken(
                Problem(
                    f"highest ({highest}) is below target ({target})",
                    "The order is lowest, target, highest; two of them may be equal.",
                )
            )
        return highest


class FileSection(Section):
    """The form in which the lab wants its files."""

    format: Literal["tiff", "jpeg"] = Field(
        description="The kind of file that the lab wants.", examples=["tiff"]
    )
    bits: Literal[8, 16] = Field(
        description="Bits for each colour: 16 only where the lab asks for it.", examples=[8]
    )
    compression: Literal["none", "lzw", "deflate"] | None = Field(
        default=None,
        description="How a TIFF is packed without loss; none is read everywhere.",
        examples=["none"],
    )
    quality: Whole | None = Field(
        default=None,
        ge=70,
        le=100,
        description="Quality of a JPEG, 70 to 100; 95 where nothing is said.",
        examples=[95],
    )

    @field_validator("bits")
    @classmethod
    def _jpeg_has_eight(cls, bits: int, info: ValidationInfo) -> int:
        if info.data.get("format") == "jpeg" and bits != 8:
            raise mistaken(Problem("a JPEG has 8 bits", "Write bits = 8, or a TIFF."))
        return bits

    @field_validator("compression")
    @classmethod
    def _tiff_only(cls, compression: str | None, info: ValidationInfo) -> str | None:
        if compression is not None and info.data.get("format") == "jpeg":
            raise mistaken(
                Problem("compression is for a TIFF", "Leave it out; a JPEG has a quality.")
            )
        return compression

    @field_validator("quality")
    @classmethod
    def _jpeg_only(cls, quality: int | None, info: ValidationInfo) -> int | None:
        if quality is not None and info.data.get("format") == "tiff":
            raise mistaken(Problem("quality is for a JPEG", "Leave it out; a TIFF loses nothing."))
        return quality

    def form(self) -> FileForm:
        """The form as the renderer wants it."""
        return FileForm(self.format, self.bits, self.compression or "none", self.quality or 95)


class ProfileSection(Section):
    """The lab's own profile, where the studio converts to it."""

    file: Words = Field(
        description="Name of the lab's profile file; put the file itself into profiles/.",
        examples=["brindlewick-smooth-rag.icc"],
    )
    valid_until: Day | None = Field(
        default=None,
        description="The date until which the lab says the profile is good, if it says one.",
        examples=["2027-03-31"],
    )
    intent: Intent | None = Field(
        default=None,
        description="The intent that the lab asks for; else the surface's.",
        examples=["relative"],
    )
    black_point_compensation: YesNo | None = Field(
        default=None,
        description="What the lab asks for; else as the surface says.",
        examples=[True],
    )

    def use(self) -> ProfileUse:
        """The profile as the rest of Platemark has it."""
        return ProfileUse(self.file, self.valid_until, self.intent, self.black_point_compensation)

    @field_validator("file")
    @classmethod
    def _a_plain_name(cls, file: str) -> str:
        if "/" in file or "\\" in file:
            name = re.split(r"[/\\]", file)[-1] or "name.icc"
            raise mistaken(
                Problem(
                    f"{quoted(file)} names a folder; the file is looked for in profiles/",
                    f'Put it there and write file = "{name}".',
                )
            )
        if file.startswith(".") or not file.lower().endswith((".icc", ".icm")):
            raise mistaken(
                Problem(f"{quoted(file)} is not the name of a profile", "It ends in .icc or .icm.")
            )
        return file


class ProductSection(Section):
    """What the lab sells on one surface."""

    surface: Words = Field(
        description="The surface, by the name of its file in surfaces/ without .toml.",
        examples=["smooth-rag"],
    )
    name: Words = Field(
        description="What the lab itself calls this product; it is first on the ticket.",
        examples=["Smooth Rag 310"],
    )
    sizes: tuple[SizeText, ...] = Field(
        default=(),
        description="Sizes that the lab sells; an empty list means any.",
        examples=[["8x10in", "16x20in", "A3"]],
    )
    max_side: LengthText | None = Field(
        default=None,
        description="The longest side that the lab can make.",
        examples=["60in"],
    )
    mirror_by: Literal["nobody", "lab", "studio"] = Field(
        description=(
            "Who mirrors the picture: nobody where it is printed on the front; lab or studio "
            "where it is printed on the back of something clear. Ask the lab: it must happen "
            "exactly once."
        ),
        examples=["nobody"],
    )
    bleed: LengthText | None = Field(
        default=None,
        validate_default=True,
        description="What the lab wants beyond the cut, on each side.",
        examples=["3mm"],
    )
    wrap: LengthText | None = Field(
        default=None,
        validate_default=True,
        description="Depth of the bar that the picture is wrapped round.",
        examples=["1.5in"],
    )
    wraps: tuple[LengthText, ...] = Field(
        default=(),
        description="Other bar depths that the lab sells; a request may ask for one.",
        examples=[["0.75in", "2in"]],
    )
    tuck: LengthText | None = Field(
        default=None,
        validate_default=True,
        description="What is folded behind the bar and stapled there.",
        examples=["0.5in"],
    )
    ppi: RangeSection = Field(description="The pixels to an inch that the lab takes as they are.")
    file: FileSection = Field(description="The form in which the lab wants its files.")
    profile: ProfileSection | None = Field(
        default=None,
        description="The lab's own profile, where the studio converts; else leave it out.",
    )
    working_spaces: tuple[WorkingSpace, ...] = Field(
        default=(),
        validate_default=True,
        description="The colour spaces that the lab takes where it converts itself, best first.",
        examples=[["adobe-rgb", "srgb"]],
    )
    instructions: Text = Field(
        default="",
        description="What this lab must be told with every print of this product.",
        examples=["Leave the white border uncut."],
    )

    @field_validator("surface")
    @classmethod
    def _known_once(cls, surface: str, info: ValidationInfo) -> str:
        known = around(info)
        if known is None:
            return surface
        if surface not in known.surfaces:
            right = meant(surface, known.surfaces, "Add a file to surfaces/ first.")
            raise mistaken(Problem(f"there is no surface “{surface}” in surfaces/", right))
        if (known.labs.get(known.id) or ()).count(surface) > 1:
            raise mistaken(
                Problem(
                    f"two products are for the surface “{surface}”",
                    "Keep one; for the other make a surface of its own in surfaces/.",
                )
            )
        return surface

    @field_validator("mirror_by")
    @classmethod
    def _exactly_once(cls, mirror_by: str, info: ValidationInfo) -> str:
        known, surface = around(info), str(info.data.get("surface"))
        if known is None or known.surfaces.get(surface) is None:
            return mirror_by
        is_back = surface in known.printed_on_back
        if is_back and mirror_by == "nobody":
            raise mistaken(
                Problem(
                    "the surface is printed on its back, so the picture must be mirrored exactly "
                    "once",
                    'Ask the lab who does it, and write mirror_by = "lab" or "studio".',
                )
            )
        if not is_back and mirror_by != "nobody":
            raise mistaken(
                Problem(
                    "the surface is printed on its front, so nobody mirrors the picture",
                    'Write mirror_by = "nobody", or printed_on = "back" in the surface\'s file.',
                )
            )
        return mirror_by

    @field_validator("bleed", "wrap", "tuck")
    @classmethod
    def _fits_edge(cls, length: Length | None, info: ValidationInfo) -> Length | None:
        edge = _edge_of(info)
        problem = _edge_problem(str(info.field_name), length, edge) if edge else None
        if problem is not None:
            raise mistaken(problem)
        return length

    @field_validator("wraps")
    @classmethod
    def _only_wrapped(cls, wraps: tuple[Length, ...], info: ValidationInfo) -> tuple[Length, ...]:
        if wraps and _edge_of(info) in ("none", "bleed"):
            raise mistaken(_not_wrapped("wraps"))
        return wraps

    @field_validator("working_spaces")
    @classmethod
    def _one_who_converts(
        cls, spaces: tuple[WorkingSpace, ...], info: ValidationInfo
    ) -> tuple[WorkingSpace, ...]:
        if "profile" not in info.data:
            return spaces
        if info.data["profile"] is None and not spaces:
            raise mistaken(
                Problem(
                    "nothing says who converts the colours: profile and working_spaces are both "
                    "missing",
                    "Where the lab converts, write working_spaces = "
                    '["adobe-rgb", "srgb"]; where the studio does, add [products.profile].',
                )
            )
        if info.data["profile"] is not None and spaces:
            raise mistaken(
                Problem(
                    "both a profile and working_spaces are given, so the colours would be "
                    "converted twice",
                    "Keep [products.profile] where the studio converts, working_spaces where "
                    "the lab does.",
                )
            )
        return spaces

    def product(self) -> Product:
        """The product as the rest of Platemark has it."""
        return Product(
            surface=self.surface,
            name=self.name,
            sizes=self.sizes,
            ppi=PpiRange(self.ppi.lowest, self.ppi.target, self.ppi.highest),
            form=self.file.form(),
            bleed=self.bleed or ZERO,
            wrap=self.wrap or ZERO,
            wraps=self.wraps,
            tuck=self.tuck or ZERO,
            profile=self.profile.use() if self.profile is not None else None,
            working_spaces=self.working_spaces,
            mirror_by=self.mirror_by,
            max_side=self.max_side,
            instructions=self.instructions,
        )


def _edge_of(info: ValidationInfo) -> str | None:
    known = around(info)
    return known.surfaces.get(str(info.data.get("surface"))) if known is not None else None


def _not_wrapped(key: str) -> Problem:
    return Problem(
        f"the surface is not wrapped round a bar, so it has no {key}",
        f'Leave {key} out, or write edge = "wrap" in the surface\'s file.',
    )


def _edge_problem(key: str, length: Length | None, edge: str) -> Problem | None:
    """What is wrong with a bleed, wrap or tuck on a surface with such an edge."""
    given = length is not None
    if edge != "wrap" and key != "bleed" and given:
        return _not_wrapped(key)
    if edge == "wrap" and key == "bleed" and given:
        return Problem(
            "the surface is wrapped round a bar and has no bleed",
            "Leave bleed out; wrap and tuck say what lies beyond the face.",
        )
    if edge == "wrap" and ((key == "tuck" and not given) or (key == "wrap" and _nothing(length))):
        return Problem(f"the surface is wrapped round a bar, and the lab's {key} is missing")
    if edge == "bleed" and key == "bleed" and not given:
        return Problem(
            "the surface is printed over the edge, and the lab's bleed is missing",
            'Write a line like bleed = "3mm", or "0mm" where the lab wants none.',
        )
    return None


def _nothing(length: Length | None) -> bool:
    return length is None or not length.value
