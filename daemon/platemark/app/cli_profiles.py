"""Commands about the labs' profiles: listed, tried, drawn; added and retired by a photographer."""

from __future__ import annotations

import hashlib
import os
import sys
import tempfile
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Literal

import click

from platemark import durable
from platemark.app.context import FAULT, HELD, Group, out, out_json, studio_of
from platemark.app.hand_in import hand_in
from platemark.app.open_studio import reading
from platemark.app.showing import AS_JSON, show_table
from platemark.engine.profile_decisions import newest_seq, product_of
from platemark.engine.profile_list import list_profiles
from platemark.engine.profiles import content_of, registered_of, rows_of, try_profile, wanted_intent
from platemark.engine.workshop import Folders
from platemark.imaging.child import Children
from platemark.intake.answers import is_reason
from platemark.ledger.read import ProfileRow
from platemark.model.decision import ProfileDecision
from platemark.model.errors import ChildFault, DecisionRefused, StudioMissing, UsageError
from platemark.model.lab import Lab, Product
from platemark.model.studio import Settings
from platemark.model.work import AdmitReport, ChildLimits, Failure, GamutReport, GamutTask
from platemark.settings.load import load_settings

LAB = click.option("--lab", required=True, help="The lab's id.")
SURFACE = click.option("--surface", required=True, help="The surface's id.")
BY = click.option("--by", required=True, help="Your name, as in studio.toml.")
BECAUSE = click.option("--because", required=True, help="Why.")
STATES = {
    "admitted": "registered",
    "tried": "tried, not registered",
    "refused": "refused",
    "retired": "retired",
}


@click.group("profiles", cls=Group, invoke_without_command=True)
@AS_JSON
@click.pass_context
def profiles(context: click.Context, as_json: bool) -> None:
    """The labs' profiles: what is registered, for which surface, until when."""
    if context.invoked_subcommand is None:
        _list(context.obj, as_json)


@profiles.command("list")
@AS_JSON
@click.pass_obj
def list_them(studio: str | None, as_json: bool) -> None:
    """List the labs' profiles, also those that were retired, tried or refused."""
    _list(studio, as_json)


@profiles.command("check")
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--lab", help="The lab, where more than one prints on that surface.")
@click.option("--surface", help="The surface it is meant for.")
@AS_JSON
@click.pass_obj
def check(
    studio: str | None, file: Path, lab: str | None, surface: str | None, as_json: bool
) -> None:
    """Try FILE as a lab's profile and say everything against it; nothing is written."""
    root = studio_of(studio)
    settings = load_settings(root)
    data = _content(file)
    meant = _meant(settings, lab, surface)
    intent = wanted_intent(settings, product_of(settings, *meant)[1]) if meant else "relative"
    with _private_copy(data) as copy:
        report = try_profile(Children(), copy, _limits(settings), intent)
    sha256 = hashlib.sha256(data).hexdigest()
    standing = _standing(root, settings, meant, sha256) if meant else ""
    if as_json:
        out_json(
            {
                "file": file.name,
                "sha256": sha256,
                "accepted": report.accepted,
                "reasons": list(report.reasons),
                "intent": intent,
                "description": report.description,
                "version": report.version,
                "black_l": report.black_l or None,
                "round_trip_mean": report.round_trip_mean or None,
                "round_trip_p95": report.round_trip_p95 or None,
                "standing": standing or None,
            }
        )
    else:
        _tell_admission(file, sha256, intent, report)
        if standing:
            out(standing)
    sys.exit(0 if report.accepted else HELD)


@profiles.command("add")
@click.argument("file", type=click.Path(path_type=Path))
@LAB
@SURFACE
@BY
@BECAUSE
@click.pass_obj
def add(studio: str | None, file: Path, lab: str, surface: str, by: str, because: str) -> None:
    """Put FILE into profiles/ as the profile of a lab's product, and register it."""
    data = _content(file)
    sha256 = hashlib.sha256(data).hexdigest()
    _decide(studio_of(studio), "profile-add", lab, surface, by, because, sha256, data)


@profiles.command("retire")
@LAB
@SURFACE
@BY
@BECAUSE
@click.pass_obj
def retire(studio: str | None, lab: str, surface: str, by: str, because: str) -> None:
    """Let a lab's product stand without a profile, its jobs held, until one is added."""
    _decide(studio_of(studio), "profile-retire", lab, surface, by, because, "", b"")


@profiles.command("show")
@click.argument("file", type=click.Path(path_type=Path), required=False)
@click.option("--lab", help="Instead of FILE: a lab, with --surface.")
@click.option("--surface", help="Instead of FILE: the surface of that lab.")
@click.option(
    "--out", "target", type=click.Path(path_type=Path), metavar="PNG",
    help="The drawing; else one in the folder where you are.",
)  # fmt: skip
@AS_JSON
@click.pass_obj
def show(
    studio: str | None,
    file: Path | None,
    lab: str | None,
    surface: str | None,
    target: Path | None,
    as_json: bool,
) -> None:
    """Draw what a profile can print, beside sRGB and Adobe RGB, with its greys and figures."""
    root = studio_of(studio)
    settings = load_settings(root)
    if (file is None) == (lab is None and surface is None):
        raise UsageError("Name either a FILE, or a product with --lab and --surface.")
    if file is not None:
        heading, data = file.name, _content(file)
    else:
        heading, data = _of_product(root, settings, lab, surface)
    target = target or Path(f"{Path(heading.partition(',')[0]).stem}-gamut.png")
    if target.suffix.lower() != ".png":
        raise UsageError(f"{target} is no PNG.", "Name one that ends in .png.")
    if os.path.lexists(target):
        raise UsageError(
            f"{target} is already there; nothing was overwritten.", "Name another with --out."
        )
    report = _draw(settings, heading, data, target)
    if report is None:
        sys.exit(HELD)
    if as_json:
        out_json({**_shown(report), "drawing": str(target)})
        return
    _tell_gamut(heading, report)
    out(f"Drawn in {target}.")


def _list(studio: str | None, as_json: bool) -> None:
    root = studio_of(studio)
    settings = load_settings(root)
    with reading(root) as reader:
        listed = list_profiles(root, settings, reader)
    if as_json:
        out_json(listed)
        return
    if not listed:
        out("No profile was needed yet.")
        return
    show_table(
        ("lab", "surface", "file", "calls itself", "state", "since", "by", "until", "hash"),
        [
            (
                item["lab"],
                item["surface"],
                item["file"],
                item["description"],
                _state(item),
                item["since"],
                "the service" if item["by"] == "service" else item["by"],
                _until(item),
                item["sha256"][:16],
            )
            for item in listed
        ],
        names=("calls itself",),
        texts=("calls itself", "state", "until"),
    )


def _state(item: dict[str, Any]) -> str:
    is_another = item["state"] == "admitted" and not item["in_place"]
    return STATES[item["state"]] + ("; the file in profiles/ is another" if is_another else "")


def _until(item: dict[str, Any]) -> str:
    if item["state"] != "admitted":
        return ""
    if item["valid_until"] is not None:
        return f"{item['valid_until']}, the lab's word"
    return f"{item['old_from']}, then a caution of ours"


def _content(file: Path) -> bytes:
    try:
        return content_of(file)
    except FileNotFoundError as error:
        raise UsageError(f"There is no file {file}.") from error
    except OSError as error:
        raise UsageError(f"{file} cannot be read as a profile: {error.strerror}.") from error


def _meant(settings: Settings, lab: str | None, surface: str | None) -> tuple[str, str] | None:
    """The lab and surface that a profile is meant for; None where neither is said.

    Raises:
        UsageError: they name no one product that is printed with a profile.
    """
    if surface is None:
        if lab is not None:
            raise UsageError("A lab alone names no product.", "Add --surface.")
        return None
    if lab is None:
        using = [
            each.id
            for each in settings.labs
            if (product := each.product_for(surface)) is not None and product.profile is not None
        ]
        if len(using) != 1:
            there = ", ".join(using)
            raise UsageError(
                f"More than one lab has a profile for {surface}: {there}." if using
                else f"No lab's product on {surface} is printed with a profile.",
                "Say which with --lab." if using else "See labs/*.toml.",
            )  # fmt: skip
        lab = using[0]
    product_of(settings, lab, surface)
    return lab, surface


def _standing(root: Path, settings: Settings, meant: tuple[str, str], sha256: str) -> str:
    lab, product, use = product_of(settings, *meant)
    about = f"{use.file} of {lab.name} for {product.surface}"
    registered = registered_of(_rows(root, lab, product))
    if registered is None:
        return f"None is registered as {about}."
    if registered.sha256 == sha256:
        return f"It is the one that is registered as {about}."
    return f"Another is registered as {about}: {registered.sha256[:16]}."


def _rows(root: Path, lab: Lab, product: Product) -> list[ProfileRow]:
    """What the record knows of a product's profiles; nothing where there is no record yet."""
    try:
        with reading(root) as reader:
            return rows_of(reader, lab, product)
    except StudioMissing:
        return []


def _decide(
    root: Path,
    kind: Literal["profile-add", "profile-retire"],
    lab_id: str,
    surface: str,
    by: str,
    because: str,
    sha256: str,
    data: bytes,
) -> None:
    """Hand in what is decided about what is there now, and tell what came of it."""
    if not is_reason(because):
        raise UsageError(f"“{because}” says no reason.", "Say after --because why.")
    lab, product, use = product_of(load_settings(root), lab_id, surface)
    rows = _rows(root, lab, product)
    registered = registered_of(rows)
    if kind == "profile-retire":
        if registered is None:
            raise DecisionRefused(f"No profile of {lab.name} for {surface} is registered.")
        sha256 = registered.sha256
    try:
        there = hashlib.sha256(content_of(root / "profiles" / use.file)).hexdigest()
    except OSError:
        there = ""
    decision = ProfileDecision(
        id=str(uuid.uuid4()),
        kind=kind,
        lab=lab.id,
        surface=surface,
        expected_seq=newest_seq(rows),
        expected_file=there,
        sha256=sha256,
        by=by,
        because=because,
    )
    served, (outcome,) = hand_in(root, [decision], data)
    out(outcome.sentence, err=not outcome.applied)
    if not outcome.applied:
        sys.exit(FAULT)
    if not served and kind == "profile-add":
        out("Run `platemark sweep`, or start the service, and jobs that were held for it go on.")


def _of_product(
    root: Path, settings: Settings, lab_id: str | None, surface: str | None
) -> tuple[str, bytes]:
    """What to call a product's profile, and its bytes: the registered one, else the file."""
    meant = _meant(settings, lab_id, surface)
    if meant is None:
        raise UsageError("Name the surface too.", "Add --surface.")
    lab, product, use = product_of(settings, *meant)
    about = f"{use.file}, {product.surface} of {lab.name}"
    registered = registered_of(_rows(root, lab, product))
    if registered is not None:
        kept = Folders.of(root, settings).archived(registered.sha256, "icc")
        return about, _content(kept)
    return f"{about}, not registered", _content(root / "profiles" / use.file)


@contextmanager
def _private_copy(data: bytes) -> Iterator[Path]:
    """The bytes that were read, where nobody can exchange them while they are looked at."""
    with tempfile.TemporaryDirectory(prefix="platemark-") as folder:
        copy = Path(folder) / "profile.icc"
        copy.write_bytes(data)
        yield copy


def _draw(settings: Settings, heading: str, data: bytes, target: Path) -> GamutReport | None:
    """Draw a profile that is sound; None, and everything against it told, where it is not."""
    limits = _limits(settings)
    with _private_copy(data) as copy:
        admitted = try_profile(Children(), copy, limits, "relative")
        if not admitted.accepted:
            sha256 = hashlib.sha256(data).hexdigest()
            _tell_admission(Path(heading.partition(",")[0]), sha256, "relative", admitted)
            return None
        drawing = copy.with_suffix(".png")
        report = Children().run(GamutTask(str(copy), heading, str(drawing)), limits)
        if isinstance(report, Failure):
            raise ChildFault(report.sentence)
        if not isinstance(report, GamutReport):
            raise TypeError(type(report).__name__)
        try:
            durable.copy_out(drawing, target)
        except FileExistsError as error:
            raise UsageError(
                f"{target} is already there; nothing was overwritten.", "Name another with --out."
            ) from error
        return report


def _limits(settings: Settings) -> ChildLimits:
    limits = settings.studio.limits
    return ChildLimits(limits.child_memory_mb, limits.child_seconds, 16, 1)


def _tell_admission(file: Path, sha256: str, intent: str, report: AdmitReport) -> None:
    named = f"“{report.description}”, version {report.version}, " if report.description else ""
    out(f"{file.name}: {named}SHA-256 {sha256[:16]}")
    if report.accepted:
        out(
            f"It can be used with the {intent} intent: darkest print L* {report.black_l}; there "
            f"and back {report.round_trip_mean} ΔE00 on average, 95 "
            f"of 100 within {report.round_trip_p95}."
        )
        return
    out("It cannot be used:")
    for reason in report.reasons:
        out(f"  {reason}")


def _shown(report: GamutReport) -> dict[str, Any]:
    return {
        "volume": report.volume,
        "srgb_volume": report.srgb_volume,
        "adobe_rgb_volume": report.adobe_rgb_volume,
        "percent_of_srgb": report.of_srgb,
        "percent_of_adobe_rgb": report.of_adobe_rgb,
        "white_lab": list(report.white),
        "black_lab": list(report.black),
    }


def _tell_gamut(heading: str, report: GamutReport) -> None:
    out(heading)
    out(
        f"  volume       {report.volume} thousand cubic Lab units (sRGB {report.srgb_volume}, "
        f"Adobe RGB {report.adobe_rgb_volume})"
    )
    out(f"  holds        {report.of_srgb} % of sRGB, {report.of_adobe_rgb} % of Adobe RGB")
    out(f"  paper white  L* {report.white[0]}, a* {report.white[1]}, b* {report.white[2]}")
    out(f"  darkest      L* {report.black[0]}, a* {report.black[1]}, b* {report.black[2]}")
