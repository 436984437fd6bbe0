import errno
import os
import shutil
from pathlib import Path

import pytest

from platemark import durable
from platemark.delivery.folder import COURIER
from platemark.model.errors import DeliveryFault
from platemark.model.lab import DeliveryMeans

MEANS = DeliveryMeans("folder", "at-the-lab")
ID = "0123456789abcdef0123456789abcdef"


@pytest.fixture
def root(tmp_path: Path) -> Path:
    """A studio with one parcel and a lab's folder."""
    (tmp_path / "at-the-lab").mkdir()
    data = tmp_path / "outgoing/lab-000001/data"
    data.mkdir(parents=True)
    (data / "print.tif").write_bytes(b"a print")
    (data.parent / "ticket.json").write_text("{}")
    return tmp_path


@pytest.fixture
def parcel(root: Path) -> Path:
    return root / "outgoing/lab-000001"


def names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def test_a_parcel_arrives_and_nothing_of_ours_stays(root: Path, parcel: Path) -> None:
    """After the reveal the lab's folder holds the parcel, whole, and no private name.

    Asked once more, the answer is the same. The mark goes when the arrival is on record.
    """
    COURIER.upload(parcel, MEANS, root, ID)
    assert names(root / "at-the-lab") == [f".platemark-{ID}", f".up-{ID}"]
    for _ in range(2):
        assert COURIER.reveal(parcel, MEANS, root, ID) == "delivered"
        assert names(root / "at-the-lab") == [f".platemark-{ID}", "lab-000001"]
    for _ in range(2):
        COURIER.forget(parcel, MEANS, root, ID)
        assert names(root / "at-the-lab") == ["lab-000001"]
    assert (root / "at-the-lab/lab-000001/data/print.tif").read_bytes() == b"a print"


@pytest.mark.parametrize("step", ["upload", "reveal"])
def test_a_link_under_the_private_name_is_refused(root: Path, parcel: Path, step: str) -> None:
    """A link that somebody put under our private name is neither followed nor removed."""
    archive = root / "archive"
    archive.mkdir()
    (archive / "original.tif").write_text("the only one")
    (root / f"at-the-lab/.up-{ID}").symlink_to("../archive")
    with pytest.raises(DeliveryFault, match="a link or a file"):
        getattr(COURIER, step)(parcel, MEANS, root, ID)
    assert names(archive) == ["original.tif"]
    assert names(root / "at-the-lab") == [f".up-{ID}"]


def test_a_lab_that_took_it_is_inferred(root: Path, parcel: Path) -> None:
    """The copy was revealed and taken before it was recorded: our mark proves that it was here."""
    COURIER.upload(parcel, MEANS, root, ID)
    assert COURIER.reveal(parcel, MEANS, root, ID) == "delivered"
    (root / "at-the-lab/lab-000001").rename(root / "taken by the lab")
    for _ in range(2):
        assert COURIER.reveal(parcel, MEANS, root, ID) == "inferred"
    COURIER.forget(parcel, MEANS, root, ID)
    assert names(root / "at-the-lab") == []


def test_a_copy_that_went_before_it_had_its_name_was_taken_by_nobody(
    root: Path, parcel: Path
) -> None:
    """Whatever clears a lab's folder of hidden names must not make a delivery that never was."""
    COURIER.upload(parcel, MEANS, root, ID)
    shutil.rmtree(root / f"at-the-lab/.up-{ID}")
    for _ in range(2):
        assert COURIER.reveal(parcel, MEANS, root, ID) == "gone"
    COURIER.upload(parcel, MEANS, root, ID)
    assert COURIER.reveal(parcel, MEANS, root, ID) == "delivered"
    shutil.rmtree(root / "at-the-lab/lab-000001")
    assert COURIER.reveal(parcel, MEANS, root, ID) == "inferred"


@pytest.mark.parametrize("step", ["upload", "reveal", "forget"])
@pytest.mark.parametrize("kind", ["folder", "link"])
def test_a_mark_that_is_no_file_is_refused(root: Path, parcel: Path, step: str, kind: str) -> None:
    """It could not be taken away after the parcel has its name: the lab would be asked for ever."""
    mark = root / f"at-the-lab/.platemark-{ID}"
    if step != "upload":
        COURIER.upload(parcel, MEANS, root, ID)
        mark.unlink()
    mark.mkdir() if kind == "folder" else mark.symlink_to(parcel)
    with pytest.raises(DeliveryFault, match="a link or a folder"):
        getattr(COURIER, step)(parcel, MEANS, root, ID)
    assert not (root / "at-the-lab/lab-000001").exists()
    mark.rmdir() if kind == "folder" else mark.unlink()
    COURIER.upload(parcel, MEANS, root, ID)
    assert COURIER.reveal(parcel, MEANS, root, ID) == "delivered"


def test_what_the_lab_has_under_that_name_may_have_no_end(root: Path, parcel: Path) -> None:
    """Another thing of the parcel's name is told by its names and lengths, and not read through."""
    COURIER.upload(parcel, MEANS, root, ID)
    shutil.rmtree(root / f"at-the-lab/.up-{ID}")
    other = root / "at-the-lab/lab-000001"
    (other / "data").mkdir(parents=True)
    (other / "ticket.json").write_text("{}")
    (other / "data/print.tif").touch()
    os.truncate(other / "data/print.tif", 1 << 43)
    assert COURIER.reveal(parcel, MEANS, root, ID) == "conflict"
    (other / "data/print.tif").unlink()
    (other / "data/print.tif").symlink_to(parcel / "data/print.tif")
    assert COURIER.reveal(parcel, MEANS, root, ID) == "conflict"


def test_an_empty_mount_point_infers_nothing(root: Path, parcel: Path) -> None:
    """A share that went away after the upload leaves an empty folder: that is no delivery.

    Connected again, the parcel is revealed.
    """
    lab, share = root / "at-the-lab", root / "share"
    COURIER.upload(parcel, MEANS, root, ID)
    lab.rename(share)
    lab.mkdir()
    with pytest.raises(DeliveryFault, match="not the one that lab-000001 was copied to"):
        COURIER.reveal(parcel, MEANS, root, ID)
    assert (names(lab), names(share)) == ([], [f".platemark-{ID}", f".up-{ID}"])
    lab.rmdir()
    share.rename(lab)
    assert COURIER.reveal(parcel, MEANS, root, ID) == "delivered"
    assert names(lab) == [f".platemark-{ID}", "lab-000001"]


def test_a_person_can_say_that_the_lab_has_it(root: Path, parcel: Path) -> None:
    """Where mark and parcel are gone, an empty file of the name that the fault names settles it."""
    with pytest.raises(DeliveryFault) as fault:
        COURIER.reveal(parcel, MEANS, root, ID)
    assert f".platemark-{ID}" in fault.value.hint
    (root / f"at-the-lab/.platemark-{ID}").touch()
    assert COURIER.reveal(parcel, MEANS, root, ID) == "inferred"


def test_another_thing_of_that_name_is_a_conflict(root: Path, parcel: Path) -> None:
    """Neither before nor after the reveal is another thing taken for the parcel, nor touched."""
    COURIER.upload(parcel, MEANS, root, ID)
    other = root / "at-the-lab/lab-000001"
    other.mkdir()
    assert COURIER.reveal(parcel, MEANS, root, ID) == "conflict"
    (root / f"at-the-lab/.up-{ID}").rename(root / "away")
    assert COURIER.reveal(parcel, MEANS, root, ID) == "conflict"
    assert names(other) == []


def test_a_folder_that_is_gone_is_a_fault_of_the_lab(root: Path, parcel: Path) -> None:
    """Without the lab's folder, or with a file in its place, the parcel waits."""
    (root / "at-the-lab").rmdir()
    with pytest.raises(DeliveryFault, match="is not there"):
        COURIER.upload(parcel, MEANS, root, ID)
    (root / "at-the-lab").touch()
    with pytest.raises(DeliveryFault, match="is not there"):
        COURIER.reveal(parcel, MEANS, root, ID)


def test_nothing_is_put_into_an_empty_mount_point(
    root: Path, parcel: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A folder that was on a share last time and now is not takes no parcel, until it is back.

    A mount cannot be made without special rights, so the question for it is answered by the test.
    """
    share = {root / "at-the-lab"}
    really = os.path.ismount
    monkeypatch.setattr(os.path, "ismount", lambda path: Path(path) in share or really(path))
    COURIER.upload(parcel, MEANS, root, ID)
    assert COURIER.reveal(parcel, MEANS, root, ID) == "delivered"
    COURIER.forget(parcel, MEANS, root, ID)
    share.clear()
    with pytest.raises(DeliveryFault, match="is not connected") as fault:
        COURIER.upload(parcel, MEANS, root, "another")
    assert names(root / "at-the-lab") == ["lab-000001"]
    share.add(root / "at-the-lab")
    COURIER.upload(parcel, MEANS, root, "another")
    share.clear()
    memory = Path(str(fault.value.hint).rpartition("remove ")[2].removesuffix("."))
    memory.unlink()
    COURIER.upload(parcel, MEANS, root, "a third")


def test_a_folder_that_comes_onto_a_share_is_remembered_anew(
    root: Path, parcel: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A folder that was on the studio's own disk may be on a share from the next upload on."""
    COURIER.upload(parcel, MEANS, root, ID)
    share = {root / "at-the-lab"}
    really = os.path.ismount
    monkeypatch.setattr(os.path, "ismount", lambda path: Path(path) in share or really(path))
    COURIER.upload(parcel, MEANS, root, ID)
    share.clear()
    with pytest.raises(DeliveryFault, match="is not connected"):
        COURIER.upload(parcel, MEANS, root, ID)


def test_what_is_forgotten_leaves_nothing_of_ours(root: Path, parcel: Path) -> None:
    """An upload that is never revealed goes, mark and all; what is not there is no fault."""
    other = root / "at-the-lab/lab-000001"
    other.mkdir()
    COURIER.upload(parcel, MEANS, root, ID)
    for _ in range(2):
        COURIER.forget(parcel, MEANS, root, ID)
        assert names(root / "at-the-lab") == ["lab-000001"]
    (root / f"at-the-lab/.up-{ID}").symlink_to("../outgoing")
    with pytest.raises(DeliveryFault, match="a link or a file"):
        COURIER.forget(parcel, MEANS, root, ID)
    assert (parcel / "ticket.json").exists()


def test_a_disk_that_refuses_at_the_labs_end_is_a_fault_of_the_lab(
    root: Path, parcel: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A lab's disk that is full pauses nothing here: the parcel waits, and the sentence says where.

    A disk cannot be filled without special rights, so its refusal is the test's.
    """

    def full(path: Path, data: bytes, mode: int = 0o644) -> None:
        raise durable.translate(OSError(errno.ENOSPC, "no room"), path)

    monkeypatch.setattr(durable, "write_new", full)
    with pytest.raises(DeliveryFault, match="into the lab's folder at-the-lab: The disk has no"):
        COURIER.upload(parcel, MEANS, root, ID)
