import hashlib
import os
from pathlib import Path

import pytest

from platemark import durable
from platemark.model.errors import DiskFault


@pytest.fixture
def archive(tmp_path: Path) -> Path:
    """A folder that must never be emptied."""
    folder = tmp_path / "archive"
    folder.mkdir()
    (folder / "original.tif").write_text("the only one")
    return folder


def test_a_link_in_place_of_a_folder_is_removed_alone(archive: Path, tmp_path: Path) -> None:
    """Removing a tree whose own name is a link removes the link and nothing behind it."""
    (tmp_path / "private").symlink_to(archive)
    durable.remove_tree(tmp_path / "private")
    assert not (tmp_path / "private").is_symlink()
    assert (archive / "original.tif").read_text() == "the only one"


def test_links_below_are_not_followed(archive: Path, tmp_path: Path) -> None:
    """Links in a tree go with it; what they point at, a folder, a file or nothing, stays."""
    tree = tmp_path / "tree"
    (tree / "deep" / "deeper").mkdir(parents=True)
    (tree / "deep" / "ours").write_text("ours")
    (tree / "deep" / "folder").symlink_to(archive)
    (tree / "file").symlink_to(archive / "original.tif")
    (tree / "broken").symlink_to(tmp_path / "nothing")
    durable.remove_tree(tree)
    assert not tree.exists()
    assert (archive / "original.tif").read_text() == "the only one"


def test_removing_what_is_not_there_or_a_file(tmp_path: Path) -> None:
    """A tree that is not there needs nothing; a file of that name is removed."""
    durable.remove_tree(tmp_path / "nothing")
    (tmp_path / "file").write_text("x")
    durable.remove_tree(tmp_path / "file")
    assert list(tmp_path.iterdir()) == []


def test_only_a_file_is_handed_over(archive: Path, tmp_path: Path) -> None:
    """What a child left is given its place if it is a file, over a left-over one; a link is not."""
    made, place = tmp_path / "made", tmp_path / "place"
    made.write_text("new")
    place.write_text("old")
    durable.hand_over(made, place)
    assert (place.read_text(), made.exists()) == ("new", False)
    made.symlink_to(archive / "original.tif")
    with pytest.raises(DiskFault, match="is not a file"):
        durable.hand_over(made, place)
    assert place.read_text() == "new"


@pytest.mark.parametrize("length", [0, 1, (1 << 20) - 1, 1 << 20, (17 << 20) + 5])
def test_a_copy_is_read_back_whole(length: int, tmp_path: Path) -> None:
    """Both kinds of copy have the bytes, and say their hash, whatever the length."""
    source = tmp_path / "source"
    data = (hashlib.sha256(b"x").digest() * (length // 32 + 1))[:length]
    source.write_bytes(data)
    expected = hashlib.sha256(data).hexdigest()
    with source.open("rb") as file:
        copied = durable.copy_checked(file.fileno(), tmp_path / "checked")
    assert copied == durable.Copied(expected, length)
    assert durable.copy_out(source, tmp_path / "out") == expected
    assert (tmp_path / "checked").read_bytes() == (tmp_path / "out").read_bytes() == data


@pytest.mark.fault(17)
def test_a_file_that_changed_since_it_was_looked_at_is_not_copied(tmp_path: Path) -> None:
    """Cut to nothing between the look and the copy, and still all the while: it is another file."""
    source = tmp_path / "source"
    source.write_bytes(b"a picture")
    known = durable.identity(source.stat())
    with source.open("rb") as file:
        os.truncate(source, 0)
        with pytest.raises(durable.Changed):
            durable.copy_checked(file.fileno(), tmp_path / "copy", known)
    assert not (tmp_path / "copy").exists()


@pytest.mark.parametrize("at", [0, 2 << 20])
def test_a_disk_that_gives_back_other_bytes_is_found(
    at: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One bit that is wrong in the copy is found, early or late, and no copy is left."""
    source = tmp_path / "source"
    source.write_bytes(bytes(3 << 20))
    write = os.write

    def spoilt(descriptor: int, view: memoryview) -> int:
        if os.lseek(descriptor, 0, os.SEEK_CUR) == at:
            view = memoryview(b"\1" + bytes(view)[1:])
        return write(descriptor, view)

    monkeypatch.setattr(durable.os, "write", spoilt)
    with source.open("rb") as file, pytest.raises(DiskFault, match="other bytes"):
        durable.copy_checked(file.fileno(), tmp_path / "copy")
    assert not (tmp_path / "copy").exists()
