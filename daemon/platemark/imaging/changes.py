"""The change log of the print pass, in the words of the trade."""

from __future__ import annotations

from collections.abc import Iterator

from platemark.imaging.convert import Agreement
from platemark.imaging.edges import is_bordered
from platemark.imaging.slug import slug_of
from platemark.imaging.source import Profile
from platemark.model.finding import Change
from platemark.model.patch_strip import PATCH_MM, PATCHES
from platemark.model.plan import Plan
from platemark.model.units import MM_PER, shown

_EDGE_WORDS = {
    "mirror": "mirrored from the picture",
    "extend": "extended from the picture's outermost pixels",
    "solid": "in one colour",
}
_INTENT_WORDS = {
    "perceptual": "perceptual",
    "relative": "relative colorimetric",
    "saturation": "saturation",
    "absolute": "absolute colorimetric",
}


def print_changes(
    plan: Plan, source: Profile, output: Profile, agreement: Agreement | None
) -> Iterator[Change]:
    """Say what was done to the face until it was a print file.

    Args:
        plan: What was asked.
        source: The picture's profile.
        output: The print file's.
        agreement: Quick and exact conversion of a sample; None where nothing was converted.
    """
    yield from _around(plan)
    if plan.source_profile_from == "assumed":
        yield Change(
            "profile-assumed",
            f"Read the colours as {source.name}, because the picture carries no colour profile.",
            "no profile",
            source.name,
        )
    if plan.source_profile_from == "stated":
        yield Change(
            "profile-stated",
            f"Read the colours as {source.name}, which the PNG states by a chunk.",
            "no profile, a space by name",
            source.name,
        )
    if agreement is not None:
        yield _conversion(plan, source, output, agreement)
    if plan.slug:
        yield _slug(plan)
    if plan.strip is not None:
        yield _strip(plan)
    if plan.mirror:
        yield Change(
            "mirrored",
            "Turned the whole print left for right, once, because the studio does that for this "
            "product.",
            "right-reading",
            "mirrored",
        )
    yield from _depth(plan)
    yield _tags(plan)
    yield _written(plan, output)


def _around(plan: Plan) -> Iterator[Change]:
    placed = plan.placed
    before = f"{placed.width}x{placed.height}"
    after = f"{plan.width_px}x{plan.print_height_px}"
    if before == after:
        return
    if is_bordered(plan):
        sides = {
            "left": placed.left,
            "top": placed.top,
            "right": plan.width_px - placed.left - placed.width,
            "bottom": plan.print_height_px - placed.top - placed.height,
        }
        listed = ", ".join(f"{px} px {side}" for side, px in sides.items() if px)
        text = f"Left bare paper around the picture ({listed})"
        yield Change("border-added", f"{text}; {before} became {after}.", before, after)
        return
    parts = ((plan.bleed_px, "bleed"), (plan.wrap_px, "wrap"), (plan.tuck_px, "tuck"))
    mm = MM_PER["in"] / plan.ppi
    listed = " and ".join(f"{px} px ({shown(px * mm, 1)} mm) of {name}" for px, name in parts if px)
    how = _EDGE_WORDS[plan.edge.mode]
    if plan.edge.colour:
        how = f"{how}, {plan.edge.colour}"
    text = f"Added {listed} on 4 sides, {how}; the picture on the face is unchanged"
    yield Change("edge-added", f"{text}; {before} became {after}.", before, after)


def _conversion(plan: Plan, source: Profile, output: Profile, agreement: Agreement) -> Change:
    before = f"{source.name} {source.sha256[:8]}"
    after = f"{output.name} {output.sha256[:8]}"
    compensation = ""
    if plan.intent == "relative":
        state = "on" if plan.black_point_compensation else "off"
        compensation = f", black point compensation {state}"
    text = f"Converted from {before} to {after}, {_INTENT_WORDS[plan.intent]}{compensation}"
    if not agreement.is_within_limits:
        text += (
            "; done exactly, strip by strip, because the quick way was off by up to "
            f"{agreement.largest:.1f} ΔE00 on a sample"
        )
    return Change("converted", f"{text}.", before, after)


def _strip(plan: Plan) -> Change:
    before = f"{plan.width_px}x{plan.print_height_px}"
    after = f"{plan.width_px}x{plan.height_px}"
    return Change(
        "strip-added",
        f"Put a strip of {len(PATCHES)} colour patches of {shown(PATCH_MM)} mm below the print, "
        f"outside its trim, by the same profile, intent and compensation; {before} became "
        f"{after}. It is cut off, and comes back to be measured.",
        before,
        after,
    )


def _slug(plan: Plan) -> Change:
    slug = slug_of(plan)
    if slug is None:
        return Change(
            "slug-left-out",
            "Wrote no line of text beside the picture that would show whether the print was "
            "mirrored once: there is no bleed in which it could be read.",
            "none",
            "none",
        )
    return Change(
        "slug-added",
        f"Wrote “{slug.words}” into the bleed below the picture, outside the trim: it reads the "
        "right way from the front of the finished print where it was mirrored exactly once.",
        "none",
        slug.words,
    )


def _depth(plan: Plan) -> Iterator[Change]:
    if plan.bits == 16:
        return
    if plan.format == "jpeg":
        yield Change("rounded", "Rounded to 8 bit for JPEG.", "16 bit", "8 bit")
        return
    yield Change(
        "dithered",
        f"Brought to 8 bit with a dither of less than one step (seed {plan.dither_seed}).",
        "16 bit",
        "8 bit",
    )


def _tags(plan: Plan) -> Change:
    kept = [name for name, text in (("creator", plan.creator), ("rights", plan.rights)) if text]
    what = f"Kept {' and '.join(kept)} in a new XMP packet" if kept else "Kept no tags"
    return Change(
        "tags-left-out",
        f"{what}; everything else that the original says of its camera, place and making is left "
        "out.",
        "the original's tags",
        ", ".join(kept) or "none",
    )


def _written(plan: Plan, output: Profile) -> Change:
    form = plan.format.upper()
    if plan.format == "jpeg":
        how = f"quality {plan.jpeg_quality}, full colour resolution"
    else:
        how = "uncompressed" if plan.compression == "none" else f"{plan.compression} compression"
    size = f"{plan.width_px}x{plan.height_px}"
    return Change(
        "written",
        f"Wrote {form}, {plan.bits} bit, {how}, {size} at {shown(plan.ppi, 2)} ppi, with the "
        f"profile {output.name} {output.sha256[:8]} in it.",
        "",
        f"{size} {form} {plan.bits} bit",
    )
