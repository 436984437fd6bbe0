"""Re-open a print file and hold it against its plan, its face and an exact conversion.

This runs in a process of its own, after the one that made the file. What the file says of itself
is read with another library than the one that wrote it.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
import pyvips
from numpy.typing import NDArray
from PIL import Image

from platemark.imaging.convert import (
    Agreement,
    Conversion,
    Sample,
    conversion_of,
    sample_face,
)
from platemark.imaging.depth import dither_tile, dithered_at
from platemark.imaging.edges import is_bordered
from platemark.imaging.render import open_face
from platemark.imaging.source import embedded_profile, find_profile, open_original
from platemark.model.plan import Plan
from platemark.model.units import shown
from platemark.model.work import CheckReport, CheckTask

_STRIP_ROWS = 128
_PPI_TOLERANCE = Fraction(1, 100)
_TIFF_BITS, _TIFF_SAMPLES, _TIFF_PROFILE = 258, 277, 34675

Pixels = NDArray[np.uint16] | NDArray[np.uint8]


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
    embedded = embedded_profile(open_original(task.original, plan.original_format))
    source = find_profile(plan.source_profile_sha256, files, embedded)
    output = find_profile(plan.output_profile_sha256, files, source.data)
    conversion = conversion_of(plan, source, output)
    face = open_face(task.face)
    sample = sample_face(face, plan.dither_seed)
    reasons = list(_against_plan(_stated(task.print_file), plan))
    if (face.width, face.height) != (plan.placed.width, plan.placed.height):
        reasons.append("the face is not of the planned size")
    if reasons:
        return _report(reasons, None, "not compared")
    exact = conversion.exact(sample.pixels)
    fast = conversion.fast_pixels(sample.pixels)
    agreement = conversion.agreement(fast, exact)
    # The same sample decided which way the print was converted.
    converted, judged = (
        (fast, agreement)
        if agreement.is_within_limits
        else (exact, Agreement(len(exact), 0.0, 0.0, 0.0))
    )
    try:
        printed, paper = _read_at(task.print_file, plan, sample)
    except pyvips.Error as error:
        told = str(error).strip().splitlines()[-1]
        return _report([f"the print file does not decode: {told}"], None, "not compared")
    container, trouble = _container(plan, conversion, sample, converted, printed)
    reasons += trouble
    if is_bordered(plan) and np.any(paper != np.iinfo(paper.dtype).max):
        reasons.append("the border is not bare paper")
    return _report(reasons, judged, container)


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


def _read_at(path: str, plan: Plan, sample: Sample) -> tuple[Pixels, Pixels]:
    """Decode all of a print file once, from top to bottom, and keep what was sampled.

    Returns:
        The file's samples at the places of the sampled face pixels, shape (n, 3), and at the
        document's four corners.
    """
    rows, columns = places(plan, sample)
    loader = pyvips.Image.tiffload if plan.format == "tiff" else pyvips.Image.jpegload
    image = loader(path, access="sequential", fail_on="error")
    kind = np.uint16 if image.format == "ushort" else np.uint8
    found = np.zeros((len(rows), image.bands), kind)
    corners = []
    order = np.argsort(rows, kind="stable")
    sorted_rows = rows[order]
    region = pyvips.Region.new(image)
    for top in range(0, image.height, _STRIP_ROWS):
        count = min(_STRIP_ROWS, image.height - top)
        raw = region.fetch(0, top, image.width, count)
        strip = np.frombuffer(raw, kind).reshape(count, image.width, image.bands)
        first, last = np.searchsorted(sorted_rows, (top, top + count))
        here = order[first:last]
        found[here] = strip[rows[here] - top, columns[here]]
        corners += [strip[at, [0, -1]] for at in (0, -1)]
    return found, np.stack([corners[0], corners[-1]])


def places(plan: Plan, sample: Sample) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Say where sampled face pixels lie in the print file: rows and columns."""
    columns = sample.columns + plan.placed.left
    if plan.mirror:
        columns = plan.width_px - 1 - columns
    return sample.rows + plan.placed.top, columns


def _container(
    plan: Plan, conversion: Conversion, sample: Sample, converted: NDArray[np.uint16], printed: Pixels
) -> tuple[str, list[str]]:
    """Compare the file's own samples with the converted ones, as its form allows."""
    if plan.format == "jpeg":
        widened = printed.astype(np.uint16) * np.uint16(257)
        difference = conversion.agreement(widened, converted)
        return f"JPEG: ΔE00 p99 {difference.p99:.2f}, largest {difference.largest:.2f}", []
    if plan.bits == 16:
        expected: Pixels = converted
        words = "equal"
    else:
        rows, columns = places(plan, sample)
        expected = dithered_at(converted, rows, columns, dither_tile(plan.dither_seed))
        words = "equal to the dither rule"
    differing = int(np.count_nonzero(np.any(printed != expected, axis=-1)))
    if differing:
        return f"{differing} of {len(printed)} differ", [
            f"{differing} of {len(printed)} sampled pixels in the file are not what the conversion "
            "gives"
        ]
    return words, []
