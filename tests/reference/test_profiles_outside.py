"""Our profiles held against published numbers and against other people's engines and profiles."""

from __future__ import annotations

import functools
import importlib
import io
import struct
import warnings
from pathlib import Path
from typing import Any

import iccdev
import imagecodecs
import numpy as np
import pytest
import pyvips
import skimage.data
from numpy.typing import NDArray
from PIL import Image, ImageCms

from platemark.imaging.icc import (
    build_grey_profile,
    build_matrix_profile,
    grey_space_ids,
    name_working_space,
    parse_profile,
)
from platemark.imaging.print_model import (
    BARYTA,
    CANVAS,
    MATTE_ETCHING,
    MATTE_RAG,
    PrinterSpec,
    make_printer_profile,
    printed_lab,
)
from platemark.model.planning import SPACE_NAMES

SPECS = {"rag": MATTE_RAG, "etching": MATTE_ETCHING, "baryta": BARYTA, "canvas": CANVAS}
NOOPTIMIZE = imagecodecs.CMS.FLAGS.NOOPTIMIZE
LAB = imagecodecs.cms_profile("lab4")

Values = NDArray[Any]


@functools.cache
def printer(name: str) -> bytes:
    return make_printer_profile(SPECS[name])


@functools.cache
def colour_science() -> Any:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # it warns about optional packages that are not there
        return importlib.import_module("colour")


def delta_e(one: Values, other: Values) -> Values:
    """CIEDE2000 by colour-science (PyPI)."""
    return np.asarray(colour_science().delta_E(one, other, method="CIE 2000"))


def lab_of(device: Values, profile: bytes, intent: int = 1, space: str = "rgb") -> Values:
    """Lab, shape (n, 3), by LittleCMS in float without optimising."""
    return np.asarray(
        imagecodecs.cms_transform(
            device[None],
            profile,
            LAB,
            colorspace=space,
            outcolorspace="lab",
            outdtype="f8",
            intent=intent,
            flags=NOOPTIMIZE,
        )[0]
    )


def device_of(lab: Values, profile: bytes, intent: int = 1) -> Values:
    """16-bit device values, shape (n, 3), by LittleCMS."""
    return np.asarray(
        imagecodecs.cms_transform(
            lab[None],
            LAB,
            profile,
            colorspace="lab",
            outcolorspace="rgb",
            outdtype="u2",
            intent=intent,
            flags=NOOPTIMIZE,
        )[0]
    )


def random_codes(count: int, seed: int = 7) -> NDArray[np.uint16]:
    return np.random.default_rng(seed).integers(0, 65536, (count, 3)).astype(np.uint16)


def embedded(name: str) -> bytes:
    """Profile embedded in a photograph of the scikit-image wheel."""
    with Image.open(Path(skimage.data.__file__).parent / name) as picture:
        return bytes(picture.info["icc_profile"])


# --- Working spaces: published numbers ------------------------------------------------------

COLOUR_SCIENCE_NAMES = {
    "srgb": "sRGB",
    "adobe-rgb": "Adobe RGB (1998)",
    "display-p3": "Display P3",
    "romm": "ROMM RGB",
}


@pytest.mark.parametrize("space", SPACE_NAMES)
def test_colorants_are_those_of_colour_science(space: str) -> None:
    """Our colorants equal colour-science's primaries, adapted by its Bradford matrix to D50.

    Within 2/65,536: one for rounding, one for making the three add up to white.
    """
    colour = colour_science()
    reference = colour.RGB_COLOURSPACES[COLOUR_SCIENCE_NAMES[space]]
    white = colour.xy_to_XYZ(reference.whitepoint)
    matrix = colour.normalised_primary_matrix(reference.primaries, reference.whitepoint)
    adapt = colour.adaptation.matrix_chromatic_adaptation_VonKries(
        white, np.array([0.9642, 1.0, 0.8249]), transform="Bradford"
    )
    ours = parse_profile(build_matrix_profile(space)).colorants
    assert np.abs(np.array(ours).T - adapt @ matrix).max() <= 2 / 65536


@pytest.mark.parametrize("space", SPACE_NAMES)
def test_curves_are_those_of_colour_science(space: str) -> None:
    """Our tone curves equal colour-science's decoding functions at every 8-bit code."""
    codes = np.arange(256) / 255
    reference = colour_science().RGB_COLOURSPACES[COLOUR_SCIENCE_NAMES[space]].cctf_decoding(codes)
    for version in (2, 4):
        profile = parse_profile(build_matrix_profile(space, version=version))
        ours = [profile.curves[0].value(code) for code in codes]
        assert np.abs(np.array(ours) - reference).max() <= 2e-5


@pytest.mark.parametrize(
    ("space", "code", "linear"),
    [
        # IEC 61966-2-1, Adobe RGB (1998) Color Image Encoding, ISO 22028-2: worked out from
        # their formulas.
        ("srgb", 128, 0.2158605),
        ("adobe-rgb", 128, 0.2196380),
        ("romm", 128, 0.2892049),
    ],
)
def test_linear_light_of_code_128(space: str, code: int, linear: float) -> None:
    """Code 128 means the linear light that the standards' formulas give."""
    profile = parse_profile(build_matrix_profile(space, version=4))
    assert profile.curves[0].value(code / 255) == pytest.approx(linear, abs=1e-5)


def test_white_is_d50_to_the_last_digit() -> None:
    """D50 is F6D6, 10000, D32D in hexadecimal (ICC.1, 7.2.16), in the header and as white."""
    d50 = struct.pack(">3I", 0xF6D6, 0x10000, 0xD32D)
    for space in SPACE_NAMES:
        data = build_matrix_profile(space)
        assert data[68:80] == d50
        assert b"XYZ \0\0\0\0" + d50 in data


RGB_ROWS = [
    # Worked out from the formulas: primaries and curves of IEC 61966-2-1 and of the Adobe RGB
    # (1998) encoding, linear Bradford to D50 (ICC.1), CIELAB (ISO/CIE 11664-4).
    ("srgb", (255, 0, 0), (54.290, 80.814, 69.890)),
    ("srgb", (0, 255, 0), (87.819, -79.275, 80.993)),
    ("srgb", (0, 0, 255), (29.566, 68.286, -112.033)),
    ("srgb", (119, 119, 119), (50.034, 0.0, 0.0)),
    ("srgb", (200, 120, 40), (58.456, 27.829, 54.588)),
    ("adobe-rgb", (200, 120, 40), (61.882, 36.902, 64.077)),
]


@pytest.mark.parametrize("version", [2, 4])
@pytest.mark.parametrize(("space", "rgb", "lab"), RGB_ROWS)
def test_rgb_to_lab(space: str, rgb: tuple[int, ...], lab: tuple[float, ...], version: int) -> None:
    """LittleCMS reads from our profiles the Lab that the standards' formulas give."""
    data = build_matrix_profile(space, version=version)  # type: ignore[arg-type]
    found = lab_of(np.array([rgb], dtype=np.uint16) * np.uint16(257), data)
    assert found[0] == pytest.approx(lab, abs=0.05)


def test_adobe_rgb_to_srgb() -> None:
    """Adobe RGB (200, 120, 40) is sRGB (224, 121, 25) within 1 (calculated from the standards)."""
    found = imagecodecs.cms_transform(
        np.array([[[200, 120, 40]]], dtype=np.uint16) * np.uint16(257),
        build_matrix_profile("adobe-rgb"),
        build_matrix_profile("srgb"),
        colorspace="rgb",
        outcolorspace="rgb",
        intent=1,
        flags=NOOPTIMIZE,
    )
    assert found[0, 0] / 257 == pytest.approx((224, 121, 25), abs=1)


@pytest.mark.parametrize(("read_as", "expected"), [("adobe-rgb", 4.835), ("romm", 12.66)])
def test_cost_of_a_wrong_tag(read_as: str, expected: float) -> None:
    """Reading (200, 120, 40) with the wrong profile errs by the ΔE00 that the formulas give."""
    device = np.array([[200, 120, 40]], dtype=np.uint16) * np.uint16(257)
    right, wrong = (lab_of(device, build_matrix_profile(s, version=4)) for s in (read_as, "srgb"))
    assert delta_e(right, wrong)[0] == pytest.approx(expected, abs=0.01)


def test_p3_red_is_outside_srgb() -> None:
    """Display P3 red is linear sRGB 1.2249, -.0421, -.0196 (as CSS Color 4 derives it)."""
    red = np.array(parse_profile(build_matrix_profile("display-p3")).colorants)[0]
    to_xyz = np.array(parse_profile(build_matrix_profile("srgb")).colorants).T
    assert np.linalg.solve(to_xyz, red) == pytest.approx((1.2249, -0.0421, -0.0196), abs=5e-4)


# --- Working spaces: other people's engines and profiles ------------------------------------


def own_profiles() -> dict[str, bytes]:
    made = {
        f"{space} v{version}": build_matrix_profile(space, version=version)
        for space in SPACE_NAMES
        for version in (2, 4)
    }
    made |= {
        f"{space} v{version}": build_grey_profile(space, version=version)
        for space in grey_space_ids()
        for version in (2, 4)
    }
    return made | {name: printer(name) for name in SPECS}


def test_the_icc_engine_finds_no_fault() -> None:
    """The ICC's own validator (iccdev, PyPI) has nothing to say against any of our profiles."""
    for name, data in own_profiles().items():
        verdict = iccdev.validate_profile(data)
        assert verdict.status == iccdev.ValidationStatus.OK, (name, verdict.report)


def test_pillow_opens_all() -> None:
    """Pillow's LittleCMS opens each profile and reads the name that our parser reads."""
    for name, data in own_profiles().items():
        opened = ImageCms.ImageCmsProfile(io.BytesIO(data))
        seen = ImageCms.getProfileDescription(opened).strip()
        assert seen == parse_profile(data).description, name


@pytest.mark.parametrize(
    ("where", "expected"),
    [
        # Profiles made by others: embedded in photographs of the scikit-image wheel …
        ("astronaut.png", "srgb"),
        ("chelsea.png", "srgb"),
        ("rocket.jpg", "adobe-rgb"),
        ("color.png", None),  # a laptop's display
        ("page.png", None),  # dot gain 20 %
        # … LittleCMS's own, through imagecodecs and Pillow …
        ("imagecodecs srgb", "srgb"),
        ("imagecodecs adobergb", "adobe-rgb"),
        ("pillow srgb", "srgb"),
        # … and the compact ones inside libvips (version 4, checksum set).
        ("vips srgb", "srgb"),
        ("vips p3", "display-p3"),
        ("vips cmyk", None),
    ],
)
def test_profiles_made_by_others_are_named(where: str, expected: str | None) -> None:
    """Working spaces as others wrote them are recognised, and what is none is not."""
    kind, _, name = where.partition(" ")
    if kind == "imagecodecs":
        data = imagecodecs.cms_profile(name)
    elif kind == "pillow":
        data = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    elif kind == "vips":
        data = bytes(pyvips.Operation.call("profile_load", name))
    else:
        data = embedded(where)
    assert name_working_space(parse_profile(data)) == expected


def test_profile_ids_made_by_others_are_right() -> None:
    """Our checksum agrees with the profile IDs that other writers computed."""
    for name in ("srgb", "p3"):
        data = bytes(pyvips.Operation.call("profile_load", name))
        assert parse_profile(data).profile_id_ok is True


def test_display_profile_shows_its_calibration() -> None:
    """A laptop display's profile (scikit-image, color.png) is known by its video card curves."""
    assert parse_profile(embedded("color.png")).has_vcgt
    assert not parse_profile(embedded("astronaut.png")).has_vcgt


def test_grey_printer_profile_can_be_a_source() -> None:
    """A grey dot-gain profile of class `prtr` (scikit-image, page.png) is a grey curve."""
    profile = parse_profile(embedded("page.png"))
    assert (profile.header.device_class, profile.header.colour_space) == ("prtr", "GRAY")
    assert profile.can_be_source


def test_colorants_agree_with_profiles_in_use() -> None:
    """Our sRGB and Adobe RGB have the colorants of the profiles in widest use, within .0006."""
    for ours, theirs in (("srgb", "astronaut.png"), ("adobe-rgb", "rocket.jpg")):
        one = np.array(parse_profile(build_matrix_profile(ours)).colorants)
        other = np.array(parse_profile(embedded(theirs)).colorants)
        assert np.abs(one - other).max() < 0.0006


def test_version_4_loses_no_code() -> None:
    """LittleCMS turns the parametric curve round without losing one of 65,536 grey codes.

    Adobe RGB is left out: its slope at black is endless, so float noise there is 11 codes.
    """
    grey = np.repeat(np.arange(65536, dtype=np.uint16)[:, None], 3, axis=1)
    for space in ("srgb", "display-p3", "romm"):
        data = build_matrix_profile(space, version=4)
        back = device_of(lab_of(grey, data), data).astype(int)
        assert np.abs(back - grey).max() <= 1, space


# --- Printer profiles -----------------------------------------------------------------------


@pytest.mark.parametrize("name", SPECS)
def test_printer_profile_is_made_the_same_twice(name: str) -> None:
    """The same printer gives the same bytes again."""
    assert make_printer_profile(SPECS[name]) == printer(name)


@pytest.mark.parametrize("name", SPECS)
def test_printer_profile_is_complete(name: str) -> None:
    """It is an RGB printer profile through Lab with three tables each way on 17³ grids."""
    profile = parse_profile(printer(name))
    header = profile.header
    assert (header.device_class, header.colour_space, header.pcs) == ("prtr", "RGB", "Lab")
    assert profile.intents == ("perceptual", "relative", "saturation", "absolute")
    assert {"gamt", "wtpt", "cprt", "desc"} <= {tag.signature for tag in profile.tags}
    tables = [tag for tag in profile.tags if tag.signature[:3] in ("A2B", "B2A")]
    assert len(tables) == 6
    for tag in tables:
        body = printer(name)[tag.offset : tag.offset + tag.length]
        # ICC.1, 10.10: channels in and out, and grid points along each.
        assert (body[:4], tuple(body[8:11])) == (b"mft2", (3, 3, 17))


@pytest.mark.parametrize(
    ("name", "white_l", "white_b", "black_l"),
    [
        # Common practice for each kind of surface: white L*, white b*, black L* (absolute).
        ("rag", (95, 98), (0, 3), (14, 19)),
        ("etching", (94, 97), (1, 5), (15, 22)),
        ("baryta", (95, 97), (-3, 1), (2, 7)),
        ("canvas", (92, 96), (-4, 4), (19, 24)),
    ],
)
def test_paper_and_black_are_of_their_kind(
    name: str, white_l: tuple[int, int], white_b: tuple[int, int], black_l: tuple[int, int]
) -> None:
    """An independent engine reads, absolute, a paper and a black that are usual for the surface."""
    white, black = lab_of(np.array([[65535] * 3, [0] * 3], dtype=np.uint16), printer(name), 3)
    assert white_l[0] <= white[0] <= white_l[1]
    assert white_b[0] <= white[2] <= white_b[1]
    assert black_l[0] <= black[0] <= black_l[1]


@pytest.mark.parametrize("intent", [0, 1, 2])
@pytest.mark.parametrize("name", SPECS)
def test_bare_paper_stays_bare(name: str, intent: int) -> None:
    """White is Lab 100, 0, 0 and comes back as full device white to the last code."""
    paper = np.full((1, 3), 65535, dtype=np.uint16)
    assert lab_of(paper, printer(name), intent)[0] == pytest.approx((100, 0, 0), abs=1e-4)
    white = np.array([[100.0, 0.0, 0.0]])
    assert device_of(white, printer(name), intent).tolist() == [[65535] * 3]


@pytest.mark.parametrize("intent", [0, 1])
@pytest.mark.parametrize("source", ["astronaut.png", "rocket.jpg", "own", "own v4"])
def test_white_of_any_source_is_bare_paper(source: str, intent: int) -> None:
    """White of other makers' sRGB and Adobe RGB prints nothing, through LittleCMS and libvips."""
    data = (
        build_matrix_profile("romm", version=4 if source == "own v4" else 2)
        if source.startswith("own")
        else embedded(source)
    )
    white = np.full((4, 4, 3), 65535, dtype=np.uint16)
    for name in SPECS:
        through_lcms = imagecodecs.cms_transform(
            white,
            data,
            printer(name),
            colorspace="rgb",
            outcolorspace="rgb",
            intent=intent,
            flags=NOOPTIMIZE,
        )
        assert through_lcms.min() == 65535, name


def test_a_hair_of_cast_does_not_tint_greys() -> None:
    """Greys whose a* and b* are .02 off, as others' rounding leaves them, print as neutral."""
    neutral = np.array([[lightness, 0.0, 0.0] for lightness in range(0, 101, 5)])
    for cast in ((0, 0.02, 0.0), (0, -0.02, 0.02), (0, 0.0, -0.02)):
        for name in SPECS:
            tinted = device_of(neutral + cast, printer(name))
            assert np.array_equal(tinted, device_of(neutral, printer(name)))


def test_white_is_bare_paper_through_libvips(tmp_path: Path) -> None:
    """libvips, the fast way, prints nothing for white either, in 16 and in 8 bit."""
    for name in ("rag", "baryta"):
        (tmp_path / f"{name}.icc").write_bytes(printer(name))
        (tmp_path / "source.icc").write_bytes(embedded("astronaut.png"))
        white = pyvips.Image.black(8, 8, bands=3).linear(0, 65535).cast("ushort")
        white = white.copy(interpretation="rgb16")
        for intent in ("relative", "perceptual"):
            for depth in (8, 16):
                out = white.icc_transform(
                    str(tmp_path / f"{name}.icc"),
                    input_profile=str(tmp_path / "source.icc"),
                    intent=intent,
                    depth=depth,
                )
                assert out.min() == 2**depth - 1


@pytest.mark.parametrize("name", SPECS)
def test_round_trip_is_small_in_gamut(name: str) -> None:
    """A printable colour survives the way to the paper and back: mean .6, 95 of 100 within 1.3."""
    printed = lab_of(random_codes(20_000), printer(name))
    errors = delta_e(printed, lab_of(device_of(printed, printer(name)), printer(name)))
    assert errors.mean() < 0.6
    assert np.percentile(errors, 95) < 1.3


@pytest.mark.parametrize("name", SPECS)
def test_table_is_the_model(name: str) -> None:
    """The engine reads from the table what the model prints, between grid points too."""
    codes = random_codes(5_000)
    model = printed_lab(SPECS[name], codes / 65535, relative=True)
    errors = delta_e(model, lab_of(codes, printer(name)))
    assert errors.mean() < 0.03
    assert np.percentile(errors, 99) < 0.15


def test_model_prints_its_solids() -> None:
    """At the eight corners of the device cube the model prints the eight colours it was given."""
    corners = {
        "white": (1, 1, 1),
        "cyan": (0, 1, 1),
        "magenta": (1, 0, 1),
        "yellow": (1, 1, 0),
        "red": (1, 0, 0),
        "green": (0, 1, 0),
        "blue": (0, 0, 1),
        "black": (0, 0, 0),
    }
    for spec in SPECS.values():
        for solid, device in corners.items():
            found = printed_lab(spec, np.array([device], dtype=np.float64))[0]
            assert found == pytest.approx(getattr(spec, solid), abs=1e-9)


def test_without_spreading_the_model_is_neugebauer() -> None:
    """With n = 1 a half-tone's luminance is the mean of paper and ink (Murray and Davies)."""
    grey = (50.0, 0.0, 0.0)
    spec = PrinterSpec("n = 1", MATTE_RAG.white, grey, grey, grey, grey, grey, grey, grey, 1.0)
    half = printed_lab(spec, np.array([[0.5, 1.0, 1.0]]))
    y = ((np.array([96.6, 50.0, half[0, 0]]) + 16) / 116) ** 3
    assert y[2] == pytest.approx((y[0] + y[1]) / 2, abs=1e-9)


def iccdev_convert(first: Path, second: Path, device: Values, intent: int) -> Values:
    engine = iccdev.IccCmm()
    engine.attach(str(first), intent=intent, interp=iccdev.Interpolation.Tetrahedral)
    # LittleCMS interpolates linearly where Lab goes in.
    engine.attach(str(second), intent=intent, interp=iccdev.Interpolation.Linear)
    engine.begin()
    return np.asarray(engine.apply_ndarray(device.astype(np.float32)))


@pytest.mark.parametrize("intent", [0, 1, 2, 3])
@pytest.mark.parametrize("name", ["rag", "baryta"])
def test_two_engines_agree(name: str, intent: int, tmp_path: Path) -> None:
    """The ICC's engine (iccdev) and LittleCMS print the same through our profiles, without BPC.

    Measured on the printed colour: mean .001 ΔE00, 99 of 100 within .005. The largest, .012, is
    where LittleCMS rounds an input curve to 16 bits and the other engine does not.
    """
    source, target = tmp_path / "source.icc", tmp_path / "target.icc"
    source.write_bytes(build_matrix_profile("srgb", version=4))
    target.write_bytes(printer(name))
    codes = random_codes(10_000)
    theirs = iccdev_convert(source, target, codes / 65535, intent)
    ours = imagecodecs.cms_transform(
        codes[None],
        source.read_bytes(),
        target.read_bytes(),
        colorspace="rgb",
        outcolorspace="rgb",
        outdtype="f8",
        intent=intent,
        flags=NOOPTIMIZE,
    )[0]
    one, other = (
        printed_lab(SPECS[name], np.clip(device, 0, 1), relative=True) for device in (theirs, ours)
    )
    errors = delta_e(one, other)
    assert errors.mean() < 0.002
    assert np.percentile(errors, 99) < 0.01
    assert errors.max() < 0.02


@pytest.mark.parametrize("intent", [1, 3])
@pytest.mark.parametrize("name", ["rag", "baryta"])
def test_two_engines_read_the_same_print(name: str, intent: int, tmp_path: Path) -> None:
    """Both engines read the same Lab from the print within .01 ΔE00."""
    (tmp_path / "p.icc").write_bytes(printer(name))
    codes = random_codes(10_000)
    with iccdev.IccCmm(dst_space=iccdev.ColorSpace.Lab) as engine:
        engine.attach(
            str(tmp_path / "p.icc"), intent=intent, interp=iccdev.Interpolation.Tetrahedral
        )
        engine.begin()
        encoded = np.asarray(engine.apply_ndarray((codes / 65535).astype(np.float32)))
    theirs = encoded * (100, 255, 255) - (0, 128, 128)
    assert delta_e(theirs, lab_of(codes, printer(name), intent)).max() < 0.01


def printed_photograph(intent: int, flags: int = NOOPTIMIZE) -> Values:
    """A portrait (scikit-image, astronaut) as the rag prints it, relative Lab, shape (n, 3)."""
    with Image.open(Path(skimage.data.__file__).parent / "astronaut.png") as picture:
        pixels = np.asarray(picture.convert("RGB"))[::4, ::4].astype(np.uint16) * np.uint16(257)
    device = imagecodecs.cms_transform(
        pixels,
        build_matrix_profile("srgb"),
        printer("rag"),
        colorspace="rgb",
        outcolorspace="rgb",
        intent=intent,
        flags=flags,
    )
    return printed_lab(MATTE_RAG, device.reshape(-1, 3) / 65535, relative=True)


def test_perceptual_is_not_relative() -> None:
    """On a portrait perceptual keeps shadows apart that relative merges, and draws chroma in."""
    perceptual, relative = printed_photograph(0), printed_photograph(1)
    assert delta_e(perceptual, relative).mean() > 1.0
    darkest = relative[:, 0] < relative[:, 0].min() + 0.5
    assert np.ptp(perceptual[darkest, 0]) > 2.0
    with_bpc = printed_photograph(1, NOOPTIMIZE | imagecodecs.CMS.FLAGS.BLACKPOINTCOMPENSATION)
    coloured = np.hypot(with_bpc[:, 1], with_bpc[:, 2]) > 25
    lost = np.hypot(*with_bpc[coloured, 1:].T) - np.hypot(*perceptual[coloured, 1:].T)
    assert lost.mean() > 1.0


def test_hue_is_kept_where_paper_ends() -> None:
    """The six full colours of sRGB keep their hue within 6° on matte rag, relative intent."""
    full = [[1, 0, 0], [0, 1, 0], [0, 0, 1], [0, 1, 1], [1, 0, 1], [1, 1, 0]]
    codes = np.array(full, dtype=np.uint16) * np.uint16(65535)
    wanted = lab_of(codes, build_matrix_profile("srgb"))
    found = lab_of(device_of(wanted, printer("rag")), printer("rag"))
    hues = [np.degrees(np.arctan2(lab[:, 2], lab[:, 1])) for lab in (wanted, found)]
    assert np.abs((hues[0] - hues[1] + 180) % 360 - 180).max() < 6
