"""Holds the readings of a patch strip against what the profile predicts and against a reference.

CIEDE2000 is colour-science's. The prediction is LittleCMS: the patches to the print's colours as
they were printed, and from there by the profile's colorimetric table to Lab: ICC-absolute, where
the readings count from a perfect white, relative to the paper where they were made so.
"""

from __future__ import annotations

import hashlib
import importlib
import warnings
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from platemark.imaging.convert import LAB_PROFILE, UNTABLED, Conversion, transform
from platemark.imaging.icc import ProfileDamage, parse_profile
from platemark.imaging.patch_strip import srgb
from platemark.imaging.source import Profile
from platemark.imaging.steps import PictureFault
from platemark.model.strip_report import StripFigures
from platemark.model.work import StripReport, StripTask

Floats = NDArray[np.float64]


def report_strip(task: StripTask) -> StripReport:
    """Report on a strip.

    Raises:
        PictureFault: the profile cannot be used.
        OSError: it cannot be read.
    """
    groups = [patch.group for patch in task.patches]
    read = np.array([[float(value) for value in patch.lab] for patch in task.patches])
    predicted = _predicted(task) if task.profile else None
    by_profile = by_reference = None
    off_profile: tuple[str, ...] = ()
    off_reference: tuple[str, ...] = ()
    if predicted is not None:
        apart = delta_e(read, predicted)
        by_profile, off_profile = _figures(read, predicted, apart, groups), _texts(apart)
    if task.reference:
        reference = np.array([[float(value) for value in lab] for lab in task.reference])
        apart = delta_e(read, reference)
        by_reference, off_reference = _figures(read, reference, apart, groups), _texts(apart)
    return StripReport(
        predicted=tuple(map(_lab, predicted)) if predicted is not None else (),
        off_profile=off_profile,
        off_reference=off_reference,
        by_profile=by_profile,
        by_reference=by_reference,
        spread=_spread(task),
    )


def delta_e(one: Floats, other: Floats) -> Floats:
    """CIEDE2000 (ISO/CIE 11664-6), shape (n,)."""
    return np.atleast_1d(np.asarray(_colour().delta_E(one, other, method="CIE 2000"), np.float64))


def predicted_lab(profile: bytes, device: NDArray[np.uint16], *, absolute: bool) -> Floats:
    """Lab of a print's own colours by its profile, shape (n, 3).

    Args:
        profile: Of the print.
        device: 16-bit values, shape (n, 3).
        absolute: Counted from a perfect white; else from the paper.

    Raises:
        PictureFault: it is no profile.
    """
    try:
        parsed = parse_profile(profile)
    except ProfileDamage as damage:
        raise PictureFault(str(damage)) from damage
    output = Profile(profile, hashlib.sha256(profile).hexdigest(), parsed)
    lab: Floats = transform(
        device,
        output,
        LAB_PROFILE,
        to="lab",
        dtype="f8",
        intent="absolute" if absolute else "relative",
        flags=UNTABLED,
    )
    return lab


def _predicted(task: StripTask) -> Floats:
    data = Path(task.profile).read_bytes()
    try:
        output = Profile(data, hashlib.sha256(data).hexdigest(), parse_profile(data))
    except ProfileDamage as damage:
        raise PictureFault(str(damage)) from damage
    codes = np.array([patch.rgb for patch in task.patches], np.uint16) * np.uint16(257)
    conversion = Conversion(srgb(), output, task.intent, task.black_point_compensation)
    return predicted_lab(data, conversion.exact(codes), absolute=task.white == "absolute")


def _figures(read: Floats, target: Floats, apart: Floats, groups: list[Any]) -> StripFigures:
    kind = np.array(groups)
    grey, full = kind == "grey", kind == "primary"
    tint = np.hypot(*(read - target)[:, 1:].T)
    hue = _hue_difference(read, target)
    black = (read - target)[kind == "black", 0]
    return StripFigures(
        paper=_most(apart[kind == "paper"]),
        mean=_text(float(apart.mean())),
        p95=_text(float(np.percentile(apart, 95))),
        largest=_most(apart),
        primaries=_most(apart[full]),
        primaries_hue=_most(hue[full]),
        neutral_mean=_text(float(tint[grey].mean()) if grey.any() else 0.0),
        neutral_largest=_most(tint[grey]),
        black_l=_text(float(black.mean()) if black.size else 0.0),
    )


def _hue_difference(one: Floats, other: Floats) -> Floats:
    """ΔH* of 1976: what is left of ΔE76 beside lightness and chroma."""
    chroma = np.hypot(one[:, 1], one[:, 2]) - np.hypot(other[:, 1], other[:, 2])
    tint = (one - other)[:, 1:]
    left: Floats = np.sqrt(np.maximum((tint**2).sum(axis=1) - chroma**2, 0))
    return left


def _spread(task: StripTask) -> str:
    """How far any single reading is from the mean of its patch; empty where each was read once."""
    pairs = [
        (reading, patch.lab)
        for patch in task.patches
        for reading in patch.readings
        if len(patch.readings) > 1
    ]
    if not pairs:
        return ""
    single, mean = (np.array(side, np.float64) for side in zip(*pairs, strict=True))
    return _most(delta_e(single, mean))


def _colour() -> Any:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # it warns of optional packages that are not there
        return importlib.import_module("colour.difference")


def _most(values: Floats) -> str:
    return _text(float(values.max()) if values.size else 0.0)


def _texts(values: Floats) -> tuple[str, ...]:
    return tuple(_text(value) for value in values.tolist())


def _lab(lab: Floats) -> tuple[str, str, str]:
    lightness, a, b = (_text(value) for value in lab.tolist())
    return lightness, a, b


def _text(value: float) -> str:
    return f"{round(value, 2) + 0.0:.2f}"
