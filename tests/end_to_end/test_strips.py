"""Patch strips through the real studio: printed, measured, judged, drifted, decided.

Held against `transicc` (Debian, liblcms2-utils) for what a strip reads, and colour-science (PyPI)
for the differences.
"""

import importlib
import json
import os
import re
import shutil
import warnings
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from at_work import ask_here
from harness import make_studio
from recalled_studio import in_this_process, opened, prepare, put, swept, turns
from strip_readings import by_transicc, device_values, lab_in, readings
from test_shown import shapes

from platemark.app.open_studio import reading
from platemark.engine import decide
from platemark.ledger.keeping import Keeping
from platemark.ledger.proof import find_faults_beside
from platemark.ledger.strips import Strips
from platemark.model.decision import StripSettleDecision
from platemark.model.patch_strip import PATCHES

pytestmark = [pytest.mark.tool("transicc"), pytest.mark.usefixtures("steps_here")]

SURFACE = "small-rag"


def strip(root: Path, *words: str) -> tuple[int, str]:
    return ask_here(root, "strip", *words)


def read_in(root: Path, text: str | bytes, job: int, *more: str) -> tuple[int, str]:
    """Hand readings in, as an assistant would."""
    file = root.parent / f"strip-{job}.txt"
    file.write_bytes(text if isinstance(text, bytes) else text.encode())
    return strip(
        root, "read", str(file), "--job", str(job), "--by", "Asa", "--because", "it came back",
        *more,
    )  # fmt: skip


def jobs_of(root: Path) -> dict[int, dict[str, Any]]:
    return {row["job"]: row for row in json.loads(ask_here(root, "jobs", "--json")[1])}


@pytest.fixture(scope="module")
def _sent(made_once: Callable[[str, Callable[[Path], object]], Path], profile: bytes) -> Path:
    """Two finals with a strip, and one without, that the lab has."""

    def make(folder: Path) -> None:
        root = folder / "studio"
        make_studio(root, profile)
        put(root, "a.tif", "coffee", strip="patches")
        put(root, "b.tif", "chelsea", strip="patches")
        put(root, "c.tif", "astronaut")
        with in_this_process():
            prepare(root)
            swept(root)

    return made_once("strips-sent", make)


@pytest.fixture
def sent(_sent: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(_sent / "studio", tmp_path / "studio", symlinks=True))


def colour_science() -> Any:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return importlib.import_module("colour")


def test_from_the_first_strip_to_a_drift_that_was_decided(sent: Path, tmp_path: Path) -> None:
    """A strip as the profile predicts becomes the reference; one that drifted holds finals."""
    assert {row["state"] for row in jobs_of(sent).values()} == {"delivered"}
    (ticket,) = sent.glob("outgoing/*/*/ticket.json")
    told = {each["job"]: each for each in json.loads(ticket.read_text())["tickets"]}
    box, file = told[1]["geometry"]["strip_box"], told[1]["print_file"]
    assert box["top"] + box["height"] == file["height_px"]
    assert box["top"] >= told[1]["geometry"]["trim_box"]["height"]
    assert told[3]["geometry"]["strip_box"] is None
    changes = ticket.with_name("changes.txt").read_text()
    assert changes.count("and the strip of patches below it") == 2
    (asked,) = [line for line in told[1]["instructions"] if "colour patches" in line]
    assert "cut it off, and send it back" in asked
    assert not [line for line in told[3]["instructions"] if "patches" in line]
    values, icc = device_values(sent, 1)
    answered = by_transicc(values, icc, tmp_path / "by")
    lab = lab_in(answered)

    # transicc's own file has neither RGB values nor a condition; its numbers tell the patches.
    code, text = read_in(sent, answered, 1)
    assert code != 0
    assert "does not say with which condition" in text
    code, text = read_in(sent, answered, 1, "--condition", "M1", "--json")
    assert code == 0, text
    first = json.loads(text)
    assert (first["against"], first["verdict"], first["white"]) == (
        "profile", "within", "absolute",
    )  # fmt: skip
    assert len(first["patches"]) == 34
    # 36 readings, of which paper and black are there twice.
    ours = {patch["name"]: [float(x) for x in patch["predicted"]] for patch in first["patches"]}
    for patch, theirs in zip(PATCHES, lab, strict=True):
        assert np.abs(np.array(ours[patch.name]) - theirs).max() <= 0.1, patch.name
    assert float(first["by_profile"]["largest"]) <= 0.1

    # The same again of another job, lighter in the shadows and warmer.
    drifted = [
        [min(100, lightness + 5 * (1 - lightness / 100)), a + 1.5, b + 3.5]
        for lightness, a, b in lab
    ]
    put(sent, "d.tif", "coffee", mirrored=True)
    prepare(sent)
    assert jobs_of(sent)[4]["state"] == "rendered"
    code, text = read_in(sent, readings(drifted), 2)
    assert code == 3
    assert "BEYOND THE LIMITS" in text
    assert "Held now: job 000004" in text
    assert "no conformity to a standard is claimed" in text
    with reading(sent) as reader:
        row = Strips(reader).of_job(2)[0]
        body = reader.body(row.seq)
        chart, file = body["chart_sha256"], body["readings"]["sha256"]
        assert {kept.kind for kept in Keeping(reader).rows_of(chart)} == {"chart"}
        assert {kept.kind for kept in Keeping(reader).rows_of(file)} == {"readings"}
    expected = colour_science().delta_E(np.round(drifted, 2), np.round(lab, 2), method="CIE 2000")
    once = list(dict.fromkeys(patch.rgb for patch in PATCHES))
    places = [[patch.rgb for patch in PATCHES].index(rgb) for rgb in once]
    assert float(body["by_reference"]["mean"]) == pytest.approx(expected[places].mean(), abs=0.02)
    assert float(body["by_reference"]["p95"]) == pytest.approx(
        np.percentile(expected[places], 95), abs=0.02
    )

    # Finals of that surface are held, those that were ready too; a test goes.
    put(sent, "e.tif", "rocket", purpose="test")
    put(sent, "f.tif", "chelsea", mirrored=True, order="Beech")
    with opened(sent) as at_work:
        read = at_work.workshop.ledger.read
        turns(
            at_work,
            lambda: (
                read.newest_job() >= 6
                and not any(row.state in ("claimed", "examined") for row in read.jobs())
            ),
        )
    found = jobs_of(sent)
    named = {row["original_name"]: row for row in found.values()}
    for name in ("d.tif", "f.tif"):
        assert named[name]["state"] == "held"
        assert named[name]["findings"][0]["code"] == "strip-drift"
    assert all(
        "strip-drift" not in [f["code"] for f in row["findings"]]
        for row in found.values()
        if row["purpose"] == "test"
    )
    stop = named["d.tif"]["findings"][0]
    assert "strip of job 000002" in stop["message"]
    assert f"platemark strip settle --lab {found[2]['lab']} --surface {SURFACE}" in stop["next"]

    # The morning says so until it is decided.
    assert "finals on Small rag of Brindlewick are held" in " ".join(
        ask_here(sent, "morning")[1].split()
    )

    # Only the photographer decides, and only about what she saw.
    lab_id = found[2]["lab"]
    about = (
        "settle",
        "--lab",
        lab_id,
        "--surface",
        SURFACE,
        "--because",
        "the lab changed its ink",
    )
    code, text = strip(sent, *about, "--by", "Asa")
    assert (code, "for the photographer" in text) == (1, True)
    with opened(sent) as at_work:
        stale = StripSettleDecision("x", "strip-settle", lab_id, SURFACE, 3, False, "Mira", "seen")
        assert "was read since you looked" in decide.apply(at_work.workshop, stale).sentence
    code, text = strip(sent, *about, "--by", "Mira", "--as-reference")
    assert code == 0, text
    assert "is the reference from now on" in text
    prepare(sent)
    found = {row["original_name"]: row for row in jobs_of(sent).values()}
    assert {found[name]["state"] for name in ("d.tif", "f.tif")} == {"rendered"}

    # What follows is held against the strip that was named, and a listing and a drawing say so.
    code, text = read_in(sent, readings([[x + 0.2, a, b] for x, a, b in drifted]), 2, "--json")
    assert (code, json.loads(text)["verdict"]) == (0, "within")
    assert json.loads(text)["reference"] == row.seq
    code, text = strip(sent, "trend", "--json")
    assert [each["verdict"] for each in json.loads(text)] == ["within", "beyond", "within"]
    assert all(set(each) == shapes()["strip trend"][1] for each in json.loads(text))
    drawing = tmp_path / "trend.png"
    code, text = strip(sent, "trend", "--lab", lab_id, "--surface", SURFACE, "--to", str(drawing))
    assert code == 0, text
    assert drawing.read_bytes().startswith(b"\x89PNG")
    assert "not decided" not in text
    with reading(sent) as reader:
        assert list(find_faults_beside(reader)) == []


REFUSED: list[tuple[str, Callable[[str], str | bytes], str]] = [
    ("another strip", lambda text: text.replace("\t16\t16\t16\t", "\t17\t60\t16\t"), "no colour"),
    ("a patch too few", lambda text: text.replace("\n36\t", "\n# 36\t"), "NUMBER_OF_SETS 36"),
    ("comma", lambda text: text.replace(".", ","), "decimal point"),
    ("M0", lambda text: text.replace("=M1", "=M0"), "judges by M1"),
    ("no text", lambda text: text.encode() + b"\0\0", "zero bytes"),
    ("empty", lambda _: "", "is empty"),
    ("vast", lambda text: text.encode() + b"#" * (9 << 20), "8,388,608 at most"),
]


def test_what_cannot_be_used_is_refused_and_nothing_is_recorded(sent: Path, tmp_path: Path) -> None:
    """Each refusal says what is wrong in the file; no strip, no job and no word of it remains."""
    values, icc = device_values(sent, 1)
    text = readings(lab_in(by_transicc(values, icc, tmp_path / "by")))
    for name, spoil, words in REFUSED:
        code, said = read_in(sent, spoil(text), 1)
        assert code != 0, name
        assert words in said, (name, said)
    for job, words in ((3, "without a patch strip"), (99, "no job")):
        code, said = read_in(sent, text, job)
        assert (code != 0, words in said) == (True, True), said
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    code, said = strip(
        sent, "read", str(pipe), "--job", "1", "--by", "Asa", "--because", "it came back"
    )
    assert (code != 0, "no plain file" in said) == (True, True)
    with reading(sent) as reader:
        assert Strips(reader).products() == []
    assert not list((sent / "decisions").iterdir())
    assert read_in(sent, text, 1)[0] == 0
    code, said = read_in(sent, text, 1)
    assert (code != 0, "already" in said) == (True, True)
    code, said = strip(
        sent,
        "settle",
        "--lab",
        "brook",
        "--surface",
        SURFACE,
        "--by",
        "Mira",
        "--because",
        "no reason",
    )
    assert code != 0


def test_on_a_weave_the_first_reading_is_the_reference(sent: Path, tmp_path: Path) -> None:
    """There the profile's word does not count; three passes are averaged, their spread told."""
    file = sent / "surfaces" / f"{SURFACE}.toml"
    text = file.read_text()
    file.write_text(re.sub('texture = "[a-z]+"', 'texture = "weave"', text))
    assert file.read_text() != text
    values, icc = device_values(sent, 1)
    lab = np.array(lab_in(by_transicc(values, icc, tmp_path / "by")))
    far, bluer = lab + np.array([8, 4, -6]), np.array([0, 0, 1])
    passes = [readings((far + step * bluer).tolist()) for step in (-1, 0, 1)]
    rows = [each.split("BEGIN_DATA\n")[1].split("END_DATA")[0] for each in passes]
    text = passes[0].replace("SETS 36", "SETS 108").replace(rows[0], "".join(rows))
    code, said = read_in(sent, text, 1, "--json")
    assert code == 0, said
    first = json.loads(said)
    assert (first["against"], first["verdict"], first["times"]) == ("nothing", "within", 3)
    assert float(first["by_profile"]["mean"]) > 5
    # The middle pass is the mean, so the outer two are a step of b* away from it.
    steps = colour_science().delta_E(far + bluer, far, method="CIE 2000")
    back = colour_science().delta_E(far - bluer, far, method="CIE 2000")
    assert float(first["spread"]) == pytest.approx(max(steps.max(), back.max()), abs=0.02)
    code, said = read_in(sent, readings(far.tolist()), 2, "--json")
    second = json.loads(said)
    assert (code, second["against"], second["reference"]) == (0, "reference", first["seq"])
    assert float(second["by_reference"]["largest"]) <= 0.02
