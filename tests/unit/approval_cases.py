"""What trips the checks of tests and of finals that are held against one, and its near miss."""

from dataclasses import replace
from datetime import date
from typing import Any

from given import CANVAS, asked, canvas_product, facts, known
from settled_cases import CURVE

from platemark.model.approval import Approval
from platemark.model.as_approved import as_printed
from platemark.model.units import parse_full_size

_PRINTED = as_printed(known())
assert _PRINTED is not None
APPROVED: dict[str, Any] = {
    "original_sha256": "ab" * 32,
    "approval": Approval(12, "Mira", date(2026, 5, 3), "ab" * 32, True, _PRINTED),
}
ON_CANVAS: dict[str, Any] = {
    "surface": CANVAS,
    "folder_surface": "canvas-wrap",
    "resolved": asked(size="16x20in", purpose="test"),
}
ONE_SIZE = canvas_product(sizes=(parse_full_size("16x20in"),))
TWO_SIZES = canvas_product(sizes=tuple(map(parse_full_size, ("16x20in", "12x16in"))))
GREY = facts(mode="grey", channels=1)

APPROVAL_STOPS: list[tuple[str, dict[str, Any], dict[str, Any]]] = [
    ("approved-differs", {**APPROVED, "settled": CURVE}, APPROVED),
    (
        "approved-differs",
        {**APPROVED, "original_sha256": "cd" * 32},
        # Another size is what a test is for.
        {**APPROVED, "resolved": asked(size="8x10in")},
    ),
    (
        "approved-differs",
        {**APPROVED, "profile": replace(known().profile, sha256="ef" * 32)},
        {"original_sha256": "cd" * 32},
    ),
    (
        "test-not-possible",
        {**ON_CANVAS, "product": ONE_SIZE},
        {**ON_CANVAS, "product": TWO_SIZES},
    ),
    (
        "test-not-possible",
        {"facts": GREY, "resolved": asked(size="16x20in", purpose="test", steps="chroma")},
        {"facts": GREY, "resolved": asked(size="16x20in", purpose="test", steps="shadows")},
    ),
]
