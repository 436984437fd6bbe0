"""Make a print: the face first, then from the face the file that the lab prints.

The face is the picture as it will lie on the front, upright, cropped, at its final size, in its
own colour space and 16 bit, as plain samples in a file that can be read in any order. Mirroring
needs that, and so do the drawing and the process that checks the print.
"""

from __future__ import annotations

import hashlib
import os
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import imagecodecs
import numpy as np
import pyvips

from platemark.imaging.changes import print_changes
from platemark.imaging.convert import Conversion, conversion_of, sample_places
from platemark.imaging.drawing import draw_print
from platemark.imaging.edges import Document, document_of
from platemark.imaging.face import make_face
from platemark.imaging.face_reader import FaceReader
from platemark.imaging.opening import open_picture
from platemark.imaging.print_file import write_print
from platemark.imaging.print_pass import PrintPass, Seen
from platemark.imaging.source import embedded_profile, find_profile
from platemark.imaging.steps import PictureFault
from platemark.imaging.test_sheet import make_sheet
from platemark.model.work import RenderReport, RenderTask


def render(task: RenderTask) -> RenderReport:
    """Make the face, the print file and the ticket's drawing.

    Raises:
        PictureFault: the picture or its plan does not allow it.
        pyvips.Error: the picture cannot be decoded, or a file cannot be written.
    """
    plan, files = task.plan, dict(task.profiles)
    original = open_picture(task.original, plan.original_format)
    source = find_profile(plan.source_profile_sha256, files, embedded_profile(original))
    output = find_profile(plan.output_profile_sha256, files, source.data)
    if output.bands != 3:
        raise PictureFault("The print would be grey; labs print RGB, so plan it with an RGB space.")
    conversion = conversion_of(plan, source, output)
    with ThreadPoolExecutor(1) as pool:
        ready = pool.submit(conversion.make_ready)
        make = make_face if plan.test is None else make_sheet
        changes = list(make(original, plan, source, task.face, threads()))
        ready.result()
    placed = plan.placed
    with (
        FaceReader(task.face, placed.width, placed.height, source.bands) as face,
        ThreadPoolExecutor(1) as pool,
    ):
        document = document_of(face, plan, source)
        seen = _write(document, conversion, task, exact=False)
        # Drawing and judging keep one processor busy each.
        drawing = pool.submit(draw_print, face, plan, source, task.lines, task.drawing)
        agreement = None
        if not conversion.is_nothing:
            agreement = conversion.agreement(seen.after, conversion.exact(seen.before))
            if not agreement.is_within_limits:
                _write(document, conversion, task, exact=True)
        drawing.result()
    changes += print_changes(plan, source, output, agreement)
    return RenderReport(tuple(changes), engine(), source.name)


def _write(document: Document, conversion: Conversion, task: RenderTask, *, exact: bool) -> Seen:
    """Write the print file, and bring back the sampled pixels as they went by."""
    plan, face = task.plan, document.face
    places = sample_places(face.width, face.height, plan.dither_seed)
    count = len(places.rows)
    seen = Seen(
        np.empty((count, conversion.source.bands), np.uint16),
        np.empty((count, conversion.output.bands), np.uint16),
    )
    passing = PrintPass(document, plan, conversion, exact, places, seen)
    scratch = Path(task.face).with_suffix(".samples")
    write_print(passing, conversion.output.data, Path(task.print_file), scratch, threads())
    return seen


def threads() -> int:
    """Threads that this process may work with, as the pixel library was told at the start."""
    return max(1, int(os.environ.get("VIPS_CONCURRENCY", "1")))


def engine() -> str:
    """Name the libraries that made the pixels, and the hash of the one that did most of it."""
    vips = ".".join(str(pyvips.version(part)) for part in range(3))
    colour = str(imagecodecs.cms_version()).replace("lcms2", "LittleCMS")
    return (
        f"libvips {vips}{_library()}, pyvips {pyvips.__version__}, {colour} in imagecodecs "
        f"{imagecodecs.__version__}, NumPy {np.__version__}"
    )


def _library() -> str:
    """Which wheel libvips came in and the hash of its file, as far as the system tells."""
    try:
        maps = Path("/proc/self/maps").read_text(encoding="utf-8").splitlines()
        file = Path(next(line.split(maxsplit=5)[5] for line in maps if "/libvips" in line))
        with file.open("rb") as stream:
            digest = hashlib.file_digest(stream, "sha256").hexdigest()
    except (OSError, StopIteration):
        return ""
    # The wheel does not say its version in code, and asking the package records for it would
    # cost more time than all else here.
    wheel = next(file.parent.parent.glob("pyvips_binary-*.dist-info"), None)
    origin = f"{wheel.name.removesuffix('.dist-info').replace('_', '-')}, " if wheel else ""
    return f" ({origin}file {digest[:16]})"
