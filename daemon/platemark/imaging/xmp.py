"""Read creator, rights and orientation from an XMP packet (ISO 16684-1).

A packet is XML that came with a stranger's file: it is read as a stream, without a document
type, without entities of its own, up to a size and a depth.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final
from xml.parsers import expat

_MOST_BYTES = 1_000_000
_MOST_DEPTH = 64
_MOST_TEXT = 2_000

_DC: Final = "http://purl.org/dc/elements/1.1/ "
_RDF: Final = "http://www.w3.org/1999/02/22-rdf-syntax-ns# "
_ORIENTATION: Final = "http://ns.adobe.com/tiff/1.0/ Orientation"
_LANGUAGE: Final = "http://www.w3.org/XML/1998/namespace lang"


@dataclass(frozen=True, slots=True)
class XmpTags:
    """What a packet says; empty where it does not."""

    creator: str = ""
    """All creators, `; ` between them."""
    rights: str = ""
    """In the packet's default language, else the first."""
    orientation: int | None = None
    readable: bool = True


class _Unwelcome(Exception):
    """The packet holds what none of ours may: a document type, or depth without end."""


class _Reader:
    """Gathers the texts of the elements that are wanted, as the parser passes them."""

    def __init__(self) -> None:
        self._path: list[str] = []
        self._text = ""
        self._language = ""
        self.creators: list[str] = []
        self.rights: dict[str, str] = {}
        self.orientation = ""

    def start(self, name: str, attributes: dict[str, str]) -> None:
        if len(self._path) == _MOST_DEPTH:
            raise _Unwelcome
        self._path.append(name)
        self._text = ""
        self._language = attributes.get(_LANGUAGE, "")
        self.orientation = attributes.get(_ORIENTATION, self.orientation)

    def text(self, piece: str) -> None:
        if len(self._text) < _MOST_TEXT:
            self._text += piece

    def end(self, name: str) -> None:
        found = " ".join("".join(c if c.isprintable() else " " for c in self._text).split())
        if name == _RDF + "li" and found:
            if _DC + "creator" in self._path:
                self.creators.append(found)
            elif _DC + "rights" in self._path:
                self.rights.setdefault(self._language, found)
        elif name == _ORIENTATION:
            self.orientation = found
        self._path.pop()
        self._text = ""

    def refuse(self, *_: object) -> None:
        raise _Unwelcome


def read_xmp(packet: bytes) -> XmpTags:
    """Read an XMP packet.

    Args:
        packet: Its bytes, with or without the processing instructions around it.

    Returns:
        What it says. Damage loses no pixel, so it is told by `readable` only.
    """
    if not packet:
        return XmpTags()
    if len(packet) > _MOST_BYTES:
        return XmpTags(readable=False)
    reader = _Reader()
    parser = expat.ParserCreate(namespace_separator=" ")
    parser.buffer_text = True
    parser.StartElementHandler = reader.start
    parser.EndElementHandler = reader.end
    parser.CharacterDataHandler = reader.text
    parser.StartDoctypeDeclHandler = reader.refuse
    parser.EntityDeclHandler = reader.refuse
    try:
        parser.Parse(packet.strip(b"\0 \t\r\n"), True)
    except (expat.ExpatError, _Unwelcome, ValueError, LookupError):
        return XmpTags(readable=False)
    orientation = reader.orientation
    known = len(orientation) == 1 and orientation in "12345678"
    return XmpTags(
        creator="; ".join(reader.creators)[:_MOST_TEXT],
        rights=reader.rights.get("x-default") or next(iter(reader.rights.values()), ""),
        orientation=int(orientation) if known else None,
    )
