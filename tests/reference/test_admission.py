"""A lab's profile is admitted when it prints what it promises, and refused with the reason."""

from __future__ import annotations

import functools
import re
import struct
from typing import Any

import imagecodecs
import numpy as np
import pytest
import pyvips
from numpy.typing import NDArray

from platemark.imaging.admission import Admission, admit_profile
from platemark.imaging.icc import (
    build_grey_profile,
    build_matrix_profile,
    pack_profile,
    pack_text,
    pack_xyz,
    parse_profile,
    profile_md5,
)
from platemark.imaging.print_model import (
    BARYTA,
    CANVAS,
    MATTE_ETCHING,
    MATTE_RAG,
    PrinterSpec,
    make_printer_profile,
)

SPECS = {"rag": MATTE_RAG, "etching": MATTE_ETCHING, "baryta": BARYTA, "canvas": CANVAS}
GRID = 17
CURVE_AT = 52
"""Where the input curves of a lut16 begin (ICC.1, 10.10)."""


@functools.cache
def printer(name: str) -> bytes:
    return make_printer_profile(SPECS[name])


# --- Taking profiles apart and putting them together wrongly --------------------------------


def replaced(data: bytes, offset: int, new: bytes) -> bytes:
    return data[:offset] + new + data[offset + len(new) :]


def row(data: bytes, name: str) -> int:
    """Where the row of a part begins in the list of contents."""
    names = [tag.signature for tag in parse_profile(data).tags]
    return 132 + 12 * names.index(name)


def part(data: bytes, name: str) -> tuple[int, bytes]:
    tag = next(tag for tag in parse_profile(data).tags if tag.signature == name)
    return tag.offset, data[tag.offset : tag.offset + tag.length]


def renamed(data: bytes, **names: str) -> bytes:
    """Return the profile with parts under other names, all at once."""
    places = {old: row(data, old) for old in names}
    for old, new in names.items():
        data = replaced(data, places[old], new.encode())
    return data


def split_lut16(body: bytes) -> tuple[NDArray[Any], NDArray[Any], NDArray[Any]]:
    """Return input curves, grid and output curves of a 3 to 3 lut16."""
    entries, exits = struct.unpack_from(">2H", body, 48)
    numbers = np.frombuffer(body, ">u2", offset=CURVE_AT)
    before, grid, after = np.split(numbers, [3 * entries, 3 * entries + 3 * GRID**3])
    return before.reshape(3, -1), grid.reshape(GRID, GRID, GRID, 3), after.reshape(3, exits)


def with_lut16(
    data: bytes,
    name: str,
    *,
    before: NDArray[Any] | None = None,
    grid: NDArray[Any] | None = None,
) -> bytes:
    """Return the profile with the numbers of one table replaced by as many others."""
    offset, body = part(data, name)
    old_before, old_grid, after = split_lut16(body)
    numbers = [
        old_before if before is None else before,
        old_grid if grid is None else grid,
        after,
    ]
    packed = b"".join(np.asarray(n).astype(">u2").tobytes() for n in numbers)
    return replaced(data, offset + CURVE_AT, packed)


def grid_of(data: bytes, name: str) -> NDArray[Any]:
    return split_lut16(part(data, name)[1])[1]


def with_other_printers_table() -> bytes:
    offset, _ = part(printer("baryta"), "B2A1")
    return replaced(printer("baryta"), offset, part(printer("canvas"), "B2A1")[1])


def a2b_in_version_4_encoding() -> bytes:
    wrong = np.minimum(grid_of(RAG, "A2B1").astype(float) * 257 / 256, 65535)
    return with_lut16(RAG, "A2B1", grid=np.rint(wrong))


def b2a_in_version_4_encoding() -> bytes:
    before, _, _ = split_lut16(part(RAG, "B2A1")[1])
    codes = np.linspace(0, 65535, before.shape[1])
    read = [np.interp(codes * 256 / 257, codes, curve) for curve in before]
    return with_lut16(RAG, "B2A1", before=np.rint(read))


def with_id(data: bytes) -> bytes:
    return replaced(data, 84, profile_md5(data))


def with_white(xyz: tuple[float, float, float]) -> bytes:
    return replaced(RAG, part(RAG, "wtpt")[0], pack_xyz(xyz))


RAG = printer("rag")

HALF = RAG[: len(RAG) // 2]


def with_flat_curves() -> bytes:
    before, _, _ = split_lut16(part(RAG, "A2B1")[1])
    return with_lut16(RAG, "A2B1", before=np.zeros_like(before))


def with_half_a_grid() -> bytes:
    grid = grid_of(RAG, "B2A1").copy()
    grid[: GRID // 2] = 0
    return with_lut16(RAG, "B2A1", grid=grid)


def with_turned_axes() -> bytes:
    """The first input varies fastest, as some tools write it; ICC.1, 10.10 has it slowest."""
    return with_lut16(RAG, "A2B1", grid=grid_of(RAG, "A2B1").transpose(2, 1, 0, 3))


DAMAGES = {
    "nothing": (b"", "only 0 bytes long"),
    "bytes of a JPEG": (b"\xff\xd8\xff\xe0" + bytes(2000), "but a JPEG picture"),
    "truncated": (RAG[:200_000], "cut short"),
    "size field too small": (replaced(RAG, 0, struct.pack(">I", 9000)), "but the file has"),
    "offset outside": (
        replaced(RAG, row(RAG, "B2A0") + 4, b"\x7f\xff\xff\x00"),
        "“B2A0” lies outside",
    ),
    "table larger than its part": (
        replaced(RAG, part(RAG, "A2B1")[0] + 10, b"\x21"),
        "its table A2B1 cannot be read",
    ),
    "a part twice": (renamed(RAG, B2A2="B2A1"), "“B2A1” is there twice"),
    "version 5": (replaced(RAG, 8, b"\5"), "version 5.4"),
    "wrong class": (replaced(RAG, 12, b"mntr"), "a display or working space"),
    "a working space": (build_matrix_profile("adobe-rgb"), "no table A2B1"),
    "grey for RGB": (build_grey_profile(), "is for grey files"),
    "CMYK for RGB": (bytes(pyvips.Operation.call("profile_load", "cmyk")), "is for CMYK files"),
    "no B2A1": (renamed(RAG, B2A1="zzzz"), "no table B2A1"),
    "no A2B1": (renamed(RAG, A2B1="zzzz"), "no table A2B1"),
    "gamut table for B2A1": (renamed(RAG, B2A1="zzzz", gamt="B2A1"), "from 3 channels to 1"),
    "no connection space": (replaced(RAG, 20, b"RGB "), "neither Lab nor XYZ"),
    "PCS lie": (replaced(RAG, 20, b"XYZ "), "lead to XYZ, but they lead to Lab"),
    "swapped A2B1 and B2A1": (renamed(RAG, A2B1="B2A1", B2A1="A2B1"), "each other's place"),
    "zeroed A2B1": (
        with_lut16(RAG, "A2B1", grid=np.zeros((GRID, GRID, GRID, 3))),
        "A2B1 is empty",
    ),
    "zeroed B2A1": (
        with_lut16(RAG, "B2A1", grid=np.zeros((GRID, GRID, GRID, 3))),
        "B2A1 is empty",
    ),
    "A2B1 in version 4's Lab": (a2b_in_version_4_encoding(), "A2B1 is written in the wrong"),
    "B2A1 in version 4's Lab": (b2a_in_version_4_encoding(), "B2A1 is written in the wrong"),
    "A2B1 upside down": (
        with_lut16(RAG, "A2B1", grid=grid_of(RAG, "A2B1")[::-1, ::-1, ::-1]),
        "Bare paper would count as",
    ),
    "B2A1 of another printer": (with_other_printers_table(), "do not fit each other"),
    "B2A1 with red and blue exchanged": (
        with_lut16(RAG, "B2A1", grid=grid_of(RAG, "B2A1")[..., ::-1]),
        "do not fit each other",
    ),
    "B2A1 prints a veil on white": (
        with_lut16(RAG, "B2A1", grid=np.minimum(grid_of(RAG, "B2A1"), 62000)),
        "White would not be bare paper",
    ),
    "wrong checksum": (
        replaced(with_id(RAG), len(RAG) - 6, b"\x12\x34"),
        "its own checksum does not match",
    ),
    "paper without light": (with_white((0.9, 0.0, 0.7)), "paper white is impossible"),
    "paper brighter than light": (with_white((1.2, 1.3, 1.1)), "Y 1.300"),
    "cut in half": (HALF, "is cut short: it says"),
    "cut in half, its length put right": (
        replaced(HALF, 0, struct.pack(">I", len(HALF))),
        "lies outside the file",
    ),
    "list of contents damaged": (
        replaced(RAG, 128, b"\xff\xff\xff\xff"),
        "it claims 4,294,967,295 parts",
    ),
    "no mark of a profile": (replaced(RAG, 36, b"xxxx"), "not an ICC colour profile"),
    "paper white that is a text": (
        replaced(RAG, part(RAG, "wtpt")[0], b"text"),
        "“wtpt” does not hold a colour",
    ),
    "a camera's": (replaced(RAG, 12, b"scnr"), "a camera or scanner"),
    "a fixed conversion": (replaced(RAG, 12, b"link"), "a fixed conversion"),
    "A2B1 with flat curves": (with_flat_curves(), "the profile's table A2B1 is damaged"),
    "A2B1 with red and blue in turn": (with_turned_axes(), "do not fit each other"),
    "a sector of A2B1 lost": (
        replaced(RAG, part(RAG, "A2B1")[0] + 15_000, bytes(512)),
        "A part of the profile's tables is damaged",
    ),
    "B2A1 half zeroed": (with_half_a_grid(), "do not fit each other"),
    "B2A1 upside down": (
        with_lut16(RAG, "B2A1", grid=65535 - grid_of(RAG, "B2A1").astype(int)),
        "White would not be bare paper",
    ),
    "no paper white": (renamed(RAG, wtpt="zzzz"), "does not say how white"),
}


@pytest.mark.parametrize("name", DAMAGES)
def test_damage_is_refused_with_its_reason(name: str) -> None:
    """Each kind of damage is refused in plain sentences, one of which names it."""
    data, words = DAMAGES[name]
    verdict = admit_profile(data)
    assert not verdict.accepted
    assert any(words in reason for reason in verdict.reasons), verdict.reasons
    assert all(reason.endswith(".") for reason in verdict.reasons)


def test_a_hole_in_the_table_that_is_printed_by_is_found() -> None:
    """A sector of zeros in the table of an intent counts where that is the intent."""
    for table, intent, other in (
        ("B2A0", "perceptual", "relative"),
        ("B2A2", "saturation", "perceptual"),
    ):
        data = replaced(RAG, part(RAG, table)[0] + 20_000, bytes(512))
        verdict = admit_profile(data, intent=intent)
        assert "away from between its neighbours" in verdict.reasons[0]
        assert admit_profile(data, intent=other).accepted


def test_reasons_differ() -> None:
    """Two kinds of damage are told apart by their reasons, except where they come to the same.

    Figures are left out of the comparison: what tables do wrong is seen in what they print.
    """
    first = [admit_profile(data).reasons[0] for data, _ in DAMAGES.values()]
    assert len(DAMAGES) >= 31
    assert len({re.sub(r"[0-9.,]+", "", reason) for reason in first}) >= len(DAMAGES) - 10


@pytest.mark.parametrize(
    "name",
    [
        "no B2A1",
        "PCS lie",
        "swapped A2B1 and B2A1",
        "zeroed B2A1",
        "A2B1 in version 4's Lab",
        "B2A1 of another printer",
        "wrong checksum",
        "paper without light",
    ],
)
def test_the_engine_alone_would_have_used_it(name: str) -> None:
    """LittleCMS converts with such a profile without a word, so these checks are not idle."""
    converted = imagecodecs.cms_transform(
        np.full((2, 2, 3), 30000, dtype=np.uint16),
        build_matrix_profile("srgb"),
        DAMAGES[name][0],
        colorspace="rgb",
        outcolorspace="rgb",
        intent=1,
    )
    assert converted.shape == (2, 2, 3)


def test_all_reasons_are_given_at_once() -> None:
    """A profile with three faults is refused with three reasons."""
    data = renamed(with_white((0.9, 1.5, 0.7)), B2A1="zzzz")
    verdict = admit_profile(replaced(data, 12, b"scnr"))
    assert len(verdict.reasons) == 3


@pytest.mark.parametrize("intent", ["relative", "perceptual", "saturation", "absolute"])
@pytest.mark.parametrize("name", SPECS)
def test_sound_profile_is_admitted(name: str, intent: str) -> None:
    """A sound profile is accepted for every intent, with the figures of its printer."""
    spec: PrinterSpec = SPECS[name]
    verdict = admit_profile(printer(name), "RGB", intent=intent)
    assert (verdict.accepted, verdict.reasons) == (True, ())
    assert (verdict.description, verdict.version) == (spec.description, "2.4")
    assert (verdict.device_class, verdict.colour_space, verdict.pcs) == ("prtr", "RGB", "Lab")
    assert verdict.intents == ("perceptual", "relative", "saturation", "absolute")
    assert verdict.white_lab == pytest.approx(spec.white, abs=0.01)
    assert verdict.black_lab_absolute == pytest.approx(spec.black, abs=0.05)
    assert verdict.black_lab is not None
    assert verdict.black_lab[0] > spec.black[0]
    assert verdict.round_trip_mean is not None
    assert verdict.round_trip_mean < 0.8
    assert verdict.round_trip_p95 is not None
    assert verdict.round_trip_p95 < 1.7


def test_right_checksum_is_accepted() -> None:
    """A checksum is no reason against a profile when it is right, and none is fine too."""
    assert admit_profile(with_id(RAG)).profile_id_ok is True
    assert admit_profile(with_id(RAG)).accepted
    assert admit_profile(RAG).profile_id_ok is None


def test_intent_decides_which_tables_are_needed() -> None:
    """Without a perceptual table a profile serves the relative intent, and not the perceptual."""
    data = renamed(RAG, B2A0="zzzz")
    relative = admit_profile(data, intent="relative")
    assert relative.accepted
    assert relative.intents == ("relative", "saturation", "absolute")
    perceptual = admit_profile(data, intent="perceptual")
    assert perceptual.reasons[0].startswith("The profile has no table B2A0")


def test_lab_that_asks_for_another_kind_of_file() -> None:
    """A lab that asks for CMYK is refused: Platemark writes RGB."""
    verdict = admit_profile(RAG, "CMYK")
    assert not verdict.accepted
    assert "the lab says CMYK" in verdict.reasons[1]


def test_unknown_intent_is_a_mistake_of_the_caller() -> None:
    """An intent that does not exist is an error and never a verdict on the profile."""
    with pytest.raises(ValueError, match="no rendering intent"):
        admit_profile(RAG, intent="colourful")


def test_same_verdict_twice() -> None:
    """The same bytes get the same verdict, figure by figure."""
    assert admit_profile(RAG) == admit_profile(RAG)


# --- Profiles of other forms: version 4 and 8-bit tables -------------------------------------


def padded(body: bytes) -> bytes:
    return body + bytes(-len(body) % 4)


def curv(codes: NDArray[Any]) -> bytes:
    packed = np.rint(codes).astype(">u2").tobytes()
    return padded(struct.pack(">4s4xI", b"curv", len(codes)) + packed)


STRAIGHT = struct.pack(">4s4xI", b"curv", 0)


def pack_m_ab(kind: bytes, b_curves: bytes, grid: NDArray[Any], a_curves: bytes) -> bytes:
    """Return an `mAB` or `mBA` part without matrix (ICC.1, 10.12 and 10.13)."""
    clut = padded(
        bytes([GRID] * 3 + [0] * 13) + b"\2\0\0\0" + np.rint(grid).astype(">u2").tobytes()
    )
    clut_at = 32 + len(b_curves)
    offsets = (32, 0, 0, clut_at, clut_at + len(clut))
    return struct.pack(">4s4x2B2x5I", kind, 3, 3, *offsets) + b_curves + clut + a_curves


def as_version_4(*, grid_ratio: float = 257 / 256) -> bytes:
    """The rag's relative tables as a version 4 profile has them, Lab in the newer encoding."""
    parts = {
        "desc": pack_text("Version 4", version=4, is_name=True),
        "wtpt": pack_xyz((0.88, 0.91, 0.73)),
    }
    a2b = np.minimum(grid_of(RAG, "A2B1").astype(float) * grid_ratio, 65535)
    parts["A2B1"] = pack_m_ab(b"mAB ", STRAIGHT * 3, a2b, STRAIGHT * 3)
    before, grid, after = split_lut16(part(RAG, "B2A1")[1])
    codes = np.linspace(0, 65535, before.shape[1])
    lab_curves = b"".join(curv(np.interp(codes * 256 / 257, codes, c)) for c in before)
    parts["B2A1"] = pack_m_ab(b"mBA ", lab_curves, grid, b"".join(curv(c) for c in after))
    return pack_profile(parts, version=4, device_class="prtr", colour_space="RGB", pcs="Lab")


def pack_lut8(before: NDArray[Any], grid: NDArray[Any]) -> bytes:
    identity = (65536, 0, 0, 0, 65536, 0, 0, 0, 65536)
    curves = [np.rint(np.interp(np.linspace(0, 1, 256), *c)) for c in before]
    after = np.tile(np.arange(256), 3)
    numbers = np.concatenate([*curves, np.rint(grid).ravel(), after])
    head = struct.pack(">4s4x4B9i", b"mft1", 3, 3, GRID, 0, *identity)
    return head + numbers.astype(np.uint8).tobytes()


def as_8_bit() -> bytes:
    """The rag's relative tables with 8-bit numbers, the coarsest form that the format knows."""
    parts = {
        "desc": pack_text("8 bit", version=2, is_name=True),
        "wtpt": pack_xyz((0.88, 0.91, 0.73)),
    }
    legacy = grid_of(RAG, "A2B1").astype(float)
    straight = np.array([[[0, 1], [0, 255]]] * 3, dtype=float)
    parts["A2B1"] = pack_lut8(straight, legacy * (255 / 65280, 1 / 256, 1 / 256))
    before, grid, _ = split_lut16(part(RAG, "B2A1")[1])
    codes = np.linspace(0, 65535, before.shape[1])
    ends = (65280, 65280, 65280)
    curves = np.stack(
        [(codes / end, curve / 257.0) for end, curve in zip(ends, before, strict=True)]
    )
    parts["B2A1"] = pack_lut8(curves, np.minimum(grid / 257.0, 255))
    return pack_profile(parts, version=2, device_class="prtr", colour_space="RGB", pcs="Lab")


def test_version_4_tables_are_admitted() -> None:
    """A version 4 profile with `mAB` and `mBA` tables and its checksum is accepted."""
    verdict = admit_profile(as_version_4())
    assert verdict.reasons == ()
    assert (verdict.version, verdict.profile_id_ok) == ("4.3", True)
    assert verdict.intents == ("relative", "absolute")
    assert verdict.round_trip_mean == pytest.approx(admit_profile(RAG).round_trip_mean, abs=0.05)


def test_version_4_table_in_the_old_encoding_is_refused() -> None:
    """A version 4 table with the old encoding of Lab is found out as well."""
    verdict = admit_profile(as_version_4(grid_ratio=1.0))
    assert verdict.reasons == ("The profile's table A2B1 is written in the wrong encoding of Lab.",)


def test_coarse_8_bit_tables_are_admitted() -> None:
    """8-bit tables are coarse but honest: they are within the limits."""
    verdict = admit_profile(as_8_bit())
    assert verdict.reasons == ()
    assert verdict.round_trip_mean is not None
    assert 0.5 < verdict.round_trip_mean < 2.0


def test_verdict_is_a_plain_value() -> None:
    """A verdict holds plain Python values, so that it survives the way out of a child process."""
    verdict: Admission = admit_profile(RAG)
    assert type(verdict.round_trip_mean) is float
    assert verdict.black_lab is not None
    assert {type(number) for number in verdict.black_lab} == {float}
    assert type(verdict.accepted) is bool
