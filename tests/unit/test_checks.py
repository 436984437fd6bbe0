"""Every check has a picture that trips it and a near miss that it lets pass."""

import ast
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from approval_cases import APPROVAL_STOPS
from edition_cases import EDITION_CASES, EDITION_OTHER
from given import (
    CANVAS,
    FIXED_300,
    LUSTRE,
    PAPER,
    SHARPENED,
    asked,
    canvas_product,
    facts,
    known,
    product,
    profile_facts,
)
from reprint_cases import REPRINT_STOPS
from settled_cases import SETTLED_CASES, SETTLED_STOPS
from suits_cases import SUIT_CASES, SUIT_STOPS

from platemark.checks import all_checks, run_checks
from platemark.engine import knowing
from platemark.engine.knowing import accepted
from platemark.engine.ticketing import _findings
from platemark.model.asking import caution
from platemark.model.finding import ENGINE_CODES, Acceptance
from platemark.model.known import Other, Panel, ProfileStanding, Restored, StandingSet
from platemark.model.picture import Facts, ProfileFacts
from platemark.model.plain import to_plain
from platemark.model.request import with_answers
from platemark.model.strip_report import Drift
from platemark.model.units import Length, parse_full_size
from platemark.settings.load import load_settings

TODAY = date(2026, 5, 1)
GOOD = ProfileStanding("good", "rag.icc", "cd" * 32, "cd" * 32, "Rag", admitted_on=TODAY)
SAME = Other(1, "rendered", None, None, same_bytes=True, same_name=True, same_request=True)
NAMED = replace(SAME, same_bytes=False, same_request=False)
NO_LAB = {"lab": None, "product": None, "labs_offering": ("brindlewick", "tarnmoor")}
EXACT = {"product": product(ppi=FIXED_300)}
CANVASED = {"surface": CANVAS, "product": canvas_product(), "folder_surface": "canvas-wrap"}
BLED = {"surface": LUSTRE, "folder_surface": "rc-lustre", "product": product(ppi=FIXED_300)}
BRUSHED = {"surface": replace(PAPER, direction="along-width")}
JPEG = {"format": "jpeg", "profile": None, "exif_colour": "srgb"}
FINE_JPEG = {"format": "jpeg", "compression": "jpeg", "jpeg_quality": 95}
GREY_PRINT = profile_facts(device_class="prtr", colour_space="GRAY", working_space=None)


def lab(**changes: Any) -> Facts:
    """A Lab picture, which needs no profile."""
    return facts(**{"mode": "lab", "bits": 16, "lab_encoding": "cie", "profile": None, **changes})


def named(space: str | None, **changes: Any) -> ProfileFacts:
    """A space that a PNG names without a profile."""
    return profile_facts(
        **{"sha256": "", "bytes": 0, "colour_space": "", "version": "", "working_space": space}
        | changes
    )


def space_of(space: str | None, **changes: Any) -> Facts:
    """A picture with a profile of that space, or of one that is not known."""
    return facts(profile=profile_facts(working_space=space, description=space or "Own"), **changes)


def one_of_a_set(*, of: int | None = 2, **changes: Any) -> StandingSet:
    """A set of two pictures that agree, the second of them changed."""
    own = Panel(1, "heron.tif", held=False, traits=(("intent", "relative"),))
    return StandingSet("reeds", of, own, (replace(own, job=2, name="reed.tif", **changes),))


def size(text: str, **more: str) -> dict[str, Any]:
    """A request for a size."""
    return {"resolved": asked(size=text, **more)}


# Code, what trips it, and what is nearest to that without tripping it.
CASES: list[tuple[str, dict[str, Any], dict[str, Any]]] = [
    ("strip-room", size("1x1.25in", strip="patches"), size("12x16in", strip="patches")),
    (
        "strip-drift",
        {
            "drift": Drift(40, 7, TODAY, "paper 3.4 ΔE00 (limit 3.0)", "reference"),
            **size("12x16in"),
        },
        {
            "drift": Drift(40, 7, TODAY, "paper 3.4 ΔE00 (limit 3.0)", "reference"),
            **size("12x16in", purpose="test"),
        },
    ),
    ("record-restored", {"restored": Restored(9, TODAY)}, {"restored": None}),
    (
        "border-bare-metal",
        {"surface": replace(PAPER, bare_metal=True), **size("12x16in", border="1in")},
        {"surface": replace(PAPER, bare_metal=True), **size("12x16in")},
    ),
    ("colour-cmyk", {"facts": facts(mode="cmyk", channels=4, profile=None)}, {}),
    ("colour-mode", {"facts": facts(mode="other")}, {"facts": facts()}),
    (
        "colour-mode",
        {"facts": facts(mode="ycbcr", compression="lzw")},
        {"facts": facts(mode="ycbcr", compression="jpeg")},
    ),
    ("colour-mode", {"facts": lab(bits=8)}, {"facts": lab(bits=16)}),
    ("colour-mode", {"facts": lab(bits=8)}, {"facts": lab(bits=8, lab_encoding="icc")}),
    (
        "colour-hdr",
        {"facts": facts(dynamic_range="high", profile=named(None, description="PQ"))},
        {"facts": facts(profile=named("display-p3"))},
    ),
    (
        "colour-monitor-profile",
        {"facts": facts(profile=profile_facts(monitor_calibration=True, working_space=None))},
        {"facts": facts(profile=profile_facts(monitor_calibration=True))},
    ),
    (
        "colour-profile-class",
        {"facts": facts(profile=profile_facts(device_class="prtr"))},
        {"facts": facts(profile=profile_facts(device_class="scnr"))},
    ),
    (
        "colour-profile-class",
        {"facts": facts(profile=profile_facts(version="5.0"))},
        {"facts": facts(profile=profile_facts(version="4.4"))},
    ),
    (
        "colour-profile-class",
        {"facts": facts(profile=profile_facts(version="5.0"))},
        {"facts": facts(profile=named("srgb"))},
    ),
    (
        "colour-profile-damaged",
        {"facts": facts(profile=profile_facts(damage="it ends early"))},
        {"facts": facts(profile=profile_facts(description=""))},
    ),
    (
        "colour-profile-damaged",
        {"facts": facts(profile=profile_facts(colour_space="GRAY"))},
        {"facts": facts(mode="grey", channels=1, profile=profile_facts(colour_space="GRAY"))},
    ),
    (
        "colour-profile-damaged",
        {"facts": lab(profile=profile_facts())},
        {"facts": lab(profile=None)},
    ),
    ("colour-untagged", {"facts": facts(profile=None)}, {"facts": facts()}),
    ("colour-untagged", {"facts": facts(profile=None)}, {"facts": facts(profile=named("srgb"))}),
    (
        "colour-untagged",
        {"facts": facts(format="png", profile=None, colour_code="9/1/0/1")},
        {"facts": facts(format="png", colour_code="9/1/0/1")},
    ),
    ("colour-untagged", {"facts": facts(profile=None)}, {"facts": lab(profile=None)}),
    ("colour-untagged", {"facts": facts(profile=None)}, {"facts": facts(mode="other")}),
    (
        "colour-untagged",
        {"facts": facts(mode="grey", channels=1, profile=None)},
        {"facts": facts(mode="grey", channels=1, profile=GREY_PRINT)},
    ),
    (
        # A camera's sRGB passes with a caution where the studio's policy lets it.
        "colour-untagged",
        {"facts": facts(**JPEG, camera=False), "untagged": "srgb-camera"},
        {"facts": facts(**JPEG, camera=True), "untagged": "srgb-camera"},
    ),
    (
        "edge-already-there",
        {**CANVASED, "facts": facts(width=6000, height=7200), **size("16x20in")},
        {**CANVASED, "facts": facts(width=6003, height=7200, ppi=None), **size("16x20in")},
    ),
    (
        "edge-already-there",
        {**CANVASED, "facts": facts(width=6000, height=7200), **size("16x20in")},
        {
            **CANVASED,
            "facts": facts(width=6000, height=7200),
            **size("16x20in", edge="included"),
        },
    ),
    ("file-compression", {"facts": facts(compression="old-jpeg")}, {"facts": facts()}),
    (
        "file-compression",
        {"facts": facts(compression="ccitt", bits=1, mode="grey")},
        {"facts": facts(compression="lzw")},
    ),
    *(
        ("file-compression", {"facts": facts(compression=packed)}, {"facts": facts(compression=ok)})
        for packed, ok in (
            *(("webp", "deflate"), ("zstd", "packbits"), ("lzma", "none"), ("lerc", "lzw")),
            *(("jpeg-2000", "deflate"), ("jpeg-xl", "deflate"), ("unknown (65000)", "none")),
        )
    ),
    (
        # By shape: 4:5 is 16x20in alone, 4872:6072 is it with 3 mm of bleed.
        "edge-not-there",
        {**BLED, "facts": facts(ppi=None), **size("16x20in", edge="included")},
        {
            **BLED,
            "facts": facts(width=4872, height=6072, ppi=None),
            **size("16x20in", edge="included"),
        },
    ),
    (
        # By its tag: at 300 ppi these are 406.7 × 508.3 mm, the size, and 412.5 × 513.9, the bleed.
        "edge-not-there",
        {**BLED, "facts": facts(width=4804, height=6004), **size("16x20in", edge="included")},
        {
            **BLED,
            "facts": facts(width=4872, height=6070, ppi="300"),
            **size("16x20in", edge="included"),
        },
    ),
    (
        "edge-takes-picture",
        {**CANVASED, "facts": facts(width=6000, height=7200), **size("16x20in", edge="image")},
        {**CANVASED, "facts": facts(ppi=None), **size("16x20in", edge="extend")},
    ),
    ("file-depth", {"facts": facts(bits=1)}, {"facts": facts(bits=16)}),
    ("file-depth", {"facts": facts(mode="palette", channels=1)}, {"facts": facts()}),
    ("file-depth", {"facts": facts(bits=32, float_samples=True)}, {"facts": facts(bits=16)}),
    ("file-extension", {"facts": facts(extension_agrees=False)}, {"facts": facts()}),
    (
        "file-format",
        {"facts": facts(format="other", bytes=10, width=0, height=0)},
        {"facts": facts(format="png")},
    ),
    (
        # Zeros where a picture may still arrive are damage and no format.
        "file-format",
        {"facts": facts(format="other", mode="other", width=0, height=0)},
        {"facts": facts(format="other", mode="other", truncated=True)},
    ),
    ("file-form", {"facts": facts(unread="a JPEG of the lossless kind")}, {"facts": facts()}),
    (
        # Layers alone are told of where layers are.
        "file-form",
        {"facts": facts(unread="a mask first")},
        {"facts": facts(unread="no flat picture", layered=True, composite_missing=True)},
    ),
    ("file-hole", {"facts": facts(zero_run="byte 4,096, row 12")}, {"facts": facts()}),
    (
        "file-jpeg-quality",
        {"facts": facts(**FINE_JPEG | {"jpeg_quality": 69})},
        {"facts": facts(**FINE_JPEG | {"jpeg_quality": 70})},
    ),
    (
        "file-layers",
        {"facts": facts(layered=True, composite_missing=True)},
        {"facts": facts(layered=True)},
    ),
    (
        "file-layers",
        {"facts": facts(layered=True, composite_missing=True, unread="no flat picture")},
        {"facts": facts(layered=True)},
    ),
    (
        "file-orientation",
        {"facts": facts(orientation=6, orientation_disputed="6 in Exif and 1 in XMP")},
        {"facts": facts(orientation=6)},
    ),
    ("file-pages", {"facts": facts(pages=2)}, {"facts": facts(pages=1)}),
    ("file-pages", {"facts": facts(pages=2)}, {"facts": facts(pages=2, damage="a mask first")}),
    ("file-too-large", {"facts": facts(over_limit="too many pixels")}, {"facts": facts()}),
    (
        "file-transparent",
        {"facts": facts(alpha="transparent")},
        {"facts": facts(alpha="opaque")},
    ),
    (
        # What was not decoded only may be transparent.
        "file-transparent",
        {"facts": facts(alpha="transparent")},
        {"facts": facts(alpha="transparent", compression="zstd")},
    ),
    ("file-damaged", {"facts": facts(bytes=0, format="other", width=0, height=0)}, {}),
    ("file-damaged", {"facts": facts(damage="it ends in row 9", truncated=True)}, {}),
    ("place-not-suited", size("16x20in", place="outdoor"), size("16x20in", place="indoor")),
    (
        "profile-changed",
        {"profile": replace(GOOD, state="changed", sha256="ef" * 32)},
        {"profile": replace(GOOD, sha256="ef" * 32, registered_sha256="ef" * 32)},
    ),
    (
        "profile-date",
        {"profile": replace(GOOD, valid_until=date(2026, 4, 30))},
        {"profile": replace(GOOD, valid_until=TODAY)},
    ),
    (
        "profile-date",
        {"profile": replace(GOOD, admitted_on=date(2025, 5, 1))},
        {"profile": replace(GOOD, admitted_on=date(2025, 6, 1))},
    ),
    ("profile-unusable", {"profile": ProfileStanding("missing", "rag.icc")}, {"profile": GOOD}),
    (
        "profile-unusable",
        {"profile": replace(GOOD, state="refused", reasons=("it is no printer's profile",))},
        {"profile": GOOD},
    ),
    (
        "profile-unusable",
        {"profile": ProfileStanding("retired", "rag.icc", retired_by="Ilka", retired_on=TODAY)},
        {"profile": GOOD},
    ),
    (
        "request-allow",
        {**size("16x20in", allow="file-damaged", because="x"), "never_accepted": {"file-damaged"}},
        {**size("16x20in", allow="same-again", because="x"), "never_accepted": {"file-damaged"}},
    ),
    (
        "request-allow",
        size("16x20in", allow="same-again"),
        size("16x20in", allow="same-again", because="a reprint"),
    ),
    (
        "request-allow",
        size("16x20in", allow="same-agian", because="a reprint"),
        size("16x20in", allow="our-fault", because="try it again"),
    ),
    ("request-lab", NO_LAB, {}),
    (
        "request-sharpen",
        size("16x20in", sharpen="surface"),
        {**size("16x20in", sharpen="surface"), "surface": SHARPENED},
    ),
    ("request-surface", size("16x20in", surface="baryta"), size("16x20in", surface="smooth-rag")),
    (
        "request-unclear",
        {"resolved": asked(size="16x20in", copys="3")},
        size("16x20in", copies="3"),
    ),
    ("request-unclear", size("16x20in", copies="many"), size("16x20in", copies="1")),
    ("same-again", {"earlier": (SAME,)}, {"earlier": (replace(SAME, state="withdrawn"),)}),
    ("same-again", {"earlier": (SAME,)}, {"earlier": (replace(SAME, same_request=False),)}),
    ("same-again", {"later": (SAME,)}, {"later": (replace(SAME, state="held"),)}),
    ("same-name", {"earlier": (NAMED,)}, {"earlier": (replace(NAMED, state="delivered"),)}),
    ("same-name", {"earlier": (NAMED,)}, {"earlier": (replace(NAMED, order="Alder"),)}),
    ("same-name", {"earlier": (NAMED,)}, {"earlier": (replace(NAMED, same_surface=False),)}),
    (
        # Beyond 2 % `fit` decides; up to 2 % is a caution, up to .5 % is silent (common practice).
        "size-proportion",
        {"facts": facts(width=4800, height=6200)},
        {"facts": facts(width=4800, height=6020)},
    ),
    ("size-missing", {"resolved": asked()}, size("16x20in")),
    ("set-count", {"whole_set": one_of_a_set(of=3)}, {"whole_set": one_of_a_set(of=2)}),
    ("set-count", {"whole_set": one_of_a_set(of=1)}, {"whole_set": one_of_a_set(of=None)}),
    (
        "set-differs",
        {"whole_set": one_of_a_set(traits=(("intent", "perceptual"),))},
        {"whole_set": one_of_a_set(traits=())},
    ),
    ("set-waits", {"whole_set": one_of_a_set(held=True)}, {"whole_set": one_of_a_set()}),
    (
        # 139 and 141 ppi, where the surface's floor is 140.
        "size-too-few-pixels",
        {"facts": facts(width=2224, height=2780)},
        {"facts": facts(width=2256, height=2820)},
    ),
    ("size-turned", {**BRUSHED, **size("20x16in")}, {**BRUSHED, **size("16x20in")}),
    ("size-turned", {**BRUSHED, **size("20x16in")}, {**BRUSHED, **size("20x16in", fit="crop")}),
    ("size-turned", {**BRUSHED, **size("20x16in")}, size("20x16in")),
    (
        "size-not-sold",
        {"product": product(sizes=(parse_full_size("8x10in"),))},
        {"product": product(sizes=(parse_full_size("16x20in"),))},
    ),
    *SUIT_STOPS,
    *SETTLED_STOPS,
    *APPROVAL_STOPS,
    *REPRINT_STOPS,
    *EDITION_CASES,
    *EDITION_OTHER,
]


PERCEPTUAL = {
    "surface": replace(PAPER, intent="perceptual"),
    "profile": replace(GOOD, version="2.4"),
    "facts": facts(profile=profile_facts(version="4.3")),
}
NAMING = profile_facts(working_space=None, device_named=True)
LARGER = {"facts": facts(**FINE_JPEG, chroma_subsampled=True), "product": product(ppi=FIXED_300)}

# Code, what brings a caution, and what is nearest to that without a word.
CAUTIONS: list[tuple[str, dict[str, Any], dict[str, Any]]] = [
    (
        "colour-exif-disagrees",
        {"facts": space_of("adobe-rgb", exif_colour="srgb")},
        {"facts": space_of("srgb", exif_colour="srgb")},
    ),
    (
        "colour-exif-disagrees",
        {"facts": space_of("srgb", exif_colour="adobe-rgb")},
        {"facts": space_of("romm", exif_colour="adobe-rgb")},
    ),
    (
        # Exif's “uncalibrated” agrees with any profile, and sRGB says nothing of a grey picture.
        "colour-exif-disagrees",
        {"facts": space_of("romm", bits=16, exif_colour="srgb")},
        {"facts": space_of("romm", bits=16, exif_colour="uncalibrated")},
    ),
    (
        "colour-exif-disagrees",
        {"facts": space_of("display-p3", exif_colour="srgb")},
        {"facts": space_of("grey-gamma-2.2", mode="grey", channels=1, exif_colour="srgb")},
    ),
    ("colour-lab", {"facts": lab()}, {"facts": facts(bits=16)}),
    ("colour-monitor-profile", {"facts": facts(profile=NAMING)}, {"facts": space_of(None)}),
    (
        "colour-monitor-profile",
        {"facts": facts(profile=NAMING)},
        {"facts": facts(profile=replace(NAMING, working_space="srgb"))},
    ),
    (
        "colour-perceptual-black",
        PERCEPTUAL,
        {**PERCEPTUAL, "facts": facts(profile=profile_facts(version="2.4"))},
    ),
    ("colour-perceptual-black", PERCEPTUAL, {**PERCEPTUAL, "surface": PAPER}),
    (
        "colour-perceptual-black",
        PERCEPTUAL,
        {**PERCEPTUAL, "profile": replace(GOOD, version="4.3")},
    ),
    (
        "colour-scanner-profile",
        {"facts": facts(profile=profile_facts(device_class="scnr"))},
        {"facts": facts(profile=profile_facts(device_class="spac"))},
    ),
    (
        "colour-wide-at-8-bit",
        {"facts": space_of("romm", bits=8)},
        {"facts": space_of("romm", bits=16)},
    ),
    (
        "colour-wide-at-8-bit",
        {"facts": space_of("romm", bits=8)},
        {"facts": space_of("adobe-rgb", bits=8)},
    ),
    ("file-compression", {"facts": facts(compression="jpeg")}, {"facts": facts(**FINE_JPEG)}),
    ("file-extension", {"facts": facts(extension_agrees=False)}, {"facts": facts()}),
    ("file-gain-map", {"facts": facts(gain_map=True)}, {"facts": facts()}),
    (
        "file-jpeg-quality",
        {"facts": facts(**FINE_JPEG | {"jpeg_quality": 89})},
        {"facts": facts(**FINE_JPEG | {"jpeg_quality": 90})},
    ),
    (
        # 4:2:0 matters where the picture is enlarged: 4799 px for 4800 at 300 ppi.
        "file-jpeg-quality",
        LARGER | {"facts": replace(LARGER["facts"], width=4799, height=5999)},
        LARGER,
    ),
    ("file-layers", {"facts": facts(layered=True)}, {"facts": facts()}),
    (
        "file-ppi-differs",
        {"facts": facts(ppi=None, ppi_differs="300 across and 240 down")},
        {"facts": facts(ppi=None)},
    ),
    ("picture-plain", {"facts": facts(uniform=True)}, {"facts": facts()}),
    ("request-due", size("16x20in", due="2026-04-30"), size("16x20in", due="2026-05-01")),
    ("picture-small", {"facts": facts(width=255, height=300)}, {"facts": facts(width=256)}),
    ("picture-solid-border", {"facts": facts(solid_border="left 7 %")}, {"facts": facts()}),
    *SUIT_CASES,
    *SETTLED_CASES,
]


@pytest.mark.parametrize(("code", "trips", "passes"), CAUTIONS)
def test_a_caution_and_its_near_miss(
    code: str, trips: dict[str, Any], passes: dict[str, Any]
) -> None:
    """What a caution is for brings exactly that, with the file's name; its neighbour nothing."""
    (found,) = [finding for finding in run_checks(known(**trips)) if finding.code == code]
    assert found.severity == "caution"
    assert "heron.tif" in found.message
    assert found.message.endswith(".")
    assert [finding for finding in run_checks(known(**passes)) if finding.code == code] == []


@pytest.mark.parametrize("form", ["tiff", "jpeg", "phone"])
def test_an_ordinary_careful_file_brings_no_caution(form: str) -> None:
    """An edited TIFF, a camera's JPEG and a telephone's picture pass without a word."""
    files = {
        # Edited in ROMM RGB, with what the camera wrote of Adobe RGB still there.
        "tiff": space_of("romm", bits=16, exif_colour="adobe-rgb", compression="lzw"),
        "jpeg": facts(**FINE_JPEG, exif_colour="srgb", camera=True, chroma_subsampled=True),
        "phone": space_of("display-p3", **FINE_JPEG, exif_colour="uncalibrated"),
    }
    assert run_checks(known(facts=files[form])) == ()


@pytest.mark.parametrize(("code", "trips", "passes"), CASES)
def test_trips_and_near_miss(code: str, trips: dict[str, Any], passes: dict[str, Any]) -> None:
    """What a check is for trips it, with a sentence that names the file; its neighbour does not."""
    found = [finding for finding in run_checks(known(**trips)) if finding.code == code]
    assert found
    for finding in found:
        assert finding.message.endswith(".")
        if finding.severity == "stop":
            assert finding.next
            assert finding.accept == next(c.accept for c in all_checks() if c.code == code) or (
                finding.accept == "never"
            )
    near = [finding for finding in run_checks(known(**passes)) if finding.code == code]
    assert [finding for finding in near if finding.severity == "stop"] == []


def test_every_check_is_tried_here() -> None:
    """No check is without a case above."""
    tried = {code for code, _, _ in (*CASES, *CAUTIONS)}
    assert tried == {check.code for check in all_checks()}


def test_no_lab_is_told_the_studios_own_affairs() -> None:
    """What was decided for another file, and what a request did wrong, stand on no ticket."""
    for_us = {check.code for check in all_checks() if check.for_us}
    of_editions = {code for code in for_us if code.startswith("edition-")}
    assert for_us - of_editions == {
        "adjust-earlier",
        "approved-differs",
        "record-restored",
        "reprint-differs",
        "request-allow",
        "strip-drift",
    }
    assert of_editions == {
        check.code for check in all_checks()
        if check.code.startswith("edition-") and check.accept != "never"
    }  # fmt: skip
    found = [
        to_plain(caution(code, "Heron was another file."))
        for code in (*sorted(for_us), "suit-soft")
    ]
    studio = load_settings(Path(__file__).parents[2] / "config").studio
    told = _findings({"accepted": [], "findings": found}, studio)
    assert [finding.code for finding in told] == ["suit-soft"]


def test_a_good_picture_has_no_finding() -> None:
    """An ordinary good file passes without a word."""
    assert run_checks(known()) == ()


def codes_of(**changes: Any) -> list[str]:
    return [finding.code for finding in run_checks(known(**changes))]


def test_all_findings_come_at_once() -> None:
    """A file that can be read is spoken of in full, whatever nobody may accept of it."""
    three = {"facts": facts(alpha="transparent", profile=None, width=4800, height=4800)}
    assert codes_of(**three) == ["colour-untagged", "file-transparent", "size-proportion"]
    packed = facts(compression="webp", profile=None)
    assert codes_of(facts=packed) == ["colour-untagged", "file-compression"]
    deep = facts(bits=32, float_samples=True, profile=None, extension_agrees=False)
    assert codes_of(facts=deep) == ["colour-untagged", "file-depth", "file-extension"]


@pytest.mark.parametrize(
    ("changes", "code"),
    [
        ({"damage": "it ends in row 9"}, "file-damaged"),
        ({"over_limit": "too many pixels"}, "file-too-large"),
        ({"unread": "a JPEG of the lossless kind"}, "file-form"),
        ({"format": "other", "mode": "other"}, "file-format"),
    ],
)
def test_nothing_is_guessed_of_what_cannot_be_read(changes: dict[str, Any], code: str) -> None:
    """Of such a file its other faults as a file are told, and the request's; no colour or size."""
    seen = facts(**{"profile": None, "width": 480, "orientation_disputed": "6 and 1", **changes})
    asks = size("16x20in", surface="baryta")
    assert set(codes_of(facts=seen, **asks)) == {code, "file-orientation", "request-surface"}


@pytest.mark.parametrize(
    ("changes", "code", "accept"),
    [
        ({"facts": facts(pages=2)}, "file-pages", "photographer"),
        (
            {"facts": facts(profile=profile_facts(device_class="prtr"))},
            "colour-profile-class",
            "photographer",
        ),
        *(
            ({"facts": facts(profile=profile_facts(**wrong))}, "colour-profile-class", "never")
            for wrong in (
                {"device_class": "link"},
                {"device_class": "abst"},
                {"device_class": "nmcl"},
                {"device_class": "prtr", "version": "5.0"},
                {"device_class": "prtr", "colour_space": "CMYK"},
            )
        ),
        (
            {"product": product(max_side=Length.parse("19in"))},
            "size-not-sold",
            "photographer",
        ),
        (
            {"facts": facts(layered=True, composite_missing=True)},
            "file-layers",
            "photographer",
        ),
        (
            {"facts": facts(layered=True, composite_missing=True, unread="no flat picture")},
            "file-layers",
            "never",
        ),
        ({"facts": facts(compression="webp")}, "file-compression", "never"),
        ({"facts": facts(unread="a mask first")}, "file-form", "never"),
    ],
)
def test_who_may_accept(changes: dict[str, Any], code: str, accept: str) -> None:
    """What can be printed all the same is the photographer's to say; what cannot is nobody's."""
    (stop,) = [finding for finding in run_checks(known(**changes)) if finding.code == code]
    assert (stop.severity, stop.accept) == ("stop", accept)


def test_a_file_over_a_limit_is_never_let_through() -> None:
    """Its acceptance, or `allow`, has it looked at again and settles nothing."""
    seen = known(
        facts=facts(over_limit="too many pixels"),
        **size("16x20in", allow="file-too-large", because="it is large", by="Mira"),
        photographers=frozenset({"Mira"}),
    )
    findings = run_checks(seen)
    (stop,) = findings
    yes = Acceptance(stop.code, stop.figures, "Mira", "the limit was raised")
    assert (stop.code, stop.accept) == ("file-too-large", "assistant")
    assert accepted(seen, findings, (yes,)) == {}


def test_a_code_that_nobody_knows_is_told_with_the_nearest() -> None:
    """A slip of the pen in `allow` would else count for nothing, unseen."""
    seen = known(**size("16x20in", allow="size-few-pixels", because="a banner"))
    (caution,) = run_checks(seen)
    assert "size-few-pixels, which is not the code of any finding; size-too-few-pixels" in (
        caution.message
    )


def test_every_stop_of_the_engine_is_in_the_registry() -> None:
    """What the engine itself holds for can be named in `allow`, by the same people as it says."""
    found = {}
    for path in Path(knowing.__file__).parent.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text())):
            if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "stop":
                code, acceptor = node.args[:2]
                assert isinstance(code, ast.Constant)
                assert isinstance(acceptor, ast.Constant)
                found[code.value] = acceptor.value
    assert found == dict(ENGINE_CODES)


FAR = {"facts": facts(width=1600, height=2000)}  # 100 ppi at 16 × 20 in, where rag wants 200


def pixels_said(**changes: Any) -> list[tuple[str, str]]:
    """Severity and words of what is said of the pixels."""
    people = {"photographers": frozenset({"Mira"})}
    found = run_checks(known(**{**people, **FAR, **changes}))
    assert {finding.code for finding in found} <= {"size-too-few-pixels"}
    return [(finding.severity, finding.message) for finding in found]


@pytest.mark.parametrize("by", [{}, {"by": "Corin"}])
def test_a_distance_that_nobody_signed_lets_no_pixel_less_pass(by: dict[str, str]) -> None:
    """Whoever may drop a file could else lower the floor; a caution says how it would count."""
    (stop, _), (caution, said) = pixels_said(**size("16x20in", viewing="3m", **by))
    assert (stop, caution) == ("stop", "caution")
    assert "seen from 300cm, which no photographer signed" in said


def test_a_signed_distance_sets_both_floors() -> None:
    """3438 / 118.11 in are 29 ppi, so 60; 3438 / 40 in are 86, and six tenths of it 51.6, so 60.

    One minute of arc (trigonometry); six tenths and 60 are common practice.
    """
    signed = {"by": "Mira"}
    assert pixels_said(**size("16x20in", viewing="3m", **signed)) == [
        ("caution", "heron.tif has 100 ppi at 16x20in; seen from 300cm, 60 ppi is enough; close "
         "up it would want 200."),
    ]  # fmt: skip
    (severity, said) = pixels_said(
        **size("16x20in", viewing="40in", **signed), facts=facts(width=1200, height=1500)
    )[0]
    assert severity == "caution"
    assert "86 ppi is its best; close up it would want 200" in said
    for width, found in ((1200, "caution"), (944, "stop")):
        seen = pixels_said(
            **size("16x20in", viewing="40in", **signed),
            facts=facts(width=width, height=width * 5 // 4),
        )
        assert [severity for severity, _ in seen] == [found]
    assert pixels_said(**size("16x20in", viewing="3m", **signed), facts=facts()) == []


def test_a_near_distance_asks_no_more_than_the_product_prints() -> None:
    """3438 / 6 in are 573 ppi, and the product prints 300, of which six tenths are 180."""
    near = size("16x20in", viewing="6in", by="Mira")
    assert pixels_said(**near, facts=facts(width=2896, height=3620), product=product())[0][0] == (
        "caution"
    )
    assert pixels_said(**near, facts=facts(width=2864, height=3580), product=product())[0][0] == (
        "stop"
    )


def test_a_distance_by_answer_is_a_photographers() -> None:
    """Such an answer is taken from a photographer alone, so it is signed."""
    answered = with_answers(asked(size="16x20in"), {"viewing": "3m"})
    ((severity, said),) = pixels_said(resolved=answered)
    assert (severity, "close up it would want 200" in said) == ("caution", True)


def test_same_print_in_another_order_is_a_caution() -> None:
    """The same file for another client passes, and the ticket says that it was printed before."""
    (finding,) = run_checks(known(earlier=(replace(SAME, order="Finch", parcel="b-000001"),)))
    assert (finding.code, finding.severity) == ("same-again", "caution")


def test_a_held_twin_is_no_reason_to_hold() -> None:
    """Of two that wait, one can be answered; the other is asked about when its turn comes."""
    (finding,) = run_checks(known(earlier=(replace(SAME, state="held"),)))
    assert (finding.code, finding.severity) == ("same-again", "caution")


def test_without_a_size_nothing_is_the_same() -> None:
    """Where nothing says how large, two requests cannot be called the same."""
    findings = run_checks(known(resolved=asked(), earlier=(SAME,)))
    assert "same-again" not in {finding.code for finding in findings}


def few_pixels(**request: str) -> Any:
    """A picture below the floor of its surface, with a request for 16 × 20 in."""
    return known(
        facts=facts(width=2224, height=2780),
        resolved=asked(size="16x20in", **request),
        photographers=frozenset({"Mira"}),
        photographers_own=frozenset({"size-too-few-pixels"}),
    )


@pytest.mark.parametrize(
    ("by", "counts"), [({}, False), ({"by": "Corin"}, False), ({"by": "Mira"}, True)]
)
def test_allow_needs_whoever_may_accept(by: dict[str, str], counts: bool) -> None:
    """What is the photographer's to accept is allowed beforehand only in a photographer's name."""
    seen = few_pixels(allow="size-too-few-pixels", because="a banner", **by)
    taken = accepted(seen, run_checks(seen), ())
    assert ("size-too-few-pixels" in taken) is counts


def test_an_acceptance_covers_only_what_was_seen() -> None:
    """Accepting one figure is no answer to a worse one."""
    seen = few_pixels()
    (stop,) = [f for f in run_checks(seen) if f.code == "size-too-few-pixels"]
    yes = Acceptance(stop.code, stop.figures, "Mira", "seen from afar")
    assert stop.code in accepted(seen, run_checks(seen), (yes,))
    worse = known(facts=facts(width=1600, height=2000))
    assert accepted(worse, run_checks(worse), (yes,)) == {}


def test_two_stops_of_one_code_need_two_acceptances() -> None:
    """One unreadable key that was left out does not let another pass unseen."""
    seen = known(resolved=asked(size="16x20in", copys="3", titel="Heron"))
    stops = [f for f in run_checks(seen) if f.code == "request-unclear"]
    assert len(stops) == 2
    yes = tuple(Acceptance(f.code, f.figures, "Mira", "not needed") for f in stops)
    assert accepted(seen, stops, yes[:1]) == {}
    assert set(accepted(seen, stops, yes)) == {"request-unclear"}


def test_an_unknown_key_names_what_may_be_meant() -> None:
    """A misspelt key is told with the nearest that there is, and with its value."""
    (stop,) = run_checks(known(resolved=asked(size="16x20in", copys="3")))
    assert "“copys = 3”, which nobody knows; copies may be meant" in stop.message


def test_wrap_is_measured_by_the_tag_too() -> None:
    """Pixels that come to the wrapped size at the file's own ppi within half a millimetre stop."""
    seen = known(
        **CANVASED, facts=facts(width=3000, height=3600, ppi="150"), resolved=asked(size="16x20in")
    )
    assert "edge-already-there" in {finding.code for finding in run_checks(seen)}
    bleed = known(product=product(bleed=Length.parse("3mm")), facts=facts(ppi="150"))
    assert run_checks(bleed) == ()
