from __future__ import annotations

import base64
import re
import shlex
from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction
from html.parser import HTMLParser
from importlib import resources
from pathlib import Path

import pytest
from given import product as rag

from made_tickets import (
    FEW_PIXELS,
    JPEG,
    PROPORTION,
    canvas,
    made_notice,
    made_parcel,
    made_ticket,
    panel,
    previewed,
    trimmed,
)
from platemark.engine.ticketing import (
    HANGING,
    border_of,
    cautions,
    instructions,
    prints_at,
    size_in_name,
)
from platemark.imaging.drawing import STYLES
from platemark.intake.answers import WIDTH, answer_text, read_answer
from platemark.intake.held import OURS, picture_name, why_html, why_text, write_held_folder
from platemark.model.asking import caution
from platemark.model.lab import Product
from platemark.model.plan import Plan
from platemark.model.sits import Sits
from platemark.model.surface import Surface
from platemark.model.terms import Box, EdgeChoice
from platemark.model.ticket import Ticket, TicketFinding
from platemark.parcel.changes_txt import WIDTH as CHANGES_WIDTH
from platemark.parcel.changes_txt import changes_text
from platemark.parcel.ticket_html import render_ticket_html
from platemark.parcel.ticket_parts import LINES
from platemark.parcel.ticket_words import colour_words, set_places
from platemark.settings.load import load_settings

CONFIG = Path(__file__).resolve().parents[2] / "config"

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


def plan(**changed: object) -> Plan:
    """A plan of 16 × 20 in at 300 ppi, with what a test changes of it."""
    whole = Box(0, 0, 4800, 6000)
    made = Plan(
        original_sha256="0" * 64, original_format="tiff", orientation=1, crop=whole, width_px=4800,
        height_px=6000, placed=whole, face_box=whole, trim_box=whole, safe_box=whole, bleed_px=0,
        wrap_px=0, tuck_px=0, edge=EdgeChoice("mirror"), ppi=Fraction(300), resample="none",
        mirror=False, source_profile_sha256="0" * 64, source_profile_from="embedded",
        conversion="keep", output_profile_sha256="0" * 64, output_space="sRGB", intent="relative",
        black_point_compensation=True, format="tiff", bits=8, compression="none", jpeg_quality=0,
        creator="", rights="",
    )  # fmt: skip
    return replace(made, **changed)  # type: ignore[arg-type]


def lab_product(lab_id: str, surface: str) -> Product:
    lab = load_settings(CONFIG).lab(lab_id)
    product = lab.product_for(surface) if lab is not None else None
    assert product is not None
    return product


PAGES: list[Callable[[], str]] = [hostile_ticket_page, hostile_why_page]


@pytest.mark.fault(22)
@pytest.mark.parametrize("make", PAGES)
def test_hostile_words_stay_words(make: Callable[[], str]) -> None:
    """Whatever a name or a text holds, it adds no tag and no attribute to the page."""
    page = Page(make())
    assert page.open == []
    assert not {"script", "iframe", "object", "link", "base", "form"} & set(page.tags)
    assert not [name for name, _ in page.attributes if name.startswith("on")]
    assert "<script>alert(1)</script>" in page.words
    assert sum(tag == "img" for tag in page.tags) == 1


@pytest.mark.fault(22)
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


def test_cautions_say_what_to_do_and_another_surface_is_open() -> None:
    """Whoever mends the picture mends all of it at once, or has it printed elsewhere."""
    notice = made_notice(PROPORTION, caution("suit-steps", "It may show steps.", "Use 16 bit."))
    for page in (words_of(why_html(notice, JPEG)), " ".join(why_text(notice).split())):
        assert "It may show steps. Use 16 bit." in page
        assert "For another surface, take it back and drop it into that one's folder." in page


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
    assert str(places[8]) == (
        "1 of 2 panels; the other panel is not in this parcel; wait for it or ask the studio"
    )
    one_of_three = set_places([made_ticket(5, **river)])[5]
    assert str(one_of_three) == (
        "1 of 3 panels; the other 2 are not in this parcel; wait for them or ask the studio"
    )
    assert "together" not in str(one_of_three)
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


def test_the_preview_is_no_contract_proof() -> None:
    """Picture, figures and sentences are on the page; to a lab it is called a preview alone."""
    ticket = previewed(made_ticket())
    page = Page(render_ticket_html(made_parcel(ticket), {123: JPEG}, {123: JPEG}))
    assert "A screen preview, not a contract proof" in page.words
    assert page.words.lower().count("proof") == 1
    assert "screen-previews/000123_screen-preview.jpg" in page.words
    for each in ticket.suitability:
        assert f"{each.label} {each.figure} {each.sentence}" in page.words
    assert any(
        "shadows 5.7 %; key L* 22" in text for name, text in page.attributes if name == "alt"
    )


def test_a_job_without_preview_says_nothing_of_it() -> None:
    """Tickets from before, or whose preview was lost, are as they were."""
    words = words_of(render_ticket_html(made_parcel(made_ticket()), {123: JPEG}))
    assert "preview" not in words
    assert "How it will look" not in words


def test_lines_of_the_picture_are_explained() -> None:
    """The words on the picture's lines are said again with what they mean, and no others."""

    def said(ticket: Ticket) -> str:
        return words_of(render_ticket_html(made_parcel(ticket), {123: JPEG}))

    bordered = said(made_ticket())
    assert "sheet the edge of the paper keep inside signatures and faces" in bordered
    assert "fold" not in bordered
    assert "trim cut here; the bleed outside it, 3 mm (36 px), goes keep" in said(
        trimmed(made_ticket())
    )
    wrapped = said(canvas(made_ticket()))
    assert "trim the bar’s back edge; outside it the tuck, 0.5 in (150 px)" in wrapped
    assert "fold the front face ends here; 1.5 in (450 px) go round" in wrapped


def test_ticket_says_what_the_whole_file_measures() -> None:
    """Whoever prints the file sees its size on paper with border, bleed or wrap, not the picture's.

    4872 px at 300 ppi are 16.24 in, 412.5 mm: 1 in = 25.4 mm (yard and pound agreement, 1959).
    """
    jobs = [made_ticket(1), canvas(made_ticket(2)), trimmed(made_ticket(3))]
    words = words_of(render_ticket_html(made_parcel(*jobs), {}))
    assert "Size File prints at Picture Job" in words
    assert "16 × 20 in 18 × 22 in sheet blank border" in words
    assert "16 × 20 in 20 × 24 in wraps 1.5 in" in words
    assert "16 × 20 in 412.5 × 514.1 mm bleed 3 mm" in words
    assert "Prints at 18 × 22 in, the sheet with its border Pixels 5,400 × 6,600" in words
    assert "The whole file prints at 20 × 24 in with wrap and tuck" in words
    assert "The whole file prints at 412.5 × 514.1 mm with bleed" in words
    text = changes_text(made_parcel(canvas(made_ticket())))
    assert "20 × 24 in with wrap and tuck" in " ".join(text.split())


@pytest.mark.parametrize(
    ("border", "words"),
    [
        ("1in", "all round 1 in"),
        ("0mm 76.2mm 0mm 76.2mm", "top and bottom 76.2 mm, sides none"),
        ("33.9mm 0mm 33.9mm 0mm", "top and bottom none, sides 33.9 mm"),
        ("10mm 20mm 10mm 30.5mm", "top 20 mm, right 10 mm, bottom 30.5 mm, left 10 mm"),
    ],
)
def test_sides_of_a_border_are_named(border: str, words: str) -> None:
    """No length of a border is without the side that it is on."""
    page = words_of(render_ticket_html(made_parcel(made_ticket(border=border)), {}))
    assert f"Blank border: {words} " in page


def test_border_is_what_the_file_has() -> None:
    """A border worked out from a rounded size is given as the file has it, to 0.1 mm.

    A picture of 2 : 3 on 16 × 20 in at 150 ppi: 20 in / 1.5 = 13⅓ in, 2000 of 2400 px; 200 px are
    white on each side, 33.87 mm; from 13.33 in it would be 33.909 mm.
    """
    box = Box(200, 0, 2000, 3000)
    made = plan(
        width_px=2400, height_px=3000, ppi=Fraction(150), face_box=box, placed=box, safe_box=box,
        trim_box=Box(0, 0, 2400, 3000), edge=EdgeChoice("none"),
    )  # fmt: skip
    assert border_of(made, "33.909mm 0mm 33.909mm 0mm") == "33.9mm 0mm 33.9mm 0mm"
    assert border_of(made, "none") == "none"
    asked = replace(made, face_box=Box(150, 150, 2100, 2700))
    assert border_of(asked, "1in") == "1in"
    # 151 and 150 px: the one pixel that cannot be halved is no other border.
    odd = replace(made, face_box=Box(151, 150, 2099, 2700))
    assert border_of(odd, "25.4mm") == "25.4mm"


def test_whole_file_is_measured_from_its_pixels() -> None:
    """What the file prints at is its pixels at its ppi, in the unit of the size or of the bleed.

    24 × 16 in with 23 px on each side at 180 ppi: (4320 + 46) / 180 in × 25.4 mm = 616.1 mm.
    """
    product = lab_product("tarnmoor", "acrylic-bonded")
    made = plan(width_px=4366, height_px=2926, ppi=Fraction(180), bleed_px=23)
    assert prints_at(made, "24x16in", product) == "616.1x412.9mm"
    wrapped = replace(made, width_px=6000, height_px=7200, ppi=Fraction(300), bleed_px=0)
    bars = lab_product("brindlewick", "canvas-wrap")
    assert prints_at(replace(wrapped, wrap_px=450), "16x20in", bars) == "20x24in"


def test_name_of_a_bordered_print_has_both_sizes() -> None:
    """The size in a file's name says the sheet where the picture has a border, else the size."""
    bordered = {"size": "16x12in", "sheet": "20x16in", "border": "50.8mm"}
    assert size_in_name(bordered) == "16x12in-on-20x16in"
    plain = {"size": "16x20in", "sheet": "16x20in", "border": "none"}
    assert size_in_name(plain) == "16x20in"


def test_instructions_fit_the_print() -> None:
    """The blank border is spoken of on bordered prints only."""
    product, colour = lab_product("brindlewick", "smooth-rag"), made_ticket().colour
    assert not [text for text in instructions(colour, product) if "border" in text]
    assert "Cut at the edge of the sheet: the blank border stays." in instructions(
        colour, product, bordered=True
    )


@pytest.mark.parametrize(
    "surface", [s for s in load_settings(CONFIG).surfaces if s.layers], ids=lambda s: s.id
)
def test_how_to_hang_it_is_said_once(surface: Surface) -> None:
    """The starter's panels say it themselves, so it is not said again."""
    text = " ".join(cautions(surface))
    assert text.count("rated by its maker") == 1
    assert text.count("licensed installer") == 1
    assert "two people" in text


@pytest.mark.parametrize(
    "words",
    [
        "Use hooks that each hold over 20 kg.",
        "Over 2.5 kg use a cart.",
        "Always two people. Keep it flat. Longer than 3 m, by crane",
    ],
)
def test_own_cautions_are_kept_whole(words: str) -> None:
    """What a studio writes of its panels is on each ticket, weights and lengths and all.

    Hanging is added where it is missing.
    """
    surface = load_settings(CONFIG).surface("pvc-board")
    assert surface is not None
    assert cautions(replace(surface, caution=f"\n{words}\n")) == (words, HANGING)
    assert cautions(replace(surface, layers=(), caution=words)) == (words,)
    assert cautions(replace(surface, layers=(), caution="")) == ()


def test_accepted_stops_say_so_and_by_whose_part() -> None:
    """A stop that was accepted says that it is to be printed and who accepted it, never a name."""
    said = {
        "photographer": "The photographer accepted this: print it.",
        "assistant": "An assistant of the studio accepted this: print it.",
        "request": "The studio accepted this beforehand, in its request: print it.",
        None: "The studio accepted this: print it.",
    }
    for part, words in said.items():
        finding = TicketFinding("size-ppi", "stop", "It has 128 ppi.", True, part)  # type: ignore[arg-type]
        ticket = replace(made_ticket(), findings=(finding,))
        assert f"It has 128 ppi. {words}" in words_of(render_ticket_html(made_parcel(ticket), {}))
    assert "accepted" not in words_of(render_ticket_html(made_parcel(), {}))


def test_first_page_says_when_where_to_and_whom_to_ask() -> None:
    """What is the same for all jobs stands once over the list; what differs is a column of it."""
    studio = {"studio_contact": "prints@larkfield.example", "studio_ship_to": "1 Weir Lane"}
    same = replace(made_parcel(made_ticket(7), made_ticket(8)), **studio)  # type: ignore[arg-type]
    words = words_of(render_ticket_html(same, {}))
    first_page = words[: words.index("Job 000007 in parcel")]
    assert "Wanted by 2 April 2026" in first_page
    assert "Ship to the studio: 1 Weir Lane" in first_page
    assert "Questions to prints@larkfield.example" in first_page
    assert "Picture Job" in first_page
    other = made_ticket(8, due=None, ship_to="The Mill, 3 High Street")
    words = words_of(render_ticket_html(replace(same, tickets=(made_ticket(7), other)), {}))
    first_page = words[: words.index("Job 000007 in parcel")]
    assert "Picture Wanted by Ship to Job" in first_page
    assert "Heron at dusk 2 April 2026 the studio 000007" in first_page
    assert "Heron at dusk no date The Mill, 3 High Street 000008" in first_page
    assert "The studio’s address 1 Weir Lane" in first_page


def test_single_job_says_where_to_and_whom_to_ask() -> None:
    """A parcel of one job has no list; its one page says the same."""
    parcel = replace(
        made_parcel(), studio_contact="prints@larkfield.example", studio_ship_to="1 Weir Lane"
    )
    words = words_of(render_ticket_html(parcel, {}))
    for said in (
        "Wanted by 2 April 2026",
        "Ship to the studio: 1 Weir Lane",
        "Questions to prints@larkfield.example",
    ):
        assert said in words
    assert "Ship to the studio" in words_of(render_ticket_html(made_parcel(), {}))


def test_every_printed_page_names_its_job() -> None:
    """Job and parcel stand first in each job, in what a printed table repeats on every page.

    A table header group is repeated where its table is broken over pages (CSS 2.2, 17.2).
    """
    html = render_ticket_html(made_parcel(made_ticket(7), made_ticket(8)), {})
    heads = re.findall(r'<article [^>]*>\s*<div class="running">(.*?)</div></div>', html)
    assert [words_of(head)[:38] for head in heads] == [
        "Job 000007 in parcel brindlewick-00001", "Job 000008 in parcel brindlewick-00001",
    ]  # fmt: skip
    printed = html[html.index("@media print {\n  html") :]
    assert re.search(r"\.job \{[^}]*display: table;", printed)
    assert re.search(r"\.running \{[^}]*display: table-header-group;", printed)


def test_place_is_shown() -> None:
    """Where a print will hang is on its ticket when the request says so."""
    damp = words_of(render_ticket_html(made_parcel(made_ticket(place="humid")), {}))
    assert "Will hang in a damp room" in damp
    assert "Will hang" not in words_of(render_ticket_html(made_parcel(), {}))


@pytest.mark.parametrize(
    ("mirror_by", "words"),
    [
        ("lab", "READS RIGHT · MIRROR ONCE · 24x36in 3f9a1c22"),
        ("studio", "MIRRORED ALREADY · NOT AGAIN · 24x36in 3f9a1c22"),
    ],
)
def test_mirroring_is_told_with_its_line(mirror_by: str, words: str) -> None:
    """Who mirrors is an order of its own, and so is the line in the bleed that shows it."""
    colour = made_ticket().colour
    with_line = instructions(colour, rag(mirror_by=mirror_by), slug=words)
    without = instructions(colour, rag(mirror_by=mirror_by))
    assert f"“{words}” stands in the bleed" in " ".join(with_line)
    assert "There is no bleed for a line that shows which way round it is" in " ".join(without)
    turned = replace(
        made_ticket(),
        geometry=replace(made_ticket().geometry, mirrored_by=mirror_by),
        instructions=with_line,
    )
    page = words_of(render_ticket_html(made_parcel(turned, made_ticket()), {}))
    assert {"lab": "mirror once", "studio": "already mirrored"}[mirror_by] in page
    assert f"Which way round {with_line[1]}" in page
    assert ("mirror it exactly once" in " ".join(without)) is (mirror_by == "lab")
    assert ("do not mirror it again" in " ".join(without)) is (mirror_by == "studio")


@pytest.mark.parametrize(
    ("direction", "way"), [("along-width", "width"), ("along-height", "height")]
)
def test_brush_lines_are_on_the_ticket(direction: str, way: str) -> None:
    """An order and a line of the legend, with an arrow; nothing where there are none."""
    ticket = made_ticket()
    brushed = replace(ticket, geometry=replace(ticket.geometry, direction=direction))
    page = render_ticket_html(made_parcel(brushed), {})
    assert f"lines run this way in the surface itself, along the picture’s {way}" in words_of(page)
    assert "M9 2L2 7L9 12" in page
    assert "M9 2L2 7L9 12" not in render_ticket_html(made_parcel(ticket), {})
    said = " ".join(instructions(ticket.colour, rag(), direction=direction))
    assert f"run along the picture’s {way}: do not turn it" in said


def test_the_bleeds_edge_is_in_the_legend() -> None:
    """Where there is bleed, its outer edge is named beside the trim."""
    page = words_of(render_ticket_html(made_parcel(trimmed(made_ticket())), {}))
    assert "bleed edge the file ends here" in page
    assert "bleed edge" not in words_of(render_ticket_html(made_parcel(made_ticket()), {}))


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


def test_why_shows_how_it_would_print() -> None:
    """The proof stands below the picture, and every measure with its sentence."""
    sits = (Sits("shadow_percent", "Shadows", "5.66", "5.7 %", "Some of it closes up."),)
    html = why_html(made_notice(PROPORTION, sits=sits), JPEG, JPEG + b"proof")
    page = Page(html)
    assert base64.b64encode(JPEG + b"proof").decode() in html
    assert html.index(base64.b64encode(JPEG).decode()) < html.index("How it would print")
    assert "So it would look as it is asked now" in page.words
    assert "Some of it closes up." in page.words
    assert any("shadows 5.7 %" in text for name, text in page.attributes if name == "alt")
    plain = Page(why_html(made_notice(PROPORTION), JPEG))
    assert "How it would" not in plain.words


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


def test_panels_are_counted_by_their_names() -> None:
    """A corrected picture has the highest job number and keeps its place; a set of one has none."""
    names = {41: "stair 10.tif", 42: "stair 2.tif", 43: "stair 1.tif"}
    tickets = [
        replace(
            made_ticket(),
            job=job,
            original=replace(made_ticket().original, name=name),
            request=replace(made_ticket().request, set="Stair", set_of=3),
        )
        for job, name in names.items()
    ]
    places = set_places(tickets)
    assert [places[job].panel for job in (43, 42, 41)] == [1, 2, 3]
    one = replace(tickets[0], request=replace(tickets[0].request, set_of=None))
    assert set_places([one]) == {}
