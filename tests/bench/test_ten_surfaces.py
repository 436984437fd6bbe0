"""The whole job on every surface of the starter studio, against the bare library.

Measures and prints; asserts only that the work was done. `pytest -m bench -n 0 -s tests/bench`.
"""

import sys
from fractions import Fraction
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "crash"))
sys.path.insert(0, str(Path(__file__).parent))

from harness import printer_profile
from measuring import bare, careful, ours, write_picture

from platemark.imaging.icc import build_matrix_profile
from platemark.settings.starter import copy_starter

WIDTH, HEIGHT, INCHES = 6000, 4000, 24


@pytest.mark.bench
def test_every_surface_against_bare_and_careful(tmp_path: Path) -> None:
    """Prints the whole job's time on each surface as a ratio to the bare and the careful script."""
    settings = copy_starter(tmp_path / "studio")
    root = tmp_path / "studio"
    for file in (root / "labs").glob("*.toml"):
        text = file.read_text().replace('rule = "quiet"\nminutes = 10', 'rule = "each"')
        file.write_text(text.replace('rule = "at"\ntimes = ["06:15"]', 'rule = "each"'))
    rag, adobe = tmp_path / "rag.icc", tmp_path / "adobe.icc"
    rag.write_bytes(printer_profile())
    adobe.write_bytes(build_matrix_profile("adobe-rgb"))
    write_picture(tmp_path / "warm.tif", 3600, 2400)
    print()
    for number, surface in enumerate(settings.surfaces):
        lab = settings.usual_lab(surface.id)
        product = lab.product_for(surface.id) if lab is not None else None
        assert product is not None
        if product.profile is not None:
            (root / "profiles" / product.profile.file).write_bytes(printer_profile())
        # A lab's profile is admitted once, so a first small print has that behind it.
        ours(root, tmp_path / "warm.tif", f"hot/{surface.id}/warm_18x12in.tif")
        source = tmp_path / f"{surface.id}.tif"
        write_picture(source, WIDTH, HEIGHT, seed=number)
        around = product.bleed.inches if surface.edge == "bleed" else Fraction(0)
        if surface.edge == "wrap":
            around = product.wrap.inches + product.tuck.inches
        pixels = str(round(around * WIDTH / INCHES))
        profile = adobe if product.profile is None else rag
        form = "jpg" if product.form.format == "jpeg" else "tif"
        depth = 8 if form == "jpg" else product.form.bits
        a = bare(source, tmp_path, profile, pixels, depth, form)
        b = careful(source, tmp_path, profile, pixels, depth, form)
        c = ours(root, source, f"hot/{surface.id}/picture_24x16in.tif")
        print(
            f"{WIDTH * HEIGHT / 1e6:.0f} Mpx {surface.id}: bare {a.wall:.2f} s, "
            f"careful {b.wall:.2f} s, whole job {c.wall:.2f} s = {c.wall / a.wall:.2f} × bare, "
            f"{c.wall / b.wall:.2f} × careful ({c.cpu / b.cpu:.2f} in processor seconds)"
        )
        source.unlink()
    assert len(list((root / "outgoing").glob("*/*/data/*"))) == 2 * len(settings.surfaces)
