"""Our parcels against RFC 8493 and an independent reader of it, the `bagit` package."""

from __future__ import annotations

import json
import re
import warnings
from dataclasses import replace
from pathlib import Path

import pytest

from made_tickets import made_items, made_parcel, sha256
from platemark.model.errors import DiskFault
from platemark.model.ticket import ParcelItem, ParcelTicket
from platemark.parcel.bag import TAG_MANIFEST, BuiltParcel, build_parcel, verify_parcel

with warnings.catch_warnings():
    # It asks for its own version through an interface of setuptools that is on its way out.
    warnings.simplefilter("ignore")
    import bagit

TWO = {123: b"a" * 100, 124: b"b" * 250}


def built(tmp_path: Path, contents: dict[int, bytes] | None = None) -> tuple[Path, BuiltParcel]:
    items = made_items(tmp_path, contents or TWO)
    folder = tmp_path / "parcel"
    return folder, build_parcel(folder, made_parcel(*(item.ticket for item in items)), items)


def complaint_of(folder: Path) -> str:
    """What the independent reader says is wrong; empty where it is content."""
    try:
        bagit.Bag(str(folder)).validate()
    except bagit.BagError as error:
        return str(error)
    return ""


def rewrite_tag_manifest(folder: Path) -> None:
    lines = (folder / TAG_MANIFEST).read_text().splitlines()
    names = [line.split("  ", 1)[1] for line in lines]
    fresh = [f"{sha256((folder / name).read_bytes())}  {name}\n" for name in names]
    (folder / TAG_MANIFEST).write_text("".join(fresh))


def test_independent_reader_accepts_it(tmp_path: Path) -> None:
    """The `bagit` package finds our bag complete and every hash right; so do we."""
    folder, parcel = built(tmp_path)
    assert complaint_of(folder) == ""
    bag = bagit.Bag(str(folder))
    assert bag.version_info == (1, 0)
    assert bag.algorithms == ["sha256"]
    assert bag.info["External-Identifier"] == "brindlewick-000017"
    assert bag.info["Bagging-Date"] == "2026-03-14"
    assert sorted(bag.payload_files()) == ["data/000123_heron.tif", "data/000124_heron.tif"]
    assert verify_parcel(folder, parcel.tagmanifest_sha256) == ()


def test_payload_oxum(tmp_path: Path) -> None:
    """Two files of 100 and 250 bytes are 350.2 (octets, a full stop, files: RFC 8493, 2.2.2)."""
    folder, _ = built(tmp_path)
    assert bagit.Bag(str(folder)).info["Payload-Oxum"] == "350.2"


def test_declaration_is_exact(tmp_path: Path) -> None:
    """`bagit.txt` is the two lines of RFC 8493, 2.1.1, in UTF-8 without a byte order mark."""
    folder, _ = built(tmp_path)
    assert (folder / "bagit.txt").read_bytes() == (
        b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
    )


def test_every_tag_file_is_listed(tmp_path: Path) -> None:
    """The tag manifest lists all that is beside `data/` but itself, so nothing is edited unseen."""
    folder, _ = built(tmp_path)
    listed = {line.split("  ", 1)[1] for line in (folder / TAG_MANIFEST).read_text().splitlines()}
    files = {path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file()}
    assert listed == {name for name in files if not name.startswith("data/")} - {TAG_MANIFEST}
    assert {"ticket.json", "ticket.html", "changes.txt"} <= listed
    assert {f"screen-previews/{job:06d}_screen-preview.jpg" for job in TWO} <= listed


def test_preview_is_what_its_ticket_says(tmp_path: Path) -> None:
    """It is beside the payload under the ticket's path and hash; a damaged one is not sent."""
    folder, _ = built(tmp_path)
    for ticket in json.loads((folder / "ticket.json").read_bytes())["tickets"]:
        assert sha256((folder / ticket["proof"]["path"]).read_bytes()) == ticket["proof"]["sha256"]
    other = tmp_path / "other"
    other.mkdir()
    items = made_items(other, TWO)
    Path(items[1].proof).write_bytes(b"\xff\xd8 damaged")
    with pytest.raises(DiskFault, match="preview of job 124"):
        build_parcel(other / "parcel", made_parcel(*(item.ticket for item in items)), items)
    without = tuple(
        replace(item, ticket=replace(item.ticket, proof=None), proof="") for item in items
    )
    build_parcel(tmp_path / "plain", made_parcel(*(item.ticket for item in without)), without)
    assert not (tmp_path / "plain" / "screen-previews").exists()


def test_length_of_the_whole(tmp_path: Path) -> None:
    """The parcel's length is that of all its files together."""
    folder, parcel = built(tmp_path)
    assert parcel.bytes == sum(p.stat().st_size for p in folder.rglob("*") if p.is_file())


def test_label_names_no_person(tmp_path: Path) -> None:
    """The bag's label has nothing of the studio's name; people and clients are not on it."""
    folder, _ = built(tmp_path)
    text = (folder / "bag-info.txt").read_text()
    assert "Larkfield" not in text
    assert "Heron" not in text
    assert {line.partition(":")[0] for line in text.splitlines()} == {
        "Bag-Software-Agent", "Bagging-Date", "External-Identifier", "Payload-Oxum",
    }  # fmt: skip


def test_edited_ticket_is_found(tmp_path: Path) -> None:
    """One changed figure in `ticket.json` is found by the independent reader and by us."""
    folder, _ = built(tmp_path)
    ticket = folder / "ticket.json"
    ticket.write_bytes(ticket.read_bytes().replace(b'"copies": 2', b'"copies": 9', 1))
    assert "ticket.json" in complaint_of(folder)
    assert any("ticket.json" in wrong for wrong in verify_parcel(folder))


def test_ticket_edited_with_its_list_is_found_by_the_record(tmp_path: Path) -> None:
    """Who rewrites the tag manifest too deceives every reader but the record's hash."""
    folder, parcel = built(tmp_path)
    ticket = folder / "ticket.json"
    ticket.write_bytes(ticket.read_bytes().replace(b'"copies": 2', b'"copies": 9', 1))
    rewrite_tag_manifest(folder)
    assert complaint_of(folder) == ""
    assert verify_parcel(folder) == ()
    assert verify_parcel(folder, parcel.tagmanifest_sha256) == (
        "tagmanifest-sha256.txt is not the one that was sent.",
    )


def test_ticket_that_names_another_file_is_found(tmp_path: Path) -> None:
    """A ticket whose print file has another hash than the list is found, though both hash well."""
    folder, _ = built(tmp_path)
    ticket = folder / "ticket.json"
    data = json.loads(ticket.read_bytes())
    data["tickets"][0]["print_file"]["sha256"] = "0" * 64
    ticket.write_text(json.dumps(data))
    rewrite_tag_manifest(folder)
    assert any("do not name the same files" in wrong for wrong in verify_parcel(folder))


@pytest.mark.parametrize("change", ["flip", "cut", "remove", "add"])
def test_changed_payload_is_found(tmp_path: Path, change: str) -> None:
    """A print file that is altered, shortened, gone or added is found by both."""
    folder, _ = built(tmp_path)
    file = folder / "data" / "000123_heron.tif"
    if change == "flip":
        file.write_bytes(b"c" + file.read_bytes()[1:])
    elif change == "cut":
        file.write_bytes(file.read_bytes()[:-1])
    elif change == "remove":
        file.unlink()
    else:
        (folder / "data" / "000125_heron.tif").write_bytes(b"?")
    assert complaint_of(folder) != ""
    assert verify_parcel(folder) != ()


@pytest.mark.parametrize("name", ["data/000125_heron.tif", "ticket-2.json"])
def test_file_on_no_list_is_named(tmp_path: Path, name: str) -> None:
    """A file that was put into the parcel later is named, among the print files and beside them."""
    folder, _ = built(tmp_path)
    (folder / name).write_bytes(b"?")
    assert f"{name} is in the parcel but on none of its lists." in verify_parcel(folder)


def test_wrong_oxum_is_found(tmp_path: Path) -> None:
    """A Payload-Oxum that does not count what is there is found, as the independent reader does."""
    folder, _ = built(tmp_path)
    info = folder / "bag-info.txt"
    info.write_text(info.read_text().replace("350.2", "350.3"))
    rewrite_tag_manifest(folder)
    assert "Oxum" in complaint_of(folder)
    assert len(verify_parcel(folder)) == 1


def test_missing_parts_are_found(tmp_path: Path) -> None:
    """Without any one of its tag files a parcel is not whole."""
    folder, _ = built(tmp_path)
    for path in sorted(p for p in folder.iterdir() if p.is_file()):
        data = path.read_bytes()
        path.unlink()
        assert any(path.name in wrong for wrong in verify_parcel(folder)), path.name
        path.write_bytes(data)
    assert verify_parcel(folder) == ()
    assert verify_parcel(folder / "data") != ()
    assert verify_parcel(folder / "nothing") != ()


def test_a_list_never_leads_outside(tmp_path: Path) -> None:
    """A manifest line that climbs out of the parcel is refused, not followed."""
    folder, _ = built(tmp_path)
    outside = tmp_path / "outside.tif"
    outside.write_bytes(b"x")
    manifest = folder / "manifest-sha256.txt"
    for name in ("data/../../outside.tif", str(outside), "data\\..\\outside.tif", "."):
        manifest.write_text(manifest.read_text() + f"{sha256(b'x')}  {name}\n")
        rewrite_tag_manifest(folder)
        assert any("cannot be read" in wrong for wrong in verify_parcel(folder))


def test_links_are_not_followed(tmp_path: Path) -> None:
    """A link in place of a print file is found, though what it leads to has the right hash."""
    folder, _ = built(tmp_path)
    file = folder / "data" / "000123_heron.tif"
    file.rename(tmp_path / "elsewhere.tif")
    file.symlink_to(tmp_path / "elsewhere.tif")
    assert any("link" in wrong for wrong in verify_parcel(folder))


def test_what_a_desktop_leaves_is_passed_over(tmp_path: Path) -> None:
    """A look at the folder from a desktop leaves files that say nothing of the parcel."""
    folder, _ = built(tmp_path)
    for name in (".DS_Store", "Thumbs.db", "data/._000123_heron.tif"):
        (folder / name).write_bytes(b"litter")
    assert verify_parcel(folder) == ()


def test_print_files_are_copies(tmp_path: Path) -> None:
    """A parcel shares no file with the archive: a lab that edits its copy changes nothing else."""
    items = made_items(tmp_path, TWO)
    folder = tmp_path / "parcel"
    build_parcel(folder, made_parcel(*(item.ticket for item in items)), items)
    for item in items:
        original, copy = Path(item.print_file), folder / item.ticket.print_file.path
        assert not original.samefile(copy)
        assert copy.stat().st_nlink == 1
        assert copy.read_bytes() == original.read_bytes()


def test_same_parcel_has_the_same_bytes(tmp_path: Path) -> None:
    """Built twice from the same tickets, a parcel is the same to the byte."""
    (tmp_path / "again").mkdir()
    _, one = built(tmp_path)
    _, other = built(tmp_path / "again")
    assert one == other


def test_damaged_archive_is_not_sent(tmp_path: Path) -> None:
    """A print file that is no longer what its ticket says stops the parcel, and is named."""
    items = made_items(tmp_path, TWO)
    Path(items[1].print_file).write_bytes(b"b" * 249 + b"x")
    with pytest.raises(DiskFault, match="archived print file of job 124"):
        build_parcel(tmp_path / "parcel", made_parcel(*(i.ticket for i in items)), items)


def test_missing_print_file_is_a_fault_of_the_world(tmp_path: Path) -> None:
    """A print file or a drawing that is gone is said as a fault with a hint."""
    for gone in ("print_file", "drawing"):
        folder = tmp_path / gone
        folder.mkdir()
        items = made_items(folder, TWO)
        Path(getattr(items[0], gone)).unlink()
        with pytest.raises(DiskFault) as caught:
            build_parcel(folder / "parcel", made_parcel(*(i.ticket for i in items)), items)
        assert caught.value.hint


def _refused(tmp_path: Path, parcel: ParcelTicket, items: tuple[ParcelItem, ...]) -> bool:
    try:
        build_parcel(tmp_path / "parcel", parcel, items)
    except (ValueError, FileExistsError):
        return not (tmp_path / "parcel").exists()
    return False


def test_contradictions_are_refused_before_anything_is_written(tmp_path: Path) -> None:
    """Other jobs than the ticket's, no job, two equal names or a name elsewhere write nothing."""
    items = made_items(tmp_path, TWO)
    one, two = (item.ticket for item in items)
    assert _refused(tmp_path, made_parcel(one), items)
    assert _refused(tmp_path, made_parcel(two, one), items)
    for path in ("data/../x.tif", "x.tif", "data/.x.tif", "/data/x.tif", "data/000124_HERON.tif"):
        moved = _at(items[0], path)
        assert _refused(tmp_path, made_parcel(moved.ticket, two), (moved, items[1])), path


def _at(item: ParcelItem, path: str) -> ParcelItem:
    ticket = item.ticket
    return replace(item, ticket=replace(ticket, print_file=replace(ticket.print_file, path=path)))


def test_a_folder_that_is_there_is_left_alone(tmp_path: Path) -> None:
    """Nothing is mixed into a folder that somebody else made."""
    items = made_items(tmp_path, TWO)
    folder = tmp_path / "parcel"
    folder.mkdir()
    with pytest.raises(FileExistsError):
        build_parcel(folder, made_parcel(*(i.ticket for i in items)), items)
    assert list(folder.iterdir()) == []


def test_manifest_lines_have_the_form_of_the_standard(tmp_path: Path) -> None:
    """Each line is a hash, white space and a path with forward slashes (RFC 8493, 2.1.3)."""
    folder, _ = built(tmp_path)
    for name in ("manifest-sha256.txt", TAG_MANIFEST):
        data = (folder / name).read_bytes()
        assert data.endswith(b"\n")
        for line in data.decode("ascii").splitlines():
            assert re.fullmatch(r"[0-9a-f]{64}  [A-Za-z0-9._/-]+", line)
