"""A digest as a page, as plain text, and as the few lines that a channel carries."""

from __future__ import annotations

import functools
import re

import jinja2
from markupsafe import Markup, escape

from platemark.intake.plain_text import flat, wrapped
from platemark.model.morning import Digest, DigestLine, DigestPart

WIDTH = 88
_COMMAND = re.compile(r"`([^`]+)`")
SHORT_LINES = 12
"""Things to do that a channel's message names."""


def title(digest: Digest) -> str:
    """What a message about a digest is called."""
    return flat(f"{digest.studio}: {_weekday(digest)}")


def digest_text(digest: Digest) -> str:
    """A digest as MORNING.txt."""
    lines = [*wrapped(f"{digest.studio}. {_weekday(digest)}", WIDTH), ""]
    lines += wrapped(digest.headline, WIDTH)
    lines += wrapped(_span(digest), WIDTH)
    for part in shown_parts(digest):
        lines += ["", part.title.upper(), ""]
        for line in part.lines:
            private = f" [{line.private}]" if line.private else ""
            lines += wrapped(f"{line.text}{private}", WIDTH, "- ", "  ")
            if line.next:
                lines += wrapped(line.next, WIDTH, "  ", "  ")
        if part.more:
            lines += wrapped(_more(part), WIDTH, "- ", "  ")
        if not part.lines:
            lines += wrapped(part.none, WIDTH)
    lines += ["", *wrapped(_next(digest), WIDTH)]
    return "\n".join(lines) + "\n"


def digest_short(digest: Digest) -> str:
    """What a channel carries: what happened and what is to do, without anybody's personal words."""
    tasks = digest.lines("to-do")
    lines = [digest.headline, *(f"- {flat(_told(line))}" for line in tasks[:SHORT_LINES])]
    if len(tasks) > SHORT_LINES:
        lines.append(f"- and {len(tasks) - SHORT_LINES} more; see MORNING.html")
    return "\n".join(lines) + "\n"


def digest_html(digest: Digest) -> str:
    """A digest as MORNING.html: one file with its style inside it, nothing from elsewhere."""
    return _pages().get_template("morning.html.j2").render(
        digest=digest,
        weekday=_weekday(digest),
        span=_span(digest),
        parts=shown_parts(digest),
        more=_more,
        next_one=_next(digest),
    )  # fmt: skip


def shown_parts(digest: Digest) -> list[DigestPart]:
    """The parts that say something."""
    return [part for part in digest.parts if part.lines or part.none]


def _told(line: DigestLine) -> str:
    return f"{line.text} {line.next}".strip()


def _weekday(digest: Digest) -> str:
    day = digest.day
    return f"{day:%A}, {day.day} {day:%B %Y}"


def _span(digest: Digest) -> str:
    since = f"since {digest.since}" if digest.since else "since the record began"
    late = " It is late: the service did not run at its time." if digest.late else ""
    if digest.missed:
        days = "1 morning" if digest.missed == 1 else f"{digest.missed} mornings"
        late += f" {days} before it had none."
    return f"Written {digest.made}, for the time {since}.{late}"


def _next(digest: Digest) -> str:
    return (
        f"The next one is due {digest.next_due}. Where it is missing then, the service does not "
        "run: ask `platemark doctor`."
    )


def _more(part: DigestPart) -> str:
    commands = {
        "held": "`platemark jobs --state held` lists them all",
        "taken": "`platemark jobs` lists them all",
        "sent": "`platemark ledger show --kind parcel-closed` lists them all",
    }
    then = commands.get(part.part, "`platemark ledger show` has them all")
    return f"And {part.more} more; {then}."


@functools.cache
def _pages() -> jinja2.Environment:
    pages = jinja2.Environment(
        loader=jinja2.ChoiceLoader(
            [
                jinja2.PackageLoader("platemark.engine", "templates"),
                jinja2.PackageLoader("platemark.intake", "templates"),
            ]
        ),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=lambda value: flat(value) if type(value) is str else value,
    )
    pages.filters["said"] = _said
    return pages


def _said(text: str) -> Markup:
    """A sentence whose commands stand between grave accents."""
    return Markup(_COMMAND.sub(r"<code>\1</code>", str(escape(flat(text)))))  # noqa: S704
