"""What is asked of a file is collected from every place that may say it."""

import os
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from platemark import durable
from platemark.intake.layers import LONGEST_REQUEST, Gathered, gather
from platemark.model.request import resolve


@pytest.fixture
def hot(tmp_path: Path) -> Path:
    """A hot root with one surface folder."""
    (tmp_path / "smooth-rag").mkdir()
    return tmp_path


def put(hot: Path, relative: str, text: str | bytes) -> None:
    """Write a file and the folders above it."""
    path = hot / relative
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(text if isinstance(text, bytes) else text.encode())


def values(gathered: Gathered) -> list[tuple[str, str, tuple[tuple[str, str], ...]]]:
    """Kind, source and values of every layer, in order."""
    return [(layer.kind, layer.source, layer.values) for layer in gathered.layers]


def test_every_place_is_heard_in_its_order(hot: Path) -> None:
    """Defaults go from far to near; what is said of this file comes after them."""
    put(hot, "smooth-rag/request.toml", 'border = "1in"\ncopies = 2\n')
    put(hot, "smooth-rag/wedding/request.toml", 'border = "2in"\n')
    put(hot, "smooth-rag/wedding/16x20in/heron_qty3.tif.toml", 'title = "Heron"\n')
    relative = b"smooth-rag/wedding/16x20in/heron_qty3.tif"
    gathered = gather(hot, relative, (("sharpen", "surface"),))
    assert values(gathered) == [
        ("default", "folder “wedding”", (("order", "wedding"),)),
        ("default", "surface smooth-rag", (("sharpen", "surface"),)),
        ("default", "request.toml in smooth-rag", (("border", "1in"), ("copies", "2"))),
        ("default", "request.toml in smooth-rag/wedding", (("border", "2in"),)),
        ("statement", "sidecar “heron_qty3.tif.toml”", (("title", "Heron"),)),
        ("statement", "name “heron_qty3.tif”", (("copies", "3"),)),
        ("statement", "folder “16x20in”", (("size", "16x20in"),)),
    ]
    assert gathered.troubles == ()
    request = resolve(gathered.layers).request
    assert (str(request.border), request.copies, request.sharpen) == ("2in", 3, "surface")


def test_a_file_of_which_nothing_is_said(hot: Path) -> None:
    """Nothing is made up where nothing is said."""
    assert gather(hot, b"smooth-rag/heron.tif") == Gathered((), (), None, None)


def test_nested_folder_names_become_the_order(hot: Path) -> None:
    """Folders that are no size name the order together."""
    layer = gather(hot, b"smooth-rag/Alder/16x20in/album/heron.tif").layers[0]
    assert layer.values == (("order", "Alder / album"),)
    assert layer.source == "folder “Alder / album”"


@pytest.mark.parametrize("where", ["smooth-rag", "smooth-rag/wedding"])
def test_anything_else_outdoes_a_folder_name_as_order(hot: Path, where: str) -> None:
    """A folder's name is the order only when nothing else says it."""
    put(hot, f"{where}/request.toml", 'order = "Alder 12"')
    gathered = gather(hot, b"smooth-rag/wedding/heron.tif")
    assert resolve(gathered.layers).request.order == "Alder 12"


def test_a_size_folder_and_a_name_that_disagree(hot: Path) -> None:
    """Two statements about a size are kept apart, so that a person is asked."""
    gathered = gather(hot, b"smooth-rag/16x20in/reeds_12x16in.tif")
    (trouble,) = resolve(gathered.layers).troubles
    assert trouble.choices == ("size=12x16in", "size=16x20in")


def test_a_folder_without_a_unit_is_no_order(hot: Path) -> None:
    """`20x30` was meant as a size: it is told, with both units, and is nobody's order."""
    gathered = gather(hot, b"smooth-rag/Alder/20x30/heron.tif")
    assert [value for _, _, value in values(gathered)] == [(("order", "Alder"),)]
    (trouble,) = gathered.troubles
    assert trouble.sentence == "The folder “20x30” has no unit: call it 20x30in or 20x30cm."
    assert trouble.choices == ("size=20x30in", "size=20x30cm")


@pytest.mark.parametrize("name", ["heron_A3.tif", "heron_8x10.tif"])
def test_a_size_that_is_said_elsewhere_is_enough(hot: Path, name: str) -> None:
    """Numbers that look like a size trouble nobody where another place says the size."""
    put(hot, f"smooth-rag/{name}.toml", 'size = "A3"')
    assert gather(hot, f"smooth-rag/{name}".encode()).troubles == ()
    assert gather(hot, b"smooth-rag/16x20in/heron 8x10.tif").troubles == ()


def test_a_sidecar_beats_request_toml(hot: Path) -> None:
    """What is said of the file itself beats its folder, and nobody is asked."""
    put(hot, "smooth-rag/request.toml", 'size = "A4"')
    put(hot, "smooth-rag/heron.tif.toml", 'size = "A3"')
    resolved = resolve(gather(hot, b"smooth-rag/heron.tif").layers)
    assert str(resolved.request.size) == "A3"
    assert not resolved.troubles


def test_a_sidecar_is_the_whole_name_and_toml(hot: Path) -> None:
    """`heron.toml` is nobody's sidecar."""
    put(hot, "smooth-rag/heron.toml", 'size = "A3"')
    assert gather(hot, b"smooth-rag/heron.tif").layers == ()


def test_a_sidecar_is_known_by_path_and_identity(hot: Path) -> None:
    """Whoever moves the sidecar along can tell that it is the one that was read."""
    put(hot, "smooth-rag/heron.tif.toml", "copies = 2")
    gathered = gather(hot, b"smooth-rag/heron.tif")
    assert gathered.sidecar == b"smooth-rag/heron.tif.toml"
    assert gathered.sidecar_identity == durable.identity((hot / "smooth-rag/heron.tif.toml").stat())


@pytest.mark.parametrize(
    ("written", "text"),
    [
        ('note = "Please keep\\nthe border"', "Please keep\nthe border"),
        ("copies = 3", "3"),
        ("copies = 0x10", "16"),
        ("viewing = 1.50", "1.50"),
        ('border = ["1in", "1in", "2in", "1in"]', "1in 1in 2in 1in"),
        ('allow = ["size-ppi", "colour-untagged"]', "size-ppi colour-untagged"),
        ("crop_at = [0, 0.1, 1, 0.9]", "0 0.1 1 0.9"),
        ("due = 2026-12-24", "2026-12-24"),
        ("order = '''\nAlder'''", "Alder"),
    ],
)  # fmt: skip
def test_values_become_the_text_that_a_request_reads(hot: Path, written: str, text: str) -> None:
    """Every kind of TOML v1.0.0 value (toml.io) that a request can use is taken exactly."""
    put(hot, "smooth-rag/heron.tif.toml", written)
    gathered = gather(hot, b"smooth-rag/heron.tif")
    assert gathered.troubles == ()
    assert gathered.layers[0].values == ((written.split()[0], text),)


@pytest.mark.parametrize(
    "written",
    [
        "copies = true",
        "[copies]\nmany = 2",
        "copies = [[1], [2]]",
        "copies = 2026-12-24T10:00:00",
        "copies = 10:00:00",
        "copies = inf",
        "copies = nan",
        "copies = 1e999999999",
        "copies = 1e-999999999",
        "copies = 9999999999999999",
        "copies = [2, {a = 1}]",
    ],
)
def test_values_of_a_wrong_kind_are_named_with_their_line(hot: Path, written: str) -> None:
    """A kind that no request has is a trouble that names key, file and line; the rest counts."""
    put(hot, "smooth-rag/heron.tif.toml", f'size = "A3"\n\n{written}\n')
    gathered = gather(hot, b"smooth-rag/heron.tif")
    assert gathered.layers[0].values == (("size", "A3"),)
    (trouble,) = gathered.troubles
    assert (trouble.kind, trouble.key) == ("unreadable", "copies")
    assert trouble.sentence.startswith("Sidecar “heron.tif.toml”, line 3: “copies” is ")


@pytest.mark.parametrize(
    ("written", "line"),
    [
        ("size = 16x20in", "line 1"),
        ('size = "A3"\ntitle = "Heron\n', "line 2"),
        ("copies = 2\ncopies = 3", "line 2"),
        ("copies = 2\ncopies", "line 2"),
        ("copies = " + "9" * 5000, ""),
        ("a = " + "[" * 30_000, ""),
        ("a = [" + "{a=" * 20_000, ""),
    ],
)
def test_a_file_that_makes_no_sense_is_named_with_its_line(
    hot: Path, written: str, line: str
) -> None:
    """A mistake in writing is a trouble that names the file, and the line where it is known."""
    put(hot, "smooth-rag/heron.tif.toml", written)
    gathered = gather(hot, b"smooth-rag/heron.tif")
    assert gathered.layers == ()
    assert gathered.sidecar == b"smooth-rag/heron.tif.toml"
    (trouble,) = gathered.troubles
    assert trouble.kind == "unreadable"
    assert trouble.sentence.startswith("Sidecar “heron.tif.toml”")
    assert line in trouble.sentence


def test_a_mistake_in_request_toml_names_its_folder(hot: Path) -> None:
    """Each picture of a folder whose request.toml is broken is held, with the folder named."""
    put(hot, "smooth-rag/wedding/request.toml", "size == A3")
    (trouble,) = gather(hot, b"smooth-rag/wedding/heron.tif").troubles
    assert trouble.sentence.startswith("Request.toml in smooth-rag/wedding, line 1,")


def test_all_troubles_are_told_at_once(hot: Path) -> None:
    """One broken file does not hide another."""
    put(hot, "smooth-rag/request.toml", "nonsense")
    put(hot, "smooth-rag/heron.tif.toml", "copies = true\nsize = [[1]]")
    assert len(gather(hot, b"smooth-rag/heron.tif").troubles) == 3


def test_a_file_that_is_too_long_is_refused(hot: Path) -> None:
    """A request may have 64 KiB and not a byte more."""
    put(hot, "smooth-rag/heron.tif.toml", "#".ljust(LONGEST_REQUEST, "x"))
    assert gather(hot, b"smooth-rag/heron.tif").troubles == ()
    put(hot, "smooth-rag/heron.tif.toml", "#".ljust(LONGEST_REQUEST + 1, "x"))
    (trouble,) = gather(hot, b"smooth-rag/heron.tif").troubles
    assert "longer than 64 KiB" in trouble.sentence


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig"])
def test_text_of_common_editors_is_read(hot: Path, encoding: str) -> None:
    """UTF-8 with or without a mark in front, and with line ends of any system, is read."""
    put(hot, "smooth-rag/heron.tif.toml", 'title = "Hérisson"\r\ncopies = 2\r\n'.encode(encoding))
    assert gather(hot, b"smooth-rag/heron.tif").layers[0].values == (
        ("title", "Hérisson"),
        ("copies", "2"),
    )


@pytest.mark.parametrize("encoding", ["utf-16", "cp1252"])
def test_text_in_another_encoding_is_told(hot: Path, encoding: str) -> None:
    """TOML is UTF-8; anything else is not guessed at."""
    put(hot, "smooth-rag/heron.tif.toml", 'title = "Hérisson"'.encode(encoding))
    (trouble,) = gather(hot, b"smooth-rag/heron.tif").troubles
    assert "Save it as UTF-8" in trouble.sentence


def test_a_sidecar_that_is_a_link_is_not_followed(hot: Path, tmp_path: Path) -> None:
    """A link could name any file of the computer; it is a trouble, and nothing of it is read."""
    secret = tmp_path / "secret.toml"
    secret.write_text('note = "secret"')
    (hot / "smooth-rag/heron.tif.toml").symlink_to(secret)
    gathered = gather(hot, b"smooth-rag/heron.tif")
    assert gathered.layers == ()
    assert gathered.sidecar is None
    (trouble,) = gathered.troubles
    assert "secret" not in trouble.sentence


@pytest.mark.fault(21)
def test_a_sidecar_that_is_a_pipe_does_not_stop_us(hot: Path) -> None:
    """Nobody waits for what a pipe may say."""
    os.mkfifo(hot / "smooth-rag/heron.tif.toml")
    assert len(gather(hot, b"smooth-rag/heron.tif").troubles) == 1


def test_a_linked_folder_is_not_followed(hot: Path, tmp_path: Path) -> None:
    """A request.toml behind a linked folder does not count."""
    put(tmp_path, "elsewhere/request.toml", "copies = 9")
    (hot / "smooth-rag/wedding").symlink_to(tmp_path / "elsewhere")
    gathered = gather(hot, b"smooth-rag/wedding/heron.tif")
    assert "copies" not in [key for layer in gathered.layers for key, _ in layer.values]
    assert gathered.troubles == ()


def test_unknown_keys_are_kept_for_the_request_to_judge(hot: Path) -> None:
    """A misspelt key is not dropped on the way."""
    put(hot, "smooth-rag/heron.tif.toml", 'sizee = "A3"')
    (trouble,) = resolve(gather(hot, b"smooth-rag/heron.tif").layers).troubles
    assert (trouble.kind, trouble.key) == ("unknown-key", "sizee")


PARTS = st.binary(min_size=1, max_size=40).map(
    lambda name: name.replace(b"/", b"-").replace(b"\0", b"-")
).filter(lambda name: name not in (b".", b".."))  # fmt: skip


@pytest.mark.fault(22)
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=50)
@given(parts=st.lists(PARTS, min_size=1, max_size=4), data=st.binary(max_size=200))
def test_no_names_and_no_bytes_break_anything(hot: Path, parts: list[bytes], data: bytes) -> None:
    """Whatever folders are called and sidecars hold, the answer is layers and troubles."""
    put(hot, "smooth-rag/heron.tif.toml", data)
    assert isinstance(gather(hot, b"smooth-rag/heron.tif"), Gathered)
    gathered = gather(hot, b"/".join([b"smooth-rag", *parts]))
    resolve(gathered.layers)
    assert all(layer.source.isprintable() for layer in gathered.layers)
