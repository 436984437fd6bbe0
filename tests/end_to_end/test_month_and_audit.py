"""The bookkeeper at the month's end and the auditor a year later, in a real shell."""

from __future__ import annotations

import csv
import hashlib
import json
import shutil
import sqlite3
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest
from at_work import PLATEMARK, ask_here
from pdfminer.high_level import extract_text
from recalled_studio import FIRST, LAB, SECOND, prepare, put, swept

FORMULA = '=HYPERLINK("//else.where","pay")'
BROKE = "the frame broke it, said the client"


@pytest.fixture(scope="module")
def sent_once(tmp_path_factory: pytest.TempPathFactory, delivered_once: Path) -> Path:
    """Four jobs in one parcel; in another one of them again, and one that a spreadsheet obeys."""
    root = Path(shutil.copytree(delivered_once, tmp_path_factory.mktemp("sent") / "studio"))
    put(root, "again.tif", "coffee", order="Alder", copies=2, title="Dunes")
    put(root, "tax.tif", "rocket", order=FORMULA, title="@SUM(A1:A9)", note="+1")
    prepare(root)
    accept = ("--accept", "same-again", "--by", "Mira", "--because", BROKE)
    assert ask_here(root, "decide", "5", *accept)[0] == 0
    assert swept(root).fault == ""
    return root


@pytest.fixture
def sent(sent_once: Path, tmp_path: Path) -> Path:
    """The same, to be spoilt."""
    return Path(shutil.copytree(sent_once, tmp_path / "studio", symlinks=True))


def shell(studio: Path, words: str) -> subprocess.CompletedProcess[str]:
    """What a person types into a shell, standing in the studio."""
    command = words.replace("platemark", str(PLATEMARK))
    return subprocess.run(
        ["/bin/sh", "-c", command], cwd=studio, capture_output=True, text=True, check=False
    )


def this_month(studio: Path) -> str:
    """The month in which the studio's last parcel was closed."""
    connection = sqlite3.connect(studio / "ledger.sqlite3")
    query = "SELECT max(at) FROM entries WHERE kind = 'parcel-closed'"
    (at,) = connection.execute(query).fetchone()
    connection.close()
    return str(at)[:7]


def test_the_bookkeepers_way(sent_once: Path, tmp_path: Path) -> None:
    """As a table, as CSV that obeys nobody, as PDF; a reprint has its reason and its first job."""
    month = this_month(sent_once)
    table, pdf = tmp_path / "m.csv", tmp_path / "m.pdf"
    made = shell(
        sent_once,
        f"platemark month {month} && platemark month {month} --csv '{table}' --pdf '{pdf}'",
    )
    assert (made.returncode, made.stderr) == (0, "")
    for words in ("6 jobs, 8 prints", FIRST, SECOND, "Alder", BROKE):
        assert words in made.stdout
    # Python's own reader of CSV (RFC 4180), with the mark by which spreadsheets know UTF-8.
    assert table.read_bytes().startswith(b"\xef\xbb\xbf")
    with table.open(encoding="utf-8-sig", newline="") as file:
        lines = list(csv.DictReader(file))
    assert [int(line["job"]) for line in lines] == [1, 2, 3, 4, 5, 6]
    assert {line["parcel"] for line in lines} == {FIRST, SECOND}
    again, tax = lines[4:]
    assert (again["reason"], again["replaces"], again["copies"]) == (BROKE, "000001", "2")
    assert {line["replaces"] for line in lines if line is not again} == {""}
    # OWASP, “CSV Injection”: no cell begins with = + - @, a tab or a carriage return.
    assert (tax["order"], tax["picture"]) == (f"'{FORMULA}", "'@SUM(A1:A9)")
    assert not any(cell[:1] in "=+-@\t\r" for line in lines for cell in line.values() if cell)
    # An independent reader of PDF (pdfminer.six).
    text = extract_text(pdf).replace("\n", "")
    assert all(words in text for words in (FIRST, SECOND, "Together", "000001", "Alder"))


@pytest.mark.parametrize(
    "month", ["2026-13", "march", "2026-3", "0000-01", "9999-12", "2200-01", "2026-02-01"]
)
def test_what_is_no_month(sent_once: Path, month: str) -> None:
    """A month that is none, or is still to come, is refused with a sentence."""
    code, text = ask_here(sent_once, "month", month)
    assert code == 2
    assert "is no month" in text or "is still to come" in text


def test_a_month_without_anything(sent_once: Path, tmp_path: Path) -> None:
    """It says so, on paper too, and an audit of it proves the record alone."""
    table, pdf = tmp_path / "m.csv", tmp_path / "m.pdf"
    files = ("--csv", str(table), "--pdf", str(pdf))
    code, text = ask_here(sent_once, "month", "2020-02", *files)
    assert (code, "February 2020, 0 jobs, 0 prints" in text) == (0, True)
    assert len(table.read_text("utf-8-sig").splitlines()) == 1
    assert "Nothing was sent" in extract_text(pdf)
    code, text = ask_here(sent_once, "month", "2020-02", *files)
    assert (code, "nothing was overwritten" in text) == (2, True)
    code, text = ask_here(sent_once, "audit", "2020-02")
    assert (code, "No parcel was closed then" in text) == (0, True)
    code, text = ask_here(sent_once, "audit", "nobody-000001")
    assert (code, "There is no parcel" in text) == (2, True)


def reckoned(exported: Path) -> Iterator[tuple[dict[str, object], str]]:
    """Each exported entry with its hash, as the audit tells anybody to reckon it; none of ours."""
    previous = bytes(32)
    for line in exported.read_text("utf-8").splitlines():
        entry = json.loads(line)
        said = {key: entry[key] for key in ("seq", "at", "job", "kind", "actor", "body")}
        plain = json.dumps(said, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
        previous = hashlib.sha256(b"\x00" + previous + plain.encode()).digest()
        yield entry, previous.hex()


def hashes_hold(bag: Path, manifest: str) -> bool:
    """What `sha256sum --check` does with a list of the bag (RFC 8493)."""
    lines = [line.split("  ", 1) for line in (bag / manifest).read_text().splitlines()]
    return all(hashlib.sha256((bag / name).read_bytes()).hexdigest() == sha for sha, name in lines)


def test_the_auditors_way(sent_once: Path, tmp_path: Path) -> None:
    """Parcel and month are proved on paper, and every hash again without a line of ours."""
    paper, exported = tmp_path / "a.pdf", tmp_path / "l.jsonl"
    made = shell(
        sent_once,
        f"platemark audit {FIRST} --to '{paper}' && platemark ledger export > '{exported}'",
    )
    assert made.returncode == 0, made.stdout + made.stderr
    assert "Everything that was compared is what the record says" in made.stdout
    text = extract_text(paper).replace("\n", "").replace(" ", "")
    chain = list(reckoned(exported))
    assert all(entry["hash"] == own for entry, own in chain)
    newest, own = chain[-1]
    assert own in text
    bag = sent_once / "outgoing" / LAB / FIRST
    lists = hashlib.sha256((bag / "tagmanifest-sha256.txt").read_bytes()).hexdigest()
    assert lists in text
    assert hashes_hold(bag, "manifest-sha256.txt")
    assert hashes_hold(bag, "tagmanifest-sha256.txt")
    ticket = json.loads((bag / "ticket.json").read_bytes())
    seq, told = ticket["witness"]["seq"], ticket["witness"]["hash"]
    assert (chain[seq - 1][0]["seq"], chain[seq - 1][1]) == (seq, told)
    assert told in text
    code, said = ask_here(sent_once, "audit", this_month(sent_once), "--json")
    month = json.loads(said)
    assert (code, month["record"]["entries"]) == (0, newest["seq"])
    assert {each["parcel"] for each in month["parcels"]} == {FIRST, SECOND}
    assert {file["state"] for file in month["parcels"][0]["jobs"][0]["files"]} == {"as recorded"}
    assert any("own computer" in sentence for sentence in month["not_proved"])


def test_an_audit_finds_what_was_changed(sent: Path) -> None:
    """A ticket that was edited and an original that was spoilt are named, and exit code is 1."""
    ticket = sent / "outgoing" / LAB / FIRST / "ticket.json"
    ticket.write_text(ticket.read_text().replace('"copies": 2', '"copies": 3'))
    code, said = ask_here(sent, "job", "2", "--json")
    sha256 = json.loads(said)["original_sha256"]
    original = next((sent / "archive" / sha256[:2]).glob(f"{sha256}.*"))
    original.chmod(0o644)
    original.write_bytes(original.read_bytes()[:-1] + b"x")
    code, text = ask_here(sent, "audit", FIRST)
    assert code == 1
    assert "NOT SO" in text
    assert "The original of job 000002 is not what it was" in text
    assert "ticket.json is not the file that was sent" in text
    assert "Its ticket is not what the record says." in text
    assert "is as it was sent" not in text
    assert "proved" not in text.split("Not proved:")[0].partition(f"The ticket of {FIRST}")[2]
    # The other parcel is as it was, and so is the record.
    assert ask_here(sent, "audit", SECOND)[0] == 0


def test_an_audit_of_a_record_that_was_rewritten(sent: Path) -> None:
    """An entry that somebody changed in the file is found, and nothing is called proved."""
    connection = sqlite3.connect(sent / "ledger.sqlite3")
    for (trigger,) in connection.execute(
        "SELECT name FROM sqlite_master WHERE type = 'trigger'"
    ).fetchall():
        connection.execute(f"DROP TRIGGER {trigger}")
    connection.execute("UPDATE entries SET actor = 'Asa' WHERE kind = 'decided'")
    connection.commit()
    connection.close()
    code, text = ask_here(sent, "audit", FIRST)
    assert code == 1
    assert "The record does not hold; nothing else was compared." in text
    assert "Proved:" not in text.replace("Not proved:", "")
