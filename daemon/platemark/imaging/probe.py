"""Probe a picture: read its own tags, then decode every pixel once and keep none of them.

The steps, cheapest first: first bytes, tags, the studio's limits, holes in the data, one
streamed decode, sums of packed data. Each is taken only where those before found the picture
worth it, so a bomb is refused from its header and a file that is cut short is told from its tags.

The readers of tags beside it are plain Python and need no decoder.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any, BinaryIO, Final

import pyvips

from platemark.imaging.header import Header
from platemark.imaging.header_facts import read_header
from platemark.imaging.holes import BLOCK_BYTES, find_hole
from platemark.imaging.jpeg_pieces import find_broken_jpeg
from platemark.imaging.opening import open_picture
from platemark.imaging.packing import find_broken_piece
from platemark.imaging.pixel_facts import look_at_pixels
from platemark.imaging.steps import tells_of_memory, tells_of_threads
from platemark.model.picture import FACTS_VERSION, Facts, Format
from platemark.model.work import HeaderLimits, ProbeReport, ProbeTask

# Words of libtiff, libjpeg and libpng, for want of codes.
_NO_MEMORY: Final = ("no space for", "insufficient memory", "not enough memory")
_NOT_READ: Final = (
    "not configured",
    "not implemented",
    "not supported",
    "unsupported",
    "samples out of range",
)

_MOST_DECODER_WORDS = 160


def probe(task: ProbeTask) -> ProbeReport:
    """Read a picture's own tags and decode all of it.

    Args:
        task: The file, the name that it was dropped under and the studio's limits.

    Returns:
        Its facts. Whatever is wrong with the picture is told there.

    Raises:
        OSError: The file cannot be read.
        pyvips.Error: The system gave the decoder no thread.
        MemoryError: The picture needs more memory than this process may use.
    """
    with Path(task.path).open("rb") as stream:
        size = os.fstat(stream.fileno()).st_size
        header = read_header(stream, size, task.name)
        facts = replace(
            header.facts,
            over_limit="; ".join(_over_limits(header, task.limits)),
            version=FACTS_VERSION,
        )
        if facts.over_limit or facts.format == "other":
            return ProbeReport(facts)
        if facts.is_read:
            hole = find_hole(stream, size, header.data) if header.data is not None else None
            if hole is not None:
                row = "" if hole.row is None else f", row {hole.row:,}"
                facts = replace(facts, zero_run=f"byte {hole.offset:,}{row}")
            facts = _decode(task.path, replace(header, facts=facts))
            if not facts.damage:
                facts = replace(facts, damage=_broken_packing(stream, facts, header))
        if facts.damage and not facts.truncated:
            facts = replace(facts, truncated=_ends_in_zeros(stream, size))
    return ProbeReport(facts)


def _over_limits(header: Header, limits: HeaderLimits) -> Iterator[str]:
    """Yield a clause for every limit that the header exceeds."""
    facts = header.facts
    if facts.bytes > limits.file_bytes:
        yield (
            f"the file has {facts.bytes:,} bytes, and the studio takes at most "
            f"{limits.file_bytes:,}"
        )
    if max(facts.width, facts.height) > limits.side_px:
        yield (
            f"the picture is {facts.width:,} × {facts.height:,} px, and the studio takes at most "
            f"{limits.side_px:,} px a side"
        )
    if facts.pixels > limits.pixels:
        yield (
            f"the picture has {facts.pixels:,} pixels, and the studio takes at most "
            f"{limits.pixels:,}"
        )
    if facts.progressive and facts.pixels > limits.progressive_pixels:
        kind = "a progressive JPEG" if facts.format == "jpeg" else "an interlaced PNG"
        yield (
            f"the picture is {kind} of {facts.pixels:,} pixels, which needs memory for all of "
            f"them at once, and the studio takes at most {limits.progressive_pixels:,} of that kind"
        )
    # A file that is cut short has fewer bytes than it should: that says nothing of a bomb.
    if not facts.damage and header.decoded_bytes > limits.expansion * facts.bytes:
        yield (
            f"the file's {facts.bytes:,} bytes would unpack to {header.decoded_bytes:,}, more "
            f"than {limits.expansion:,} times as many"
        )


def _decode(path: str, header: Header) -> Facts:
    """Decode the whole picture once and return its facts, with damage or what the pixels say."""
    facts = header.facts
    try:
        image = open_picture(path, facts.format)
        disagreement = _disagreement(image, header)
        if disagreement:
            return replace(facts, damage=disagreement)
        # A palette's one channel is decoded to three.
        colours = image.bands if facts.mode == "palette" else facts.channels
        seen = look_at_pixels(image, colours, header.alpha_band)
        uniform = seen.uniform and _is_uniform(path, facts.format, colours)
    except pyvips.Error as error:
        return _with_decoder_fault(facts, error)
    if header.alpha_band is not None:
        facts = replace(facts, alpha="opaque" if seen.opaque else "transparent")
    return replace(
        facts,
        uniform=uniform,
        solid_border=seen.solid_border,
        # A flat picture that an editor left blank stands for layers that only it can draw.
        composite_missing=facts.composite_missing or (facts.layered and uniform),
    )


def _is_uniform(path: str, form: Format, colours: int) -> bool:
    """Tell whether a picture that seems to be of one colour is; only such a one is read again."""
    image = open_picture(path, form)
    figures = image.extract_band(0, n=min(colours, image.bands)).stats()
    # The first row is for all bands together; smallest and largest stand first in each.
    return all(figures(0, band) == figures(1, band) for band in range(1, figures.height))


def _disagreement(image: Any, header: Header) -> str:
    """Return what the decoder understands otherwise than our reading of the tags; empty if nought.

    A file on which two readers disagree is damaged or made to deceive one of them.
    """
    facts = header.facts
    if (image.width, image.height) != (facts.width, facts.height):
        return (
            f"the file says that it is {facts.width:,} × {facts.height:,} px, but decodes to "
            f"{image.width:,} × {image.height:,} px"
        )
    is_deep = image.format not in {"uchar", "char"}
    if is_deep != (facts.bits > 8):
        return f"the file says that it has {facts.bits} bits a channel, but decodes to others"
    if header.alpha_band is not None and header.alpha_band >= image.bands:
        return "the file says that it has transparency, but decodes without"
    return ""


def _with_decoder_fault(facts: Facts, error: pyvips.Error) -> Facts:
    """Return the facts with what the decoder said as damage, or as a form that is not read.

    Raises:
        pyvips.Error: `error` itself, where no thread could be started: the picture is innocent.
        MemoryError: The decoder had too little memory.
    """
    words = str(error)
    lowered = words.lower()
    if tells_of_threads(words):
        raise error
    if tells_of_memory(words) or any(sign in lowered for sign in _NO_MEMORY):
        raise MemoryError(words)
    lines = [line.strip() for line in words.splitlines() if line.strip()]
    # The first line names the operation, the second the cause; what follows are its effects.
    cause = lines[min(1, len(lines) - 1)][:_MOST_DECODER_WORDS] if lines else "nothing"
    said = f"(the decoder says: {cause})"
    # Of the others, a JPEG whose marks are damaged says the same.
    if facts.format == "tiff" and any(sign in lowered for sign in _NOT_READ):
        return replace(facts, unread=f"there is no decoder for it {said}")
    return replace(facts, damage=f"its picture data are damaged {said}")


def _broken_packing(stream: BinaryIO, facts: Facts, header: Header) -> str:
    """Return which part of a packed TIFF does not unpack to its end, as a clause."""
    if facts.format != "tiff" or header.data is None or header.blocks is None:
        return ""
    if facts.compression == "jpeg":
        broken = find_broken_jpeg(stream, header.data, header.blocks, header.jpeg_tables)
    else:
        broken = find_broken_piece(stream, header.data, header.blocks, facts.compression)
    return (
        "" if broken is None else f"its picture data at byte {broken:,} do not unpack as they say"
    )


def _ends_in_zeros(stream: BinaryIO, size: int) -> bool:
    """Tell whether a damaged file ends in a whole block of zeros, as an unfinished copy may."""
    if size < 2 * BLOCK_BYTES:
        return False
    stream.seek(size - BLOCK_BYTES)
    return not any(stream.read(BLOCK_BYTES))
