"""Jobs called back: before they leave, after they left, by command, cut off anywhere."""

import json
import shutil
import uuid
from collections.abc import Callable
from pathlib import Path

import bagit
import pytest
from at_work import ask_here
from harness import LAB
from recalled_studio import (
    BECAUSE,
    FIRST,
    SECOND,
    job,
    kinds,
    opened,
    put,
    recall,
    swept,
    ticket,
    turns,
)

from platemark import durable
from platemark.app.open_studio import open_studio, reading
from platemark.delivery.folder import COURIER
from platemark.engine import decide
from platemark.engine.deliver import delivery_id
from platemark.ledger.proof import find_faults_beside
from platemark.model.decision import RecallDecision, SeenJob
from platemark.parcel.bag import verify_parcel

FOUR = [1, 2, 3, 4]


def holds(root: Path) -> None:
    """The record holds, and nothing of ours is left half done."""
    with reading(root) as reader:
        assert reader.find_fault() is None
        assert list(find_faults_beside(reader)) == []
        for row in reader.jobs():
            original = reader.body(row.claimed_seq)["original"]["extension"]
            kept = root / "archive" / row.original_sha256[:2] / f"{row.original_sha256}.{original}"
            assert durable.hash_file(kept) == row.original_sha256
    for kind in ("taken-back", "parcels", "spool"):
        folder = root / "work" / kind
        assert not folder.exists() or not list(folder.iterdir())
    for parcel in (root / "outgoing" / LAB).iterdir():
        assert verify_parcel(parcel) == ()


def at_lab(root: Path) -> list[str]:
    """All names in the lab's folder, hidden ones too."""
    return sorted(path.name for path in (root / "at-the-lab").iterdir())


def states(root: Path) -> list[tuple[str, str | None]]:
    """State and parcel of each job."""
    with reading(root) as reader:
        return [(row.state, row.parcel) for row in reader.jobs()]


def decision(root: Path, *numbers: int, **changed: object) -> RecallDecision:
    """What Asa decides who has just looked."""
    with reading(root) as reader:
        rows = [row for number in numbers if (row := reader.job(number)) is not None]
    asked = {
        "id": str(uuid.uuid4()), "kind": "recall", "by": "Asa", "because": BECAUSE,
        "jobs": tuple(SeenJob(row.job, row.moved_seq) for row in rows),
    }  # fmt: skip
    return RecallDecision(**{**asked, **changed})  # type: ignore[arg-type]


def test_a_parcel_that_has_not_left_is_taken_back_whole(closed: Path) -> None:
    """The job is withdrawn, its parcel never sent, and the others go in a new one that says so."""
    before = ticket(closed / "outgoing" / LAB / FIRST)
    code, said = recall(closed, "1")
    assert code == 0
    assert "Job 000001 is taken back before leaving the studio." in said
    assert f"Parcel {FIRST} is never sent; jobs 000002, 000003, 000004 of it go into" in said
    assert "platemark sweep" in said
    assert states(closed) == [("withdrawn", None), *[("parcelled", SECOND)] * 3]
    assert [path.name for path in (closed / "outgoing" / LAB).iterdir()] == [SECOND]
    again = ticket(closed / "outgoing" / LAB / SECOND)
    assert (again["parcel"], again["replaces"]) == (SECOND, FIRST)
    # Of each job the ticket says what it said, the small picture too.
    assert again["tickets"] == before["tickets"][1:]
    page = (closed / "outgoing" / LAB / SECOND / "ticket.html").read_text()
    assert page.count('alt="The whole print file') == 3
    assert f"takes the place of {FIRST}, which was never sent" in page
    assert swept(closed).fault == ""
    assert at_lab(closed) == [SECOND]
    bagit.Bag(str(closed / "at-the-lab" / SECOND)).validate()
    assert states(closed) == [("withdrawn", None), *[("delivered", SECOND)] * 3]
    assert job(closed, 1)["recalled"]["how"] == "taken-back"
    assert "nothing was sent" in ask_here(closed, "job", "1")[1]
    assert ask_here(closed, "ledger", "verify", "--files")[0] == 0
    assert not list((closed / "work/drawings").glob("[0-9]*.jpg"))
    holds(closed)


def test_a_parcel_of_which_all_is_taken_back_has_no_successor(closed: Path) -> None:
    """Nothing is left to send, and nothing is sent."""
    code, said = recall(closed, "1-4")
    assert (code, "go into a new parcel" in said) == (0, False)
    assert swept(closed).fault == ""
    assert (at_lab(closed), list((closed / "outgoing" / LAB).iterdir())) == ([], [])
    assert states(closed) == [("withdrawn", None)] * 4
    holds(closed)


def test_a_second_recall_takes_the_successor_back(closed: Path) -> None:
    """What was packed anew is taken back in its turn."""
    recall(closed, "1")
    assert recall(closed, "2")[0] == 0
    third = f"{LAB}-000003"
    assert ticket(closed / "outgoing" / LAB / third)["replaces"] == SECOND
    swept(closed)
    assert at_lab(closed) == [third]
    holds(closed)


def test_what_an_upload_left_at_the_lab_is_removed(closed: Path) -> None:
    """The private copy of an upload that was not recorded goes, if the lab is away at first too."""
    with open_studio(closed) as at_work:
        lab = at_work.workshop.settings.labs[0]
        parcel = at_work.workshop.ledger.read.parcel(FIRST)
        assert parcel is not None
        ident = delivery_id(parcel, lab)
        COURIER.upload(closed / "outgoing" / LAB / FIRST, lab.delivery, closed, ident)
        at_work.dispatch.stop()
    assert at_lab(closed) == [f".platemark-{ident}", f".up-{ident}"]
    recall(closed, "1")
    (closed / "at-the-lab").rename(closed / "away")
    swept(closed)
    (closed / "away").rename(closed / "at-the-lab")
    assert swept(closed).fault == ""
    assert at_lab(closed) == [SECOND]
    assert kinds(closed).count("parcel-cleared") == 1
    swept(closed)
    assert kinds(closed).count("parcel-cleared") == 1
    holds(closed)


def test_what_was_verified_at_the_lab_counts_as_seen(closed: Path) -> None:
    """From verified on nothing is taken back: the lab gets the parcel, and then its recall."""
    with open_studio(closed) as at_work:
        lab, ledger = at_work.workshop.settings.labs[0], at_work.workshop.ledger
        parcel = ledger.read.parcel(FIRST)
        assert parcel is not None
        ident = delivery_id(parcel, lab)
        COURIER.upload(closed / "outgoing" / LAB / FIRST, lab.delivery, closed, ident)
        with ledger.transaction() as transaction:
            body = {"parcel": FIRST, "delivery": ident}
            transaction.append("parcel-verified-at-lab", body)
        at_work.dispatch.stop()
    code, said = recall(closed, "2")
    assert code == 0
    assert f"Brindlewick has {FIRST} or may." in said
    assert "the notice brindlewick-000002 is not at Brindlewick yet" in _waiting(closed)
    assert swept(closed).fault == ""
    with reading(closed) as reader:
        sent = [entry.body["parcel"] for entry in reader.entries(kind="parcel-delivered")]
    assert sent == [FIRST, SECOND]
    assert at_lab(closed) == [FIRST, SECOND]
    holds(closed)


def test_the_lab_is_told_of_what_it_has(delivered: Path) -> None:
    """One notice for several jobs: a bag without pictures, told by the same courier."""
    code, said = recall(delivered, "1", "2")
    assert code == 0
    assert "Jobs 000001, 000002 are called back" in said
    assert swept(delivered).fault == ""
    assert at_lab(delivered) == [FIRST, SECOND]
    notice = delivered / "at-the-lab" / SECOND
    bagit.Bag(str(notice)).validate()
    assert {path.suffix for path in notice.rglob("*") if path.is_file()} == {
        ".html", ".json", ".txt",
    }  # fmt: skip
    told = json.loads((notice / "recall.json").read_bytes())
    sent = {each["job"]: each for each in ticket(delivered / "at-the-lab" / FIRST)["tickets"]}
    assert [each["job"] for each in told["prints"]] == [1, 2]
    for each in told["prints"]:
        made = sent[each["job"]]
        assert each["print_file"] == made["print_file"]["path"]
        assert each["print_file_sha256"] == made["print_file"]["sha256"]
        assert each["copies"] == made["request"]["copies"]
        assert each["product"] == made["request"]["product"]
        assert each["parcel"] == FIRST
    assert told["whole_parcels"] == []
    for name in ("recall.html", "data/recall.txt"):
        words = " ".join((notice / name).read_text().split())
        assert "do not print these 2 jobs" in words.lower()
        assert told["prints"][0]["print_file_sha256"] in words
        assert f"Everything else of parcel {FIRST} is still wanted" in words
        assert "keep it, send it to nobody, and tell us" in words
    assert [state for state, _ in states(delivered)] == ["delivered"] * 4
    assert job(delivered, 1)["recalled"] | {"at": ""} == {
        "at": "", "by": "Asa", "how": "notice", "parcel": FIRST, "notice": SECOND,
        "notice_delivered": True,
    }  # fmt: skip
    assert "delivered, recalled" in ask_here(delivered, "jobs")[1]
    holds(delivered)


def test_why_and_who_never_leave_the_studio(delivered: Path) -> None:
    """No file of a notice has the reason, nor the name of who called it back."""
    recall(delivered, "1")
    swept(delivered)
    for path in (delivered / "at-the-lab" / SECOND).rglob("*"):
        if path.is_file():
            text = path.read_text()
            assert "Waldmeister" not in text
            assert "Asa" not in text
    history = job(delivered, 1)["history"][-1]
    assert (history["kind"], history["actor"]) == ("recalled", "Asa")
    assert history["body"]["because"] == BECAUSE


def test_recalled_twice_is_said_and_not_repeated(delivered: Path) -> None:
    """A second command says who was first; with another job it is about that one alone."""
    recall(delivered, "1")
    code, said = recall(delivered, "1", by="Mira")
    assert code == 1
    assert "Job 000001 was called back already, by Asa on" in said
    code, said = recall(delivered, "1", "2", by="Mira")
    assert code == 0
    assert "Job 000002 is called back" in said
    swept(delivered)
    third = f"{LAB}-000003"
    assert at_lab(delivered) == [FIRST, SECOND, third]
    # The second notice does not say that the job of the first is wanted after all.
    text = " ".join((delivered / "at-the-lab" / third / "data/recall.txt").read_text().split())
    assert f"before and still not to be printed: job 000001 (notice {SECOND})." in text
    assert kinds(delivered).count("recalled") == 2
    holds(delivered)


def test_the_next_parcel_says_what_was_called_back(delivered: Path) -> None:
    """A lab that overlooked the notice reads it on the next ticket."""
    recall(delivered, "1")
    swept(delivered)
    put(delivered, "later.tif", "coffee", order="Birch")
    swept(delivered)
    later = delivered / "at-the-lab" / f"{LAB}-000003"
    assert ticket(later)["recalled"] == [{"job": 1, "notice": SECOND, "parcel": FIRST}]
    for name in ("ticket.html", "changes.txt"):
        words = " ".join((later / name).read_text().split())
        assert f"not to be printed: job 000001 of parcel {FIRST} (notice {SECOND})." in words
        assert "All of this parcel is wanted." in words


def test_what_is_for_collection_stays_and_the_notice_lies_beside_it(for_collection: Path) -> None:
    """Somebody may be fetching it this moment, so nothing is moved under their hands."""
    before = sorted(path for path in (for_collection / "outgoing").rglob("*"))
    code, said = recall(for_collection, "1")
    assert code == 0
    assert f"{FIRST} stays in outgoing/ as it is" in said
    assert set(before) <= set((for_collection / "outgoing").rglob("*"))
    assert verify_parcel(for_collection / "outgoing" / LAB / SECOND) == ()
    told = "lies in outgoing/brindlewick/ and has not been fetched"
    assert told in _waiting(for_collection)
    assert states(for_collection)[0] == ("parcelled", FIRST)
    shutil.rmtree(for_collection / "outgoing" / LAB / SECOND)
    assert told not in _waiting(for_collection)
    assert "called back already" in recall(for_collection, "1")[1]


def test_what_was_closed_for_collection_is_never_taken_back(for_collection: Path) -> None:
    """Settings that name a courier since then do not undo that somebody may have fetched it."""
    file = for_collection / "labs" / f"{LAB}.toml"
    folder = 'method = "folder"\npath = "at-the-lab"'
    file.write_text(file.read_text().replace('method = "collect"', folder))
    assert recall(for_collection, "1")[0] == 0
    assert job(for_collection, 1)["recalled"]["how"] == "notice"


def test_a_set_is_called_back_together(closed: Path) -> None:
    """A part of a set is refused with the command for all of it; the whole goes."""
    code, said = recall(closed, "3")
    assert code == 1
    assert "belongs to the set “River”, which goes together: job 000004 too." in said
    assert "`platemark recall 3 4`" in said
    assert kinds(closed).count("recalled") == 0
    code, _ = recall(closed, "3", "--whole-set")
    assert code == 0
    assert [state for state, _ in states(closed)] == [
        "parcelled", "parcelled", "withdrawn", "withdrawn",
    ]  # fmt: skip
    swept(closed)
    assert at_lab(closed) == [SECOND]


def test_what_is_in_no_parcel_is_withdrawn(rendered: Path) -> None:
    """A recall of what was never sent does the friendly thing: it is not printed."""
    code, said = recall(rendered, "1")
    assert (code, "is withdrawn: nothing of it was sent" in said) == (0, True)
    assert states(rendered)[0] == ("withdrawn", None)
    assert job(rendered, 1)["recalled"] is None
    # A range means what was sent or is about to be.
    code, said = recall(rendered, "1-4")
    assert (code, "Nothing that was sent fits." in said) == (2, True)


def test_what_makes_no_sense_is_refused_and_changes_nothing(delivered: Path) -> None:
    """Each refusal says what is wrong; one wrong job of several keeps all where they are."""
    with reading(delivered) as reader:
        head = reader.head().seq
    assert "not one of the studio's people" in recall(delivered, "1", by="Nobody")[1]
    assert "says no reason" in recall(delivered, "1", because="…")[1]
    assert "There is no job 000099" in recall(delivered, "99")[1]
    stale = decision(delivered, 1, jobs=(SeenJob(1, 3), SeenJob(2, 4)))
    missing = decision(delivered, 1, jobs=(SeenJob(99, 3),))
    with open_studio(delivered) as at_work:
        for wrong, sentence in ((stale, "has moved on since"), (missing, "There is no job")):
            outcome = decide.apply(at_work.workshop, wrong)
            assert not outcome.applied
            assert sentence in outcome.sentence
            assert "Nothing was called back" in outcome.sentence
        at_work.dispatch.stop()
    with reading(delivered) as reader:
        new = [entry.kind for entry in reader.entries(head)]
    assert new == ["decision-refused"] * 3


def test_it_is_applied_once_by_its_id(delivered: Path) -> None:
    """The same decision again gives the same outcome and no second entry; a file is read once."""
    asked = decision(delivered, 2)
    with open_studio(delivered) as at_work:
        first = decide.apply(at_work.workshop, asked)
        assert decide.apply(at_work.workshop, asked) == first
        folder = delivered / "decisions"
        decide.write_decision(folder, asked, folder / ".new.tmp")
        assert decide.apply_waiting(at_work.workshop) == (first,)
        at_work.dispatch.stop()
    assert kinds(delivered, number=2).count("recalled") == 1
    assert not list(folder.iterdir())


@pytest.mark.parametrize(
    "said", ["[]", '[{"job": 0, "expected_seq": 1}]', '[{"job": 1}]', '"all"', "null"]
)
def test_a_decision_that_is_none_is_put_aside(delivered: Path, said: str) -> None:
    """Whatever lies in `decisions/` and is no recall is refused or put aside; nothing is sent."""
    file = delivered / "decisions" / "odd.json"
    text = '{"id": "odd", "kind": "recall", "jobs": %s, "by": "Asa", "because": "x", "v": 1}'
    file.write_text(text % said)
    with open_studio(delivered) as at_work:
        outcomes = decide.apply_waiting(at_work.workshop)
        at_work.dispatch.stop()
    assert not any(outcome.applied for outcome in outcomes)
    assert not file.exists()
    assert "recalled" not in kinds(delivered)


def test_a_job_whose_print_file_is_damaged_keeps_no_other(closed: Path) -> None:
    """Of a parcel that was taken back all goes that can; the rest is told, and can be given up."""
    printed = job(closed, 2)["print_sha256"]
    (path,) = (closed / "archive" / printed[:2]).glob(f"{printed}.*")
    path.chmod(0o644)
    path.write_bytes(b"damaged")
    recall(closed, "1")
    assert [each["job"] for each in ticket(closed / "outgoing" / LAB / SECOND)["tickets"]] == [3, 4]
    waiting = _waiting(closed)
    assert "cannot be packed again: Its print file in the archive is damaged" in waiting
    assert "`platemark recall 2`" in waiting
    assert recall(closed, "2")[0] == 0
    assert "cannot be packed again" not in _waiting(closed)
    assert at_lab(closed) == [SECOND]


class _Cut(BaseException):
    """The process ends here."""


def _cut_at(number: int) -> Callable[[durable.Moment, str, tuple[Path, ...]], None]:
    """An observer that ends everything before the n-th lasting operation."""
    count = 0

    def observer(moment: durable.Moment, name: str, paths: tuple[Path, ...]) -> None:
        nonlocal count
        del name, paths
        count += moment == "before"
        if count >= number:
            raise _Cut

    return observer


def _cut_off(root: Path, asked: RecallDecision, number: int) -> bool:
    """Apply a recall and end before its n-th operation; whether that came at all."""
    with open_studio(root) as at_work:
        durable.observe(_cut_at(number))
        try:
            decide.apply(at_work.workshop, asked)
        except _Cut:
            return True
        finally:
            durable.observe(None)
            at_work.dispatch.stop()
    return False


def _cut_everywhere(template: Path, folder: Path, numbers: range, *jobs: int) -> list[object]:
    """What a studio comes to when it is cut off at each of some operations, and goes on."""
    found: list[object] = []
    for number in numbers:
        root = Path(shutil.copytree(template, folder / str(number)))
        asked = decision(root, *jobs)
        was_cut = _cut_off(root, asked, number)
        with open_studio(root) as at_work:
            # The file of the decision is still there: it is applied unless it was.
            assert decide.apply(at_work.workshop, asked).applied
            at_work.dispatch.stop()
        assert swept(root).fault == ""
        holds(root)
        found.append((states(root), at_lab(root), sorted(kinds(root))))
        shutil.rmtree(root)
        if not was_cut:
            return found
    return found


CUTS = [
    pytest.param(range(1, 200, 11), id="some"),
    pytest.param(range(1, 200), id="all", marks=pytest.mark.long),
]


@pytest.mark.fault(1)
@pytest.mark.parametrize("numbers", CUTS)
def test_taken_back_and_cut_off_anywhere(closed_once: Path, tmp_path: Path, numbers: range) -> None:
    """Ended before any operation, a taken-back parcel is never sent and the others go once."""
    found = _cut_everywhere(closed_once, tmp_path, numbers, 1)
    assert len(found) > 4
    assert all(each == found[-1] for each in found)
    ended, lab, _ = found[-1]
    assert (ended[0], lab) == (("withdrawn", None), [SECOND])  # type: ignore[index]


@pytest.mark.fault(1)
@pytest.mark.parametrize("numbers", CUTS)
def test_told_and_cut_off_anywhere(delivered_once: Path, tmp_path: Path, numbers: range) -> None:
    """Ended before any operation, the lab gets one notice, whole."""
    found = _cut_everywhere(delivered_once, tmp_path, numbers, 1, 2)
    assert len(found) > 2
    assert all(each == found[-1] for each in found)
    assert found[-1][1] == [FIRST, SECOND]  # type: ignore[index]


def _waiting(root: Path) -> str:
    """What WAITING.txt says after a turn."""
    with opened(root) as at_work:
        at_work.dispatch.turn()
        said = (root / "hot/WAITING.txt").read_text()
        # No courier is left on the way.
        turns(at_work, lambda: not at_work.dispatch._couriers.working)
        return said
