"""Plans and tasks for pictures that a test has just written, without the service around them."""

import hashlib
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pyvips
from numpy.typing import NDArray

from platemark.imaging.icc import build_matrix_profile
from platemark.model.plan import Plan, seeded
from platemark.model.terms import Box, EdgeChoice
from platemark.model.work import CheckTask, ChildLimits, Line, RenderTask

Pixels = NDArray[np.uint8] | NDArray[np.uint16]

LIMITS = ChildLimits(memory_mb=2000, seconds=120, output_mb=2000, threads=2)


@dataclass(frozen=True)
class Made:
    """A picture in a folder of its own, with what a plan says of it."""

    folder: Path
    original: Path
    width: int
    height: int
    form: str
    profile: bytes


def sha256(data: bytes) -> str:
    """Hexadecimal SHA-256."""
    return hashlib.sha256(data).hexdigest()


def picture(
    folder: Path, pixels: Pixels, profile: bytes | None = None, form: str = "tiff", **more: Any
) -> Made:
    """Write pixels, shape (height, width[, bands]), as a picture with a profile (usually sRGB)."""
    profile = build_matrix_profile("srgb") if profile is None else profile
    folder.mkdir(parents=True, exist_ok=True)
    original = folder / f"original.{form}"
    image = pyvips.Image.new_from_array(np.ascontiguousarray(pixels))
    wide = pixels.dtype == np.uint16
    if image.bands >= 3:
        image = image.copy(interpretation="rgb16" if wide else "srgb")
    else:
        image = image.copy(interpretation="grey16" if wide else "b-w")
    given = folder / "given.icc"
    given.write_bytes(profile)
    save = {"tiff": image.tiffsave, "png": image.pngsave, "jpeg": image.jpegsave}[form]
    save(str(original), profile=str(given), **more)
    return Made(folder, original, image.width, image.height, form, profile)


def plan_for(made: Made, output: bytes, **changes: Any) -> Plan:
    """A plan that keeps the whole picture at its size, relative, without compensation."""
    whole = Box(0, 0, made.width, made.height)
    placed = changes.pop("placed", whole)
    plain: dict[str, Any] = {
        "original_sha256": sha256(made.original.read_bytes()),
        "original_format": made.form,
        "orientation": 1,
        "crop": whole,
        "width_px": placed.width + 2 * placed.left,
        "height_px": placed.height + 2 * placed.top,
        "placed": placed,
        "face_box": placed,
        "trim_box": placed,
        "safe_box": placed,
        "bleed_px": 0,
        "wrap_px": 0,
        "tuck_px": 0,
        "edge": EdgeChoice("none"),
        "ppi": Fraction(300),
        "resample": "none",
        "mirror": False,
        "source_profile_sha256": sha256(made.profile),
        "source_profile_from": "embedded",
        "conversion": "keep" if output == made.profile else "lab-profile",
        "output_profile_sha256": sha256(output),
        "output_space": "the output space",
        "intent": "relative",
        "black_point_compensation": False,
        "format": "tiff",
        "bits": 16,
        "compression": "none",
        "jpeg_quality": 0,
        "creator": "",
        "rights": "",
    }
    return seeded(Plan(**{**plain, **changes}))


def render_task(
    made: Made, plan: Plan, *profiles: bytes, lines: tuple[Line, ...] = ()
) -> RenderTask:
    """A task that renders into the picture's own folder."""
    suffix = "tif" if plan.format == "tiff" else "jpg"
    return RenderTask(
        plan=plan,
        original=str(made.original),
        profiles=kept(made.folder, *profiles),
        face=str(made.folder / "picture.face"),
        print_file=str(made.folder / f"print.{suffix}"),
        drawing=str(made.folder / "drawing.jpg"),
        lines=lines,
    )


def check_task(task: RenderTask) -> CheckTask:
    """The check of what a task has rendered."""
    return CheckTask(task.plan, task.face, task.print_file, task.profiles, task.original)


def kept(folder: Path, *profiles: bytes) -> tuple[tuple[str, str], ...]:
    """Profiles as files by their hashes."""
    found = []
    for profile in profiles:
        path = folder / f"{sha256(profile)}.icc"
        path.write_bytes(profile)
        found.append((sha256(profile), str(path)))
    return tuple(found)
