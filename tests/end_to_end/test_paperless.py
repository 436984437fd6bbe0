"""A paper that cannot be drawn by a mistake of ours: lab and studio are told, nothing waits."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from at_work import ask_here
from recalled_studio import FIRST, LAB, collecting, opened, turns

from platemark.app.page.kept_files import papers_of
from platemark.app.page.studio_seen import StudioSeen
from platemark.app.page.words import parcel_words
from platemark.engine.digest_happened import went_wrong
from platemark.model.paper import Block, Paper, Section
from platemark.parcel import bag
from platemark.parcel.forms import TicketForm, ticket_forms


@pytest.fixture
def spoilt_cover(monkeypatch: pytest.MonkeyPatch) -> None:
    """A cover with a part that nobody can draw: the mistake that there must not be."""
    section = Section(("a", "b"), (Block("nothing"),))  # type: ignore[arg-type]
    spoilt = TicketForm("cover.pdf", lambda _, __: Paper("cover", "studio", (section,)))
    forms = [spoilt if form.file_name == "cover.pdf" else form for form in ticket_forms()]
    monkeypatch.setattr(bag, "ticket_forms", lambda: forms)


def said(root: Path, wanted: Callable[[str], bool]) -> str:
    """What WAITING.txt comes to say of a parcel that is closed now; the digest is asked as well."""
    note = root / "hot/WAITING.txt"
    with opened(root) as at_work:
        at_work.dispatch.close_everything()
        turns(at_work, lambda: note.is_file() and wanted(note.read_text()))
        lines = went_wrong(at_work.workshop.ledger.read, 0)
    return "\n".join([note.read_text(), *(f"{line.text} {line.next}" for line in lines)])


@pytest.mark.usefixtures("spoilt_cover")
def test_who_is_told_of_a_paper_that_is_missing(rendered: Path, tmp_path: Path) -> None:
    """The other papers are there; parcel, WAITING.txt and digest say which is not."""
    collecting(rendered)
    words = "It goes without cover.pdf, by a mistake of Platemark's"
    told = said(rendered, lambda text: words in text)
    assert told.count(words) == 2
    assert told.count("print that where paper is wanted") == 2
    parcel = rendered / "outgoing" / LAB / FIRST
    names = {path.name for path in parcel.iterdir()}
    assert {"ticket.pdf", "ticket.html", "NO-PAPERS.txt"} <= names
    assert "cover.pdf" not in names
    assert "cover.pdf is missing here" in (parcel / "NO-PAPERS.txt").read_text()
    assert bag.verify_parcel(parcel) == ()
    seen = StudioSeen.of(rendered)
    with seen.reading() as reader:
        (row,) = reader.parcels()
        assert next(iter(papers_of(seen, reader, row))) == "NO-PAPERS.txt"
        # Nothing brings it to its lab, so the page does not say that it is on its way.
        assert parcel_words(row, reader.entry(row.seq)) == "closed, to be fetched"
    code, text = ask_here(rendered, "ledger", "verify", "--files")
    assert code == 0, text
    code, text = ask_here(rendered, "retrieve", "1", "--to", str(tmp_path / "got"))
    assert code == 0, text
    assert (tmp_path / "got" / f"{FIRST}-ticket.pdf").read_bytes().startswith(b"%PDF-")


def test_a_parcel_of_which_nothing_is_missing(for_collection: Path, tmp_path: Path) -> None:
    """Nobody is told of anything, and the ticket on paper comes back as the lab has it."""
    parcel = for_collection / "outgoing" / LAB / FIRST
    assert not (parcel / "NO-PAPERS.txt").exists()
    assert "goes without" not in said(for_collection, lambda text: True)
    code, text = ask_here(for_collection, "retrieve", "1", "--to", str(tmp_path / "got"))
    assert code == 0, text
    got = (tmp_path / "got" / f"{FIRST}-ticket.pdf").read_bytes()
    assert got == (parcel / "ticket.pdf").read_bytes()
    # One from before there were papers: the list that the record knows has none, and that is said.
    listed = (parcel / "tagmanifest-sha256.txt").read_text()
    without = [line for line in listed.splitlines() if not line.endswith("ticket.pdf")]
    (parcel / "tagmanifest-sha256.txt").write_text("".join(f"{line}\n" for line in without))
    (parcel / "ticket.pdf").unlink()
    code, text = ask_here(for_collection, "retrieve", "2", "--to", str(tmp_path / "old"))
    assert (code, "has no ticket.pdf; ticket.html says the same" in text) == (0, True), text
    assert json.loads((tmp_path / "old" / f"{FIRST}-ticket.json").read_bytes())["parcel"] == FIRST
