from __future__ import annotations

import contextlib
import hashlib
import struct

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from platemark.imaging.icc import (
    PCS_WHITE,
    ProfileDamage,
    ToneCurve,
    build_grey_profile,
    build_matrix_profile,
    grey_space_ids,
    name_working_space,
    pack_profile,
    pack_text,
    pack_xyz,
    parse_profile,
    profile_md5,
)
from platemark.model.planning import SPACE_NAMES

SRGB = build_matrix_profile("srgb")


def replaced(data: bytes, offset: int, new: bytes) -> bytes:
    return data[:offset] + new + data[offset + len(new) :]


def sized(data: bytes) -> bytes:
    return replaced(data, 0, len(data).to_bytes(4, "big"))


def rows(data: bytes) -> dict[str, int]:
    """Where the row of each part begins in the list of contents."""
    count = int.from_bytes(data[128:132], "big")
    return {data[132 + 12 * n :][:4].decode(): 132 + 12 * n for n in range(count)}


def para(function: int, *numbers: float) -> bytes:
    fixed = [round(number * 65536) for number in numbers]
    return struct.pack(f">4s4xHH{len(numbers)}i", b"para", function, 0, *fixed)


def curv(*codes: int) -> bytes:
    return struct.pack(f">4s4xI{len(codes)}H", b"curv", len(codes), *codes)


def grey(curve: bytes, pcs: str = "XYZ", **parts: bytes) -> bytes:
    return pack_profile(
        {"wtpt": pack_xyz(PCS_WHITE), "kTRC": curve, **parts},
        version=4,
        device_class="mntr",
        colour_space="GRAY",
        pcs=pcs,
    )


# --- Reading --------------------------------------------------------------------------------


def test_header_fields_are_read() -> None:
    """Every field of the header comes out as it was put in."""
    data = replaced(build_matrix_profile("romm", version=4), 48, b"ACMEmod1")
    profile = parse_profile(data)
    header = profile.header
    assert (header.size, profile.version) == (len(data), "4.3")
    assert (header.device_class, header.colour_space, header.pcs) == ("mntr", "RGB", "XYZ")
    assert (header.manufacturer, header.model, header.creator) == ("ACME", "mod1", "")
    assert header.illuminant == pytest.approx(PCS_WHITE, abs=1 / 65536)
    assert header.rendering_intent == 0


def test_maker_named_none_is_no_maker() -> None:
    """The signature `none`, which some tools write, does not count as a device's name."""
    header = parse_profile(replaced(SRGB, 48, b"noneNONE")).header
    assert (header.manufacturer, header.model) == ("", "")


DAMAGES = {
    "empty": (b"", "only 0 bytes long"),
    "131 bytes": (SRGB[:131], "only 131 bytes long"),
    "cut short": (SRGB[:-1], "cut short"),
    "longer than it says": (SRGB + b"\0", "but the file has"),
    "no signature": (replaced(SRGB, 36, b"acsq"), "not an ICC colour profile."),
    "JPEG": (b"\xff\xd8\xff\xe0" + bytes(400), "but a JPEG picture"),
    "no parts": (replaced(SRGB, 128, bytes(4)), "claims 0 parts"),
    "4,000,000,000 parts": (replaced(SRGB, 128, b"\xee\x6b\x28\x00"), "claims 4,000,000,000"),
    "offset behind the end": (
        replaced(SRGB, rows(SRGB)["wtpt"] + 4, b"\0\0\xff\xf8"),
        "“wtpt” lies outside",
    ),
    "offset inside the header": (
        replaced(SRGB, rows(SRGB)["gTRC"] + 4, b"\0\0\0\x10"),
        "“gTRC” lies outside",
    ),
    "length behind the end": (
        replaced(SRGB, rows(SRGB)["cprt"] + 8, b"\xff\xff\xff\xff"),
        "“cprt” lies outside",
    ),
    "a part of 4 bytes": (
        replaced(SRGB, rows(SRGB)["cprt"] + 8, b"\0\0\0\4"),
        "“cprt” lies outside",
    ),
    "a part twice": (replaced(SRGB, rows(SRGB)["rTRC"], b"gTRC"), "“gTRC” is there twice"),
    "white is a text": (
        pack_profile(
            {"wtpt": pack_text("no colour here at all", version=2)},
            version=2,
            device_class="mntr",
            colour_space="RGB",
            pcs="XYZ",
        ),
        "“wtpt” does not hold a colour",
    ),
    "curve shorter than its count": (grey(curv(1, 2, 3)[:-2] + b""), "tone curves"),
    "curve of an unknown function": (grey(para(5, 1, 1)), "tone curves"),
    "curve short of parameters": (grey(para(4, 1, 1)), "tone curves"),
    "table of an unknown kind": (grey(curv(), A2B0=b"mftX" + bytes(60)), "table A2B0"),
    "table without channels": (grey(curv(), A2B0=b"mft2" + bytes(60)), "table A2B0"),
    "table shorter than its grid": (
        grey(curv(), B2A1=b"mft2\0\0\0\0\3\3\x11" + bytes(37) + b"\0\2\0\2" + bytes(100)),
        "table B2A1",
    ),
    "newer table with its grid outside": (
        grey(curv(), A2B2=b"mAB \0\0\0\0\3\3" + bytes(14) + b"\0\0\x0f\xff\0\0\0\0" + bytes(20)),
        "table A2B2",
    ),
}


@pytest.mark.parametrize("name", DAMAGES)
def test_damage_is_named_in_one_sentence(name: str) -> None:
    """Each kind of damage is refused in one sentence that says which it is."""
    data, words = DAMAGES[name]
    with pytest.raises(ProfileDamage) as refusal:
        parse_profile(data)
    assert words in str(refusal.value)
    assert str(refusal.value).endswith(".")


@settings(max_examples=400, deadline=None)
@given(
    which=st.sampled_from([SRGB, build_matrix_profile("display-p3", version=4), grey(curv(9))]),
    places=st.lists(st.tuples(st.integers(0, 600), st.integers(0, 255)), min_size=1, max_size=8),
)
def test_any_bytes_are_read_or_refused(which: bytes, places: list[tuple[int, int]]) -> None:
    """Whatever bytes a profile is damaged with, reading and naming it raise ProfileDamage only."""
    data = bytearray(which)
    for place, value in places:
        data[place % len(data)] = value
    with contextlib.suppress(ProfileDamage):
        name_working_space(parse_profile(sized(bytes(data))))


def test_description_of_both_versions() -> None:
    """The name is found in `desc` of version 2 and in `mluc` of version 4."""
    for version in (2, 4):
        data = build_matrix_profile("adobe-rgb", version=version)
        assert parse_profile(data).description == "Adobe RGB (1998) compatible"


def test_english_name_is_preferred() -> None:
    """Of several languages the English name is taken, else the first."""
    names = ["Grau", "Grey"]
    texts = [name.encode("utf-16-be") for name in names]
    for languages, expected in (((b"de", b"en"), "Grey"), ((b"de", b"fr"), "Grau")):
        body = struct.pack(">4s4xII", b"mluc", 2, 12)
        body += struct.pack(">2s2sII", languages[0], b"XX", 8, 40)
        body += struct.pack(">2s2sII", languages[1], b"XX", 8, 48)
        assert parse_profile(grey(curv(), desc=body + texts[0] + texts[1])).description == expected


def test_unreadable_name_is_empty() -> None:
    """A name that cannot be read does no harm: it is empty."""
    assert parse_profile(grey(curv(), desc=b"mluc" + bytes(4))).description == ""
    assert parse_profile(grey(curv(), desc=b"what" + bytes(40))).description == ""


def test_profile_id() -> None:
    """The ID is right, wrong or not set; flags and intent do not count for it (ICC.1, 7.2.18)."""
    right = build_matrix_profile("srgb", version=4)
    assert parse_profile(right).profile_id_ok is True
    by_hand = right[:44] + bytes(4) + right[48:64] + bytes(4) + right[68:84] + bytes(16)
    assert right[84:100] == hashlib.md5(by_hand + right[100:]).digest()
    assert parse_profile(replaced(right, 64, b"\0\0\0\1")).profile_id_ok is True
    assert parse_profile(replaced(right, 44, b"\0\0\0\1")).profile_id_ok is True
    assert parse_profile(replaced(right, len(right) - 1, b"\1")).profile_id_ok is False
    assert parse_profile(SRGB).profile_id_ok is None
    assert profile_md5(right) == right[84:100]


@pytest.mark.parametrize(
    ("curve", "device", "linear"),
    [
        # Formulas of ICC.1:2022, table 68; expected values worked out by hand.
        (curv(), 0.3, 0.3),
        (curv(0x0200), 0.5, 0.25),
        (curv(0, 0, 65535), 0.75, 0.5),
        (para(0, 2.0), 0.5, 0.25),
        (para(1, 2.0, 2.0, -1.0), 0.75, 0.25),
        (para(1, 2.0, 2.0, -1.0), 0.25, 0.0),
        (para(2, 2.0, 2.0, -1.0, 0.125), 0.75, 0.375),
        (para(2, 2.0, 2.0, -1.0, 0.125), 0.25, 0.125),
        (para(3, 2.0, 0.5, 0.5, 0.25, 0.5), 0.5, 0.5625),
        (para(3, 2.0, 0.5, 0.5, 0.25, 0.5), 0.25, 0.0625),
        (para(4, 2.0, 0.5, 0.5, 0.25, 0.5, 0.125, 0.0625), 0.5, 0.6875),
        (para(4, 2.0, 0.5, 0.5, 0.25, 0.5, 0.125, 0.0625), 0.25, 0.125),
        (para(0, -30000.0), 0.001, 1.0),
    ],
)
def test_curves(curve: bytes, device: float, linear: float) -> None:
    """Every form of tone curve gives the value that the format's formula gives."""
    assert parse_profile(grey(curve)).curves[0].value(device) == pytest.approx(linear, abs=1e-9)


def test_what_can_be_a_source() -> None:
    """Matrix and grey profiles can be a source; one without curves or tables cannot."""
    assert parse_profile(SRGB).can_be_source
    assert parse_profile(build_grey_profile()).can_be_source
    assert not parse_profile(replaced(SRGB, rows(SRGB)["bTRC"], b"zTRC")).can_be_source
    assert not parse_profile(replaced(SRGB, rows(SRGB)["bXYZ"], b"zXYZ")).can_be_source


def test_vcgt_is_seen() -> None:
    """A video card's curves are noticed, and change nothing about the name."""
    assert not parse_profile(SRGB).has_vcgt
    marked = parse_profile(replaced(SRGB, rows(SRGB)["cprt"], b"vcgt"))
    assert marked.has_vcgt
    assert name_working_space(marked) == "srgb"


# --- Naming ---------------------------------------------------------------------------------


@pytest.mark.parametrize("version", [2, 4])
@pytest.mark.parametrize("space", SPACE_NAMES)
def test_own_working_spaces_are_named(space: str, version: int) -> None:
    """Each working space is recognised in both versions, with D50 as white and with its own."""
    data = build_matrix_profile(space, version=version)  # type: ignore[arg-type]
    assert name_working_space(parse_profile(data)) == space
    d65 = struct.pack(">3i", 62289, 65536, 71372)
    white_at = int.from_bytes(data[rows(data)["wtpt"] + 4 :][:4], "big") + 8
    expected = None if space == "romm" else space
    assert name_working_space(parse_profile(replaced(data, white_at, d65))) == expected


@pytest.mark.parametrize("version", [2, 4])
@pytest.mark.parametrize("space", grey_space_ids())
def test_own_grey_spaces_are_named(space: str, version: int) -> None:
    """Each grey space is recognised in both versions."""
    data = build_grey_profile(space, version=version)  # type: ignore[arg-type]
    assert name_working_space(parse_profile(data)) == space


def test_grey_through_lab_is_named_by_its_lightness() -> None:
    """Where the connection space is Lab, a grey curve leads to lightness, not to luminance."""
    assert name_working_space(parse_profile(grey(curv(), pcs="Lab"))) == "grey-lightness"
    assert name_working_space(parse_profile(grey(curv(), pcs="XYZ"))) == "grey-linear"


def with_curves(space: str, curve: bytes) -> bytes:
    data = build_matrix_profile(space, version=4)
    found = {
        name: data[int.from_bytes(data[at + 4 :][:4], "big") :][
            : int.from_bytes(data[at + 8 :][:4], "big")
        ]
        for name, at in rows(data).items()
    }
    found |= {f"{letter}TRC": curve for letter in "rgb"}
    return pack_profile(found, version=4, device_class="mntr", colour_space="RGB", pcs="XYZ")


def test_curves_decide_the_name_too() -> None:
    """Gamma 2.2 on sRGB's primaries is not sRGB; 2.2 for 563/256, and ROMM without a toe, pass."""
    assert name_working_space(parse_profile(with_curves("srgb", para(0, 2.2)))) is None
    assert name_working_space(parse_profile(with_curves("display-p3", para(0, 2.6)))) is None
    assert name_working_space(parse_profile(with_curves("adobe-rgb", para(0, 2.2)))) == "adobe-rgb"
    assert name_working_space(parse_profile(with_curves("romm", para(0, 1.8)))) == "romm"


def test_unknown_primaries_have_no_name() -> None:
    """Colorants a little outside the tolerance are not given a name that they do not deserve."""
    at = int.from_bytes(SRGB[rows(SRGB)["rXYZ"] + 4 :][:4], "big") + 8
    red = int.from_bytes(SRGB[at : at + 4], "big")
    near, far = red + 100, red + 400
    assert name_working_space(parse_profile(replaced(SRGB, at, near.to_bytes(4, "big")))) == "srgb"
    assert name_working_space(parse_profile(replaced(SRGB, at, far.to_bytes(4, "big")))) is None


def test_profile_with_tables_has_no_name() -> None:
    """A profile that converts by tables is not named by a matrix that may say something else."""
    table = b"mft1\0\0\0\0\1\3\2" + bytes(37) + bytes(256 + 6 + 3 * 256)
    assert name_working_space(parse_profile(grey(curv(0x0233), A2B0=table))) is None
    assert name_working_space(parse_profile(grey(curv(0x0233)))) == "grey-gamma-2.2"


# --- Writing --------------------------------------------------------------------------------


@pytest.mark.parametrize("space", SPACE_NAMES)
@pytest.mark.parametrize("version", [2, 4])
def test_colorants_add_up_to_d50(space: str, version: int) -> None:
    """Red, green and blue add up to the PCS white exactly, so that white has no cast."""
    data = build_matrix_profile(space, version=version)  # type: ignore[arg-type]
    colorants = parse_profile(data).colorants
    assert colorants is not None
    total = [round(sum(column) * 65536) for column in zip(*colorants, strict=True)]
    assert total == [0xF6D6, 0x10000, 0xD32D]


def test_adobe_gamma_is_exact() -> None:
    """563/256 fits u8Fixed8Number exactly, so the curve is one number and no table."""
    curve = parse_profile(build_matrix_profile("adobe-rgb")).curves[0]
    assert curve == ToneCurve(parameters=(2.19921875,))


def test_tables_meet_every_8_bit_code() -> None:
    """In version 2 each 8-bit code falls on a table entry: only 16-bit rounding remains."""
    exact = parse_profile(build_matrix_profile("srgb", version=4)).curves[0]
    table = parse_profile(SRGB).curves[0]
    assert len(table.table) == 1021
    worst = max(abs(exact.value(c / 255) - table.value(c / 255)) for c in range(256))
    assert worst < 2 / 65535


def test_equal_parts_are_stored_once() -> None:
    """Three equal curves share their bytes, which keeps the profile small."""
    offsets = {tag.signature: tag.offset for tag in parse_profile(SRGB).tags}
    assert offsets["rTRC"] == offsets["gTRC"] == offsets["bTRC"]
    assert all(offset % 4 == 0 for offset in offsets.values())
    assert len(SRGB) < 3000


def test_bytes_never_change() -> None:
    """The same call gives the same bytes for ever; else archived jobs would see a new profile."""
    made = {
        f"{space} v{version}": hashlib.sha256(
            build_matrix_profile(space, version=version)
        ).hexdigest()[:16]
        for space in SPACE_NAMES
        for version in (2, 4)
    }
    made |= {
        space: hashlib.sha256(build_grey_profile(space)).hexdigest()[:16]
        for space in grey_space_ids()
    }
    assert made == PINNED


PINNED = {
    "srgb v2": "f903a6f04042b9be",
    "srgb v4": "b5579cf81e3747fd",
    "adobe-rgb v2": "17f25f0110bbc021",
    "adobe-rgb v4": "c602cc95ceb40d9b",
    "display-p3 v2": "80e3fa26e68b2831",
    "display-p3 v4": "34a79514a4291d22",
    "romm v2": "5d8ed19ca33b3894",
    "romm v4": "d7f81b04a214a694",
    "grey-gamma-2.2": "60ca769aae0818df",
    "grey-gamma-1.8": "9c9ed753f0546ce3",
    "grey-srgb": "7aa3afdb37514e0b",
    "grey-lightness": "d935c2f518178d0a",
    "grey-linear": "702c69279105530b",
}
"""First 16 digits of SHA-256, as first made."""


def test_unknown_space_is_refused() -> None:
    """A space that nobody defined is an error, not a guess."""
    with pytest.raises(KeyError):
        build_matrix_profile("srbg")
    with pytest.raises(KeyError):
        build_grey_profile("grey-gamma-3")
