"""Sidecars, order sheets, answers and decisions that nobody would write by mistake."""

import csv
import io
import json
import string
import tempfile
import unicodedata
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from made_tickets import FEW_PIXELS, PROPORTION, made_notice
from platemark.engine import decide, decision_kinds
from platemark.intake.answers import answer_sheet, answer_text, read_answer, with_refusal
from platemark.intake.layers import gather
from platemark.intake.names import title_of, words_of
from platemark.intake.order_sheet import Files, OrderSheet, read_sheet
from platemark.intake.scan import SIDECAR
from platemark.intake.waiting import waiting_text
from platemark.model.decision import HANDED_IN
from platemark.model.job import shown_name
from platemark.model.notice import Answer, WaitingLine
from platemark.model.request import READERS, resolve

NOW = datetime(2026, 3, 14, tzinfo=UTC)
NOTICE = made_notice(PROPORTION, FEW_PIXELS)
BIDI = "\u202e\u2066\u200f\u061c\u200b\ufeff"
WINDOWS = ["CON", "nul.tif", "COM1.jpg", "LPT9", "aux.", "a ", "heron.tif:stream", "C:\\x.tif"]
SIGNS = st.text(alphabet=string.printable + BIDI + "\0\x1b\x07\x9b\u2028éÅ=+-@\t", max_size=30)
FORMULAS = st.sampled_from(["=1+1", "+cmd|' /C calc'!A0", "-2+3", "@SUM(A1)", "\t=1", "\r=1"])
LEAF = (
    SIGNS | FORMULAS | st.integers() | st.integers(10**18, 10**40) | st.floats() | st.booleans()
    | st.datetimes() | st.sampled_from(["16x20in", "A3", "2", "crop", "mirror", "2026-12-24"])
)  # fmt: skip
KEYS = st.sampled_from([*READERS, "sizee", "", "a.b", '"', "file", "__class__"]) | SIGNS
ODD_NAMES = (
    *WINDOWS, "..", ".", "...tif", "-rf", "=1+1.tif", "\u202egpj.exe", "e\u0301.jpg", "\u00e9.jpg",
    "HERON.TIF", "a\nb.tif", "\x1b[2J.tif",
)  # fmt: skip
NAMES = st.binary(min_size=1, max_size=251).map(
    lambda name: name.replace(b"/", b"\\").replace(b"\0", b"\n")
) | st.sampled_from([name.encode() for name in ODD_NAMES])


def toml_of(key: str, value: object) -> str:
    """A line of TOML: what a value's own Python form is near enough to, right or wrong."""
    if isinstance(value, str):
        return f"{json.dumps(key)} = {json.dumps(value)}"
    if isinstance(value, bool):
        return f"{key} = {str(value).lower()}"
    if isinstance(value, datetime):
        return f"{key} = {value.isoformat()}"
    return f"{key} = {value}"


def is_safe(text: str) -> bool:
    """Whether a text has nothing that a terminal obeys or that turns or hides others."""
    return not any(
        unicodedata.category(letter) in ("Cc", "Cf", "Cs", "Zl", "Zp") and letter not in "\n\t\xad"
        for letter in text
    )


def of_sidecar(data: bytes) -> None:
    """Read a sidecar; what comes is layers and troubles that may be shown."""
    with tempfile.TemporaryDirectory() as folder:
        hot = Path(folder)
        (hot / "smooth-rag").mkdir()
        (hot / "smooth-rag/heron.tif.toml").write_bytes(data)
        gathered = gather(hot, b"smooth-rag/heron.tif")
    resolved = resolve(gathered.layers)
    for trouble in (*gathered.troubles, *resolved.troubles):
        assert is_safe(trouble.sentence), trouble


@pytest.mark.fault(22)
@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(KEYS, LEAF), max_size=6), st.sampled_from(["utf-8", "utf-16", "latin-1"]))
@example([("size", 10**400)], "utf-8")
@example([("size", "A3"), ("size", "A4")], "utf-8")
def test_any_sidecar_is_heard_or_told(lines: list[tuple[str, object]], encoding: str) -> None:
    """Keys twice, wrong types, huge numbers, any encoding: troubles in words, never an error."""
    text = "\n".join(toml_of(key, value) for key, value in lines)
    of_sidecar(text.encode(encoding, "replace"))


@pytest.mark.fault(22)
@pytest.mark.parametrize(
    "data",
    [
        b"size = " + b"[" * 30_000,
        b"a" + b".a" * 20_000 + b" = 1",
        b"size = {" + b"a = {" * 5000,
        b"\n".join(b"[[t]]" for _ in range(9000)),
        b"copies = 1" + b"0" * 60_000,
        b"copies = 0x" + b"f" * 60_000,
        b"copies = 1e" + b"9" * 20_000,
        b'title = """' + b"x" * 60_000,
        b'"' + b"k" * 60_000 + b'" = 1',
        b"\xef\xbb\xbfsize = \"A3\"\0",
        b"\xff\xfe" + 'size = "A3"'.encode("utf-16-le"),
        b"size = 'A3'\r\r\nsize = 'A3'",
        b'x = "\\uD800"',
        b"#" * 10_000_000,
        bytes(10_000_000),
    ],
)  # fmt: skip
def test_a_sidecar_made_to_break_its_reader(data: bytes) -> None:
    """Depth, digits, length, half signs and ten megabytes cost no more than a trouble."""
    of_sidecar(data)


@pytest.mark.fault(22, 23)
@settings(max_examples=150, deadline=None)
@given(NAMES)
def test_any_name_is_only_words(name: bytes) -> None:
    """From any bytes comes a title and statements that may be shown, and nothing else."""
    assert is_safe(title_of(name))
    assert is_safe(shown_name(name))
    for layer in words_of(name):
        assert is_safe(layer.source)
    line = WaitingLine(1, shown_name(name), "hot", "It waits.", "Look at it.")
    text = waiting_text([line], NOW)
    assert len(text.splitlines()) == 3
    assert is_safe(text.replace("\n", ""))


CELLS = SIGNS | FORMULAS | st.sampled_from(["heron.tif", "../../etc/passwd", "C:\\a.tif", "/a.tif"])


@pytest.mark.fault(22)
@settings(max_examples=80, deadline=None)
@given(
    st.lists(st.lists(CELLS, max_size=5), max_size=6), st.sampled_from(",;\t"),
    st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "cp1252"]), st.booleans(),
)  # fmt: skip
def test_any_order_sheet_is_rows_or_mistakes(
    rows: list[list[str]], delimiter: str, encoding: str, headed: bool
) -> None:
    """Formulas, ways out of the folder, quotes, any signs: rows, or mistakes in words."""
    out = io.StringIO(newline="")
    writer = csv.writer(out, delimiter=delimiter)
    if headed:
        writer.writerow(["file", "size", "note", "copies"])
    writer.writerows(rows)
    sheet = of_sheet(out.getvalue().encode(encoding, "replace"))
    for row in sheet.rows:
        assert ".." not in row.file.split("/")
        assert not row.file.startswith("/")
        # A row is a name to be compared with those that are there, never a way to be opened.
        Files([b"smooth-rag/heron.tif"]).find(row, b"smooth-rag")


def of_sheet(data: bytes) -> OrderSheet:
    """Read an order sheet; what is wrong with it may be shown."""
    sheet = read_sheet(
        "spring.csv", data, folder_surface="smooth-rag", surfaces=("smooth-rag",), labs=("a",),
        most_rows=2000,
    )  # fmt: skip
    assert bool(sheet.rows) != bool(sheet.mistakes)
    assert all(is_safe(mistake) for mistake in sheet.mistakes), sheet.mistakes
    sheet.may_mean(b"smooth-rag/heron.tif")
    return sheet


@pytest.mark.fault(22)
@pytest.mark.parametrize(
    "data",
    [
        b"file,size\n" + b"x" * 1_000_000 + b",A3\n",
        b'file,size\n"' + b"x\n" * 400_000,
        b"file" + b"," * 500_000 + b"\n",
        b"file,size\n" + b"a.tif,A3\n" * 150_000,
        b"file,size\n" + b'"' * 1_999_000,
        b"file,size\na.tif,A3\0\n",
        b"\xff\xfe" + b"\0" * 1001,
        b"\xff\xfef\0i\0l\0e\0\xd8",
        b"file,size\r\na.tif,A3\x85b.tif,A4",
        b"x" * 3_000_000,
    ],
)
def test_an_order_sheet_made_to_break_its_reader(data: bytes) -> None:
    """Cells of a megabyte, quotes without end, columns and rows without number."""
    assert of_sheet(data).rows == ()


@pytest.mark.fault(22)
@settings(max_examples=80, deadline=None)
@given(st.integers(0, 2000), st.binary(max_size=30), st.integers(0, 40))
def test_a_spoilt_answer_decides_nothing_by_chance(place: int, put: bytes, gone: int) -> None:
    """Bytes into the sheet that we wrote: nothing, or a sentence, or what somebody ticked."""
    data = answer_sheet(NOTICE).encode()
    spoilt = data[:place] + put + data[place + gone :]
    answer = read_answer(answer_text(spoilt), NOTICE)
    assert not isinstance(answer, Answer)
    assert answer is None or is_safe(answer.replace("\n", " "))
    with_refusal(spoilt, answer or "no")


DECISION = {
    "id": "d1", "kind": "decide", "job": 1, "seq": 2, "accept": [], "settings": [],
    "withdraw": True, "by": "Mira", "because": "a mistake",
}  # fmt: skip
JSON = st.recursive(
    SIGNS | st.integers() | st.floats() | st.booleans() | st.none(),
    lambda below: st.lists(below, max_size=3) | st.dictionaries(SIGNS, below, max_size=3),
    max_leaves=6,
)


@pytest.mark.fault(22)
@settings(max_examples=80, deadline=None)
@given(st.dictionaries(st.sampled_from([*DECISION]), JSON, max_size=4) | JSON)
def test_any_decision_file_is_one_or_none(said: object) -> None:
    """Wrong types, half signs, numbers beyond any: it is a decision, or it is put aside."""
    told = {**DECISION, **said} if isinstance(said, dict) else said
    of_decision(json.dumps(told).encode())


@pytest.mark.fault(22)
@pytest.mark.parametrize(
    "data",
    [
        b"[" * 100_000, b'{"a":' * 50_000, b"9" * 60_000, b"", b"\0" * 100, b"\xff\xfe{\0}\0",
        b'{"id": "../../x", "kind": "decide"}', b'"\\ud800"', b"NaN", b"x" * 10_000_000,
        json.dumps({**DECISION, "id": "../../../etc/passwd"}).encode(),
        json.dumps({**DECISION, "job": 10**30}).encode(),
        json.dumps({**DECISION, "by": "\ud800"}).encode(),
    ],
)  # fmt: skip
def test_a_decision_made_to_break_its_reader(data: bytes) -> None:
    """Depth, digits, ways out of the folder: none of them is a decision."""
    assert of_decision(data) is None


def of_decision(data: bytes) -> object:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "d.json"
        path.write_bytes(data)
        return decide._read(path)


def test_a_sidecar_of_a_name_too_long_is_none(tmp_path: Path) -> None:
    """Beside a picture whose name has no room for more there is no sidecar, and no error."""
    (tmp_path / "smooth-rag").mkdir()
    name = b"n" * (255 - len(SIDECAR) + 1)
    assert gather(tmp_path, b"smooth-rag/" + name).sidecar is None


def test_what_is_handed_in_beside_a_decision_has_an_ending_that_is_known() -> None:
    """So that a file whose decision never came is let go in the end."""
    endings = {kind.beside for kind in decision_kinds.KINDS.values()} - {""}
    assert endings == set(HANDED_IN)
