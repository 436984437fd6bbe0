"""Turn the chunks of a PNG into facts."""

from __future__ import annotations

from dataclasses import replace
from typing import BinaryIO

from platemark.imaging.exif import read_exif
from platemark.imaging.header import Header, with_texts
from platemark.imaging.holes import PictureData
from platemark.imaging.png_tags import PngTags, read_png
from platemark.imaging.profile_facts import (
    DynamicRange,
    coded_colours,
    embedded_colours,
    named_space,
)
from platemark.imaging.xmp import read_xmp
from platemark.model.picture import Facts, ProfileFacts


def facts_of_png(stream: BinaryIO, size: int, facts: Facts) -> Header:
    """Read a PNG's chunks.

    Args:
        stream: The open file.
        size: Its length in bytes.
        facts: What its first bytes and its name say.
    """
    tags = read_png(stream, size)
    exif, xmp = read_exif(tags.exif), read_xmp(tags.xmp)
    profile, dynamic_range = _colours(tags)
    is_unknown = tags.cicp is not None and coded_colours(tags.cicp) == (None, "standard")
    colour_code = "/".join(map(str, tags.cicp or ())) if is_unknown else ""
    has_alpha = tags.alpha_channel or tags.transparent_colour
    facts = replace(
        facts,
        width=tags.width,
        height=tags.height,
        bits=tags.bits,
        channels=tags.channels,
        mode=tags.mode,
        alpha="transparent" if has_alpha else "none",
        pages=1,
        compression="deflate",
        progressive=tags.interlaced,
        profile=profile,
        dynamic_range=dynamic_range,
        colour_code=colour_code,
        damage=tags.damage,
        truncated=tags.cut_short,
        notes=facts.notes + _notes(tags, size, profile, colour_code),
    )
    facts = with_texts(facts, exif, xmp, (tags.ppi, exif.ppi), tags.metadata_bytes)
    data = PictureData((tags.data_start,), (tags.data_end - tags.data_start,), None)
    bands = (3 if tags.mode == "palette" else tags.channels) + has_alpha
    return Header(
        facts,
        data if tags.end else None,
        -1 if has_alpha else None,
        facts.pixels * bands * (2 if tags.bits == 16 else 1),
    )


def _notes(
    tags: PngTags, size: int, profile: ProfileFacts | None, colour_code: str
) -> tuple[str, ...]:
    notes: tuple[str, ...] = ()
    if tags.end and tags.end < size:
        notes += (f"{size - tags.end:,} bytes after the end of the PNG are dropped.",)
    if tags.animated:
        notes += ("The PNG is animated; its still picture is used.",)
    if colour_code and profile is not None:
        notes += (f"The PNG's colour code {colour_code} is not known here; its profile is used.",)
    if tags.calibrated and profile is None:
        notes += ("The PNG's gamma and primaries (gAMA, cHRM) are no profile and are ignored.",)
    return notes


def _colours(tags: PngTags) -> tuple[ProfileFacts | None, DynamicRange]:
    """Return what a PNG says of its colours.

    The specification (third edition, 4.3) ranks cICP above iCCP above sRGB. A profile is what
    print programs go by, so where the two contradict each other that is damage, not a choice.
    """
    coded, dynamic_range = (None, None) if tags.cicp is None else coded_colours(tags.cicp)
    if tags.profile is None:
        if tags.cicp is None and tags.srgb:
            return named_space("srgb", "sRGB"), "standard"
        return coded, dynamic_range or "standard"
    embedded, range_of_profile = embedded_colours(tags.profile, tags.profile_damage)
    if dynamic_range != "high":
        dynamic_range = range_of_profile
    if coded is None or embedded.damage or dynamic_range == "high":
        return embedded, dynamic_range
    if coded.working_space != embedded.working_space:
        damage = (
            "the PNG says twice what its colours are, and not the same: "
            f"“{embedded.description}” and “{coded.description}”"
        )
        return replace(embedded, damage=damage), dynamic_range
    return embedded, dynamic_range
