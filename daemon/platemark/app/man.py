"""The manual page, made from the commands themselves.

`python -m platemark.app.man DIR` writes `platemark.1` into DIR, such as
`~/.local/share/man/man1`, where `man platemark` finds it.
"""

from __future__ import annotations

import re
import sys
from collections.abc import Iterator
from pathlib import Path

import click

from platemark import __version__
from platemark.app.cli import main as root

NAME = "platemark"
EXIT_CODES = (
    ("0", "Everything that it took went through."),
    ("1", "A fault; the message says what, and what to do next."),
    ("2", "It was asked for something that it cannot do, or the settings have mistakes."),
    ("3", "Something that it took is held and waits for a person."),
    ("4", "Another service has this studio."),
)
ENVIRONMENT = (
    ("PLATEMARK_STUDIO", "The studio's folder, where none is named and you stand in none."),
    ("PLATEMARK_MAIL_USER", "The name for the server that sends the morning digest."),
    ("PLATEMARK_MAIL_PASSWORD", "Its password."),
    ("PLATEMARK_CHANNELS", "Channels that the digest goes to, with spaces between them."),
    ("PLATEMARK_PAGE_TOKEN", "The token of the status page, in place of the file page-token."),
    ("NO_COLOR", "With any value: no colours."),
)
FILES = (
    ("studio.toml, surfaces/, labs/", "The settings; each is explained where it stands."),
    ("hot/", "Finished pictures are dropped here; WAITING.txt says what is held."),
    ("held/", "A folder for each held picture, with WHY.html and ANSWER.txt."),
    ("outgoing/", "Closed parcels, by lab."),
    ("MORNING.txt, MORNING.html", "What happened and what there is to do, every morning."),
    ("ledger.sqlite3", "The record."),
)


def manual(group: click.Group) -> str:
    """The manual page of all commands, in the man macros of roff.

    Args:
        group: The group of all commands.
    """
    context = click.Context(group, info_name=NAME)
    lines = [
        f'.TH {NAME.upper()} 1 "" "{NAME} {__version__}" "User commands"',
        ".SH NAME",
        _plain(f"{NAME} - {_first_line(group)[:1].lower()}{_first_line(group)[1:]}"),
        ".SH SYNOPSIS",
        f".B {NAME}",
        "[\\fIOPTIONS\\fR] \\fICOMMAND\\fR [\\fIARGUMENTS\\fR]",
        ".SH OPTIONS",
        *_options(group, context),
        ".SH COMMANDS",
    ]
    for path, command in _commands(group, ()):
        lines += _command(path, command)
    for title, pairs in (
        ("EXIT STATUS", EXIT_CODES), ("ENVIRONMENT", ENVIRONMENT), ("FILES", FILES)
    ):  # fmt: skip
        lines.append(f".SH {title}" if " " not in title else f'.SH "{title}"')
        for word, said in pairs:
            lines += [".TP", f"\\fB{_escaped(word)}\\fR", _plain(said)]
    return "\n".join(lines) + "\n"


def _commands(
    group: click.Group, path: tuple[str, ...]
) -> Iterator[tuple[tuple[str, ...], click.Command]]:
    for name in sorted(group.commands):
        command = group.commands[name]
        here = (*path, name)
        if isinstance(command, click.Group):
            yield from _commands(command, here)
        else:
            yield here, command


def _command(path: tuple[str, ...], command: click.Command) -> list[str]:
    context = click.Context(command, info_name=" ".join(path))
    pieces = " ".join(command.collect_usage_pieces(context))
    lines = [
        f'.SS "{_escaped(" ".join(path))}"',
        ".nh",
        _plain(f"{' '.join(path)} {pieces}"),
        ".hy",
    ]
    for paragraph in re.split(r"\n\s*\n", _help_of(command)):
        lines += [".PP", _plain(" ".join(paragraph.split()))]
    return lines + _options(command, context)


def _options(command: click.Command, context: click.Context) -> list[str]:
    lines: list[str] = []
    # `--help` is the same everywhere, and named once.
    named = command.get_params(context) if isinstance(command, click.Group) else command.params
    for parameter in named:
        record = parameter.get_help_record(context)
        if record is not None and record[1]:
            lines += [".TP", f"\\fB{_escaped(record[0])}\\fR", _plain(record[1])]
    return lines


def _help_of(command: click.Command) -> str:
    return (command.help or "").replace("\b", "").strip()


def _first_line(command: click.Command) -> str:
    return _help_of(command).splitlines()[0].rstrip(".")


def _plain(text: str) -> str:
    """Text as a line of its own, which no sign at its begin makes a request."""
    text = _escaped(text)
    return f"\\&{text}" if text[:1] in (".", "'") else text


_SIGNS = {
    "\\": "\\e", "-": "\\-", "…": "...", "“": "\\(lq", "”": "\\(rq", "’": "\\(cq", "–": "\\(en",
    "×": "\\(mu", "²": "\\(S2", "°": "\\(de", "`": "\\(ga", "^": "\\(ha", "~": "\\(ti",
}  # fmt: skip


def _escaped(text: str) -> str:
    """Text with the signs that roff would take for its own written as it wants them."""
    return "".join(_SIGNS.get(sign, sign) for sign in text)


def write(folder: Path) -> Path:
    """Write the page into a folder; gives its path."""
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / f"{NAME}.1"
    path.write_text(manual(root), encoding="utf-8")
    return path


if __name__ == "__main__":
    if len(sys.argv) != 2:
        sys.exit("Name the folder: python -m platemark.app.man DIR")
    sys.stdout.write(f"{write(Path(sys.argv[1]).expanduser())}\n")
