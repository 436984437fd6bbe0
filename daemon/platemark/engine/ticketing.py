"""Writes a job's ticket from its entries: what the lab needs, what an auditor asks."""

from __future__ import annotations

from fractions import Fraction
from typing import Any

from platemark.engine.render import drawing_path
from platemark.engine.workshop import Workshop
from platemark.ledger.read import JobRow
from platemark.model.finding import Change
from platemark.model.lab import Product
from platemark.model.picture import Facts
from platemark.model.plain import from_plain
from platemark.model.plan import Plan
from platemark.model.surface import Surface
from platemark.model.ticket import (
    ParcelItem,
    Ticket,
    TicketCheck,
    TicketColour,
    TicketFinding,
    TicketGeometry,
    TicketOriginal,
    TicketPrintFile,
    TicketRequest,
    TicketWeight,
)
from platemark.model.units import parse_full_size, shown
from platemark.parcel.ticket_words import colour_words

TWO_PEOPLE_KG = 10
TWO_PEOPLE_MM = 1200
HANGING = (
    "Choose hardware rated by its maker for more than the marked weight, on the actual wall, with "
    "two fixing points; when unsure, or above heads, beds or public ways, use a licensed "
    "installer and follow local codes."
)


def item_of(workshop: Workshop, row: JobRow, path: str, product: Product) -> ParcelItem:
    """One job on its way into a parcel.

    Args:
        workshop: The open studio.
        row: A rendered job.
        path: Where its print file will be, from the parcel's root.
        product: The lab's product.
    """
    read = workshop.ledger.read
    examined, rendered = read.body(row.examined_seq), read.body(row.rendered_seq)
    claimed = read.body(row.claimed_seq)
    plan = from_plain(Plan, examined["plan"])
    facts = from_plain(Facts, examined["facts"])
    surface = workshop.settings.surface(row.surface)
    if surface is None:
        raise LookupError(row.surface)
    printed = rendered["print_file"]
    colour = _colour(plan, rendered)
    weight = weigh(surface, examined["measures"]["size"])
    ticket = Ticket(
        job=row.job,
        request=_request(row, examined, product),
        original=_original(claimed, facts, plan, rendered["source_profile"]),
        print_file=TicketPrintFile(
            path=path,
            sha256=printed["sha256"],
            bytes=int(printed["bytes"]),
            width_px=plan.width_px,
            height_px=plan.height_px,
            ppi=shown(plan.ppi, 3),
            bits=plan.bits,
            format=plan.format.upper(),
            compression=plan.compression if plan.format == "tiff" else "JPEG",
            profile_sha256=plan.output_profile_sha256,
        ),
        colour=colour,
        geometry=TicketGeometry(
            face_box=plan.face_box,
            trim_box=plan.trim_box,
            safe_box=plan.safe_box,
            bleed_px=plan.bleed_px,
            wrap_px=plan.wrap_px,
            tuck_px=plan.tuck_px,
            native_ppi=shown(Fraction(examined["native_ppi"]), 1),
            mirrored_by=product.mirror_by,
        ),
        changes=tuple(from_plain(Change, change) for change in rendered["changes"]),
        findings=_findings(examined),
        instructions=instructions(colour, product),
        cautions=tuple(text for text in (surface.caution, HANGING if weight else "") if text),
        weight=weight,
    )
    archived = workshop.folders.archived(printed["sha256"], printed["extension"])
    return ParcelItem(ticket, str(archived), str(drawing_path(workshop, row.job)))


def weigh(surface: Surface, size: str) -> TicketWeight | None:
    """Mass of a panel: area × thickness × density over its layers; None for paper and canvas."""
    if not surface.layers:
        return None
    face = parse_full_size(size)
    grams = sum(
        face.w.mm * face.h.mm * Fraction(layer.thickness_mm) * layer.density_kg_m3 / 10**6
        for layer in surface.layers
    )
    kilograms = Fraction(grams) / 1000
    return TicketWeight(
        kilograms=shown(kilograms, 1),
        two_people=kilograms > TWO_PEOPLE_KG or max(face.w.mm, face.h.mm) > TWO_PEOPLE_MM,
    )


def instructions(colour: TicketColour, product: Product) -> tuple[str, ...]:
    """What the lab must and must not do."""
    lines = [colour_words(colour).sentence, "Do not crop, resize, sharpen or enhance."]
    if product.mirror_by == "lab":
        lines.append("The file is right-reading: mirror it exactly once, at your end.")
    elif product.mirror_by == "studio":
        lines.append("The file is already mirrored: do not mirror it again.")
    if product.instructions:
        lines.append(product.instructions)
    return tuple(lines)


def _request(row: JobRow, examined: dict[str, Any], product: Product) -> TicketRequest:
    request, measures = examined["request"], examined["measures"]
    plan_edge = examined["plan"]["edge"]
    edge = plan_edge["mode"] + (f" {plan_edge['colour']}" if plan_edge["colour"] else "")
    return TicketRequest(
        surface=row.surface,
        product=product.name,
        size=measures["size"],
        sheet=measures["sheet"],
        border=measures["border"],
        copies=request["copies"],
        purpose=request["purpose"],
        edge=edge,
        wrap=measures["wrap"],
        order=request["order"],
        set=request["set"],
        set_of=request["set_of"],
        title=request["title"],
        due=request["due"],
        finish=request["finish"],
        mount=request["mount"],
        hardware=request["hardware"],
        ship_to=request["ship_to"],
        note=request["note"],
    )


def _original(
    claimed: dict[str, Any], facts: Facts, plan: Plan, source_profile: str
) -> TicketOriginal:
    return TicketOriginal(
        name=claimed["name"],
        sha256=plan.original_sha256,
        bytes=facts.bytes,
        width_px=facts.width,
        height_px=facts.height,
        bits=facts.bits,
        format=facts.format.upper(),
        orientation=facts.orientation,
        profile=source_profile if plan.source_profile_from == "embedded" else "none",
    )


def _colour(plan: Plan, rendered: dict[str, Any]) -> TicketColour:
    check = rendered["check"]
    dithered = plan.bits == 8 and plan.format == "tiff"
    return TicketColour(
        source_profile=rendered["source_profile"],
        source_profile_from=plan.source_profile_from,
        output_profile=plan.output_space,
        output_profile_sha256=plan.output_profile_sha256,
        intent=plan.intent,
        black_point_compensation=plan.black_point_compensation,
        conversion=plan.conversion,
        dither_seed=str(plan.dither_seed) if dithered else None,
        engine=rendered["engine"],
        check=TicketCheck(
            sampled=check["sampled"],
            mean=check["mean"],
            p99=check["p99"],
            largest=check["largest"],
            container=check["container"],
        ),
    )


def _findings(examined: dict[str, Any]) -> tuple[TicketFinding, ...]:
    taken = {a["code"] for a in examined["accepted"]}
    return tuple(
        TicketFinding(f["code"], f["severity"], f["message"], f["code"] in taken)
        for f in examined["findings"]
    )
