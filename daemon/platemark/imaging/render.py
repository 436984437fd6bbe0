"""Make a print: the face first, then from the face the file that the lab prints.

The face is the picture as it will lie on the front, upright, cropped, at its final size, in its
own colour space and 16 bit, in a tiled file that can be read in any order. Mirroring and turning
need that, and so do the drawing and the process that checks the print.
"""

from __future__ import annotations

import hashlib
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

import imagecodecs
import pyvips

from platemark.imaging.changes import print_changes
from platemark.imaging.convert import Agreement, Conversion, conversion_of, path_of, sample_face
from platemark.imaging.drawing import draw_print
from platemark.imaging.edges import with_border, with_edge
from platemark.imaging.face import make_face
from platemark.imaging.print_file import write_print
from platemark.imaging.source import (
    embedded_profile,
    find_profile,
    named_16_bit,
    open_original,
)
from platemark.imaging.steps import PictureFault
from platemark.model.plan import Plan
from platemark.model.work import RenderReport, RenderTask


def render(task: RenderTask) -> RenderReport:
    """Make the face, the print file and the ticket's drawing.

    Raises:
        PictureFault: the picture or its plan does not allow it.
        pyvips.Error: the picture cannot be decoded, or a file cannot be written.
    """
    plan, files = task.plan, dict(task.profiles)
    original = open_original(task.original, plan.original_format)
    source = find_profile(plan.source_profile_sha256, files, embedded_profile(original))
    output = find_profile(plan.output_profile_sha256, files, source.data)
    if output.bands != 3:
        raise PictureFault("The print would be grey; labs print RGB, so plan it with an RGB space.")
    changes = list(make_face(original, plan, source, task.face))
    face = open_face(task.face)
    conversion = conversion_of(plan, source, output)
    agreement = None if conversion.is_nothing else agreement_on(face, conversion, plan)
    scratch = Path(task.face).with_suffix(".converted")
    try:
        _make_print(face, plan, conversion, agreement, scratch, task.print_file)
    finally:
        scratch.unlink(missing_ok=True)
    draw_print(face, plan, source, task.lines, task.drawing)
    changes += print_changes(plan, source, output, agreement)
    return RenderReport(tuple(changes), engine(), source.name)


def open_face(path: str) -> pyvips.Image:
    """Open a face for reading in any order."""
    return named_16_bit(pyvips.Image.tiffload(path, access="random", fail_on="error"))


def agreement_on(face: pyvips.Image, conversion: Conversion, plan: Plan) -> Agreement:
    """Try both ways of converting on the plan's sample of the face."""
    sample = sample_face(face, plan.dither_seed)
    return conversion.agreement(
        conversion.fast_pixels(sample.pixels), conversion.exact(sample.pixels)
    )


def _make_print(
    face: pyvips.Image,
    plan: Plan,
    conversion: Conversion,
    agreement: Agreement | None,
    scratch: Path,
    path: str,
) -> None:
    document = with_edge(face, plan, conversion.source)
    if agreement is None or agreement.is_within_limits:
        document = conversion.fast(document)
    else:
        document = conversion.exact_in_strips(document, scratch)
    document = with_border(document, plan)
    if plan.mirror:
        document = document.fliphor()
    if (document.width, document.height) != (plan.width_px, plan.height_px):
        raise PictureFault(
            f"The print came out {document.width} × {document.height} px, not "
            f"{plan.width_px} × {plan.height_px} as planned; plan it again."
        )
    write_print(document, plan, path_of(conversion.output.data), path)


def engine() -> str:
    """Name the libraries that made the pixels, and the hash of the one that did most of it."""
    named = []
    for package in ("pyvips", "pyvips-binary", "imagecodecs", "numpy"):
        try:
            named.append(f"{package} {version(package)}")
        except PackageNotFoundError:
            continue
    vips = ".".join(str(pyvips.version(part)) for part in range(3))
    exact = str(imagecodecs.cms_version()).replace("lcms2", "LittleCMS")
    library = _library_hash()
    return ", ".join([f"libvips {vips}{library}", *named, f"{exact} for the exact conversion"])


def _library_hash() -> str:
    """Hash of the loaded library's file, as far as the system tells where it is."""
    try:
        lines = Path("/proc/self/maps").read_text(encoding="utf-8").splitlines()
        path = next(line.split(maxsplit=5)[5] for line in lines if "/libvips" in line)
        with Path(path).open("rb") as stream:
            return f" (file {hashlib.file_digest(stream, 'sha256').hexdigest()[:16]})"
    except (OSError, StopIteration):
        return ""
