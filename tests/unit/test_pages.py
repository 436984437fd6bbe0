from __future__ import annotations

import re
import shlex
from collections.abc import Callable
from dataclasses import replace
from html.parser import HTMLParser
from importlib import resources
from pathlib import Path

import pytest

from made_tickets import (
    FEW_PIXELS,
    JPEG,
    PROPORTION,
    made_notice,
    made_parcel,
    made_ticket,
    panel,
)
from platemark.imaging.drawing import STYLES
from platemark.intake.answers import WIDTH, answer_text, read_answer
from platemark.intake.held import OURS, picture_name, why_html, why_text, write_held_folder
from platemark.model.terms import Box
from platemark.model.ticket import TicketGeometry
from platemark.parcel.changes_txt import WIDTH as CHANGES_WIDTH
from platemark.parcel.changes_txt import changes_text
from platemark.parcel.ticket_html import LINES, render_ticket_html
from platemark.parcel.ticket_words import colour_words, set_places

HOSTILE = "<script>alert(1)</script>\u202egnp.exe\u2066 & \"'></style><img src=x onerror=1>"
TURNING = re.compile("[\u200b\u200e\u200f\u061c\u202a-\u202e\u2066-\u2069\ufeff]")
VOID = {"meta", "br", "img", "path", "hr", "link", "input"}


class Page(HTMLParser):
    """What a page holds: its tags, its attributes and its words, and whether tags are balanced."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.attributes: list[tuple[str, str]] = []
        self.words = ""
        self.open: list[str] = []
        self.feed(html)
        self.close()

    # The names are those of the standard library's parser, which calls them.
    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Keep the tag, its attributes, and that it is open."""
        self.tags.append(tag)
        self.attributes += [(name, value or "") for name, value in attrs]
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Keep a tag that closes itself."""
        self.tags.append(tag)
        self.attributes += [(name, value or "") for name, value in attrs]

    def handle_endtag(self, tag: str) -> None:
        """Hold it against the tag that is open."""
        assert self.open.pop() == tag, f"</{tag}> closes something else"

    def handle_data(self, data: str) -> None:
        """Keep the words, not the style."""
        if self.open[-1:] != ["style"]:
            self.words += data


def hostile_ticket_page() -> str:
    ticket = made_ticket(
        title=HOSTILE, order=HOSTILE, note=HOSTILE, product=HOSTILE, set=HOSTILE, set_of=1
    )
    ticket = replace(
        panel(ticket),
        original=replace(ticket.original, name=HOSTILE),
        colour=replace(ticket.colour, output_profile=HOSTILE, source_profile=HOSTILE),
        instructions=(HOSTILE,),
        cautions=(HOSTILE,),
        changes=(replace(ticket.changes[0], text=HOSTILE, before=HOSTILE, after=HOSTILE),),
        findings=(replace(ticket.findings[0], message=HOSTILE),),
    )
    parcel = replace(made_parcel(ticket, made_ticket(124)), studio=HOSTILE, lab_name=HOSTILE)
    return render_ticket_html(parcel, {123: JPEG})


def hostile_why_page() -> str:
    finding = replace(PROPORTION, message=HOSTILE, next=HOSTILE, choices=(f"title={HOSTILE}",))
    notice = made_notice(
        finding,
        name=HOSTILE, order=HOSTILE, surface_name=HOSTILE, lab_name=HOSTILE,
        facts=((HOSTILE, HOSTILE),), people=((HOSTILE, "photographer"),),
        drawing_choices=(("a", f"title={HOSTILE}: {HOSTILE}"),),
    )  # fmt: skip
    return why_html(notice, JPEG)


PAGES: list[Callable[[], str]] = [hostile_ticket_page, hostile_why_page]


@pytest.mark.parametrize("make", PAGES)
def test_hostile_words_stay_words(make: Callable[[], str]) -> None:
    """Whatever a name or a text holds, it adds no tag and no attribute to the page."""
    page = Page(make())
    assert page.open == []
    assert not {"script", "iframe", "object", "link", "base", "form"} & set(page.tags)
    assert not [name for name, _ in page.attributes if name.startswith("on")]
    assert "<script>alert(1)</script>" in page.words
    assert sum(tag == "img" for tag in page.tags) == 1


@pytest.mark.parametrize("make", PAGES)
def test_turning_signs_are_made_visible(make: Callable[[], str]) -> None:
    """Signs that turn or hide text never reach a page; a replacement sign stands for each."""
    html = make()
    assert not TURNING.search(html)
    assert "\ufffdgnp.exe\ufffd" in Page(html).words


@pytest.mark.parametrize("make", PAGES)
def test_page_needs_nothing_from_elsewhere(make: Callable[[], str]) -> None:
    """A page opened in two years without a network looks the same: all is inside it."""
    html = make()
    page = Page(html)
    for name, value in page.attributes:
        if name in ("src", "href", "srcset", "data", "poster"):
            assert value.startswith(("data:image/jpeg;base64,", "#"))
    assert not re.search(r"https?:|//[a-z]|@import|url\(", html)
    policy = dict(page.attributes).get("content", "")
    assert policy == "default-src 'none'; img-src data:; style-src 'unsafe-inline'"


def test_texts_keep_to_their_columns() -> None:
    """The plain texts can be read in a narrow window; commands and hashes stay whole."""
    for line in changes_text(made_parcel(made_ticket(), panel(made_ticket(124)))).splitlines():
        assert len(line) <= CHANGES_WIDTH
    for line in why_text(made_notice(PROPORTION, FEW_PIXELS)).splitlines():
        assert len(line) <= WIDTH or line.startswith("    ")


def test_both_packages_have_one_style() -> None:
    """Tickets and WHY pages look alike: neither package imports the other, so each has a copy."""
    copies = [
        resources.files(package).joinpath("templates", "sheet.css").read_bytes()
        for package in ("platemark.parcel", "platemark.intake")
    ]
    assert copies[0] == copies[1]


def words_of(html: str) -> str:
    return " ".join(Page(html).words.split())


def test_ticket_says_quantity_and_product_first() -> None:
    """The first words of a job are how many, and the lab's own product name."""
    words = words_of(render_ticket_html(made_parcel(), {}))
    assert "2 prints Smooth Cotton Rag 310 16 × 20 in on a sheet of 18 × 22 in" in words
    assert words.index("Smooth Cotton Rag 310") < words.index("Print without colour management")


def test_converted_by_us_is_not_to_be_converted_again() -> None:
    """A file in the lab's profile says so, with the hash, and is not to be converted."""
    words = words_of(render_ticket_html(made_parcel(), {}))
    assert "Print without colour management, do not convert." in words
    code = made_ticket().colour.output_profile_sha256[:8]
    assert f"Already in your profile Brindlewick Smooth Rag, hash {code}." in words


def test_converted_by_the_lab_says_intent_once() -> None:
    """A tagged working space is to be converted once, with the intent, and nothing else."""
    words = words_of(render_ticket_html(made_parcel(panel(made_ticket())), {}))
    assert (
        "Convert once from the embedded profile, intent relative colorimetric with black point "
        "compensation; nothing else." in words
    )
    assert "do not convert" not in words


def test_the_same_sentence_is_not_said_twice() -> None:
    """A colour sentence among the instructions is said in large type only."""
    ticket = made_ticket()
    sentence = colour_words(ticket.colour).sentence
    ticket = replace(ticket, instructions=(sentence, "Trim by hand."))
    words = words_of(render_ticket_html(made_parcel(ticket), {}))
    assert words.count("do not convert") == 1
    assert "Trim by hand." in words


def test_test_print_is_marked() -> None:
    """A test is marked where it is printed and in the list of jobs; a final is not."""
    final = render_ticket_html(made_parcel(made_ticket(), made_ticket(124)), {})
    assert "TEST PRINT" not in final
    test = made_parcel(made_ticket(purpose="test"), made_ticket(124))
    html = render_ticket_html(test, {})
    assert html.count("TEST PRINT") == 1
    assert '<span class="tag">Test</span>' in html


def test_every_job_has_its_section_and_its_place_in_the_list() -> None:
    """A parcel of several jobs begins with a list that leads to each of them."""
    page = Page(render_ticket_html(made_parcel(made_ticket(7), made_ticket(8)), {}))
    links = {value.removeprefix("#") for name, value in page.attributes if name == "href"}
    assert links == {"job-000007", "job-000008"}
    assert links <= {value for name, value in page.attributes if name == "id"}
    assert "2 jobs, 4 prints" in page.words


def test_set_is_to_be_printed_together() -> None:
    """Panels of a set are counted within their order; a set that is not all here says so."""
    river = {"set": "River", "set_of": 3}
    jobs = [made_ticket(n, **river) for n in (5, 6, 7)]
    other = made_ticket(8, set="River", set_of=2, order="Another")
    places = set_places([*jobs, other, made_ticket(9)])
    assert str(places[6]) == "panel 2 of 3, print together"
    assert str(places[8]) == "part of a set of 2, 1 of them in this parcel: print together"
    assert 9 not in places
    assert "panel 2 of 3, print together" in words_of(render_ticket_html(made_parcel(*jobs), {}))


def test_weight_is_given_in_both_units_with_the_cautions() -> None:
    """A heavy panel says its weight, that two people lift it, and what the surface warns of.

    11.3 kg are 24.9 lb: 1 lb = 0.45359237 kg exactly (international agreement of 1959).
    """
    words = words_of(render_ticket_html(made_parcel(panel(made_ticket())), {}))
    assert "About 11.3 kg (24.9 lb)" in words
    assert "Two people lift and carry it." in words
    assert "Edges cut: wear gloves." in words


def test_check_figures_never_claim_a_proof() -> None:
    """The figures are a comparison with an exact conversion; to a lab “proof” means more."""
    words = words_of(render_ticket_html(made_parcel(), {}))
    assert "Checked against an exact conversion: on 131,072 sampled pixels" in words
    assert "ΔE00 0.021 in the mean, 0.11 for 99 in 100, 0.61 at most" in words
    assert "proof" not in words.lower()


def test_lines_of_the_picture_are_explained() -> None:
    """The words on the picture's lines are said again with what they mean, and no others."""
    ticket = made_ticket()
    canvas = replace(
        ticket.geometry,
        face_box=Box(600, 600, 4200, 5400), trim_box=Box(150, 150, 5100, 6300),
        safe_box=Box(900, 900, 3600, 4800), wrap_px=450, tuck_px=150,
    )  # fmt: skip
    trimmed = replace(
        ticket.geometry,
        face_box=Box(36, 36, 5328, 6528), trim_box=Box(36, 36, 5328, 6528), bleed_px=36,
    )  # fmt: skip

    def said(geometry: TicketGeometry) -> str:
        parcel = made_parcel(replace(ticket, geometry=geometry))
        return words_of(render_ticket_html(parcel, {123: JPEG}))

    bordered = said(ticket.geometry)
    assert "sheet the edge of the paper keep inside signatures and faces" in bordered
    assert "fold" not in bordered
    assert "trim cut here; the bleed outside it, 36 px, goes keep inside" in said(trimmed)
    wrapped = said(canvas)
    assert "trim the bar’s back edge; outside it the tuck, 150 px" in wrapped
    assert "fold the front face ends here; 450 px go round" in wrapped


def test_line_samples_look_like_the_lines() -> None:
    """The page's samples have the words, colours and dashes of the code that draws the picture."""
    for kind, sample in LINES.items():
        drawn = STYLES[kind]
        assert sample.word == drawn.word
        assert sample.colour == "#{:02x}{:02x}{:02x}".format(*drawn.colour)
        lengths = [int(length) for length in sample.dashes.split()]
        # Only the proportion counts: the picture is shown smaller than it is drawn.
        assert [length / sum(lengths) for length in lengths] == pytest.approx(
            [length / sum(drawn.dashes) for length in drawn.dashes]
        )


def test_witness_is_on_every_ticket() -> None:
    """Each job's page carries the record's newest hash, so that it cannot be rewritten unseen."""
    parcel = made_parcel(made_ticket(7), made_ticket(8))
    assert Page(render_ticket_html(parcel, {})).words.count(parcel.witness.hash) == 2
    assert parcel.witness.hash in changes_text(parcel)


def test_changes_name_everything_that_was_done() -> None:
    """The plain log has what, before and after of each change, and says when nothing was."""
    ticket = made_ticket()
    text = changes_text(made_parcel(ticket, replace(made_ticket(124), changes=())))
    assert ticket.changes[0].text in text
    assert "before  375 ppi" in text
    assert text.count("Nothing was changed.") == 1
    assert ticket.original.sha256 in text


def test_held_folder_is_filled(tmp_path: Path) -> None:
    """The picture under its own name, both explanations and an answer sheet that can be read."""
    picture = tmp_path / "archived"
    picture.write_bytes(b"pixels")
    notice = made_notice()
    target = write_held_folder(tmp_path / "new", notice, picture, b"heron \xff.tif", JPEG)
    assert target.read_bytes() == b"pixels"
    assert target.stat().st_nlink == 1
    assert {path.name for path in (tmp_path / "new").iterdir()} == {*OURS, target.name}
    sheet = answer_text((tmp_path / "new" / "ANSWER.txt").read_bytes())
    assert read_answer(sheet, notice) is None
    with pytest.raises(FileExistsError):
        write_held_folder(tmp_path / "new", notice, picture, b"heron.tif", None)


def test_picture_never_takes_one_of_our_names() -> None:
    """A picture that is called like one of our files gets another name, in any case."""
    assert picture_name(b"heron.tif") == "heron.tif"
    assert picture_name(b"answer.TXT") == "picture-answer.TXT"
    assert picture_name(b"..") == "picture"
    for impossible in (b"a/b.tif", b"a\0.tif"):
        with pytest.raises(ValueError, match="no file name"):
            picture_name(impossible)


def test_why_gives_every_way_to_answer() -> None:
    """Each choice stands as a line to tick and as a command, with its letter on the drawing."""
    page = Page(why_html(made_notice(PROPORTION, FEW_PIXELS), JPEG))
    for line in ("[x] set fit=crop", "[x] accept size-ppi", "[x] withdraw"):
        assert line in page.words
    assert "a on the drawing" in page.words
    commands = re.findall(r"platemark decide .*", page.words)
    assert ["platemark", "decide", "123", "--set", "fit=crop"] in [
        shlex.split(command)[:5] for command in commands
    ]
    assert "size-proportion must be settled as well" in page.words
