"""Invented tickets and notices for the tests of parcels, pages and answer sheets."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from pathlib import Path

from platemark.model.finding import Change, Finding
from platemark.model.notice import HeldNotice
from platemark.model.terms import Box
from platemark.model.ticket import (
    ParcelItem,
    ParcelTicket,
    Ticket,
    TicketCheck,
    TicketColour,
    TicketFinding,
    TicketGeometry,
    TicketMeasure,
    TicketOriginal,
    TicketPreview,
    TicketPrintFile,
    TicketRequest,
    TicketWeight,
    Witness,
)
from platemark.parcel.bag import preview_path

JPEG = b"\xff\xd8\xff\xe0 not a picture, only its first bytes \xff\xd9"


def sha256(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


def made_ticket(job: int = 123, content: bytes = b"print", **request: object) -> Ticket:
    """One job on smooth rag for a lab with its own profile; `request` changes what was asked."""
    asked = TicketRequest(
        surface="smooth-rag", product="Smooth Cotton Rag 310", size="16x20in", sheet="18x22in",
        border="1in", copies=2, purpose="final", edge="none", wrap="none", order="Autumn show",
        set=None, set_of=None, title="Heron at dusk", due="2026-04-02", finish=None, mount=None,
        hardware=None, ship_to=None, note="Pack flat.", place=None,
    )  # fmt: skip
    return Ticket(
        job=job,
        request=replace(asked, **request),  # type: ignore[arg-type]
        original=TicketOriginal(
            "heron_16x20in.tif", sha256(b"original"), 288_000_123, 6000, 7500, 16, "TIFF", 1,
            "Adobe RGB compatible",
        ),
        print_file=TicketPrintFile(
            f"data/{job:06d}_heron.tif", sha256(content), len(content), 5400, 6600, "18x22in",
            "300", 16, "TIFF", "lzw", sha256(b"profile"),
        ),
        colour=TicketColour(
            "Adobe RGB compatible", "embedded", "Brindlewick Smooth Rag", sha256(b"profile"),
            "relative", True, "lab-profile", None, "pixel library 8.18",
            TicketCheck(131_072, "0.021", "0.11", "0.61", "equal"),
        ),
        geometry=TicketGeometry(
            Box(300, 300, 4800, 6000), Box(0, 0, 5400, 6600), Box(360, 360, 4680, 5880), "none", 0,
            0, "none", 0, "375", "nobody",
        ),
        changes=(
            Change("resample", "Reduced, because the lab takes at most 360 ppi.", "375 ppi", "300"),
        ),
        findings=(
            TicketFinding("size-ppi", "caution", "It has 212 ppi; 240 is better.", False, None),
        ),
        instructions=("Do not crop, resize, sharpen or enhance.",),
        cautions=(),
        weight=None,
    )  # fmt: skip


def made_parcel(*tickets: Ticket) -> ParcelTicket:
    return ParcelTicket(
        version="1",
        parcel="brindlewick-000017",
        lab="brindlewick",
        lab_name="Brindlewick",
        studio="Studio Larkfield",
        created="2026-03-14T09:12:44Z",
        witness=Witness(4711, sha256(b"witness")),
        tickets=tickets or (made_ticket(),),
    )


def canvas(ticket: Ticket) -> Ticket:
    """The same picture of 16 × 20 in, wrapped round a bar of 1.5 in with a tuck of 0.5 in."""
    return replace(
        ticket,
        request=replace(ticket.request, sheet="16x20in", border="none", wrap="1.5in"),
        print_file=replace(ticket.print_file, width_px=6000, height_px=7200, prints_at="20x24in"),
        geometry=replace(
            ticket.geometry,
            face_box=Box(600, 600, 4800, 6000), trim_box=Box(150, 150, 5700, 6900),
            safe_box=Box(744, 744, 4512, 5712), wrap_px=450, tuck="0.5in", tuck_px=150,
        ),
    )  # fmt: skip


def trimmed(ticket: Ticket) -> Ticket:
    """The same picture cut from a bleed of 3 mm: 36 px at 300 ppi, rounded up."""
    return replace(
        ticket,
        request=replace(ticket.request, sheet="16x20in", border="none"),
        print_file=replace(
            ticket.print_file, width_px=4872, height_px=6072, prints_at="412.5x514.1mm"
        ),
        geometry=replace(
            ticket.geometry,
            face_box=Box(36, 36, 4800, 6000), trim_box=Box(36, 36, 4800, 6000),
            safe_box=Box(96, 96, 4680, 5880), bleed="3mm", bleed_px=36,
        ),
    )  # fmt: skip


def panel(ticket: Ticket) -> Ticket:
    """The same job as a heavy panel that the lab converts itself."""
    return replace(
        ticket,
        colour=replace(ticket.colour, conversion="keep", output_profile="Adobe RGB compatible"),
        weight=TicketWeight("11.3", True),
        cautions=("Edges cut: wear gloves.",),
    )


def previewed(ticket: Ticket, data: bytes = JPEG) -> Ticket:
    """The same job with a screen preview, and how it sits."""
    return replace(
        ticket,
        proof=TicketPreview(preview_path(ticket.job), sha256(data)),
        suitability=(
            TicketMeasure("shadow_percent", "Shadows", "5.66", "5.7 %", "Some of it closes up."),
            TicketMeasure("lightness_median", "Key", "22.41", "L* 22", "A dark picture."),
        ),
    )


def made_items(folder: Path, contents: dict[int, bytes]) -> tuple[ParcelItem, ...]:
    """Write print files, drawings and previews as the archive has them, with their tickets."""
    items = []
    for job, content in contents.items():
        print_file, drawing = folder / f"{sha256(content)}.tif", folder / f"{job}.jpg"
        print_file.write_bytes(content)
        drawing.write_bytes(JPEG)
        ticket = previewed(made_ticket(job, content))
        items.append(ParcelItem(ticket, str(print_file), str(drawing), str(drawing)))
    return tuple(items)


PROPORTION = Finding(
    "size-proportion",
    "stop",
    "The picture is 3 : 2 and 16 × 20 in is 5 : 4.",
    "Choose a crop, a border or another size.",
    "never",
    (("size", "16x20in"),),
    ("fit=crop", "fit=border", "size=16x24in"),
)
FEW_PIXELS = Finding(
    "size-ppi",
    "stop",
    "At 16 × 20 in it has 128 ppi; smooth rag needs 140.",
    "Order it smaller.",
    "photographer",
    (("ppi", "128"),),
    ("size=12x16in",),
)
SENT_ALREADY = Finding(
    "same-again", "stop", "It was sent already in brindlewick-000003.", "Accept it to send it "
    "again.", "assistant", (("job", "000091"),),
)  # fmt: skip


def made_notice(*findings: Finding, **changed: object) -> HeldNotice:
    notice = HeldNotice(
        job=123,
        name="heron_16x20in.tif",
        surface="smooth-rag",
        surface_name="Smooth rag",
        lab_name="Brindlewick",
        size="16x20in",
        order="Autumn show",
        seq=4711,
        held_since="14 March 2026, 09:12",
        findings=findings or (FEW_PIXELS,),
        facts=(("format", "TIFF"), ("pixels", "2560 × 1706")),
        people=(("Ida Marlow", "photographer"), ("Tom Wicket", "assistant")),
        drawing_choices=(("a", "fit=crop: 16.7 % is cut off"), ("b", "fit=border: whole")),
    )
    return replace(notice, **changed)  # type: ignore[arg-type]
