"""Every fault of the list has a test that makes it, or a reason why none does."""

import ast
import re
from pathlib import Path

from faults import FAULTS, Fault

TESTS = Path(__file__).parents[1]
DEVELOPERS = TESTS.parent / "DEVELOPERS.md"
TABLE = re.compile(r"(?<=<!-- faults -->\n).*?(?=<!-- end of faults -->)", re.DOTALL)


def made_by_fault() -> dict[int, list[str]]:
    """Tests by the numbers in their marks, as `module::test`, found in their source."""
    found: dict[int, list[str]] = {}
    for path in sorted(TESTS.rglob("test_*.py")):
        for node in ast.parse(path.read_text("utf-8")).body:
            if isinstance(node, ast.FunctionDef) and node.name.startswith("test_"):
                for number in _numbers(node):
                    found.setdefault(number, []).append(f"{path.stem}::{node.name}")
    return found


def _numbers(function: ast.FunctionDef) -> list[int]:
    return [
        argument.value
        for mark in function.decorator_list
        if isinstance(mark, ast.Call) and ast.unparse(mark.func) == "pytest.mark.fault"
        for argument in mark.args
        if isinstance(argument, ast.Constant)
    ]


def table() -> str:
    """The list as DEVELOPERS.md has it, each fault with its tests or its reason."""
    made = made_by_fault()
    rows = [_row(fault, made.get(fault.number, [])) for fault in FAULTS]
    return "| | fault | must | test |\n|---|---|---|---|\n" + "".join(rows)


def _row(fault: Fault, tests: list[str]) -> str:
    how = f"none: {fault.why_not}" if fault.why_not else ", ".join(f"`{test}`" for test in tests)
    return f"| {fault.number} | {fault.what} | {fault.must} | {how} |\n"


def test_each_fault_is_made_or_has_its_reason() -> None:
    """No number is without both, none has both, and no test has a number that is not there."""
    made = made_by_fault()
    assert set(made) <= {fault.number for fault in FAULTS}
    assert [f.number for f in FAULTS if bool(made.get(f.number)) == bool(f.why_not)] == []


def test_the_table_for_developers_is_this_list() -> None:
    """DEVELOPERS.md has the list as it is; `python tests/write_tables.py` writes it."""
    found = TABLE.search(DEVELOPERS.read_text("utf-8"))
    assert found is not None
    assert found[0] == table()
