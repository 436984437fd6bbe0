"""What `doctor` says of numbered editions: what is given, and whether their files still hold."""

from __future__ import annotations

from collections.abc import Iterator

from platemark.app.doctor_word import Word
from platemark.engine.editions import promised_otherwise, rows_of
from platemark.ledger.editions import Editions
from platemark.ledger.read import Reader
from platemark.model.edition import Edition
from platemark.model.studio import Settings


def edition_words(settings: Settings, reader: Reader) -> Iterator[Word]:
    """One word on each edition, and on each that the record knows and the settings do not."""
    ledger = Editions(reader)
    for edition_id in ledger.ids():
        if settings.edition(edition_id) is None:
            yield Word(
                "wrong",
                f"edition {edition_id}",
                f"numbers of it were given, and editions/{edition_id}.toml is not there",
                "Put the file back; until then its pictures are held.",
            )
    for edition in settings.editions:
        differs = promised_otherwise(ledger, edition)
        if differs:
            yield Word(
                "wrong",
                f"edition {edition.id}",
                differs,
                f"Put editions/{edition.id}.toml back as it was; prints of it are held meanwhile.",
            )
        else:
            yield Word("good", f"edition {edition.id}", _given(ledger, edition))


def _given(ledger: Editions, edition: Edition) -> str:
    rows = [row for row in rows_of(ledger, edition) if row.kind == "print"]
    total = sum(edition.of(part, "print") for part in edition.parts)
    sold = sum(row.state == "sold" for row in rows)
    return f"{len(rows)} of {total} numbers given, {sold} of them sold"
