"""Ten surfaces, both kinds of product and every way to fill an edge, through the real command.

One sweep takes a photograph of scikit-image to each surface of the starter studio, another takes
them through the modes. What comes out is read with tifffile, Pillow and bagit (PyPI), and with
exiftool and tiffinfo where they are installed. The expected boxes are worked out here once more,
with fractions, from the rules: trim rounded half up; bleed, wrap and tuck up; 1 in = 25.4 mm.
"""

import hashlib
import json
import math
import re
import subprocess
from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

import bagit
import numpy as np
import pytest
import skimage.data
import tifffile
from at_work import jobs
from numpy.typing import NDArray
from PIL import Image

from forked_sweep import forked_sweep
from platemark.imaging.icc import build_matrix_profile
from platemark.imaging.make import PRINTERS
from platemark.imaging.print_model import make_printer_profile
from platemark.settings.starter import copy_starter

Pixels = NDArray[np.uint8] | NDArray[np.uint16]

IN = Fraction(254, 10)


@dataclass(frozen=True)
class Dropped:
    """A photograph and what is asked of it."""

    surface: str
    photograph: str
    width: int
    height: int
    size: str
    says: str = ""
    space: str = "srgb"
    name: str = ""

    @property
    def file(self) -> str:
        """Its name in the hot folder."""
        return f"{self.name or self.surface}.tif"


@dataclass(frozen=True)
class Printed:
    """A print file as it came into the parcel, with its ticket."""

    parcel: Path
    path: Path
    ticket: dict[str, Any]
    pixels: Pixels

    @property
    def document(self) -> tuple[int, int]:
        """Width and height of the whole file, px."""
        return self.pixels.shape[1], self.pixels.shape[0]

    def box(self, name: str) -> tuple[int, int, int, int]:
        """A box of the ticket: left, top, width, height."""
        box = self.ticket["geometry"][f"{name}_box"]
        return box["left"], box["top"], box["width"], box["height"]

    def inside(self, name: str) -> Pixels:
        """The file's pixels in a box of the ticket."""
        left, top, width, height = self.box(name)
        return self.pixels[top : top + height, left : left + width]


def photograph(name: str, width: int, height: int) -> NDArray[np.uint8]:
    """A photograph's upper left, or of a smaller one twice as large as it is."""
    whole = Image.fromarray(getattr(skimage.data, name)())
    while whole.width < width or whole.height < height:
        whole = whole.resize((whole.width * 2, whole.height * 2), Image.Resampling.BICUBIC)
    return np.asarray(whole.crop((0, 0, width, height)))


def made_studio(root: Path) -> Path:
    """The starter studio with its invented profiles, whose labs make any size."""
    copy_starter(root)
    for lab in ("brindlewick", "tarnmoor"):
        path = root / "labs" / f"{lab}.toml"
        path.write_text(re.sub(r"(?ms)^sizes = \[.*?\]", "sizes = []", path.read_text()))
    for surface, printer in PRINTERS.items():
        profile = root / "profiles" / f"brindlewick-{surface}.icc"
        profile.write_bytes(make_printer_profile(printer))
    return root


def drop(root: Path, each: Dropped) -> None:
    hot = root / "hot" / each.surface / "drop"
    hot.mkdir(exist_ok=True)
    tifffile.imwrite(
        hot / each.file,
        photograph(each.photograph, each.width, each.height),
        photometric="rgb",
        iccprofile=build_matrix_profile(each.space),
        metadata=None,
    )
    (hot / f"{each.file}.toml").write_text(f'size = "{each.size}"\n{each.says}\n')


def swept(root: Path, dropped: tuple[Dropped, ...]) -> None:
    """Drop and sweep once; everything must go through."""
    for each in dropped:
        drop(root, each)
    code, said, complained = forked_sweep(root)
    held = [(job["original_name"], job["findings"]) for job in jobs(root) if not job["parcel"]]
    assert (code, held) == (0, []), said + complained


def printed(root: Path) -> dict[str, Printed]:
    """What is in the parcels, by the name of the file dropped."""
    found = {}
    for parcel in sorted((root / "outgoing").glob("*/*")):
        for ticket in json.loads((parcel / "ticket.json").read_bytes())["tickets"]:
            path = parcel / ticket["print_file"]["path"]
            pixels = (
                tifffile.imread(path) if path.suffix == ".tif" else np.asarray(Image.open(path))
            )
            found[ticket["original"]["name"]] = Printed(parcel, path, ticket, pixels)
    return found


def up(mm: Fraction | int, ppi: int) -> int:
    """Pixels of a length, rounded up."""
    return math.ceil(Fraction(mm) / IN * ppi)


def padded(pixels: Pixels, by: int, mode: str) -> Pixels:
    return np.pad(pixels, ((by, by), (by, by), (0, 0)), mode=mode)  # type: ignore[call-overload]


def difference(one: Pixels, other: Pixels) -> float:
    return float(np.abs(one.astype(float) - other.astype(float)).mean())


# Sizes are such that every picture is within its product's range and keeps its pixels; 254 ppi are
# 10 px to a millimetre.
TEN = (
    Dropped("smooth-rag", "coffee", 600, 400, "3x2in", space="romm"),
    Dropped("etching-rag", "rocket", 600, 400, "3x2in", 'border = "0.5in"', "adobe-rgb"),
    Dropped("baryta", "astronaut", 500, 500, "2x2in", 'edge = "extend"', "display-p3"),
    Dropped("canvas-wrap", "chelsea", 600, 450, "4x3in", 'wrap = "0.75in"'),
    Dropped("rc-lustre", "hubble_deep_field", 720, 480, "3x2in"),
    Dropped("acrylic-bonded", "rocket", 600, 400, "60x40mm"),
    Dropped("acrylic-reverse", "chelsea", 1200, 800, "120x80mm"),
    Dropped("aluminium-matte", "coffee", 600, 400, "60x40mm", space="adobe-rgb"),
    Dropped("aluminium-bare", "hubble_deep_field", 720, 480, "3x2in"),
    Dropped("pvc-board", "astronaut", 400, 400, "2x2in"),
)
PPI = {"60x40mm": 254, "120x80mm": 254, "2x2in": 0, "3x2in": 0, "4x3in": 150}
"""0: pixels by inches."""

# Pixels around the face on each side: bleed in mm by the lab, or wrap and tuck in inches.
AROUND: dict[str, tuple[Fraction | int, ...]] = {
    "smooth-rag": (), "etching-rag": (), "baryta": (3,),
    "canvas-wrap": (Fraction(3, 4) * IN, Fraction(1, 2) * IN), "rc-lustre": (3,),
    "acrylic-bonded": (5,), "acrylic-reverse": (5,), "aluminium-matte": (3,),
    "aluminium-bare": (3,), "pvc-board": (5,),
}  # fmt: skip
FORMS = {
    "smooth-rag": ("TIFF", 16), "etching-rag": ("TIFF", 16), "baryta": ("TIFF", 16),
    "canvas-wrap": ("TIFF", 8), "rc-lustre": ("JPEG", 8), "acrylic-bonded": ("TIFF", 8),
    "acrylic-reverse": ("TIFF", 8), "aluminium-matte": ("TIFF", 8), "aluminium-bare": ("TIFF", 8),
    "pvc-board": ("JPEG", 8),
}  # fmt: skip
OF_SURFACE = {each.surface: each for each in TEN}
SURFACES = pytest.mark.parametrize("surface", list(OF_SURFACE))


def ppi_of(each: Dropped) -> int:
    return PPI[each.size] or each.width // int(each.size[0])


@pytest.fixture(scope="module")
def ten(made_once: Callable[..., Path]) -> dict[str, Printed]:
    made = made_once("ten", lambda folder: swept(made_studio(folder / "studio"), TEN))
    return printed(made / "studio")


@SURFACES
def test_boxes_are_what_the_rules_say(surface: str, ten: dict[str, Printed]) -> None:
    """Document = face + 2 × extras at the product's resolution; nothing inside is resampled."""
    each, made = OF_SURFACE[surface], ten[f"{surface}.tif"]
    ppi = ppi_of(each)
    around = sum(up(mm, ppi) for mm in AROUND[surface])
    border = ppi // 2 if surface == "etching-rag" else 0
    face = (around + border, around + border, each.width, each.height)
    assert made.box("face") == face
    width, height = each.width + 2 * face[0], each.height + 2 * face[1]
    assert made.document == (width, height)
    geometry = made.ticket["geometry"]
    assert geometry["bleed_px"] + geometry["wrap_px"] + geometry["tuck_px"] == around
    cut = geometry["tuck_px"] if surface == "canvas-wrap" else around
    assert made.box("trim") == (cut, cut, width - 2 * cut, height - 2 * cut)
    assert geometry["native_ppi"] == made.ticket["print_file"]["ppi"] == str(ppi)
    codes = {change["code"] for change in made.ticket["changes"]}
    assert not codes & {"enlarged", "reduced", "cropped"}


@SURFACES
def test_the_file_is_what_the_ticket_says(surface: str, ten: dict[str, Printed]) -> None:
    """Size, depth, profile, resolution and hash, read with other libraries than wrote them."""
    made = ten[f"{surface}.tif"]
    stated = made.ticket["print_file"]
    form, bits = FORMS[surface]
    assert (stated["format"], stated["bits"]) == (form, bits)
    assert hashlib.sha256(made.path.read_bytes()).hexdigest() == stated["sha256"]
    if form == "TIFF":
        with tifffile.TiffFile(made.path) as file:
            page = file.pages[0]
            profile = page.tags[34675].value
            tags = [Fraction(*page.tags[tag].value) for tag in (282, 283)]
            assert (page.bitspersample, page.samplesperpixel) == (bits, 3)
            assert len(file.pages) == 1
    else:
        with Image.open(made.path) as opened:
            profile, tags = opened.info["icc_profile"], list(opened.info["dpi"])
    assert (stated["width_px"], stated["height_px"]) == made.document
    assert hashlib.sha256(profile).hexdigest() == stated["profile_sha256"]
    assert [float(tag) for tag in tags] == pytest.approx([float(Fraction(stated["ppi"]))] * 2)
    if surface in PRINTERS:
        # Converted by us: the lab's own file, byte for byte.
        assert profile == make_printer_profile(PRINTERS[surface])


@SURFACES
def test_the_edge_is_the_pictures_own(surface: str, ten: dict[str, Printed]) -> None:
    """Bleed and wrap are the face's mirrored or outermost pixels; a border is bare paper.

    Mirrored means with the edge pixel repeated: 2 1 1 2 3 (house rule). Exact at 16 bit and where
    nothing is converted; one code for the dither, and a JPEG's coding, are allowed.
    """
    each, made = OF_SURFACE[surface], ten[f"{surface}.tif"]
    face, by = made.inside("face"), made.box("face")[0]
    if surface == "etching-rag":
        expected = np.pad(face, ((by, by), (by, by), (0, 0)), constant_values=65535)
    else:
        expected = padded(face, by, "edge" if surface == "baryta" else "symmetric")
    seen = made.pixels
    if surface == "acrylic-reverse":
        seen, expected = seen[:-by], expected[:-by]  # below is the line of text
    if FORMS[surface][0] == "JPEG":
        assert difference(seen, expected) < 2
    elif surface == "canvas-wrap":
        assert np.abs(seen.astype(int) - expected).max() <= 1
    else:
        assert np.array_equal(seen, expected)
    if surface not in PRINTERS:
        original = photograph(each.photograph, each.width, each.height)
        coding = 2.5 if FORMS[surface][0] == "JPEG" else 0
        assert difference(face, original) <= coding


def test_bags_are_whole(ten: dict[str, Printed]) -> None:
    """Every parcel is a valid bag (RFC 8493), judged by bagit."""
    for parcel in {made.parcel for made in ten.values()}:
        bagit.Bag(str(parcel)).validate()


def test_colours_were_converted_once(ten: dict[str, Printed]) -> None:
    """Four surfaces carry the lab's profile and say so; six the picture's own, untouched."""
    for surface in OF_SURFACE:
        colour = ten[f"{surface}.tif"].ticket["colour"]
        assert colour["conversion"] == ("lab-profile" if surface in PRINTERS else "keep")
    rag = ten["smooth-rag.tif"].ticket
    assert rag["instructions"][0].endswith("print without colour management, do not convert.")
    bonded = ten["acrylic-bonded.tif"].ticket
    assert bonded["instructions"][0].startswith("Convert once from the embedded profile")


def test_what_is_special_is_on_the_ticket(ten: dict[str, Printed]) -> None:
    """Mirroring, brush lines, weight and hanging are told where they matter, and only there."""
    reverse, bare = (ten[f"{name}.tif"].ticket for name in ("acrylic-reverse", "aluminium-bare"))
    said = " ".join(reverse["instructions"])
    assert "mirror it exactly once, at your end" in said
    assert "“READS RIGHT · MIRROR ONCE · 120x80mm" in said
    assert "slug-added" in {change["code"] for change in reverse["changes"]}
    assert "along the picture’s width: do not turn it" in " ".join(bare["instructions"])
    assert bare["geometry"]["direction"] == "along-width"
    for surface in OF_SURFACE:
        ticket = ten[f"{surface}.tif"].ticket
        is_panel = surface.startswith(("acrylic", "aluminium", "pvc", "canvas"))
        assert (ticket["weight"] is not None) is is_panel
        assert ("local codes" in " ".join(ticket["cautions"])) is is_panel
        if surface != "acrylic-reverse":
            assert "slug" not in json.dumps(ticket["changes"])


@pytest.mark.tool("tiffinfo")
@SURFACES
def test_tiffinfo_reads_it(surface: str, ten: dict[str, Printed]) -> None:
    """Libtiff's own reader finds the same size, depth and resolution, and no complaint."""
    made = ten[f"{surface}.tif"]
    if FORMS[surface][0] == "JPEG":
        return
    told = subprocess.run(["tiffinfo", str(made.path)], capture_output=True, text=True, check=True)
    assert told.stderr == ""
    width, height = made.document
    assert f"Image Width: {width} Image Length: {height}" in told.stdout
    assert f"Bits/Sample: {FORMS[surface][1]}" in told.stdout
    ppi = re.search(r"Resolution: ([0-9.]+), ([0-9.]+) pixels/inch", told.stdout)
    assert ppi is not None
    wanted = float(Fraction(made.ticket["print_file"]["ppi"]))
    assert [float(value) for value in ppi.groups()] == pytest.approx([wanted] * 2, abs=0.01)


@pytest.mark.tool("exiftool")
@SURFACES
def test_exiftool_reads_it(surface: str, ten: dict[str, Printed]) -> None:
    """A general reader of tags finds size, resolution in inches, an upright picture, no place."""
    made = ten[f"{surface}.tif"]
    told = subprocess.run(
        ["exiftool", "-json", "-n", str(made.path)], capture_output=True, text=True, check=True
    )
    (tags,) = json.loads(told.stdout)
    assert (tags["ImageWidth"], tags["ImageHeight"]) == made.document
    wanted = float(Fraction(made.ticket["print_file"]["ppi"]))
    assert [tags["XResolution"], tags["YResolution"]] == pytest.approx([wanted] * 2, abs=0.01)
    assert tags["ResolutionUnit"] == 2
    assert tags.get("Orientation", 1) == 1
    assert not {"GPSLatitude", "SerialNumber", "Warning", "Error"} & tags.keys()


ALU, CANVAS = "aluminium-matte", "canvas-wrap"
YES = 'allow = "edge-takes-picture"\nby = "Ilka"\nbecause = "tried on paper"'
ORANGE = "#ff8000"


def mode(name: str, surface: str, width: int, height: int, size: str, says: str) -> Dropped:
    return Dropped(surface, "rocket", width, height, size, says, name=name)


# All aluminium is 254 ppi: 10 px to a millimetre, bleed 3 mm = 30 px. Canvas is 150 ppi, bars of
# .75 in and tuck of .5 in: 113 + 75 px.
MODES = (
    mode("mirror", ALU, 600, 400, "60x40mm", 'edge = "mirror"'),
    mode("extend", ALU, 601, 400, "60.1x40mm", 'edge = "extend"'),
    mode("solid", ALU, 602, 400, "60.2x40mm", f'edge = "solid {ORANGE}"'),
    mode("none", ALU, 603, 400, "60.3x40mm", 'edge = "none"'),
    mode("included", ALU, 660, 460, "60x40mm", 'edge = "included"'),
    mode("image", ALU, 661, 460, "60.1x40mm", 'edge = "image"'),
    mode("border", ALU, 400, 300, "40x30mm", 'border = "5mm 10mm 15mm 20mm"'),
    mode("sheet", ALU, 401, 300, "40.1x30mm", 'sheet = "60.1x50mm"'),
    mode("crop-top", ALU, 600, 600, "60x40mm", 'fit = "crop"\ncrop_at = "top"'),
    mode("crop-box", ALU, 800, 600, "40x40mm", 'fit = "crop"\ncrop_at = "0.25 0.2 0.9 0.9"'),
    mode("fit-border", ALU, 600, 400, "60x60mm", 'fit = "border"'),
    mode("long", ALU, 630, 420, "long 63mm", ""),
    mode("short", ALU, 640, 400, "short 40mm", ""),
    mode("panorama", ALU, 1200, 400, "120x40mm", ""),
    mode("square", ALU, 420, 420, "42x42mm", ""),
    mode("turned", ALU, 400, 620, "62x40mm", ""),
    mode("studio-mirrors", "acrylic-reverse", 1240, 800, "124x80mm", ""),
    mode("wrap-solid", CANVAS, 450, 450, "3x3in", f'edge = "solid {ORANGE}"'),
    mode("wrap-extend", CANVAS, 450, 600, "3x4in", 'edge = "extend"'),
    mode("wrap-image", CANVAS, 826, 976, "3x4in", f'edge = "image"\n{YES}'),
    mode("wrap-included", CANVAS, 826, 826, "3x3in", 'edge = "included"'),
)
OF_MODE = {each.name: each for each in MODES}


@pytest.fixture(scope="module")
def modes(made_once: Callable[..., Path]) -> dict[str, Printed]:
    found = printed(made_once("modes", _sweep_modes) / "studio")
    return {name.removesuffix(".tif"): made for name, made in found.items()}


def _sweep_modes(folder: Path) -> None:
    root = made_studio(folder / "studio")
    path = root / "labs/tarnmoor.toml"
    path.write_text(path.read_text().replace('mirror_by = "lab"', 'mirror_by = "studio"'))
    path = root / "labs/brindlewick.toml"
    path.write_text(
        path.read_text()
        .replace('wrap = "1.5in"', 'wrap = "0.75in"')
        .replace('wraps = ["0.75in", "2in"]', 'wraps = ["1.5in"]')
    )
    swept(root, MODES)


def original_of(name: str) -> NDArray[np.uint8]:
    each = OF_MODE[name]
    return photograph(each.photograph, each.width, each.height)


def solid(pixels: Pixels, by: int) -> Pixels:
    made = np.full((pixels.shape[0] + 2 * by, pixels.shape[1] + 2 * by, 3), (255, 128, 0), np.uint8)
    made[by:-by, by:-by] = pixels
    return made


def on_paper(pixels: Pixels, left: int, top: int, right: int, bottom: int) -> Pixels:
    return np.pad(pixels, ((top, bottom), (left, right), (0, 0)), constant_values=255)


def expected_of(name: str) -> Pixels:
    """The whole aluminium print, made here once more from the photograph with NumPy."""
    picture = original_of(name)
    whole: dict[str, Pixels] = {
        "extend": padded(picture, 30, "edge"),
        "solid": solid(picture, 30),
        "none": picture,
        "included": picture,
        "image": picture,
        "border": on_paper(picture, 50, 100, 150, 200),
        "sheet": on_paper(picture, 100, 100, 100, 100),
        "crop-top": padded(picture[:400], 30, "symmetric"),
        # .25 to .9 of 800 px and .2 to .9 of 600 px are 520 × 420 px, of which 420 × 420 are kept.
        "crop-box": padded(picture[120:540, 250:670], 32, "symmetric"),
        "fit-border": on_paper(picture, 0, 100, 0, 100),
    }
    return whole[name] if name in whole else padded(picture, 30, "symmetric")


@pytest.mark.parametrize("name", [each.name for each in MODES if each.surface == ALU])
def test_every_mode_to_the_pixel(name: str, modes: dict[str, Printed]) -> None:
    """Each way to fill, crop and border gives exactly the pixels that NumPy gives."""
    assert np.array_equal(modes[name].pixels, expected_of(name))


@pytest.mark.parametrize(
    ("name", "size", "sheet", "border"),
    [
        ("border", "40x30mm", "60x60mm", "5mm 10mm 15mm 20mm"),
        ("sheet", "40.1x30mm", "60.1x50mm", "10mm"),
        ("fit-border", "60x40mm", "60x60mm", "0mm 10mm 0mm 10mm"),
        ("long", "63x42mm", "63x42mm", "none"),
        ("short", "64x40mm", "64x40mm", "none"),
        ("panorama", "120x40mm", "120x40mm", "none"),
        ("turned", "40x62mm", "40x62mm", "none"),
        ("crop-box", "40x40mm", "40x40mm", "none"),
    ],
)
def test_size_sheet_and_border_on_the_ticket(
    name: str, size: str, sheet: str, border: str, modes: dict[str, Printed]
) -> None:
    """Any two give the third; a one-sided size and a size turned on its side follow the picture."""
    request = modes[name].ticket["request"]
    assert (request["size"], request["sheet"], request["border"]) == (size, sheet, border)


@pytest.mark.parametrize("name", ["wrap-solid", "wrap-extend", "wrap-image", "wrap-included"])
def test_wraps(name: str, modes: dict[str, Printed]) -> None:
    """The face begins 188 px in, the bar's back edge 75; and round the bar is what was asked."""
    made, each = modes[name], OF_MODE[name]
    wide, high = (450, 450 if each.size == "3x3in" else 600)
    assert made.box("face") == (188, 188, wide, high)
    assert made.box("trim") == (75, 75, wide + 226, high + 226)
    assert made.document == (wide + 376, high + 376)
    face, seen = made.inside("face"), made.pixels.astype(int)
    if name == "wrap-extend":
        assert np.abs(seen - padded(face, 188, "edge")).max() <= 1
    elif name == "wrap-solid":
        around = np.concatenate([seen[:188].reshape(-1, 3), seen[:, :188].reshape(-1, 3)])
        assert np.ptp(around, axis=0).max() <= 1
        assert around[0, 0] > around[0, 1] > around[0, 2]
    else:
        codes = {change["code"] for change in made.ticket["changes"]}
        assert not codes & {"cropped", "enlarged", "reduced", "edge-added"}
    findings = {finding["code"]: finding for finding in made.ticket["findings"]}
    assert ("edge-takes-picture" in findings) is (name == "wrap-image")
    if name == "wrap-image":
        # 450 × 600 of 826 × 976 px.
        assert "The wrap takes 66.5 %" in findings["edge-takes-picture"]["message"]
        assert findings["edge-takes-picture"]["accepted_by"] == "photographer"


def test_what_the_studio_mirrors_is_mirrored_once(modes: dict[str, Printed]) -> None:
    """The whole file is turned left for right, the line of text with it, and the ticket says so."""
    made = modes["studio-mirrors"]
    front = made.pixels[:, ::-1]
    expected = padded(original_of("studio-mirrors"), 50, "symmetric")
    assert np.array_equal(front[:-50], expected[:-50])
    patch = front[-50:] != expected[-50:]
    rows, columns = np.nonzero(patch.any(axis=2))
    # At the left of the trim, and at least 1 mm below it.
    assert columns.min() >= 50
    assert columns.max() < 50 + 1240 * 2 // 3
    assert rows.min() >= 10
    codes = [change["code"] for change in made.ticket["changes"]]
    assert codes.count("mirrored") == codes.count("slug-added") == 1
    said = " ".join(made.ticket["instructions"])
    assert "already mirrored: do not mirror it again" in said
    assert "“MIRRORED ALREADY · NOT AGAIN · 124x80mm" in said
