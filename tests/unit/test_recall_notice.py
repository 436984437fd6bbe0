"""The pages of a recall notice."""

from __future__ import annotations

import re

import pytest
from test_pages import HOSTILE, TURNING, Page

from made_recalls import made_print, made_recall
from platemark.model.recall import RecallNotice
from platemark.model.ticket import TicketRecall
from platemark.parcel.recall_notice import WIDTH, recall_html, recall_text


def words_of(notice: RecallNotice) -> str:
    return " ".join(Page(recall_html(notice)).words.split())


def hostile() -> RecallNotice:
    print_ = made_print(title=HOSTILE, order=HOSTILE, product=HOSTILE, size=HOSTILE)
    return made_recall(print_, studio=HOSTILE, lab_name=HOSTILE, studio_contact=HOSTILE)


def test_hostile_words_stay_words() -> None:
    """Whatever a title or a name holds, it adds no tag to the page and turns no writing."""
    html = recall_html(hostile())
    page = Page(html)
    assert page.open == []
    assert not {"script", "iframe", "object", "link", "base", "form", "img"} & set(page.tags)
    assert not [name for name, _ in page.attributes if name.startswith("on")]
    assert "<script>alert(1)</script>" in page.words
    assert not TURNING.search(html)
    assert not TURNING.search(recall_text(hostile()))


def test_the_page_needs_nothing_from_elsewhere() -> None:
    """A page opened without a network looks the same: all is inside it."""
    html = recall_html(made_recall())
    assert not re.search(r"https?:|//[a-z]|@import|url\(", html)
    policy = dict(Page(html).attributes).get("content", "")
    assert policy == "default-src 'none'; img-src data:; style-src 'unsafe-inline'"


def test_it_begins_with_what_is_not_to_be_done() -> None:
    """The first large words say it, with the job where it is one and the number where several."""
    assert "Do not print job 000123" in words_of(made_recall())
    two = made_recall(made_print(), made_print(124, purpose="test", copies=1))
    assert "Do not print these 2 jobs" in words_of(two)
    assert "Job 000124: 1 test print on" in words_of(two)
    assert "these 2 jobs Jobs 000123, 000124." in words_of(two)
    assert recall_text(two).splitlines()[:2] == [
        "DO NOT PRINT THESE 2 JOBS",
        "Jobs 000123, 000124.",
    ]


@pytest.mark.parametrize("made", [words_of, lambda notice: " ".join(recall_text(notice).split())])
def test_what_becomes_of_the_rest_of_a_parcel(made: object) -> None:
    """What is not called back is wanted, but nothing that an earlier notice called back."""
    rest = "Everything else of parcel brindlewick-000017 is still wanted, as its own ticket says."
    assert rest in made(made_recall())  # type: ignore[operator]
    before = tuple(
        TicketRecall(job, "brindlewick-000017", f"brindlewick-0000{notice}")
        for job, notice in ((119, 14), (121, 15), (122, 15))
    )
    torn = made(made_recall(before=before))  # type: ignore[operator]
    earlier = "Called back before and still not to be printed:"
    assert (
        f"{earlier} job 000119 (notice brindlewick-000014). "
        f"{earlier} jobs 000121, 000122 (notice brindlewick-000015). {rest}"
    ) in torn
    whole = made(made_recall(whole_parcels=("brindlewick-000017",)))  # type: ignore[operator]
    assert "Nothing of parcel brindlewick-000017 is to be printed." in whole
    assert "still wanted" not in whole


def test_the_text_keeps_to_its_columns() -> None:
    """It can be read in a narrow window; only a hash is longer, and stays whole."""
    for line in recall_text(made_recall(made_print(), made_print(124))).splitlines():
        assert len(line) <= WIDTH
