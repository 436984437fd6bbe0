"""`examine --all-surfaces` and `--tune` by the real command, on a studio of four surfaces."""

import json
from pathlib import Path

import numpy as np
import pytest
import skimage.data
import tifffile
from at_work import ask
from click.testing import CliRunner
from harness import LAB_FILE, SURFACE
from PIL import Image

from platemark.app.cli import main
from platemark.imaging.icc import build_matrix_profile

SURFACES = {
    "small-gloss": {"gloss": "gloss", "black_l": "4", "white_l": "95"},
    "small-metal": {"gloss": "metallic", "black_l": "14", "white_l": "70", "texture": "brushed"},
    "small-canvas": {"texture": "weave", "black_l": "21"},
}


@pytest.fixture
def four(studio: Path, profile: bytes) -> Path:
    """The small studio with three more surfaces; one of them is sold in one size only."""
    products = LAB_FILE.partition("[[products]]")[2]
    lab = (studio / "labs/brindlewick.toml").read_text()
    for name, words in SURFACES.items():
        text = SURFACE.replace("Small rag", name)
        for key, value in words.items():
            before = next(line for line in text.splitlines() if line.startswith(f"{key} ="))
            said = value if value.isdigit() else f'"{value}"'
            text = text.replace(before, f"{key} = {said}")
        if name == "small-metal":
            text = text.replace("places =", "bare_metal = true\nplaces =")
        (studio / f"surfaces/{name}.toml").write_text(text)
        product = products.replace("small-rag", name)
        if name == "small-canvas":
            product = product.replace("sizes = []", 'sizes = ["8x10in"]')
        lab += f"\n[[products]]{product}"
        (studio / "hot" / name).mkdir()
    (studio / "labs/brindlewick.toml").write_text(lab)
    return studio


def photograph(folder: Path) -> Path:
    """A rocket before dawn (public domain, in the scikit-image wheel): dark, its lights crisp."""
    file = folder / "rocket.tif"
    tifffile.imwrite(
        file, skimage.data.rocket()[:426, :639], photometric="rgb",
        iccprofile=build_matrix_profile("srgb"),
    )  # fmt: skip
    return file


def test_every_surface_is_ranked_and_drawn(four: Path, tmp_path: Path) -> None:
    """A dark photograph: gloss first, what is not sold last; nothing is written but the drawing."""
    file, drawing = photograph(tmp_path), tmp_path / "rocket-proofs.png"
    before = sorted(four.rglob("*"))
    code, text = ask(
        four, "examine", str(file), "--all-surfaces", "--size", "2x3in", "--json",
        "--proofs", str(drawing),
    )  # fmt: skip
    assert code == 0, text
    assert sorted(four.rglob("*")) == before
    told = json.loads(text)
    # It is asked for as the picture stands.
    assert (told["size"], told["size_chosen"]) == ("3x2in", False)
    surfaces = told["surfaces"]
    assert surfaces[0]["surface"] == "small-gloss"
    assert surfaces[-1]["surface"] == "small-canvas"
    assert [each["held"] for each in surfaces] == [False, False, False, True]
    assert any(each["code"] == "size-not-sold" for each in surfaces[-1]["findings"])
    free = [each["score"] for each in surfaces[:-1]]
    assert free == sorted(free, reverse=True)
    by_id = {each["surface"]: each for each in surfaces}
    assert float(by_id["small-rag"]["measures"]["shadow_percent"]) > float(
        by_id["small-gloss"]["measures"]["shadow_percent"]
    )
    assert all(each["reasons"]["for"] or each["reasons"]["against"] for each in surfaces)
    with Image.open(drawing) as sheet:
        assert sheet.mode == "RGB"
        assert sheet.width <= 3000
        pixels = np.asarray(sheet)
        # Mid grey all around, and more than grey within.
        assert (pixels[0] == pixels[0, 0]).all()
        assert np.ptp(pixels.astype(int), axis=2).max() > 60
    code, text = ask(four, "examine", str(file), "--all-surfaces", "--size", "2x3in",
                     "--proofs", str(drawing))  # fmt: skip
    assert code == 2
    assert "already there" in text


def test_wrong_usage(studio: Path, tmp_path: Path) -> None:
    """Each wrong combination is one sentence, and what to say instead."""
    file = photograph(tmp_path)
    for words, said in (
        ((), "Name a FILE"),
        ((str(file),), "--all-surfaces"),
        ((str(file), "--surface", "small-rag", "--all-surfaces"), "One surface, or all?"),
        ((str(file), "--surface", "small-rag", "--proofs", "a.png"), "Add --all-surfaces"),
        ((str(file), "--all-surfaces", "--proofs", "a.jpg"), "ends in .png"),
        ((str(file), "--all-surfaces", "--proofs", "no/where/a.png"), "no folder"),
        ((str(file), "--tune"), "not at a file"),
        (("--tune", "--surface", "nowhere"), "There are: small-rag"),
        ((str(file), "--all-surfaces", "--size", "2x3"), "no unit"),
    ):
        done = CliRunner().invoke(main, ["--studio", str(studio), "examine", *words])
        assert done.exit_code == 2, (words, done.output)
        assert said in done.output, (words, done.output)
    done = CliRunner().invoke(main, ["--studio", str(studio), "examine", "--tune"])
    assert done.exit_code == 0
    assert "nothing to learn" in done.output


@pytest.mark.long
def test_what_was_accepted_is_learnt(studio: Path) -> None:
    """Nine prints with too few pixels, accepted by the photographer and sent: a number is proposed.

    All by the real commands: dropped, held, decided, swept, asked.
    """
    surface = studio / "surfaces/small-rag.toml"
    surface.write_text(surface.read_text().replace("stop = 10", "stop = 110").replace(
        "caution = 20", "caution = 120"))  # fmt: skip
    srgb = build_matrix_profile("srgb")
    for old in (studio / "hot/small-rag/2x3in").iterdir():
        old.unlink()
    for number in range(9):
        pixels = np.asarray(Image.fromarray(skimage.data.rocket()[:420, :280]).resize(
            (180 + 2 * number, 270 + 3 * number)))  # fmt: skip
        tifffile.imwrite(studio / f"hot/small-rag/2x3in/few-{number}.tif", pixels,
                         photometric="rgb", iccprofile=srgb)  # fmt: skip
    assert ask(studio, "sweep")[0] == 3
    code, text = ask(studio, "decide", "1-9", "--accept", "size-too-few-pixels", "--by", "Mira",
                     "--because", "seen from afar")  # fmt: skip
    assert code == 0, text
    assert ask(studio, "sweep")[0] == 0
    code, text = ask(studio, "examine", "--tune", "--json", "--surface", "small-rag")
    assert code == 0, text
    (told,) = [each for each in json.loads(text)["thresholds"] if each["severity"] == "stop"]
    assert (told["fired"], told["let_through"], told["answered"]) == (9, 9, 0)
    assert told["line"] == "surfaces/small-rag.toml, [ppi]: stop = 85"  # 90 × .95 = 85.5
    code, text = ask(studio, "examine", "--tune")
    assert "9 let through (ppi 90 to 98)" in text
    assert "stop = 85" in text
