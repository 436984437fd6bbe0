"""The soft proof against Pillow's proof transform, colour-science and published numbers.

Photographs are those of scikit-image (PyPI; public domain or CC0 by its own list). Pillow's
transform is LittleCMS's own proofing transform.
"""

import functools
import io
import warnings
from pathlib import Path

import numpy as np
import pytest
import skimage.data
from made_measures import measure_task, measures_of
from made_plans import picture, sha256
from numpy.typing import NDArray
from PIL import Image, ImageCms

from platemark.imaging.convert import Conversion
from platemark.imaging.icc import build_matrix_profile
from platemark.imaging.print_model import BARYTA, MATTE_RAG, PrinterSpec, make_printer_profile
from platemark.imaging.proof import Proof
from platemark.imaging.proof_chart import lightness_shares
from platemark.imaging.proof_drawing import white_and_black
from platemark.imaging.source import Profile, find_profile
from platemark.imaging.to_lab import LabOf
from platemark.model.terms import Intent

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # that it cannot plot
    import colour

Bytes = NDArray[np.uint8]
SRGB = build_matrix_profile("srgb")
D50 = np.array([0.9642, 1.0, 0.8249])
"""The connection space's white (ICC.1:2010, 7.2.16)."""
WHITE = D50[:2] / D50.sum()
CODES = ImageCms.Intent
printer_of = functools.cache(make_printer_profile)
INTENTS = {"relative": CODES.RELATIVE_COLORIMETRIC, "perceptual": CODES.PERCEPTUAL}


def profile_of(data: bytes) -> Profile:
    """A profile as a step finds it."""
    return find_profile(sha256(data), {}, data)


def proof_by(
    folder: Path,
    printer: bytes | None,
    intent: Intent = "relative",
    *,
    source: bytes = SRGB,
    **more: str,
) -> Proof:
    """A proof of a picture, with black point compensation where it means something."""
    made = picture(folder, np.zeros((4, 4, 3), np.uint8))
    profiles = () if printer is None else (printer,)
    measuring = measure_task(made, *profiles, intent=intent, **more).measuring
    output = profile_of(source if printer is None else printer)
    return Proof(Conversion(profile_of(source), output, intent, intent == "relative"), measuring)


def shown(proof: Proof, pixels: Bytes, *, quickly: bool = False) -> NDArray[np.int16]:
    """What the proof shows of 8-bit pixels."""
    codes = pixels.astype(np.uint16) * np.uint16(257)
    lab = np.stack(LabOf(proof.conversion.source)(codes), axis=-1)
    converted = proof.drawn(codes, lab) if quickly else proof.converted(codes, lab)
    return proof.printed(converted).shown.astype(np.int16)


def by_pillow(pixels: Bytes, printer: bytes, first: int, second: int) -> NDArray[np.int16]:
    """The same by Pillow: its first intent leads to the print, its second to the display."""
    srgb = ImageCms.ImageCmsProfile(io.BytesIO(SRGB))
    flags = ImageCms.Flags
    transform = ImageCms.buildProofTransform(
        srgb, srgb, ImageCms.ImageCmsProfile(io.BytesIO(printer)), "RGB", "RGB",
        ImageCms.Intent(first), ImageCms.Intent(second),
        flags.SOFTPROOFING | flags.BLACKPOINTCOMPENSATION | flags.NOOPTIMIZE,
    )  # fmt: skip
    made = ImageCms.applyTransform(Image.fromarray(pixels), transform)
    assert made is not None
    return np.asarray(made).astype(np.int16)


@pytest.mark.parametrize(
    ("name", "spec", "intent"),
    [
        ("astronaut", MATTE_RAG, "relative"),
        ("coffee", BARYTA, "relative"),
        ("coffee", MATTE_RAG, "perceptual"),
        ("astronaut", BARYTA, "perceptual"),
    ],
    ids=["rag", "baryta", "rag perceptual", "baryta perceptual"],
)
def test_proof_of_a_photograph(
    name: str, spec: PrinterSpec, intent: Intent, tmp_path: Path
) -> None:
    """Each pixel is within 1 of 255 codes of Pillow's, and within 3 by the tables of drawings.

    Pillow's two intents are easily exchanged; what comes of that is off by 10 and more, so this
    would be noticed.
    """
    pixels = getattr(skimage.data, name)()[::3, ::3]
    printer = printer_of(spec)
    proof = proof_by(tmp_path, printer, intent)
    wanted = by_pillow(pixels, printer, INTENTS[intent], CODES.ABSOLUTE_COLORIMETRIC)
    assert np.abs(shown(proof, pixels) - wanted).max() <= 1
    assert np.abs(shown(proof, pixels, quickly=True) - wanted).max() <= 3
    exchanged = by_pillow(pixels, printer, CODES.ABSOLUTE_COLORIMETRIC, INTENTS[intent])
    assert np.abs(exchanged - wanted).max() > 10


@pytest.mark.parametrize("spec", [MATTE_RAG, BARYTA], ids=["rag", "baryta"])
def test_white_and_black_of_a_profile(spec: PrinterSpec, tmp_path: Path) -> None:
    """White comes out as the printer's paper, black as its deepest black, as both were invented."""
    proof = proof_by(tmp_path, printer_of(spec))
    ends = np.array([[[0, 0, 0], [255, 255, 255]]], np.uint8)
    codes = ends.astype(np.uint16) * np.uint16(257)
    lab = np.stack(LabOf(proof.conversion.source)(codes), axis=-1)
    printed = proof.printed(proof.converted(codes, lab))
    found = colour.XYZ_to_Lab(printed.light[0] * D50, WHITE)
    assert found[1] == pytest.approx(spec.white, abs=0.1)
    # LittleCMS tells the output's black from a ramp for the compensation, a little too light.
    assert 0 <= found[0, 0] - spec.black[0] < 1.5
    assert white_and_black(proof) == pytest.approx((spec.white[0], spec.black[0]), abs=0.1)
    display = colour.XYZ_to_sRGB(colour.Lab_to_XYZ(spec.white, WHITE), WHITE, "Bradford") * 255
    assert printed.shown[0, 1] == pytest.approx(display, abs=1)


def test_white_and_black_of_a_surface(tmp_path: Path) -> None:
    """Where the lab converts, white and black are those of the surface, and between them it scales.

    ISO 18619's neutral form with a black of L* 18 moves L* 20 to 27.93 and 50 to 52.37 (worked out
    from its formula by hand).
    """
    plain = {"white_l": "100", "white_b": "0", "black_l": "18"}
    proof = proof_by(tmp_path / "plain", None, **plain)
    greys = np.array([[0, 0, 0], [20, 0, 0], [50, 0, 0], [100, 0, 0]], np.float32)
    found = proof.printed(greys).lightness
    assert found == pytest.approx([18, 27.93, 52.37, 100], abs=0.01)
    metal = proof_by(tmp_path / "metal", None, white_l="70", white_b="0.5", black_l="14")
    printed = metal.printed(greys)
    lab = colour.XYZ_to_Lab(printed.light * D50, WHITE)
    assert lab[3] == pytest.approx([70, 0, 0.5], abs=0.01)
    assert lab[0, 0] == pytest.approx(14, abs=0.01)


@pytest.mark.parametrize("spec", [MATTE_RAG, BARYTA], ids=["rag", "baryta"])
def test_share_that_changes(spec: PrinterSpec, tmp_path: Path) -> None:
    """The share that changes by more than 5 is that of colour-science, on every pixel.

    The photograph's codes are read as ROMM RGB, so that its colours are strong.
    Black is scaled there in XYZ (ISO 18619) to the black that the printer was invented with.
    """
    pixels, romm = skimage.data.coffee()[::2, ::2], build_matrix_profile("romm")
    printer = printer_of(spec)
    said = measures_of(tmp_path / "said", pixels, printer, profile=romm)
    darkest, paper = (colour.Lab_to_XYZ(lab, WHITE)[1] for lab in (spec.black, spec.white))
    black = float(darkest / paper)
    proof = proof_by(tmp_path / "proof", printer, source=romm)
    codes = pixels.reshape(-1, 3).astype(np.uint16) * np.uint16(257)
    lab = np.stack(LabOf(proof.conversion.source)(codes), axis=-1).astype(np.float64)
    xyz = colour.Lab_to_XYZ(lab, WHITE) / D50
    wanted = colour.XYZ_to_Lab((xyz * (1 - black) + black) * D50, WHITE)
    apart = colour.delta_E(wanted, proof.converted(codes, lab), method="CIE 2000")
    share = 100 * float(np.mean(apart > 5))
    assert share > 5
    assert float(said.changed_percent) == pytest.approx(share, abs=0.5)


def test_share_by_the_other_intent(tmp_path: Path) -> None:
    """It is that of two conversions by Pillow, compared by colour-science."""
    pixels = skimage.data.astronaut()[::2, ::2]
    printer = printer_of(MATTE_RAG)
    said = measures_of(tmp_path, pixels, printer)
    in_lab = [lab_by_pillow(pixels, printer, intent) for intent in INTENTS.values()]
    apart = colour.delta_E(*in_lab, method="CIE 2000")
    assert float(said.other_intent_mean or "") == pytest.approx(float(apart.mean()), abs=0.15)
    share = 100 * float(np.mean(apart > 3))
    assert float(said.other_intent_percent or "") == pytest.approx(share, abs=0.5)


def lab_by_pillow(pixels: Bytes, printer: bytes, intent: ImageCms.Intent) -> NDArray[np.float64]:
    """Relative L*a*b* of what 8-bit pixels become, in steps of 8 bits."""
    device = ImageCms.profileToProfile(
        Image.fromarray(pixels), io.BytesIO(SRGB), io.BytesIO(printer), intent,
        flags=ImageCms.Flags.BLACKPOINTCOMPENSATION,
    )  # fmt: skip
    assert device is not None
    lab = ImageCms.profileToProfile(
        device, io.BytesIO(printer), ImageCms.createProfile("LAB"),
        CODES.RELATIVE_COLORIMETRIC, "LAB",
    )  # fmt: skip
    assert lab is not None
    # Pillow's LAB has a and b signed, as two's complement.
    raw = np.frombuffer(lab.tobytes(), np.uint8).reshape(-1, 3)
    return np.stack([raw[:, 0] / 2.55, *raw[:, 1:].view(np.int8).T.astype(float)], axis=-1)


def test_histogram_of_lightness(tmp_path: Path) -> None:
    """It is NumPy's, smoothed by 1, 2, 1 over its hundred steps."""
    codes = skimage.data.coffee().astype(np.uint16) * np.uint16(257)
    lightness = LabOf(profile_of(SRGB))(codes)[0]
    counts, _ = np.histogram(lightness, 100, (0, 100))
    wanted = np.convolve(counts / lightness.size, [0.25, 0.5, 0.25])[1:-1]
    assert np.abs(lightness_shares(lightness) - wanted).max() < 0.001
