"""Patch strips on the page: the drawing is that of the record, and nothing else is served."""

import re
from pathlib import Path

from at_page import Shown


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
