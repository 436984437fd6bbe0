"""`completion`: lets a shell finish commands, options, and the names that a studio has."""

from __future__ import annotations

import contextlib
import os
import shlex
from collections.abc import Callable

import click
from click.shell_completion import CompletionItem, get_completion_class

from platemark.app.context import studio_of
from platemark.app.open_studio import reading
from platemark.checks import all_checks
from platemark.intake.plain_text import flat
from platemark.ledger.read import Reader
from platemark.model.errors import PlatemarkError, UsageError
from platemark.model.finding import ENGINE_CODES
from platemark.model.job import job_number
from platemark.model.studio import Settings
from platemark.settings.load import find_mistakes

SHELLS = ("bash", "zsh", "fish")
VARIABLE = "_PLATEMARK_COMPLETE"
"""Of the environment, by which a shell asks."""
MOST = 200
"""Names that are offered at once."""
WHERE = {
    "bash": 'eval "$(platemark completion bash)"   # in ~/.bashrc',
    "zsh": 'eval "$(platemark completion zsh)"    # in ~/.zshrc',
    "fish": "platemark completion fish | source    # in ~/.config/fish/config.fish",
}
"""What makes each shell use it, and where that line stands."""

Finder = Callable[[Settings, Reader | None], list[tuple[str, str]]]


@click.command("completion")
@click.argument("shell", type=click.Choice(SHELLS))
@click.pass_context
def completion(context: click.Context, shell: str) -> None:
    """Print what lets SHELL finish commands and names.

    Let the shell read it when it starts, as in: eval "$(platemark completion bash)"
    """
    kind = get_completion_class(shell)
    if kind is None:
        raise UsageError(f"Nobody knows how to finish words in {shell}.")
    with contextlib.redirect_stderr(None):
        # It looks for that shell's version and says so; an older one is told by the shell itself.
        source = kind(context.find_root().command, {}, "platemark", VARIABLE).source()
    click.echo(source)


def offer_names(root: click.Group) -> None:
    """Have every command finish what the studio knows: surfaces, labs, people, jobs, codes.

    Args:
        root: The group of all commands.
    """
    for command in _all_commands(root):
        for parameter in command.params:
            name = parameter.name or ""
            finder = _FINDERS.get(f"{command.name} {name}") or _FINDERS.get(name)
            if finder is not None and not isinstance(parameter.type, click.Choice):
                parameter._custom_shell_complete = _from_studio(finder)


def _all_commands(group: click.Group) -> list[click.Command]:
    found: list[click.Command] = []
    for command in group.commands.values():
        found.append(command)
        if isinstance(command, click.Group):
            found += _all_commands(command)
    return found


def _from_studio(
    finder: Finder,
) -> Callable[[click.Context, click.Parameter, str], list[CompletionItem]]:
    def complete(context: click.Context, _: click.Parameter, begun: str) -> list[CompletionItem]:
        names = _names(context, finder)
        fitting = [each for each in names if each[0].casefold().startswith(begun.casefold())]
        # bash alone puts a name into the line as it is given: blanks would part it.
        whole = shlex.quote if os.environ.get(VARIABLE, "").startswith("bash") else str
        return [CompletionItem(whole(name), help=flat(said)) for name, said in fitting[:MOST]]

    return complete


def _names(context: click.Context, finder: Finder) -> list[tuple[str, str]]:
    """What a studio knows; nothing where there is none, for a shell has no ear for faults."""
    try:
        root = studio_of(context.find_root().params.get("studio"))
        settings, _ = find_mistakes(root)
        if settings is None:
            return []
        with reading(root) as reader:
            return finder(settings, reader)
    except (PlatemarkError, OSError):
        return []


def _held(_: Settings, reader: Reader | None) -> list[tuple[str, str]]:
    rows = reader.jobs(state="held") if reader is not None else []
    return [(job_number(row.job), row.original_name) for row in rows]


def _newest(_: Settings, reader: Reader | None) -> list[tuple[str, str]]:
    if reader is None:
        return []
    query = "SELECT job, original_name FROM jobs ORDER BY job DESC LIMIT ?"
    return [(job_number(job), name) for job, name in reader.ask("jobs", query, MOST)]


def _parcels(_: Settings, reader: Reader | None) -> list[tuple[str, str]]:
    rows = reader.parcels() if reader is not None else []
    return [(row.name, row.state) for row in reversed(rows)]


def _codes(_: Settings, __: Reader | None) -> list[tuple[str, str]]:
    return sorted({(check.code, "") for check in all_checks()} | {(c, "") for c, _ in ENGINE_CODES})


_FINDERS: dict[str, Finder] = {
    "surface": lambda settings, _: [(each.id, each.name) for each in settings.surfaces],
    "lab": lambda settings, _: [(each.id, each.name) for each in settings.labs],
    "by": lambda settings, _: [(each.name, each.role) for each in settings.studio.people],
    "decide numbers": _held,
    "numbers": _newest,
    "number": _newest,
    "job": _newest,
    "parcel name": _parcels,
    "audit name": _parcels,
    "accept": _codes,
}
"""What finishes a parameter: of one command, or of every one that has it."""
