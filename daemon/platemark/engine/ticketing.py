"""Writes a job's ticket from its entries: what the lab needs, what an auditor asks."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction
from typing import Any, Literal

import structlog

from platemark import durable
from platemark.checks import all_checks
from platemark.engine.examine import MEASURES, PROOF, PROOF_FORM
from platemark.engine.render import drawing_path
from platemark.engine.test_prints import TEST
from platemark.engine.ticket_thread import earlier_prints
from platemark.engine.workshop import Workshop
from platemark.ledger.edition_tables import EDITION
from platemark.ledger.read import JobRow
from platemark.model.edition import numbered_words
from platemark.model.finding import Change
from platemark.model.lab import Product
from platemark.model.measures import Measures
from platemark.model.patch_strip import StripPlan
from platemark.model.picture import Facts
from platemark.model.plain import from_plain
from platemark.model.plan import Plan
from platemark.model.sits import sentences
from platemark.model.studio import Studio
from platemark.model.surface import Direction, Surface
from platemark.model.ticket import (
    ParcelItem,
    Ticket,
    TicketCheck,
    TicketColour,
    TicketEdition,
    TicketFinding,
    TicketGeometry,
    TicketMeasure,
    TicketOriginal,
    TicketPreview,
    TicketPrintFile,
    TicketRequest,
    TicketTest,
    TicketWeight,
)
from platemark.model.units import MM_PER, Length, Unit, parse_full_size, shown
from platemark.parcel.bag import preview_path
from platemark.parcel.ticket_words import colour_words

TWO_PEOPLE_KG = 10
TWO_PEOPLE_MM = 1200
HANGING = (
    "Choose hardware rated by its maker for more than the marked weight, on the actual wall, at "
    "two fixing points; when unsure, or above heads, beds or public ways, use a licensed "
    "installer and follow local codes."
)
HANGING_WORDS = ("rated by its maker", "licensed installer", "local codes")
"""A surface's caution that has these says what `HANGING` says."""

_FOR_US = frozenset(check.code for check in all_checks() if check.for_us)
_PLACES: dict[Unit, int] = {"in": 2, "cm": 2, "mm": 1}


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
    size, sheet = examined["measures"]["size"], examined["measures"]["sheet"]
    changes = tuple(from_plain(Change, change) for change in rendered["changes"])
    ticket = Ticket(
        job=row.job,
        request=_request(row, examined, product, plan),
        original=_original(claimed, facts, plan, rendered["source_profile"]),
        print_file=_print_file(plan, printed, path, prints_at(plan, size, product)),
        colour=colour,
        geometry=_geometry(plan, product, surface, Fraction(examined["native_ppi"])),
        changes=changes,
        findings=_findings(examined, workshop.settings.studio),
        instructions=_test_words(examined)
        + instructions(
            colour,
            product,
            bordered=_is_bordered(examined["measures"]),
            slug=next((change.after for change in changes if change.code == "slug-added"), ""),
            direction=surface.direction,
            strip=plan.strip,
            ppi=plan.ppi,
        ),
        cautions=cautions(surface),
        # A border is part of the panel, and weighs as much as the picture.
        weight=weigh(surface, sheet),
        proof=_preview(workshop, row, examined),
        suitability=_suitability(examined, surface, plan),
        edition=_edition(examined),
        test=_test(examined),
        thread=earlier_prints(workshop, row),
    )
    archived = workshop.folders.archived(printed["sha256"], printed["extension"])
    proof = ticket.proof
    return ParcelItem(
        ticket,
        str(archived),
        str(drawing_path(workshop, row.job)),
        str(workshop.folders.archived(proof.sha256, PROOF_FORM)) if proof is not None else "",
    )


def _preview(workshop: Workshop, row: JobRow, examined: dict[str, Any]) -> TicketPreview | None:
    """The proof of a job; none where an earlier version drew none, or the archive lost it.

    A print does not depend on it, so a print does not wait for it.
    """
    sha256 = examined.get(PROOF, "")
    path = workshop.folders.archived(sha256, PROOF_FORM)
    if not sha256 or not path.is_file() or durable.hash_file(path) != sha256:
        structlog.get_logger().warning("no-proof", job=row.job, sha256=sha256)
        return None
    return TicketPreview(preview_path(row.job), sha256)


def _suitability(
    examined: dict[str, Any], surface: Surface, plan: Plan
) -> tuple[TicketMeasure, ...]:
    if PROOF not in examined:
        return ()
    measures = from_plain(Measures, examined[MEASURES])
    found = sentences(measures, surface, by_lab_profile=plan.conversion == "lab-profile")
    return tuple(
        TicketMeasure(each.measure, each.label, each.value, each.figure, each.sentence)
        for each in found
    )


def _test(examined: dict[str, Any]) -> TicketTest | None:
    """Which print of a test a job is; None for a final, and for a test of earlier versions."""
    said = examined.get(TEST)
    return TicketTest(said["part"], said["size"], said["of"]) if said is not None else None


def _test_words(examined: dict[str, Any]) -> tuple[str, ...]:
    test = _test(examined)
    if test is None:
        return ()
    what = {
        "half": f"the picture at half the size of the final, which is {test.size}",
        "crops": f"places of the final print of {test.size} at full size, with words above each",
        "steps": f"a place of the final print of {test.size} in five steps of an adjustment, with "
        "words above each",
    }[test.part]
    return (f"This is a test print: {what}. White around it is meant.",)


def test_in_name(examined: dict[str, Any], pattern: str) -> tuple[str, str]:
    """What is put before the title and after the size in a print file's name; one is empty.

    Args:
        examined: The job's entry.
        pattern: The lab's, which may have no title in it.
    """
    test = _test(examined)
    if test is None:
        return "", ""
    said = f"test-{test.part}"
    return (f"{said}-", "") if "{title}" in pattern else ("", f"-{said}")


def _edition(examined: dict[str, Any]) -> TicketEdition | None:
    """The numbers that a job's prints have; None for a test print, which is not counted."""
    said = examined.get(EDITION)
    if said is None or not said["numbers"]:
        return None
    return TicketEdition(
        id=said["id"],
        of=said["of"],
        numbers=tuple(said["numbers"]),
        kind=said["kind"],
        name=said["name"],
        size=said["part"] or None,
    )


def edition_in_name(examined: dict[str, Any]) -> str:
    """The prints' numbers as a file's name has them: `7-of-25`, `AP-2-of-3`; empty for none."""
    edition = _edition(examined)
    if edition is None:
        return ""
    said = numbered_words(edition.kind, edition.numbers, edition.of)
    return said.replace(", ", " and ").replace("/", " of ")


def size_in_name(measures: dict[str, Any]) -> str:
    """The size as a print file's name has it; with a border `16x12in-on-20x16in`.

    Args:
        measures: Of the examined job: `size`, `sheet` and `border`, as they were recorded.
    """
    size: str = measures["size"]
    return f"{size}-on-{measures['sheet']}" if _is_bordered(measures) else size


def weigh(surface: Surface, size: str) -> TicketWeight | None:
    """Mass of a panel: area × thickness × density over its layers; None where it has none.

    Args:
        surface: With its layers.
        size: Of the panel, a border included, such as `16x20in`.
    """
    if not surface.layers:
        return None
    kilograms, longest_mm = _kilograms(surface, size), _longest_mm(size)
    return TicketWeight(
        kilograms=shown(kilograms, 1 if kilograms >= 1 else 2),
        two_people=kilograms > TWO_PEOPLE_KG or longest_mm > TWO_PEOPLE_MM,
    )


def cautions(surface: Surface) -> tuple[str, ...]:
    """The surface's own caution, whole, and how to hang it where that does not say it."""
    said = surface.caution.strip()
    is_said = all(words in said for words in HANGING_WORDS)
    return tuple(text for text in (said, HANGING if surface.layers and not is_said else "") if text)


def _kilograms(surface: Surface, size: str) -> Fraction:
    face = parse_full_size(size)
    grams = sum(
        face.w.mm * face.h.mm * Fraction(layer.thickness_mm) * layer.density_kg_m3 / 10**6
        for layer in surface.layers
    )
    return Fraction(grams) / 1000


def _longest_mm(size: str) -> Fraction:
    face = parse_full_size(size)
    return max(face.w.mm, face.h.mm)


def prints_at(plan: Plan, size: str, product: Product) -> str:
    """The whole print file on paper, written like a size; from its pixels, so what it truly is.

    It is in the unit of the ordered size, in millimetres where the lab says its bleed, wrap or
    tuck in another.

    Args:
        plan: The job's.
        size: The ordered size, such as `16x20in`.
        product: The lab's product.
    """
    unit = parse_full_size(size).unit
    extras = ((plan.bleed_px, product.bleed), (plan.wrap_px, product.wrap))
    if any(px and length.unit != unit for px, length in extras):
        unit = "mm"
    width, height = (
        shown(px / plan.ppi * MM_PER["in"] / MM_PER[unit], _PLACES[unit])
        for px in (plan.width_px, plan.height_px)
    )
    return f"{width}x{height}{unit}"


def border_of(plan: Plan, recorded: str) -> str:
    """The white around the picture as the file has it, written like the request's border.

    A length that was worked out from a rounded size may be a fraction of a millimetre off; what the
    lab measures is the file. A length as somebody asked for it stays in their words.

    Args:
        plan: The job's.
        recorded: The border of its layout: one length, four, or `none`.

    Returns:
        One length, or left, top, right, bottom; `none` where there is no white.
    """
    if recorded == "none":
        return "none"
    sides = [Length.parse(part) for part in recorded.split()]
    left, top, right, bottom = sides * 4 if len(sides) == 1 else sides
    trim, face = plan.trim_box, plan.face_box
    pixels = [face.left - trim.left, face.top - trim.top]
    pixels += [trim.width - face.width - pixels[0], trim.height - face.height - pixels[1]]
    across, down = Fraction(pixels[0] + pixels[2], 2), Fraction(pixels[1] + pixels[3], 2)
    # Equal sides may differ by the one pixel that cannot be halved.
    of_side = [
        across if left == right else Fraction(pixels[0]),
        down if top == bottom else Fraction(pixels[1]),
        across if left == right else Fraction(pixels[2]),
        down if top == bottom else Fraction(pixels[3]),
    ]
    written = [
        _length(side, px, plan.ppi)
        for side, px in zip((left, top, right, bottom), of_side, strict=True)
    ]
    lengths = ["0mm" if text == "none" else text for text in written]
    return lengths[0] if len(set(lengths)) == 1 else " ".join(lengths)


def _length(said: Length, px: Fraction | int, ppi: Fraction) -> str:
    """A length in the words it was said in where the file has it to the pixel, else in mm."""
    if not px:
        return "none"
    mm = px / ppi * MM_PER["in"]
    is_short = said.unit != "mm" or said.value * 10 % 1 == 0
    if is_short and abs(said.mm - mm) <= MM_PER["in"] / ppi:
        return str(said)
    return str(Length(Decimal(shown(mm, 1)), "mm"))


def _is_bordered(measures: dict[str, Any]) -> bool:
    return bool(measures["border"] != "none")


def instructions(
    colour: TicketColour,
    product: Product,
    *,
    bordered: bool = False,
    slug: str = "",
    direction: Direction = "none",
    strip: StripPlan | None = None,
    ppi: Fraction = Fraction(300),
) -> tuple[str, ...]:
    """What the lab must and must not do with this very print.

    Args:
        colour: What was done and is left to do.
        product: The lab's.
        bordered: Whether there is white around the picture.
        slug: The line of text in the bleed; empty where there is none.
        direction: Which way the surface's own lines run.
        strip: The patch strip below the print; None where there is none.
        ppi: Of the print.
    """
    lines = [colour_words(colour).sentence]
    if product.mirror_by == "lab":
        lines.append("The file is right-reading: mirror it exactly once, at your end.")
    elif product.mirror_by == "studio":
        lines.append("The file is already mirrored: do not mirror it again.")
    lines.append("Do not crop, resize, sharpen or enhance.")
    if bordered:
        lines.append("Cut at the edge of the sheet: the blank border stays.")
    if product.mirror_by != "nobody" and not slug:
        lines.append(
            "There is no bleed for a line that shows which way round it is: hold the print against "
            "the picture on this ticket."
        )
    if slug:
        lines.append(
            f"“{slug}” stands in the bleed below the picture: seen from the front of the finished "
            "print it must read the right way."
        )
    if strip is not None:
        tall = shown(strip.box.height / ppi * MM_PER["in"], 1)
        lines.append(
            f"The lowest {tall} mm of the file are a strip of colour patches, outside the trim: "
            "print it with the picture, cut it off, and send it back with the print. Do not "
            "correct it."
        )
    if direction != "none":
        way = "width" if direction == "along-width" else "height"
        lines.append(f"The surface’s lines run along the picture’s {way}: do not turn it.")
    if product.instructions:
        lines.append(product.instructions)
    return tuple(lines)


def _request(row: JobRow, examined: dict[str, Any], product: Product, plan: Plan) -> TicketRequest:
    request, measures = examined["request"], examined["measures"]
    plan_edge = examined["plan"]["edge"]
    edge = plan_edge["mode"] + (f" {plan_edge['colour']}" if plan_edge["colour"] else "")
    return TicketRequest(
        surface=row.surface,
        product=product.name,
        size=measures["size"],
        sheet=measures["sheet"],
        border=border_of(plan, measures["border"]),
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
        place=request["place"],
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
        profile={"assumed": "none", "lab": "none (Lab)"}.get(
            plan.source_profile_from, source_profile
        ),
    )


def _print_file(plan: Plan, printed: dict[str, Any], path: str, prints_at: str) -> TicketPrintFile:
    return TicketPrintFile(
        path=path,
        sha256=printed["sha256"],
        bytes=int(printed["bytes"]),
        width_px=plan.width_px,
        height_px=plan.height_px,
        prints_at=prints_at,
        ppi=shown(plan.ppi, 3),
        bits=plan.bits,
        format=plan.format.upper(),
        compression=plan.compression if plan.format == "tiff" else "JPEG",
        profile_sha256=plan.output_profile_sha256,
    )


def _geometry(
    plan: Plan, product: Product, surface: Surface, native_ppi: Fraction
) -> TicketGeometry:
    return TicketGeometry(
        face_box=plan.face_box,
        trim_box=plan.trim_box,
        safe_box=plan.safe_box,
        bleed=_length(product.bleed, plan.bleed_px, plan.ppi),
        bleed_px=plan.bleed_px,
        wrap_px=plan.wrap_px,
        tuck=_length(product.tuck, plan.tuck_px, plan.ppi),
        tuck_px=plan.tuck_px,
        native_ppi=shown(native_ppi, 1),
        mirrored_by=product.mirror_by,
        direction=surface.direction,
        strip_box=plan.strip.box if plan.strip is not None else None,
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


def _findings(examined: dict[str, Any], studio: Studio) -> tuple[TicketFinding, ...]:
    by = {accepted["code"]: accepted["by"] for accepted in examined["accepted"]}
    found = []
    for finding in examined["findings"]:
        code, severity = finding["code"], finding["severity"]
        if code in _FOR_US:
            continue
        # A caution needs nobody, though a stop of the same name was accepted.
        accepted = severity == "stop" and code in by
        part = _part_of(by[code], studio) if accepted else None
        found.append(TicketFinding(code, severity, finding["message"], accepted, part))
    return tuple(found)


def _part_of(name: str, studio: Studio) -> Literal["assistant", "photographer", "request"] | None:
    """Whether an assistant or a photographer has that name; names stay in the studio."""
    if name == "request":
        return "request"
    person = studio.person(name)
    return person.role if person is not None else None
