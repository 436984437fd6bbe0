"""What commands show: to a person at a terminal, to a pipe, to a program, to a shell, to `man`."""

import fcntl
import json
import os
import pty
import re
import shutil
import struct
import subprocess
import sys
import termios
import time
from collections.abc import Iterator
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import NoReturn

import click
import pytest
from at_work import PLATEMARK, ask_here
from click.shell_completion import get_completion_class
from harness import LAB

from platemark.app import demo
from platemark.app.cli import main
from platemark.app.man import manual
from platemark.app.showing import Tell, show_table

ROOT = Path(__file__).parents[2]
LONG = "a-name-that-is-much-longer-than-a-terminal-is-wide-" * 3 + "end.tif"
MONTH = f"{datetime.now(UTC):%Y-%m}"
DUNES = """
name = "Dunes"
total = 3
surfaces = ["small-rag"]
[[sizes]]
size = "2x3in"
[[given]]
numbers = "2"
state = "sold"
"""
LISTINGS = {
    "jobs": ("jobs",),
    "job N": ("job", "2"),
    "parcels": ("parcels",),
    "profiles": ("profiles",),
    "ledger show": ("ledger", "show"),
    "editions": ("editions",),
    "editions show": ("editions", "show", "dunes"),
    "ledger verify": ("ledger", "verify", "--files"),
    "archive verify": ("archive", "verify"),
    "archive keep": ("archive", "keep", "--dry-run"),
    "doctor": ("doctor",),
    "month": ("month", MONTH),
    "audit": ("audit", MONTH),
    "morning": ("morning",),
    "backup": ("backup", "COPY"),
    "strip patches": ("strip", "patches"),
    "strip trend": ("strip", "trend"),
}
"""Every listing by its name in the developers' table, and how it is asked here."""


@pytest.fixture(scope="module")
def listed(_swept: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A swept studio of this module's own."""
    there = tmp_path_factory.mktemp("listed") / "studio"
    shutil.copytree(_swept, there, symlinks=True)
    (there / "editions").mkdir()
    (there / "editions/dunes.toml").write_text(DUNES)
    return there


def at_terminal(studio: Path, *words: str, columns: int = 100, **besides: str) -> str:
    """Run a command at a terminal of its own, in a fork of this process; all that it drew there."""
    child, controller = pty.fork()
    if not child:
        _as_at_terminal(["--studio", str(studio), *words], besides)
    fcntl.ioctl(controller, termios.TIOCSWINSZ, struct.pack("HHHH", 40, columns, 0, 0))
    drawn = bytearray()
    # Linux refuses to read when the last at that terminal has left it.
    with suppress(OSError):
        while piece := os.read(controller, 1 << 16):
            drawn += piece
    os.close(controller)
    os.waitpid(child, 0)
    return drawn.decode()


def _as_at_terminal(words: list[str], besides: dict[str, str]) -> NoReturn:
    """Be the command; nothing of the tests' own survives it."""
    try:
        sys.stdout, sys.stderr = os.fdopen(1, "w"), os.fdopen(2, "w")
        for name in ("NO_COLOR", "FORCE_COLOR", "COLUMNS", "LINES"):
            os.environ.pop(name, None)
        os.environ.update({"TERM": "xterm-256color", **besides})
        # The size is set just after the fork.
        time.sleep(0.1)
        main(words, standalone_mode=False)
        sys.stdout.flush()
    finally:
        os._exit(0)


def shapes() -> dict[str, tuple[bool, set[str]]]:
    """By listing what the developers' table says of `--json`: whether a list, and the keys."""
    told = (ROOT / "DEVELOPERS.md").read_text()
    rows = re.findall(r"^\| `([a-z N]+)` \| (list|object) \| (.*) \|$", told, re.MULTILINE)
    return {name: (form == "list", set(re.findall("`([a-z0-9_]+)`", keys)))
            for name, form, keys in rows}  # fmt: skip


def test_every_listing_has_its_documented_json(listed: Path, tmp_path: Path) -> None:
    """What `--json` gives is one value whose keys are those of the developers' table."""
    told = shapes()
    assert set(told) == set(LISTINGS)
    for name, words in LISTINGS.items():
        asked = [word.replace("COPY", str(tmp_path / "copy")) for word in words]
        _, text = ask_here(listed, *asked, "--json")
        found = json.loads(text)
        is_list, keys = told[name]
        assert isinstance(found, list) is is_list, name
        items = found if is_list else [found]
        # Those of readings are looked at in `test_strips`.
        assert items or name in ("archive keep", "strip trend"), name
        for item in items:
            assert set(item) == keys, name


def test_every_command_that_lists_has_json() -> None:
    """A command that has `--json` is in the table, unless it does something."""
    does = {"examine", "take-over", "ledger rescue", "ledger put-in-place", "ledger read-back",
            "profiles check", "profiles show", "profiles list", "strip read"}  # fmt: skip
    having = {name for name, command in commands() if option(command, "--json")}
    assert {name.removesuffix(" N") for name in LISTINGS} == having - does


def commands() -> Iterator[tuple[str, click.Command]]:
    """Every command with its name, `ledger show` as well as `ledger`."""
    for name, command in main.commands.items():
        if not isinstance(command, click.Group) or command.invoke_without_command:
            yield name, command
        if isinstance(command, click.Group):
            yield from ((f"{name} {part}", each) for part, each in command.commands.items())


def option(command: click.Command, name: str) -> bool:
    """Whether a command has that option."""
    return any(name in parameter.opts for parameter in command.params)


def test_a_pipe_gets_whole_plain_text(listed: Path) -> None:
    """No colour, no escape, each job on one line of its own, whole names, nothing cut."""
    done = subprocess.run(
        [str(PLATEMARK), "--studio", str(listed), "jobs"],
        capture_output=True, text=True, check=False, env={**os.environ, "COLUMNS": "40"},
    )  # fmt: skip
    head, *lines = done.stdout.splitlines()
    assert " ".join(head.split()) == "job state picture surface size copies order parcel"
    assert [line.split()[0] for line in lines] == ["000001", "000002"]
    assert done.stderr == ""
    for words in (("jobs",), ("doctor",), ("ledger", "show"), ("ledger", "verify"), ("parcels",)):
        _, text = ask_here(listed, *words)
        assert "\x1b" not in text
        assert not any(line.endswith(" ") for line in text.splitlines())


def test_long_names_are_whole_in_a_pipe_and_short_at_a_terminal(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The table itself: columns of their own width, and lines of a cell below each other."""
    show_table(("n", "name", "why"), [("1", LONG, "a\nb"), ("12", "日本", "c")], right=("n",))
    wide = len(LONG)
    assert capsys.readouterr().out.splitlines() == [
        f" n  {'name':<{wide}}  why", f" 1  {LONG}  a", f"{'':{wide + 6}}b",
        f"12  日本{'':{wide - 4}}  c",
    ]  # fmt: skip
    monkeypatch.setenv("FORCE_COLOR", "1")
    monkeypatch.setenv("COLUMNS", "70")
    show_table(("n", "name"), [("1", LONG)], names=("name",))
    drawn = capsys.readouterr().out
    assert "…" in drawn
    assert "end.tif" in drawn


def test_a_terminal_gets_tables_colours_and_bars(listed: Path) -> None:
    """Bold heads and a bar at a terminal; a narrow one gets blocks, and no word is broken."""
    wide = at_terminal(listed, "jobs", columns=160)
    assert "\x1b[1m" in wide
    assert "────" in wide
    narrow = at_terminal(listed, "jobs", columns=40)
    assert "untagged.tif" in narrow
    assert "surface" in narrow
    assert "────" not in narrow
    proved = at_terminal(listed, "ledger", "verify")
    assert "Following the entries" in proved
    assert "Comparing the tables" in proved
    # A bar ends without leaving anything behind.
    assert (
        re.sub(r"\x1b\[[0-9;?]*[A-Za-z]|\r", "", proved)
        .strip()
        .splitlines()[-1]
        .startswith("The record holds")
    )
    assert "\x1b[1A\x1b[2K" in proved


def test_no_color_is_respected(listed: Path) -> None:
    """With NO_COLOR in the environment no colour is drawn; with TERM=dumb nothing is."""
    colour = re.compile(r"\x1b\[[0-9;]*3[0-9]|\x1b\[[0-9;]*[34]8;")
    assert colour.search(at_terminal(listed, "doctor"))
    assert not colour.search(at_terminal(listed, "doctor", NO_COLOR="1"))
    assert "\x1b" not in at_terminal(listed, "ledger", "verify", TERM="dumb")


def test_bash_finishes_commands_and_names(listed: Path) -> None:
    """A real bash reads what `completion bash` prints, and is asked as its TAB key asks."""
    script = """
source <(platemark completion bash)
finish() { COMP_WORDS=(platemark "$@"); COMP_CWORD=$#; COMPREPLY=()
  words=($(complete -p platemark)); for at in "${!words[@]}"; do
  [ "${words[at]}" = -F ] && "${words[at+1]}" platemark; done; echo "$*: ${COMPREPLY[*]}"; }
finish ledger ver; finish decide --accept colour-un; finish decide 00; finish decide --by Ros
"""
    toml = listed / "studio.toml"
    toml.write_text(f'{toml.read_text()}\n[[people]]\nname = "Rosa Lind"\nrole = "assistant"\n')
    done = subprocess.run(
        ["bash", "-c", script], capture_output=True, text=True, check=False,
        env={**os.environ, "PLATEMARK_STUDIO": str(listed),
             "PATH": f"{PLATEMARK.parent}:{os.environ['PATH']}"},
    )  # fmt: skip
    assert done.stderr == ""
    assert done.stdout.splitlines() == [
        "ledger ver: verify", "decide --accept colour-un: colour-untagged", "decide 00: 000002",
        "decide --by Ros: 'Rosa Lind'",
    ]  # fmt: skip


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_every_shell_finishes_what_a_studio_knows(
    shell: str, listed: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What is printed for a shell asks the program in that shell's way, and gets names for it."""
    code, text = ask_here(listed, "completion", shell)
    assert code == 0
    assert f"_PLATEMARK_COMPLETE={shell}_complete" in text
    kind = get_completion_class(shell)
    assert kind is not None
    asked = kind(main, {}, "platemark", "_PLATEMARK_COMPLETE")
    monkeypatch.setenv("PLATEMARK_STUDIO", str(listed))
    for line, name in (
        ("led", "ledger"), ("ledger ver", "verify"), ("decide --acc", "--accept"),
        ("decide --by M", "Mira"), ("examine --surface sm", "small-rag"), ("job 0", "000001"),
        ("decide 0", "000002"), ("audit b", f"{LAB}-000001"),
        ("profiles check --lab b", "brindlewick"),
    ):  # fmt: skip
        words = f"platemark {line}"
        monkeypatch.setenv("COMP_WORDS", words)
        last = line.split()[-1] if shell == "fish" else str(len(words.split()) - 1)
        monkeypatch.setenv("COMP_CWORD", last)
        assert name in re.split(r"[\s,]+", asked.complete()), line


def test_the_manual_names_every_command_and_option() -> None:
    """Each command has its part with its usage, and each of its options says what it does."""
    page = manual(main).replace("\\-", "-").replace("\\&", "")
    parts = dict(re.findall(r'^\.SS "(.+)"\n((?:(?!\.S[SH]).*\n)+)', page, re.MULTILINE))
    real = [(name, each) for name, each in commands() if not isinstance(each, click.Group)]
    assert set(parts) == {name for name, _ in real}
    for name, command in real:
        said = parts[name]
        assert f"{name} [OPTIONS]" in said
        for parameter in command.params:
            for word in (*parameter.opts, *parameter.secondary_opts):
                if word.startswith("-"):
                    line = rf"^\.TP\n\\fB.*{re.escape(word)}\b.*\n\w.+"
                    assert re.search(line, said, re.MULTILINE), (name, word)
    for code in range(5):
        assert f"\\fB{code}\\fR" in page


@pytest.mark.tool("groff")
def test_the_manual_is_set_without_a_word_of_complaint() -> None:
    """Groff's man macros, all warnings on, set it whole and say nothing."""
    done = subprocess.run(
        ["groff", "-man", "-Tutf8", "-ww"],
        input=manual(main), capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert done.stderr == ""
    words = " ".join(re.sub(r"\x1b\[[0-9;]*m|.\x08", "", done.stdout).split())
    for said in ("SYNOPSIS", "EXIT STATUS", "Prove the whole record", "Another service has this"):
        assert said in words


def test_the_demo_draws_no_bars_into_a_pipe(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What it tells at its end is all that it says where nobody sees its bars."""

    def make(_: Path, tell: Tell) -> None:
        tell("Making pictures", 1, 1)

    monkeypatch.setattr(demo, "_make_everything", make)
    code, text = ask_here(tmp_path, "demo", str(tmp_path / "demo"))
    assert code == 0
    assert text.startswith("0 parcels are closed and 0 files are held. Open, in ")
    assert "Making" not in text
