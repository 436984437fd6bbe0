"""What a panel weighs and what is said of it, on every surface of the starter studio."""

from dataclasses import replace
from decimal import Decimal
from pathlib import Path

import pytest
from given import LUSTRE, PAPER, asked, product

from platemark.engine.ticketing import cautions, weigh
from platemark.model.geometry import lay_out
from platemark.model.planning import drawing_lines, slug_words
from platemark.model.surface import Layer, Surface
from platemark.model.terms import Box
from platemark.settings.load import load_settings

SETTINGS = load_settings(Path(__file__).parents[2] / "config")


def surface(name: str) -> Surface:
    """A surface of the starter studio."""
    found = SETTINGS.surface(name)
    assert found is not None
    return found


@pytest.mark.parametrize(
    ("layers", "size", "kilograms", "two_people"),
    [
        # Mass = area × thickness × density, reckoned by hand from the densities of common tables
        # (from memory: PMMA 1190, aluminium 2700, expanded PVC 550 kg/m3; composite 3.8 kg/m2).
        ((("PMMA", 6, 1190),), "609.6x914.4mm", "4", False),  # 3.980
        ((("PMMA", 6, 1190), ("composite", 3, 1267)), "24x36in", "6.1", False),  # 6.10
        ((("PVC", 10, 550),), "24x36in", "3.1", False),  # 3.07
        ((("aluminium", 3, 2700),), "24x36in", "4.5", False),  # 4.52
        ((("PMMA", 6, 1190),), "40x60in", "11.1", True),  # 11.06, and 1.524 m
        ((("PVC", 10, 550),), "20x48in", "3.4", True),  # light, but 1.219 m
        ((("PVC", 10, 550),), "500x1200mm", "3.3", False),  # 1.2 m is not longer than 1.2 m
        ((("PMMA", 10, 1000),), "1000x1000mm", "10", False),  # 10 kg is not over 10 kg
        ((("PMMA", 10, 1001),), "1000x1000mm", "10", True),  # 10.01 is
        ((("PMMA", 6, 1190),), "60x40mm", "0.02", False),  # a sample weighs something too
    ],
)
def test_weight(
    layers: tuple[tuple[str, int, int], ...], size: str, kilograms: str, two_people: bool
) -> None:
    """Over 10 kg, or a side over 1.2 m: two people (common practice)."""
    made = replace(PAPER, layers=tuple(Layer(m, Decimal(t), d) for m, t, d in layers))
    weight = weigh(made, size)
    assert weight is not None
    assert (weight.kilograms, weight.two_people) == (kilograms, two_people)


@pytest.mark.parametrize(
    ("name", "kilograms"),
    [
        ("acrylic-bonded", "6.1"), ("acrylic-reverse", "4"), ("aluminium-matte", "2.1"),
        ("aluminium-bare", "2.1"), ("pvc-board", "3.1"), ("canvas-wrap", "3.8"),
    ],
)  # fmt: skip
def test_every_panel_of_the_starter(name: str, kilograms: str) -> None:
    """24 × 36 in of each; and at 40 × 60 in all of them are for two people."""
    made = surface(name)
    weight, large = weigh(made, "24x36in"), weigh(made, "40x60in")
    assert weight is not None
    assert large is not None
    assert (weight.kilograms, weight.two_people, large.two_people) == (kilograms, False, True)
    assert made.caution.strip() == cautions(made)[0]
    for words in ("rated by its maker", "licensed installer", "local codes"):
        assert words in " ".join(cautions(made))


@pytest.mark.parametrize("name", ["smooth-rag", "etching-rag", "baryta", "rc-lustre"])
def test_paper_is_not_weighed(name: str) -> None:
    """What cannot fall on anybody has neither weight nor caution."""
    assert weigh(surface(name), "40x60in") is None
    assert cautions(surface(name)) == ()


@pytest.mark.parametrize(
    ("values", "made", "kinds"),
    [
        ({"size": "16x20in"}, LUSTRE, ["bleed", "trim", "safe"]),
        ({"size": "16x20in", "border": "1in"}, PAPER, ["sheet", "safe"]),
        ({"size": "16x20in"}, PAPER, ["safe"]),
        ({"size": "16x20in"}, replace(LUSTRE, direction="along-width"),
         ["bleed", "trim", "safe", "brush"]),
    ],
)  # fmt: skip
def test_lines_of_a_drawing(values: dict[str, str], made: Surface, kinds: list[str]) -> None:
    """Outermost first: where the file ends, where it is cut, what stays inside, how lines run."""
    layout = lay_out(4800, 6000, asked(**values).request, made, product())
    lines = drawing_lines(layout, made.direction)
    assert [line.kind for line in lines] == kinds
    boxes = {line.kind: line.box for line in lines}
    assert boxes["safe"] == layout.safe
    if "bleed" in boxes:
        assert boxes["bleed"] == Box(0, 0, layout.width, layout.height)
        assert boxes["trim"] == layout.trim
    if "brush" in boxes:
        assert boxes["brush"].width > boxes["brush"].height
        lines = drawing_lines(layout, "along-height")
        assert lines[-1].box.height > lines[-1].box.width


def test_only_a_mirrored_product_has_a_line_of_text() -> None:
    """Its words come from the plan alone: who mirrors, the size, the original's hash."""
    sha256 = "3f9a1c22" * 8
    assert slug_words(product(), "24x36in", sha256) == ""
    by_lab = slug_words(product(mirror_by="lab"), "24x36in", sha256)
    assert by_lab == "READS RIGHT · MIRROR ONCE · 24x36in 3f9a1c22"
    by_studio = slug_words(product(mirror_by="studio"), "24x36in", sha256)
    assert by_studio == "MIRRORED ALREADY · NOT AGAIN · 24x36in 3f9a1c22"
