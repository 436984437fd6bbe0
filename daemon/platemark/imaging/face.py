"""Make the face of a print from its original, in one pass or two."""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path

import pyvips

from platemark.imaging.adjust import Adjusted, adjust_face
from platemark.imaging.from_lab import brought_from_lab
from platemark.imaging.resample import enlarge_picture, reduce_picture
from platemark.imaging.sharpen import Sharpened, sharpen_face
from platemark.imaging.source import (
    Profile,
    colour_bands,
    in_16_bit,
    stored_box,
    turn_in_words,
    upright,
)
from platemark.imaging.steps import PictureFault
from platemark.model.adjusting import Adjustment
from platemark.model.finding import Change
from platemark.model.plan import Plan, Sharpening
from platemark.model.terms import Box
from platemark.model.units import MM_PER, shown

_TILE_PX = 256
_CLASSIC_TIFF_BYTES = 4_000_000_000
_WORTH_SAYING = 0.0005
"""A smaller share of the pixels is 0.0 % to people."""


def make_face(
    original: pyvips.Image, plan: Plan, source: Profile, path: str, threads: int
) -> tuple[Change, ...]:
    """Write the face and say what was done to the pixels on the way.

    Args:
        original: As stored, sequential.
        plan: Says orientation, crop, size, adjustment and sharpening.
        source: The picture's profile.
        path: File to write.
        threads: To adjust and to sharpen with.

    Raises:
        PictureFault: the picture is not the one that was planned with.
    """
    how = plan.sharpen
    if how is None:
        return _unsharpened(original, plan, source, path, threads)
    plain = Path(path).with_suffix(".plain")
    try:
        changes = _unsharpened(original, plan, source, str(plain), threads)
        size = (plan.placed.width, plan.placed.height)
        done = sharpen_face(str(plain), path, size, source, how, threads)
    finally:
        plain.unlink(missing_ok=True)
    return (*changes, _sharpened(plan, how, source, done))


def _unsharpened(
    original: pyvips.Image, plan: Plan, source: Profile, path: str, threads: int
) -> tuple[Change, ...]:
    """Write the face as it is before it is sharpened: at its size, and adjusted."""
    changes = _at_size(original, plan, source, path)
    if plan.adjust is None:
        return changes
    size = (plan.placed.width, plan.placed.height)
    done = adjust_face(path, size, source, plan.adjust, threads)
    return (*changes, _adjusted(plan.adjust, source, done))


def _at_size(original: pyvips.Image, plan: Plan, source: Profile, path: str) -> tuple[Change, ...]:
    box = stored_box(plan.crop, plan.orientation, original.width, original.height)
    if min(box.left, box.top) < 0 or (
        box.left + box.width > original.width or box.top + box.height > original.height
    ):
        raise PictureFault("The plan takes more than the picture has; plan the picture again.")
    changes = [*_shape_changes(original, plan), *_sample_changes(original, plan, source)]
    picture = _cropped(original, box)
    if plan.source_profile_from == "lab":
        picture = brought_from_lab(picture, source)
    picture = in_16_bit(colour_bands(picture, source))
    is_turned = plan.orientation >= 5
    wanted = plan.placed
    width, height = (wanted.height, wanted.width) if is_turned else (wanted.width, wanted.height)
    picture, resampling = _resampled(picture, plan, source, width, height)
    changes += resampling
    if (picture.width, picture.height) != (width, height):
        raise PictureFault(
            f"The picture is {picture.width} × {picture.height} px, but its place on the print is "
            f"{width} × {height} px; plan the picture again."
        )
    if plan.orientation == 1:
        picture.rawsave(path)
        return tuple(changes)
    # Turning reads in another order than the file has, so it goes by a tiled file of its own.
    as_stored = Path(path).with_suffix(".stored")
    try:
        _write_tiled(picture, str(as_stored))
        tiled = pyvips.Image.tiffload(str(as_stored), access="random")
        upright(tiled, plan.orientation).rawsave(path)
    finally:
        as_stored.unlink(missing_ok=True)
    return tuple(changes)


def _cropped(image: pyvips.Image, box: Box) -> pyvips.Image:
    if (box.left, box.top, box.width, box.height) == (0, 0, image.width, image.height):
        return image
    return image.crop(box.left, box.top, box.width, box.height)


def _resampled(
    picture: pyvips.Image, plan: Plan, source: Profile, width: int, height: int
) -> tuple[pyvips.Image, list[Change]]:
    if plan.resample == "none":
        return picture, []
    crop, placed = plan.crop, plan.placed
    before, after = f"{crop.width}x{crop.height}", f"{placed.width}x{placed.height}"
    factor = shown(Fraction(placed.width, crop.width), 3)
    if plan.resample == "enlarge":
        text = f"Enlarged {factor} times with bicubic interpolation"
        made, code = enlarge_picture(picture, width, height), "enlarged"
    else:
        made, in_light = reduce_picture(picture, width, height, source.parsed)
        text = f"Reduced to {factor} of its size with Lanczos-3 " + (
            "in linear light" if in_light else "as encoded"
        )
        code = "reduced"
    return made, [Change(code, f"{text}, {before} became {after}.", before, after)]


def _shape_changes(original: pyvips.Image, plan: Plan) -> Iterator[Change]:
    width, height = original.width, original.height
    before = f"{width}x{height}"
    if plan.orientation != 1:
        if plan.orientation >= 5:
            width, height = height, width
        after = f"{width}x{height}"
        yield Change(
            "orientation-applied",
            f"Applied EXIF orientation {plan.orientation} ({turn_in_words(plan.orientation)}); "
            f"pixels {before} became {after}.",
            before,
            after,
        )
    crop = plan.crop
    if (crop.width, crop.height) != (width, height):
        off = (crop.left, crop.top, width - crop.left - crop.width, height - crop.top - crop.height)
        sides = ", ".join(
            f"{cut} px off the {side}"
            for side, cut in zip(("left", "top", "right", "bottom"), off, strict=True)
            if cut
        )
        before, after = f"{width}x{height}", f"{crop.width}x{crop.height}"
        yield Change("cropped", f"Cropped: {sides}; {before} became {after}.", before, after)


def _adjusted(how: Adjustment, source: Profile, done: Adjusted) -> Change:
    before, after = (shown(Fraction(each), 1) for each in (done.mean_before, done.mean_after))
    moved = f"; mean lightness {before} became {after} L*" if how.moves_lightness else ""
    within = ""
    if done.kept_within >= _WORTH_SAYING:
        share = shown(Fraction(done.kept_within) * 100, 1)
        within = f"; {share} % of the pixels lost some chroma to stay within {source.name}"
    return Change(
        "adjusted",
        f"Adjusted as the photographer decided: {how.words}{moved}{within}.",
        "as it came",
        str(how),
    )


def _sharpened(plan: Plan, how: Sharpening, source: Profile, done: Sharpened) -> Change:
    millimetres = shown(how.radius_px / plan.ppi * MM_PER["in"], 2)
    radius, amount = shown(how.radius_px, 1), shown(how.amount, 2)
    what = f"lightness for {how.surface}"
    if how.seen_from:
        what += f", seen from {how.seen_from}"
    as_encoded = ""
    if not done.on_lightness:
        as_encoded = (
            f"; on all channels as encoded, because {source.name} does not say what their "
            "lightness is"
        )
    share = shown(Fraction(done.changed) * 100, 1)
    return Change(
        "sharpened",
        f"Sharpened {what}: radius {millimetres} mm ({radius} px), amount {amount}, differences "
        f"under {shown(how.threshold_l, 1)} L* left alone, halo at most "
        f"{shown(how.overshoot_l, 1)} L*; {share} % of the pixels changed{as_encoded}.",
        "as it came",
        f"radius {radius} px, amount {amount}",
    )


def _sample_changes(original: pyvips.Image, plan: Plan, source: Profile) -> Iterator[Change]:
    colour = 1 if original.bands < 3 else 3
    if original.bands > colour:
        count = original.bands - colour
        what = "an extra channel" if count == 1 else f"{count} extra channels"
        yield Change(
            "alpha-dropped",
            f"Left out {what} (transparency or a saved selection), which a print has no use for.",
            f"{original.bands} channels",
            f"{colour} channels",
        )
    if plan.source_profile_from == "lab":
        yield Change(
            "from-lab",
            "Brought from Lab into ROMM RGB at 16 bit, relative to its white (D50); colours that "
            "ROMM RGB does not have were clipped.",
            "Lab",
            f"{source.name} {source.sha256[:8]}",
        )
        return
    if colour < source.bands:
        yield Change(
            "grey-as-rgb",
            "Took the grey picture as equal red, green and blue, because its profile is for RGB.",
            "1 channel",
            "3 channels",
        )
    if original.format == "uchar":
        yield Change(
            "promoted",
            "Took 8-bit samples to 16 bit for the work (each times 257, so no value moves).",
            "8 bit",
            "16 bit",
        )


def _write_tiled(image: pyvips.Image, path: str) -> None:
    image.tiffsave(
        path,
        tile=True,
        tile_width=_TILE_PX,
        tile_height=_TILE_PX,
        compression="none",
        bigtiff=image.width * image.height * image.bands * 2 > _CLASSIC_TIFF_BYTES,
        keep=pyvips.ForeignKeep.NONE,
    )
