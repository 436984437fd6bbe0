"""What goes to a child process and what comes back: plain values that survive JSON."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

from platemark.model.adjusting import Adjustment
from platemark.model.finding import Change
from platemark.model.measures import MEASURES_VERSION, Measures
from platemark.model.paper import Paper
from platemark.model.patch_strip import Group, Rgb
from platemark.model.picture import Facts
from platemark.model.plan import Plan, SourceFrom
from platemark.model.strip_report import Against, Level, Limit, StripFigures, White
from platemark.model.terms import Box, Intent


@dataclass(frozen=True, slots=True)
class HeaderLimits:
    """What is refused from the header, before a pixel is read."""

    pixels: int
    side_px: int
    file_bytes: int
    expansion: int
    progressive_pixels: int


@dataclass(frozen=True, slots=True)
class ProbeTask:
    """Read a picture's own tags and decode all of it."""

    path: str
    name: str
    """The name it was dropped under, for its extension."""
    limits: HeaderLimits


@dataclass(frozen=True, slots=True)
class ProbeReport:
    """What the file says of itself."""

    facts: Facts


@dataclass(frozen=True, slots=True)
class Measuring:
    """What a picture's measures and its proof depend on, besides its bytes.

    The same again gives the same. What is drawn alone counts too, for a proof names its surface.
    """

    original_format: Literal["tiff", "jpeg", "png"]
    orientation: int
    """EXIF orientation of the stored pixels."""
    crop: Box
    """Of the upright picture."""
    placed: Box
    """Where what is cropped lies in the document, px."""
    face_box: Box
    """The front face in the document, px."""
    ppi: Fraction
    """Of the document."""
    around_mm: Fraction
    """What is folded over, or cut off, on each side."""
    black_l: str
    """L* of the deepest black of the surface."""
    source_profile_sha256: str
    source_profile_from: SourceFrom
    output_profile_sha256: str
    intent: Intent
    black_point_compensation: bool
    by_lab_profile: bool
    """Whether the output is the lab's profile of its print; else the lab converts."""
    surface_name: str
    white_l: str
    """L* of the bare surface."""
    white_b: str
    bare_metal: bool
    show_other_intent_from: str
    """Percent of the picture: where more looks otherwise by the other intent, it is drawn too."""
    adjust: Adjustment | None = None
    """Worked on the picture before it is measured."""
    places_px: tuple[int, int] = (0, 0)
    """Width and height, on the print, of the places that a test shows; (0, 0) for no test."""
    version: int = MEASURES_VERSION


@dataclass(frozen=True, slots=True)
class MeasureTask:
    """Measure a picture at the size of its print, and draw how it will look there."""

    original: str
    measuring: Measuring
    profiles: tuple[tuple[str, str], ...]
    """(SHA-256, path) of every profile that is neither embedded nor one of our working spaces."""
    proof: str = ""
    """Where to write the proof sheet, a JPEG in sRGB; empty for none."""
    panel: str = ""
    """Where to write the soft proof alone, a PNG in sRGB; empty for none."""
    likeness: bool = False
    """Whether to find what the picture is known by when another file of it comes."""


@dataclass(frozen=True, slots=True)
class MeasureReport:
    """What the picture is like."""

    measures: Measures
    likeness: str = ""
    """As `imaging.likeness` writes it; empty where it was not asked for."""


@dataclass(frozen=True, slots=True)
class Line:
    """A line on a drawing: a box in document pixels and what it stands for."""

    kind: Literal["trim", "bleed", "fold", "safe", "crop", "sheet", "brush"]
    box: Box
    """For `brush` an arrow along its longer side."""


@dataclass(frozen=True, slots=True)
class RenderTask:
    """Make the face, the print file and the ticket's drawing."""

    plan: Plan
    original: str
    profiles: tuple[tuple[str, str], ...]
    """(SHA-256, path) of every profile that the plan names and that is not embedded."""
    face: str
    """Where to write the face: its 16-bit samples, row after row, and nothing else."""
    print_file: str
    drawing: str
    """Where to write the ticket's picture, a JPEG in sRGB of at most 1,200 px a side."""
    lines: tuple[Line, ...]


@dataclass(frozen=True, slots=True)
class RenderReport:
    """What was done to the pixels."""

    changes: tuple[Change, ...]
    engine: str
    """Libraries and their versions, with the hash of the library file."""
    source_profile: str
    """Description of the profile that the pixels were read with."""


@dataclass(frozen=True, slots=True)
class CheckTask:
    """Re-open a print file and hold it against its plan and its face."""

    plan: Plan
    face: str
    print_file: str
    profiles: tuple[tuple[str, str], ...]
    original: str


@dataclass(frozen=True, slots=True)
class CheckReport:
    """Whether the print file is what the plan says; ΔE are CIEDE2000 as decimal strings."""

    passed: bool
    reasons: tuple[str, ...]
    sampled: int
    """Face pixels compared with an exact conversion."""
    mean: str
    p99: str
    largest: str
    container: str
    """How the file's own samples compare: `equal`, `equal to the dither rule`, or a JPEG's ΔE."""


@dataclass(frozen=True, slots=True)
class Choice:
    """One way to make a picture fit, to be drawn on it."""

    label: str
    """`a`, `b`, … as the page names it."""
    kept: Box
    """What is kept of the upright picture, in its pixels."""
    bordered: bool
    """The picture is kept whole and white is added to this proportion."""
    width: int
    """Proportion of the sheet, where bordered."""
    height: int


@dataclass(frozen=True, slots=True)
class PreviewTask:
    """Draw an original small, upright and in sRGB, with the choices that a person has."""

    original: str
    orientation: int
    source_profile: str
    """Path of the profile to read it with where none is embedded; empty for the embedded one."""
    choices: tuple[Choice, ...]
    drawing: str
    is_icc_lab: bool = False
    """It is a TIFF in ICCLab, which the pixel library does not tell from other colours."""
    part: Box | None = None
    """What is drawn of it, in its upright pixels; None for all. Only where there are no choices."""


@dataclass(frozen=True, slots=True)
class PreviewReport:
    """Where the drawing is and how large it came out."""

    width: int
    height: int


@dataclass(frozen=True, slots=True)
class AdmitTask:
    """Try a lab's profile before it is ever used."""

    path: str
    colour_space: str
    intent: Intent = "relative"
    """The one that the product will be printed with; its tables must be there."""


@dataclass(frozen=True, slots=True)
class AdmitReport:
    """What came of it; figures are decimal strings."""

    accepted: bool
    reasons: tuple[str, ...]
    description: str
    version: str
    black_l: str
    round_trip_mean: str
    round_trip_p95: str


@dataclass(frozen=True, slots=True)
class MakeTask:
    """Make one invented picture or one deliberately bad file for the demonstration studio."""

    kind: Literal["picture", "bad", "profile"]
    name: str
    path: str
    width: int
    height: int
    form: str
    space: str
    """A working space's id; empty for no profile."""
    profile: str
    """Path of a profile to embed instead; empty for none."""
    ppi: str


@dataclass(frozen=True, slots=True)
class MakeReport:
    """What was made."""

    path: str
    bytes: int


@dataclass(frozen=True, slots=True)
class GamutTask:
    """Draw what a printer profile can print, beside sRGB and Adobe RGB."""

    path: str
    heading: str
    """What the drawing is of; the profile's own name stands below it."""
    drawing: str
    """Where to write it, a PNG."""


@dataclass(frozen=True, slots=True)
class GamutReport:
    """Figures of it, as decimal strings; colours are CIELAB, D50."""

    volume: str
    """Of the printable colours, paper as white, in thousands of cubic Lab units."""
    srgb_volume: str
    adobe_rgb_volume: str
    of_srgb: str
    """Percent of the colours of sRGB that can be printed."""
    of_adobe_rgb: str
    white: tuple[str, str, str]
    """Bare paper, as an instrument reads it."""
    black: tuple[str, str, str]
    """Darkest print, read the same way."""


@dataclass(frozen=True, slots=True)
class ProofPanel:
    """One soft proof among others."""

    picture: str
    """Path of a PNG in sRGB; empty where there is none to show."""
    heading: str
    line: str
    """What is said below the heading."""


@dataclass(frozen=True, slots=True)
class BesideTask:
    """Draw soft proofs of one picture side by side, the original first."""

    heading: str
    original: PreviewTask
    """The picture itself; what it says of choices and of a drawing is left aside."""
    panels: tuple[ProofPanel, ...]
    drawing: str
    """Where to write it, a PNG in sRGB."""


@dataclass(frozen=True, slots=True)
class BesideReport:
    """How large the drawing came out, px."""

    width: int
    height: int


@dataclass(frozen=True, slots=True)
class DrawTask:
    """Draw the ticket's picture from a print file that is there already."""

    plan: Plan
    print_file: str
    drawing: str
    """Where to write it, a JPEG in sRGB of at most 1,200 px a side."""
    lines: tuple[Line, ...]


@dataclass(frozen=True, slots=True)
class DrawReport:
    """How large the print file is, px; all of it was decoded."""

    width: int
    height: int


@dataclass(frozen=True, slots=True)
class PrintSeen:
    """A print file that is there already, as one to be looked at."""

    path: str
    format: Literal["tiff", "jpeg"]
    face: Box | None
    """Its front in the file as it lies, mirrored or not; None for all of it."""
    mirrored: bool
    heading: str
    line: str


@dataclass(frozen=True, slots=True)
class ThenNowTask:
    """Compare two prints of one picture, and draw them side by side."""

    heading: str
    then: PrintSeen
    now: PrintSeen
    drawing: str
    """Where to write it, a JPEG in sRGB."""


@dataclass(frozen=True, slots=True)
class ThenNowReport:
    """How they differ: CIEDE2000 as decimal strings, all empty where they have not one shape."""

    mean: str
    p95: str
    above: str
    """Percent of the picture that differs by more than `model.reprint.ABOVE`."""
    absolute: bool
    """Each as an instrument reads its paper; else each relative to its own white."""


@dataclass(frozen=True, slots=True)
class PapersTask:
    """Draw papers for people as PDF."""

    papers: tuple[Paper, ...]
    paths: tuple[str, ...]
    """Where to write each."""


@dataclass(frozen=True, slots=True)
class PapersReport:
    """How many pages each has."""

    pages: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class StripPatch:
    """One colour of a strip and how it was read; Lab as decimals in text."""

    name: str
    group: Group
    rgb: Rgb
    lab: tuple[str, str, str]
    """The mean of its readings."""
    readings: tuple[tuple[str, str, str], ...] = ()


@dataclass(frozen=True, slots=True)
class StripTask:
    """Hold the readings of a strip against its prediction and its reference."""

    patches: tuple[StripPatch, ...]
    profile: str
    """Path of the print's own profile; empty where the lab converts and none is known."""
    intent: Intent
    black_point_compensation: bool
    white: White
    reference: tuple[tuple[str, str, str], ...] = ()
    """Lab of each patch there; empty for none."""


@dataclass(frozen=True, slots=True)
class StripReport:
    """How far a strip is off; CIEDE2000 and Lab as decimals in text."""

    predicted: tuple[tuple[str, str, str], ...]
    """Lab of each patch by the profile; empty without one."""
    off_profile: tuple[str, ...]
    off_reference: tuple[str, ...]
    by_profile: StripFigures | None
    by_reference: StripFigures | None
    spread: str
    """Largest difference of a single reading from the mean of its patch; empty where each was read
    once."""


@dataclass(frozen=True, slots=True)
class TrendPoint:
    """One reading of a product's strips."""

    day: str
    """As 2026-11-27."""
    job: int
    mean: str
    """CIEDE2000 from what it is held against; empty for the first reference itself."""
    p95: str
    black_l: str
    """By how much black is lighter than there."""
    level: Level
    against: Against
    is_reference: bool = False
    """Whether later ones are held against it."""


@dataclass(frozen=True, slots=True)
class TrendTask:
    """Draw how a product's strips went, as a PNG in sRGB."""

    heading: str
    points: tuple[TrendPoint, ...]
    """The oldest first."""
    mean: Limit
    p95: Limit
    black: Limit
    drawing: str


@dataclass(frozen=True, slots=True)
class TrendReport:
    """How large the drawing came out, px."""

    width: int
    height: int


Task = (
    ProbeTask
    | MeasureTask
    | RenderTask
    | CheckTask
    | PreviewTask
    | AdmitTask
    | GamutTask
    | BesideTask
    | DrawTask
    | ThenNowTask
    | MakeTask
    | PapersTask
    | StripTask
    | TrendTask
)
Report = (
    ProbeReport
    | MeasureReport
    | RenderReport
    | CheckReport
    | PreviewReport
    | AdmitReport
    | GamutReport
    | BesideReport
    | DrawReport
    | ThenNowReport
    | MakeReport
    | PapersReport
    | StripReport
    | TrendReport
)


@dataclass(frozen=True, slots=True)
class Failure:
    """A child process that brought no report."""

    kind: Literal["picture", "killed", "deadline", "memory", "world", "bug"]
    sentence: str
    trace: str = ""


@dataclass(frozen=True, slots=True)
class ChildLimits:
    """What one child process may use."""

    memory_mb: int
    seconds: int
    output_mb: int
    threads: int
