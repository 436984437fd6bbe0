"""Turn what a picture's tags say into facts, before a pixel is decoded."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from fractions import Fraction
from pathlib import PurePath
from typing import BinaryIO, Final

from platemark.imaging.exif import ExifTags, exif_of, read_exif
from platemark.imaging.file_kind import HEAD_BYTES, FileKind, suffix_agrees, tell_kind
from platemark.imaging.holes import PictureData
from platemark.imaging.icc import ProfileDamage, name_working_space, parse_profile
from platemark.imaging.jpeg_tags import read_jpeg
from platemark.imaging.png_tags import PngTags, read_png
from platemark.imaging.tiff_tags import (
    COMPRESSIONS,
    Directory,
    Page,
    TagDamage,
    TiffTags,
    plain_text,
    read_blocks,
    read_page,
    read_rows,
    read_tiff,
)
from platemark.imaging.xmp import XmpTags, read_xmp
from platemark.model.picture import Alpha, Facts, Mode, ProfileFacts

_LARGE_METADATA_BYTES = 1_000_000
_MOST_PROFILE_BYTES = 32 * 1024 * 1024
_MOST_BITS = 64
_NOT_A_RESOLUTION: Final = (Fraction(0), Fraction(1), Fraction(72))
"""What programs write that know of no resolution; none of them is meant (common practice)."""

_XMP_TAG, _PROFILE_TAG, _SUB_DIRECTORIES_TAG, _LAYERS_TAG = 700, 34675, 330, 37724
_RAW_VERSION_TAG, _RAW_PHOTOMETRICS = 50706, (32803, 34892)
_FIRST_EXTENSION_TAG = 700
"""Tags of TIFF 6.0 itself lie below it; above are packets and private data."""


@dataclass(frozen=True, slots=True)
class Header:
    """Facts from the tags, and what the decoder and the search for holes need of them."""

    facts: Facts
    """`alpha` is `transparent` where only the pixels can tell; the decode settles it."""
    data: PictureData | None
    """Where the picture data lie; None where that cannot be told."""
    alpha_band: int | None
    """Band that says how opaque a pixel is, -1 for the last; None where there is none."""
    decoded_bytes: int
    """Of the whole picture as a decoder gives it."""


def read_header(stream: BinaryIO, size: int, name: str) -> Header:
    """Read the tags of a picture file.

    Args:
        stream: The open file.
        size: Its length in bytes.
        name: The name it was dropped under.

    Returns:
        All that can be known without decoding; damage is in the facts and never raised.
    """
    stream.seek(0)
    kind = tell_kind(stream.read(HEAD_BYTES))
    facts = _blank(kind, size, PurePath(name).suffix)
    if kind.format == "tiff":
        return _from_tiff(stream, size, facts)
    if kind.format == "jpeg":
        return _from_jpeg(stream, size, facts)
    if kind.format == "png":
        return _from_png(stream, size, facts)
    return Header(_from_other(facts, kind), None, None, 0)


def _blank(kind: FileKind, size: int, suffix: str) -> Facts:
    return Facts(
        format=kind.format,
        bytes=size,
        extension_agrees=suffix_agrees(kind.format, suffix),
        width=0,
        height=0,
        bits=0,
        float_samples=False,
        channels=0,
        mode="other",
        alpha="none",
        pages=0,
        compression="",
        progressive=False,
        orientation=1,
        ppi=None,
        profile=None,
        exif_colour="none",
        camera=False,
        creator="",
        rights="",
        damage="",
        truncated=False,
        zero_run="",
    )


def _from_other(facts: Facts, kind: FileKind) -> Facts:
    if facts.bytes == 0:
        return replace(facts, damage="the file is empty", truncated=True)
    if kind.begins_with_zeros:
        return replace(
            facts,
            damage="the file begins with nothing but zeros, as a copy does that is not complete",
            truncated=True,
        )
    if kind.may_grow:
        return replace(facts, damage=f"the file ends after {facts.bytes} bytes", truncated=True)
    return replace(facts, notes=(kind.looks_like,) if kind.looks_like else ())


# --- TIFF -----------------------------------------------------------------------------------


def _from_tiff(stream: BinaryIO, size: int, facts: Facts) -> Header:
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
    mode, channels = _tiff_mode(page)
    extra = _extra_samples(page, channels)
    facts = _with_tiff_texts(facts, first)
    facts = replace(
        facts,
        width=page.width,
        height=page.height,
        bits=max(page.bits),
        float_samples=page.sample_formats[0] == 3,
        channels=channels,
        mode=mode,
        alpha=_alpha_before_decode(extra),
        compression=COMPRESSIONS.get(page.compression, f"unknown ({page.compression})"),
        damage=facts.damage or _tiff_damage(page, channels),
    )
    facts = _with_pages(facts, page, tags.pages)
    coloured = next((channels + i for i, kind in enumerate(extra) if kind in {1, 2}), None)
    return Header(
        facts,
        _tiff_data(first, page, tags),
        coloured,
        facts.pixels * page.samples * max(-(-facts.bits // 8), 1),
    )


def _is_camera_raw(directory: Directory, page: Page) -> bool:
    """Tell a raw file, which is a TIFF too: a mosaic, or a reduced first page and hidden others."""
    hides_others = page.subfile & 1 == 1 and _SUB_DIRECTORIES_TAG in directory.entries
    is_mosaic = page.photometric in _RAW_PHOTOMETRICS
    return hides_others or is_mosaic or _RAW_VERSION_TAG in directory.entries


def _tiff_mode(page: Page) -> tuple[Mode, int]:
    """Return the kind of picture and how many of its samples are colour."""
    known: dict[int | None, tuple[Mode, int]] = {
        **dict.fromkeys((0, 1), ("grey", 1)),
        2: ("rgb", 3),
        3: ("palette", 1),
        6: ("ycbcr", 3),
        **dict.fromkeys((8, 9, 10), ("lab", 3)),
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


def _tiff_damage(page: Page, channels: int) -> str:
    if page.samples < channels:
        return f"the TIFF says that it has {page.samples} of the {channels} channels it needs"
    if not 1 <= max(page.bits) <= _MOST_BITS or min(page.bits) < 1 or page.samples > 64:
        return "the TIFF's description of its pixels makes no sense; it is damaged"
    if page.subfile & 1:
        return "the first page of the TIFF is a reduced copy; the picture must come first"
    if page.subfile & 4:
        return "the first page of the TIFF is a mask; the picture must come first"
    return ""


def _with_tiff_texts(facts: Facts, directory: Directory) -> Facts:
    exif = exif_of(directory)
    xmp = read_xmp(directory.data(_XMP_TAG, _LARGE_METADATA_BYTES + 1))
    profile: ProfileFacts | None = None
    entry = directory.entries.get(_PROFILE_TAG)
    if entry is not None:
        too_large = entry.length > _MOST_PROFILE_BYTES
        damage = f"it has {entry.length:,} bytes, more than any profile" if too_large else ""
        profile = _profile_facts(directory.data(_PROFILE_TAG, _MOST_PROFILE_BYTES), damage)
    metadata = sum(
        row.length
        for tag, row in directory.entries.items()
        if tag >= _FIRST_EXTENSION_TAG and tag not in {_PROFILE_TAG, _LAYERS_TAG}
    )
    facts = _with_texts(replace(facts, profile=profile), exif, xmp, (exif.ppi,), metadata)
    if _LAYERS_TAG not in directory.entries:
        return facts
    note = "The layers of an image editor are dropped; the flat picture beside them is used."
    return replace(facts, notes=(*facts.notes, note))


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


def _tiff_data(directory: Directory, page: Page, tags: TiffTags) -> PictureData | None:
    try:
        offsets, counts = read_blocks(directory)
        rows = read_rows(directory, page, tags.byte_order)
    except TagDamage:
        return None
    return PictureData(offsets, counts, rows) if offsets and counts else None


# --- JPEG and PNG ---------------------------------------------------------------------------


def _from_jpeg(stream: BinaryIO, size: int, facts: Facts) -> Header:
    tags = read_jpeg(stream, size)
    exif, xmp = read_exif(tags.exif), read_xmp(tags.xmp)
    notes = facts.notes
    if tags.end and tags.end < size:
        notes += (f"{size - tags.end:,} bytes after the end of the JPEG are dropped.",)
    if tags.pictures > 1:
        notes += (f"The file holds {tags.pictures} pictures; the first is used.",)
    if tags.gain_map:
        notes += ("The gain map, which brightens the picture on some displays, is dropped.",)
    damage = tags.damage
    if tags.lossless:
        damage = damage or "the JPEG is of the lossless kind, which cannot be read here"
    has_profile = tags.profile is not None
    facts = replace(
        facts,
        width=tags.width,
        height=tags.height,
        bits=tags.bits,
        channels=tags.components,
        mode=tags.mode,
        pages=1,
        compression="jpeg",
        progressive=tags.progressive,
        profile=_profile_facts(tags.profile or b"", tags.profile_damage) if has_profile else None,
        damage=damage,
        truncated=tags.cut_short,
        notes=notes,
    )
    facts = _with_texts(facts, exif, xmp, (exif.ppi, tags.jfif_ppi), tags.metadata_bytes)
    data = PictureData((tags.data_start,), (tags.end - tags.data_start,), None)
    decoded_bytes = facts.pixels * tags.components * max(-(-tags.bits // 8), 1)
    return Header(facts, data if tags.end else None, None, decoded_bytes)


def _from_png(stream: BinaryIO, size: int, facts: Facts) -> Header:
    tags = read_png(stream, size)
    exif, xmp = read_exif(tags.exif), read_xmp(tags.xmp)
    notes = facts.notes
    profile = _png_profile(tags)
    if tags.end and tags.end < size:
        notes += (f"{size - tags.end:,} bytes after the end of the PNG are dropped.",)
    if tags.animated:
        notes += ("The PNG is animated; its still picture is used.",)
    if tags.calibrated and profile is None:
        notes += ("The PNG's gamma and primaries (gAMA, cHRM) are no profile and are ignored.",)
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
        damage=tags.damage,
        truncated=tags.cut_short,
        notes=notes,
    )
    facts = _with_texts(facts, exif, xmp, (tags.ppi, exif.ppi), tags.metadata_bytes)
    data = PictureData((tags.data_start,), (tags.data_end - tags.data_start,), None)
    bands = (3 if tags.mode == "palette" else tags.channels) + has_alpha
    return Header(
        facts,
        data if tags.end else None,
        -1 if has_alpha else None,
        facts.pixels * bands * (2 if tags.bits == 16 else 1),
    )


# --- Colour ---------------------------------------------------------------------------------


def _profile_facts(data: bytes, damage: str) -> ProfileFacts:
    """Return the facts of an embedded profile; `damage` is what its container already knows."""
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
        return facts
    try:
        profile = parse_profile(data)
    except ProfileDamage as fault:
        return replace(facts, damage=_clause(str(fault)))
    is_picture_profile = profile.header.device_class not in {"link", "abst", "nmcl"}
    usable = profile.can_be_source or not is_picture_profile
    return replace(
        facts,
        description=plain_text(profile.description.encode("utf-8")),
        device_class=profile.header.device_class,
        colour_space=profile.header.colour_space,
        version=profile.version,
        working_space=name_working_space(profile),
        damage="" if usable else "it has nothing that a picture could be read with",
        monitor_calibration=profile.has_vcgt,
    )


_CICP_SRGB: Final = (1, 13, 0, 1)
"""What ITU-T H.273 and the PNG specification call sRGB; any other colours need a profile."""

_CICP_HDR: Final = {16: "PQ", 18: "HLG"}


def _png_profile(tags: PngTags) -> ProfileFacts | None:
    """Return what a PNG says of its colours.

    The specification (third edition, 4.3) ranks cICP above iCCP above sRGB. A profile is what
    print programs go by, so where the two contradict each other that is damage, not a choice.
    """
    coded = _cicp_facts(tags.cicp) if tags.cicp is not None else None
    if tags.profile is None:
        if coded is None and tags.srgb:
            return _chunk_facts("sRGB (PNG chunk)", "srgb", "")
        return coded
    embedded = _profile_facts(tags.profile, tags.profile_damage)
    if coded is None or embedded.damage:
        return embedded
    if coded.damage:
        return replace(embedded, damage=coded.damage)
    if coded.working_space != embedded.working_space:
        return replace(
            embedded,
            damage=(
                "the PNG says twice what its colours are, and not the same: "
                f"“{embedded.description}” and “{coded.description}”"
            ),
        )
    return embedded


def _cicp_facts(cicp: tuple[int, int, int, int]) -> ProfileFacts:
    transfer = cicp[1]
    if transfer in _CICP_HDR:
        name = _CICP_HDR[transfer]
        return _chunk_facts(
            f"high dynamic range, {name} (PNG chunk)",
            None,
            f"the PNG is coded for high dynamic range ({name}), which has no paper white",
        )
    if cicp != _CICP_SRGB:
        code = "/".join(str(number) for number in cicp)
        return _chunk_facts(
            f"colour code {code} (PNG chunk)",
            None,
            f"the PNG names its colours by a code ({code}) instead of a profile that could be used",
        )
    return _chunk_facts("sRGB (PNG chunk)", "srgb", "")


def _clause(sentence: str) -> str:
    """Return a sentence as what may stand after a colon, before a full stop."""
    return sentence[:1].lower() + sentence[1:].rstrip(".")


def _chunk_facts(description: str, working_space: str | None, damage: str) -> ProfileFacts:
    """Return facts for a PNG that names its colours without a profile: hash empty, 0 bytes.

    The colour space stays empty, for such a chunk may stand in a grey picture too.
    """
    return ProfileFacts(
        sha256="",
        bytes=0,
        description=description,
        device_class="mntr",
        colour_space="",
        version="",
        working_space=working_space,
        damage=damage,
    )


# --- What all formats share -----------------------------------------------------------------


def _with_texts(
    facts: Facts,
    exif: ExifTags,
    xmp: XmpTags,
    resolutions: Sequence[tuple[Fraction, Fraction] | None],
    metadata_bytes: int,
) -> Facts:
    """Return the facts with what Exif, XMP and the resolution tags add to them."""
    ppi, notes = _ppi(resolutions)
    if not exif.readable:
        notes += ("The camera's data (Exif) cannot be read and are ignored.",)
    if not xmp.readable:
        notes += ("The description of the picture (XMP) cannot be read and is ignored.",)
    if xmp.orientation not in {None, exif.orientation}:
        notes += (
            f"Two orientations are given, {exif.orientation} (Exif) and {xmp.orientation} (XMP); "
            "the second is ignored.",
        )
    if metadata_bytes > _LARGE_METADATA_BYTES:
        notes += (f"{metadata_bytes / 1e6:,.1f} MB of descriptions in the file are dropped.",)
    return replace(
        facts,
        orientation=exif.orientation,
        ppi=ppi,
        exif_colour=exif.colour,
        camera=exif.camera,
        creator=xmp.creator or exif.creator,
        rights=xmp.rights or exif.rights,
        notes=facts.notes + notes,
    )


def _ppi(
    resolutions: Sequence[tuple[Fraction, Fraction] | None],
) -> tuple[str | None, tuple[str, ...]]:
    """Return the first resolution that can be trusted as a decimal, and what was ignored."""
    for resolution in resolutions:
        if resolution is None or all(value in _NOT_A_RESOLUTION for value in resolution):
            continue
        x, y = (_decimal(value) for value in resolution)
        if x != y:
            note = f"The resolution tags differ, {x} across and {y} down; they are ignored."
            return None, (note,)
        if 0 < resolution[0] <= 1_000_000:
            return x, ()
    return None, ()


def _decimal(value: Fraction) -> str:
    """Return a number rounded to four places, without zeros at its end."""
    rounded = round(value, 4)
    text = f"{Decimal(rounded.numerator) / Decimal(rounded.denominator):f}"
    return text.rstrip("0").rstrip(".") if "." in text else text
