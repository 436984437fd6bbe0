"""`editions`: what numbered editions there are, who has which number, and their certificates."""

from __future__ import annotations

import sys
import tempfile
import uuid
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import click

from platemark.app.context import FAULT, Group, out, out_json, studio_of
from platemark.app.hand_in import hand_in
from platemark.app.open_studio import reading
from platemark.app.showing import AS_JSON, show_table
from platemark.engine.certificate import certificate_of, certificate_paper, draw_print
from platemark.engine.editions import promised_otherwise, rows_of
from platemark.engine.papers import draw_paper
from platemark.intake.answers import is_reason
from platemark.ledger.editions import Editions
from platemark.ledger.read import Reader
from platemark.model.decision import EditionDecision
from platemark.model.edition import (
    TOGETHER,
    Edition,
    Numbered,
    NumberState,
    PrintKind,
    numbers_words,
    size_key,
)
from platemark.model.errors import UsageError
from platemark.model.job import job_number
from platemark.model.studio import Settings
from platemark.model.units import BadSize, parse_full_size
from platemark.settings.load import load_settings

_STATES: tuple[NumberState, ...] = ("reserved", "printed", "sold", "void", "destroyed")
_KINDS: tuple[PrintKind, ...] = ("print", "proof")


@dataclass(frozen=True, slots=True)
class _Count:
    """How one row of numbers of an edition stands."""

    edition: Edition
    part: str
    kind: PrintKind
    of: int
    rows: tuple[Numbered, ...]

    @property
    def free(self) -> list[int]:
        given = {row.number for row in self.rows}
        return [number for number in range(1, self.of + 1) if number not in given]

    def numbers(self, state: NumberState) -> list[int]:
        return [row.number for row in self.rows if row.state == state]


@click.group("editions", cls=Group, invoke_without_command=True)
@AS_JSON
@click.pass_context
def editions(ctx: click.Context, as_json: bool) -> None:
    """List the numbered editions, and how many of each are printed, sold and left."""
    if ctx.invoked_subcommand is not None:
        return
    root = studio_of(ctx.obj)
    settings = load_settings(root)
    with reading(root) as reader:
        counts = _counts(reader, settings.editions)
        wrong = _not_as_given(reader, settings, settings.editions)
    if as_json:
        out_json([_plain(each) for each in counts])
    elif not counts:
        out("There is no edition. Make a file of one in editions/, after the example there.")
    else:
        show_table(
            ("edition", "size", "kind", "of", *_STATES, "free"),
            [_cells(each) for each in counts],
            right=("of", *_STATES, "free"),
            texts=("edition", "size"),
        )
    if not as_json:
        for line in wrong:
            out(line)


@editions.command("show")
@click.argument("edition_id", metavar="ID")
@AS_JSON
@click.pass_obj
def show(studio: str | None, edition_id: str, as_json: bool) -> None:
    """Show who has which number of an edition: its job, its order, and what became of it."""
    root = studio_of(studio)
    edition = _edition(load_settings(root), edition_id)
    with reading(root) as reader:
        found = [_told(reader, edition, row) for row in rows_of(Editions(reader), edition)]
        counts = _counts(reader, (edition,))
        wrong = _not_as_given(reader, None, (edition,))
    if as_json:
        out_json(found)
        return
    out(f"{edition.name}, printed on {', '.join(edition.surfaces)}.")
    if found:
        keys = ("number", "size", "state", "job", "order", "on", "by")
        show_table(keys, [[str(row[key] or "") for key in keys] for row in found], texts=("order",))
    for count in counts:
        what = "proofs" if count.kind == "proof" else "numbers"
        left = numbers_words(count.free) or "none"
        out(f"Free {what}{edition.part_words(count.part)}: {left} (of {count.of} in all).")
    for line in wrong:
        out(line)


def _saying(name: str, kind: str, what: str) -> click.Command:
    """A command that says what became of a number."""

    @click.argument("edition_id", metavar="ID")
    @click.argument("numbers", metavar="NUMBER…", nargs=-1, type=int, required=True)
    @click.option("--proof", is_flag=True, help="Of the artist's proofs, not of the prints.")
    @click.option("--size", help="Of which size, where each size has numbers of its own.")
    @click.option("--by", required=True, help="Your name, as in studio.toml.")
    @click.option("--because", required=True, help="Why; it never leaves the studio.")
    @click.pass_obj
    def command(
        studio: str | None,
        edition_id: str,
        numbers: tuple[int, ...],
        proof: bool,
        size: str | None,
        by: str,
        because: str,
    ) -> None:
        if not is_reason(because):
            raise UsageError(f"“{because}” says no reason.", "Say after --because why.")
        root = studio_of(studio)
        edition = _edition(load_settings(root), edition_id)
        part = _part(edition, size)
        of_kind: PrintKind = "proof" if proof else "print"
        with reading(root) as reader:
            rows = rows_of(Editions(reader), edition)
        seqs = {row.number: row.seq for row in rows if (row.part, row.kind) == (part, of_kind)}
        decisions = [
            EditionDecision(
                id=str(uuid.uuid4()),
                kind=kind,  # type: ignore[arg-type]  # one of those below
                edition=edition.id,
                part=part,
                of_kind=of_kind,
                number=number,
                expected_seq=seqs.get(number, 0),
                by=by,
                because=because,
            )
            for number in dict.fromkeys(numbers)
        ]
        _, outcomes = hand_in(root, decisions)
        for outcome in outcomes:
            out(outcome.sentence, err=not outcome.applied)
        sys.exit(0 if all(outcome.applied for outcome in outcomes) else FAULT)

    command.__doc__ = what
    return click.command(name)(command)


for _command in (
    _saying("sold", "edition-sold", "Say that a print is sold."),
    _saying(
        "unsold",
        "edition-unsold",
        "Say that a print that was called sold is in the studio, and for sale again.",
    ),
    _saying(
        "void",
        "edition-void",
        """Say that a number is never to be printed again, or not at all.

        It counts as given, so the edition has one print less. It stays so.
        """,
    ),
    _saying(
        "destroyed",
        "edition-destroyed",
        """Say that a print is no more: spoilt, lost, or torn up.

        Its number may be printed once more, by a request that says replaces = NUMBER.
        """,
    ),
):
    editions.add_command(_command)


@editions.command("certificate")
@click.argument("edition_id", metavar="ID")
@click.argument("number", metavar="NUMBER", type=int)
@click.option("--proof", is_flag=True, help="Of the artist's proofs, not of the prints.")
@click.option("--size", help="Of which size, where each size has numbers of its own.")
@click.option(
    "--to", "target", required=True, metavar="FILE.pdf", type=click.Path(path_type=Path),
    help="Where to write it.",
)  # fmt: skip
@click.pass_obj
def certificate(
    studio: str | None, edition_id: str, number: int, proof: bool, size: str | None, target: Path
) -> None:
    """Write the certificate of one print, as PDF: what laws on editions ask to be told.

    It states what the record and the edition's file say, and gives no legal advice.
    """
    root = studio_of(studio)
    settings = load_settings(root)
    edition = _edition(settings, edition_id)
    if target.is_symlink() or target.exists():
        raise UsageError(
            f"{target} is already there; nothing was overwritten.", "Choose another name."
        )
    if not target.absolute().parent.is_dir():
        raise UsageError(
            f"There is no folder {target.absolute().parent}.", "Make it, or name another."
        )
    part, kind = _part(edition, size), _KINDS[int(proof)]
    with reading(root) as reader, tempfile.TemporaryDirectory() as folder:
        found = certificate_of(reader, settings, edition, part, kind, number)
        drawing = Path(folder) / "print.jpg"
        drawn = draw_print(reader, root, found, drawing)
        draw_paper(certificate_paper(found, str(drawing) if drawn else ""), target)
    out(f"The certificate {found.certificate} is in {target}.")
    for missing in found.not_stated:
        out(f"It calls {missing} not stated: editions/{edition.id}.toml says nothing of it.")


def _edition(settings: Settings, edition_id: str) -> Edition:
    edition = settings.edition(edition_id)
    if edition is None:
        listed = ", ".join(each.id for each in settings.editions) or "none"
        raise UsageError(f"There is no edition {edition_id}.", f"There is: {listed}.")
    return edition


def _part(edition: Edition, size: str | None) -> str:
    """The row of numbers that is meant.

    Raises:
        UsageError: it is not clear, or there is no such size.
    """
    listed = ", ".join(str(each.size) for each in edition.sizes)
    if edition.counted == "together":
        return TOGETHER
    if size is None and len(edition.sizes) == 1:
        return size_key(edition.sizes[0].size)
    if size is None:
        raise UsageError(
            f"Each size of {edition.name} has numbers of its own.", f"Say --size: {listed}."
        )
    try:
        part = edition.part_of(parse_full_size(size))
    except BadSize as error:
        raise UsageError(f"{error}.") from error
    if part is None:
        raise UsageError(f"{edition.name} has no size {size}.", f"It has {listed}.")
    return part


def _counts(reader: Reader, of: tuple[Edition, ...]) -> list[_Count]:
    found = []
    for edition in of:
        rows = rows_of(Editions(reader), edition)
        for part in edition.parts:
            for kind in _KINDS:
                ours = tuple(row for row in rows if (row.part, row.kind) == (part, kind))
                if edition.of(part, kind) or ours:
                    found.append(_Count(edition, part, kind, edition.of(part, kind), ours))
    return found


def _not_as_given(reader: Reader, settings: Settings | None, of: tuple[Edition, ...]) -> list[str]:
    """What editions' files say otherwise than when their numbers were given, a line for each.

    Args:
        reader: The record.
        settings: Where editions without a file are told too.
        of: Which editions.
    """
    ledger = Editions(reader)
    lines = [
        f"{edition.id}: {differs}. Put editions/{edition.id}.toml back as it was; prints of it are "
        "held meanwhile."
        for edition in of
        if (differs := promised_otherwise(ledger, edition))
    ]
    if settings is not None:
        lines += [
            f"{each}: numbers of it were given, and editions/{each}.toml is not there. Put the "
            "file back; until then its pictures are held."
            for each in ledger.ids()
            if settings.edition(each) is None
        ]
    return lines


def _size_words(edition: Edition, part: str) -> str:
    if part == TOGETHER:
        return ", ".join(str(each.size) for each in edition.sizes)
    return edition.part_words(part).removeprefix(" in ")


def _cells(count: _Count) -> list[str]:
    numbers = (str(len(count.numbers(state)) or "") for state in _STATES)
    size = _size_words(count.edition, count.part)
    return [count.edition.id, size, count.kind, str(count.of), *numbers, str(len(count.free))]


def _plain(count: _Count) -> dict[str, Any]:
    return {
        "edition": count.edition.id,
        "name": count.edition.name,
        "size": _size_words(count.edition, count.part),
        "kind": count.kind,
        "of": count.of,
        **{state: count.numbers(state) for state in _STATES},
        "free": count.free,
    }


def _told(reader: Reader, edition: Edition, row: Numbered) -> dict[str, Any]:
    """One number for people and programs."""
    entry = reader.entry(row.seq) if row.seq else None
    job = reader.job(row.job) if row.job is not None else None
    return {
        "number": f"{'AP ' if row.kind == 'proof' else ''}{row.number}",
        "size": (job.size if job is not None else None) or _size_words(edition, row.part),
        "state": row.state,
        "job": job_number(row.job) if row.job is not None else None,
        "order": job.order if job is not None else None,
        "on": entry.at[:10] if entry is not None else None,
        "by": entry.actor if entry is not None and entry.actor != "service" else None,
    }
