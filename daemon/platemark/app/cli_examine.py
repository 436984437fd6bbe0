"""`examine`: a file on one surface or on every one, and what the record says of the thresholds."""

from __future__ import annotations

import os
import shlex
import sys
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, date, datetime
from itertools import groupby
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import click

from platemark import durable
from platemark.app.context import HELD, out, out_json, pairs, print_findings, studio_of
from platemark.app.open_studio import reading
from platemark.app.showing import AS_JSON, show_table
from platemark.engine.comparing import Compared, OnSurface, compare, draw_proofs
from platemark.engine.look_at import Examined, look_at, subject_of
from platemark.engine.tuning import ENOUGH, Advice, advise, cases_of
from platemark.ledger.read import Reader
from platemark.model.errors import StudioMissing, UsageError
from platemark.model.geometry import describe_ppi
from platemark.model.job import shown_name
from platemark.model.known import Known
from platemark.model.plain import to_plain
from platemark.model.sits import Sits, sentences
from platemark.model.studio import Settings
from platemark.model.units import shown
from platemark.settings.load import load_settings

_CANNOT_KNOW = (
    "What the record cannot know: whether anybody read a caution that travelled, whether the print "
    "pleased, and what would have come of a change. Nothing was changed; the numbers are yours to "
    "write."
)


@dataclass(frozen=True, slots=True)
class _Studio:
    """The studio that a command is for, on this day."""

    root: Path
    settings: Settings
    today: date


@click.command("examine")
@click.argument("file", required=False, type=click.Path(path_type=Path))
@click.option("--surface", help="The surface it is meant for.")
@click.option("--all-surfaces", is_flag=True, help="Every surface, the best suited first.")
@click.option("--size", help="Like 16x20in, 40x60cm, A3 or “long 60cm”.")
@click.option("--lab", help="The lab, where more than one prints on that surface.")
@click.option("--set", "settings", multiple=True, metavar="KEY=VALUE", help="Any other request.")
@click.option(
    "--proofs", type=click.Path(path_type=Path), metavar="PNG",
    help="With --all-surfaces: draw the soft proofs side by side.",
)  # fmt: skip
@click.option(
    "--tune", is_flag=True,
    help="Instead of FILE: what the studio's own decisions say of its thresholds.",
)  # fmt: skip
@AS_JSON
@click.pass_obj
def examine(
    studio: str | None,
    file: Path | None,
    surface: str | None,
    all_surfaces: bool,
    size: str | None,
    lab: str | None,
    settings: tuple[str, ...],
    proofs: Path | None,
    tune: bool,
    as_json: bool,
) -> None:
    """Say what would be found in FILE and what would be done; nothing is written.

    Exit code 0: it would go through, with --all-surfaces on one of them at least; 3: it would be
    held.
    """
    root = studio_of(studio)
    loaded = load_settings(root)
    today = datetime.now(UTC).astimezone(ZoneInfo(loaded.studio.time_zone)).date()
    at = _Studio(root, loaded, today)
    if tune:
        if file or all_surfaces or size or lab or settings or proofs:
            raise UsageError(
                "--tune looks at the studio's record, not at a file.",
                "Ask for it alone, or with --surface or --json.",
            )
        _tune(at, surface, as_json)
        return
    if file is None:
        raise UsageError("Nothing is to be examined.", "Name a FILE, or ask for --tune.")
    if (surface is None) != all_surfaces:
        raise UsageError(
            "For which surface?" if surface is None else "One surface, or all?",
            "Say --surface and its name, or --all-surfaces.",
        )
    if proofs is not None and not all_surfaces:
        raise UsageError("--proofs draws surfaces side by side.", "Add --all-surfaces.")
    said = pairs(settings)
    said |= {key: value for key, value in (("size", size), ("lab", lab)) if value is not None}
    if surface is None:
        is_held = _on_every(at, file, said, proofs, as_json)
    else:
        is_held = _on_one(at, file, surface, said, as_json)
    sys.exit(HELD if is_held else 0)


def _on_one(at: _Studio, file: Path, surface: str, said: Mapping[str, str], as_json: bool) -> bool:
    """Examine for one surface; whether it would be held."""
    with _record(at.root) as reader:
        examined = look_at(at.root, at.settings, reader, file, surface, said, at.today)
    if as_json:
        out_json(_examined_json(examined))
    else:
        _print_examined(examined)
    return examined.plan is None


def _on_every(
    at: _Studio, file: Path, said: Mapping[str, str], proofs: Path | None, as_json: bool
) -> bool:
    """Examine for every surface; whether it would be held on all."""
    if proofs is not None:
        _may_be_drawn(proofs)
    with _record(at.root) as reader, tempfile.TemporaryDirectory(prefix="platemark-") as folder:
        subject = subject_of(at.root, at.settings, reader, file, at.today)
        compared = compare(subject, said, Path(folder) if proofs is not None else None)
        if proofs is not None and any(each.panel for each in compared.surfaces):
            drawing = Path(folder) / "proofs.png"
            draw_proofs(subject, compared, drawing)
            try:
                durable.copy_out(drawing, proofs)
            except FileExistsError as error:
                raise UsageError(
                    f"{proofs} is already there; nothing was overwritten.",
                    "Name another with --proofs.",
                ) from error
        else:
            proofs = None
    if as_json:
        out_json(_compared_json(compared, proofs))
    else:
        _print_compared(file, compared, proofs)
    return all(each.examined.plan is None for each in compared.surfaces)


def _may_be_drawn(proofs: Path) -> None:
    if proofs.suffix.lower() != ".png":
        raise UsageError(f"{proofs} is no PNG.", "Name one that ends in .png.")
    if os.path.lexists(proofs):
        raise UsageError(
            f"{proofs} is already there; nothing was overwritten.", "Name another with --proofs."
        )
    if not proofs.parent.is_dir():
        raise UsageError(f"There is no folder {proofs.parent}.", "Make it, or name another.")


@contextmanager
def _record(root: Path) -> Iterator[Reader | None]:
    """The studio's record; None where it has none yet."""
    try:
        with reading(root) as reader:
            yield reader
    except StudioMissing:
        yield None


def _tune(at: _Studio, surface: str | None, as_json: bool) -> None:
    """Tell what the record says of the thresholds; nothing is changed."""
    surfaces = at.settings.surfaces
    if surface is not None:
        chosen = at.settings.surface(surface)
        if chosen is None:
            known_ids = ", ".join(each.id for each in surfaces)
            raise UsageError(f"There is no surface {surface}.", f"There are: {known_ids}.")
        surfaces = (chosen,)
    with _record(at.root) as reader:
        cases = cases_of(reader.entries()) if reader is not None else ()
    found = advise(cases, surfaces)
    if as_json:
        out_json({"thresholds": [_advice_json(each) for each in found], "note": _CANNOT_KNOW})
        return
    if not found:
        out("No limit of a surface has led to a finding yet, so there is nothing to learn.")
        return
    for each in found:
        if not each.is_too_early:
            _print_advice(each)
    _print_too_early([each for each in found if each.is_too_early])
    out(f"\n{_CANNOT_KNOW}")


def _advice_json(each: Advice) -> dict[str, Any]:
    return {
        "surface": each.surface,
        "code": each.knob.code,
        "severity": each.knob.severity,
        "setting": f"{each.knob.section}.{each.knob.key}",
        "now": str(each.now),
        "fired": each.fired,
        "let_through": each.let_through,
        "answered": each.answered,
        "under_way": each.under_way,
        "figures": [str(each.lowest), str(each.highest)] if each.lowest is not None else [],
        "enough_from": ENOUGH,
        "proposed": str(each.proposed) if each.proposed is not None else None,
        "line": each.line or None,
        "why": each.why,
    }


def _print_advice(each: Advice) -> None:
    knob = each.knob
    out(f"\n{each.surface}: {knob.code}, a {knob.severity} {knob.fires} {each.now} ({knob.key})")
    said = f"  It led to a finding {_times(each.fired)}: {each.let_through} let through"
    if each.lowest is not None:
        same = each.lowest == each.highest
        said += f" ({knob.figure} {each.lowest}{'' if same else f' to {each.highest}'})"
    out(f"{said}, {each.answered} withdrawn or changed, {each.under_way} still under way.")
    out(f"  {each.why}" + (f" To hear it less, write in {each.line}" if each.line else ""))


def _print_too_early(found: Sequence[Advice]) -> None:
    """Those that say nothing yet, a line for each surface."""
    if not found:
        return
    out(f"\nToo early to say more: each must have been let through {ENOUGH} times. So far")
    for surface, of_surface in groupby(found, key=lambda each: each.surface):
        said = [
            f"{each.knob.code} ({each.knob.key}) {each.let_through} of {each.fired}"
            for each in of_surface
        ]
        out(f"  {surface}: {', '.join(said)}")


def _times(count: int) -> str:
    return "once" if count == 1 else f"{count} times"


def _compared_json(compared: Compared, proofs: Path | None) -> dict[str, Any]:
    return {
        "size": compared.size or None,
        "size_chosen": compared.is_chosen,
        "proofs": str(proofs) if proofs is not None else None,
        "surfaces": [_on_surface_json(each) for each in compared.surfaces],
    }


def _on_surface_json(each: OnSurface) -> dict[str, Any]:
    standing, measures = each.standing, each.examined.known.measures
    return {
        "surface": standing.surface,
        "name": standing.name,
        "lab": standing.lab or None,
        "score": standing.score,
        "held": each.examined.plan is None,
        "findings": [to_plain(finding) for finding in each.examined.findings],
        "reasons": {"for": list(standing.suits), "against": list(standing.against)},
        "measures": to_plain(measures) if measures is not None else None,
    }


def _print_compared(file: Path, compared: Compared, proofs: Path | None) -> None:
    at = f" at {compared.size}" if compared.size else ""
    out(f"{shown_name(os.fsencode(file.name))}{at}, the surface that suits it best first:")
    if compared.is_chosen:
        out("No size was given; the one that is sold on the most surfaces was taken.")
    show_table(
        ("", "surface", "lab", "score", "speaks for it", "speaks against it"),
        [_ranked(number, each) for number, each in enumerate(compared.surfaces, 1)],
        right=("score",),
        texts=("speaks for it", "speaks against it"),
        apart=True,
    )
    if proofs is not None:
        out(f"\nThe soft proofs are in {proofs}.")
    else:
        # A name may hold what a shell would take for a command.
        name = shlex.quote(shown_name(os.fsencode(f"{file.stem}-proofs.png")))
        out(f"\nTo see them side by side, add --proofs {name}")


def _ranked(number: int, each: OnSurface) -> tuple[str, ...]:
    standing = each.standing
    against = (f"It would be held: {standing.held}",) if standing.held else standing.against
    return (
        str(number),
        standing.surface,
        standing.lab,
        "–" if each.examined.known.measures is None else str(standing.score),
        "\n".join(standing.suits),
        "\n".join(against),
    )


def _examined_json(examined: Examined) -> dict[str, Any]:
    known, plan = examined.known, examined.plan
    measures: dict[str, Any] = {"facts": to_plain(known.facts)}
    if known.layout is not None:
        measures["native_ppi"] = shown(known.layout.native_ppi, 2)
        measures["aspect_error_percent"] = shown(known.layout.aspect_error * 100, 3)
    if known.measures is not None:
        measures |= to_plain(known.measures)
    return {
        "surface": known.surface.id,
        "lab": known.lab.id if known.lab is not None else None,
        "findings": [to_plain(finding) for finding in examined.findings],
        "plan": {**to_plain(plan), "ppi": shown(plan.ppi, 3)} if plan is not None else None,
        "measures": measures,
        "sits": [to_plain(each) for each in _sits(known)],
    }


def _print_examined(examined: Examined) -> None:
    known, layout, plan = examined.known, examined.known.layout, examined.plan
    facts = known.facts
    profile = facts.profile.description if facts.profile is not None else "no profile"
    out(f"{known.name}: {facts.upright_width} × {facts.upright_height} px, {facts.bits} bit, "
        f"{profile}")  # fmt: skip
    lab = known.lab.name if known.lab is not None else "no lab"
    out(f"on {known.surface.name}, by {lab}")
    if layout is not None:
        out(f"at {layout.size}: {describe_ppi(layout.native_ppi)}")
    if known.settled is not None and not known.settled.is_nothing:
        intent = f"{known.settled.intent} intent" if known.settled.intent is not None else ""
        adjust = known.settled.adjust.words if known.settled.adjust is not None else ""
        words = ", ".join(filter(None, (adjust, intent)))
        out(f"as the photographer settled for it: {words} (version {known.settled.version})")
    print_findings([to_plain(finding) for finding in examined.findings])
    sits = _sits(known)
    if sits:
        out("\nHow it sits on the surface:")
    for each in sits:
        out(f"  {each.label}, {each.figure}. {each.sentence}")
    if plan is None:
        out("\nIt would be held.")
        return
    out(
        f"\nIt would go through: {plan.width_px} × {plan.height_px} px at "
        f"{describe_ppi(plan.ppi)}, edge {plan.edge}, {plan.intent}, into {plan.output_space}."
    )


def _sits(known: Known) -> tuple[Sits, ...]:
    """What is said of the picture on its surface; nothing where it was not measured."""
    if known.measures is None or known.product is None:
        return ()
    by_lab_profile = known.product.profile is not None
    return sentences(known.measures, known.surface, by_lab_profile=by_lab_profile)
