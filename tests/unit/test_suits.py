"""What is said of a picture that does not suit its surface, and from where on."""

import tomllib
from dataclasses import fields, replace
from decimal import Decimal
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from given import PAPER, asked, known, product
from looked_at import SETTINGS, look, written
from numpy.typing import NDArray
from pydantic import ValidationError
from suits_cases import COLD, DARK, GLOSS, MATTE, METAL, SHARPENED, TONED, WOVEN, on

from platemark.checks import run_checks
from platemark.model.finding import Acceptance
from platemark.model.known import Known
from platemark.model.measures import Measures
from platemark.model.surface import Suits, usual_suits
from platemark.settings.surface_file import SurfaceFile

RNG = np.random.default_rng(3)
EVERY = {each.name for each in fields(Suits)}


def said(known: Known) -> list[str]:
    """Codes of all that is found."""
    return [each.code for each in run_checks(known)]


def sentence(code: str, changes: dict[str, Any]) -> str:
    """What a check says."""
    (found,) = (each for each in run_checks(known(**changes)) if each.code == code)
    return found.message


def test_an_ordinary_picture_suits_every_kind_of_surface() -> None:
    """Nothing is said of it, on anything."""
    for surface in (MATTE, GLOSS, METAL, WOVEN, COLD):
        assert said(known(**on(surface))) == []


def test_nothing_is_said_of_what_was_not_measured() -> None:
    """Without measures, or with every limit off, every one of these checks is silent."""
    worst = DARK | {"white_percent": "90.00", "shadow_percent": "90.00", "grain": "50.00",
                    "gamut_loss_percent": "90.00", "edge_lines": 30}  # fmt: skip
    assert said(known(**on(METAL, **worst)))
    assert said(known(**on(METAL, **worst) | {"measures": None})) == []
    off = replace(METAL, suits=Suits())
    assert said(known(**on(off, **worst))) == []


@pytest.mark.parametrize(
    ("code", "changes", "words"),
    [
        (
            "suit-bare-white",
            on(METAL, white_percent="23.41"),
            "23 % of heron.tif is white, and on Bare metal that stays metal: grey, shiny (about "
            "L* 97) and changing as you walk past.",
        ),
        (
            "suit-low-key",
            on(MATTE, **DARK, shadow_percent="41.20"),
            "heron.tif is mostly dark: half of it is no lighter than L* 30, and 41 % of it has "
            "detail darker than the deepest black of Smooth rag (L* 16).",
        ),
        (
            "suit-low-key",
            on(MATTE, **DARK, shadow_percent="0.20"),
            "heron.tif is mostly dark: half of it is no lighter than L* 30, and the deepest black "
            "of Smooth rag (L* 16) is not far below.",
        ),
        (
            "suit-dark-on-metal",
            on(METAL, lightness_median="6.20"),
            "Half of heron.tif is no lighter than L* 6, and Bare metal has no white to lift it: "
            "all its tones lie between about L* 16 and 97, so it will look murky.",
        ),
        (
            "suit-blown",
            on(MATTE, blown_patch_percent="27.00"),
            "One patch of pure white covers 27 % of heron.tif: no ink is printed there, and Smooth "
            "rag shows bare.",
        ),
        (
            "suit-skin",
            on(MATTE, skin_percent="31.00", skin_shift="3.44"),
            "31 % of heron.tif has colours like skin, and printing on Smooth rag moves them by 3.4 "
            "(ΔE00) on average.",
        ),
        (
            "suit-steps",
            on(MATTE, empty_levels_percent="12.40", plateau_percent="3.14"),
            "Smooth areas of heron.tif may show steps: 12 % of the levels of one channel are "
            "missing and 3.1 % of it lies in plain bands.",
        ),
        (
            "suit-tone",
            on(COLD, **TONED),
            "heron.tif is toned warm, and the white of Lustre is cold (b* -5): the tone will look "
            "cooler than on your display.",
        ),
    ],
)
def test_sentences_have_the_numbers(code: str, changes: dict[str, Any], words: str) -> None:
    """In the photographer's words, rounded."""
    assert sentence(code, changes) == words


def test_colour_speaks_of_what_it_knows() -> None:
    """Of the surface where we have its profile; of the lab's own space where the lab converts."""
    lost = {"gamut_loss_percent": "12.00", "chroma_p99": "99.00"}
    assert "that Smooth rag cannot print" in sentence("suit-colour", on(MATTE, **lost))
    by_lab = on(MATTE, **lost) | {"product": product(profile=None, working_spaces=("srgb",))}
    assert "colour space does not have" in sentence("suit-colour", by_lab)


def test_grain_is_not_to_be_sharpened() -> None:
    """Where sharpening is asked for a grainy picture, that is said."""
    asks = {"resolved": asked(size="16x20in", sharpen="surface")}
    assert "the more as" in sentence("suit-grain", on(SHARPENED, grain="6.00") | asks)


def test_white_on_bare_metal_is_the_photographers_to_accept() -> None:
    """The stop is bound to the rounded share that was seen; a larger one is asked again."""
    (stop,) = run_checks(known(**on(METAL, white_percent="23.41")))
    assert (stop.severity, stop.accept, stop.figures) == (
        "stop",
        "photographer",
        (("white", "23 %"),),
    )
    yes = Acceptance(stop.code, stop.figures, "Mira", "metal is meant")
    (same,) = run_checks(known(**on(METAL, white_percent="22.80")))
    (more,) = run_checks(known(**on(METAL, white_percent="31.00")))
    assert yes.covers(same)
    assert not yes.covers(more)


def test_a_caution_that_is_off_leaves_the_stop() -> None:
    """`white_percent = "off"` and no more than a number for the stop."""
    metal = replace(METAL, suits=replace(METAL.suits, white_percent=None))
    assert said(known(**on(metal, white_percent="10.00"))) == []
    assert said(known(**on(metal, white_percent="20.00"))) == ["suit-bare-white"]


def test_what_is_usual_depends_on_the_kind_of_surface() -> None:
    """Matte asks for depth, gloss for bite, weave for coarser detail, metal for no white."""
    matte, gloss = (usual_suits(each, "smooth", bare_metal=False) for each in ("matte", "gloss"))
    assert (matte.flat_l, gloss.flat_l) == (35, None)
    assert (matte.soft_gradient, gloss.soft_gradient) == (None, 4)
    assert gloss.grain == 2
    weave = usual_suits("matte", "weave", bare_metal=False)
    assert (weave.fine_detail_percent, matte.fine_detail_percent) == (8, None)
    metal = usual_suits("metallic", "brushed", bare_metal=True)
    assert (metal.white_stop_percent, metal.blown_patch_percent) == (15, None)


def test_the_starter_differs_where_the_trade_does() -> None:
    """Ten surfaces, each with limits of its own; every limit is in use somewhere."""
    by_id = {surface.id: surface.suits for surface in SETTINGS.surfaces}
    used = {name for suits in by_id.values() for name in EVERY if getattr(suits, name) is not None}
    assert used == EVERY
    assert by_id["aluminium-bare"].white_stop_percent == Decimal(15)
    assert by_id["canvas-wrap"].shadow_percent == Decimal(20)
    assert by_id["rc-lustre"].soft_gradient is None
    assert by_id["baryta"].low_key_median_l is None
    assert PAPER.suits == Suits()


# --- End to end: pictures that are hardly any -----------------------------------------------


def plain(*colour: int) -> NDArray[np.uint16]:
    """One colour all over."""
    return np.full((300, 400, 3), colour, np.uint16)


def stripes() -> NDArray[np.uint16]:
    """Black and white lines of one pixel."""
    row = np.tile(np.array([0, 65535], np.uint16), 200)
    return np.broadcast_to(row[np.newaxis, :, np.newaxis], (300, 400, 3)).copy()


EDGES = RNG.choice(np.array([0, 65535], np.uint16), (30, 40, 3)).repeat(10, 0).repeat(10, 1)

DEGENERATE: list[tuple[str, NDArray[np.uint16], str, str, set[str]]] = [
    ("black", plain(0, 0, 0), "srgb", "smooth-rag", {"picture-plain"}),
    ("black", plain(0, 0, 0), "srgb", "aluminium-bare", {"picture-plain"}),
    ("white", plain(65535, 65535, 65535), "srgb", "smooth-rag", {"picture-plain"}),
    (
        "white",
        plain(65535, 65535, 65535),
        "srgb",
        "aluminium-bare",
        {"picture-plain", "suit-bare-white"},
    ),
    ("grey", plain(30000, 30000, 30000), "srgb", "smooth-rag", {"picture-plain"}),
    (
        "a green that no print has",
        plain(0, 65535, 0),
        "romm",
        "smooth-rag",
        {"picture-plain", "suit-colour"},
    ),
    (
        # Half of it is black, half is white.
        "lines",
        stripes(),
        "srgb",
        "aluminium-bare",
        {"suit-bare-white", "suit-dark-on-metal", "suit-fine-detail"},
    ),
    ("lines", stripes(), "srgb", "acrylic-bonded", {"suit-shadows"}),
    ("extremes", EDGES, "romm", "smooth-rag", {"suit-colour", "colour-intents-differ"}),
    ("extremes", EDGES, "romm", "rc-lustre", {"suit-colour"}),
]


@pytest.mark.parametrize(
    ("pixels", "space", "surface", "codes"),
    [each[1:] for each in DEGENERATE],
    ids=[f"{each[0]} on {each[3]}" for each in DEGENERATE],
)
def test_pictures_that_are_hardly_any(
    pixels: NDArray[np.uint16], space: str, surface: str, codes: set[str], tmp_path: Path
) -> None:
    """Every figure is a finite number, and what is said makes sense and is said once."""
    seen = look(written(tmp_path, pixels, space), surface)
    for field in fields(Measures):
        value = getattr(seen.measures, field.name)
        if isinstance(value, str) and field.name != "tone":
            assert Decimal(value).is_finite(), field.name
    found = {each.code for each in seen.findings} - {"size-not-sold"}
    assert found == codes


# --- The section in a surface's file ----------------------------------------------------------


def rag(**suits: object) -> Suits:
    """What smooth rag's file comes to with this section."""
    text = (Path(__file__).parents[2] / "config/surfaces/smooth-rag.toml").read_text("utf-8")
    values = tomllib.loads(text, parse_float=Decimal) | {"suits": suits}
    return SurfaceFile.model_validate(values).surface("smooth-rag").suits


def test_a_file_without_the_section_is_as_usual() -> None:
    """Surface files of before say nothing of it, and stay valid."""
    usual = usual_suits("matte", "smooth", bare_metal=False)
    assert rag() == usual
    assert rag(flat_l=28) == replace(usual, flat_l=Decimal(28))
    assert rag(flat_l="off", chroma=Decimal("72.5")) == replace(
        usual, flat_l=None, chroma=Decimal("72.5")
    )


@pytest.mark.parametrize(
    ("suits", "words"),
    [
        ({"flat_l": "never"}, "neither a number nor “off”"),
        ({"flat_l": True}, "neither a number nor “off”"),
        ({"flat_l": [1]}, "neither a number nor “off”"),
        ({"white_percent": 101}, "not from 0 to 100"),
        ({"mirrored_lines": 0}, "not from 1 to 1000"),
        ({"white_percent": 20, "white_stop_percent": 15}, "nothing would ever be cautioned"),
        ({"flat": 30}, "Extra inputs"),
    ],
)
def test_mistakes_in_the_section_are_told(suits: dict[str, object], words: str) -> None:
    """A word, a switch, a number out of range, two that contradict each other, an unknown key."""
    with pytest.raises(ValidationError, match=words):
        rag(**suits)
