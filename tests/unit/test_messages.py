"""Everything that Platemark says of faults of the world, read from its source, in one table.

A tired person must learn from each what happened, whether anything is lost, and what to do next.
`python tests/write_tables.py` writes the table into DEVELOPERS.md.
"""

import ast
import functools
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from platemark.model import errors

PROJECT = Path(__file__).parents[2]
SOURCE = PROJECT / "daemon/platemark"
DEVELOPERS = PROJECT / "DEVELOPERS.md"
TABLE = re.compile(r"(?<=<!-- messages -->\n).*?(?=<!-- end of messages -->)", re.DOTALL)

SAFE = re.compile(
    r"nothing |safe|untouched|unchanged|stays|stay |kept|keeps|waits|goes on|is not lost|"
    r"left alone|as it (is|was)|tried again|no entry was changed",
    re.IGNORECASE,
)
"""Words by which a message says that nothing is lost."""

FAULTS = {
    name: kind
    for name, kind in vars(errors).items()
    if isinstance(kind, type) and issubclass(kind, errors.PlatemarkError)
}
OF_A_FAULT = ("file-", "colour-profile", "colour-untagged", "profile-", "same-")
"""How the codes of findings begin that a fault of a file, or of what came before, leads to."""
FILLED_IN = "…"


@dataclass(frozen=True, order=True)
class Message:
    """One message: its code, its words with what is filled in as `…`, and where it is said."""

    code: str
    sentence: str
    hint: str
    """What is to be done next; empty where the message has none."""
    module: str
    kind: str
    """The class of the fault; `stop` for a finding and `Oddity` for what lies in a hot folder."""


@functools.cache
def _trees() -> dict[Path, ast.Module]:
    """Every module of the source, read."""
    return {path: ast.parse(path.read_text("utf-8")) for path in sorted(SOURCE.rglob("*.py"))}


@functools.cache
def messages() -> tuple[Message, ...]:
    """Every message that is made in the source with words of its own, sorted."""
    found = set()
    for path, tree in _trees().items():
        module = path.relative_to(SOURCE).with_suffix("").as_posix()
        own_code = _code_of(tree)
        for node in ast.walk(tree):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
                found |= set(_messages_of(node, node.func.id, module, own_code))
    return tuple(sorted(found))


def _constants() -> dict[str, str]:
    """Texts that have a name in the source, by name."""
    return {
        node.targets[0].id: node.value.value
        for tree in _trees().values()
        for node in tree.body
        if isinstance(node, ast.Assign)
        and isinstance(node.targets[0], ast.Name)
        and isinstance(node.value, ast.Constant)
        and isinstance(node.value.value, str)
    }


CONSTANTS = _constants()


def _messages_of(call: ast.Call, kind: str, module: str, own_code: str) -> Iterator[Message]:
    if kind in FAULTS:
        code, skipped = FAULTS[kind].code, 0
    elif kind == "stop" and module.startswith("checks/"):
        code, skipped = own_code, 2
    elif kind == "Oddity":
        code, skipped = "in a hot folder", 1
    else:
        return
    words = [_words(each) for each in call.args[skipped : skipped + 2]]
    if words and words[0] is not None:
        yield Message(code, words[0], words[1] or FILLED_IN if words[1:] else "", module, kind)


def _code_of(tree: ast.Module) -> str:
    for node in tree.body:
        if isinstance(node, ast.AnnAssign) and ast.unparse(node.target) == "CODE":
            return str(ast.literal_eval(node.value)) if node.value is not None else ""
    return ""


def _words(node: ast.expr) -> str | None:
    """The words of a literal or formatted text, `…` for what is filled in; None for others."""
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        return node.value
    if isinstance(node, ast.Name):
        return CONSTANTS.get(node.id)
    if isinstance(node, ast.JoinedStr):
        parts = [_words(part) if isinstance(part, ast.Constant) else "…" for part in node.values]
        return "".join(part or "" for part in parts)
    if isinstance(node, ast.BinOp) and isinstance(node.op, ast.Add):
        left, right = _words(node.left), _words(node.right)
        return None if left is None and right is None else f"{left or '…'}{right or '…'}"
    return None


def is_of_the_world(message: Message) -> bool:
    """Whether it tells of a fault that no person asked for."""
    return message.kind in FAULTS and issubclass(FAULTS[message.kind], errors.WorldError)


def is_of_a_fault(message: Message) -> bool:
    """Whether the table has it: not what only answers a mistyped command."""
    if message.kind == "stop":
        return message.code.startswith(OF_A_FAULT)
    return message.kind in ("Oddity", "StudioBusy") or is_of_the_world(message)


def table() -> str:
    """The messages as DEVELOPERS.md has them."""
    rows = [
        f"| `{each.code}` | {_cell(each.sentence)} | {_cell(each.hint)} | {each.module} |\n"
        for each in messages()
        if is_of_a_fault(each)
    ]
    return "| code | what happened | and then | in |\n|---|---|---|---|\n" + "".join(rows)


def _cell(text: str) -> str:
    return text.replace("|", "\\|").replace("\n", " ").strip() or "–"


@pytest.mark.parametrize(
    "message",
    [each for each in messages() if is_of_the_world(each)],
    ids=lambda each: each.sentence,
)
def test_a_fault_of_the_world_says_what_is_safe_and_what_is_next(message: Message) -> None:
    """It has a hint, and sentence or hint says that nothing is lost."""
    assert message.hint, "what is to be done is missing"
    assert SAFE.search(f"{message.sentence} {message.hint}") or FILLED_IN in message.hint


@pytest.mark.parametrize("message", messages(), ids=lambda each: each.sentence)
def test_a_message_is_a_sentence(message: Message) -> None:
    """It begins like one, ends like one, and blames nobody."""
    assert re.match("[A-Z…“]|--[a-z]|[a-z]+/", message.sentence)
    assert message.sentence.rstrip()[-1] in ".:…?", "the sentence has no end"
    assert not re.search(r"\b(invalid|illegal|error|failed|fatal|exception)\b", message.sentence)


def test_the_table_for_developers_is_what_is_said() -> None:
    """DEVELOPERS.md has the messages as they are."""
    found = TABLE.search(DEVELOPERS.read_text("utf-8"))
    assert found is not None
    assert found[0] == table()
