"""Numbered editions: every number once, whatever is dropped, answered, withdrawn or spoilt."""

import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from at_work import ask_here
from harness import LAB, make_studio
from recalled_studio import job, prepare, put, swept, ticket

from platemark.app.open_studio import open_studio, reading
from platemark.ledger.edition_tables import GivenTwice
from platemark.ledger.editions import Editions
from platemark.ledger.proof import find_faults_beside
from platemark.model.edition import numbers_words

EDITION = """
name = "Dunes"
total = 3
proofs = 1
surfaces = ["small-rag"]
[[sizes]]
size = "2x3in"
[certificate]
artist = "Mira Sand"
process = "Pigment print"
posthumous = false
"""
SAID = ("--by", "Mira", "--because", "looked at the print")


def write(root: Path, text: str = EDITION, name: str = "dunes") -> None:
    (root / "editions").mkdir(exist_ok=True)
    (root / f"editions/{name}.toml").write_text(text)


def numbers(root: Path, edition: str = "dunes") -> dict[str, str]:
    """Every number that is given, with its state and job."""
    with reading(root) as reader:
        rows = Editions(reader).numbers(edition)
    return {
        f"{'AP ' if row.kind == 'proof' else ''}{row.number}": f"{row.state} {row.job}"
        for row in rows
    }


def codes(root: Path, number: int) -> set[str]:
    return {each["code"] for each in job(root, number)["findings"] if each["severity"] == "stop"}


def holds(root: Path) -> bool:
    """Whether the derived tables are what the entries make of them."""
    with reading(root) as reader:
        return list(find_faults_beside(reader)) == []


def decide(root: Path, number: int, *words: str) -> None:
    code, text = ask_here(root, "decide", str(number), *words, *SAID)
    assert code == 0, text


@pytest.fixture(scope="session")
def numbered_once(
    made_once: Callable[[str, Callable[[Path], object]], Path], profile: bytes
) -> Path:
    def make(folder: Path) -> None:
        root = folder / "studio"
        make_studio(root, profile)
        write(root)
        for name, pixels, asked in (
            ("a.tif", "coffee", {"edition": "dunes", "order": "Alder"}),
            ("b.tif", "coffee", {"edition": "dunes", "order": "Birch", "copies": 2}),
            ("c.tif", "coffee", {"edition": "dunes", "edition_kind": "proof"}),
            ("d.tif", "coffee", {"edition": "dune", "order": "Cedar"}),
            ("e.tif", "coffee", {"edition": "dunes", "order": "Elm"}),
            ("g.tif", "chelsea", {"edition": "dunes", "edition_kind": "proof", "order": "Fir"}),
            ("h.tif", "chelsea", {"replaces": 2}),
        ):
            put(root, name, pixels, **asked)
        put(root, "f.tif", "coffee", mirrored=True, order="Hazel")
        prepare(root)

    return made_once("numbered", make) / "studio"


@pytest.fixture
def numbered(numbered_once: Path, tmp_path: Path) -> Path:
    """Jobs 1 to 3 have numbers 1, 2-3 and proof 1 of `dunes`; 4 to 8 are held."""
    return Path(shutil.copytree(numbered_once, tmp_path / "studio"))


def test_numbers_are_given_once_and_no_more(numbered: Path) -> None:
    """Copies take as many numbers; what is beyond the total, misnamed or not named is held."""
    root = numbered
    assert numbers(root) == {
        "1": "reserved 1", "2": "reserved 2", "3": "reserved 2", "AP 1": "reserved 3",
    }  # fmt: skip
    states = [job(root, number)["state"] for number in range(1, 9)]
    assert states == ["rendered"] * 3 + ["held"] * 5
    assert codes(root, 4) == {"edition-unknown"}
    assert codes(root, 5) == {"edition-exceeded"}
    # Mirrored, so that its bytes are others: it is known by its likeness.
    assert codes(root, 6) == {"edition-not-named"}
    assert codes(root, 7) == {"edition-exceeded"}
    assert codes(root, 8) == {"edition-unknown"}
    said = job(root, 4)["findings"][0]
    assert "; dunes may be meant" in said["message"]
    assert "all 3 numbers of the edition Dunes are given" in job(root, 5)["findings"][0]["message"]
    assert holds(root)


def test_nobody_may_exceed_it(numbered: Path) -> None:
    """An exceeded edition is accepted by no photographer, nor allowed beforehand."""
    code, text = ask_here(numbered, "decide", "5", "--accept", "edition-exceeded", *SAID)
    assert code != 0
    assert "can be accepted by nobody" in text
    assert job(numbered, 5)["state"] == "held"


def test_a_withdrawn_print_frees_its_number_and_an_answer_takes_it(numbered: Path) -> None:
    """Withdrawn before it is in a parcel, a number is free; the held one gets it, and no other."""
    root = numbered
    decide(root, 1, "--withdraw")
    assert "1" not in numbers(root)
    decide(root, 5, "--set", "edition=dunes")
    decide(root, 4, "--set", "edition=dunes")
    prepare(root)
    assert numbers(root)["1"] == "reserved 4"
    assert codes(root, 5) == {"edition-exceeded"}, "the earlier job is looked at first"
    assert holds(root)


def test_the_photographer_may_print_beside_an_edition(numbered: Path) -> None:
    """A picture of an edition that does not say so is theirs to accept, and is not counted."""
    code, text = ask_here(
        numbered,
        "decide",
        "6",
        "--accept",
        "edition-not-named",
        "--by",
        "Asa",
        "--because",
        "ok so",
    )
    assert code != 0, text
    decide(numbered, 6, "--accept", "edition-not-named")
    prepare(numbered)
    assert job(numbered, 6)["state"] == "rendered"
    assert "6" not in str(numbers(numbered).values())


def test_from_the_lab_to_the_buyer(numbered: Path, tmp_path: Path) -> None:
    """Printed with its parcel; sold, destroyed and replaced by people; void for ever."""
    root = numbered
    assert swept(root).fault == ""
    assert numbers(root)["2"] == "printed 2"
    tickets = {each["job"]: each for each in ticket(root / f"at-the-lab/{LAB}-000001")["tickets"]}
    assert tickets[2]["edition"] == {
        "id": "dunes", "of": 3, "numbers": [2, 3], "kind": "print", "name": "Dunes",
        "size": None,
    }  # fmt: skip
    assert "numbers 2-3 of 3" in (root / f"at-the-lab/{LAB}-000001/ticket.html").read_text()

    def say(word: str, number: str, by: str = "Mira", *more: str) -> tuple[int, str]:
        because = "the gallery wrote"
        return ask_here(
            root, "editions", word, "dunes", number, *more, "--by", by, "--because", because
        )

    assert say("sold", "2", "Asa")[0] == 0
    assert "is sold (job 000002)" in say("sold", "2")[1]
    assert "for the photographer" in say("destroyed", "2", "Asa")[1]
    assert "There is no number 4" in say("void", "4")[1]
    assert say("unsold", "2")[0] == 0
    assert say("sold", "2")[0] == 0
    # Sold, it is not printed again; destroyed it is, once, under its number.
    put(root, "again.tif", "coffee", edition="dunes", replaces=2, order="Again")
    prepare(root)
    assert codes(root, 9) == {"edition-replaces"}
    assert "which is sold" in job(root, 9)["findings"][0]["message"]
    assert say("destroyed", "2")[0] == 0
    decide(root, 9, "--set", "replaces=2")
    prepare(root)
    assert numbers(root)["2"] == "reserved 9"
    decide(root, 9, "--withdraw")
    assert numbers(root)["2"] == "destroyed 2", "as it was before"
    put(root, "once.tif", "coffee", edition="dunes", replaces=2, order="Once")
    prepare(root)
    put(root, "twice.tif", "coffee", edition="dunes", replaces=2, order="Twice")
    prepare(root)
    assert (numbers(root)["2"], codes(root, 11)) == ("reserved 10", {"edition-replaces"})
    assert swept(root).fault == ""
    assert numbers(root)["2"] == "printed 10"
    assert say("void", "3")[0] == 0
    assert "stays void" in say("sold", "3")[1]
    assert holds(root)
    _certificates(root, tmp_path)


def _certificates(root: Path, folder: Path) -> None:
    """A print that somebody may have gets one; no other does."""
    from pdfminer.high_level import extract_text

    def certify(number: str, *more: str) -> tuple[int, str]:
        target = folder / f"{number}{''.join(more)}.pdf"
        return ask_here(
            root, "editions", "certificate", "dunes", number, *more, "--to", str(target)
        )

    code, said = certify("2")
    assert code == 0, said
    assert "not stated" in said
    text = " ".join(extract_text(folder / "2.pdf").split())
    with reading(root) as reader:
        row = reader.job(10)
    assert row is not None
    assert row.print_sha256 is not None
    for words in (
        "2/3", "Mira Sand", "Pigment print", "3 numbered prints and 1 artist’s proof", "4 in all",
        "which was destroyed", "Printed posthumously", "no legal advice", "not stated",
        "job 000010 in parcel", "2 × 3 in", "Brindlewick",
    ):  # fmt: skip
        assert words in text, (words, text)
    assert row.print_sha256 in text.replace(" ", "")
    assert "it is void" in certify("3")[1]
    assert certify("1", "--proof")[0] == 0
    assert "AP 1/1" in " ".join(extract_text(folder / "1--proof.pdf").split())
    (folder / "1--proof.pdf").unlink()
    assert ask_here(root, "return", "3", "--failed", "--defect", "a crease", *SAID)[0] == 0
    assert "failed when it came back" in certify("1", "--proof")[1]
    write(root, EDITION.replace("total = 3", "total = 30"))
    assert "numbers were given as of 3" in certify("1")[1]
    said = ask_here(root, "doctor")[1]
    assert "edition dunes: numbers were given as of 3 prints, and its file says 30" in said
    (root / "editions/dunes.toml").unlink()
    assert "editions/dunes.toml is not there" in ask_here(root, "doctor")[1]
    put(root, "loose.tif", "coffee", order="Loose")
    prepare(root)
    assert codes(root, 12) == {"edition-not-named"}, (
        "its file is gone, and it is known all the same"
    )


def test_the_record_tells_of_editions(numbered: Path) -> None:
    """Lists say which numbers are where."""
    code, text = ask_here(numbered, "editions", "--json")
    assert code == 0, text
    prints, proofs = json.loads(text)
    assert (prints["of"], prints["reserved"], prints["free"]) == (3, [1, 2, 3], [])
    assert (proofs["kind"], proofs["reserved"]) == ("proof", [1])
    assert "dunes" in ask_here(numbered, "editions")[1]
    assert "edition dunes: 3 of 3 numbers given, 0" in ask_here(numbered, "doctor")[1]
    shown = ask_here(numbered, "editions", "show", "dunes")[1]
    assert "Birch" in shown
    assert "Free numbers: none (of 3 in all)." in shown
    assert "Dunes 2/3 reserved, 3/3 reserved" in ask_here(numbered, "job", "2")[1]
    assert job(numbered, 2)["edition"]["numbers"][0] == {"number": 2, "state": "reserved"}
    assert job(numbered, 6)["edition"] is None
    rows = json.loads(ask_here(numbered, "editions", "show", "dunes", "--json")[1])
    assert [row["number"] for row in rows] == ["1", "2", "3", "AP 1"]
    assert "There is no edition dune." in ask_here(numbered, "editions", "show", "dune")[1]


def _dropped(root: Path, name: str, number: int, **asked: Any) -> set[str]:
    put(root, name, "coffee", edition="dunes", order=name, **asked)
    prepare(root)
    return codes(root, number)


def test_what_was_promised_stays(numbered: Path) -> None:
    """Another total, another size and another surface are stops; a larger total is nobody's."""
    root = numbered
    decide(root, 2, "--withdraw")
    write(root, EDITION.replace("total = 3", "total = 5"))
    assert _dropped(root, "larger.tif", 9) == {"edition-total-differs"}
    assert job(root, 9)["findings"][0]["message"].endswith("editions/dunes.toml says 5 now.")
    # Nobody can have a print of it yet, so it may have been a slip.
    decide(root, 9, "--accept", "edition-total-differs")
    prepare(root)
    assert numbers(root)["2"] == "reserved 9"
    assert swept(root).fault == ""
    write(root, EDITION.replace("total = 3", "total = 6"))
    # A list of numbers tells it too, and a number that nobody gave is not called sold meanwhile.
    for words in (("editions",), ("editions", "show", "dunes")):
        assert "given as of 5 prints, and its file says 6" in ask_here(root, *words)[1]
    code, text = ask_here(root, "editions", "sold", "dunes", "6", *SAID)
    assert code == 1
    assert "Nothing was changed" in text
    (root / "editions/dunes.toml").rename(root / "dunes.toml")
    assert "editions/dunes.toml is not there" in ask_here(root, "editions")[1]
    (root / "dunes.toml").rename(root / "editions/dunes.toml")
    assert _dropped(root, "larger-yet.tif", 10) == {"edition-total-differs"}
    code, text = ask_here(root, "decide", "10", "--accept", "edition-total-differs", *SAID)
    assert code != 0
    assert "can be accepted by nobody" in text
    two = EDITION.replace("total = 3", "total = 4") + '[[sizes]]\nsize = "4x6in"\n'
    write(root, two.replace("[certificate]", "[certificate]\n"))
    assert _dropped(root, "size.tif", 11) == {"edition-total-differs"}
    decide(root, 11, "--set", "size=4x6in")
    prepare(root)
    # A smaller total than 5 is the photographer's, and so is the size that was added.
    assert {"edition-total-differs", "edition-size"} <= codes(root, 11)
    write(root, EDITION.replace("total = 3", "total = 5").replace("small-rag", "other-rag"))
    surface = (root / "surfaces/small-rag.toml").read_text()
    (root / "surfaces/other-rag.toml").write_text(surface.replace("Small rag", "Other rag"))
    assert _dropped(root, "surface.tif", 12) == {"edition-surface"}
    write(root, EDITION.replace("total = 3\nproofs = 1", "").replace(
        'size = "2x3in"', 'size = "2x3in"\ntotal = 9'))  # fmt: skip
    assert _dropped(root, "counted.tif", 13) >= {"edition-total-differs"}
    assert holds(root)


def test_another_picture_and_numbers_of_before(
    tmp_path: Path, profile: bytes, steps_here: None
) -> None:
    """Numbers that the file knows are never given; a strange picture is asked about."""
    root = tmp_path / "studio"
    make_studio(root, profile)
    given = '[[given]]\nnumbers = "1-2"\nstate = "sold"\n'
    given += '[[given]]\nnumbers = "3"\nstate = "destroyed"\n'
    write(
        root,
        EDITION.replace("total = 3", "total = 4").replace("[certificate]", given + "[certificate]"),
    )
    put(root, "a.tif", "coffee", edition="dunes", order="a")
    prepare(root)
    assert numbers(root) == {
        "1": "sold None", "2": "sold None", "3": "destroyed None", "4": "reserved 1",
    }  # fmt: skip
    put(root, "b.tif", "chelsea", edition="dunes", order="b", replaces=3)
    prepare(root)
    assert codes(root, 2) == {"edition-other-picture"}
    decide(root, 2, "--accept", "edition-other-picture")
    prepare(root)
    assert numbers(root)["3"] == "reserved 2"
    # What the file says later of a number does not undo what the record has.
    write(root, EDITION.replace("total = 3", "total = 4"))
    assert _dropped(root, "c.tif", 3) == {"edition-exceeded"}
    assert holds(root)


def test_the_tables_refuse_a_number_twice(numbered: Path) -> None:
    """Even a mistake of ours cannot give one: nothing of such an entry is recorded."""
    with open_studio(numbered) as at_work:
        ledger = at_work.workshop.ledger
        entry = ledger.read.entry(ledger.read.job(2).examined_seq)  # type: ignore[union-attr]
        assert entry is not None
        head = ledger.read.head()
        with pytest.raises(GivenTwice), ledger.transaction() as transaction:
            transaction.append("examined", dict(entry.body), job=1)
        assert ledger.read.head() == head
    assert numbers_words([2, 3, 5, 7, 8, 9]) == "2-3, 5, 7-9"


def test_a_lost_record_gives_no_number_twice(numbered: Path) -> None:
    """Read back from the tickets, numbers that a lab may have are given; the next is asked."""
    root = numbered
    decide(root, 2, "--withdraw")
    assert swept(root).fault == ""
    (root / "ledger.sqlite3").unlink()
    code, text = ask_here(root, "ledger", "read-back", *SAID)
    assert code == 0, text
    assert numbers(root) == {"1": "printed 1", "AP 1": "printed 3"}
    put(root, "next.tif", "coffee", edition="dunes", order="next")
    prepare(root)
    with reading(root) as reader:
        newest = max(row.job for row in reader.jobs(name="next.tif"))
    assert codes(root, newest) >= {"edition-restored"}
    said = next(f for f in job(root, newest)["findings"] if f["code"] == "edition-restored")
    assert "whether number 2 of Dunes was given since" in said["message"]
    assert holds(root)


def test_the_first_to_name_an_edition_is_heard_by_those_before_it(
    tmp_path: Path, profile: bytes
) -> None:
    """Of one picture dropped twice at once, the print that names no edition waits, though first."""
    root = tmp_path / "studio"
    make_studio(root, profile)
    write(root)
    put(root, "a.tif", "coffee", order="Alder")
    put(root, "b.tif", "coffee", order="Birch", edition="dunes")
    assert swept(root).held == 1
    assert codes(root, 1) == {"edition-not-named"}
    assert job(root, 2)["state"] == "delivered"
    assert numbers(root) == {"1": "printed 2"}


def test_what_was_sold_before_binds_the_total(
    tmp_path: Path, profile: bytes, steps_here: None
) -> None:
    """Numbers that people say are sold elsewhere were sold as of the total of that day."""
    root = tmp_path / "studio"
    make_studio(root, profile)
    write(root)
    assert swept(root).fault == ""
    for number in "123":
        code, text = ask_here(root, "editions", "sold", "dunes", number, *SAID)
        assert code == 0, text
    write(root, EDITION.replace("total = 3", "total = 5"))
    assert "3 prints, and its file says" in ask_here(root, "editions")[1]
    put(root, "a.tif", "coffee", edition="dunes", order="a")
    prepare(root)
    assert codes(root, 1) == {"edition-total-differs"}
    code, _ = ask_here(root, "decide", "1", "--accept", "edition-total-differs", *SAID)
    assert code != 0
    assert holds(root)
