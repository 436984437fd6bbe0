"""What names say, and that no name whatever does harm."""

import unicodedata

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from platemark.intake.names import (
    almost_copies_of,
    almost_size_in,
    almost_size_of,
    is_ignored,
    is_litter,
    size_in,
    split_extension,
    title_of,
    words_in,
    words_of,
)
from platemark.model.request import READERS, resolve

NAMES = st.binary(min_size=1, max_size=255).map(
    lambda name: name.replace(b"/", b"\\").replace(b"\0", b"\n")
)
"""Every name that a Linux file system can hold: up to 255 bytes without / and NUL (POSIX)."""

HOSTILE = [
    b"-rf_16x20in.tif",
    b"..\\..\\etc_A3.tif",
    b"\xff\xfe_16x20in.tif",
    b"a\nb_16x20in.tif",
    "🖼️_16x20in.tif".encode(),
    "\u202efit.ni02x61_A3.tif".encode(),
    b"_" * 255,
    b"=cmd()_qty2.tif",
    b"A" * 246 + b"_A3.tif",
]


def said(name: str) -> dict[str, str]:
    """What a name says, as key and value."""
    return dict(pair for layer in words_of(name.encode()) for pair in layer.values)


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("heron_16x20in_qty3.tif", {"size": "16x20in", "copies": "3"}),
        ("heron_A3.tif", {"size": "A3"}),
        ("heron_a3.TIF", {"size": "a3"}),
        ("heron_40x60cm.jpeg", {"size": "40x60cm"}),
        ("heron_40×60cm.jpeg", {"size": "40×60cm"}),
        ("heron_16.5x20.25in.tif", {"size": "16.5x20.25in"}),
        ("heron_16x20.5in", {"size": "16x20.5in"}),
        ("heron_long 60cm.tif", {"size": "long 60cm"}),
        ("a_b_8x10in_test_QTY12.png", {"size": "8x10in", "purpose": "test", "copies": "12"}),
        ("heron_test.tif", {"purpose": "test"}),
        ("heron_qty0.tif", {"copies": "0"}),
    ],
)  # fmt: skip
def test_whole_tokens_are_understood(name: str, expected: dict[str, str]) -> None:
    """A size with its unit, an ISO name, `qtyN` and `test` are taken as they were written."""
    assert said(name) == expected


@pytest.mark.parametrize(
    "name",
    [
        "IMG_4032x3024.jpg",
        "16x20in.tif",
        "A3.tif",
        "A3_heron.tif",
        "16x20in_heron.tif",
        "_16x20in.tif",
        "heron_20x30.tif",
        "heron-16x20in.tif",
        "heron 16x20in.tif",
        "heron_16x20inch.tif",
        "heron_16x20in (1).tif",
        "heron_A3+.tif",
        "heron_A99.tif",
        "heron_0x20in.tif",
        "heron_qty.tif",
        "heron_qty3x.tif",
        "heron_testing.tif",
        "heron_१६x२०in.tif",
    ],
)
def test_anything_else_says_nothing(name: str) -> None:
    """Pixel counts, a first token, a size without unit, and parts of tokens are no words."""
    assert words_of(name.encode()) == ()


@pytest.mark.parametrize(
    ("name", "choices", "words"),
    [
        ("heron_8x10.tif", ("8x10in", "8x10cm"), "8x10 has no unit: write heron_8x10in.tif or"),
        ("heron 8x10.tif", ("8x10in", "8x10cm"), "8x10 has no unit: write heron_8x10in.tif or"),
        ("heron-8x10in.tif", ("8x10in",), "put _ before 8x10in"),
        ("heron_16x20in (1).tif", ("16x20in",), "nothing but _ behind it"),
        ("heron_16x20inch.tif", ("16x20in",), "write heron_16x20in.tif"),
        ("16×20cm.tif", ("16x20cm",), "write heron_16x20cm.tif"),
    ],
)  # fmt: skip
def test_what_was_meant_as_a_size_is_told(name: str, choices: tuple[str, ...], words: str) -> None:
    """A size without its unit or its underscore is named, with what would be right."""
    assert words_of(name.encode()) == ()
    trouble = almost_size_of(name.encode())
    assert trouble is not None
    assert (trouble.kind, trouble.key) == ("unreadable", "size")
    assert trouble.choices == tuple(f"size={choice}" for choice in choices)
    assert words in trouble.sentence


@pytest.mark.parametrize(
    "name",
    ["heron.tif", "IMG_4032x3024.jpg", "heron_16x20in.tif", "heron_A3_8x10.tif", "heron_0x20.tif",
     "max4x4.tif", "v1.2x3.tif"],
)  # fmt: skip
def test_other_numbers_are_no_size_that_was_meant(name: str) -> None:
    """Pixel counts, parts of words, nothing a side, and a name with a size are left alone."""
    assert almost_size_of(name.encode()) is None


@pytest.mark.parametrize(
    ("folder", "choices"),
    [
        ("20x30", ("size=20x30in", "size=20x30cm")), ("20 x 30", ("size=20x30in", "size=20x30cm")),
        ("20x30 inches", ("size=20x30in",)), ("20x30in", None), ("20x30 prints", None),
        ("4000x3000", None), ("Alder", None),
    ],
)  # fmt: skip
def test_a_folder_that_was_meant_as_a_size(folder: str, choices: tuple[str, ...] | None) -> None:
    """Two measures alone are a size without a unit; with other words they are an order's name."""
    trouble = almost_size_in(folder.encode())
    assert (trouble.choices if trouble is not None else None) == choices


def test_a_name_is_one_statement_with_its_source() -> None:
    """All words of a name come from one place, and people see which."""
    (layer,) = words_of(b"heron_16x20in.tif")
    assert layer.kind == "statement"
    assert layer.source == "name “heron_16x20in.tif”"


def test_two_sizes_in_one_name_disagree() -> None:
    """A name that says two sizes is for a person; none is chosen silently."""
    resolved = resolve(words_of(b"heron_16x20in_A3.tif"))
    assert [trouble.kind for trouble in resolved.troubles] == ["disagree"]


@given(NAMES.filter(lambda n: b"_" not in n and n.lower() != b"test" and b"qty" not in n.lower()))
@example(b"..")
@example(b"\xff\xfe")
@example(b"-rf")
@example("é".encode() * 100)
def test_words_after_any_first_token_are_understood(front: bytes) -> None:
    """Whatever bytes the first token has, the words after it are the same."""
    values = {pair for layer in words_of(front + b"_16x20in_qty3.tif") for pair in layer.values}
    assert values == {("size", "16x20in"), ("copies", "3")}


@pytest.mark.fault(22)
@given(NAMES)
def test_no_name_breaks_anything(name: bytes) -> None:
    """From any bytes come only known keys, and texts that are safe to show."""
    for layer in words_of(name):
        assert layer.source.isprintable()
        for key, value in layer.values:
            assert key in READERS
            assert value.isprintable()
    title = title_of(name)
    assert title
    assert title.isprintable()
    assert words_in(name).isprintable()
    assert b"".join(split_extension(name)) == name
    assert not (is_litter(name) and not is_ignored(name))
    size_in(name)
    for trouble in (almost_size_in(name), almost_size_of(name)):
        assert trouble is None or trouble.sentence.isprintable()


@pytest.mark.fault(22)
@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_names_are_only_text(name: bytes) -> None:
    """Line ends, turned text, dashes and broken encodings reach nobody as they are."""
    assert title_of(name).isprintable()
    assert "\u202e" not in title_of(name)
    assert all(layer.source.isprintable() for layer in words_of(name))


@pytest.mark.parametrize(
    ("name", "title"),
    [
        ("heron.tif", "heron"),
        ("old_mill__at_dawn_16x20in.tif", "old mill at dawn"),
        ("heron_A3_final.tif", "heron"),
        ("test_heron.tif", "heron"),
        ("test.tif", "test"),
        ("IMG_4032x3024.jpg", "IMG 4032x3024"),
        ("16x20in.tif", "16x20in"),
        (".tif", ".tif"),
        ("Mill v1.2.tif", "Mill v1.2"),
    ],
)
def test_a_title_is_the_words_before_the_request(name: str, title: str) -> None:
    """The title is what stands before the first understood token, and never empty."""
    assert title_of(name.encode()) == title


@pytest.mark.fault(23)
@given(st.text(alphabet="aéüñÅ한", min_size=1, max_size=20))
def test_composed_and_decomposed_names_are_the_same_words(text: str) -> None:
    """A name typed on macOS (Unicode NFD) gives the same title and order name as elsewhere."""
    nfc, nfd = (unicodedata.normalize(form, text).encode() for form in ("NFC", "NFD"))
    assert title_of(nfc) == title_of(nfd)
    assert words_in(nfc) == words_in(nfd)


@pytest.mark.parametrize(
    "name",
    [
        ".heron.tif", "._heron.tif", ".heron.tif.Ab12Cd", "heron.tif.part", "heron.TMP",
        "heron.tif~", "~heron.tif", "~$order.docx", ".~lock.order.ods#", "Thumbs.db",
        "desktop.ini", ".DS_Store", "heron.tif.crdownload", "heron.tif.filepart", "Icon\r",
        ".nfs0000000001", "~syncing~heron.tif.tmp",
    ],
)  # fmt: skip
def test_partial_hidden_and_litter_names_are_ignored(name: str) -> None:
    """What copying, syncing and office programs and file managers leave behind is no drop."""
    assert is_ignored(name.encode())


@pytest.mark.parametrize(
    "name",
    ["heron.tif", "part.tif", "heron.partial.tif", "tmp", "heron", "thumbs.db.tif", "a.~tif"],
)
def test_ordinary_names_are_not_ignored(name: str) -> None:
    """A picture is not lost because its name resembles that of a partial file."""
    assert not is_ignored(name.encode())


def test_only_litter_says_nothing_of_a_copy() -> None:
    """A file manager's own files do not make anybody wait, a partial file does."""
    assert is_litter(b".DS_Store")
    assert is_litter(b"~$order.docx")
    assert not is_litter(b"heron.tif.part")
    assert not is_litter(b".heron.tif.Ab12Cd")


@pytest.mark.parametrize(
    ("folder", "size"),
    [
        (b"16x20in", "16x20in"), (b"A3", "A3"), (b"long 60cm", "long 60cm"),
        (b"16 x 20 in", "16 x 20 in"), (b"16x20", None), (b"A3 prints", None), (b"wedding", None),
        (b"\xff", None),
    ],
)  # fmt: skip
def test_a_size_folder_is_a_size_as_a_whole(folder: bytes, size: str | None) -> None:
    """A folder gives a size only when its whole name is one, with its unit or ISO name."""
    assert size_in(folder) == size


@pytest.mark.parametrize(
    "name", ["heron_Qty 3.jpg", "heron-qty3_4x6in.tif", "heron_quantity_3.tif"]
)
def test_a_number_of_prints_that_is_almost_one_is_asked_about(name: str) -> None:
    """Three prints that somebody meant are never one without a word."""
    found = almost_copies_of(name.encode())
    assert found is not None
    assert found.choices == ("copies=3",)
    assert "write _qty3" in found.sentence


@pytest.mark.parametrize(
    "name", ["heron_qty3.tif", "equity3.tif", "heron_qty_two.tif", "heron.tif"]
)
def test_what_is_no_number_of_prints_is_left_alone(name: str) -> None:
    """A number that is understood, and words that only look like one, are nobody's question."""
    assert almost_copies_of(name.encode()) is None
