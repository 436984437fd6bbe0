"""Turn the segments of a JPEG into facts."""

from __future__ import annotations

from dataclasses import replace
from typing import BinaryIO

from platemark.imaging.exif import read_exif
from platemark.imaging.header import Header, with_texts
from platemark.imaging.holes import PictureData
from platemark.imaging.jpeg_quality import estimate_quality, quarters_colour
from platemark.imaging.jpeg_tags import JpegTags, read_jpeg
from platemark.imaging.profile_facts import embedded_colours
from platemark.imaging.xmp import read_xmp
from platemark.model.picture import Facts


def facts_of_jpeg(stream: BinaryIO, size: int, facts: Facts) -> Header:
    """Read a JPEG's segments.

    Args:
        stream: The open file.
        size: Its length in bytes.
        facts: What its first bytes and its name say.
    """
    tags = read_jpeg(stream, size)
    exif, xmp = read_exif(tags.exif), read_xmp(tags.xmp)
    is_unread = tags.lossless and not tags.damage
    if tags.profile is not None:
        profile, dynamic_range = embedded_colours(tags.profile, tags.profile_damage)
        facts = replace(facts, profile=profile, dynamic_range=dynamic_range)
    facts = replace(
        facts,
        width=tags.width,
        height=tags.height,
        bits=tags.bits,
        channels=tags.components,
        mode=tags.mode,
        pages=1,
        gain_map=tags.gain_map,
        compression="jpeg",
        progressive=tags.progressive,
        damage=tags.damage,
        unread="a JPEG of the lossless kind" if is_unread else "",
        truncated=tags.cut_short,
        notes=facts.notes + _notes(tags, size),
    )
    facts = with_quality(facts, tags)
    facts = with_texts(facts, exif, xmp, (exif.ppi, tags.jfif_ppi), tags.metadata_bytes)
    data = PictureData((tags.data_start,), (tags.end - tags.data_start,), None)
    decoded_bytes = facts.pixels * tags.components * max(-(-tags.bits // 8), 1)
    return Header(facts, data if tags.end else None, None, decoded_bytes)


def with_quality(facts: Facts, tags: JpegTags) -> Facts:
    """Return the facts with how coarsely JPEG data, in a file of their own or not, are rounded."""
    return replace(
        facts,
        jpeg_quality=estimate_quality(tags.table_numbers, tags.tables),
        chroma_subsampled=quarters_colour(tags.sampling),
    )


def _notes(tags: JpegTags, size: int) -> tuple[str, ...]:
    notes: tuple[str, ...] = ()
    if tags.end and tags.end < size:
        notes += (f"{size - tags.end:,} bytes after the end of the JPEG are dropped.",)
    if tags.pictures > 1:
        notes += (f"The file holds {tags.pictures} pictures; the first is used.",)
    if tags.gain_map:
        notes += ("The gain map, which brightens the picture on some displays, is dropped.",)
    return notes
