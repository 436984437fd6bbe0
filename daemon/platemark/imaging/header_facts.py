"""Turn what a picture's tags say into facts, before a pixel is decoded."""

from __future__ import annotations

from dataclasses import replace
from pathlib import PurePath
from typing import BinaryIO

from platemark.imaging.file_kind import HEAD_BYTES, FileKind, suffix_agrees, tell_kind
from platemark.imaging.header import Header
from platemark.imaging.jpeg_facts import facts_of_jpeg
from platemark.imaging.png_facts import facts_of_png
from platemark.imaging.tiff_facts import facts_of_tiff
from platemark.model.picture import Facts


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
        return facts_of_tiff(stream, size, facts)
    if kind.format == "jpeg":
        return facts_of_jpeg(stream, size, facts)
    if kind.format == "png":
        return facts_of_png(stream, size, facts)
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
