"""Patch strips on the page: the drawing is that of the record, and nothing else is served."""

import re
from collections.abc import Callable
from pathlib import Path

from at_page import Shown
from at_work import ask_here
from recalled_studio import in_this_process

from platemark.app.open_studio import reading
from platemark.ledger.strips import Strips
from platemark.model.patch_strip import PATCHES


def test_strips_are_shown_with_their_drawing(page: Shown, full: Path) -> None:
    """The view has the product, its figures, and a picture that the record knows and is whole."""
    status, _, text = page.get("/strips")
    assert status == 200
    assert "Small rag" in text
    assert "within the limits" in text
    assert "no conformity" in text
    (sha256,) = set(re.findall(r"/chart/([0-9a-f]{64})\.png", text))
    status, headers, _ = page.get(f"/chart/{sha256}.png")
    assert (status, headers["content-type"]) == (200, "image/png")
    assert headers["content-security-policy"] == "sandbox; default-src 'none'"
    # Another file of the archive is not served under that address, nor one that was changed.
    with (full / "archive" / sha256[:2] / f"{sha256}.png").open("rb") as file:
        assert file.read(4) == b"\x89PNG"
    others = [path.stem for path in (full / "archive").rglob("*.jpg")]
    assert others
    for name in (
        f"{others[0]}.png",
        f"{sha256}.jpg",
        "..%2fledger.sqlite3",
        f"{sha256.upper()}.png",
    ):
        assert page.get(f"/chart/{name}")[0] == 404, name
    kept = full / "archive" / sha256[:2] / f"{sha256}.png"
    kept.chmod(0o644)
    kept.write_bytes(kept.read_bytes() + b"\n")
    assert page.get(f"/chart/{sha256}.png")[0] == 404


def test_an_open_drift_is_said(full: Path, show: Callable[..., Shown]) -> None:
    """What holds a surface's finals stands above its drawing, with the command that decides."""
    with reading(full) as reader:
        (row,) = Strips(reader).of_product("brindlewick", "small-rag")
        lab = [patch["lab"] for patch in reader.body(row.seq)["patches"]]
    rows = [
        f"{each.rgb[0]} {each.rgb[1]} {each.rgb[2]} "
        + " ".join(f"{float(value) + 4:.2f}" for value in lab[place])
        for place, each in enumerate({patch.rgb: patch for patch in PATCHES}.values())
    ]
    file = full.parent / "drifted.txt"
    file.write_text(
        "CGATS.17\nBEGIN_DATA_FORMAT\nRGB_R RGB_G RGB_B LAB_L LAB_A LAB_B\nEND_DATA_FORMAT\n"
        "BEGIN_DATA\n" + "\n".join(rows) + "\nEND_DATA\n"
    )
    with in_this_process():
        code, text = ask_here(
            full, "strip", "read", str(file), "--job", str(row.job), "--condition", "M1",
            "--by", "Asa", "--because", "the second one",
        )  # fmt: skip
    assert code == 3, text
    _, _, shown = show().get("/strips")
    assert "Finals are held." in shown
    assert "platemark strip settle --lab brindlewick --surface small-rag" in shown
    assert "nobody has decided yet" in shown
