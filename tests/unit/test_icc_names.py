import struct
from collections.abc import Callable

import pytest

from platemark.imaging.icc import PCS_WHITE, pack_profile, pack_xyz, parse_profile

CURVE = struct.pack(">4s4xI", b"curv", 0)


def named(desc: bytes) -> str:
    """The name of a grey profile whose part `desc` is that."""
    data = pack_profile(
        {"wtpt": pack_xyz(PCS_WHITE), "kTRC": CURVE, "desc": desc},
        version=4,
        device_class="mntr",
        colour_space="GRAY",
        pcs="XYZ",
    )
    return parse_profile(data).description


def one_byte_each(text: str) -> bytes:
    """A name as version 2 holds it (ICC.1:2001-04, 6.5.17, the first of its three forms)."""
    raw = text.encode("latin-1") + b"\0"
    return b"desc" + bytes(4) + struct.pack(">I", len(raw)) + raw + bytes(78)


def in_languages(text: str) -> bytes:
    """A name as version 4 holds it (ICC.1:2022, 10.15), in English."""
    raw = text.encode("utf-16-be")
    return struct.pack(">4s4xII2s2sII", b"mluc", 1, 12, b"en", b"GB", len(raw), 28) + raw


@pytest.mark.parametrize("form", [one_byte_each, in_languages])
def test_a_name_is_cut(form: Callable[[str], bytes]) -> None:
    """A name of a million letters counts with its first 200; one of 200 is left as it is."""
    assert named(form("A" * 1_000_000)) == "A" * 200
    assert named(form("B" * 200)) == "B" * 200


@pytest.mark.parametrize("form", [one_byte_each, in_languages])
def test_a_name_is_one_line_of_letters(form: Callable[[str], bytes]) -> None:
    """What steers a terminal or breaks a line becomes a blank; accents stay."""
    assert named(form("\x1b[2JPapier\r\nmat é\x85\x7f")) == "[2JPapier  mat é"


def test_directions_cannot_be_turned() -> None:
    """Letters that turn the direction of what follows (Unicode UAX 9) are no part of a name."""
    assert named(in_languages("gnp\u202egpj\u2066x")) == "gnp gpj x"
