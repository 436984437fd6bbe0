"""The scan on real files; only the clock is turned by hand."""

import errno
import os
import shutil
import socket
import stat
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import pytest

from platemark import durable
from platemark.intake.drop_files import NotAPlainFile, let_go, open_drop, taken_path
from platemark.intake.names import is_ignored
from platemark.intake.scan import HotFolders, Look, Sighting
from platemark.model.errors import DiskFault

QUIET_S = 2.0
SURFACES = ("smooth-rag", "baryta")
NOBODY = 65534


class Studio:
    """A hot root, a scan of it, and a clock."""

    def __init__(self, root: Path, *, compare_ctime: bool = True, quiet_s: float = QUIET_S) -> None:
        self.hot = root / "hot"
        self.now = 1000.0
        for surface in SURFACES:
            (self.hot / surface).mkdir(parents=True, exist_ok=True)
        self.scan = HotFolders(
            self.hot, SURFACES, quiet_s=quiet_s, compare_ctime=compare_ctime, now=lambda: self.now
        )

    def put(self, relative: str, data: str = "picture") -> Path:
        """Write a file and the folders above it."""
        path = self.hot / relative
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(data)
        return path

    def look(self, after_s: float = 0.0, known: tuple[Sighting, ...] = ()) -> Look:
        """Let time pass, then look."""
        self.now += after_s
        return self.scan.look({(s.device, s.inode, s.size, s.mtime_ns) for s in known})

    def settle(self, known: tuple[Sighting, ...] = ()) -> Look:
        """Look, wait for the settle time, look again."""
        self.look(known=known)
        return self.look(QUIET_S, known)


@pytest.fixture
def studio(tmp_path: Path) -> Studio:
    """An empty studio with two surfaces."""
    return Studio(tmp_path)


def names(sightings: tuple[Sighting, ...]) -> list[str]:
    """The paths of what was seen."""
    return [sighting.relative.decode() for sighting in sightings]


@contextmanager
def as_nobody() -> Iterator[None]:
    """Give up the rights of root, which may do everything."""
    if os.geteuid() != 0:
        yield
        return
    os.seteuid(NOBODY)
    try:
        yield
    finally:
        os.seteuid(0)


def test_a_file_settles_after_the_quiet_time_and_two_looks(studio: Studio) -> None:
    """One look is never enough, and neither is less than the settle time."""
    studio.put("smooth-rag/heron.tif")
    first = studio.look(1e6)
    assert (first.settled, first.moving, first.next_look_s) == ((), 1, QUIET_S)
    second = studio.look(1.5)
    assert (second.settled, second.moving, second.next_look_s) == ((), 1, 0.5)
    third = studio.look(0.5)
    assert names(third.settled) == ["smooth-rag/heron.tif"]
    assert (third.moving, third.next_look_s) == (0, None)


def test_a_sighting_is_the_file(studio: Studio) -> None:
    """What is told of a settled file is what the system says of it."""
    path = studio.put("smooth-rag/wedding/heron.tif")
    (seen,) = studio.settle().settled
    found = path.stat()
    assert seen == Sighting(
        b"smooth-rag/wedding/heron.tif", durable.identity(found), found.st_size,
        found.st_mtime_ns, found.st_ino, found.st_dev, "smooth-rag",
    )  # fmt: skip


def test_no_quiet_time_still_needs_two_looks(tmp_path: Path) -> None:
    """A settle time of nothing takes a file at the second look."""
    studio = Studio(tmp_path, quiet_s=0)
    studio.put("smooth-rag/heron.tif")
    assert studio.look().settled == ()
    assert len(studio.look().settled) == 1


@pytest.mark.fault(14)
def test_a_slow_writer_is_waited_for(studio: Studio) -> None:
    """A file that grows between looks is never settled, however long that takes."""
    path = studio.put("smooth-rag/heron.tif", "")
    for _ in range(20):
        with path.open("a") as file:
            file.write("more")
        assert studio.look(1.9).settled == ()
    assert studio.look(1.9).settled == ()
    assert len(studio.look(0.1).settled) == 1


@pytest.mark.fault(14)
def test_a_pause_longer_than_the_settle_time_makes_it_young_again(studio: Studio) -> None:
    """A writer that goes on after a pause has its file waited for once more."""
    path = studio.put("smooth-rag/heron.tif")
    assert len(studio.settle().settled) == 1
    with path.open("a") as file:
        file.write("more")
    assert studio.look(100).settled == ()
    assert len(studio.look(QUIET_S).settled) == 1


@pytest.mark.fault(16)
def test_a_kept_mtime_and_size_do_not_hide_a_change(studio: Studio) -> None:
    """On local disks the change time gives away other bytes of the same size and time."""
    path = studio.put("smooth-rag/heron.tif", "before")
    times = (path.stat().st_atime_ns, path.stat().st_mtime_ns)
    assert len(studio.settle().settled) == 1
    path.write_text("behind")
    os.utime(path, ns=times)
    assert studio.look(1).settled == ()


def test_a_change_of_ctime_alone_does_not_count_on_a_share(tmp_path: Path) -> None:
    """Shares make ctime up; there a file settles although it seems to change."""
    studio = Studio(tmp_path, compare_ctime=False)
    path = studio.put("smooth-rag/heron.tif")
    studio.look()
    path.chmod(0o640)
    path.chmod(0o644)
    (seen,) = studio.look(QUIET_S).settled
    assert seen.identity == durable.identity(path.stat())
    path.chmod(0o600)
    path.chmod(0o644)
    (seen,) = studio.look(1).settled
    assert seen.identity == durable.identity(path.stat())


def test_a_file_renamed_in_settles(studio: Studio, tmp_path: Path) -> None:
    """A finished file that is moved in is found although nobody wrote or closed it there."""
    outside = tmp_path / "heron.tif"
    outside.write_text("picture")
    studio.look()
    outside.rename(studio.hot / "smooth-rag/heron.tif")
    assert studio.look(100).settled == ()
    assert len(studio.look(QUIET_S).settled) == 1


def test_a_partial_name_that_becomes_the_final_one(studio: Studio) -> None:
    """A partial file is no drop; its last rename begins the settle time anew."""
    part = studio.put("smooth-rag/heron.tif.part")
    assert studio.settle() == Look((), 0, (), (), offline=False, next_look_s=None)
    part.rename(studio.hot / "smooth-rag/heron.tif")
    assert studio.look(100).moving == 1
    assert len(studio.look(QUIET_S).settled) == 1


@pytest.mark.parametrize("partial", ["reeds.tif.part", ".reeds.tif.Ab12Cd", "reeds.tif~"])
def test_a_copy_that_goes_on_beside_it_is_waited_for(studio: Studio, partial: str) -> None:
    """While somebody is copying into a folder, its finished files wait: a batch stays whole."""
    studio.put("smooth-rag/heron.tif")
    studio.look()
    for size in range(5):
        studio.put(f"smooth-rag/{partial}", "x" * size)
        assert studio.look(QUIET_S).settled == ()
    (studio.hot / "smooth-rag" / partial).unlink()
    assert studio.look(QUIET_S).settled == ()
    assert len(studio.look(QUIET_S).settled) == 1


def test_a_left_over_partial_file_stops_nobody(studio: Studio) -> None:
    """A partial file that does not change any more is not waited for."""
    studio.put("smooth-rag/reeds.tif.part")
    studio.put("smooth-rag/heron.tif")
    assert names(studio.settle().settled) == ["smooth-rag/heron.tif"]


def test_litter_makes_nobody_wait(studio: Studio) -> None:
    """A file manager that writes its own file delays nothing."""
    studio.put("smooth-rag/heron.tif")
    studio.look()
    studio.put("smooth-rag/.DS_Store")
    studio.put("smooth-rag/Thumbs.db")
    assert len(studio.look(QUIET_S).settled) == 1


def test_a_sidecar_that_lands_last_still_counts(studio: Studio) -> None:
    """A picture is not taken while its request is still being written."""
    studio.put("smooth-rag/heron.tif")
    studio.look()
    studio.put("smooth-rag/heron.tif.toml", "copies = 2")
    assert studio.look(1.9).settled == ()
    assert studio.look(1.9).settled == ()
    look = studio.look(0.1)
    assert names(look.settled) == ["smooth-rag/heron.tif"]
    assert look.lone_sidecars == ()


@pytest.mark.parametrize(
    "request_file", ["smooth-rag/wedding/request.toml", "smooth-rag/request.toml"]
)
def test_a_request_toml_that_lands_last_still_counts(studio: Studio, request_file: str) -> None:
    """A folder's pictures wait for its request.toml, and for that of the surface above it."""
    studio.put("smooth-rag/wedding/album/heron.tif")
    studio.look()
    studio.put(request_file, "copies = 2")
    assert studio.look(QUIET_S).settled == ()
    assert names(studio.look(QUIET_S).settled) == ["smooth-rag/wedding/album/heron.tif"]


def test_folders_do_not_wait_for_each_other(studio: Studio) -> None:
    """A busy folder holds up its own tree only."""
    studio.put("smooth-rag/heron.tif")
    studio.put("smooth-rag/16x20in/dunes.tif")
    studio.put("baryta/snow.tif")
    studio.look()
    studio.put("smooth-rag/wedding/album/sea.tif")
    look = studio.look(QUIET_S)
    # The new folder itself is a change in the folder that it came into.
    assert names(look.settled) == ["baryta/snow.tif", "smooth-rag/16x20in/dunes.tif"]
    assert look.moving == 2
    studio.put("smooth-rag/wedding/album/sea.tif", "longer picture")
    look = studio.look(QUIET_S)
    assert "smooth-rag/heron.tif" in names(look.settled)
    assert look.moving == 1


def test_nested_folders_are_read_to_the_bottom(studio: Studio) -> None:
    """Pictures are found however the folders nest, in the order of their paths."""
    studio.put("smooth-rag/b/c/d/e.tif")
    studio.put("smooth-rag/b/a.tif")
    studio.put("smooth-rag/a.tif")
    assert names(studio.settle().settled) == [
        "smooth-rag/a.tif", "smooth-rag/b/a.tif", "smooth-rag/b/c/d/e.tif",
    ]  # fmt: skip


def test_folders_without_end_are_told(studio: Studio) -> None:
    """Folders in folders beyond all use are named, not looked into."""
    studio.put("smooth-rag/" + "a/" * 30 + "heron.tif")
    look = studio.settle()
    assert look.settled == ()
    (odd,) = look.oddities
    assert "20 folders in each other" in odd.sentence


def test_taken_and_ignored_folders_are_never_read(studio: Studio) -> None:
    """What was let go, and hidden or partial folders, are no drops; `taken` deeper down is."""
    studio.put("smooth-rag/taken/000001-heron.tif")
    studio.put("smooth-rag/.hidden/heron.tif")
    studio.put("smooth-rag/copying.tmp/heron.tif")
    studio.put("smooth-rag/wedding/taken/heron.tif")
    assert names(studio.settle().settled) == ["smooth-rag/wedding/taken/heron.tif"]


def test_claimed_drops_are_not_reported_again(studio: Studio) -> None:
    """What the caller has claimed is silent, wherever it lies and whatever its device is called."""
    path = studio.put("smooth-rag/heron.tif")
    claimed = studio.settle().settled
    assert studio.look(1, known=claimed).settled == ()
    path.rename(studio.hot / "smooth-rag/reeds.tif")
    assert studio.look(1, known=claimed).settled == ()
    assert studio.look(QUIET_S, known=claimed).settled == ()
    (one,) = claimed
    elsewhere = {(one.device + 1, one.inode, one.size, one.mtime_ns)}
    assert studio.scan.look(elsewhere).settled == ()
    assert len(studio.look().settled) == 1


@pytest.mark.fault(15)
def test_a_late_write_makes_a_claimed_drop_a_new_one(studio: Studio) -> None:
    """Bytes that come after the claim are seen, once they are still."""
    path = studio.put("smooth-rag/heron.tif")
    claimed = studio.settle().settled
    studio.look(1, known=claimed)
    path.write_text("another picture")
    assert studio.look(1, known=claimed).moving == 1
    (again,) = studio.look(QUIET_S, known=claimed).settled
    assert again.inode == claimed[0].inode
    assert studio.look(QUIET_S, known=(*claimed, again)).settled == ()


def test_letting_go_makes_nobody_wait(studio: Studio) -> None:
    """Claimed drops vanish one by one while a new one settles beside them."""
    for number in range(4):
        studio.put(f"smooth-rag/{number}.tif")
        studio.put(f"smooth-rag/{number}.tif.toml", "copies = 2")
    claimed = studio.settle().settled
    assert len(claimed) == 4
    studio.look(0.1, known=claimed)
    studio.put("smooth-rag/new.tif")
    studio.look(0.1, known=claimed)
    for number, sighting in enumerate(claimed):
        let_go(studio.hot, sighting.relative, number)
        let_go(studio.hot, sighting.relative + b".toml", number)
        studio.look(0.5, known=claimed[number + 1 :])
    assert names(studio.look(0.0).settled) == ["smooth-rag/new.tif"]


@pytest.mark.fault(20)
def test_a_drop_that_vanishes_and_comes_back_settles_anew(studio: Studio) -> None:
    """A file that was taken away is not remembered as still."""
    path = studio.put("smooth-rag/heron.tif")
    assert len(studio.settle().settled) == 1
    aside = path.rename(studio.hot.parent / "aside.tif")
    assert studio.look(1).settled == ()
    aside.rename(path)
    assert studio.look(100).settled == ()
    assert len(studio.look(QUIET_S).settled) == 1


def test_a_request_without_its_picture_is_told_once_settled(studio: Studio) -> None:
    """A sidecar whose picture is not there is no drop, and not silently passed over."""
    studio.put("smooth-rag/heron.tif.toml", "copies = 2")
    assert studio.look().moving == 1
    look = studio.look(QUIET_S)
    assert names(look.lone_sidecars) == ["smooth-rag/heron.tif.toml"]
    assert look.settled == ()


def test_a_request_toml_is_never_a_drop(studio: Studio) -> None:
    """A folder's request alone is neither a picture nor a lone sidecar, and nobody waits for it."""
    studio.put("smooth-rag/request.toml", "copies = 2")
    assert studio.look() == Look((), 0, (), (), offline=False, next_look_s=None)


def test_a_request_beside_a_claimed_picture_is_not_alone(studio: Studio) -> None:
    """A sidecar becomes a lone one only when its picture has gone."""
    path = studio.put("smooth-rag/heron.tif")
    claimed = studio.settle().settled
    studio.put("smooth-rag/heron.tif.toml", "copies = 2")
    studio.look(1, known=claimed)
    assert studio.look(QUIET_S, known=claimed).lone_sidecars == ()
    path.unlink()
    studio.look(1)
    assert names(studio.look(QUIET_S).lone_sidecars) == ["smooth-rag/heron.tif.toml"]


# -- what can never be a drop ------------------------------------------------------------------


def test_a_misspelt_surface_folder_is_answered(studio: Studio) -> None:
    """The folder is named with the surface that was meant, and nothing in it is taken."""
    studio.put("Smoth-Rag/heron.tif")
    look = studio.settle()
    assert look.settled == ()
    (odd,) = look.oddities
    assert odd.relative == b"Smoth-Rag"
    assert "Did you mean smooth-rag?" in odd.next


def test_a_folder_that_resembles_no_surface_gets_the_list(studio: Studio) -> None:
    """Where nothing is near, the surfaces there are are named."""
    studio.put("wedding 2026/heron.tif")
    (odd,) = studio.settle().oddities
    assert "baryta, smooth-rag" in odd.next


def test_a_drop_in_the_root_itself_is_answered(studio: Studio) -> None:
    """A file that is in no surface's folder is told; our own note there is not."""
    studio.put("heron.tif")
    studio.put("WAITING.txt")
    look = studio.settle()
    assert [odd.relative for odd in look.oddities] == [b"heron.tif"]
    assert look.settled == ()


def test_our_own_note_makes_nothing_move(studio: Studio) -> None:
    """WAITING.txt may be rewritten at any time."""
    studio.put("heron.tif")
    studio.settle()
    studio.put("WAITING.txt", "one thing waits")
    assert studio.look(0.1).moving == 0


@pytest.mark.parametrize("target", ["file", "folder", "nowhere"])
def test_links_are_told_and_never_followed(studio: Studio, tmp_path: Path, target: str) -> None:
    """A link to a file, to a folder or to nothing is an oddity; what is behind it is not seen."""
    (tmp_path / "file").write_text("secret")
    (tmp_path / "folder").mkdir()
    (tmp_path / "folder/secret.tif").write_text("secret")
    (studio.hot / "smooth-rag/link.tif").symlink_to(tmp_path / target)
    look = studio.settle()
    assert look.settled == ()
    (odd,) = look.oddities
    assert odd.relative == b"smooth-rag/link.tif"


def test_a_surface_folder_that_is_a_link_is_told(studio: Studio, tmp_path: Path) -> None:
    """Not even a surface's own folder may be a link."""
    (studio.hot / "baryta").rmdir()
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "elsewhere/heron.tif").write_text("picture")
    (studio.hot / "baryta").symlink_to(tmp_path / "elsewhere")
    look = studio.settle()
    assert look.settled == ()
    assert [odd.relative for odd in look.oddities] == [b"baryta"]


def test_pipes_sockets_and_devices_are_told_and_not_opened(studio: Studio) -> None:
    """Nobody waits at a pipe; what is no file is named."""
    os.mkfifo(studio.hot / "smooth-rag/pipe.tif")
    with socket.socket(socket.AF_UNIX) as listening:
        before = Path.cwd()
        os.chdir(studio.hot / "smooth-rag")  # a socket's path may have 108 bytes only
        listening.bind("socket.tif")
        os.chdir(before)
    with suppress(PermissionError):  # only root makes devices
        os.mknod(studio.hot / "smooth-rag/zero.tif", stat.S_IFCHR | 0o666, os.makedev(1, 5))
    look = studio.settle()
    assert look.settled == ()
    assert {odd.relative for odd in look.oddities} >= {
        b"smooth-rag/pipe.tif", b"smooth-rag/socket.tif",
    }  # fmt: skip
    for odd in look.oddities:
        with pytest.raises(NotAPlainFile):
            open_drop(studio.hot, odd.relative)


def test_a_file_with_a_second_name_is_told(studio: Studio, tmp_path: Path) -> None:
    """A hard link could be written through its other name after the claim."""
    path = studio.put("smooth-rag/heron.tif")
    (tmp_path / "other.tif").hardlink_to(path)
    look = studio.settle()
    assert look.settled == ()
    (odd,) = look.oddities
    assert "second name" in odd.sentence
    (tmp_path / "other.tif").unlink()
    studio.look(1)
    assert len(studio.look(QUIET_S).settled) == 1


def test_an_oddity_waits_until_it_is_still_and_then_stays(studio: Studio) -> None:
    """A link that a copying program makes for a moment is not spoken of; one that stays is."""
    (studio.hot / "smooth-rag/link.tif").symlink_to("nowhere")
    look = studio.look()
    assert (look.oddities, look.moving) == ((), 1)
    assert len(studio.look(QUIET_S).oddities) == 1
    studio.put("smooth-rag/heron.tif")
    look = studio.look(1)
    assert (len(look.oddities), look.moving) == (1, 1)


@pytest.fixture
def shared_studio() -> Iterator[Studio]:
    """A studio that other users may look into."""
    with tempfile.TemporaryDirectory() as folder:
        Path(folder).chmod(0o755)
        studio = Studio(Path(folder))
        for path in (studio.hot, *studio.hot.iterdir()):
            path.chmod(0o777)
        yield studio


def test_a_folder_that_may_not_be_read_is_told(shared_studio: Studio) -> None:
    """A folder without rights is named, and all others go on, those around it too."""
    shut = shared_studio.hot / "smooth-rag/album/shut"
    shared_studio.put("smooth-rag/album/shut/heron.tif")
    shared_studio.put("smooth-rag/album/dunes.tif")
    shared_studio.put("baryta/snow.tif")
    shut.parent.chmod(0o777)
    shut.chmod(0o000)
    with as_nobody():
        look = shared_studio.settle()
    shut.chmod(0o777)
    assert names(look.settled) == ["baryta/snow.tif", "smooth-rag/album/dunes.tif"]
    assert [odd.relative for odd in look.oddities] == [b"smooth-rag/album/shut"]
    with as_nobody():
        look = shared_studio.settle()
    assert "smooth-rag/album/shut/heron.tif" in names(look.settled)


def test_a_file_that_may_not_be_read_is_told(shared_studio: Studio) -> None:
    """A file without rights is named instead of being tried for ever."""
    shared_studio.put("smooth-rag/heron.tif").chmod(0o000)
    with as_nobody():
        look = shared_studio.settle()
    assert look.settled == ()
    assert [odd.relative for odd in look.oddities] == [b"smooth-rag/heron.tif"]


@pytest.mark.parametrize("locked", ["smooth-rag/album", "smooth-rag", "smooth-rag/taken"])
def test_nothing_is_taken_from_where_it_cannot_be_moved_out(
    shared_studio: Studio, locked: str
) -> None:
    """A folder that may be read but not changed is named before anything in it is claimed."""
    shared_studio.put("smooth-rag/album/heron.tif")
    (shared_studio.hot / "smooth-rag/taken").mkdir()
    for path in ("smooth-rag/album", "smooth-rag/taken"):
        (shared_studio.hot / path).chmod(0o777)
    with as_nobody():
        assert len(shared_studio.settle().settled) == 1
    (shared_studio.hot / locked).chmod(0o555)
    with as_nobody():
        look = shared_studio.look(1)
        again = shared_studio.look(QUIET_S)
    assert look.settled == again.settled == ()
    assert len(again.oddities) == 1
    (shared_studio.hot / locked).chmod(0o777)
    with as_nobody():
        assert len(shared_studio.look(1).settled) == 1


def test_a_taken_that_is_no_folder_is_told(studio: Studio, tmp_path: Path) -> None:
    """Where `taken` is a link, nothing is moved through it."""
    (tmp_path / "elsewhere").mkdir()
    (studio.hot / "smooth-rag/taken").symlink_to(tmp_path / "elsewhere")
    studio.put("smooth-rag/heron.tif")
    look = studio.settle()
    assert look.settled == ()
    assert any("“taken”" in odd.sentence for odd in look.oddities)
    with pytest.raises(DiskFault):
        let_go(studio.hot, b"smooth-rag/heron.tif", 1)
    assert list((tmp_path / "elsewhere").iterdir()) == []


def test_hostile_names_are_found_and_opened_as_they_are(studio: Studio) -> None:
    """Names with line ends, emoji, dashes, 255 bytes or no UTF-8 are dropped like any other."""
    folder = os.fsencode(studio.hot / "smooth-rag")
    wanted = [
        b"-rf.tif", b"a\nb.tif", "🖼️.tif".encode(), b"\xff\xfe.tif", b"x" * 251 + b".tif",
        "é.tif".encode(), "e\u0301.tif".encode(), b"a\\..\\x.tif", b"%s%n.tif", b" .tif",
    ]  # fmt: skip
    for name in wanted:
        with open(os.path.join(folder, name), "wb") as file:  # noqa: PTH118, PTH123
            file.write(name)
    settled = studio.settle().settled
    assert {s.relative for s in settled} == {b"smooth-rag/" + name for name in wanted}
    for sighting in settled:
        descriptor = open_drop(studio.hot, sighting.relative)
        assert os.read(descriptor, 300) == sighting.relative.split(b"/")[1]
        os.close(descriptor)
        let_go(studio.hot, sighting.relative, 7)
    assert sorted(os.listdir(folder)) == [b"taken"]
    assert len(list((studio.hot / "smooth-rag/taken").iterdir())) == len(wanted)


# -- the root that goes and comes back ---------------------------------------------------------


@pytest.mark.fault(11)
def test_a_root_that_is_gone_is_offline(studio: Studio) -> None:
    """While the root is away nothing is told, and afterwards everything settles anew."""
    studio.put("smooth-rag/heron.tif")
    assert len(studio.settle().settled) == 1
    away = studio.hot.rename(studio.hot.with_name("away"))
    offline = Look((), 0, (), (), offline=True, next_look_s=None)
    assert studio.look(100) == offline
    away.rename(studio.hot)
    back = studio.look(100)
    assert (back.offline, back.settled, back.moving) == (False, (), 1)
    assert len(studio.look(QUIET_S).settled) == 1


@pytest.mark.fault(13)
def test_an_unmounted_root_is_offline(studio: Studio) -> None:
    """An empty folder where the hot folders were is a share that is not connected."""
    studio.put("smooth-rag/heron.tif")
    claimed = studio.settle().settled
    away = studio.hot.rename(studio.hot.with_name("away"))
    studio.hot.mkdir()
    assert studio.look(1, known=claimed).offline
    studio.put("left-over.tif")
    assert studio.look(100, known=claimed).offline
    shutil.rmtree(studio.hot)
    away.rename(studio.hot)
    back = studio.settle(known=claimed)
    assert (back.offline, back.settled, back.oddities) == (False, (), ())


@pytest.mark.fault(13)
def test_a_root_that_is_empty_from_the_start_is_offline(tmp_path: Path) -> None:
    """A service that starts before the share is connected concludes nothing."""
    studio = Studio(tmp_path)
    shutil.rmtree(studio.hot)
    studio.hot.mkdir()
    assert studio.look().offline
    studio.put("WAITING.txt")
    assert studio.look().offline


class _Breaking:
    """Lists a folder's first entry, then fails as a disk or share does."""

    def __init__(self, entries: "os.ScandirIterator[str]", fault: int) -> None:
        self._entries = entries
        self._fault = fault

    def __enter__(self) -> Iterator["os.DirEntry[str]"]:
        with self._entries as entries:
            yielded = next(entries)

        def broken() -> Iterator["os.DirEntry[str]"]:
            yield yielded
            raise OSError(self._fault, os.strerror(self._fault))

        return broken()

    def __exit__(self, *_: object) -> None:
        return None


def broken_in(studio: Studio, folder: str, fault: int, patch: pytest.MonkeyPatch) -> None:
    """Let one folder break off while it is listed; no real disk can be made to do that here."""
    inode = (studio.hot / folder).stat().st_ino
    listing = os.scandir

    def scandir(path: int) -> object:
        entries = listing(path)
        return _Breaking(entries, fault) if os.fstat(path).st_ino == inode else entries

    patch.setattr(os, "scandir", scandir)


def test_a_folder_that_breaks_off_is_told_and_nothing_of_it_taken(
    studio: Studio, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of a folder that can be listed by half only, no half is taken: a request may be missing."""
    for name in ("album/a.tif", "album/b.tif", "dunes.tif"):
        studio.put(f"smooth-rag/{name}")
    broken_in(studio, "smooth-rag/album", errno.EIO, monkeypatch)
    look = studio.settle()
    assert names(look.settled) == ["smooth-rag/dunes.tif"]
    assert [odd.relative for odd in look.oddities] == [b"smooth-rag/album"]


@pytest.mark.parametrize("fault", [errno.ESTALE, errno.ENOTCONN, errno.ETIMEDOUT])
@pytest.mark.fault(12)
def test_a_share_that_goes_away_while_it_is_read_is_offline(
    studio: Studio, monkeypatch: pytest.MonkeyPatch, fault: int
) -> None:
    """When the other end is gone, what was read of it is not half believed."""
    studio.put("smooth-rag/album/a.tif")
    studio.put("baryta/snow.tif")
    assert len(studio.settle().settled) == 2
    broken_in(studio, "smooth-rag/album", fault, monkeypatch)
    assert studio.look(1).offline


@pytest.mark.skipif(sys.platform != "linux", reason="mounts as Linux does")
def test_a_folder_on_another_disk_is_told(tmp_path: Path) -> None:
    """From another disk nothing could be renamed to `taken/`, so nothing is claimed from it."""
    studio = Studio(tmp_path)
    studio.put("smooth-rag/other/heron.tif")
    script = (
        "mount -t tmpfs none hot/smooth-rag/other && touch hot/smooth-rag/other/dunes.tif && exec "
        f"{sys.executable} -c 'from pathlib import Path; from platemark.intake.scan import *; "
        'scan = HotFolders(Path("hot"), ["smooth-rag"], quiet_s=0, compare_ctime=True); '
        "scan.look(); look = scan.look(); "
        "print(len(look.settled), *[odd.relative.decode() for odd in look.oddities])'"
    )
    done = subprocess.run(
        ["unshare", "--mount", "sh", "-c", script],
        cwd=tmp_path, capture_output=True, text=True, check=False,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
    )  # fmt: skip
    if "ermission denied" in done.stderr or "not permitted" in done.stderr:
        pytest.skip("mounting is not allowed here")
    # The surface that this scan was not told of is named as well.
    assert done.stdout.split() == ["0", "baryta", "smooth-rag/other"], done.stderr


@pytest.mark.fault(11)
def test_another_volume_in_its_place_is_offline_once(studio: Studio, tmp_path: Path) -> None:
    """A root on another device than before begins anew; nothing counts as still from before."""
    if not Path("/dev/shm").is_dir() or Path("/dev/shm").stat().st_dev == tmp_path.stat().st_dev:
        pytest.skip("there is no second volume at /dev/shm")
    studio.put("smooth-rag/heron.tif")
    assert len(studio.settle().settled) == 1
    with tempfile.TemporaryDirectory(dir="/dev/shm") as other:
        copied = Path(other) / "hot"
        shutil.copytree(studio.hot, copied)
        studio.hot.rename(studio.hot.with_name("away"))
        studio.hot.symlink_to(copied)
        assert studio.look(100).offline
        back = studio.look(100)
        assert (back.offline, back.settled, back.moving) == (False, (), 1)
        assert len(studio.look(QUIET_S).settled) == 1


def test_one_surface_that_is_gone_leaves_the_others(studio: Studio) -> None:
    """A surface's folder that somebody removed does not stop the rest."""
    studio.put("smooth-rag/heron.tif")
    studio.settle()
    (studio.hot / "baryta").rmdir()
    look = studio.look(1)
    assert (look.offline, len(look.settled)) == (False, 1)


def test_many_files_are_found_every_one(studio: Studio) -> None:
    """Nothing is lost where events would be: 10,000 files in new folders, all of them found."""
    for folder in range(100):
        path = studio.hot / f"smooth-rag/{folder:03d}"
        path.mkdir()
        for number in range(100):
            (path / f"{number:03d}.tif").touch()
    assert studio.look().moving == 10_000
    settled = studio.look(QUIET_S).settled
    assert len({sighting.relative for sighting in settled}) == 10_000
    assert not studio.look(known=settled).settled


def test_looking_leaves_nothing_open(studio: Studio) -> None:
    """However often is looked, through faults too, no descriptor is left."""
    studio.put("smooth-rag/a/b/heron.tif")
    (studio.hot / "smooth-rag/link").symlink_to("nowhere")
    studio.look()
    before = sorted(os.listdir("/dev/fd"))
    for _ in range(5):
        studio.look(QUIET_S)
        with pytest.raises(FileNotFoundError):
            open_drop(studio.hot, b"smooth-rag/a/gone.tif")
        with pytest.raises(OSError):
            open_drop(studio.hot, b"smooth-rag/link/heron.tif")
    assert sorted(os.listdir("/dev/fd")) == before


# -- opening and letting go --------------------------------------------------------------------


@pytest.mark.parametrize(
    "relative",
    [
        b"", b"heron.tif", b"/smooth-rag/heron.tif", b"smooth-rag/../../secret.tif", b"smooth-rag/",
        b"smooth-rag/./heron.tif", b"smooth-rag//heron.tif", b"smooth-rag/a\0b.tif",
    ],
)  # fmt: skip
def test_a_path_that_leaves_the_root_is_refused(studio: Studio, relative: bytes) -> None:
    """No name can lead out of the hot folders, neither to read nor to move."""
    (studio.hot.parent / "secret.tif").write_text("secret")
    with pytest.raises(ValueError):
        open_drop(studio.hot, relative)
    with pytest.raises(ValueError):
        let_go(studio.hot, relative, 1)


def test_opening_follows_no_link(studio: Studio, tmp_path: Path) -> None:
    """Neither a linked file nor a linked folder on the way is followed."""
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "elsewhere/secret.tif").write_text("secret")
    (studio.hot / "smooth-rag/link.tif").symlink_to(tmp_path / "elsewhere/secret.tif")
    (studio.hot / "smooth-rag/link").symlink_to(tmp_path / "elsewhere")
    with pytest.raises(NotAPlainFile):
        open_drop(studio.hot, b"smooth-rag/link.tif")
    with pytest.raises(NotADirectoryError):
        open_drop(studio.hot, b"smooth-rag/link/secret.tif")


def test_a_drop_is_let_go_beside_its_surface(studio: Studio) -> None:
    """However deep it lay, it goes to `taken/` of its surface under the job's number."""
    path = studio.put("smooth-rag/wedding/16x20in/heron.tif", "the very bytes")
    inode = path.stat().st_ino
    target = let_go(studio.hot, b"smooth-rag/wedding/16x20in/heron.tif", 123)
    assert target == studio.hot / "smooth-rag/taken/000123-heron.tif"
    assert target == taken_path(studio.hot, "smooth-rag", 123, b"heron.tif")
    assert (target.read_text(), target.stat().st_ino) == ("the very bytes", inode)
    assert not path.exists()


def test_letting_go_never_writes_over(studio: Studio) -> None:
    """A name that is taken gets a number; what was there stays as it was."""
    for text in ("first", "second", "third"):
        studio.put("smooth-rag/heron.tif", text)
        let_go(studio.hot, b"smooth-rag/heron.tif", 5)
    taken = studio.hot / "smooth-rag/taken"
    assert {path.name: path.read_text() for path in taken.iterdir()} == {
        "000005-heron.tif": "first",
        "000005-heron-2.tif": "second",
        "000005-heron-3.tif": "third",
    }


@pytest.mark.fault(20)
def test_letting_go_of_what_is_gone(studio: Studio) -> None:
    """A drop that vanished is told as such."""
    with pytest.raises(FileNotFoundError):
        let_go(studio.hot, b"smooth-rag/heron.tif", 5)


@pytest.mark.parametrize(
    "name",
    [b"x" * 251 + b".tif", "é".encode() * 125 + b"a.tif", b"\xff" * 251 + b".tif", b"x" * 255],
)
def test_a_long_name_keeps_its_extension(studio: Studio, name: bytes) -> None:
    """With the number in front, a name of 255 bytes still fits, readable where it was."""
    path = Path(os.fsdecode(os.fsencode(studio.hot) + b"/smooth-rag/" + name))
    path.write_text("picture")
    for expected_end in (b"", b"-2"):
        path.write_text("picture")
        target = os.fsencode(let_go(studio.hot, b"smooth-rag/" + name, 1_234_567).name)
        extension = b".tif" if name.endswith(b".tif") else b""
        assert len(target) <= 255
        assert target.startswith(b"1234567-")
        assert target.endswith(expected_end + extension)
    if name.startswith("é".encode()):
        target.decode("utf-8")
    assert not is_ignored(target)
