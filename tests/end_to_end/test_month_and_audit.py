"""The bookkeeper at the month's end, the auditor a year later, a client to be forgotten."""

from __future__ import annotations

import csv
import json
import shutil
import sqlite3
import subprocess
from pathlib import Path

import pytest
from at_work import PLATEMARK
from pdfminer.high_level import extract_text

pytestmark = pytest.mark.usefixtures("delivered")


def shell(studio: Path, words: str) -> subprocess.CompletedProcess[str]:
    """What a person types into a shell, standing in the studio."""
    command = words.replace("platemark", str(PLATEMARK), 1)
    return subprocess.run(
        ["/bin/sh", "-c", command], cwd=studio, capture_output=True, text=True, check=False
    )


def this_month(studio: Path) -> str:
    """The month in which the studio's parcels were closed."""
    connection = sqlite3.connect(studio / "ledger.sqlite3")
    row = connection.execute("SELECT at FROM entries WHERE kind = 'parcel-closed'").fetchone()
    connection.close()
    return str(row[0])[:7]


def sent_jobs(studio: Path) -> list[dict[str, object]]:
    """Every job that is delivered, as `jobs --json` has them."""
    told = json.loads(shell(studio, "platemark jobs --state delivered --json").stdout)
    assert told
    return list(told)


def test_the_bookkeepers_way(delivered: Path) -> None:
    """The table in a shell, as CSV that a spreadsheet reads, as PDF; nothing is overwritten."""
    month, jobs = this_month(delivered), sent_jobs(delivered)
    shown = shell(delivered, f"platemark month {month}")
    assert (shown.returncode, shown.stderr) == (0, "")
    assert str(jobs[0]["parcel"]) in shown.stdout
    made = shell(delivered, f"platemark month {month} --csv m.csv --pdf m.pdf")
    assert made.returncode == 0, made.stderr
    with (delivered / "m.csv").open(encoding="utf-8-sig", newline="") as file:
        lines = list(csv.DictReader(file))
    assert [int(line["job"]) for line in lines if line["kind"] == "sent"] == sorted(
        int(str(job["job"])) for job in jobs
    )
    assert {line["parcel"] for line in lines} == {job["parcel"] for job in jobs}
    # An independent reader of PDF (pdfminer.six).
    text = extract_text(delivered / "m.pdf")
    assert all(line["parcel"] in text.replace("\n", "") for line in lines)
    again = shell(delivered, f"platemark month {month} --csv m.csv")
    assert (again.returncode, "nothing was overwritten" in again.stderr) == (2, True)


@pytest.mark.parametrize("month", ["2026-13", "march", "2026-3", "0000-01", "9999-12", "2200-01"])
def test_what_is_no_month(delivered: Path, month: str) -> None:
    """A month that is none, or is still to come, is refused with a sentence."""
    refused = shell(delivered, f"platemark month {month}")
    assert refused.returncode == 2
    assert "is no month" in refused.stderr or "is still to come" in refused.stderr


def test_the_auditors_way(delivered: Path) -> None:
    """One parcel and the month are proved; the paper holds witness, hashes and what was not."""
    parcel = str(sent_jobs(delivered)[0]["parcel"])
    made = shell(delivered, f"platemark audit {parcel} --to a.pdf")
    assert made.returncode == 0, made.stdout + made.stderr
    assert "Everything that was compared is what the record says" in made.stdout
    told = json.loads(shell(delivered, f"platemark audit {parcel} --json").stdout)
    text = extract_text(delivered / "a.pdf").replace("\n", "").replace(" ", "")
    assert told["record"]["witness"]["hash"] in text
    assert told["parcels"][0]["jobs"][0]["files"][0]["sha256"] in text
    assert any("own computer" in sentence for sentence in told["not_proved"])
    month = json.loads(shell(delivered, f"platemark audit {this_month(delivered)} --json").stdout)
    assert parcel in {each["parcel"] for each in month["parcels"]}


def test_an_audit_finds_what_was_changed(delivered: Path) -> None:
    """A ticket that was edited and an original that was spoilt are named; the exit code is 1."""
    job = sent_jobs(delivered)[0]
    folder = delivered / "outgoing" / str(job["lab"]) / str(job["parcel"])
    ticket = folder / "ticket.json"
    ticket.write_text(ticket.read_text().replace('"copies": 1', '"copies": 2'))
    sha256 = str(job["original_sha256"])
    original = next((delivered / "archive" / sha256[:2]).glob(f"{sha256}.*"))
    original.chmod(0o644)
    original.write_bytes(original.read_bytes()[:-1] + b"x")
    found = shell(delivered, f"platemark audit {job['parcel']}")
    assert found.returncode == 1
    assert "NOT SO" in found.stdout
    assert "The original of job" in found.stdout
    assert "ticket" in found.stdout


def with_words(studio: Path) -> tuple[int, str]:
    """A delivered job and one of its personal texts, given by a drop of its own."""
    source = next(path for path in (studio / "hot").glob("*/taken/*") if path.suffix == ".tif")
    folder = source.parent.parent
    target = folder / "Quercus Family.tif"
    shutil.copyfile(source, target)
    size = 'size = "8x10in"\nfit = "crop"\norder = "Quercus"\n'
    ship = 'ship_to = "12 Acorn Lane, Nowhere"\nnote = "For Q. with love"\n'
    target.with_name(f"{target.name}.toml").write_text(size + ship)
    shell(studio, "platemark sweep")
    jobs = json.loads(shell(studio, "platemark jobs --order Quercus --json").stdout)
    return int(jobs[0]["job"]), str(jobs[0]["state"])


ERASE = "platemark erase --order Quercus --by {by} --because 'asked by letter of today'"


def test_a_client_who_asks_to_be_forgotten(delivered: Path) -> None:
    """Words are gone from the record's very bytes; the chain verifies and says so; all goes on."""
    job, state = with_words(delivered)
    people = (delivered / "studio.toml").read_text()
    photographer = people.split('role = "photographer"')[0].rsplit('name = "', 1)[1].split('"')[0]
    if state == "held":
        refused = shell(delivered, ERASE.format(by=photographer))
        assert (refused.returncode, "Nothing was erased" in refused.stderr) == (2, True)
        shell(delivered, f"platemark decide {job} --withdraw --by {photographer} --because test")
    nobody = shell(delivered, ERASE.format(by="Nobody"))
    assert (nobody.returncode, "not one of the studio's people" in nobody.stderr) == (1, True)
    assert b"12 Acorn Lane" in (delivered / "ledger.sqlite3").read_bytes()
    done = shell(delivered, ERASE.format(by=photographer))
    assert done.returncode == 0, done.stderr
    assert "Not reached:" in done.stdout
    record = (delivered / "ledger.sqlite3").read_bytes()
    assert not any(text in record for text in (b"12 Acorn Lane", b"For Q. with love"))
    verified = shell(delivered, "platemark ledger verify")
    assert verified.returncode == 0, verified.stdout
    assert "erased on request" in verified.stdout
    told = json.loads(shell(delivered, f"platemark job {job} --json").stdout)
    assert told["order"] == "(erased)"
    assert "words-erased" in {step["kind"] for step in told["history"]}
    rebuilt = shell(delivered, "platemark ledger rebuild-tables")
    assert rebuilt.returncode == 0, rebuilt.stderr
    backup = shell(delivered, f"platemark backup {delivered.parent / 'copy'}")
    assert backup.returncode == 0, backup.stderr
    copied = (delivered.parent / "copy" / "ledger.sqlite3").read_bytes()
    assert b"12 Acorn Lane" not in copied
    assert shell(delivered, "platemark ledger verify").returncode == 0


def test_words_that_vanish_unsaid_are_found(delivered: Path) -> None:
    """A word that is gone without an entry that says so is a fault of the record."""
    with_words(delivered)
    connection = sqlite3.connect(delivered / "ledger.sqlite3")
    connection.execute("UPDATE words SET text = NULL WHERE text LIKE '12 Acorn%'")
    connection.commit()
    connection.close()
    found = shell(delivered, "platemark ledger verify")
    assert found.returncode == 1
    assert "are gone, and no entry says that they were erased" in found.stdout
