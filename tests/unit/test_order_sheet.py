"""Order sheets as text: every way a spreadsheet program writes one, and every mistake in one."""

import csv
import io
import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from platemark.intake.order_sheet import LARGEST, Files, OrderSheet, Row, read_sheet, same_words
from platemark.intake.plain_text import harmless
from platemark.intake.sheet_answer import (
    MOST_LISTED,
    WIDTH,
    SheetAnswer,
    is_finished,
    sheet_answer,
    waiting_words,
)
from platemark.model.request import Layer, resolve
from platemark.model.units import parse_size

SURFACES = ("baryta", "smooth-rag")
LABS = ("brindlewick", "tarnmoor")
PLAIN = "file,size,copies\nheron.tif,16x20in,2\n"


def read(text: str | bytes, folder_surface: str | None = None, most_rows: int = 2000) -> OrderSheet:
    """Read a sheet called spring.csv."""
    data = text.encode() if isinstance(text, str) else text
    return read_sheet(
        "spring.csv", data, folder_surface=folder_surface, surfaces=SURFACES, labs=LABS,
        most_rows=most_rows,
    )  # fmt: skip


def mistakes(text: str | bytes, folder_surface: str | None = None) -> list[str]:
    """What is wrong with a sheet, of which nothing counts then."""
    sheet = read(text, folder_surface)
    assert sheet.rows == ()
    return list(sheet.mistakes)


def row(file: str, surface: str | None = None) -> Row:
    """A row that says nothing but its file and surface."""
    return Row(2, file, surface, Layer("order sheet “spring.csv”, row 2", ()))


def test_a_row_is_a_statement_about_its_file() -> None:
    """It says where it stands, beats a default, and two that disagree are a trouble."""
    (only,) = read(PLAIN).rows
    assert (only.number, only.file, only.surface) == (2, "heron.tif", None)
    assert only.layer == Layer(
        "order sheet “spring.csv”, row 2", (("size", "16x20in"), ("copies", "2"))
    )
    default = Layer("request.toml in baryta", (("copies", "9"),), "default")
    assert resolve((default, only.layer)).request.copies == 2
    other = Layer("folder “8x10in”", (("size", "8x10in"),))
    (trouble,) = resolve((only.layer, other)).troubles
    assert trouble.kind == "disagree"
    assert "order sheet “spring.csv”, row 2 says 16x20in" in trouble.sentence


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16"])
@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_every_way_of_writing_it_says_the_same(encoding: str, delimiter: str, end: str) -> None:
    """Encoding, sign between columns and line end make no difference, in names with accents too."""
    text = "File;Size;Ship to\nhéron.tif;16x20in;4 Weir Lane\n;;\ncrane.tif;A3;\n"
    data = text.replace(";", delimiter).replace("\n", end).encode(encoding)
    sheet = read(data)
    assert sheet.mistakes == ()
    assert [(each.number, each.file, dict(each.layer.values)) for each in sheet.rows] == [
        (2, "héron.tif", {"size": "16x20in", "ship_to": "4 Weir Lane"}),
        (4, "crane.tif", {"size": "A3"}),
    ]


def test_big_endian_text_with_a_mark_is_read() -> None:
    """UTF-16 in the other order of bytes, as its mark says (Unicode 3.10, D98)."""
    assert read(b"\xfe\xff" + PLAIN.encode("utf-16-be")).rows == read(PLAIN).rows


@pytest.mark.parametrize("encoding", ["latin-1", "cp1252", "mac-roman"])
def test_an_encoding_that_cannot_be_told_is_refused(encoding: str) -> None:
    """With what to do; and the pictures that it may name are known all the same."""
    sheet = read("file,size\ncrane.tif,A3\nhéron.tif,A3\n".encode(encoding))
    (said,) = sheet.mistakes
    assert said == (
        "Its text is not UTF-8 (the first sign that is not is in line 3). In the spreadsheet "
        "program choose “Save as”, then CSV and, for the text, UTF-8."
    )
    for name in ("crane.tif", "héron.tif", "HÉRON.TIF", unicodedata.normalize("NFD", "héron.tif")):
        assert sheet.may_mean(f"baryta/{name}".encode())
    assert not sheet.may_mean(b"baryta/coot.tif")


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"", "It is empty."),
        (b"\xef\xbb\xbf\r\n", "It is empty."),
        (b"\x00\x01binary", "It is no text"),
        (PLAIN.encode("utf-16-le"), "It is no text, or its text is not UTF-8."),
        (b"\xff\xfe\x00", "Its text is not UTF-8."),
        (b"picture,size\nheron.tif,A3\n", "No column is headed “file”"),
        (b"heron.tif,16x20in\n", "its first row is “heron.tif | 16x20in”"),
        (b"file,size\n", "It has headings and no rows."),
        (b'file,size\n"heron.tif,A3\n', "Row 2 cannot be read: a quote"),
        (b'file,size\n"heron"x.tif,A3\n', "Row 2 cannot be read: a quote"),
        (b"x" * (LARGEST + 1), "It is larger than 2 MB."),
    ],
)  # fmt: skip
def test_what_is_no_sheet_is_told(data: bytes, said: str) -> None:
    """One sentence says what it is not."""
    (only,) = mistakes(data)
    assert said in only


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("file,sise\nheron.tif,A3\n", "Nobody knows the heading “sise”. Is size meant?"),
        ("file,Qty\nheron.tif,2\n", "Nobody knows the heading “Qty”. Is copies meant?"),
        ("file,zzz\nheron.tif,2\n", "There are file, size, sheet,"),
        ("file,size,Size\nheron.tif,A3,\n", "Two columns are headed “size”."),
        ("file,size\n,A3\n", "Row 2: it names no file."),
        ("file,size\n/heron.tif,A3\n", "“/heron.tif” leads out of the sheet's folder."),
        ("file,size\na/../../heron.tif,A3\n", "“a/../../heron.tif” leads out"),
        ("file,size\nC:\\heron.tif,A3\n", "“C:\\heron.tif” leads out"),
        ("file,size\nheron,A3\n", "“heron” has no ending. Write the file's whole name"),
        ("file,size\nheron.tif,16x20\n", "Row 2: size: “16x20” has no unit"),
        ("file,size\n\nheron.tif,big\n", "Row 3: size: “big” is not a size"),
        ("file;size\nheron.tif;40,5x60cm\n", "has a comma; write it with a point, 40.5x60cm."),
        ("file,size\nheron.tif,40,5x60cm\n", "“5x60cm” stands to the right of the last heading."),
        ("file,,size\nheron.tif,mine,A3\n", "“mine” stands in a column without a heading."),
        ("file,surface\nheron.tif,barita\n", "there is no “barita”. Is baryta meant?"),
        ("file,lab\nheron.tif,other\n", "there is no “other”. There are brindlewick, tarnmoor."),
        ("file,copies\nheron.tif,0\n", "“0” is not a whole number from 1 to 10000"),
        ("file,due\nheron.tif,24.12.2026\n", "“24.12.2026” is not a date"),
        ("file,size\na.tif,A3\nb.tif,A4\na.tif,A3\n", "Rows 2 and 4 say the very same of a.tif."),
    ],
)  # fmt: skip
def test_a_mistake_names_its_row_and_what_is_right(text: str, said: str) -> None:
    """Nothing of the sheet counts, and the sentence helps."""
    (only,) = mistakes(text)
    assert said in only


def test_all_mistakes_are_told_at_once() -> None:
    """Those of headings, values and names together, and a good row does not count either."""
    text = "file,sise,copies\nheron.tif,A3,many\n../x.tif,A3,-1\ncoot.tif,A3,1\n"
    assert [said.partition(":")[0][:25] for said in mistakes(text)] == [
        "Nobody knows the heading ", "Row 2", "Row 3", "Row 3"
    ]  # fmt: skip


def test_a_sheet_of_a_surface_orders_on_that_surface_alone() -> None:
    """In its folder it may name its own; for others it belongs in hot/ itself."""
    text = "file,surface\nheron.tif,baryta\n"
    assert read(text, "baryta").rows[0].surface == "baryta"
    (said,) = mistakes(text, "smooth-rag")
    assert "the sheet lies in hot/smooth-rag" in said
    assert "Move it to hot/ itself" in said


def test_a_sheet_may_have_so_many_rows() -> None:
    """Empty ones are not counted."""
    text = "file,size\n" + "".join(f"{number}.tif,A3\n\n" for number in range(5))
    assert len(read(text, most_rows=5).rows) == 5
    assert "It has 5 rows, and the studio takes at most 4." in read(text, most_rows=4).mistakes[0]


def test_what_a_sheet_with_mistakes_may_name() -> None:
    """Names are found with and without folder and ending; of one too large nothing is known."""
    sheet = read('file,size\nwedding/Heron.tif,big\n"crane, two.tif",A3\ncoot,A3\n')
    for name in ("baryta/x/heron.TIF", "baryta/coot.tif", "baryta/crane, two.tif"):
        assert sheet.may_mean(name.encode())
    assert not sheet.may_mean(b"baryta/grebe.tif")
    assert read(b"x" * (LARGEST + 1)).may_mean(b"baryta/grebe.tif")


CELL = st.text(
    st.characters(codec="utf-8", exclude_characters="\0\r", exclude_categories=("Cs", "Cc")),
    max_size=20,
).map(str.strip)


@given(
    notes=st.lists(CELL, min_size=1, max_size=8),
    delimiter=st.sampled_from(",;\t"),
    encoding=st.sampled_from(["utf-8", "utf-8-sig", "utf-16"]),
    end=st.sampled_from(["\n", "\r\n"]),
    quoting=st.sampled_from([csv.QUOTE_MINIMAL, csv.QUOTE_ALL]),
)
def test_what_the_csv_module_writes_is_read_back(
    notes: list[str], delimiter: str, encoding: str, end: str, quoting: int
) -> None:
    """Any words, as Python's own writer of RFC 4180 puts them down."""
    text = io.StringIO(newline="")
    writer = csv.writer(text, delimiter=delimiter, lineterminator=end, quoting=quoting)
    writer.writerow(["file", "note", ""])
    writer.writerows([f"{number}.tif", note, ""] for number, note in enumerate(notes))
    sheet = read(text.getvalue().encode(encoding))
    assert sheet.mistakes == ()
    assert [(each.file, dict(each.layer.values).get("note", "")) for each in sheet.rows] == [
        (f"{number}.tif", harmless(note)) for number, note in enumerate(notes)
    ]


@pytest.mark.fault(22)
@given(st.binary(max_size=300) | st.text(max_size=300).map(str.encode))
def test_any_bytes_are_rows_or_mistakes(data: bytes) -> None:
    """Nothing that lies there as .csv stops the service; it is read, or told."""
    sheet = read(data)
    assert bool(sheet.rows) != bool(sheet.mistakes)


@given(st.text(max_size=60))
def test_any_size_is_read_as_the_request_reads_it(text: str) -> None:
    """A sheet takes a size exactly where a sidecar does."""
    out = io.StringIO(newline="")
    csv.writer(out, quoting=csv.QUOTE_ALL).writerows([["file", "size"], ["a.tif", text]])
    try:
        parse_size(text.strip())
        right = True
    except ValueError:
        right = not text.strip()
    if "\0" not in text:
        assert bool(read(out.getvalue().encode("utf-8", "replace")).rows) == right


# -- which file is meant ---------------------------------------------------------------------------


def found(paths: list[str], asked: Row, folder: str = "") -> list[str]:
    """The files that a row means among some."""
    files = Files(path.encode() for path in paths)
    return sorted(path.decode() for path in files.find(asked, folder.encode()))


@pytest.mark.parametrize(
    ("paths", "asked", "folder", "right"),
    [
        (["baryta/a.tif", "smooth-rag/a.tif"], row("baryta/a.tif"), "", ["baryta/a.tif"]),
        (["baryta/a.tif", "smooth-rag/a.tif"], row("a.tif", "baryta"), "", ["baryta/a.tif"]),
        (["baryta/a.tif", "smooth-rag/b.tif"], row("b.tif"), "", ["smooth-rag/b.tif"]),
        (["baryta/a.tif", "smooth-rag/a.tif"], row("a.tif"), "",
         ["baryta/a.tif", "smooth-rag/a.tif"]),
        (["baryta/x/a.tif"], row("x/a.tif", "baryta"), "", ["baryta/x/a.tif"]),
        (["baryta/x/y/a.tif"], row("a.tif"), "baryta", ["baryta/x/y/a.tif"]),
        (["baryta/a.tif", "baryta/x/a.tif"], row("a.tif"), "baryta", ["baryta/a.tif"]),
        (["baryta/x/a.tif", "baryta/y/a.tif"], row("a.tif"), "baryta",
         ["baryta/x/a.tif", "baryta/y/a.tif"]),
        (["baryta/x/a.tif"], row("a.tif"), "baryta/y", []),
        (["baryta/xy/a.tif"], row("a.tif"), "baryta/x", []),
        (["baryta/A.TIF"], row("a.tif"), "baryta", ["baryta/A.TIF"]),
        (["baryta/A.tif", "baryta/a.tif"], row("a.tif"), "baryta", ["baryta/a.tif"]),
        (["baryta/A.tif", "baryta/a.TIF"], row("a.tif"), "baryta",
         ["baryta/A.tif", "baryta/a.TIF"]),
        (["smooth-rag/a.tif"], row("a.tif", "baryta"), "", []),
    ],
)  # fmt: skip
def test_which_file_a_row_means(
    paths: list[str], asked: Row, folder: str, right: list[str]
) -> None:
    """A path from the sheet, else a name anywhere below; as written, else in whatever case."""
    assert found(paths, asked, folder) == right


def test_names_from_every_system_are_the_same() -> None:
    """A Mac writes é as two signs; a name that is no UTF-8 is left alone, and stops nothing."""
    mac = unicodedata.normalize("NFD", "baryta/héron.tif")
    assert found([mac], row(unicodedata.normalize("NFC", "héron.tif")), "baryta") == [mac]
    files = Files([b"baryta/h\xe9ron.tif", b"baryta/a.tif"])
    assert files.find(row("a.tif"), b"baryta") == (b"baryta/a.tif",)


def test_one_picture_for_several_surfaces_is_found_elsewhere() -> None:
    """Only where it is asked for, and not by chance."""
    files = Files([b"smooth-rag/a.tif"])
    assert files.find_anywhere(row("a.tif", "baryta")) == (b"smooth-rag/a.tif",)
    assert files.find_anywhere(row("b.tif", "baryta")) == ()


def test_a_file_of_much_the_same_name_is_named() -> None:
    """What was probably meant, and nothing where nothing is like it."""
    files = Files([b"baryta/herron.tif", b"baryta/coot.tif"])
    assert files.like("heron.tif") == "herron.tif"
    assert files.like("zebra.tif") == ""


def test_the_same_words_in_other_columns_or_spellings() -> None:
    """What is compared is what is meant."""
    one = Layer("a", (("size", "16x20in"), ("copies", "2")))
    assert same_words(one, Layer("b", (("copies", "02"), ("size", "16 x 20 in"))))
    assert not same_words(one, Layer("b", (("copies", "3"), ("size", "16x20in"))))
    assert not same_words(one, Layer("b", (("size", "16x20in"),)))


# -- what is said ----------------------------------------------------------------------------------


def said(**parts: object) -> SheetAnswer:
    """An answer about a sheet of 200 files."""
    from datetime import datetime

    at = datetime(2026, 3, 14, 18, 40)
    until = datetime(2026, 3, 16, 18, 40)
    return SheetAnswer("spring.csv", at, 200, 200, until, **parts)  # type: ignore[arg-type]


def test_an_answer_is_wrapped_and_says_what_to_do() -> None:
    """Every line fits; mistakes beyond what anybody reads are counted."""
    many = tuple(f"Row {number}: size: “16x20” has no unit." for number in range(2, 302))
    text = sheet_answer(said(mistakes=many, held_back=4))
    assert text.startswith("Order sheet spring.csv, read on 14 March 2026, 18:40\n\nNothing of")
    assert all(len(line) <= WIDTH for line in text.splitlines())
    assert text.count("has no unit") == MOST_LISTED
    assert text.endswith("  and 200 more like these.\n")
    sentence, then = waiting_words(said(mistakes=many, held_back=4))
    assert "4 pictures wait for it. Row 2: size" in sentence
    assert sentence.endswith("It has 299 more mistakes.")
    assert then == "Correct it and save it again; spring.csv.ANSWER.txt beside it says more."


def test_what_is_not_here_is_counted_and_named() -> None:
    """The first few in WAITING.txt, all of them in the answer."""
    names = tuple(f"{number}.tif" for number in range(7))
    rows = tuple(f"Row {number}: {name} is not here." for number, name in enumerate(names, 2))
    sentence, then = waiting_words(said(missing=names, open_rows=rows))
    assert sentence == (
        "7 of 200 files of this order sheet are not here yet: 0.tif, 1.tif, 2.tif, 3.tif, 4.tif "
        "and 2 more. It waits until 16 March 2026, 18:40."
    )
    assert then.startswith("Drop them, or correct the sheet;")
    text = sheet_answer(said(missing=names, open_rows=rows))
    assert all(name in text for name in names)
    assert not is_finished(text.encode())


def test_the_last_word_says_what_was_not_used() -> None:
    """It is known again by its beginning, and stays."""
    text = sheet_answer(said(open_rows=("Row 4: a.tif is not here.",), finished=True))
    assert is_finished(text.encode())
    assert "and 1 row of 200 was not followed." in " ".join(text.split())
    noted = sheet_answer(said(notes=("Job 000012 was taken in before.",), finished=True))
    assert is_finished(noted.encode())
    assert "Every row was followed." in noted
    assert "Job 000012" in noted
