"""Measure a picture at the size of its print: one pass over it, then every question at once."""

from __future__ import annotations

import hashlib
import os
from concurrent.futures import Future, ThreadPoolExecutor
from math import isfinite

from platemark.imaging.convert import Conversion
from platemark.imaging.icc import build_matrix_profile, working_space_ids
from platemark.imaging.measure_colour import OutputFigures, colour_of, output_of
from platemark.imaging.measure_detail import detail_of
from platemark.imaging.measure_edge import busy_edge, edge_lines
from platemark.imaging.measure_places import places_of
from platemark.imaging.measure_steps import empty_levels, plateaus
from platemark.imaging.measure_tone import tone_of
from platemark.imaging.opening import open_picture
from platemark.imaging.overview import Overview, Seen, look_over
from platemark.imaging.proof import Proof
from platemark.imaging.proof_drawing import ProofFigures, draw_panel, draw_sheet
from platemark.imaging.source import Profile, embedded_profile, find_profile
from platemark.model.measures import Measures
from platemark.model.work import MeasureReport, MeasureTask


def measure(task: MeasureTask) -> MeasureReport:
    """Measure a picture.

    Raises:
        PictureFault: the picture is not the one that was laid out, or of a kind that is not
            printed.
        pyvips.Error: the picture cannot be decoded.
    """
    measuring = task.measuring
    original = open_picture(task.original, measuring.original_format)
    embedded = embedded_profile(original)
    source = _profile(measuring.source_profile_sha256, task, embedded)
    output = _profile(measuring.output_profile_sha256, task, embedded)
    seen = look_over(original, measuring, source)
    conversion = Conversion(source, output, measuring.intent, measuring.black_point_compensation)
    proof = Proof(conversion, measuring)
    return MeasureReport(_measures(seen, proof, task), _likeness(task))


def _likeness(task: MeasureTask) -> str:
    """What the picture is known by; its library is loaded where that is asked for, and not else."""
    if not task.likeness:
        return ""
    from platemark.imaging.likeness import likeness_of

    return likeness_of(task.original, task.measuring.original_format)


def _profile(sha256: str, task: MeasureTask, embedded: bytes) -> Profile:
    """Find a profile: embedded, a file, or one of our working spaces, which need no file."""
    files = dict(task.profiles)
    if hashlib.sha256(embedded).hexdigest() != sha256 and sha256 not in files:
        for space in working_space_ids():
            own = build_matrix_profile(space)
            if hashlib.sha256(own).hexdigest() == sha256:
                return find_profile(sha256, {}, own)
    return find_profile(sha256, files, embedded)


def _measures(seen: Seen, proof: Proof, task: MeasureTask) -> Measures:
    measuring = proof.measuring
    overview = seen.overview
    threads = max(1, int(os.environ.get("VIPS_CONCURRENCY", "1")))
    with ThreadPoolExecutor(min(threads, 4)) as pool:
        # The longest first, so that none is left over at the end.
        converted = pool.submit(output_of, overview, proof)
        in_detail = pool.submit(detail_of, seen.tiles, seen.pixels_a_mm)
        drawn = pool.submit(_draw, overview, proof, converted, task)
        in_colour = pool.submit(colour_of, overview)
        of_lines = pool.submit(edge_lines, overview)
        stepped = pool.submit(plateaus, overview)
        toned = pool.submit(tone_of, overview, float(measuring.black_l))
        places = pool.submit(places_of, overview, measuring)
        busy = pool.submit(busy_edge, overview, float(measuring.around_mm))
        empty = pool.submit(empty_levels, seen.levels)
        tone, colour, detail = toned.result(), in_colour.result(), in_detail.result()
        out = converted.result()
        drawn.result()
        return Measures(
            lightness_p5=_figure(tone.p5),
            lightness_median=_figure(tone.median),
            lightness_p95=_figure(tone.p95),
            shadow_percent=_percent(tone.shadow),
            white_percent=_percent(colour.white),
            blown_patch_percent=_percent(tone.blown_patch),
            white_edge_percent=_percent(tone.white_edge),
            chroma_p99=_figure(colour.chroma_p99),
            gamut_loss_percent=_percent(out.lost),
            skin_percent=_percent(colour.skin),
            skin_shift=_or_none(out.skin_shift),
            tone=colour.tone,
            hue_spread=_figure(colour.hue_spread),
            hue=_or_none(colour.hue),
            converted_chroma=_figure(out.chroma),
            converted_hue_shift=_or_none(out.hue_shift),
            changed_percent=_percent(out.changed),
            other_intent_percent=_percent_or_none(out.other_intent),
            other_intent_mean=_or_none(out.other_intent_mean),
            gradient_p99=_figure(detail.gradient_p99),
            fine_detail_percent=_percent(detail.fine),
            grain=_or_none(detail.grain),
            halo=_or_none(detail.halo),
            empty_levels_percent=_percent(empty.result()),
            plateau_percent=_percent(stepped.result()),
            busy_edge=_figure(busy.result()),
            edge_lines=of_lines.result(),
            places=places.result(),
        )


def _draw(
    overview: Overview, proof: Proof, converted: Future[OutputFigures], task: MeasureTask
) -> None:
    """Draw what is asked for, with the figures of what was begun before."""
    if task.panel:
        draw_panel(overview, proof, task.panel)
    if task.proof:
        out = converted.result()
        figures = ProofFigures(_percent(out.changed), _percent_or_none(out.other_intent))
        draw_sheet(overview, proof, figures, task.proof)


def _figure(value: float) -> str:
    """Two decimals; never minus nothing.

    Raises:
        ArithmeticError: it is no number.
    """
    if not isfinite(value):
        raise ArithmeticError(f"a measure came out as {value}")
    return f"{value + 0.0:.2f}" if abs(value) >= 0.005 else "0.00"


def _percent(share: float) -> str:
    return _figure(share * 100)


def _percent_or_none(share: float | None) -> str | None:
    return None if share is None else _percent(share)


def _or_none(value: float | None) -> str | None:
    return None if value is None else _figure(value)
