"""Measures of pictures that a test has just made, through the real decoder."""

from fractions import Fraction
from pathlib import Path
from typing import Any

from made_plans import Made, Pixels, kept, picture, sha256

from platemark.imaging.measure import measure
from platemark.model.measures import Measures
from platemark.model.terms import Box
from platemark.model.work import MeasureTask, Measuring


def measure_task(made: Made, *profiles: bytes, **changes: Any) -> MeasureTask:
    """A task for the whole picture at 300 ppi, delivered as it is, on a surface of black L* 5."""
    whole = Box(0, 0, made.width, made.height)
    placed = changes.pop("placed", whole)
    plain: dict[str, Any] = {
        "original_format": made.form,
        "orientation": 1,
        "crop": whole,
        "placed": placed,
        "face_box": placed,
        "ppi": Fraction(300),
        "around_mm": Fraction(0),
        "black_l": "5",
        "source_profile_sha256": sha256(made.profile),
        "source_profile_from": "embedded",
        "output_profile_sha256": sha256(profiles[0] if profiles else made.profile),
        "intent": "relative",
        "black_point_compensation": True,
        "by_lab_profile": bool(profiles),
        "surface_name": "Invented paper",
        "white_l": "96",
        "white_b": "1",
        "bare_metal": False,
        "show_other_intent_from": "5",
    }
    measuring = Measuring(**{**plain, **changes})
    return MeasureTask(str(made.original), measuring, kept(made.folder, *profiles))


def measures_of(
    folder: Path, pixels: Pixels, *profiles: bytes, profile: bytes | None = None, **changes: Any
) -> Measures:
    """Write pixels as a TIFF, sRGB unless said, and measure it in this process."""
    made = picture(folder, pixels, profile)
    return measure(measure_task(made, *profiles, **changes)).measures
