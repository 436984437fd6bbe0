"""The readers of tags, on bytes built here: what they read, and that nothing makes them fail."""

from __future__ import annotations

import io
import struct
import zlib
from collections.abc import Sequence
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from platemark.imaging.exif import read_exif
from platemark.imaging.file_kind import HEAD_BYTES, suffix_agrees, tell_kind
from platemark.imaging.header import Header
from platemark.imaging.header_facts import read_header
from platemark.imaging.holes import BLOCK_BYTES, PictureData, find_hole
from platemark.imaging.icc import (
    PCS_WHITE,
    build_grey_profile,
    build_matrix_profile,
    pack_profile,
    pack_text,
    pack_xyz,
)
from platemark.imaging.jpeg_tags import JpegTags, read_jpeg
from platemark.imaging.png_tags import PngTags, read_png
from platemark.imaging.tiff_page import PixelRows, read_page
from platemark.imaging.tiff_tags import TiffTags, read_tiff
from platemark.imaging.xmp import read_xmp
from platemark.model.picture import Facts

SRGB = build_matrix_profile("srgb")
ADOBE = build_matrix_profile("adobe-rgb")

BYTE, ASCII, SHORT, LONG, RATIONAL, UNDEFINED, LONG8 = 1, 2, 3, 4, 5, 7, 16
CODES = {BYTE: "B", SHORT: "H", LONG: "I", LONG8: "Q"}

Tag = tuple[int, int, Sequence[int] | bytes]


# --- Files built byte by byte ---------------------------------------------------------------


def packed(order: str, kind: int, values: Sequence[int] | bytes) -> tuple[int, bytes]:
    if isinstance(values, bytes):
        return len(values), values
    if kind == RATIONAL:
        return len(values) // 2, struct.pack(f"{order}{len(values)}I", *values)
    return len(values), struct.pack(f"{order}{len(values)}{CODES[kind]}", *values)


def directory(
    order: str, big: bool, at: int, tags: Sequence[Tag], following: int | None = None
) -> bytes:
    """One directory at byte `at`, its larger values behind it; `following` None: what comes next.

    With None, the pointer to the next directory is the first byte after all of this one.
    """
    count_form, row_form, word = ("Q", "HHQ", 8) if big else ("H", "HHI", 4)
    table = struct.calcsize("=" + count_form) + len(tags) * (12 + 8 * big) + word
    rows, heap = b"", b""
    for tag, kind, values in tags:
        count, raw = packed(order, kind, values)
        place = struct.pack(order + "QI"[not big], at + table + len(heap))
        if len(raw) <= word:
            place = raw.ljust(word, b"\0")
        else:
            heap += raw + bytes(len(raw) % 2)
        rows += struct.pack(order + row_form, tag, kind, count) + place
    end = at + table + len(heap) if following is None else following
    return (
        struct.pack(order + count_form, len(tags)) + rows + struct.pack(order + "QI"[not big], end)
    ) + heap


def tiff(
    *pages: Sequence[Tag], order: str = "<", big: bool = False, rows: bytes = bytes(range(1, 49))
) -> bytes:
    """A TIFF whose picture data lie right behind the header and are shared by all pages."""
    mark = b"II" if order == "<" else b"MM"
    start = 16 if big else 8
    body = b""
    first = start + len(rows)
    for index, page in enumerate(pages):
        blocks: list[Tag] = [(273, LONG, [start]), (279, LONG, [len(rows)])]
        whole = sorted([*page, *(b for b in blocks if b[0] not in {t[0] for t in page})])
        last = index == len(pages) - 1
        body += directory(order, big, first + len(body), whole, 0 if last else None)
    if big:
        return mark + struct.pack(order + "HHHQ", 43, 8, 0, first) + rows + body
    return mark + struct.pack(order + "HI", 42, first) + rows + body


def page(*more: Tag, width: int = 4, height: int = 4, bits: int = 8, samples: int = 3) -> list[Tag]:
    tags: dict[int, Tag] = {
        256: (256, SHORT, [width]),
        257: (257, SHORT, [height]),
        258: (258, SHORT, [bits] * samples),
        259: (259, SHORT, [1]),
        262: (262, SHORT, [2]),
        277: (277, SHORT, [samples]),
    }
    for tag in more:
        tags[tag[0]] = tag
    return list(tags.values())


def segment(marker: int, body: bytes) -> bytes:
    return struct.pack(">BBH", 0xFF, marker, len(body) + 2) + body


FRAME = segment(0xC0, struct.pack(">BHHB", 8, 30, 40, 3) + bytes(9))
SCAN = segment(0xDA, bytes(10)) + b"\x12\x34\xff\x00\x56\xff\xd0\x78"
EOI = b"\xff\xd9"


def jpeg(*segments: bytes, frame: bytes = FRAME, scan: bytes = SCAN, end: bytes = EOI) -> bytes:
    return b"\xff\xd8" + b"".join(segments) + frame + scan + end


def chunk(name: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))


IEND = chunk(b"IEND", b"")


def png(
    *chunks: bytes, colour: int = 2, bits: int = 8, lacing: int = 0, end: bytes = IEND
) -> bytes:
    head = chunk(b"IHDR", struct.pack(">IIBBBBB", 5, 3, bits, colour, 0, 0, lacing))
    return b"\x89PNG\r\n\x1a\n" + head + b"".join(chunks) + chunk(b"IDAT", b"data") + end


def exif_block(*tags: Tag, camera: Sequence[Tag] = (), index: bytes = b"") -> bytes:
    """An Exif block: first directory, camera's directory, interoperability directory."""
    order = "<"

    def first(pointer: int) -> bytes:
        rows = [*tags, (34665, LONG, [pointer])] if camera or index else list(tags)
        return directory(order, False, 8, sorted(rows), 0)

    second_at = 8 + len(first(0))

    def second(pointer: int) -> bytes:
        rows = [*camera, (40965, LONG, [pointer])] if index else list(camera)
        return directory(order, False, second_at, sorted(rows), 0)

    third_at = second_at + len(second(0))
    third = directory(order, False, third_at, [(1, ASCII, index + b"\0")], 0)
    return b"II*\0" + struct.pack("<I", 8) + first(second_at) + second(third_at) + third


def xmp_packet(inner: str, attributes: str = "") -> bytes:
    return (
        '<?xpacket begin="" id="W5M0MpCehiHzreSzNTczkc9d"?>'
        '<x:xmpmeta xmlns:x="adobe:ns:meta/">'
        '<rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">'
        '<rdf:Description xmlns:dc="http://purl.org/dc/elements/1.1/" '
        f'xmlns:tiff="http://ns.adobe.com/tiff/1.0/" {attributes}>{inner}</rdf:Description>'
        '</rdf:RDF></x:xmpmeta><?xpacket end="w"?>'
    ).encode()


def of_tiff(data: bytes) -> TiffTags:
    return read_tiff(io.BytesIO(data), len(data))


def of_jpeg(data: bytes) -> JpegTags:
    return read_jpeg(io.BytesIO(data), len(data))


def of_png(data: bytes) -> PngTags:
    return read_png(io.BytesIO(data), len(data))


def header_of(data: bytes, name: str = "heron.tif") -> Header:
    return read_header(io.BytesIO(data), len(data), name)


def facts_of(data: bytes, name: str = "heron.tif") -> Facts:
    return header_of(data, name).facts


class CountingStream(io.BytesIO):
    """A file that counts the bytes that are read from it."""

    def __init__(self, data: bytes) -> None:
        super().__init__(data)
        self.taken = 0

    def read(self, size: int | None = -1, /) -> bytes:
        """Read as any file does, and count."""
        data = super().read(size)
        self.taken += len(data)
        return data


# --- First bytes ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("head", "form", "looks_like"),
    [
        (b"II*\0" + bytes(8), "tiff", ""),
        (b"MM\0*" + bytes(8), "tiff", ""),
        (b"II+\0\x08\0\0\0", "tiff", ""),
        (b"MM\0+\0\x08\0\0", "tiff", ""),
        (b"\xff\xd8\xff\xe0", "jpeg", ""),
        (b"\x89PNG\r\n\x1a\n", "png", ""),
        (b"%PDF-1.7", "other", "a PDF document"),
        (b"\0\0\0\x18ftypheic", "other", "a picture of the HEIC kind"),
        (b"\0\0\0\x1cftypavif", "other", "a picture of the AVIF kind"),
        (b"GIF89a", "other", "a GIF picture"),
        (b"RIFF\x10\0\0\0WEBPVP8 ", "other", "a WebP picture"),
        (b"8BPS\0\x01", "other", "a layered document of an image editor"),
        (b"II*\0\x10\0\0\0CR\x02\0", "other", "a camera raw file"),
        (b"\0\0\0\x18ftypcrx ", "other", "a camera raw file"),
        (b"\xef\xbb\xbf <svg xmlns=", "other", "a drawing (SVG)"),
        (b"hello, world", "other", ""),
    ],
)
def test_the_first_bytes_say_what_a_file_is(head: bytes, form: str, looks_like: str) -> None:
    """Formats are told by their first bytes (magic numbers of each format's own standard)."""
    kind = tell_kind(head)
    assert (kind.format, kind.looks_like) == (form, looks_like)


def test_what_looks_like_something_else_is_the_first_note() -> None:
    """A file that is not taken is named by its note, as a noun."""
    facts = facts_of(b"%PDF-1.7 and so on", "heron.jpg")
    assert (facts.format, facts.notes, facts.damage) == ("other", ("a PDF document",), "")
    assert not facts.extension_agrees


@pytest.mark.parametrize("head", [b"", b"I", b"MM\0", b"\xff\xd8", b"\x89PNG\r"])
def test_the_beginning_of_a_picture_may_still_grow(head: bytes) -> None:
    """An empty file, and one of a few bytes that begin as a picture does, count as cut short."""
    facts = facts_of(head)
    assert facts.truncated
    assert facts.damage


def test_zeros_where_a_picture_should_begin_may_still_be_filled() -> None:
    """A file that begins with zeros is a reserved copy, not a file of another kind."""
    facts = facts_of(bytes(20_000))
    assert facts.truncated
    assert "zeros" in facts.damage


@pytest.mark.parametrize(
    ("form", "suffix", "agrees"),
    [
        ("tiff", ".TIF", True),
        ("tiff", ".jpg", False),
        ("jpeg", ".jpeg", True),
        ("png", ".png", True),
        ("other", ".pdf", True),
        ("other", ".tif", False),
    ],
)
def test_an_extension_agrees_with_the_content_or_not(form: str, suffix: str, agrees: bool) -> None:
    """The name's ending is held against the content, whatever its case."""
    assert suffix_agrees(form, suffix) is agrees  # type: ignore[arg-type]


# --- TIFF -----------------------------------------------------------------------------------


@pytest.mark.parametrize("order", ["<", ">"])
@pytest.mark.parametrize("big", [False, True])
def test_tags_are_read_in_both_byte_orders_and_both_sizes(order: str, big: bool) -> None:
    """Classic TIFF and BigTIFF, little- and big-endian, hold the same page."""
    data = tiff(page((305, ASCII, b"written here\0"), bits=16), order=order, big=big)
    tags = of_tiff(data)
    assert (tags.damage, tags.big, tags.byte_order) == ("", big, order)
    read = read_page(tags.pages[0])
    assert (read.width, read.height, read.bits, read.samples) == (4, 4, (16, 16, 16), 3)
    assert tags.pages[0].text(305) == "written here"
    assert list(tags.pages[0].integers(258)) == [16, 16, 16]


def test_missing_tags_have_the_defaults_of_the_standard() -> None:
    """TIFF 6.0, section 8: one bit, one sample, no compression, unsigned, one whole strip."""
    tags = of_tiff(tiff([(256, SHORT, [4]), (257, SHORT, [4]), (262, SHORT, [1])]))
    read = read_page(tags.pages[0])
    assert (read.bits, read.samples, read.compression) == ((1,), 1, 1)
    assert (read.sample_formats, read.planar, read.subfile) == ((1,), False, 0)


def test_reduced_pages_masks_and_small_copies_are_no_pages() -> None:
    """Full pages are counted; NewSubfileType bits 0 and 2 and half-sized pages are noted."""
    large = {"width": 100, "height": 80}
    data = tiff(
        page(**large),
        page((254, LONG, [1]), **large),
        page((254, LONG, [4]), **large),
        page((255, SHORT, [2]), **large),
        page(width=50, height=40),
        page(width=99, height=80),
        rows=bytes(range(1, 201)) * 120,
    )
    facts = facts_of(data)
    assert facts.pages == 2
    assert "Smaller copies of the picture in the file are dropped: 3." in facts.notes
    assert "Masks in the file are dropped: 1." in facts.notes


def test_a_reduced_first_page_is_refused() -> None:
    """The decoder takes the first page, so that must be the picture."""
    facts = facts_of(tiff(page((254, LONG, [1])), page()))
    assert ("reduced copy" in facts.unread, facts.damage) == (True, "")


def test_sub_directories_are_not_pages() -> None:
    """What hangs on a page by SubIFDs (tag 330) is not counted."""

    def whole(at: int) -> bytes:
        return tiff(page((330, LONG, [at])))

    at = len(whole(0))
    data = whole(at) + directory("<", False, at, page(), 0)
    assert (facts_of(data).pages, facts_of(data).damage) == (1, "")
    for length in range(at, len(data)):
        assert facts_of(data[:length]).truncated


def test_nonsense_in_what_hangs_on_a_page_costs_no_picture() -> None:
    """A pointer to the camera's data that leads to no directory is left out, not damage."""
    rows = b"\xff" * 48
    assert facts_of(tiff(page((34665, LONG, [8])), rows=rows)).damage == ""


@pytest.mark.parametrize(
    ("extra", "alpha", "band"),
    [
        ((), "none", None),
        ((0,), "selection", None),
        ((0, 0), "selection", None),
        ((1,), "transparent", 3),
        ((2,), "transparent", 3),
        ((0, 2), "transparent", 4),
    ],
)
def test_extra_samples_say_what_kind_they_are(
    extra: tuple[int, ...], alpha: str, band: int | None
) -> None:
    """ExtraSamples 0 is a saved selection and dropped; 1 and 2 are alpha, told by the pixels."""
    count = 3 + len(extra)
    more: list[Tag] = [(338, SHORT, list(extra))] if extra else []
    data = tiff(page(*more, samples=count), rows=bytes(range(1, 81)))
    header = header_of(data)
    assert (header.facts.alpha, header.alpha_band) == (alpha, band)
    assert header.facts.notes == ()
    assert header.facts.channels == 3


@pytest.mark.parametrize(
    ("photometric", "samples", "more", "mode"),
    [
        (0, 1, (), "grey"),
        (1, 1, (), "grey"),
        (2, 3, (), "rgb"),
        (3, 1, (), "palette"),
        (5, 4, (), "cmyk"),
        (5, 4, ((332, SHORT, [2]),), "other"),
        (6, 3, (), "ycbcr"),
        (8, 3, (), "lab"),
        (9, 3, (), "lab"),
        (10, 3, (), "other"),
        (8, 3, ((339, SHORT, [1, 2, 2]),), "other"),
        (8, 3, ((339, SHORT, [2, 2, 2]),), "lab"),
        (2, 3, ((339, SHORT, [2, 2, 2]),), "other"),
        (2, 3, ((258, SHORT, [8, 8, 16]),), "other"),
    ],
)
def test_the_photometric_tag_names_the_kind_of_picture(
    photometric: int, samples: int, more: tuple[Tag, ...], mode: str
) -> None:
    """TIFF 6.0 PhotometricInterpretation; inks that are not CMYK and odd samples are `other`."""
    data = tiff(page((262, SHORT, [photometric]), *more, samples=samples), rows=bytes(64))
    facts = facts_of(data)
    assert facts.mode == mode
    if mode == "lab":
        assert facts.lab_encoding == {8: "cie", 9: "icc"}[photometric]


def test_a_raw_file_is_told_from_a_tiff() -> None:
    """A mosaic (photometric 32803) and a reduced page that hides others are no finished picture."""
    mosaic = tiff(page((262, SHORT, [32803])))
    hiding = tiff(page((254, LONG, [1]), (330, LONG, [8])))
    for data in (mosaic, hiding):
        facts = facts_of(data)
        assert (facts.format, facts.notes, facts.damage) == ("other", ("a camera raw file",), "")


@pytest.mark.parametrize(
    ("x", "y", "unit", "ppi"),
    [
        ((300, 1), (300, 1), 2, "300"),
        ((2400, 10), (240, 1), 2, "240"),
        ((11811, 100), (11811, 100), 3, "299.9994"),
        ((72, 1), (72, 1), 2, None),
        ((1, 1), (1, 1), 2, None),
        ((0, 1), (0, 1), 2, None),
        ((300, 0), (300, 0), 2, None),
        ((300, 1), (300, 1), 1, None),
        ((300, 1), (150, 1), 2, None),
        ((300, 1), (2999994, 10000), 2, "300"),
    ],
)
def test_a_resolution_is_a_decimal_or_nothing(
    x: tuple[int, int], y: tuple[int, int], unit: int, ppi: str | None
) -> None:
    """0, 1 and 72, no unit, a division by zero and two that differ are no resolution."""
    data = tiff(page((282, RATIONAL, x), (283, RATIONAL, y), (296, SHORT, [unit])))
    facts = facts_of(data)
    assert facts.ppi == ppi
    differs = "300 across and 150 down" if y == (150, 1) else ""
    assert facts.ppi_differs == differs
    assert facts.notes == (
        (f"The resolution tags differ, {differs}; they are ignored.",) if differs else ()
    )


def test_layers_and_large_descriptions_are_noted() -> None:
    """Private layer data (tag 37724) and more than 1 MB of descriptions go into the change log."""
    data = tiff(page((37724, UNDEFINED, bytes(50)), (700, BYTE, bytes(1_200_000))))
    facts = facts_of(data)
    notes = " ".join(facts.notes)
    assert "layers" in notes
    assert "1.2 MB" in notes
    assert (facts.layered, facts.composite_missing, facts.damage) == (True, False, "")
    assert not facts_of(tiff(page())).layered


@pytest.mark.parametrize(
    "more", [(254, LONG, [1]), (279, LONG, [0]), (273, UNDEFINED, b""), (254, LONG, [4])]
)
def test_layers_without_a_flat_picture_are_told(more: Tag) -> None:
    """A layered TIFF whose first page is reduced, a mask or without data has nothing to print."""
    facts = facts_of(tiff(page((37724, UNDEFINED, bytes(50)), more)))
    assert (facts.layered, facts.composite_missing) == (True, True)
    assert ("without a flat picture" in facts.unread, facts.damage) == (True, "")


def test_a_cut_tiff_says_that_it_is_cut_wherever_it_is_cut() -> None:
    """Whatever byte the file ends at, the missing rest is noticed from the tags alone."""
    data = tiff(
        page((305, ASCII, b"written here, and long\0"), (34675, UNDEFINED, SRGB)),
        page((254, LONG, [1])),
    )
    assert facts_of(data).damage == ""
    for length in range(len(data)):
        facts = facts_of(data[:length])
        assert facts.truncated, length
        assert facts.damage, length


def test_strips_that_were_never_written_are_noticed() -> None:
    """A strip at byte 0 is one whose place was reserved and not filled."""
    facts = facts_of(tiff(page((273, LONG, [0]))))
    assert facts.truncated
    assert "never written" in facts.damage


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"II*\0" + struct.pack("<IH", 8, 65535) + bytes(900_000), "65,535 entries"),
        (b"II*\0" + struct.pack("<IHI", 8, 0, 0), "empty"),
        (b"II+\0\x08\0\0\0" + struct.pack("<QQ", 16, 1 << 60) + bytes(64), "entries"),
        (b"II+\0\x04\0\0\0" + bytes(64), "begin"),
        (tiff([(257, SHORT, [4])]), "how wide"),
        (tiff(page((273, LONG8, [1 << 63]), (279, LONG8, [1 << 63]))), "picture data"),
    ],
)
def test_claims_that_cannot_be_are_damage(data: bytes, words: str) -> None:
    """Counts and places that the file has no room for are told, not followed."""
    assert words in facts_of(data).damage


def test_pages_in_a_circle_end() -> None:
    """A chain that leads back to its beginning is damage, found after one round."""
    rows = bytes(range(1, 49))
    first = 8 + len(rows)
    data = tiff(page(), page())
    second = struct.unpack_from("<I", data, first + 2 + 8 * 12)[0]
    assert second > first
    looped = bytearray(data)
    struct.pack_into("<I", looped, second + 2 + 8 * 12, first)
    stream = CountingStream(bytes(looped))
    assert "circle" in read_tiff(stream, len(looped)).damage
    assert stream.taken < 4 * len(looped)


def test_an_embedded_profile_is_parsed_and_named() -> None:
    """Tag 34675 comes out with its hash's length, name, class and working space."""
    profile = facts_of(tiff(page((34675, UNDEFINED, ADOBE)))).profile
    assert profile is not None
    assert (profile.bytes, len(profile.sha256)) == (len(ADOBE), 64)
    assert (profile.device_class, profile.colour_space) == ("mntr", "RGB")
    assert (profile.working_space, profile.damage) == ("adobe-rgb", "")


@pytest.mark.parametrize("damaged", [SRGB[:-40], SRGB[:60], b"", b"x" * 400])
def test_a_damaged_profile_is_told_and_nothing_else_is_lost(damaged: bytes) -> None:
    """A profile that cannot be read leaves the picture whole, and says why in a clause."""
    facts = facts_of(tiff(page((34675, UNDEFINED, damaged))))
    assert facts.damage == ""
    assert facts.profile is not None
    assert facts.profile.damage
    assert not facts.profile.damage.endswith(".")


# --- JPEG -----------------------------------------------------------------------------------


def test_a_jpeg_header_is_read() -> None:
    """Size, depth and channels come from the frame header (T.81, B.2.2)."""
    facts = facts_of(jpeg(), "a.jpg")
    assert (facts.width, facts.height, facts.bits, facts.channels) == (40, 30, 8, 3)
    assert (facts.mode, facts.progressive, facts.damage) == ("rgb", False, "")


@pytest.mark.parametrize(("marker", "progressive"), [(0xC0, False), (0xC1, False), (0xC2, True)])
def test_progressive_frames_are_known(marker: int, progressive: bool) -> None:
    """SOF2 is progressive (T.81, table B.1)."""
    frame = segment(marker, struct.pack(">BHHB", 8, 30, 40, 1) + bytes(3))
    assert facts_of(jpeg(frame=frame), "a.jpg").progressive is progressive


# Table K.1 of ITU-T T.81 in the order of its figure A.6 (from memory; Pillow's files agree).
# fmt: off
LIGHTNESS = bytes((
    16, 11, 12, 14, 12, 10, 16, 14, 13, 14, 18, 17, 16, 19, 24, 40,
    26, 24, 22, 22, 24, 49, 35, 37, 29, 40, 58, 51, 61, 60, 57, 51,
    56, 55, 64, 72, 92, 78, 64, 68, 87, 69, 55, 56, 80, 109, 81, 87,
    95, 98, 103, 104, 103, 62, 77, 113, 121, 112, 100, 120, 92, 101, 103, 99,
))
# fmt: on
COLOUR = bytes([17, 18, 18, 24, 21, 24, 47, 26, 26, 47, 99, 66, 56, 66] + [99] * 50)


def frame(sampling: Sequence[int], numbers: Sequence[int]) -> bytes:
    rows = b"".join(
        bytes([index + 1, how, number])
        for index, (how, number) in enumerate(zip(sampling, numbers, strict=True))
    )
    return segment(0xC0, struct.pack(">BHHB", 8, 30, 40, len(sampling)) + rows)


@pytest.mark.parametrize(
    ("tables", "numbers", "quality"),
    [
        # Quality 50 of the IJG library is annex K unscaled (its jcparam.c).
        ([b"\0" + LIGHTNESS + b"\1" + COLOUR], (0, 1, 1), 50),
        ([b"\0" + LIGHTNESS, b"\1" + COLOUR], (0, 1, 1), 50),
        ([b"\0" + LIGHTNESS], (0, 0, 0), 50),
        ([b"\x10" + b"".join(bytes([0, n]) for n in LIGHTNESS)], (0, 0, 0), 50),
        ([b"\0" + bytes([1] * 64)], (0, 0, 0), 100),
        ([b"\0" + bytes(min(2 * n, 255) for n in LIGHTNESS)], (0, 0, 0), 25),
        ([b"\0" + bytes([255] * 64)], (0, 0, 0), 1),
        ([b"\0" + LIGHTNESS], (0, 1, 1), None),
        ([b"\0" + LIGHTNESS[:60]], (0, 0, 0), None),
        ([], (0, 0, 0), None),
    ],
)
def test_the_quality_of_a_jpeg_is_that_of_the_nearest_tables(
    tables: list[bytes], numbers: tuple[int, ...], quality: int | None
) -> None:
    """Tables of T.81, annex K, scaled; of 8 or 16 bit, in one segment or several, or missing."""
    data = jpeg(*(segment(0xDB, body) for body in tables), frame=frame((0x11,) * 3, numbers))
    assert facts_of(data, "a.jpg").jpeg_quality == quality


@pytest.mark.parametrize(
    ("sampling", "coarse"),
    [
        ((0x11, 0x11, 0x11), False),
        ((0x21, 0x11, 0x11), False),
        ((0x22, 0x12, 0x12), False),
        ((0x22, 0x11, 0x11), True),
        ((0x41, 0x11, 0x11), True),
        ((0x22,), False),
        ((0x00, 0x00, 0x00), False),
    ],
)
def test_colour_for_four_pixels_is_told(sampling: tuple[int, ...], coarse: bool) -> None:
    """4:2:0 and 4:1:1 hold one colour for four pixels (T.81, A.1.1); 4:2:2 and 4:4:0 for two."""
    data = jpeg(frame=frame(sampling, (0,) * len(sampling)))
    assert facts_of(data, "a.jpg").chroma_subsampled is coarse


def test_a_jpeg_without_its_end_is_cut_short_wherever_it_is_cut() -> None:
    """Every length but the whole one lacks the end-of-image marker."""
    data = jpeg(segment(0xE0, b"JFIF\0\1\1\1" + struct.pack(">HH", 300, 300) + b"\0\0"))
    assert facts_of(data, "a.jpg").ppi == "300"
    for length in range(len(data)):
        facts = facts_of(data[:length], "a.jpg")
        assert facts.truncated, length
        assert facts.damage, length


def test_the_end_of_a_thumbnail_is_not_the_end_of_the_picture() -> None:
    """An end marker inside a segment, as a thumbnail has one, is not taken for the picture's."""
    data = jpeg(segment(0xE1, b"Exif\0\0" + exif_block() + jpeg()), end=b"")
    assert facts_of(data, "a.jpg").truncated


def test_what_follows_the_end_is_noted() -> None:
    """Bytes after the end-of-image marker are dropped, which the change log says."""
    assert facts_of(jpeg() + b"more", "a.jpg").notes == (
        "4 bytes after the end of the JPEG are dropped.",
    )


def pieces(profile: bytes, count: int, order: Sequence[int] | None = None) -> list[bytes]:
    step = -(-len(profile) // count)
    made = [
        segment(
            0xE2,
            b"ICC_PROFILE\0" + bytes([n + 1, count]) + profile[n * step : (n + 1) * step],
        )
        for n in range(count)
    ]
    return [made[n] for n in (order or range(count))]


@pytest.mark.parametrize("order", [(0, 1, 2), (2, 0, 1)])
def test_a_profile_in_pieces_is_put_together_by_number(order: tuple[int, ...]) -> None:
    """APP2 pieces are numbered from 1 (ICC.1, annex B.4); the numbers count, not the order."""
    tags = of_jpeg(jpeg(*pieces(ADOBE, 3, order)))
    assert (tags.profile, tags.profile_damage, tags.metadata_bytes) == (ADOBE, "", 0)
    profile = facts_of(jpeg(*pieces(ADOBE, 3, order)), "a.jpg").profile
    assert profile is not None
    assert profile.working_space == "adobe-rgb"


@pytest.mark.parametrize(
    ("segments", "words"),
    [
        ([pieces(ADOBE, 3)[0], pieces(ADOBE, 3)[2]], "piece 2 of its 3 pieces is missing"),
        ([pieces(ADOBE, 3)[1]], "piece 1"),
        ([*pieces(ADOBE, 2), pieces(ADOBE, 2)[0]], "contradict"),
        ([pieces(ADOBE, 2)[0], pieces(ADOBE, 3)[1]], "contradict"),
        ([*pieces(ADOBE, 2), segment(0xE2, b"ICC_PROFILE\0" + bytes([9, 2]))], "contradict"),
        ([segment(0xE2, b"ICC_PROFILE\0")], "empty"),
    ],
)
def test_a_profile_with_a_piece_missing_is_damaged(segments: list[bytes], words: str) -> None:
    """A missing, doubled or contradicting piece is damage of the profile, never a guess."""
    profile = facts_of(jpeg(*segments), "a.jpg").profile
    assert profile is not None
    assert words in profile.damage


def test_several_pictures_in_one_jpeg_are_noted_and_must_all_be_there() -> None:
    """The index of CIPA DC-007 says how many; one that reaches past the end means cut short."""

    def whole(length: int) -> bytes:
        entries = struct.pack("<IIIHH", 0, 0, 0, 0, 0) + struct.pack("<IIIHH", 0, length, 60, 0, 0)
        index = directory("<", False, 8, [(0xB001, LONG, [2]), (0xB002, UNDEFINED, entries)], 0)
        return jpeg(segment(0xE2, b"MPF\0II*\0" + struct.pack("<I", 8) + index)) + bytes(64)

    facts = facts_of(whole(64), "a.jpg")
    assert not facts.gain_map
    assert "The file holds 2 pictures; the first is used." in facts.notes
    assert facts.damage == ""
    assert facts_of(whole(5000), "a.jpg").truncated


@pytest.mark.parametrize(
    "body",
    [
        b"http://ns.adobe.com/xap/1.0/\0<x hdrgm='http://ns.adobe.com/hdr-gain-map/1.0/'/>",
        b"urn:iso:std:iso:ts:21496:-1\0",
    ],
)
def test_a_gain_map_is_told(body: bytes) -> None:
    """Its name space, and the name of ISO 21496-1's segment, say that a gain map follows."""
    facts = facts_of(jpeg(segment(0xE1, body)), "a.jpg")
    assert facts.gain_map
    assert any("gain map" in note for note in facts.notes)


# --- PNG ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("colour", "bits", "mode", "channels", "alpha"),
    [
        (0, 16, "grey", 1, "none"),
        (2, 8, "rgb", 3, "none"),
        (2, 16, "rgb", 3, "none"),
        (3, 4, "palette", 1, "none"),
        (4, 8, "grey", 1, "transparent"),
        (6, 16, "rgb", 3, "transparent"),
    ],
)
def test_a_png_header_is_read(colour: int, bits: int, mode: str, channels: int, alpha: str) -> None:
    """Colour types and depths are those of the specification, 11.2.1."""
    facts = facts_of(png(colour=colour, bits=bits), "a.png")
    assert (facts.width, facts.height, facts.bits) == (5, 3, bits)
    assert (facts.mode, facts.channels, facts.alpha) == (mode, channels, alpha)
    assert (facts.progressive, facts.damage) == (False, "")


def test_an_interlaced_png_and_a_transparent_colour_are_known() -> None:
    """Interlace method 1, and tRNS on a picture without alpha."""
    header = header_of(png(chunk(b"tRNS", bytes(6)), lacing=1), "a.png")
    assert header.facts.progressive
    assert (header.facts.alpha, header.alpha_band) == ("transparent", -1)


def test_a_cut_png_says_that_it_is_cut_wherever_it_is_cut() -> None:
    """Every length but the whole one lacks a part that is named before it."""
    data = png(chunk(b"pHYs", struct.pack(">IIB", 11811, 11811, 1)))
    assert facts_of(data, "a.png").ppi == "299.9994"
    for length in range(len(data)):
        facts = facts_of(data[:length], "a.png")
        assert facts.truncated, length
        assert facts.damage, length


def test_a_damaged_part_that_is_relied_on_is_damage() -> None:
    """A wrong CRC in a chunk that is read (here pHYs) is damage, not an early end."""
    good = chunk(b"pHYs", struct.pack(">IIB", 11811, 11811, 1))
    facts = facts_of(png(good[:9] + b"\x77" + good[10:]), "a.png")
    assert "pHYs" in facts.damage
    assert not facts.truncated


@pytest.mark.parametrize(
    ("chunks", "space"),
    [
        ([chunk(b"sRGB", b"\0")], "srgb"),
        ([chunk(b"cICP", bytes([1, 13, 0, 1]))], "srgb"),
        ([chunk(b"cICP", bytes([12, 13, 0, 1])), chunk(b"sRGB", b"\0")], "display-p3"),
    ],
)
def test_a_chunk_that_names_the_colours_counts_as_a_tag(chunks: list[bytes], space: str) -> None:
    """SRGB and cICP (ITU-T H.273) stand for spaces that are known."""
    facts = facts_of(png(*chunks), "a.png")
    profile = facts.profile
    assert profile is not None
    assert (profile.sha256, profile.bytes, profile.working_space) == ("", 0, space)
    assert (profile.damage, facts.colour_code, facts.dynamic_range) == ("", "", "standard")


@pytest.mark.parametrize("code", [(1, 1, 0, 1), (12, 13, 0, 0), (9, 1, 0, 1)])
def test_a_colour_code_without_a_space_of_ours_needs_a_profile(code: tuple[int, ...]) -> None:
    """Such a cICP alone names no space, whatever an sRGB chunk says below it; a profile is used."""
    written = "/".join(str(number) for number in code)
    for more in ([], [chunk(b"sRGB", b"\0")]):
        alone = facts_of(png(chunk(b"cICP", bytes(code)), *more), "a.png")
        assert (alone.profile, alone.colour_code) == (None, written)
        assert alone.dynamic_range == "standard"
    beside = facts_of(png(chunk(b"cICP", bytes(code)), iccp(ADOBE)), "a.png")
    assert beside.profile is not None
    assert (beside.profile.working_space, beside.profile.damage) == ("adobe-rgb", "")
    assert f"colour code {written} is not known here; its profile is used" in beside.notes[0]


@pytest.mark.parametrize(("transfer", "name"), [(16, "PQ"), (18, "HLG")])
def test_high_dynamic_range_is_told_by_its_transfer(transfer: int, name: str) -> None:
    """Transfer 16 and 18 of ITU-T H.273, in a PNG's cICP and in a profile's cicp, have no white."""
    code = bytes([9, transfer, 0, 1])
    coded = facts_of(png(chunk(b"cICP", code)), "a.png")
    assert coded.profile is not None
    assert (coded.dynamic_range, coded.profile.damage) == ("high", "")
    assert name in coded.profile.description
    for embedded in (SRGB, ADOBE):
        assert facts_of(png(chunk(b"cICP", code), iccp(embedded)), "a.png").dynamic_range == "high"
    high = profile_with({"cicp": b"cicp" + bytes(4) + code})
    plain = profile_with({"cicp": b"cicp" + bytes(4) + bytes([9, 14, 0, 1])})
    for data, expected in ((high, "high"), (plain, "standard")):
        assert facts_of(png(iccp(data)), "a.png").dynamic_range == expected
        assert facts_of(jpeg(*pieces(data, 1)), "a.jpg").dynamic_range == expected
        assert facts_of(tiff(page((34675, UNDEFINED, data)))).dynamic_range == expected


def profile_with(
    more: dict[str, bytes], name: str = "An invented space", maker: bytes = bytes(8)
) -> bytes:
    """A matrix profile of a space that is not known, with more parts, and a header's maker."""
    xyz = [pack_xyz((0.5, 0.3, 0.02)), pack_xyz((0.3, 0.6, 0.1)), pack_xyz((0.1642, 0.1, 0.7049))]
    curve = struct.pack(">4s4xIH", b"curv", 1, 600)
    parts = {"desc": pack_text(name, version=2, is_name=True), "wtpt": pack_xyz(PCS_WHITE)}
    parts |= dict(zip(("rXYZ", "gXYZ", "bXYZ"), xyz, strict=True))
    parts |= dict.fromkeys(("rTRC", "gTRC", "bTRC"), curve) | more
    data = pack_profile(parts, version=2, device_class="mntr", colour_space="RGB", pcs="XYZ")
    return data[:48] + maker + data[56:]


@pytest.mark.parametrize(
    ("name", "maker", "named"),
    [
        ("An invented space", bytes(8), False),
        ("An invented space", b"ACME\0\0\0\0", True),
        ("An invented space", b"\0\0\0\0X27Q", True),
        ("An invented space", b"none\0\0\0\0", False),
        ("Display calibrated 2026-03-01", bytes(8), True),
        ("Left monitor", bytes(8), True),
        ("Display P3 linear", bytes(8), False),
        ("eciRGB v2", b"ACME\0\0\0\0", False),
    ],
)
def test_a_profile_that_names_a_device(name: str, maker: bytes, named: bool) -> None:
    """Manufacturer or model in the header (ICC.1, 7.2.12, 7.2.13), or a display's word in it."""
    profile = facts_of(tiff(page((34675, UNDEFINED, profile_with({}, name, maker))))).profile
    assert profile is not None
    assert (profile.working_space, profile.damage) == (None, "")
    assert profile.device_named is named


def test_gamma_alone_is_no_profile() -> None:
    """A PNG with gAMA only stays untagged, and the log says what was ignored."""
    facts = facts_of(png(chunk(b"gAMA", struct.pack(">I", 45455))), "a.png")
    assert facts.profile is None
    assert "gAMA" in facts.notes[0]


def iccp(profile: bytes) -> bytes:
    return chunk(b"iCCP", b"name\0\0" + zlib.compress(profile))


def test_a_png_profile_is_unpacked_and_may_not_contradict_its_colour_code() -> None:
    """The iCCP chunk holds the profile; a cICP that says something else makes it damage."""
    facts = facts_of(png(iccp(ADOBE)), "a.png")
    assert facts.profile is not None
    assert (facts.profile.working_space, facts.profile.bytes) == ("adobe-rgb", len(ADOBE))
    same = facts_of(png(chunk(b"cICP", bytes([1, 13, 0, 1])), iccp(SRGB)), "a.png")
    assert same.profile is not None
    assert same.profile.damage == ""
    other = facts_of(png(chunk(b"cICP", bytes([1, 13, 0, 1])), iccp(ADOBE)), "a.png")
    assert other.profile is not None
    assert "twice" in other.profile.damage


@pytest.mark.parametrize(
    "body",
    [b"", b"name", b"name\0\1xx", b"name\0\0not packed", b"name\0\0" + zlib.compress(SRGB)[:-9]],
)
def test_a_png_profile_that_cannot_be_unpacked_is_damaged(body: bytes) -> None:
    """No name, another method, no packed data, half of them: damage of the profile."""
    profile = facts_of(png(chunk(b"iCCP", body)), "a.png").profile
    assert profile is not None
    assert profile.damage


def test_a_profile_that_unpacks_without_end_is_stopped() -> None:
    """A bomb in iCCP is unpacked to a bound and then is damage."""
    facts = facts_of(png(iccp(bytes(200_000_000))), "a.png")
    assert facts.profile is not None
    assert facts.profile.bytes <= 32 * 1024 * 1024
    assert "unpacked" in facts.profile.damage


# --- Exif and XMP ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("space", "index", "colour"),
    [
        (1, b"R98", "srgb"),
        (1, b"", "srgb"),
        (0xFFFF, b"R03", "adobe-rgb"),
        (2, b"", "adobe-rgb"),
        (0xFFFF, b"", "uncalibrated"),
        (0xFFFF, b"R98", "uncalibrated"),
        (1, b"R03", "uncalibrated"),
        (0, b"", "none"),
    ],
)
def test_the_cameras_colour_space(space: int, index: bytes, colour: str) -> None:
    """ColorSpace and InteroperabilityIndex (CIPA DC-008, DCF 2.0); a contradiction is no sRGB."""
    assert read_exif(exif_block(camera=[(40961, SHORT, [space])], index=index)).colour == colour


def test_camera_creator_rights_and_orientation_come_from_exif() -> None:
    """Make, Artist, Copyright and Orientation, from APP1 and from a PNG's eXIf chunk alike."""
    block = exif_block(
        (271, ASCII, b"Invented Works\0"),
        (274, SHORT, [6]),
        (315, ASCII, "Zoë Ärmel\0".encode()),
        (33432, ASCII, b"(c) nobody\0"),
    )
    for facts in (
        facts_of(jpeg(segment(0xE1, b"Exif\0\0" + block)), "a.jpg"),
        facts_of(png(chunk(b"eXIf", block)), "a.png"),
    ):
        assert facts.camera
        assert facts.orientation == 6
        assert (facts.creator, facts.rights) == ("Zoë Ärmel", "(c) nobody")
        assert (facts.upright_width, facts.upright_height) == (facts.height, facts.width)


@pytest.mark.parametrize("written", [0, 9, 65535])
def test_an_orientation_that_is_none_counts_as_upright(written: int) -> None:
    """Only 1 to 8 are orientations."""
    assert read_exif(exif_block((274, SHORT, [written]))).orientation == 1


def test_damaged_exif_is_noted_and_costs_no_picture() -> None:
    """An unreadable Exif block leaves the picture whole."""
    facts = facts_of(jpeg(segment(0xE1, b"Exif\0\0II*\0garbage")), "a.jpg")
    assert facts.damage == ""
    assert "Exif" in facts.notes[0]


def test_xmp_names_creators_rights_and_orientation() -> None:
    """Creators are joined, rights are the default language's (ISO 16684-1), before Exif's."""
    packet = xmp_packet(
        "<dc:creator><rdf:Seq><rdf:li>One</rdf:li><rdf:li> Two\n</rdf:li></rdf:Seq></dc:creator>"
        "<dc:rights><rdf:Alt><rdf:li xml:lang='de'>Rechte</rdf:li>"
        "<rdf:li xml:lang='x-default'>Rights &amp; more</rdf:li></rdf:Alt></dc:rights>",
        'tiff:Orientation="6"',
    )
    tags = read_xmp(packet)
    assert (tags.creator, tags.rights, tags.orientation) == ("One; Two", "Rights & more", 6)
    segment_of = segment(0xE1, b"http://ns.adobe.com/xap/1.0/\0" + packet)
    block = exif_block((315, ASCII, b"Somebody else\0"), (274, SHORT, [3]))
    facts = facts_of(jpeg(segment(0xE1, b"Exif\0\0" + block), segment_of), "a.jpg")
    assert (facts.creator, facts.orientation) == ("One; Two", 3)
    assert "Two orientations" in facts.notes[0]


@pytest.mark.parametrize(
    ("exif", "xmp", "disputed"),
    [
        (6, 6, ""),
        (6, None, ""),
        (None, 1, ""),
        (None, None, ""),
        (1, 8, "1 in Exif and 8 in XMP"),
        (None, 8, "none in Exif and 8 in XMP"),
    ],
)
def test_two_orientations_that_differ_are_told(
    exif: int | None, xmp: int | None, disputed: str
) -> None:
    """A packet without an orientation, or with Exif's own, disputes nothing; upright is 1."""
    block = exif_block((274, SHORT, [exif]) if exif else (315, ASCII, b"Nobody\0"))
    packet = xmp_packet("", f'tiff:Orientation="{xmp}"' if xmp else "")
    parts = (b"Exif\0\0" + block, b"http://ns.adobe.com/xap/1.0/\0" + packet)
    facts = facts_of(jpeg(*(segment(0xE1, part) for part in parts)), "a.jpg")
    assert (facts.orientation, facts.orientation_disputed) == (exif or 1, disputed)
    assert bool(facts.notes) == bool(disputed)


@pytest.mark.parametrize(
    "packet",
    [
        b'<!DOCTYPE a [<!ENTITY b "c">]><a>&b;</a>',
        '<!DOCTYPE a [<!ENTITY b "c">]><a>&b;</a>'.encode("utf-16"),
        b"<a>" * 100_000,
        b"<a><b></a>",
        b"<a>" + b" " * 2_000_000 + b"</a>",
        b'<?xml version="1.0" encoding="nonsense"?><a/>',
    ],
)
def test_xml_that_is_unwelcome_is_left_out(packet: bytes) -> None:
    """A document type, entities, depth or length without end, and nonsense are not read."""
    tags = read_xmp(packet)
    assert not tags.readable
    assert (tags.creator, tags.rights, tags.orientation) == ("", "", None)


# --- Holes ----------------------------------------------------------------------------------


def grey_rows(width: int, height: int) -> bytearray:
    """8-bit rows without a zero."""
    return bytearray((x * 7 + y * 13) % 255 + 1 for y in range(height) for x in range(width))


def hole_in(data: bytes) -> tuple[int, int | None] | None:
    header = header_of(data)
    assert header.facts.damage == ""
    assert header.data is not None
    found = find_hole(io.BytesIO(data), len(data), header.data)
    return (found.offset, found.row) if found else None


def grey_tiff(rows: bytes, width: int, *more: Tag) -> bytes:
    height = len(rows) // width
    tags = page((262, SHORT, [1]), *more, width=width, height=height, samples=1)
    return tiff(tags, rows=rows)


@pytest.mark.parametrize("length", [1, 2, 5])
@pytest.mark.parametrize("block", [1, 3, 9])
def test_a_block_that_was_never_written_is_found(block: int, length: int) -> None:
    """Zeros from one 4 KiB border of the file to another, below rows that are not black."""
    data = bytearray(grey_tiff(bytes(grey_rows(1000, 80)), 1000))
    data[block * BLOCK_BYTES : (block + length) * BLOCK_BYTES] = bytes(length * BLOCK_BYTES)
    assert hole_in(bytes(data)) == (block * BLOCK_BYTES, (block * BLOCK_BYTES - 8) // 1000 + 1)


def test_a_half_written_picture_is_found() -> None:
    """Zeros from a 4 KiB border to the end of the picture data, as a reserved copy leaves them."""
    rows = grey_rows(1000, 80)
    rows[10 * BLOCK_BYTES - 8 :] = bytes(len(rows) - 10 * BLOCK_BYTES + 8)
    assert hole_in(grey_tiff(bytes(rows), 1000)) == (10 * BLOCK_BYTES, 41)


@pytest.mark.parametrize(
    ("top", "left", "bottom", "right"),
    [
        (0, 0, 80, 1000),  # black all over
        (40, 0, 80, 1000),  # a black lower half
        (40, 0, 60, 1000),  # a black band
        (0, 300, 80, 1000),  # all black beside a figure
        (13, 17, 71, 1000),
    ],
)
def test_what_is_truly_black_is_no_hole(top: int, left: int, bottom: int, right: int) -> None:
    """Black shapes and bands, though they hold many whole blocks of zeros, are the picture."""
    rows = grey_rows(1000, 80)
    for y in range(top, bottom):
        rows[y * 1000 + left : y * 1000 + right] = bytes(right - left)
    assert hole_in(grey_tiff(bytes(rows), 1000)) is None


def test_black_below_black_is_no_hole_even_on_a_border() -> None:
    """A run that meets both borders by chance is no hole where what lies above it is black too."""
    width = 2 * BLOCK_BYTES
    rows = grey_rows(width, 6)
    for y in range(6):
        # With 8 bytes of header, these pixels fill the second block of each row.
        rows[y * width + BLOCK_BYTES - 8 : y * width + 2 * BLOCK_BYTES - 8] = bytes(BLOCK_BYTES)
    data = grey_tiff(bytes(rows), width)
    first = hole_in(data)
    # In the first row nothing lies above, and the pixels to the left speak for a hole.
    assert first == (BLOCK_BYTES, 1)
    rows[:width] = bytes(range(1, 129)) * (width // 128)
    rows[BLOCK_BYTES - 8 - 100 : 2 * BLOCK_BYTES + 100] = bytes(BLOCK_BYTES + 208)
    assert hole_in(grey_tiff(bytes(rows), width)) is None


@pytest.mark.parametrize(("low", "high", "is_hole"), [(200, 0, False), (3, 200, True)])
def test_near_black_is_told_by_the_byte_that_counts(low: int, high: int, is_hole: bool) -> None:
    """Of 16-bit samples at an odd place in the file, the high byte says what is near black."""
    start, row_bytes, height = 9, 3000, 20
    rows = bytearray(bytes([low, high]) * (row_bytes // 2 * height))
    rows[3 * BLOCK_BYTES - start : 4 * BLOCK_BYTES - start] = bytes(BLOCK_BYTES)
    data = b"\1" * start + bytes(rows)
    layout = PixelRows(
        offsets=(start,),
        counts=(len(rows),),
        block_rows=height,
        row_bytes=row_bytes,
        across=1,
        plane_blocks=1,
        pixel_bytes=2,
        sample_bytes=2,
        high_byte=1,
    )
    where = PictureData((start,), (len(rows),), layout)
    assert (find_hole(io.BytesIO(data), len(data), where) is not None) is is_hole


def test_zeros_outside_the_picture_are_none_of_its_holes() -> None:
    """Padding in private data is not looked at."""
    data = grey_tiff(bytes(grey_rows(1000, 20)), 1000, (50000, UNDEFINED, bytes(50_000)))
    assert hole_in(data) is None


def test_holes_in_packed_data_need_borders_only() -> None:
    """In coded data a run of zeros counts from border to border, and is no hole elsewhere."""
    body = bytearray(grey_rows(1000, 60))
    whole = PictureData((0,), (len(body),), None)
    body[8 * BLOCK_BYTES : 9 * BLOCK_BYTES] = bytes(BLOCK_BYTES)
    found = find_hole(io.BytesIO(bytes(body)), len(body), whole)
    assert found is not None
    assert (found.offset, found.row) == (8 * BLOCK_BYTES, None)
    body[8 * BLOCK_BYTES - 90 : 9 * BLOCK_BYTES + 90] = bytes(BLOCK_BYTES + 180)
    assert find_hole(io.BytesIO(bytes(body)), len(body), whole) is None


# --- Hostile files --------------------------------------------------------------------------

SEEDS = (
    tiff(
        page(
            (305, ASCII, b"written here\0"), (34675, UNDEFINED, SRGB), (338, SHORT, [2]), samples=4
        ),
        page((254, LONG, [1])),
        rows=bytes(range(1, 65)),
    ),
    tiff(page((700, BYTE, xmp_packet("")), bits=16), order=">", big=True, rows=bytes(96)),
    grey_tiff(bytes(9000), 90),
    jpeg(
        segment(0xE0, b"JFIF\0\1\1\1" + struct.pack(">HH", 300, 300) + b"\0\0"),
        segment(0xE1, b"Exif\0\0" + exif_block((274, SHORT, [6]), camera=[(40961, SHORT, [1])])),
        *pieces(ADOBE, 3),
        segment(0xE1, b"http://ns.adobe.com/xap/1.0/\0" + xmp_packet("<dc:creator/>")),
    ),
    png(
        iccp(build_grey_profile()),
        chunk(b"eXIf", exif_block((274, SHORT, [6]), camera=[(40961, SHORT, [1])], index=b"R98")),
        chunk(b"cICP", bytes([1, 13, 0, 1])),
        chunk(b"iTXt", b"XML:com.adobe.xmp\0\0\0\0\0" + xmp_packet("")),
    ),
)

Change = tuple[str, int, bytes]

CHANGES = st.lists(
    st.tuples(
        st.sampled_from(("set", "cut", "drop", "insert")),
        st.integers(0, 20_000),
        st.one_of(
            st.binary(min_size=1, max_size=12),
            st.sampled_from((b"\xff" * 4, b"\0" * 8, b"\xff\xff\xff\x7f", b"\x01\0\0\0")),
        ),
    ),
    min_size=1,
    max_size=6,
)


def changed(data: bytes, changes: Sequence[Change]) -> bytes:
    mutated = bytearray(data)
    for how, where, what in changes:
        place = where % (len(mutated) + 1)
        if how == "set":
            mutated[place : place + len(what)] = what
        elif how == "insert":
            mutated[place:place] = what
        elif how == "drop":
            del mutated[place : place + len(what)]
        else:
            del mutated[place:]
    return bytes(mutated)


def read_all(data: bytes) -> CountingStream:
    """Read a file in every way there is; a fault would come out as an exception."""
    stream = CountingStream(data)
    header = read_header(stream, len(data), "heron.tif")
    assert header.facts.bytes == len(data)
    if header.facts.truncated:
        assert header.facts.damage
    if header.data is not None:
        find_hole(stream, len(data), header.data)
    for read in (read_tiff, read_jpeg, read_png):
        read(stream, len(data))
    return stream


@settings(deadline=None, max_examples=400)
@given(seed=st.sampled_from(SEEDS), changes=CHANGES)
def test_changed_files_are_read_to_an_answer(seed: bytes, changes: Sequence[Change]) -> None:
    """Bytes set, cut, dropped and inserted anywhere never raise, and cost no endless reading."""
    data = changed(seed, changes)
    assert read_all(data).taken < 200 * (len(data) + 10_000)


@settings(deadline=None, max_examples=150)
@given(
    magic=st.sampled_from(
        (
            b"II*\0\x08\0\0\0",
            b"MM\0*\0\0\0\x08",
            b"II+\0\x08\0\0\0",
            b"\xff\xd8\xff",
            b"\x89PNG\r\n\x1a\n",
        )
    ),
    rest=st.binary(max_size=400),
)
def test_noise_behind_a_true_beginning_is_read_to_an_answer(magic: bytes, rest: bytes) -> None:
    """Any bytes after a picture's first ones give facts, or damage, and never raise."""
    read_all(magic + rest)


@settings(deadline=None, max_examples=100)
@given(block=st.binary(max_size=300), changes=CHANGES)
def test_noise_as_exif_or_xmp_is_read_to_an_answer(block: bytes, changes: Sequence[Change]) -> None:
    """What a camera or an editor wrote may be anything; reading it never raises."""
    whole = exif_block((274, SHORT, [6]), camera=[(40961, SHORT, [1])], index=b"R98")
    for data in (block, b"II*\0\x08\0\0\0" + block, changed(whole, changes)):
        read_exif(data)
    for data in (block, changed(xmp_packet("<dc:creator/>"), changes)):
        read_xmp(data)


@pytest.mark.parametrize(
    "data",
    [
        b"\xff\xd8" + b"\xff" * 3_000_000,
        b"\xff\xd8" + FRAME + SCAN[:12] * 150_000,
        b"\xff\xd8" + segment(0xFE, b"") * 400_000,
        b"\x89PNG\r\n\x1a\n" + png()[8:33] + chunk(b"tEXt", b"") * 200_000,
        tiff(*[page() for _ in range(400)]),
    ],
)
def test_a_file_of_very_many_parts_costs_a_bounded_reading(data: bytes) -> None:
    """Fill bytes, scans, empty segments, chunks and pages without number end in an answer."""
    stream = CountingStream(data)
    facts = read_header(stream, len(data), "heron.tif").facts
    assert facts.damage
    assert stream.taken < 500_000_000


def test_a_kind_needs_few_bytes() -> None:
    """The first bytes suffice: what is longer than they are changes nothing."""
    data = jpeg()
    assert tell_kind(data[:HEAD_BYTES]) == tell_kind(data)


def test_a_fraction_of_a_resolution_is_exact() -> None:
    """Resolutions stay fractions until they are written as decimals."""
    tags = of_png(png(chunk(b"pHYs", struct.pack(">IIB", 11811, 11811, 1))))
    assert tags.ppi == (Fraction(11811 * 254, 10_000),) * 2
