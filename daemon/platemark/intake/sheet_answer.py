"""What is said beside an order sheet, `<name>.ANSWER.txt`, and of it in WAITING.txt."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from platemark.intake.plain_text import flat, wrapped

WIDTH = 78
MOST_LISTED = 100
"""Things that an answer lists; who has more to correct begins with these."""
MOST_NAMED = 5
"""Files that a line of WAITING.txt names."""

_FINISHED = "Finished with order sheet "


@dataclass(frozen=True, slots=True)
class SheetAnswer:
    """Everything that is to be said about one order sheet."""

    name: str
    at: datetime
    """Local time at which it was read."""
    files: int
    """Files that it names."""
    rows: int
    until: datetime
    """Local time until which it waits for files."""
    mistakes: tuple[str, ...] = ()
    """Why nothing of it counts."""
    held_back: int = 0
    """Pictures that are here and wait, because it may mean them."""
    missing: tuple[str, ...] = ()
    """Files that are not here, each once, as it names them."""
    open_rows: tuple[str, ...] = ()
    """A sentence for each row that nothing was made of yet."""
    notes: tuple[str, ...] = ()
    """What else somebody should know."""
    finished: bool = False
    """Whether it was let go."""


def sheet_answer(answer: SheetAnswer) -> str:
    """Write the answer that stands beside a sheet."""
    name, at = flat(answer.name), moment(answer.at)
    if answer.finished:
        lines = [f"{_FINISHED}{name} ({at})", ""]
        lines += _finished(answer)
    else:
        lines = [f"Order sheet {name}, read on {at}", ""]
        lines += _unreadable(answer) if answer.mistakes else _awaited(answer)
    for note in answer.notes:
        lines += ["", *wrapped(note, WIDTH)]
    return "\n".join(lines) + "\n"


def is_finished(beginning: bytes) -> bool:
    """Whether an answer, of which this is the beginning, speaks of a sheet that was let go."""
    return beginning.startswith(_FINISHED.encode())


def moment(at: datetime) -> str:
    """A date and time for people."""
    return f"{at.day} {at:%B %Y, %H:%M}"


def _unreadable(answer: SheetAnswer) -> list[str]:
    count = len(answer.mistakes)
    things = "one thing in it is wrong" if count == 1 else f"{count:,} things in it are wrong"
    lines = wrapped(
        f"Nothing of this sheet counts yet, because {things}. Correct the sheet and save it again "
        "here as CSV. Until then the pictures that it names wait; if you remove the sheet, they "
        "are taken in as they are.",
        WIDTH,
    )
    return [*lines, "", *_listed(answer.mistakes)]


def _awaited(answer: SheetAnswer) -> list[str]:
    lines = wrapped(
        f"{_not_here(answer)} The sheet waits until {moment(answer.until)}; what comes by then is "
        "printed as it says. You may correct the sheet, or remove it to wait no longer.",
        WIDTH,
    )
    return [*lines, "", *_listed(answer.open_rows)]


def _finished(answer: SheetAnswer) -> list[str]:
    if not answer.open_rows:
        return wrapped("Every row was followed. The sheet is in the folder taken.", WIDTH)
    count = len(answer.open_rows)
    rows = f"rows of {answer.rows:,} were" if count > 1 else f"row of {answer.rows:,} was"
    lines = wrapped(
        f"It waited until {moment(answer.until)}, and {count:,} {rows} not followed. The sheet is "
        "in the folder taken. For what is still wanted, drop a new sheet with these rows, and the "
        "files. Remove this note when you have read it.",
        WIDTH,
    )
    return [*lines, "", *_listed(answer.open_rows)]


def _not_here(answer: SheetAnswer) -> str:
    count = len(answer.missing)
    if not count:
        rows = len(answer.open_rows)
        return f"{rows:,} of {answer.rows:,} rows cannot be followed as they are."
    verb = "is" if count == 1 else "are"
    files = "file" if answer.files == 1 else "files"
    return f"{count:,} of {answer.files:,} {files} of this sheet {verb} not here yet."


def _listed(sentences: Sequence[str]) -> list[str]:
    lines: list[str] = []
    for sentence in sentences[:MOST_LISTED]:
        lines += wrapped(sentence, WIDTH, "  ", "    ")
    more = len(sentences) - MOST_LISTED
    return [*lines, f"  and {more:,} more like these."] if more > 0 else lines


def waiting_words(answer: SheetAnswer) -> tuple[str, str]:
    """What WAITING.txt says of a sheet: a sentence, and what to do next."""
    beside = f"{answer.name}.ANSWER.txt beside it says more."
    if answer.mistakes:
        first, count = answer.mistakes[0], len(answer.mistakes) - 1
        more = f" It has {_more(count, 'mistake')}." if count else ""
        wait = f" {_pictures(answer.held_back)} for it." if answer.held_back else ""
        sentence = f"This order sheet cannot be followed.{wait} {first}{more}"
        return sentence, f"Correct it and save it again; {beside}"
    if not answer.missing:
        first, count = answer.open_rows[0], len(answer.open_rows) - 1
        more = f" There {'is' if count == 1 else 'are'} {_more(count, 'row')} like it."
        return f"{first}{more if count else ''}", beside
    files = "file" if answer.files == 1 else "files"
    verb = "is" if len(answer.missing) == 1 else "are"
    names = ", ".join(answer.missing[:MOST_NAMED])
    others = len(answer.missing) - MOST_NAMED
    also = f" and {others:,} more" if others > 0 else ""
    return (
        f"{len(answer.missing):,} of {answer.files:,} {files} of this order sheet {verb} not here "
        f"yet: {names}{also}. It waits until {moment(answer.until)}.",
        f"Drop {'it' if len(answer.missing) == 1 else 'them'}, or correct the sheet; {beside}",
    )


def _more(count: int, what: str) -> str:
    return f"one more {what}" if count == 1 else f"{count:,} more {what}s"


def _pictures(count: int) -> str:
    return "One picture waits" if count == 1 else f"{count:,} pictures wait"
