"""The record is searched by all that a person may remember of a job."""

import unicodedata
from collections.abc import Iterator
from contextlib import closing
from datetime import date
from zoneinfo import ZoneInfo

import pytest
from records import Clock, claimed, fill, sha

from platemark.ledger.search import Search, Wanted
from platemark.ledger.store import Ledger

JOBS = 40
NAMES = ("Grüße_16x20in.tif", unicodedata.normalize("NFD", "Árbol.tif"), "100%_raw.tif")


@pytest.fixture(scope="module")
def search(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Search]:
    """Forty jobs, and three whose names have other letters or signs of a pattern."""
    path = tmp_path_factory.mktemp("search") / "ledger.sqlite3"
    with closing(Ledger(path, Clock())) as ledger:
        fill(ledger, JOBS)
        for job, name in enumerate(NAMES, JOBS + 1):
            with ledger.transaction() as transaction:
                transaction.append("claimed", {**claimed(job), "name": name}, job=job)
        surfaces, labs = {"smooth-rag": "Glatte Büttenkarte"}, {"brindlewick": "Brindle House"}
        yield Search(ledger.read, ZoneInfo("Europe/Berlin"), surfaces, labs)


def found(search: Search, text: str = "", **more: object) -> list[int]:
    """The jobs that a search finds."""
    return [row.job for row in search.find(Wanted(text, **more), most=100).jobs]  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("text", "jobs"),
    [
        ("heron-000007", [7]),
        ("HERON-000007.TIF", [7]),
        ("tif Heron 000007", [7]),
        ("Order 12", [12]),
        (sha("o", 9), [9]),
        (sha("o", 9)[:8], [9]),
        (sha("r", 9)[:8], [9]),
        ("#23", [23]),
        ("zebra", []),
        ("heron zebra", []),
        # Other letters, in either case, composed or not (Unicode Standard Annex 15).
        ("grüße", [41]),
        ("GRÜ", [41]),
        (unicodedata.normalize("NFD", "grüße"), [41]),
        ("árbol", [42]),
        (unicodedata.normalize("NFD", "Árbol"), [42]),
        ("gruße", []),
        # Signs of a pattern are only signs.
        ("100%", [43]),
        ("h%n", []),
        ("1_0%", []),
    ],
)
def test_words_find_jobs(search: Search, text: str, jobs: list[int]) -> None:
    """Each word must be somewhere: in a name, a title, an order, as a number or a hash."""
    assert found(search, text) == jobs


def test_parcels_days_and_states(search: Search) -> None:
    """A parcel by its name with its jobs; days are local ones; fields narrow what words find."""
    parcel = search.newest_parcels(1)[0]
    told = search.find(Wanted(parcel.name))
    assert [each.name for each in told.parcels] == [parcel.name]
    assert told.jobs
    assert all(job.parcel == parcel.name for job in told.jobs)
    assert found(search, state="held") == [40, 30, 20, 10]
    assert len(found(search, "2026-05-01")) == len(found(search, "2026-05")) == JOBS + len(NAMES)
    assert found(search, "2026-04") == []
    assert found(search, since=date(2026, 5, 2)) == []
    assert found(search, "heron", state="held", lab="elsewhere") == []


def test_surfaces_and_labs_by_what_people_read(search: Search) -> None:
    """Their names find what their ids do."""
    for text in ("smooth-rag", "glatte büttenkarte", "BÜTTEN"):
        assert found(search, text) == found(search)
    assert found(search, "Brindle house") == found(search, "heron")
    assert found(search, "büttenkarte zebra") == []


def test_pages_follow_each_other(search: Search) -> None:
    """Every job is on one page, the newest first, and the last page says so."""
    seen, before = [], None
    while True:
        page = search.find(Wanted(), before=before, most=10)
        seen += [row.job for row in page.jobs]
        if page.before is None:
            break
        before = page.before
    assert seen == list(range(JOBS + len(NAMES), 0, -1))
