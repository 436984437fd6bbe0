"""What the documents say is true of the code; what only one module may do is done nowhere else."""

import ast
import plistlib
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import click
import pytest

import platemark
from platemark.app.cli import main
from platemark.model.errors import PlatemarkError

ROOT = Path(__file__).parents[2]
PACKAGE = Path(platemark.__file__).parent
PLATEMARK = Path(sys.executable).with_name("platemark")


def faults(of: type[PlatemarkError] = PlatemarkError) -> Iterator[type[PlatemarkError]]:
    """Every error below one, in the order in which they are written."""
    for kind in of.__subclasses__():
        yield kind
        yield from faults(kind)


def test_table_of_errors_is_the_code() -> None:
    """Each row of the developers' table is one error class, with its code, exit and first line."""
    rows = [
        f"| `{kind.__name__}` | `{kind.code}` | {kind.exit_code} | {'yes' if kind.retry else 'no'}"
        f" | {(kind.__doc__ or '').strip().splitlines()[0]} |"
        for kind in faults()
        if kind.__module__ == "platemark.model.errors"
    ]
    told = re.findall(r"^\| `\w+(?:Error|Fault|Full|Gone|Missing|Refused|Busy|Damaged|Locked)`.*$",
                      (ROOT / "DEVELOPERS.md").read_text(), re.MULTILINE)  # fmt: skip
    assert told == rows


def test_readme_names_every_command() -> None:
    """The README's table has every command that the program has, and no other."""
    commands = set(main.commands)
    parts = {part for each in main.commands.values() if isinstance(each, click.Group)
             for part in each.commands}  # fmt: skip
    readme = (ROOT / "README.md").read_text()
    table = readme[readme.index("| command | does |") :].split("\n\n")[0]
    words = [each.split() for each in re.findall(r"`([^`]+)`", table)]
    named = {word for each in words for word in each[:2] if re.fullmatch("[a-z][a-z-]+", word)}
    assert named == commands | parts


def test_help_cuts_no_sentence() -> None:
    """Each group tells of its commands in whole sentences, however narrow the terminal."""
    groups = [main, *(each for each in main.commands.values() if isinstance(each, click.Group))]
    assert len(groups) == 6
    for group in groups:
        context = click.Context(group, info_name=group.name, terminal_width=60)
        told = group.get_help(context).partition("\nCommands:")[2]
        assert "..." not in told
        assert all(re.search(rf"^  {name}\b", told, re.MULTILINE) for name in group.commands)


def test_only_one_module_makes_bytes_lasting() -> None:
    """No module but `durable` syncs, links, renames or replaces a file; Path's own ways count."""
    found = []
    for path in PACKAGE.rglob("*.py"):
        if path.name == "durable.py":
            continue
        for node in ast.walk(ast.parse(path.read_text())):
            if not isinstance(node, ast.Call) or not isinstance(node.func, ast.Attribute):
                continue
            name = node.func.attr
            # `replace` with one argument is a path's; a string's takes two.
            is_path = name == "replace" and len(node.args) == 1 and not node.keywords
            if is_path or name in {
                "rename",
                "renames",
                "hardlink_to",
                "link",
                "fsync",
                "fdatasync",
            }:
                found.append(f"{path.relative_to(PACKAGE)}:{node.lineno} {ast.unparse(node)}")
    assert found == []


def test_launchd_property_list_starts_the_service() -> None:
    """The property list is read by Python's own parser and runs `platemark … run` for good."""
    with (ROOT / "deploy/com.example.platemark.plist").open("rb") as file:
        told = plistlib.load(file)
    words = told["ProgramArguments"]
    assert words[0].endswith("/bin/platemark")
    assert words[-1] == "run"
    assert told["RunAtLoad"] is True
    assert told["KeepAlive"] == {"SuccessfulExit": False}
    # After launchd.plist(5), from memory: it kills what has not ended ExitTimeOut seconds later.
    assert told["ExitTimeOut"] >= 30


@pytest.mark.tool("systemd-analyze")
def test_systemd_unit_is_sound(tmp_path: Path) -> None:
    """`systemd-analyze verify` has nothing to say of the unit but that it is not installed here."""
    unit = tmp_path / "platemark.service"
    text = (ROOT / "deploy/platemark.service").read_text()
    unit.write_text(text.replace("/opt/platemark/bin/platemark", str(PLATEMARK)))
    done = subprocess.run(
        ["systemd-analyze", "verify", "--man=no", unit], capture_output=True, text=True, check=False
    )
    about_us = [line for line in done.stderr.splitlines() if "platemark" in line]
    assert about_us == []
