"""Whatever happens to a job beside its straight way may be cut off at any operation, too.

Holding, answers, versions, sets, order sheets, recalls and what goes by rule: each begins in a
studio that stands right before it, and comes to what it comes to undisturbed.
"""

import sys
from collections.abc import Callable
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from harness import Result, disturbed, drive, fresh, operations, result
from scenarios import SCENARIOS, lay

Laid = tuple[Path, Result, int]
EVERY = 37
"""By default each scenario is cut at every so many operations, beginning at one of its own."""


@pytest.fixture(scope="session")
def memory(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """What children made."""
    return tmp_path_factory.mktemp("memory")


@pytest.fixture(scope="session")
def laid(tmp_path_factory: pytest.TempPathFactory, memory: Path) -> Callable[[str], Laid]:
    """Gives the studio of a scenario, what it comes to undisturbed and by how many operations."""
    known: dict[str, Laid] = {}

    def give(name: str) -> Laid:
        if name not in known:
            scenario = SCENARIOS[name]
            folder = tmp_path_factory.mktemp(name)
            template = lay(scenario, folder, memory)
            root, log = fresh(template, folder / "undisturbed/studio"), folder / "log"
            assert drive(root, 0, log, memory=str(memory), **scenario.how) == 0
            known[name] = template, result(root), len(operations(log))
        return known[name]

    return give


@pytest.mark.fault(1, 3)
@pytest.mark.parametrize("name", SCENARIOS)
def test_it_happens_and_may_be_cut_off(
    name: str, laid: Callable[[str], Laid], memory: Path, tmp_path: Path
) -> None:
    """Undisturbed it happens; stopped with a power cut at some operations, it happens no less."""
    template, expected, count = laid(name)
    assert SCENARIOS[name].came(expected), expected
    first = 1 + sorted(SCENARIOS).index(name) * 7 % min(EVERY, count)
    for stop_at in range(first, count + 1, EVERY):
        _hold_against(expected, name, template, tmp_path / "at", stop_at, memory, power=True)


@pytest.mark.long
@pytest.mark.fault(1, 3)
@pytest.mark.parametrize("power", [True, False], ids=["power-cut", "killed"])
@pytest.mark.parametrize("name", SCENARIOS)
def test_it_may_be_cut_off_anywhere(
    name: str, laid: Callable[[str], Laid], memory: Path, tmp_path: Path, *, power: bool
) -> None:
    """The same at every operation, with a power cut and without."""
    template, expected, count = laid(name)
    for stop_at in range(1, count + 1):
        _hold_against(expected, name, template, tmp_path / "at", stop_at, memory, power=power)


def _hold_against(
    expected: Result, name: str, template: Path, folder: Path, stop_at: int, memory: Path,
    *, power: bool,
) -> None:  # fmt: skip
    how = {"memory": str(memory), **SCENARIOS[name].how}
    try:
        found = disturbed(template, folder, stop_at, power=power, **how)
    except AssertionError as violation:
        raise AssertionError(f"{name} stopped before operation {stop_at}") from violation
    assert found == expected, f"{name} stopped before operation {stop_at}"
