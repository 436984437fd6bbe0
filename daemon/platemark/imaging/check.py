"""Re-open a print file and hold it against its plan, its face and an exact conversion.

This runs in a process of its own, after the one that made the file. What the file says of itself
is read with another library than the one that wrote it.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import numpy as np
import pyvips
from numpy.typing import NDArray
from PIL import Image

from platemark.imaging.convert import (
    LARGEST_LIMIT,
    P99_LIMIT,
    Agreement,
    Conversion,
    Places,
    conversion_of,
    sample_places,
)
from platemark.imaging.depth import dither_tile, dithered_at
from platemark.imaging.edges import is_bordered
from platemark.imaging.face_reader import FaceReader
from platemark.imaging.opening import open_picture
from platemark.imaging.patch_strip import Strip, strip_of, why_not_as_planned
from platemark.imaging.slug import Slug, slug_of
from platemark.imaging.source import embedded_profile, find_profile
from platemark.model.plan import Plan
from platemark.model.terms import Box
from platemark.model.units import shown
from platemark.model.work import CheckReport, CheckTask

# Pillow only reads tags here, of a file that we made; its guard against bombs would refuse large
# prints.
Image.MAX_IMAGE_PIXELS = None

_STRIP_ROWS = 128
_PPI_TOLERANCE = Fraction(1, 100)
_TIFF_BITS, _TIFF_SAMPLES, _TIFF_PROFILE = 258, 277, 34675

_JPEG_SLUG_AGREES = 0.98
"""Pixels of a JPEG's slug that must be on the right side of half; its coding blurs the rims."""
_CLEARLY = 2
"""A picture that fits so many times better turned than as planned was turned."""

_SQUARE_PX = 20
_MEANS_P99, _MEANS_LARGEST = 4, 12
"""Codes of 255 that the means of a JPEG's squares may be off: of photographs, noise and fine lines,
all were within 1 at quality 90 and 95, and within 2.5 at 70 (measured)."""

_NOT_COMPARED = "not compared"

Codes16 = NDArray[np.uint16]
Samples = NDArray[np.uint16] | NDArray[np.uint8]
Numbers = NDArray[np.intp]


@dataclass(frozen=True, slots=True)
class _Stated:
    """What a file says of itself."""

    form: str
    width: int
    height: int
    bits: tuple[int, ...]
    samples: int
    profile: bytes
    ppi: tuple[float, float]


def check(task: CheckTask) -> CheckReport:
    """Check a print file; every reason why it fails is in the report.

    Raises:
        PictureFault: a profile that the plan names is not there.
    """
    plan, files = task.plan, dict(task.profiles)
    embedded = embedded_profile(open_picture(task.original, plan.original_format))
    source = find_profile(plan.source_profile_sha256, files, embedded)
    output = find_profile(plan.output_profile_sha256, files, source.data)
    conversion = conversion_of(plan, source, output)
    reasons = list(_against_plan(_stated(task.print_file), plan))
    if reasons:
        return _report(reasons, None, _NOT_COMPARED)
    placed = plan.placed
    places = _beside_slug(plan, sample_places(placed.width, placed.height, plan.dither_seed))
    try:
        with FaceReader(task.face, placed.width, placed.height, source.bands) as face:
            taken = face.pixels(places.rows, places.columns)
    except ValueError:
        return _report(["the face is not of the planned size"], None, _NOT_COMPARED)
    try:
        read = _read_at(task.print_file, plan, places, strip_of(plan, output))
    except pyvips.Error as error:
        told = str(error).strip().splitlines()[-1]
        return _report([f"it does not decode: {told}"], None, _NOT_COMPARED)
    if not read.is_border_bare:
        reasons.append("its border is not bare paper")
    reasons += _against_slug(read, plan)
    if read.strip is not None and read.strip_samples is not None:
        reasons += why_not_as_planned(read.strip, read.strip_samples, plan)
    compare = {("tiff", 16): _compare_16_bit, ("tiff", 8): _compare_dithered}.get(
        (plan.format, plan.bits), _compare_jpeg
    )
    compared = compare(conversion, plan, places, taken, read)
    return _report([*reasons, *compared.reasons], compared.agreement, compared.container)


@dataclass(frozen=True, slots=True)
class _Compared:
    """The colours before depth and coding against the exact ones; and the file's own samples."""

    agreement: Agreement
    container: str
    container_reason: str = ""

    @property
    def reasons(self) -> Iterator[str]:
        if not self.agreement.is_within_limits:
            yield (
                f"its colours are off by up to {self.agreement.largest:.2f} ΔE00 "
                f"(1 % by more than {self.agreement.p99:.2f}) from an exact conversion; allowed "
                f"are {LARGEST_LIMIT:g} and {P99_LIMIT:g}"
            )
        if self.container_reason:
            yield self.container_reason


def _compare_16_bit(
    conversion: Conversion, _plan: Plan, _places: Places, taken: Codes16, read: _Read
) -> _Compared:
    """A 16-bit file holds the converted colours themselves, so they are judged as they stand."""
    exact = conversion.exact(taken)
    samples = read.printed.astype(np.uint16, copy=False)
    agreement = conversion.agreement(samples, exact)
    differing = int(np.count_nonzero(np.any(samples != exact, axis=-1)))
    if not differing:
        return _Compared(agreement, "equal")
    if conversion.is_nothing:
        return _Compared(agreement, *_differ(differing, len(exact), "the face has"))
    return _Compared(agreement, "its own 16-bit samples were compared")


def _compare_dithered(
    conversion: Conversion, plan: Plan, places: Places, taken: Codes16, read: _Read
) -> _Compared:
    """The file tells which way it was converted: the dither of only one way gives its samples."""
    rows, columns = _in_document(plan, places)
    tile = dither_tile(plan.dither_seed)
    exact, quick = conversion.exact(taken), conversion.quick(taken)
    differing = []
    for converted in (quick, exact):
        expected = dithered_at(converted, rows, columns, tile)
        differing.append(int(np.count_nonzero(np.any(read.printed != expected, axis=-1))))
        if not differing[-1]:
            return _Compared(conversion.agreement(converted, exact), "equal to the dither rule")
    agreement = conversion.agreement(quick, exact)
    return _Compared(agreement, *_differ(min(differing), len(exact), "the dither rule gives"))


def _compare_jpeg(
    conversion: Conversion, _plan: Plan, places: Places, taken: Codes16, read: _Read
) -> _Compared:
    """JPEG keeps no sample as it was, so its own difference is told and decides nothing.

    But its coding keeps the mean of every few pixels, so another picture, or none, shows.
    """
    exact, converted = conversion.exact(taken), conversion.quick(taken)
    agreement = conversion.agreement(converted, exact)
    if not agreement.is_within_limits:
        # Then the print was made exactly: the same sample decided that.
        converted, agreement = exact, conversion.agreement(exact, exact)
    coded = conversion.agreement(read.printed.astype(np.uint16) * np.uint16(257), converted)
    words = f"JPEG: ΔE00 p99 {coded.p99:.2f}, largest {coded.largest:.2f}"
    wanted = converted / 257
    as_planned, as_turned = (np.abs(way - wanted).mean() for way in (read.printed, read.turned))
    if as_planned > 1 and as_planned > _CLEARLY * as_turned:
        return _Compared(agreement, words, "it is turned left for right")
    off = _means_off(places, read.printed - wanted)
    if len(off) and (np.percentile(off, 99) > _MEANS_P99 or off.max() > _MEANS_LARGEST):
        return _Compared(
            agreement,
            words,
            f"its picture is not the planned one: parts of it are off by up to {off.max():.0f} of "
            "255 codes",
        )
    return _Compared(agreement, words)


def _means_off(places: Places, difference: NDArray[np.floating[Any]]) -> NDArray[np.float64]:
    """How far the mean of each square of sampled pixels is off, the worst of its channels.

    Args:
        places: Where the pixels lie in the face.
        difference: Of the file's samples from the planned ones, codes of 255, shape (n, 3).
    """
    squares = places.rows // _SQUARE_PX * (1 << 20) + places.columns // _SQUARE_PX
    _, square, count = np.unique(squares, return_inverse=True, return_counts=True)
    sums = [np.bincount(square, channel) for channel in difference.T]
    means = np.abs(np.array(sums) / count).max(axis=0)
    return np.asarray(means[count >= _SQUARE_PX**2 // 4])


def _against_slug(read: _Read, plan: Plan) -> Iterator[str]:
    if read.slug is None or read.slug_samples is None:
        return
    expected = read.slug.samples(read.slug_samples.dtype)
    if plan.mirror:
        expected = expected[:, ::-1]
    if plan.format == "tiff":
        is_there = np.array_equal(read.slug_samples, expected)
    else:
        same_side = (read.slug_samples > 127) == (expected > 127)
        is_there = bool(same_side.mean() >= _JPEG_SLUG_AGREES)
    if not is_there:
        yield f"the line “{read.slug.words}” is not in its bleed as planned"


def _differ(count: int, of: int, than: str) -> tuple[str, str]:
    return (
        f"{count} of {of} differ",
        f"{count} of {of} sampled pixels in it are not what {than}",
    )


def _report(reasons: list[str], agreement: Agreement | None, container: str) -> CheckReport:
    figures = ("", "", "")
    if agreement is not None:
        figures = (
            f"{agreement.mean:.3f}", f"{agreement.p99:.3f}", f"{agreement.largest:.3f}",
        )  # fmt: skip
    sampled = agreement.sampled if agreement else 0
    return CheckReport(not reasons, tuple(reasons), sampled, *figures, container)


def _stated(path: str) -> _Stated:
    """Read a file's own tags with Pillow; it decodes nothing here."""
    with Image.open(path, formats=("TIFF", "JPEG")) as opened:
        if opened.format == "TIFF":
            tags = opened.tag_v2  # type: ignore[attr-defined]
            bits = tuple(int(n) for n in tags.get(_TIFF_BITS, ()))
            return _Stated(
                "tiff",
                opened.width,
                opened.height,
                bits,
                int(tags.get(_TIFF_SAMPLES, 0)),
                bytes(tags.get(_TIFF_PROFILE, b"")),
                opened.info.get("dpi", (0, 0)),
            )
        channels = len(opened.getbands())
        return _Stated(
            "jpeg",
            opened.width,
            opened.height,
            (8,) * channels,
            channels,
            opened.info.get("icc_profile", b""),
            opened.info.get("dpi", (0, 0)),
        )


def _against_plan(stated: _Stated, plan: Plan) -> Iterator[str]:
    if stated.form != plan.format:
        yield f"it is a {stated.form} file, not {plan.format}"
    if (stated.width, stated.height) != (plan.width_px, plan.height_px):
        yield (
            f"it has {stated.width} × {stated.height} px, not {plan.width_px} × {plan.height_px}"
        )
    if stated.samples != 3:
        yield f"it has {stated.samples} channels, not 3"
    if set(stated.bits) != {plan.bits}:
        yield f"its samples have {sorted(set(stated.bits))} bits, not {plan.bits}"
    if hashlib.sha256(stated.profile).hexdigest() != plan.output_profile_sha256:
        yield "the profile in it is not the planned one"
    if any(abs(Fraction(float(value)) - plan.ppi) > _PPI_TOLERANCE for value in stated.ppi):
        said = " and ".join(f"{float(value):g}" for value in stated.ppi)
        yield f"its resolution tags say {said} ppi, not {shown(plan.ppi, 2)}"


@dataclass(frozen=True, slots=True)
class _Read:
    """What was kept of a print file's own samples."""

    printed: Samples
    """At the sampled places of the face, shape (n, 3)."""
    turned: Samples
    """Where these places would be if the document were turned left for right."""
    is_border_bare: bool
    """Whether no ink lies around the picture of a bordered print; true of every other."""
    slug: Slug | None
    slug_samples: Samples | None
    """Where the slug is planned, as it stands in the file."""
    strip: Strip | None
    strip_samples: Samples | None
    """The same of the patch strip."""


def _read_at(path: str, plan: Plan, places: Places, strip: Strip | None) -> _Read:
    """Decode all of a print file once, from top to bottom, and keep what was sampled."""
    rows, columns = _in_document(plan, places)
    loader = pyvips.Image.tiffload if plan.format == "tiff" else pyvips.Image.jpegload
    image = loader(path, access="sequential", fail_on="error")
    kind = np.uint16 if image.format == "ushort" else np.uint8
    found = np.zeros((len(rows), image.bands), kind)
    turned = np.zeros_like(found)
    slug = slug_of(plan)
    patch = None if slug is None else np.zeros((*slug.ink.shape, image.bands), kind)
    below = None
    if strip is not None:
        below = np.zeros((strip.plan.box.height, strip.plan.box.width, image.bands), kind)
    is_bare = True
    order = np.argsort(rows, kind="stable")
    sorted_rows = rows[order]
    region = pyvips.Region.new(image)
    for top in range(0, image.height, _STRIP_ROWS):
        count = min(_STRIP_ROWS, image.height - top)
        raw = region.fetch(0, top, image.width, count)
        band = np.frombuffer(raw, kind).reshape(count, image.width, image.bands)
        first, last = np.searchsorted(sorted_rows, (top, top + count))
        here = order[first:last]
        found[here] = band[rows[here] - top, columns[here]]
        turned[here] = band[rows[here] - top, image.width - 1 - columns[here]]
        if slug is not None and patch is not None:
            _keep_patch(patch, band, top, _slug_box(slug, plan))
        if strip is not None and below is not None:
            _keep_patch(below, band, top, strip.plan.box)
        is_bare = is_bare and _is_bare_around(band[: max(0, plan.print_height_px - top)], top, plan)
    return _Read(found, turned, is_bare, slug, patch, strip, below)


def _is_bare_around(strip: NDArray[Any], top: int, plan: Plan) -> bool:
    """Whether what lies around the picture in a strip has no ink; the first row is `top`."""
    if not is_bordered(plan) or not strip.size:
        return True
    # The coding of a JPEG spills over the rim of the picture, by its blocks of 8 pixels.
    spill, lowest = (16, 250) if plan.format == "jpeg" else (0, np.iinfo(strip.dtype).max)
    placed = plan.placed
    left = plan.width_px - placed.left - placed.width if plan.mirror else placed.left
    columns = slice(max(0, left - spill), left + placed.width + spill)
    first = min(max(placed.top - spill - top, 0), len(strip))
    last = min(max(placed.top + placed.height + spill - top, 0), len(strip))
    around = (
        strip[:first],
        strip[last:],
        strip[first:last, : columns.start],
        strip[first:last, columns.stop :],
    )
    return all(part.size == 0 or part.min() >= lowest for part in around)


def _slug_box(slug: Slug, plan: Plan) -> Box:
    """Where the slug lies in the print file."""
    box = slug.box
    left = plan.width_px - box.left - box.width if plan.mirror else box.left
    return Box(left, box.top, box.width, box.height)


def _keep_patch(patch: Samples, strip: NDArray[Any], top: int, box: Box) -> None:
    """Copy what of a box lies in a strip whose first row is `top`."""
    first, last = max(box.top, top), min(box.top + box.height, top + len(strip))
    if first < last:
        patch[first - box.top : last - box.top] = strip[
            first - top : last - top, box.left : box.left + box.width
        ]


def _beside_slug(plan: Plan, places: Places) -> Places:
    """Leave out what lies under the line of text, where the face is all of the document."""
    slug = slug_of(plan)
    if slug is None:
        return places
    box = slug.box
    rows, columns = places.rows + plan.placed.top, places.columns + plan.placed.left
    under = (rows >= box.top) & (rows < box.top + box.height)
    under &= (columns >= box.left) & (columns < box.left + box.width)
    return Places(places.rows[~under], places.columns[~under])


def _in_document(plan: Plan, places: Places) -> tuple[Numbers, Numbers]:
    """Say where pixels of the face lie in the print file: rows and columns."""
    columns = places.columns + plan.placed.left
    if plan.mirror:
        columns = plan.width_px - 1 - columns
    return places.rows + plan.placed.top, columns
