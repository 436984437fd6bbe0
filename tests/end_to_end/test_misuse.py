"""What people, other programs and worn disks do to a studio: told, and nothing else suffers."""

import json
import os
import shutil
import stat
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from harness import LAB, drop_pictures, make_studio, picture

from platemark.app.open_studio import OpenStudio, open_studio
from platemark.app.service import Swept, sweep
from platemark.engine import decide, decision_kinds
from platemark.engine.clock import SystemClock
from platemark.engine.workshop import Workshop
from platemark.imaging.icc import build_matrix_profile
from platemark.ledger.read import Reader, connect_reader
from platemark.model.decision import Decision, PictureDecision, ProfileDecision
from platemark.model.plain import to_plain

HOT = "hot/small-rag/2x3in"
here = pytest.mark.usefixtures("steps_here")


class Hurried(SystemClock):
    """A clock on which whatever must rest has rested."""

    def monotonic(self) -> float:
        """Seconds that pass a thousand times as fast."""
        return super().monotonic() * 1000


def swept(studio: Path) -> Swept:
    """One sweep in this process."""
    return sweep(studio, Hurried())


def states(studio: Path) -> dict[str, str]:
    """The state of each job, by its file's name."""
    with connect(studio) as read:
        return {row.original_name: row.state for row in read.jobs()}


class connect:  # noqa: N801
    """A reader of a studio's record."""

    def __init__(self, studio: Path) -> None:
        self._connection = connect_reader(studio / "ledger.sqlite3")

    def __enter__(self) -> Reader:
        return Reader(self._connection)

    def __exit__(self, *_: object) -> None:
        self._connection.close()


@pytest.fixture
def one(tmp_path: Path, profile: bytes) -> Path:
    """A studio with one good picture dropped."""
    make_studio(tmp_path / "studio", profile)
    drop_pictures(tmp_path / "studio")
    (tmp_path / "studio" / HOT / "untagged.tif").unlink()
    return tmp_path / "studio"


@pytest.fixture
def opened(one: Path) -> Iterator[OpenStudio]:
    """The same, open for single turns."""
    with open_studio(one, Hurried()) as studio:
        yield studio
        studio.dispatch.stop()


def turns_until(studio: OpenStudio, state: str) -> None:
    """Turn until the only job is in a state, and something works on it."""
    deadline = time.monotonic() + 60
    while time.monotonic() < deadline:
        studio.dispatch.turn()
        rows = studio.workshop.ledger.read.jobs()
        if rows and rows[0].state == state:
            return
        time.sleep(0.01)
    raise AssertionError(f"never {state}")


def finish(studio: OpenStudio) -> None:
    """Turn until nothing is being worked on."""
    while studio.dispatch.turn().working:
        time.sleep(0.01)


def test_a_job_withdrawn_while_it_is_rendered_stays_withdrawn(opened: OpenStudio) -> None:
    """The work that was under way is thrown away; nothing of the job goes into a parcel."""
    turns_until(opened, "examined")
    opened.dispatch.turn()
    (row,) = opened.workshop.ledger.read.jobs()
    outcome = decide.apply(
        opened.workshop,
        Decision("d1", "decide", row.job, row.moved_seq, (), (), True, "Mira", "a mistake"),
    )
    assert outcome.applied
    finish(opened)
    opened.dispatch.close_everything()
    assert [job.state for job in opened.workshop.ledger.read.jobs()] == ["withdrawn"]
    assert opened.workshop.ledger.read.parcels() == []
    left = [*opened.workshop.folders.scratch("faces").iterdir()]
    assert [*left, *opened.workshop.folders.scratch("prints").iterdir()] == []


@pytest.mark.fault(25)
def test_a_changed_original_is_never_printed(opened: OpenStudio) -> None:
    """The archive's bytes are hashed again beside the rendering; other bytes hold the job."""
    turns_until(opened, "claimed")
    (row,) = opened.workshop.ledger.read.jobs()
    path = opened.workshop.folders.archived(row.original_sha256, "tif")
    path.chmod(0o644)
    data = bytearray(path.read_bytes())
    middle = len(data) // 2
    data[middle : middle + 50] = bytes(each ^ 1 for each in data[middle : middle + 50])
    path.write_bytes(data)
    turns_until(opened, "held")
    (held,) = opened.workshop.ledger.read.jobs()
    finding = opened.workshop.ledger.read.body(held.held_seq)["findings"][0]
    assert "no longer what was taken in" in finding["message"]


@here
def test_what_cannot_be_taken_in_stops_nothing_else(one: Path) -> None:
    """Files of 200 GB and of the year 2381, and names in the way of ours: the good one goes on."""
    (one / HOT / "huge.tif").touch()
    os.truncate(one / HOT / "huge.tif", 200 * 10**9)
    shutil.copy(one / HOT / "good.tif", one / HOT / "later.tif")
    os.utime(one / HOT / "later.tif", ns=(12_980_000_000 * 10**9, 12_980_000_000 * 10**9))
    (one / "hot/.WAITING.txt.tmp").mkdir()
    for odd in ("y--²", "y--99999999999999999999"):
        (one / "held/small-rag" / odd).mkdir(parents=True)
    swept(one)
    assert states(one)["good.tif"] == "delivered"
    assert (one / HOT / "huge.tif").exists()
    (one / "hot/.WAITING.txt.tmp").rmdir()
    swept(one)
    told = (one / "hot/WAITING.txt").read_text()
    assert told.count("huge.tif") == 1
    assert "the studio takes at most" in told


@here
@pytest.mark.parametrize("kind", ["folder", "pipe"])
def test_an_answer_sheet_that_is_no_file_is_told(kind: str, one: Path) -> None:
    """A folder or a pipe in the sheet's place is named, and the job keeps waiting."""
    (one / HOT / "good.tif.toml").write_text("copies = 'many'\n")
    swept(one)
    (folder,) = (one / "held/small-rag").iterdir()
    (folder / "ANSWER.txt").unlink()
    if kind == "folder":
        (folder / "ANSWER.txt").mkdir()
    else:
        os.mkfifo(folder / "ANSWER.txt")
    swept(one)
    assert "ANSWER.txt is no plain file" in (one / "hot/WAITING.txt").read_text()
    assert states(one) == {"good.tif": "held"}


@here
def test_held_folders_come_back_whole_and_for_the_group(one: Path) -> None:
    """A folder that was emptied but for somebody's own file gets its sheet again, for the group."""
    (one / HOT / "good.tif.toml").write_text("copies = 'many'\n")
    before = os.umask(0o027)
    try:
        swept(one)
        (folder,) = (one / "held/small-rag").iterdir()
        for path in folder.iterdir():
            path.unlink()
        (folder / ".DS_Store").touch()
        swept(one)
    finally:
        os.umask(before)
    assert {"WHY.html", "WHY.txt", "ANSWER.txt", ".DS_Store"} <= {p.name for p in folder.iterdir()}
    assert stat.S_IMODE((folder / "ANSWER.txt").stat().st_mode) == 0o660
    assert folder.stat().st_mode & stat.S_ISGID


@here
def test_a_sealed_parcel_whose_work_is_gone_is_given_up(
    one: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Stopped between sealed and published, with work/ deleted: made again, delivered once."""
    from platemark import durable

    def stop(moment: str, name: str, paths: tuple[Path, ...]) -> None:
        if moment == "before" and name == "publish" and "outgoing" in str(paths[-1]):
            raise KeyboardInterrupt

    durable.observe(stop)
    with pytest.raises(KeyboardInterrupt):
        swept(one)
    durable.observe(None)
    shutil.rmtree(one / "work")
    swept(one)
    assert states(one) == {"good.tif": "delivered"}
    assert len(list((one / "at-the-lab").iterdir())) == 1


@here
@pytest.mark.fault(25)
def test_a_damaged_print_file_is_made_again(one: Path) -> None:
    """A print file that rotted in the archive before its parcel is made anew, never sent."""
    with open_studio(one, Hurried()) as studio:
        turns_until(studio, "rendered")
        studio.dispatch.stop()
        (row,) = studio.workshop.ledger.read.jobs()
        assert row.print_sha256 is not None
        path = studio.workshop.folders.archived(row.print_sha256, "tif")
    path.chmod(0o644)
    good = path.read_bytes()
    path.write_bytes(good[:-1] + bytes([good[-1] ^ 1]))
    swept(one)
    assert states(one) == {"good.tif": "delivered"}
    (sent,) = (one / "at-the-lab").glob("*/data/*.tif")
    assert sent.read_bytes() == good


@here
def test_a_pipe_as_a_profile_does_not_hang(one: Path) -> None:
    """A profile that is no plain file counts as missing."""
    (one / "profiles/rag.icc").unlink()
    os.mkfifo(one / "profiles/rag.icc")
    swept(one)
    with connect(one) as read:
        (row,) = read.jobs()
        finding = read.body(row.held_seq)["findings"][0]
    assert finding["code"] == "profile-unusable"


@here
def test_a_link_in_the_way_moves_nothing_of_ours(opened: OpenStudio) -> None:
    """A folder that becomes a link after the claim: the studio's own files stay where they are."""
    root = opened.workshop.folders.root
    sub = root / "hot/small-rag/sub"
    sub.mkdir()
    shutil.move(root / HOT / "good.tif", sub / "studio")
    shutil.move(root / HOT / "good.tif.toml", sub / "studio.toml")
    turns_until(opened, "claimed")
    (sub / "studio").rename(root / "hot/small-rag/aside")
    (sub / "studio.toml").unlink()
    sub.rmdir()
    sub.symlink_to(root)
    finish(opened)
    assert (root / "studio.toml").is_file()
    assert not (root / "studio.toml").is_symlink()


@here
def test_the_same_name_from_another_folder_is_seen(one: Path) -> None:
    """Two good pictures of one name in two orders go their own ways."""
    import tifffile

    other = one / "hot/small-rag/Finch/2x3in"
    other.mkdir(parents=True)
    srgb = build_matrix_profile("srgb")
    tifffile.imwrite(other / "good.tif", picture(200, 300, 9), photometric="rgb", iccprofile=srgb)
    swept(one)
    with connect(one) as read:
        assert sorted((row.state, row.order) for row in read.jobs()) == [
            ("delivered", "Alder"),
            ("delivered", "Finch"),
        ]
    assert len(list((one / "outgoing" / LAB).iterdir())) == 1


@here
def test_a_link_in_held_leads_nowhere_for_us(one: Path) -> None:
    """A link in place of a held folder is neither written through nor deleted through."""
    (one / HOT / "letter.tif").write_text("this is no picture")
    swept(one)
    (folder,) = (one / "held/small-rag").iterdir()
    shutil.rmtree(folder)
    elsewhere = one / "elsewhere"
    elsewhere.mkdir()
    (elsewhere / "WHY.html").write_text("mine")
    folder.symlink_to(elsewhere)
    swept(one)
    assert [path.name for path in elsewhere.iterdir()] == ["WHY.html"]
    assert "is no folder but something else" in (one / "hot/WAITING.txt").read_text()
    folder.unlink()
    folder.write_text("in the way")
    swept(one)
    folder.unlink()
    swept(one)
    assert (folder / "WHY.html").is_file()


@here
def test_nonsense_in_decisions_is_put_aside(one: Path) -> None:
    """A pipe, a folder and nonsense in decisions/ stop no service and no other answer."""
    swept(one)
    decisions = one / "decisions"
    os.mkfifo(decisions / "0.json")
    (decisions / "1.json").mkdir()
    (decisions / "2.json").write_text("[" * 60_000)
    for number, text in ((3, '"\\ud800"'), (4, str(10**30))):
        key = "by" if number == 3 else "job"
        good = {"id": f"x{number}", "kind": "decide", "job": 1, "expected_seq": 1, "accept": [],
                "settings": [], "withdraw": True, "by": "Mira", "because": "x"}  # fmt: skip
        body = json.dumps({**good, key: "?"}).replace('"?"', text)
        (decisions / f"{number}.json").write_text(body)
    swept(one)
    assert list(decisions.glob("*.json")) == []
    assert len(list(decisions.glob("*.unreadable"))) == 5


@here
def test_a_bad_decision_keeps_no_other_waiting(
    opened: OpenStudio, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Not one that meets a mistake of ours, lies beside a folder, or is about a lost surface.

    What is told of it has no hidden signs and an end, and nobody signs as the service.
    """
    turns_until(opened, "claimed")
    shop = opened.workshop
    read, decisions = shop.ledger.read, shop.folders.decisions
    shop.settings = replace(shop.settings, surfaces=())
    settle = PictureDecision("b-lost", "picture", 1, 0, "chroma 1.1", None, "Mira", "seen")
    add = ProfileDecision("c-add", "profile-add", LAB, "x\x1b", 0, "", "0" * 64, "Mira", "new")
    for decision in (
        replace(settle, id="a-mistake", because="a mistake"),
        settle,
        add,
        replace(settle, id="d-long", adjust="\u202e\x1b[31m" + "x" * 60_000),
        replace(settle, id="e-sign", by="service"),
    ):
        (decisions / f"{decision.id}.json").write_text(json.dumps(to_plain(decision)))
    (decisions / "c-add.icc").mkdir()
    kind = decision_kinds.KINDS["picture"]

    def mistaken(workshop: Workshop, decision: PictureDecision) -> str:
        if decision.because == "a mistake":
            raise LookupError
        return kind.apply(workshop, decision)

    kinds = {**decision_kinds.KINDS, "picture": replace(kind, apply=mistaken)}
    monkeypatch.setattr(decision_kinds, "KINDS", kinds)
    with pytest.raises(LookupError):
        decide.apply_waiting(shop)
    assert [path.name for path in decisions.glob("*.json")] == ["a-mistake.json"]
    told = {}
    for name in ("b-lost", "c-add", "d-long", "e-sign"):
        entry = read.decided(name)
        assert entry is not None
        assert entry.kind == "decision-refused"
        told[name] = entry
        assert entry.body["sentence"].isprintable()
        assert len(entry.body["sentence"]) <= 1000
    assert "there is no such surface any more" in told["b-lost"].body["sentence"]
    assert told["c-add"].body["surface"] == "x\ufffd"
    assert told["e-sign"].actor == decide.NOBODY
