"""Write the file that the lab prints: TIFF in strips, or a baseline JPEG."""

from __future__ import annotations

import re
from xml.sax.saxutils import escape

import pyvips

from platemark.imaging.depth import dithered, rounded
from platemark.model.plan import Plan

_CLASSIC_TIFF_BYTES = 4_000_000_000
"""A plain TIFF addresses 4 GiB; beyond this the 64-bit form is written."""

_XMP = """<?xpacket begin="\ufeff" id="W5M0MpCehiHzreSzNTczkc9d"?>
<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF \
xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#"><rdf:Description rdf:about="" \
xmlns:dc="http://purl.org/dc/elements/1.1/">{tags}</rdf:Description></rdf:RDF></x:xmpmeta>
<?xpacket end="r"?>"""
_CREATOR = "<dc:creator><rdf:Seq><rdf:li>{}</rdf:li></rdf:Seq></dc:creator>"
_RIGHTS = (
    '<dc:rights><rdf:Alt><rdf:li xml:lang="x-default">{}</rdf:li></rdf:Alt></dc:rights>'
)
_NOT_IN_XML = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def write_print(image: pyvips.Image, plan: Plan, profile_path: str, path: str) -> None:
    """Write the converted document with its profile, its resolution and the two tags we keep.

    Args:
        image: 16-bit RGB of the whole document.
        plan: Says form, depth, compression, resolution, creator and rights.
        profile_path: Of the output profile, to be embedded byte for byte.
        path: File to write.
    """
    if plan.bits == 8:
        image = rounded(image) if plan.format == "jpeg" else dithered(image, plan.dither_seed)
    image = image.copy()
    keep = pyvips.ForeignKeep.ICC | pyvips.ForeignKeep.XMP
    packet = xmp_packet(plan.creator, plan.rights)
    if packet:
        image.set_type(pyvips.GValue.blob_type, "xmp-data", packet)
    per_mm = float(plan.ppi) / 25.4
    if plan.format == "jpeg":
        # The JFIF header has room for whole numbers only, so the resolution is in a new EXIF
        # block of the library's, which holds nothing else of note.
        image = image.copy(xres=per_mm, yres=per_mm)
        image.jpegsave(
            path,
            Q=plan.jpeg_quality,
            subsample_mode="off",
            optimize_coding=True,
            interlace=False,
            profile=profile_path,
            keep=keep | pyvips.ForeignKeep.EXIF,
        )
        return
    image.tiffsave(
        path,
        compression=plan.compression,
        predictor="none",
        profile=profile_path,
        xres=per_mm,
        yres=per_mm,
        resunit="inch",
        bigtiff=needs_64_bit(image),
        keep=keep,
    )


def needs_64_bit(image: pyvips.Image) -> bool:
    """Whether a picture's samples are too many for a plain TIFF."""
    sample_bytes = 2 if image.format == "ushort" else 1
    total: int = image.width * image.height * image.bands * sample_bytes
    return total > _CLASSIC_TIFF_BYTES


def xmp_packet(creator: str, rights: str) -> bytes:
    """Make an XMP packet (ISO 16684-1) of Dublin Core creator and rights; empty for neither."""
    tags = "".join(
        form.format(escape(_NOT_IN_XML.sub("\ufffd", text)))
        for form, text in ((_CREATOR, creator), (_RIGHTS, rights))
        if text
    )
    return _XMP.format(tags=tags).encode() if tags else b""
