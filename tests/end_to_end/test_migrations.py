"""An older studio's record brought up to date: whole at any moment, and never the other way."""

import os
import signal
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest
from at_work import ask_here, jobs
from records import Clock, contents, fill, make

from platemark import durable
from platemark.app.open_studio import open_studio
from platemark.ledger import migrations, projection
from platemark.ledger.form import statements
from platemark.ledger.migrations import FORM
from platemark.ledger.proof import find_faults
from platemark.ledger.read import connect_reader
from platemark.ledger.store import Ledger
from platemark.model.errors import DiskFull, RecordDamaged, UsageError

OLD_FORMS = Path(__file__).parents[1] / "unit"


def make_old(path: Path, form: int = 1) -> Path:
    """Give a record the form that an older version made: its tables, its entries."""
    old = path.with_name("old.sqlite3")
    connection = sqlite3.connect(old, isolation_level=None)
    for statement in statements((OLD_FORMS / f"form_{form}.sql").read_text()):
        connection.execute(statement)
    connection.execute("ATTACH ? AS new", (str(path),))
    for (table,) in connection.execute(
        "SELECT name FROM main.sqlite_master WHERE type = 'table'"
    ).fetchall():
        columns = ", ".join(row[1] for row in connection.execute(f"PRAGMA table_info({table})"))
        connection.execute(
            f"INSERT INTO main.{table} ({columns}) SELECT {columns} FROM new.{table}"
        )
    connection.execute(f"PRAGMA user_version = {form}")
    connection.close()
    old.replace(path)
    return path


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return make(tmp_path / "ledger.sqlite3", 15)


def form_of(path: Path) -> int:
    with closing(sqlite3.connect(path)) as connection:
        return int(connection.execute("PRAGMA user_version").fetchone()[0])


def test_an_old_record_is_brought_up_to_date(path: Path) -> None:
    """Entries and words are the same, all tables are those of this version, a copy is kept."""
    right = contents(path)
    old = make_old(path).read_bytes()
    with pytest.raises(UsageError, match="written by an older Platemark") as refused:
        connect_reader(path)
    assert "sweep` once" in refused.value.hint
    assert path.read_bytes() == old
    with closing(Ledger(path, Clock())) as ledger:
        assert find_faults(ledger.read) == []
        fill(ledger, 3, first=16)
        assert find_faults(ledger.read) == []
    assert form_of(path) == FORM
    assert path.with_name("ledger.form-1.sqlite3").read_bytes() == old
    new = contents(path)
    for table in ("entries", "words"):
        assert set(right[table]) <= set(new[table])


@pytest.mark.parametrize("form", [1, 2, 3])
def test_bringing_it_up_to_date_changes_no_word(path: Path, form: int) -> None:
    """Everything that the new record says is what one says that was of this form from the start."""
    right = contents(path)
    make_old(path, form)
    assert form_of(path) == form
    Ledger(path, Clock()).close()
    assert contents(path) == right


def test_an_old_studio_goes_on(swept: Path) -> None:
    """Commands say in one sentence what to do; the next start brings all of it up to date."""
    before = jobs(swept)
    make_old(swept / "ledger.sqlite3")
    for words in (("jobs",), ("ledger", "show"), ("ledger", "verify"), ("job", "1")):
        code, text = ask_here(swept, *words)
        assert code == 2
        assert "This studio's record was written by an older Platemark (form 1" in text
        assert "a copy of it as it is now is kept" in text
    with open_studio(swept) as opened:
        opened.dispatch.stop()
    assert jobs(swept) == before
    assert ask_here(swept, "ledger", "verify", "--files")[0] == 0
    assert form_of(swept / "ledger.form-1.sqlite3") == 1


@pytest.mark.fault(48)
def test_a_newer_record_is_refused_by_every_command(swept: Path) -> None:
    """Going back to an older version: the sentence says so, and not a byte is changed."""
    path = swept / "ledger.sqlite3"
    with closing(sqlite3.connect(path)) as connection:
        connection.execute(f"PRAGMA user_version = {FORM + 1}")
    before = path.read_bytes()
    for words in (
        ("jobs",), ("ledger", "verify"), ("ledger", "rebuild-tables"),
        ("decide", "2", "--withdraw", "--by", "Mira", "--because", "no"),
    ):  # fmt: skip
        code, text = ask_here(swept, *words)
        assert code == 2
        assert f"written by a newer Platemark (form {FORM + 1}, this one knows {FORM})" in text
        assert "nothing was changed" in text
    assert path.read_bytes() == before


def in_a_child(path: Path, prepare: Callable[[], None]) -> int:
    """Open the record in a process of its own; the signal that ended it, or 0."""
    child = os.fork()
    if child == 0:
        code = 1
        try:
            prepare()
            Ledger(path, Clock()).close()
            code = 0
        finally:
            os._exit(code)
    _, status = os.waitpid(child, 0)
    return -os.waitstatus_to_exitcode(status)


def killed_before(number: int) -> Callable[[], None]:
    """Kill the process before the lasting operation of that number."""

    def prepare() -> None:
        count = 0

        def observer(moment: durable.Moment, _name: str, _paths: tuple[Path, ...]) -> None:
            nonlocal count
            if moment == "before":
                count += 1
                if count == number:
                    os.kill(os.getpid(), signal.SIGKILL)

        durable.observe(observer)

    return prepare


def killed_at_entry(number: int) -> Callable[[], None]:
    """Kill the process when so many entries have been followed into the new tables."""

    def prepare() -> None:
        real, count = projection.apply, 0

        def apply(*args: object) -> None:
            nonlocal count
            count += 1
            if count == number:
                os.kill(os.getpid(), signal.SIGKILL)
            real(*args)  # type: ignore[arg-type]

        projection.apply = apply

    return prepare


@pytest.mark.fault(48)
def test_killed_at_any_point_it_is_old_or_new_and_whole(path: Path, tmp_path: Path) -> None:
    """Before every lasting operation, and in the middle of making the tables.

    Each time the next start ends it, nothing of the entries is touched, and the copy is the old
    file.
    """
    right = contents(path)
    old = make_old(path).read_bytes()
    said_before = contents(path)
    forms = []

    def try_at(point: Callable[[], None]) -> bool:
        for left in tmp_path.iterdir():
            left.unlink()
        path.write_bytes(old)
        ended = in_a_child(path, point)
        assert ended in (0, signal.SIGKILL)
        forms.append(form_of(path))
        # Each step is a transaction with its number; these make the tables as they are now.
        now = said_before if forms[-1] == 1 else right | {"form": (forms[-1],)}
        assert contents(path) == now
        Ledger(path, Clock()).close()
        assert contents(path) == right
        assert path.with_name("ledger.form-1.sqlite3").read_bytes() == old
        names = {each.name for each in tmp_path.iterdir()}
        copies = {"ledger.form-1.sqlite3"} | (
            {f"ledger.form-{forms[-1]}.sqlite3"} if forms[-1] != FORM else set()
        )
        assert names == {"ledger.sqlite3", *copies}
        return ended != 0

    number = 1
    while try_at(killed_before(number)):
        number += 1
    # Copied, synced, named, its folder synced, committed.
    assert number > 5
    for entry in (1, 20, 60):
        assert try_at(killed_at_entry(entry))
    assert set(forms) == set(range(1, FORM + 1))


@pytest.mark.fault(48)
def test_an_old_record_that_does_not_hold_is_left_alone(path: Path) -> None:
    """The chain is proved before anything is made of it."""
    make_old(path)
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("DROP TRIGGER entries_are_never_changed")
        connection.execute("UPDATE entries SET actor = 'x' WHERE seq = 9")
        connection.commit()
    before = path.read_bytes()
    with pytest.raises(RecordDamaged, match="Entry 9"):
        Ledger(path, Clock())
    assert path.read_bytes() == before
    assert len(list(path.parent.iterdir())) == 1


def test_without_room_for_the_copy_nothing_is_begun(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The old file stays as it is, and the sentence says what to do."""
    make_old(path)
    before = path.read_bytes()
    monkeypatch.setattr(migrations, "_ROOM_BESIDE", 2**60)
    with pytest.raises(DiskFull, match="keep a copy"):
        Ledger(path, Clock())
    assert path.read_bytes() == before


def test_another_copy_of_that_name_is_kept(path: Path) -> None:
    """What has the copy's name already and is something else stays; the copy gets a number."""
    make_old(path)
    old = path.read_bytes()
    path.with_name("ledger.form-1.sqlite3").write_bytes(b"mine")
    Ledger(path, Clock()).close()
    assert path.with_name("ledger.form-1.sqlite3").read_bytes() == b"mine"
    assert path.with_name("ledger.form-1-2.sqlite3").read_bytes() == old


def test_steps_are_numbered_without_a_gap(path: Path) -> None:
    """The form of a fresh record is this version's, which is the last step's number."""
    assert form_of(path) == FORM == max(migrations.STEPS)
    assert sorted(migrations.STEPS) == list(range(2, FORM + 1))
