"""Tickets and covers on paper, drawn by the real child and read by another reader of PDF."""

from __future__ import annotations

import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import pytest
from pdfminer.high_level import extract_pages, extract_text
from pdfminer.layout import LTPage, LTTextContainer, LTTextLine
from skimage import data, io

from made_tickets import canvas, made_parcel, made_ticket, panel, previewed, trimmed
from platemark.engine.papers import draw_paper
from platemark.model.ticket import ParcelTicket
from platemark.parcel.cover_pdf import cover_paper
from platemark.parcel.forms import Pictures
from platemark.parcel.ticket_pdf import ticket_paper

HOSTILE = "<script>alert(1)</script>\u202egnp.exe & \"'></style>"
LONG = "Die Brandung bei Nacht im Nordsturm, von der Mole aus gesehen, " * 4
UNBROKEN = "Lichtdurchlässigkeitsmessgerätehersteller" * 6
FOREIGN = "Åsa Þórsdóttir, 山田花子, 김민수, Жанна"


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[ParcelTicket, Pictures]:
    """Three jobs: a hostile and foreign one, a heavy canvas of a set, and a name without an end."""
    photograph = tmp_path_factory.mktemp("drawn") / "astronaut.jpg"
    io.imsave(photograph, data.astronaut())
    parcel = made_parcel(
        previewed(made_ticket(1, title=HOSTILE, order=FOREIGN, ship_to="नमस्ते")),
        canvas(panel(made_ticket(2, set="Tide", set_of=3, purpose="test"))),
        trimmed(made_ticket(3, copies=12, title="x" * 3000)),
    )
    files = {1: str(photograph), 2: str(photograph)}
    return parcel, Pictures({}, {}, files, {1: str(photograph)})


def read(path: Path) -> str:
    return extract_text(path).replace("\n", " ")


def test_a_ticket_says_what_the_lab_needs(
    made: tuple[ParcelTicket, Pictures], tmp_path: Path
) -> None:
    """Quantity, product, orders, care, set, test and witness are words that can be read out."""
    parcel, pictures = made
    assert draw_paper(ticket_paper(parcel, pictures), tmp_path / "t.pdf") >= len(parcel.tickets)
    text = read(tmp_path / "t.pdf")
    for words in (
        "Smooth Cotton Rag 310", "Print without colour management", "TEST PRINT", "About 11.3 kg",
        "Do not crop", "Set Tide", parcel.witness.hash, "<script>alert(1)</script>",
        *FOREIGN.split(),
        "[U+0928]",
    ):  # fmt: skip
        assert words in text
    assert "\u202e" not in text


def test_a_cover_counts(made: tuple[ParcelTicket, Pictures], tmp_path: Path) -> None:
    """The sheet on top holds the sums, each job, how it is checked, and the witness."""
    parcel, pictures = made
    draw_paper(cover_paper(parcel, pictures), tmp_path / "c.pdf")
    text = read(tmp_path / "c.pdf")
    prints = sum(ticket.request.copies for ticket in parcel.tickets)
    for words in (f"3 jobs, {prints} prints", "sha256sum --check", "000002", parcel.witness.hash):
        assert words in text


def test_the_same_words_are_the_same_bytes(
    made: tuple[ParcelTicket, Pictures], tmp_path: Path
) -> None:
    """Nothing of the hour or the machine is in a paper."""
    for name in ("a.pdf", "b.pdf"):
        draw_paper(ticket_paper(*made), tmp_path / name)
    assert (tmp_path / "a.pdf").read_bytes() == (tmp_path / "b.pdf").read_bytes()


def test_many_jobs_and_a_spoilt_drawing(tmp_path: Path) -> None:
    """Twelve jobs are twelve tickets, and a drawing that is no picture costs only itself."""
    parcel = made_parcel(*(made_ticket(job) for job in range(1, 13)))
    spoilt = tmp_path / "spoilt.jpg"
    spoilt.write_bytes(b"\xff\xd8 no picture")
    pictures = replace(Pictures({}, {}), drawing_files={1: str(spoilt)})
    draw_paper(ticket_paper(parcel, pictures), tmp_path / "t.pdf")
    assert len(list(extract_pages(tmp_path / "t.pdf"))) == 12
    assert "There is no small picture of this job" in read(tmp_path / "t.pdf")


def lines_on(page: LTPage) -> list[LTTextLine]:
    boxes = [box for box in page if isinstance(box, LTTextContainer)]
    return [line for box in boxes for line in box if isinstance(line, LTTextLine)]


def overlap(one: LTTextLine, other: LTTextLine) -> bool:
    """Whether two lines of words stand on each other; their boxes may touch."""
    wide = min(one.x1, other.x1) - max(one.x0, other.x0)
    high = min(one.y1, other.y1) - max(one.y0, other.y0)
    return wide > 1 and high > 0.35 * min(one.height, other.height)


WORDS = (LONG, UNBROKEN, f"שלום {HOSTILE} مرحبا 42", "山田花子" * 50, "🎨" * 60)


def test_no_words_break_a_page(tmp_path: Path) -> None:
    """Whatever letters, none runs off the paper or over another, and no page is empty."""
    tickets = []
    for at, words in enumerate(WORDS, 1):
        keys = ("title", "order", "note", "ship_to", "hardware")
        asked = {key: words[:200] if key == "title" else words for key in keys}
        tickets.append(previewed(made_ticket(2 * at, copies=1200, **asked)))
        of_set = {"set": words, "set_of": 2, "purpose": "test"}
        tickets.append(canvas(panel(made_ticket(2 * at + 1, **of_set, **asked))))
    for name, made in (("t", ticket_paper), ("c", cover_paper)):
        draw_paper(made(made_parcel(*tickets), Pictures({}, {})), tmp_path / f"{name}.pdf")
        for page in extract_pages(tmp_path / f"{name}.pdf"):
            lines = lines_on(page)
            assert len(lines) > 4
            # Margins of 15 mm at the sides.
            assert min(line.x0 for line in lines) > 40
            assert max(line.x1 for line in lines) < page.width - 40
            assert min(line.y0 for line in lines) > 20
            pairs = [(one, other) for at, one in enumerate(lines) for other in lines[:at]]
            assert [pair for pair in pairs if overlap(*pair)] == []


@pytest.mark.tool("pdffonts")
def test_every_typeface_is_embedded(made: tuple[ParcelTicket, Pictures], tmp_path: Path) -> None:
    """As poppler-utils lists them: embedded, and only the letters that are used."""
    draw_paper(ticket_paper(*made), tmp_path / "t.pdf")
    program = shutil.which("pdffonts")
    assert program is not None
    listed = subprocess.run(
        [program, tmp_path / "t.pdf"], capture_output=True, text=True, check=True
    ).stdout.splitlines()[2:]
    assert listed
    assert all(line.split()[-5:-2] == ["yes", "yes", "yes"] for line in listed)
