"""Commands about patch strips that come back: `strip read`, `trend`, `settle`, `patches`."""

from __future__ import annotations

import hashlib
import sys
import tempfile
import uuid
from dataclasses import replace
from pathlib import Path
from typing import Any, Literal

import click

from platemark import durable
from platemark.app.context import FAULT, HELD, Group, job_row, out, out_json, studio_of
from platemark.app.hand_in import hand_in
from platemark.app.open_studio import reading
from platemark.app.showing import AS_JSON, show_table
from platemark.engine.strip_decisions import readings_bytes
from platemark.engine.strips import figures_of, trend_of
from platemark.imaging.child import Children
from platemark.intake.answers import is_reason
from platemark.ledger.strips import StripRow, Strips
from platemark.model.decision import StripDecision, StripSettleDecision
from platemark.model.errors import ChildFault, UsageError
from platemark.model.job import job_number
from platemark.model.patch_strip import PATCHES
from platemark.model.plain import from_plain
from platemark.model.readings import CONDITIONS
from platemark.model.strip_report import (
    Judgement,
    StripFigures,
    judged_by_profile,
    judged_by_reference,
    table_lines,
)
from platemark.model.studio import Settings
from platemark.model.work import ChildLimits, Failure, TrendTask
from platemark.settings.load import load_settings

_BY = click.option("--by", required=True, help="Your name, as in studio.toml.")
_BECAUSE = click.option("--because", required=True, help="Why.")


@click.group("strip", cls=Group)
def strip() -> None:
    """Patch strips that come back with a print: read in, judged, and how they went."""


@strip.command("read")
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--job", "number", type=int, required=True, help="The job that it came back with.")
@click.option("--scale", type=click.Choice(["100", "255"]),
              help="What its RGB values reach to, where the file does not tell.")  # fmt: skip
@click.option("--condition", type=click.Choice(CONDITIONS),
              help="What it was measured with, where the file does not tell.")  # fmt: skip
@_BY
@_BECAUSE
@AS_JSON
@click.pass_obj
def read(
    studio: str | None,
    file: Path,
    number: int,
    scale: str | None,
    condition: Literal["M0", "M1", "M2", "M3"] | None,
    by: str,
    because: str,
    as_json: bool,
) -> None:
    """Take in what an instrument read of a strip (CGATS text), and hold finals if it drifted.

    It is held against the strip of the approved test, else against the first that was read; the
    first against what the profile predicts.
    """
    _refuse_no_reason(because)
    root = studio_of(studio)
    data = _content(file)
    with reading(root) as reader:
        seen = job_row(reader, number).seq
    decision = StripDecision(
        id=str(uuid.uuid4()),
        kind="strip-read",
        job=number,
        expected_seq=seen,
        sha256=hashlib.sha256(data).hexdigest(),
        scale=None if scale is None else 100 if scale == "100" else 255,
        condition=condition,
        by=by,
        because=because,
    )
    _, (outcome,) = hand_in(root, [decision], data)
    if not outcome.applied:
        out(outcome.sentence, err=True)
        sys.exit(FAULT)
    with reading(root) as reader:
        entry = reader.decided(decision.id)
        body = entry.body if entry is not None else {}
    if as_json:
        out_json(_shown(body, entry.seq if entry is not None else 0, number))
    else:
        _tell(outcome.sentence, body, load_settings(root))
    sys.exit(HELD if body.get("verdict") == "beyond" else 0)


@strip.command("trend")
@click.option("--lab", help="The lab's id.")
@click.option("--surface", help="The surface's id.")
@click.option("--to", type=click.Path(path_type=Path), help="Draw it there too, as a PNG.")
@AS_JSON
@click.pass_obj
def trend(
    studio: str | None, lab: str | None, surface: str | None, to: Path | None, as_json: bool
) -> None:
    """How the strips of a product went, reading by reading; of all products where none is named."""
    root = studio_of(studio)
    settings = load_settings(root)
    with reading(root) as reader:
        products = [
            product
            for product in Strips(reader).products()
            if (lab is None or product[0] == lab) and (surface is None or product[1] == surface)
        ]
        if to is not None and len(products) != 1:
            raise UsageError("A drawing is of one product.", "Say which with --lab and --surface.")
        rows = [
            (where, row, reader.body(row.seq))
            for where in products
            for row in Strips(reader).of_product(*where)
        ]
        task = trend_of(reader, settings, *products[0], str(to)) if to is not None else None
    if as_json:
        out_json([{**_shown(body, row.seq, row.job), "open": row.is_open} for _, row, body in rows])
    else:
        _tell_trend(rows)
    if task is not None and to is not None:
        _draw(settings, task, to)


@strip.command("settle")
@click.option("--lab", required=True, help="The lab's id.")
@click.option("--surface", required=True, help="The surface's id.")
@click.option("--as-reference", is_flag=True,
              help="Hold later strips against the newest reading.")  # fmt: skip
@_BY
@_BECAUSE
@click.pass_obj
def settle(
    studio: str | None, lab: str, surface: str, as_reference: bool, by: str, because: str
) -> None:
    """Decide about the drift of a lab's surface: its finals go on from there."""
    _refuse_no_reason(because)
    root = studio_of(studio)
    with reading(root) as reader:
        seen = Strips(reader).newest_seq(lab, surface)
    decision = StripSettleDecision(
        id=str(uuid.uuid4()),
        kind="strip-settle",
        lab=lab,
        surface=surface,
        expected_seq=seen,
        as_reference=as_reference,
        by=by,
        because=because,
    )
    served, (outcome,) = hand_in(root, [decision])
    out(outcome.sentence, err=not outcome.applied)
    if not outcome.applied:
        sys.exit(FAULT)
    if not served:
        out("Run `platemark sweep`, or start the service: what was held for it goes on then.")


@strip.command("patches")
@AS_JSON
def patches(as_json: bool) -> None:
    """The colours of the strip in their order, as CGATS text for an instrument's program."""
    if as_json:
        out_json([{"name": each.name, "rgb": list(each.rgb)} for each in PATCHES])
        return
    for line in patch_lines():
        click.echo(line)


def patch_lines() -> list[str]:
    """The strip as CGATS text; RGB is sRGB, 0 to 255."""
    rows = [
        f'{number}\t"{each.name}"\t' + "\t".join(map(str, each.rgb))
        for number, each in enumerate(PATCHES, 1)
    ]
    return [
        "CGATS.17",
        'DESCRIPTOR\t"patch strip, sRGB 0 to 255"',
        "NUMBER_OF_FIELDS\t5",
        "BEGIN_DATA_FORMAT",
        "SAMPLE_ID\tSAMPLE_NAME\tRGB_R\tRGB_G\tRGB_B",
        "END_DATA_FORMAT",
        f"NUMBER_OF_SETS\t{len(rows)}",
        "BEGIN_DATA",
        *rows,
        "END_DATA",
    ]


def _refuse_no_reason(because: str) -> None:
    if not is_reason(because):
        raise UsageError(f"“{because}” says no reason.", "Say after --because why.")


def _content(file: Path) -> bytes:
    try:
        data = readings_bytes(file)
    except FileNotFoundError as error:
        raise UsageError(f"There is no file {file}.") from error
    except OSError as error:
        raise UsageError(f"{file} cannot be read as readings: {error.strerror}.") from error
    if not data:
        raise UsageError(f"{file} is empty.", "Hand in the instrument's CGATS text file.")
    return data


def _shown(body: dict[str, Any], seq: int, job: int) -> dict[str, Any]:
    """A reading for programs."""
    keys = (
        "lab", "surface", "condition", "white", "times", "against", "reference", "verdict",
        "beyond", "near", "by_reference", "by_profile", "spread", "patches",
    )  # fmt: skip
    return {"seq": seq, "job": job, **{key: body.get(key) for key in keys}}


def _judgements(body: dict[str, Any], settings: Settings) -> tuple[Judgement, ...]:
    limits, figures = settings.studio.strips, figures_of(body)
    if figures is None or body["against"] == "nothing":
        return ()
    if body["against"] == "reference":
        return judged_by_reference(figures, limits)
    return judged_by_profile(figures, limits)


def _tell(sentence: str, body: dict[str, Any], settings: Settings) -> None:
    rows = list(table_lines(_judgements(body, settings)))
    if rows:
        show_table(("what", "figure", "limits", "so"), rows)
    if body["against"] == "reference" and body["by_profile"] is not None:
        figures = from_plain(StripFigures, body["by_profile"])
        white = "its paper" if body["white"] == "paper" else "a perfect white"
        out(
            f"Against what the profile predicts, counted from {white}: mean {figures.mean}, worst "
            f"{figures.largest} ΔE00."
        )
    if body["spread"]:
        out(f"Readings of one patch are up to {body['spread']} ΔE00 from their mean.")
    out(sentence)
    out("Limits are yardsticks of the studio; no conformity to a standard is claimed.")


def _tell_trend(rows: list[tuple[tuple[str, str], StripRow, dict[str, Any]]]) -> None:
    if not rows:
        out("No strip was read yet.")
        return
    lines = []
    for (lab, surface), row, body in rows:
        figures = figures_of(body)
        verdict = {"within": "within", "caution": "near a limit", "beyond": "beyond"}[row.verdict]
        lines.append(
            (
                surface,
                lab,
                job_number(row.job),
                body["against"],
                figures.mean if figures is not None else "",
                figures.p95 if figures is not None else "",
                figures.black_l if figures is not None else "",
                f"{verdict}, not decided" if row.is_open else verdict,
            )
        )
    headings = ("surface", "lab", "job", "against", "mean", "95 of 100", "black L*", "so")
    show_table(headings, lines, right=("mean", "95 of 100", "black L*"))


def _draw(settings: Settings, task: TrendTask, to: Path) -> None:
    limits = settings.studio.limits
    with tempfile.TemporaryDirectory(prefix="platemark-") as folder:
        drawing = Path(folder) / "trend.png"
        task = replace(task, drawing=str(drawing))
        report = Children().run(
            task, ChildLimits(limits.child_memory_mb, limits.child_seconds, 16, 1)
        )
        if isinstance(report, Failure):
            raise ChildFault(report.sentence)
        try:
            durable.copy_out(drawing, to)
        except FileExistsError as error:
            raise UsageError(
                f"{to} is already there; nothing was overwritten.", "Name another with --to."
            ) from error
    out(f"Drawn: {to}")
