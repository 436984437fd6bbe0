"""What an embedded profile, or a code that stands for one, says of a picture's colours."""

from __future__ import annotations

import hashlib
import re
from dataclasses import replace
from typing import Final, Literal

from platemark.imaging.icc import IccProfile, ProfileDamage, name_working_space, parse_profile
from platemark.imaging.tiff_tags import plain_text
from platemark.model.picture import ProfileFacts

DynamicRange = Literal["standard", "high"]
ColourCode = tuple[int, int, int, int]
"""Primaries, transfer, matrix, full range (ITU-T H.273)."""

MOST_PROFILE_BYTES = 32 * 1024 * 1024

_CODED_SPACES: Final[dict[ColourCode, tuple[str, str]]] = {
    (1, 13, 0, 1): ("srgb", "sRGB"),
    (12, 13, 0, 1): ("display-p3", "Display P3"),
}
"""Codes of spaces that we have a profile of (ITU-T H.273, tables 2 and 3); others need one."""

_HIGH_RANGE: Final = {16: "PQ", 18: "HLG"}
"""Transfer functions without a paper white (ITU-T H.273, table 3, after ITU-R BT.2100)."""

_DEVICE_WORDS: Final = re.compile(
    r"monitor|calibrat|\blcd\b|\bled\b|\boled\b|cd/m|\bdisplay\b(?! ?p3)", re.IGNORECASE
)
_STANDARD_WORDS: Final = re.compile(
    r"\beci ?rgb|\bbt\.? ?(601|709|2020|2100)|\brec\.? ?(601|709|2020|2100)|\baces|\bromm|"
    r"wide[ -]gamut|\bciergb|\be-?srgb|\bscrgb|\bxyz\b|linear",
    re.IGNORECASE,
)
"""Encodings of standards (ISO 22028-4, ITU-R BT., SMPTE ST 2065) and of no device, in names."""


def embedded_colours(data: bytes, damage: str) -> tuple[ProfileFacts, DynamicRange]:
    """Return the facts of an embedded profile, and whether it is coded for high dynamic range.

    Args:
        data: All of it that is there.
        damage: What its container already knows to be wrong with it; empty for nothing.
    """
    facts = ProfileFacts(
        sha256=hashlib.sha256(data).hexdigest(),
        bytes=len(data),
        description="",
        device_class="",
        colour_space="",
        version="",
        working_space=None,
        damage=damage,
    )
    if damage:
        return facts, "standard"
    try:
        profile = parse_profile(data)
    except ProfileDamage as fault:
        return replace(facts, damage=_clause(str(fault))), "standard"
    is_picture_profile = profile.header.device_class not in {"link", "abst", "nmcl"}
    usable = profile.can_be_source or not is_picture_profile
    facts = replace(
        facts,
        description=plain_text(profile.description.encode("utf-8")),
        device_class=profile.header.device_class,
        colour_space=profile.header.colour_space,
        version=profile.version,
        working_space=name_working_space(profile),
        damage="" if usable else "it has nothing that a picture could be read with",
        monitor_calibration=profile.has_vcgt,
        device_named=_names_a_device(profile),
        one_way=_is_one_way(profile),
    )
    return facts, _dynamic_range(data, profile)


def _is_one_way(profile: IccProfile) -> bool:
    """Tell whether nothing leads from a colour back to codes (ICC.1:2022, 8.3.2 asks for none)."""
    has_way_back = any(table.signature.startswith("B2A") for table in profile.tables)
    return bool(profile.tables) and not has_way_back and not profile.colorants


def _dynamic_range(data: bytes, profile: IccProfile) -> DynamicRange:
    """Tell by a profile's own colour code (`cicp`, ICC.1:2022, 9.2.17 and 10.3)."""
    tag = next((tag for tag in profile.tags if tag.signature == "cicp"), None)
    if tag is None or tag.kind != "cicp" or tag.length < 12:
        return "standard"
    return "high" if data[tag.offset + 9] in _HIGH_RANGE else "standard"


def _names_a_device(profile: IccProfile) -> bool:
    """Tell whether a profile is one device's, by its header (ICC.1, 7.2.12, 7.2.13) or its name.

    The names of encodings are no device's, though their header may say who made them.
    """
    if _STANDARD_WORDS.search(profile.description):
        return False
    header = profile.header
    return bool(header.manufacturer or header.model or _DEVICE_WORDS.search(profile.description))


def named_space(working_space: str, name: str) -> ProfileFacts:
    """Return facts for a file that names its colours without a profile: hash empty, 0 bytes.

    The colour space stays empty, for such a name may stand in a grey picture too.
    """
    return _chunk_facts(f"{name} (PNG chunk)", working_space)


def coded_colours(code: ColourCode) -> tuple[ProfileFacts | None, DynamicRange]:
    """Return what a PNG's cICP chunk says (PNG, third edition, 11.3.2.6).

    None where it names a space of standard range that we have no profile of.
    """
    if code[1] in _HIGH_RANGE:
        return _chunk_facts(f"{_HIGH_RANGE[code[1]]} (PNG chunk)", None), "high"
    if code in _CODED_SPACES:
        return named_space(*_CODED_SPACES[code]), "standard"
    return None, "standard"


def _chunk_facts(description: str, working_space: str | None) -> ProfileFacts:
    return ProfileFacts(
        sha256="",
        bytes=0,
        description=description,
        device_class="mntr",
        colour_space="",
        version="",
        working_space=working_space,
        damage="",
    )


def _clause(sentence: str) -> str:
    """Return a sentence as what may stand after a colon, before a full stop."""
    return sentence[:1].lower() + sentence[1:].rstrip(".")
