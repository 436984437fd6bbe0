"""Turn the tags of a TIFF into facts."""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import replace
from typing import BinaryIO, Final

from platemark.imaging.exif import exif_of
from platemark.imaging.header import LARGE_METADATA_BYTES, Header, with_texts
from platemark.imaging.holes import PictureData
from platemark.imaging.jpeg_facts import with_quality
from platemark.imaging.jpeg_tags import read_jpeg, with_tables
from platemark.imaging.profile_facts import MOST_PROFILE_BYTES, embedded_colours
from platemark.imaging.tiff_page import COMPRESSIONS, Page, read_page, read_rows
from platemark.imaging.tiff_sound import block_fault, block_sizes, tag_fault
from platemark.imaging.tiff_tags import (
    Directory,
    TagDamage,
    TiffTags,
    read_at,
    read_blocks,
    read_tiff,
)
from platemark.imaging.xmp import read_xmp
from platemark.model.picture import Alpha, Facts, Mode

_MOST_BITS = 64
_MOST_JPEG_HEAD = 64 * 1024

_XMP_TAG, _PROFILE_TAG, _SUB_DIRECTORIES_TAG, _LAYERS_TAG = 700, 34675, 330, 37724
_JPEG_TABLES_TAG = 347
_RAW_VERSION_TAG, _RAW_PHOTOMETRICS = 50706, (32803, 34892)
_FIRST_EXTENSION_TAG = 700
"""Tags of TIFF 6.0 itself lie below it; above are packets and private data."""

_LAB_ENCODINGS: Final = {8: "cie", 9: "icc"}
"""PhotometricInterpretation of the two that are read (TIFF 6.0, section 23; technical note of
2002 for ICCLab)."""


def facts_of_tiff(stream: BinaryIO, size: int, facts: Facts) -> Header:
    """Read a TIFF's tags.

    Args:
        stream: The open file.
        size: Its length in bytes.
        facts: What its first bytes and its name say.
    """
    tags = read_tiff(stream, size)
    facts = replace(facts, damage=tags.damage, truncated=tags.cut_short, pages=len(tags.pages))
    if not tags.pages:
        return Header(facts, None, None, 0)
    first = tags.pages[0]
    try:
        page = read_page(first)
    except TagDamage as damage:
        return Header(replace(facts, damage=facts.damage or str(damage)), None, None, 0)
    if _is_camera_raw(first, page):
        other = replace(facts, format="other", notes=("a camera raw file",))
        return Header(replace(other, damage="", truncated=False), None, None, 0)
    mode, channels = _mode(page)
    extra = _extra_samples(page, channels)
    fault = facts.damage or _damage(page, channels)
    unread = "" if fault else _unread(first, page)
    if not fault and not unread:
        fault = tag_fault(first, page) or block_fault(stream, size, first, page)
    facts = replace(
        facts,
        width=page.width,
        height=page.height,
        bits=max(page.bits),
        float_samples=page.sample_formats[0] == 3,
        channels=channels,
        mode=mode,
        lab_encoding=_LAB_ENCODINGS.get(page.photometric or 0, "none"),  # type: ignore[arg-type]
        alpha=_alpha_before_decode(extra),
        compression=COMPRESSIONS.get(page.compression, f"unknown ({page.compression})"),
        damage=fault,
        unread=unread,
    )
    facts = _with_layers(_with_texts(facts, first), first, page)
    facts = _with_pages(_with_jpeg(facts, stream, size, first), page, tags.pages)
    coloured = next((channels + i for i, kind in enumerate(extra) if kind in {1, 2}), None)
    return Header(
        facts,
        _data(first, page, tags),
        coloured,
        facts.pixels * page.samples * max(-(-facts.bits // 8), 1),
        block_sizes(first, page),
        first.data(_JPEG_TABLES_TAG, _MOST_JPEG_HEAD) if facts.compression == "jpeg" else b"",
    )


def _is_camera_raw(directory: Directory, page: Page) -> bool:
    """Tell a raw file, which is a TIFF too: a mosaic, or a reduced first page and hidden others."""
    hides_others = page.subfile & 1 == 1 and _SUB_DIRECTORIES_TAG in directory.entries
    is_mosaic = page.photometric in _RAW_PHOTOMETRICS
    return hides_others or is_mosaic or _RAW_VERSION_TAG in directory.entries


def _mode(page: Page) -> tuple[Mode, int]:
    """Return the kind of picture and how many of its samples are colour."""
    known: dict[int | None, tuple[Mode, int]] = {
        **dict.fromkeys((0, 1), ("grey", 1)),
        2: ("rgb", 3),
        3: ("palette", 1),
        6: ("ycbcr", 3),
        **dict.fromkeys(_LAB_ENCODINGS, ("lab", 3)),
        10: ("other", 3),
    }
    if page.photometric == 5 and page.inks == 1 and page.samples >= 4:
        mode: Mode = "cmyk"
        channels = 4
    else:
        otherwise = max(page.samples - len(page.extra_samples), 1)
        mode, channels = known.get(page.photometric, ("other", otherwise))
    is_odd = len(set(page.bits)) > 1 or len(set(page.sample_formats)) > 1
    is_odd = is_odd or page.sample_formats[0] in {5, 6}
    # Lab's a and b may rightly be said to be signed; another signed picture has no known black.
    is_odd = is_odd or (page.sample_formats[0] == 2 and mode != "lab")
    return ("other" if is_odd else mode), channels


def _extra_samples(page: Page, channels: int) -> tuple[int, ...]:
    """Return the kind of each sample beyond the colours; those that no tag names count as 0."""
    count = min(max(page.samples - channels, 0), 64)
    return (page.extra_samples + (0,) * count)[:count]


def _alpha_before_decode(extra: Sequence[int]) -> Alpha:
    if any(kind in {1, 2} for kind in extra):
        return "transparent"
    return "selection" if extra else "none"


def _damage(page: Page, channels: int) -> str:
    if page.samples < channels:
        return f"the TIFF says that it has {page.samples} of the {channels} channels it needs"
    if not 1 <= max(page.bits) <= _MOST_BITS or min(page.bits) < 1 or page.samples > 64:
        return "the TIFF's description of its pixels makes no sense; it is damaged"
    return ""


def _unread(directory: Directory, page: Page) -> str:
    """Return which form that is not read here a sound TIFF has, as a clause."""
    if page.photometric == 8 and page.planar and page.samples > 1:
        # The decoder (libvips 8.18) gives black rows for it and says nothing.
        return "CIELab with each channel stored apart"
    if _LAYERS_TAG in directory.entries and not _has_flat_picture(directory, page):
        return "the layers of an image editor without a flat picture beside them"
    if page.subfile & 1:
        return "the first page of the TIFF is a reduced copy, and the picture must come first"
    if page.subfile & 4:
        return "the first page of the TIFF is a mask, and the picture must come first"
    return ""


def _has_flat_picture(directory: Directory, page: Page) -> bool:
    """Tell whether the first page is a whole picture that has any data."""
    try:
        offsets, counts = read_blocks(directory)
    except TagDamage:
        return False
    return not page.subfile & 5 and len(offsets) > 0 and (not counts or any(counts))


def _with_layers(facts: Facts, directory: Directory, page: Page) -> Facts:
    """Say whether an editor's layers are there; that the flat picture is blank, the pixels tell."""
    if _LAYERS_TAG not in directory.entries:
        return facts
    note = "The layers of an image editor are dropped; the flat picture beside them is used."
    return replace(
        facts,
        layered=True,
        composite_missing=not _has_flat_picture(directory, page),
        notes=(*facts.notes, note),
    )


def _with_texts(facts: Facts, directory: Directory) -> Facts:
    exif = exif_of(directory)
    xmp = read_xmp(directory.data(_XMP_TAG, LARGE_METADATA_BYTES + 1))
    metadata = sum(
        row.length
        for tag, row in directory.entries.items()
        if tag >= _FIRST_EXTENSION_TAG and tag not in {_PROFILE_TAG, _LAYERS_TAG}
    )
    facts = with_texts(facts, exif, xmp, (exif.ppi,), metadata)
    entry = directory.entries.get(_PROFILE_TAG)
    if entry is None:
        return facts
    too_large = entry.length > MOST_PROFILE_BYTES
    damage = f"it has {entry.length:,} bytes, more than any profile" if too_large else ""
    data = directory.data(_PROFILE_TAG, MOST_PROFILE_BYTES)
    profile, dynamic_range = embedded_colours(data, damage)
    if facts.mode == "lab" and profile.colour_space.strip() == "Lab" and not profile.damage:
        note = "The profile for Lab inside the picture is dropped; Lab needs none."
        return replace(facts, notes=(*facts.notes, note))
    return replace(facts, profile=profile, dynamic_range=dynamic_range)


def _with_jpeg(facts: Facts, stream: BinaryIO, size: int, directory: Directory) -> Facts:
    """Add how coarsely the first strip or tile is rounded, where it is a JPEG (technical note 2).

    Its tables may stand apart, in a JPEG of their own that ends where the strip's begins.
    """
    if facts.compression != "jpeg":
        return facts
    try:
        offsets, counts = read_blocks(directory)
        if not offsets or not counts:
            return facts
        length = min(counts[0], _MOST_JPEG_HEAD)
        piece = read_at(stream, size, offsets[0], length, "picture data")
    except TagDamage:
        return facts
    tables = directory.data(_JPEG_TABLES_TAG, _MOST_JPEG_HEAD)
    whole = with_tables(piece, tables)
    return with_quality(facts, read_jpeg(io.BytesIO(whole), len(whole)))


def _with_pages(facts: Facts, first: Page, pages: Sequence[Directory]) -> Facts:
    """Count the full pages; a page at most half as long as the first is taken for a small copy."""
    full, reduced, masks = 1, 0, 0
    for directory in pages[1:]:
        try:
            page = read_page(directory)
        except TagDamage:
            continue
        if page.subfile & 4:
            masks += 1
        elif page.subfile & 1 or max(page.width, page.height) * 2 <= max(first.width, first.height):
            reduced += 1
        else:
            full += 1
    notes = facts.notes
    if reduced:
        notes += (f"Smaller copies of the picture in the file are dropped: {reduced}.",)
    if masks:
        notes += (f"Masks in the file are dropped: {masks}.",)
    return replace(facts, pages=full, notes=notes)


def _data(directory: Directory, page: Page, tags: TiffTags) -> PictureData | None:
    try:
        offsets, counts = read_blocks(directory)
        rows = read_rows(directory, page, tags.byte_order)
    except TagDamage:
        return None
    return PictureData(offsets, counts, rows) if offsets and counts else None
