"""The same name with other bytes, and the same bytes again, beside jobs at every stage."""

import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from at_work import ask_here
from harness import LAB
from recalled_studio import (
    FIRST,
    SECOND,
    job,
    prepare,
    put,
    recall,
    swept,
    ticket,
)

HERON, DUNES = 2, 1
"""Jobs of the studio."""
NEW = 5
"""The job that is dropped beside them."""


def again(root: Path, name: str, number: int) -> None:
    """Drop the very file of a job again, with the same request."""
    hot = root / "hot/small-rag"
    for ending in ("", ".toml"):
        shutil.copy(hot / f"taken/{number:06d}-{name}{ending}", hot / f"2x3in/{name}{ending}")
    prepare(root)


def corrected(root: Path, order: str = "Alder") -> None:
    """Drop another file under the name of job 2."""
    put(root, "heron.tif", "chelsea", mirrored=True, order=order)
    prepare(root)


def stop_of(root: Path, number: int = NEW) -> tuple[str, str]:
    """The one stop of a held job: its code, and all that is said."""
    held = job(root, number)
    assert held["state"] == "held"
    (stop,) = [finding for finding in held["findings"] if finding["severity"] == "stop"]
    return stop["code"], f"{stop['message']} {stop['next']}"


def page_of(root: Path, number: int = NEW) -> str:
    """What the page of a held job says."""
    (folder,) = (root / "held/small-rag").glob(f"*--{number:06d}")
    return " ".join((folder / "WHY.txt").read_text().split())


def withdrawn_by_decision(root: Path) -> tuple[int, str]:
    """Take the earlier one back by its own command."""
    who = ("--by", "Asa", "--because", "the other is right")
    return ask_here(root, "decide", str(HERON), "--withdraw", *who)


def recalled(root: Path) -> tuple[int, str]:
    """Take the earlier one back as the page says."""
    return recall(root, str(HERON))


@pytest.mark.fault(18)
@pytest.mark.parametrize("taken_back", [recalled, withdrawn_by_decision])
def test_a_corrected_picture_asks_beside_an_open_job_and_goes_when_that_is_gone(
    rendered: Path, taken_back: Callable[[Path], tuple[int, str]]
) -> None:
    """The page gives the command; once the earlier one is out of the way, the new one goes."""
    corrected(rendered)
    code, said = stop_of(rendered)
    assert code == "same-name"
    assert f"Job {HERON:06d} has the same name, heron.tif, but is another file." in said
    for words in (
        f"platemark recall {HERON} --by NAME",
        f"platemark decide {NEW} --accept same-name --by",
        f"platemark decide {NEW} --withdraw --by",
    ):
        assert words in page_of(rendered)
    exit_code, told = taken_back(rendered)
    assert exit_code == 0
    assert f"Job {NEW:06d} (heron.tif) was asked about it and is looked at again." in told
    swept(rendered)
    assert (job(rendered, HERON)["state"], job(rendered, NEW)["state"]) == (
        "withdrawn", "delivered",
    )  # fmt: skip
    (parcel,) = (rendered / "at-the-lab").iterdir()
    assert [each["job"] for each in ticket(parcel)["tickets"]] == [1, 3, 4, NEW]


def test_both_may_be_wanted(rendered: Path) -> None:
    """Who accepts it gets both, each with a name of its own in the parcel."""
    corrected(rendered)
    who = ("--by", "Asa", "--because", "two pictures of one bird")
    assert ask_here(rendered, "decide", str(NEW), "--accept", "same-name", *who)[0] == 0
    swept(rendered)
    (parcel,) = (rendered / "at-the-lab").iterdir()
    names = [each["print_file"]["path"] for each in ticket(parcel)["tickets"]]
    assert len(names) == len(set(names)) == 5


def test_while_it_is_asked_the_earlier_one_leaves(rendered: Path) -> None:
    """The old one is sent meanwhile: nothing goes by itself until it is called back."""
    corrected(rendered)
    swept(rendered)
    assert job(rendered, HERON)["state"] == "delivered"
    assert stop_of(rendered)[0] == "same-name"
    code, said = recall(rendered, str(HERON))
    assert code == 0
    assert "A notice not to print goes there next." in said
    assert "is looked at again" in said
    swept(rendered)
    third = f"{LAB}-000003"
    lab = rendered / "at-the-lab"
    assert sorted(path.name for path in lab.iterdir()) == [FIRST, SECOND, third]
    assert (lab / SECOND / "recall.json").is_file()
    told = ticket(lab / third)
    assert [each["job"] for each in told["tickets"]] == [NEW]
    assert [each["job"] for each in told["recalled"]] == [HERON]


def test_after_it_was_sent_another_file_of_that_name_is_another_picture(delivered: Path) -> None:
    """What was sent asks for nothing; the new file goes, whether or not the old is called back."""
    corrected(delivered)
    assert job(delivered, NEW)["state"] == "rendered"
    assert not any(each["severity"] == "stop" for each in job(delivered, NEW)["findings"])


def test_in_another_order_it_is_another_picture(rendered: Path) -> None:
    """Two clients may have a heron each."""
    corrected(rendered, order="Birch")
    assert job(rendered, NEW)["state"] == "rendered"
    assert job(rendered, HERON)["state"] == "rendered"


@pytest.mark.fault(19)
def test_the_same_again_after_a_recall_asks_whether_it_was_printed(delivered: Path) -> None:
    """The lab may have printed it all the same: to pay for it twice is for a person to say."""
    again(delivered, "heron.tif", HERON)
    code, said = stop_of(delivered)
    assert (code, f"already sent in parcel {FIRST}" in said) == ("same-again", True)
    # Called back while that is asked: the page says what has become of it.
    recall(delivered, str(HERON))
    prepare(delivered)
    code, said = stop_of(delivered)
    assert code == "same-again"
    assert f"called back when it was sent in parcel {FIRST}: it may have been printed" in said
    assert "Ask the lab whether it was." in page_of(delivered)
    who = ("--by", "Asa", "--because", "they had not begun")
    assert ask_here(delivered, "decide", str(NEW), "--accept", "same-again", *who)[0] == 0
    swept(delivered)
    assert job(delivered, NEW)["state"] == "delivered"
    (told,) = ticket(delivered / "at-the-lab" / f"{LAB}-000003")["tickets"]
    messages = [each["message"] for each in told["findings"]]
    assert any("which was called back" in message for message in messages)


@pytest.mark.fault(19)
def test_the_same_again_after_it_was_taken_back_in_time_goes(closed: Path) -> None:
    """Nobody can have printed what never left, so nobody is asked and the lab is told nothing."""
    recall(closed, str(DUNES))
    again(closed, "dunes.tif", DUNES)
    found = job(closed, NEW)
    assert found["state"] == "rendered"
    assert "same-again" not in {each["code"] for each in found["findings"]}


def test_the_same_again_beside_a_job_that_is_withdrawn_waits_for_its_own_answer(
    rendered: Path,
) -> None:
    """Whoever takes the first of two equal drops back may want neither."""
    again(rendered, "heron.tif", HERON)
    assert stop_of(rendered)[0] == "same-again"
    assert "looked at again" not in withdrawn_by_decision(rendered)[1]
    assert job(rendered, NEW)["state"] == "held"
