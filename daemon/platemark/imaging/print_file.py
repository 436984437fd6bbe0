"""Write the file that the lab prints: TIFF in strips, or a baseline JPEG."""

from __future__ import annotations

import re
from functools import partial
from pathlib import Path

import pyvips

from platemark.imaging.convert import path_of
from platemark.imaging.print_pass import PrintPass
from platemark.imaging.tiff_writer import Compression, TiffForm, TiffWriter, pack_strips
from platemark.model.plan import Plan

_XMP = """<?xpacket begin="\ufeff" id="W5M0MpCehiHzreSzNTczkc9d"?>
<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF \
xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#"><rdf:Description rdf:about="" \
xmlns:dc="http://purl.org/dc/elements/1.1/">{tags}</rdf:Description></rdf:RDF></x:xmpmeta>
<?xpacket end="r"?>"""
_CREATOR = "<dc:creator><rdf:Seq><rdf:li>{}</rdf:li></rdf:Seq></dc:creator>"
_RIGHTS = '<dc:rights><rdf:Alt><rdf:li xml:lang="x-default">{}</rdf:li></rdf:Alt></dc:rights>'
_NOT_IN_XML = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def write_print(
    passing: PrintPass, profile: bytes, path: Path, scratch: Path, threads: int
) -> None:
    """Write the document with its profile, its resolution and the two tags that are kept.

    Args:
        passing: The samples, and the plan that says form, depth and tags.
        profile: The output profile, embedded byte for byte.
        path: File to write.
        scratch: File for a JPEG's samples, which are gathered first; it is gone afterwards.
        threads: Strips to work on at the same time.
    """
    plan = passing.plan
    if plan.format == "jpeg":
        # The library takes its samples from a file, so they make a plain TIFF first.
        try:
            _write_tiff(passing, "none", b"", scratch, threads)
            _write_jpeg(scratch, plan, profile, path)
        finally:
            scratch.unlink(missing_ok=True)
    else:
        _write_tiff(passing, plan.compression, profile, path, threads)


def _write_tiff(
    passing: PrintPass, compression: Compression, profile: bytes, path: Path, threads: int
) -> None:
    plan = passing.plan
    form = TiffForm(
        width=plan.width_px,
        height=plan.height_px,
        bits=plan.bits,
        compression=compression,
        ppi=plan.ppi,
        profile=profile,
        xmp=xmp_packet(plan.creator, plan.rights),
    )
    with TiffWriter(form, path) as writer:
        for strips in passing.strips(threads, partial(pack_strips, compression=compression)):
            writer.add(strips)


def _write_jpeg(samples: Path, plan: Plan, profile: bytes, path: Path) -> None:
    per_mm = float(plan.ppi) / 25.4
    image = pyvips.Image.tiffload(str(samples), access="sequential", fail_on="error")
    image = image.copy(interpretation="srgb", xres=per_mm, yres=per_mm)
    # Code tables made for the picture would save a few per cent, but need all of it in memory.
    # The JFIF header has room for whole numbers only, so the resolution is in a new EXIF block of
    # the library's, which holds nothing else of note.
    keep = pyvips.ForeignKeep
    image.jpegsave(
        str(path),
        Q=plan.jpeg_quality,
        subsample_mode="off",
        optimize_coding=False,
        interlace=False,
        profile=path_of(profile),
        keep=keep.ICC | keep.XMP | keep.EXIF,
    )


def xmp_packet(creator: str, rights: str) -> bytes:
    """Make an XMP packet (ISO 16684-1) of Dublin Core creator and rights; empty for neither."""
    tags = "".join(
        form.format(_in_xml(text))
        for form, text in ((_CREATOR, creator), (_RIGHTS, rights))
        if text
    )
    return _XMP.format(tags=tags).encode() if tags else b""


def _in_xml(text: str) -> str:
    clean = _NOT_IN_XML.sub("\ufffd", text)
    return clean.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
