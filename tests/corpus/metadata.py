"""Camera data and descriptions as cameras and editors write them; all of it invented."""

from __future__ import annotations

import io

from PIL import Image

LONG_AGO = 1_700_000_000
"""14 November 2023: a cut-off file of that day is not still arriving."""

_MAKE, _MODEL, _ORIENTATION, _SOFTWARE = 271, 272, 274, 305
_EXIF, _GPS, _INTEROPERABILITY = 34665, 34853, 40965
_COLOUR_SPACE, _SERIAL = 40961, 42033


def camera(
    *,
    space: int | None = None,
    index: str = "",
    orientation: int = 1,
    maker: str = "Invented Works",
    place: bool = False,
    lines: int = 0,
) -> bytes:
    """An Exif block from its byte order on (CIPA DC-008).

    Args:
        space: ColorSpace: 1 sRGB, 65535 uncalibrated; None leaves it out.
        index: InteroperabilityIndex: `R98` sRGB, `R03` Adobe RGB (DCF 2.0).
        orientation: 1 to 8.
        maker: Of the camera; empty where no camera made it.
        place: Whether it tells where the picture was taken, and the camera's number.
        lines: Of a long user comment.
    """
    exif = Image.Exif()
    if maker:
        exif[_MAKE], exif[_MODEL] = maker, "Box 3"
    exif[_ORIENTATION] = orientation
    exif[_SOFTWARE] = "Invented editor 4"
    details = exif.get_ifd(_EXIF)
    if space is not None:
        details[_COLOUR_SPACE] = space
    if lines:
        details[37510] = b"ASCII\0\0\0" + b"Seen from the bank at first light. " * lines
    if index:
        details[_INTEROPERABILITY] = {1: index}
    if place:
        details[_SERIAL] = "0042-1789"
        exif.get_ifd(_GPS).update({1: "N", 2: (51.0, 30.0, 12.5), 3: "W", 4: (1.0, 7.0, 39.0)})
    return exif.tobytes()


def xmp_of(*, orientation: int | None = None, description: str = "", keywords: int = 0) -> bytes:
    """An XMP packet (ISO 16684-1)."""
    turned = f' tiff:Orientation="{orientation}"' if orientation else ""
    bag = "".join(f"<rdf:li>keyword {number}</rdf:li>" for number in range(keywords))
    return (
        '<?xpacket begin="\ufeff" id="W5M0MpCehiHzreSzNTczkc9d"?>'
        '<x:xmpmeta xmlns:x="adobe:ns:meta/">'
        '<rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">'
        f'<rdf:Description rdf:about="" xmlns:tiff="http://ns.adobe.com/tiff/1.0/"{turned}'
        ' xmlns:dc="http://purl.org/dc/elements/1.1/">'
        "<dc:creator><rdf:Seq><rdf:li>Ilka Quillfen</rdf:li></rdf:Seq></dc:creator>"
        '<dc:description><rdf:Alt><rdf:li xml:lang="x-default">'
        f"{description}</rdf:li></rdf:Alt></dc:description>"
        f"<dc:subject><rdf:Bag>{bag}</rdf:Bag></dc:subject>"
        '</rdf:Description></rdf:RDF></x:xmpmeta><?xpacket end="w"?>'
    ).encode()


def jpeg_segment(marker: int, body: bytes) -> bytes:
    """One marker segment of a JPEG (ITU-T T.81, B.1.1.4)."""
    return bytes([0xFF, marker]) + (len(body) + 2).to_bytes(2, "big") + body


def jpeg_of(image: Image.Image, **options: object) -> bytes:
    """A JPEG by Pillow, quality 95 with full chroma unless said otherwise."""
    stream = io.BytesIO()
    image.save(stream, "JPEG", **{"quality": 95, "subsampling": 0, **options})
    return stream.getvalue()
