"""Measures that trip the checks of suitability, each with the nearest that does not."""

from dataclasses import replace
from typing import Any

from given import CANVAS, LUSTRE, PAPER, asked, canvas_product, facts, product
from given import SHARPENED as SHARPENING

from platemark.model.measures import Measures
from platemark.model.surface import Surface, usual_suits

ORDINARY = Measures(
    lightness_p5="8.00",
    lightness_median="50.00",
    lightness_p95="88.00",
    shadow_percent="3.00",
    white_percent="0.50",
    blown_patch_percent="0.10",
    white_edge_percent="0.20",
    chroma_p99="45.00",
    gamut_loss_percent="0.40",
    skin_percent="1.00",
    skin_shift="1.20",
    tone="coloured",
    hue_spread="40.00",
    converted_chroma="18.00",
    converted_hue_shift="1.00",
    gradient_p99="15.00",
    fine_detail_percent="1.00",
    grain="0.40",
    halo="2.00",
    empty_levels_percent="0.00",
    plateau_percent="0.00",
    busy_edge="1.00",
    edge_lines=0,
    hue="60.00",
)
"""What most photographs have, near enough."""


def usual(surface: Surface, **changes: Any) -> Surface:
    """A surface with the limits that are usual for its kind."""
    changed = replace(surface, **changes)
    kind = usual_suits(changed.gloss, changed.texture, bare_metal=changed.bare_metal)
    return replace(changed, suits=kind)


MATTE = usual(PAPER)
GLOSS = usual(PAPER, name="Baryta", gloss="gloss")
METAL = usual(PAPER, name="Bare metal", gloss="metallic", texture="brushed", bare_metal=True)
WOVEN = usual(CANVAS, texture="weave")
COLD = usual(LUSTRE, white_b=-5)
SHARPENED = usual(SHARPENING)
BY_THE_LAB = product(profile=None, working_spaces=("adobe-rgb",))


def on(surface: Surface, **measures: Any) -> dict[str, Any]:
    """An ordinary picture on a surface, measured, but for what is said."""
    wrapped = {"product": canvas_product()} if surface.edge == "wrap" else {}
    return {"surface": surface, "measures": replace(ORDINARY, **measures), **wrapped}


DARK = {"lightness_median": "29.90", "lightness_p95": "59.90"}
NEUTRAL = {"tone": "neutral", "chroma_p99": "0.10", "hue": None}
TONED = {"tone": "toned", "chroma_p99": "9.00", "hue_spread": "5.00"}
GREY = facts(uniform=True)

# Code, what brings a caution, and what is nearest to that without a word.
SUIT_CASES: list[tuple[str, dict[str, Any], dict[str, Any]]] = [
    ("suit-low-key", on(MATTE, **DARK), on(MATTE, **DARK | {"lightness_p95": "60.00"})),
    ("suit-low-key", on(MATTE, **DARK), on(MATTE, **DARK | {"lightness_median": "30.00"})),
    ("suit-low-key", on(MATTE, **DARK), on(GLOSS, **DARK)),
    ("suit-low-key", on(MATTE, **DARK), {**on(MATTE, **DARK), "facts": GREY}),
    (
        "suit-flat",
        on(MATTE, lightness_p5="40.10", lightness_p95="75.00"),
        on(MATTE, lightness_p5="40.00", lightness_p95="75.00"),
    ),
    ("suit-flat", on(MATTE, lightness_p5="60.00"), on(GLOSS, lightness_p5="60.00")),
    (
        # Few lights in the dark are no soft contrast: the low key is told instead.
        "suit-flat",
        on(MATTE, lightness_p5="60.00"),
        on(MATTE, **DARK | {"lightness_p5": "30.00"}),
    ),
    ("suit-shadows", on(MATTE, shadow_percent="15.01"), on(MATTE, shadow_percent="15.00")),
    ("suit-shadows", on(GLOSS, shadow_percent="25.01"), on(GLOSS, shadow_percent="25.00")),
    ("suit-shadows", on(MATTE, shadow_percent="40.00"), on(MATTE, shadow_percent="40.00", **DARK)),
    (
        "suit-shadows",
        on(METAL, shadow_percent="40.00"),
        on(METAL, shadow_percent="40.00", lightness_median="34.00"),
    ),
    ("suit-bare-white", on(METAL, white_percent="3.01"), on(METAL, white_percent="3.00")),
    ("suit-bare-white", on(METAL, white_percent="15.00"), on(MATTE, white_percent="15.00")),
    (
        "suit-blown",
        on(MATTE, blown_patch_percent="2.01"),
        on(MATTE, blown_patch_percent="2.00"),
    ),
    ("suit-blown", on(GLOSS, blown_patch_percent="9.00"), on(METAL, blown_patch_percent="9.00")),
    (
        "suit-white-edge",
        on(MATTE, white_edge_percent="25.01"),
        on(MATTE, white_edge_percent="25.00"),
    ),
    (
        "suit-white-edge",
        on(MATTE, white_edge_percent="90.00"),
        {
            **on(MATTE, white_edge_percent="90.00"),
            "resolved": asked(size="16x20in", border="1in"),
        },
    ),
    (
        # A band of white is told as such already.
        "suit-white-edge",
        on(MATTE, white_edge_percent="90.00"),
        {**on(MATTE, white_edge_percent="90.00"), "facts": facts(solid_border="left 7 %")},
    ),
    (
        "suit-white-edge",
        on(MATTE, white_edge_percent="90.00"),
        on(WOVEN, white_edge_percent="90.00"),
    ),
    (
        "suit-dark-on-metal",
        on(METAL, lightness_median="34.99"),
        on(METAL, lightness_median="35.00"),
    ),
    (
        "suit-dark-on-metal",
        on(METAL, lightness_median="20.00"),
        on(GLOSS, lightness_median="20.00"),
    ),
    (
        "suit-colour",
        on(MATTE, gamut_loss_percent="10.01"),
        on(MATTE, gamut_loss_percent="10.00", chroma_p99="99.00"),
    ),
    ("suit-colour", on(GLOSS, gamut_loss_percent="5.01"), on(GLOSS, gamut_loss_percent="5.00")),
    (
        "suit-colour",
        {**on(MATTE, chroma_p99="80.01"), "product": BY_THE_LAB},
        {**on(MATTE, chroma_p99="80.00"), "product": BY_THE_LAB},
    ),
    ("suit-soft", on(GLOSS, gradient_p99="3.99"), on(GLOSS, gradient_p99="4.00")),
    ("suit-soft", on(GLOSS, gradient_p99="1.00"), on(MATTE, gradient_p99="1.00")),
    (
        "suit-fine-detail",
        on(WOVEN, fine_detail_percent="8.01"),
        on(WOVEN, fine_detail_percent="8.00"),
    ),
    (
        "suit-fine-detail",
        on(METAL, fine_detail_percent="30.00"),
        on(GLOSS, fine_detail_percent="30.00"),
    ),
    ("suit-grain", on(GLOSS, grain="2.01"), on(GLOSS, grain="2.00")),
    ("suit-grain", on(MATTE, grain="4.01"), on(MATTE, grain=None)),
    ("suit-grain", on(MATTE, grain="19.00"), on(MATTE, grain="74.00")),
    (
        "suit-skin",
        on(MATTE, skin_percent="5.01", skin_shift="3.01"),
        on(MATTE, skin_percent="5.01", skin_shift="3.00"),
    ),
    (
        "suit-skin",
        on(MATTE, skin_percent="5.01", skin_shift="3.01"),
        on(MATTE, skin_percent="5.00", skin_shift="3.01"),
    ),
    ("suit-skin", on(METAL, skin_percent="15.01"), on(METAL, skin_percent="15.00")),
    (
        # Sepia is of that hue all over.
        "suit-skin",
        on(METAL, skin_percent="60.00"),
        on(METAL, skin_percent="60.00", **TONED),
    ),
    (
        "suit-neutral",
        on(MATTE, converted_chroma="2.01", **NEUTRAL),
        on(MATTE, converted_chroma="2.00", **NEUTRAL),
    ),
    (
        "suit-tone",
        on(MATTE, converted_hue_shift="10.01", **TONED),
        on(MATTE, converted_hue_shift="10.00", **TONED),
    ),
    ("suit-tone", on(COLD, **TONED), on(COLD, **TONED | {"hue": "300.00"})),
    ("suit-tone", on(COLD, **TONED), on(MATTE, **TONED)),
    ("suit-tone", on(COLD, **TONED), on(COLD)),
    (
        "suit-steps",
        on(MATTE, empty_levels_percent="10.01"),
        on(MATTE, empty_levels_percent="10.00"),
    ),
    (
        # A drawing of a few tones has no gradation that could break.
        "suit-steps",
        on(MATTE, empty_levels_percent="89.00"),
        on(MATTE, empty_levels_percent="98.00"),
    ),
    ("suit-steps", on(MATTE, plateau_percent="1.01"), on(MATTE, plateau_percent="1.00")),
    ("suit-busy-wrap", on(WOVEN, busy_edge="1.51"), on(WOVEN, busy_edge="1.50")),
    (
        "suit-busy-wrap",
        on(WOVEN, busy_edge="3.00"),
        {
            **on(WOVEN, busy_edge="3.00"),
            "resolved": asked(size="16x20in", edge="solid #000000"),
        },
    ),
    ("suit-mirrored-lines", on(WOVEN, edge_lines=4), on(WOVEN, edge_lines=3)),
    (
        "suit-mirrored-lines",
        on(WOVEN, edge_lines=9),
        {**on(WOVEN, edge_lines=9), "resolved": asked(size="16x20in", edge="extend")},
    ),
    (
        "suit-sharpened",
        {**on(SHARPENED, halo="10.01"), "resolved": asked(size="16x20in", sharpen="surface")},
        {**on(SHARPENED, halo="10.00"), "resolved": asked(size="16x20in", sharpen="surface")},
    ),
    (
        "suit-sharpened",
        {**on(SHARPENED, halo="30.00"), "resolved": asked(size="16x20in", sharpen="surface")},
        on(SHARPENED, halo="30.00"),
    ),
    (
        # Opposite a window what shines is hard to see; a matte paper that fades there is held.
        "place-not-suited",
        {**on(GLOSS), "resolved": asked(size="16x20in", place="bright")},
        {**on(GLOSS), "resolved": asked(size="16x20in", place="indoor")},
    ),
]

SUIT_STOPS: list[tuple[str, dict[str, Any], dict[str, Any]]] = [
    ("suit-bare-white", on(METAL, white_percent="15.01"), on(METAL, white_percent="15.00")),
    (
        "place-not-suited",
        {**on(MATTE), "resolved": asked(size="16x20in", place="outdoor")},
        {**on(GLOSS), "resolved": asked(size="16x20in", place="bright")},
    ),
]
