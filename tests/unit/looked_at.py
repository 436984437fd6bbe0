"""A picture looked at in this process: its own tags, its layout, its measures, every check."""

from dataclasses import dataclass, replace
from datetime import date
from functools import cache
from pathlib import Path

from given import LIMITS, asked
from made_plans import Made, Pixels, picture, sha256

from platemark.checks import run_checks
from platemark.engine.knowing import choose, know
from platemark.engine.workshop import space_hashes
from platemark.imaging.icc import build_matrix_profile
from platemark.imaging.make import PRINTERS
from platemark.imaging.measure import measure
from platemark.imaging.print_model import make_printer_profile
from platemark.imaging.probe import probe
from platemark.model.finding import Finding
from platemark.model.known import Known, ProfileStanding
from platemark.model.measures import Measures
from platemark.model.planning import measuring_of
from platemark.model.surface import Surface
from platemark.model.testing import strip_px
from platemark.model.work import HeaderLimits, MeasureTask, ProbeTask
from platemark.settings.load import load_settings

TODAY = date(2026, 3, 2)
SETTINGS = load_settings(Path(__file__).resolve().parents[2] / "config")
HEADER = HeaderLimits(
    LIMITS.pixels, LIMITS.side_px, LIMITS.file_bytes, LIMITS.expansion, LIMITS.progressive_pixels
)


@cache
def printer_profile(surface_id: str) -> bytes:
    """The demonstration's profile of one of the surfaces that its lab has profiles for."""
    return make_printer_profile(PRINTERS[surface_id])


@dataclass(frozen=True)
class Looked:
    """One picture on one surface."""

    known: Known
    measures: Measures
    findings: tuple[Finding, ...]

    @property
    def cautions(self) -> list[str]:
        """Codes of what its ticket would say."""
        return [each.code for each in self.findings if each.severity == "caution"]

    def said(self, code: str) -> str:
        """The sentence of the one finding of that code."""
        (found,) = (each for each in self.findings if each.code == code)
        return found.message


def written(folder: Path, pixels: Pixels, space: str = "srgb") -> Made:
    """Write pixels as a TIFF in a working space, for any number of surfaces."""
    return picture(folder, pixels, build_matrix_profile(space))


def look(made: Made, surface_id: str, ppi: float | None = None, **said: str) -> Looked:
    """Examine a picture on a surface of the starter studio.

    Args:
        made: The picture.
        surface_id: Of the starter.
        ppi: How large it is printed; a little more than the surface is content with, if not given.
        said: Request keys.
    """
    surface = SETTINGS.surface(surface_id)
    assert surface is not None
    return look_on(made, surface, ppi, **said)


def look_on(made: Made, surface: Surface, ppi: float | None = None, **said: str) -> Looked:
    """The same on a surface that was changed."""
    _, product = choose(SETTINGS, surface, asked().request)
    assert product is not None
    ppi = ppi or 1.02 * max(surface.ppi.caution, product.ppi.lowest)
    size = f"{made.width / ppi:.3f}x{made.height / ppi:.3f}in"
    profiles, standing = {}, ProfileStanding("none-needed")
    if product.profile is not None:
        data = printer_profile(surface.id)
        path = made.folder / f"{surface.id}.icc"
        path.write_bytes(data)
        profiles[sha256(data)] = str(path)
        standing = ProfileStanding(
            "good", path.name, sha256(data), sha256(data), "Demo", "2.4", admitted_on=TODAY,
            intents=("perceptual", "relative", "saturation"),
        )  # fmt: skip
    known = know(
        name=made.original.name,
        surface=surface,
        facts=probe(ProbeTask(str(made.original), made.original.name, HEADER)).facts,
        resolved=asked(size=size, **said),
        settings=SETTINGS,
        profile=standing,
        earlier=(),
        today=TODAY,
    )
    measuring = measuring_of(known, space_hashes(), strip_px(known))
    assert measuring is not None, known.misfit
    task = MeasureTask(str(made.original), measuring, tuple(profiles.items()))
    measures = measure(task).measures
    known = replace(known, measures=measures)
    return Looked(known, measures, run_checks(known))
