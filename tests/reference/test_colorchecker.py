"""The 24 patches of a well-known colour chart through a whole rendering and back.

Patches are those of colour-science (PyPI), `ColorChecker24 - After November 2014`, xyY for D50;
iccdev (PyPI), the ICC's own engine, reads the print.
"""

import hashlib
import warnings
from pathlib import Path
from typing import Any

import iccdev
import numpy as np
import pytest
import tifffile
from made_plans import picture, plan_for, render_task
from numpy.typing import NDArray
from PIL import ImageCms

from platemark.imaging.delta_e import delta_e_2000
from platemark.imaging.icc import build_matrix_profile
from platemark.imaging.print_model import BARYTA, MATTE_RAG, make_printer_profile
from platemark.imaging.render import render

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # that it cannot plot
    import colour

Floats = NDArray[np.float64]
PATCH_PX = 24
SPACES = {"romm": "ROMM RGB", "adobe-rgb": "Adobe RGB (1998)"}


def patches() -> tuple[Floats, Floats]:
    """XYZ and L*a*b* (D50) of the patches."""
    chart = colour.CCS_COLOURCHECKERS["ColorChecker24 - After November 2014"]
    xyz = colour.xyY_to_XYZ(np.array(list(chart.data.values())))
    return xyz, colour.XYZ_to_Lab(xyz, chart.illuminant)


def encoded(xyz: Floats, space: str) -> NDArray[np.uint16]:
    """16-bit codes of a working space, adapted by Bradford where its white is another."""
    chart = colour.CCS_COLOURCHECKERS["ColorChecker24 - After November 2014"]
    values = colour.XYZ_to_RGB(
        xyz, SPACES[space], chart.illuminant, "Bradford", apply_cctf_encoding=True
    )
    assert values.min() >= 0
    assert values.max() <= 1
    return np.rint(values * 65535).astype(np.uint16)


def through_iccdev(values: Floats, *profiles: bytes, folder: Path) -> Floats:
    """Values, 0 to 1, taken from the first profile to the last, relative."""
    engine = iccdev.IccCmm()
    for profile in profiles:
        path = folder / f"{hashlib.sha256(profile).hexdigest()}.engine.icc"
        path.write_bytes(profile)
        # Out of Lab, tetrahedra would tint the greys.
        engine.attach(str(path), intent=1, interp=iccdev.Interpolation.Linear)
    engine.begin()
    return np.asarray(engine.apply_ndarray(values.astype(np.float32)), dtype=np.float64)


@pytest.mark.parametrize("space", SPACES)
@pytest.mark.parametrize(("paper", "held"), [(BARYTA, 22), (MATTE_RAG, 12)], ids=["baryta", "rag"])
def test_patches_come_back(space: str, paper: Any, held: int, tmp_path: Path) -> None:
    """Patches in the printer's gamut come back as they were, within 1 ΔE00.

    In the gamut is what iccdev itself brings from L*a*b* to that profile and back within that
    limit, which is for the profile's grid. All 24 come back as iccdev brings them, within .5 (the
    house's limit on the quick way); from ROMM RGB, which goes the exact way, within .15.
    """
    xyz, lab = patches()
    printer = make_printer_profile(paper)
    codes = np.kron(encoded(xyz, space).reshape(4, 6, 3), np.ones((PATCH_PX, PATCH_PX, 1)))
    made = picture(tmp_path, codes.astype(np.uint16), build_matrix_profile(space))
    task = render_task(made, plan_for(made, printer), printer)
    render(task)
    printed = tifffile.imread(task.print_file)[PATCH_PX // 2 :: PATCH_PX, PATCH_PX // 2 :: PATCH_PX]
    in_lab = ImageCms.ImageCmsProfile(ImageCms.createProfile("LAB")).tobytes()
    scale, offset = np.array([100, 255, 255]), np.array([0, 128, 128])
    # That Lab profile is of version 2, where 100 is 0xFF00.
    values = (lab + offset) / scale * (0xFF00 / 0xFFFF)
    device = through_iccdev(values, in_lab, printer, folder=tmp_path)
    theirs = through_iccdev(device, printer, in_lab, folder=tmp_path) * scale - offset
    ours = through_iccdev(printed.reshape(-1, 3) / 65535, printer, in_lab, folder=tmp_path)
    ours = ours * scale - offset
    inside = delta_e_2000(theirs, lab) <= 1
    assert inside.sum() >= held
    assert delta_e_2000(ours, lab)[inside].max() <= 1.05
    assert delta_e_2000(ours, theirs).max() <= (0.15 if space == "romm" else 0.5)
