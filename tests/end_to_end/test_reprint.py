"""The same print again: from the archive to the byte, or held with what is another by now."""

import hashlib
import json
import re
import warnings
from pathlib import Path
from typing import Any

import imagecodecs
import numpy as np
import pytest
import tifffile
from at_work import ask_here
from harness import LAB
from recalled_studio import job, kinds, swept, ticket

from platemark.app.open_studio import reading
from platemark.imaging.print_model import MATTE_ETCHING, make_printer_profile
from platemark.ledger.proof import find_faults_beside
from platemark.model.work import DrawTask, RenderTask

pytestmark = pytest.mark.usefixtures("steps_here")

WHY = ("--because", "a second client wants it")


def reprint(root: Path, number: int, *words: str, by: str = "Asa") -> tuple[int, str]:
    """Order a print again; the exit code and what was said."""
    return ask_here(root, "reprint", str(number), *words, "--by", by, *WHY)


def body(root: Path, number: int, which: str) -> dict[str, Any]:
    """What the record says of a job's newest examination, hold or rendering."""
    with reading(root) as reader:
        row = reader.job(number)
        assert row is not None
        return reader.body(getattr(row, f"{which}_seq"))


def stops(root: Path, number: int) -> dict[str, str]:
    """The stops of a held job."""
    found = body(root, number, "held")["findings"]
    return {each["code"]: each["message"] for each in found if each["severity"] == "stop"}


def texts(root: Path, number: int) -> dict[str, str]:
    """A job's change log."""
    return {each["code"]: each["text"] for each in body(root, number, "rendered")["changes"]}


def archived(root: Path, number: int) -> Path:
    """The archive's print file of a job."""
    sha256 = job(root, number)["print_sha256"]
    return root / f"archive/{sha256[:2]}/{sha256}.tif"


def sha256_of(path: Path) -> str:
    """The hash of a file."""
    return hashlib.sha256(path.read_bytes()).hexdigest()


def is_sound(root: Path) -> None:
    """The derived tables are what the entries make of them."""
    with reading(root) as reader:
        assert list(find_faults_beside(reader)) == []


def test_the_same_print_again(delivered: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Sold again: the lab gets the archived bytes; gone or damaged, they are made again."""
    begun: list[type] = []
    from test_settled import Here

    run = Here.run

    def watched(self: Here, task: Any, limits: Any) -> Any:
        begun.append(type(task))
        return run(self, task, limits)

    monkeypatch.setattr(Here, "run", watched)
    (was,) = (delivered / "at-the-lab").glob("*/data/000001*")
    code, said = reprint(delivered, 1, "--copies", "3", "--order", "Beech")
    assert code == 0
    # The order's name is in no sentence of the chain.
    assert "3 prints of job 000001 again, for the order that you name (sold again)." in said
    assert swept(delivered).held == 0
    # Nothing was read, measured or rendered: the archived file alone was looked at.
    assert DrawTask in begun
    assert RenderTask not in begun
    (again,) = (delivered / "at-the-lab").glob("*/data/000005*")
    assert again.read_bytes() == was.read_bytes()
    made = job(delivered, 5)
    assert (made["copies"], made["order"], made["state"]) == (3, "Beech", "delivered")
    assert made["print_sha256"] == job(delivered, 1)["print_sha256"]
    assert (
        "byte for byte the same; nothing was rendered anew"
        in texts(delivered, 5)["print-file-again"]
    )
    assert "converted" in texts(delivered, 5)
    assert body(delivered, 5, "rendered")["print_file_of"] == 1
    assert kinds(delivered, number=1)[-1] == "reprint-ordered"
    told = ticket(again.parents[1])["tickets"][0]
    assert told["print_file"]["sha256"] == sha256_of(was)
    assert told["colour"]["check"]["sampled"] > 0

    archived(delivered, 2).unlink()
    rotten = archived(delivered, 1)
    good = rotten.read_bytes()
    rotten.chmod(0o644)
    rotten.write_bytes(good[:-9] + bytes([good[-9] ^ 1]) + good[-8:])
    # A panel of a set goes alone, and a reprint is made again as well as its first.
    for number, words in ((2, ("--reason", "lab-fault")), (5, ()), (3, ("--reason", "damaged"))):
        assert reprint(delivered, number, *words)[0] == 0
    assert swept(delivered).held == 0
    for number, first, word in ((6, 2, "missing"), (7, 1, "damaged"), (8, 3, "")):
        assert job(delivered, number)["print_sha256"] == job(delivered, first)["print_sha256"]
        assert job(delivered, number)["set"] is None
        said = texts(delivered, number).get("print-file-remade", "")
        assert (f"was {word} in the archive" in said) == bool(word)
        assert sha256_of(archived(delivered, number)) == job(delivered, number)["print_sha256"]
    assert job(delivered, 7)["copies"] == 3
    assert len(list(rotten.parent.glob(f"{rotten.name}.damaged-*"))) == 1
    is_sound(delivered)


def test_what_cannot_be_made_again(delivered: Path) -> None:
    """No person, no reason, no such job, none that was sent, a stale word: refused, and said."""
    asked = ("reprint", "1", "--by", "Nemo", *WHY)
    assert "not one of the studio's people" in ask_here(delivered, *asked)[1]
    assert (
        "says no reason" in ask_here(delivered, "reprint", "1", "--by", "Asa", "--because", "-")[1]
    )
    assert "There is no job 000099" in reprint(delivered, 99)[1]
    assert reprint(delivered, 1)[0] == 0
    code, said = reprint(delivered, 5)
    assert code == 1
    assert "Job 000005 is claimed: there is no print of it to make again." in said
    from platemark.app.hand_in import hand_in
    from platemark.model.decision import ReprintDecision

    with reading(delivered) as reader:
        row = reader.job(1)
        assert row is not None
    stale = ReprintDecision(
        "stale", "reprint", 1, row.moved_seq, None, None, None, "sold-again", "Asa", "again"
    )
    (outcome,) = hand_in(delivered, [stale])[1]
    assert not outcome.applied
    assert "moved on since you looked at it: reprint ordered by Asa." in outcome.sentence
    original = job(delivered, 2)["original_sha256"]
    (delivered / f"archive/{original[:2]}/{original}.tif").unlink()
    assert "is not where the archive should have it" in reprint(delivered, 2)[1]
    with reading(delivered) as reader:
        assert reader.newest_job() == 5


def lab_of(file: Path) -> np.ndarray:
    """A print in CIE L*a*b* as an instrument reads its paper, by LittleCMS."""
    with tifffile.TiffFile(file) as tiff:
        page = tiff.pages[0]
        pixels, profile = page.asarray(), page.tags[34675].value
    return np.asarray(
        imagecodecs.cms_transform(
            np.ascontiguousarray(pixels), profile, imagecodecs.cms_profile("lab4"),
            colorspace="rgb", outcolorspace="lab", outdtype="f4", intent=3,
            flags=int(imagecodecs.CMS.FLAGS.NOOPTIMIZE),
        )
    )  # fmt: skip


def test_another_profile_by_now(delivered: Path) -> None:
    """Held with what differs, then and now side by side, and ΔE00 as colour-science has it."""
    new = delivered / "new.icc"
    new.write_bytes(make_printer_profile(MATTE_ETCHING))
    code, said = ask_here(
        delivered, "profiles", "add", str(new), "--lab", LAB, "--surface", "small-rag",
        "--by", "Mira", "--because", "the lab has a new printer",
    )  # fmt: skip
    assert code == 0, said
    archived(delivered, 2).unlink()
    for number in (1, 2):
        assert reprint(delivered, number, "--reason", "sold-again")[0] == 0
    assert swept(delivered).held == 2
    for number, first in ((5, 1), (6, 2)):
        said = stops(delivered, number)["reprint-differs"]
        assert f"the same print as job 00000{first}, but the profile was “" in said
        assert "and the line in the bleed" not in said
        # Of the second the archive had no print file: it was made again to compare with.
        assert re.search(r"differs by ΔE00 \d+\.\d\d on average", said), said
        held = (
            delivered / f"held/small-rag/{job(delivered, number)['original_name']}--00000{number}"
        )
        assert "Then and now" in (held / "WHY.html").read_text()
    side = body(delivered, 5, "held")["reprint"]
    said = stops(delivered, 5)["reprint-differs"]
    assert "each as an instrument reads its paper" in said

    answer = ("--accept", "reprint-differs", "--because", "seen beside the first, and it is fine")
    code, said = ask_here(delivered, "decide", "5", *answer, "--by", "Asa")
    assert code != 0
    assert "for the photographer to accept" in said
    assert ask_here(delivered, "decide", "5", *answer, "--by", "Mira")[0] == 0
    swept(delivered)
    made = job(delivered, 5)
    assert made["state"] == "delivered"
    assert made["print_sha256"] != job(delivered, 1)["print_sha256"]
    assert "print-file-again" not in texts(delivered, 5)
    # What the lab is shown is the proof of this print, and nothing of then and now.
    proof = body(delivered, 5, "examined")["proof_sha256"]
    assert proof not in ("", side["side_by_side"])
    face = body(delivered, 1, "examined")["plan"]["face_box"]
    inside = np.s_[
        face["top"] : face["top"] + face["height"], face["left"] : face["left"] + face["width"]
    ]
    then, now = (lab_of(archived(delivered, number))[inside] for number in (1, 5))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import colour
    apart = colour.delta_E(then, now, method="CIE 2000")
    told = side["compared"]
    assert float(told["mean"]) == pytest.approx(float(apart.mean()), abs=0.01)
    assert float(told["p95"]) == pytest.approx(float(np.percentile(apart, 95)), abs=0.01)
    assert float(told["above"]) == pytest.approx(100 * float((apart > 2).mean()), abs=0.1)
    is_sound(delivered)


def test_a_file_that_is_gone_and_does_not_come_out_the_same(
    delivered: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Another version of a library may make other bytes: held with both hashes and both engines."""
    from platemark.imaging import print_file, render

    archived(delivered, 1).unlink()
    packet, engine = print_file.xmp_packet, render.engine
    monkeypatch.setattr(print_file, "xmp_packet", lambda *words: packet(*words) + b" ")
    monkeypatch.setattr(render, "engine", lambda: engine() + ", newer")
    assert reprint(delivered, 1)[0] == 0
    assert swept(delivered).held == 1
    said = stops(delivered, 5)["reprint-file-differs"]
    assert "the print file of job 000001 is missing in the archive" in said
    assert "made with other libraries (then " in said
    assert not archived(delivered, 1).exists()
    answer = ("--accept", "reprint-file-differs", "--because", "held beside the first: the same")
    assert ask_here(delivered, "decide", "5", *answer, "--by", "Asa")[0] != 0
    assert ask_here(delivered, "decide", "5", *answer, "--by", "Mira")[0] == 0
    swept(delivered)
    made = job(delivered, 5)
    assert made["state"] == "delivered"
    assert made["print_sha256"] != job(delivered, 1)["print_sha256"]
    assert "which was accepted" in texts(delivered, 5)["print-file-remade"]


def test_a_job_that_was_read_back_is_asked_about(delivered: Path) -> None:
    """Its ticket says what was asked, no plan is known: held, compared with the archived file."""
    for left in delivered.glob("ledger.sqlite3*"):
        left.unlink()
    code, said = ask_here(delivered, "ledger", "read-back", "--by", "Mira", "--because", "lost it")
    assert code == 0, said
    assert reprint(delivered, 1, "--reason", "lost")[0] == 0
    swept(delivered)
    (made,) = [each for each in _jobs(delivered) if each["print_sha256"] is None]
    said = stops(delivered, made["job"])["reprint-differs"]
    assert "how it was prepared then is not on record" in said
    assert "ΔE00 0.00 on average" in said
    assert (made["size"], made["order"], made["copies"]) == ("2x3in", "Alder", 2)
    is_sound(delivered)


def test_the_same_plan_for_another_product(delivered: Path) -> None:
    """The lab's product has another name by now: asked about, though the pixels are the same."""
    file = delivered / "labs" / f"{LAB}.toml"
    file.write_text(file.read_text().replace('name = "Small Rag"', 'name = "Small Rag II"'))
    assert reprint(delivered, 2)[0] == 0
    assert swept(delivered).held == 1
    said = stops(delivered, 5)["reprint-differs"]
    assert "but the lab’s product was Small Rag and is Small Rag II now. Between" in said
    assert "ΔE00 0.00 on average and by at most 0.00 in 95 %" in said
    # Set right again, it is what it was, and nobody is asked any more.
    file.write_text(file.read_text().replace('name = "Small Rag II"', 'name = "Small Rag"'))
    assert ask_here(
        delivered, "decide", "5", "--set", "copies=2", "--by", "Asa", "--because", "two of them"
    )[0] == 0  # fmt: skip
    swept(delivered)
    assert job(delivered, 5)["state"] == "delivered"
    assert "print-file-again" in texts(delivered, 5)


def _jobs(root: Path) -> list[dict[str, Any]]:
    return list(json.loads(ask_here(root, "jobs", "--json")[1]))
