"""`demo`: an invented studio with its own pictures, good and bad, taken through the whole job."""

from __future__ import annotations

import os
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import click

from platemark import durable
from platemark.app.context import FAULT, out
from platemark.app.service import sweep
from platemark.app.showing import Tell, telling
from platemark.imaging.child import Children
from platemark.ledger.read import Reader
from platemark.model.errors import WorldError
from platemark.model.work import ChildLimits, MakeReport, MakeTask
from platemark.settings.starter import copy_starter

LONG_AGO = 1_700_000_000
LIMITS = ChildLimits(memory_mb=3000, seconds=300, output_mb=2000, threads=2)


@dataclass(frozen=True, slots=True)
class Dropped:
    """One file that the demo drops."""

    where: str
    """Folder under hot/."""
    name: str
    made: str
    """Name of the invented picture, or of the kind of bad file."""
    kind: Literal["picture", "bad"] = "picture"
    width: int = 0
    height: int = 0
    form: str = "tiff16"
    space: str = "srgb"
    ppi: str = "300"
    says: str = ""
    """Text of a file beside it."""
    old: bool = False
    """Written long ago: a cut-off file that is young may still be arriving."""


WEDDING = "baryta/Alder and Finch wedding"

GOOD = (
    Dropped("smooth-rag/16x20in", "canyon.tif", "canyon", width=4000, height=5000, space="romm"),
    Dropped(
        "smooth-rag", "heron.tif", "heron", width=3600, height=2700, space="adobe-rgb",
        says='size = "16x12in"\nborder = "2in"\ntitle = "Heron at first light"\n'
        'note = "White border stays uncut."\n',
    ),
    Dropped("canvas-wrap/16x20in", "forest.tif", "forest", width=3200, height=4000),
    Dropped(
        "rc-lustre", "poppies_8x12in_qty3.jpg", "poppies", width=3600, height=2400, form="jpeg",
        ppi="72",
    ),
    Dropped(f"{WEDDING}/11x14in", "still-life.tif", "still-life", width=3300, height=4200),
    Dropped(f"{WEDDING}/8x10in", "snow_qty2.tif", "snow", width=3000, height=2400),
    Dropped("etching-rag", "dunes_A3.tif", "dunes", width=4240, height=3000, space="display-p3"),
    Dropped(
        "aluminium-matte", "harbour_16x24in.jpg", "harbour", width=4500, height=3000, form="jpeg"
    ),
)  # fmt: skip

BAD = (
    Dropped("smooth-rag/16x20in", "press-ready.tif", "cmyk", "bad"),
    Dropped("smooth-rag/16x20in", "cut-off.tif", "truncated-tiff", "bad", old=True),
    Dropped("smooth-rag", "empty_8x10in.tif", "zero-bytes", "bad", old=True),
    Dropped("smooth-rag", "letter_8x10in.tif", "not-a-picture", "bad"),
    Dropped("rc-lustre", "sea-untagged_8x10in.tif", "untagged", "bad"),
    Dropped("rc-lustre/8x10in", "logo.tif", "transparent", "bad"),
    Dropped("baryta/8x10in", "twice-converted.tif", "printer-profile", "bad"),
    Dropped("baryta/8x10in", "broken-tag.tif", "corrupt-profile", "bad"),
    Dropped("baryta", "sea_30x40in.tif", "sea", width=1600, height=1200),
    Dropped("etching-rag", "strokes_16x20in.tif", "strokes", width=3000, height=2000),
    Dropped("canvas-wrap", "no-size.tif", "sea", width=2400, height=1800),
    Dropped("smooth-rag/16x20in", "reeds_12x16in.tif", "heron", width=3200, height=2400),
)


@click.command("demo")
@click.argument(
    "folder",
    metavar="[DIR]",
    type=click.Path(path_type=Path),
    default=Path("platemark-demo"),
)
def demo(folder: Path) -> None:
    """Make an invented studio in DIR, drop files good and bad, and run the whole job."""
    folder = folder.absolute()
    copy_starter(folder)
    deliver_to_folder(folder, "brindlewick")
    with telling() as tell:
        _make_everything(folder, tell)

        def show(reader: Reader) -> None:
            rows = reader.jobs()
            tell("Taking the files in", len(rows), len(GOOD) + len(BAD))
            settled = sum(
                row.state in ("rendered", "parcelled", "delivered", "held") for row in rows
            )
            tell("Through or held", settled, len(GOOD) + len(BAD))

        swept = sweep(folder, watch=show)
    if swept.fault:
        out(swept.fault, err=True)
        sys.exit(FAULT)
    _say_what_to_open(folder, swept.parcels, swept.held)


def deliver_to_folder(folder: Path, lab: str) -> None:
    """Let one lab of a new studio be reached through a folder, as if it were the lab's own."""
    inbox = f"at-the-lab/{lab}"
    durable.make_folder(folder / inbox)
    settings = folder / "labs" / f"{lab}.toml"
    text = settings.read_text("utf-8")
    means = f'method = "folder"\npath = "{inbox}"'
    changed = text.replace('\nmethod = "collect"', f"\n{means}", 1)
    durable.write_over(settings, changed.encode(), settings.with_suffix(".new"))


def _make_everything(folder: Path, tell: Tell) -> None:
    surfaces = ("smooth-rag", "etching-rag", "baryta", "canvas-wrap")
    for number, surface in enumerate(surfaces, 1):
        target = folder / "profiles" / f"brindlewick-{surface}.icc"
        _make(MakeTask("profile", surface, str(target), 0, 0, "", "", "", "0"))
        tell("Making profiles", number, len(surfaces))
    for number, dropped in enumerate((*GOOD, *BAD), 1):
        _drop(folder, dropped)
        tell("Making pictures", number, len(GOOD) + len(BAD))


def _drop(folder: Path, dropped: Dropped) -> None:
    target = folder / "hot" / dropped.where / dropped.name
    durable.make_folder(target.parent)
    printer = folder / "profiles" / "brindlewick-baryta.icc"
    untagged = dropped.made in ("untagged", "cmyk", "printer-profile")
    _make(
        MakeTask(
            kind=dropped.kind,
            name=dropped.made,
            path=str(target),
            width=dropped.width,
            height=dropped.height,
            form=dropped.form,
            space="" if untagged else dropped.space,
            profile=str(printer) if dropped.made == "printer-profile" else "",
            ppi=dropped.ppi,
        )
    )
    if dropped.says:
        durable.write_new(target.with_name(target.name + ".toml"), dropped.says.encode())
    if dropped.old:
        os.utime(target, (LONG_AGO, LONG_AGO))


def _make(task: MakeTask) -> None:
    outcome = Children().run(task, LIMITS)
    if not isinstance(outcome, MakeReport):
        why = outcome.sentence if hasattr(outcome, "sentence") else "it brought another report"
        raise WorldError(
            f"The demonstration could not make {Path(task.path).name}: {why}.",
            "Nothing of yours was touched. Check the disk, and name an empty folder.",
        )


def _say_what_to_open(folder: Path, parcels: tuple[str, ...], held: int) -> None:
    out(f"{len(parcels)} parcels are closed and {held} files are held. Open, in {folder}:")
    for parcel in parcels:
        lab = parcel.rpartition("-")[0]
        out(f"  outgoing/{lab}/{parcel}/ticket.html   what {lab} gets, with every change")
    out("  at-the-lab/brindlewick/   brindlewick's parcel, delivered and verified")
    out("  hot/WAITING.txt   what is held, and why, one line each")
    out("  held/   a folder for each, with WHY.html and an ANSWER.txt to tick")
    out(f"  or ask: platemark --studio {folder} jobs; and ledger verify")
    out("To answer, sign with Ilka (photographer) or Corin (assistant).")
