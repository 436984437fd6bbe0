"""Settings: the starter, every mistake in one report, and a new studio."""

from __future__ import annotations

import hashlib
import shutil
import tomllib
from collections.abc import Iterator
from dataclasses import replace
from datetime import date, time
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from pydantic import BaseModel, ValidationError

from platemark.model.errors import SettingsError, StudioMissing, UsageError
from platemark.model.hours import DayTime
from platemark.model.studio import Settings
from platemark.settings.lab_file import LabFile
from platemark.settings.load import find_mistakes, load_settings, settings_files
from platemark.settings.report import Mistake, mistakes_of
from platemark.settings.starter import copy_starter, size_folders
from platemark.settings.studio_file import StudioFile
from platemark.settings.surface_file import SurfaceFile
from platemark.settings.values import Section

CONFIG = Path(__file__).resolve().parents[2] / "config"
SURFACES = {
    "smooth-rag", "etching-rag", "baryta", "rc-lustre", "acrylic-bonded", "acrylic-reverse",
    "aluminium-matte", "aluminium-bare", "pvc-board", "canvas-wrap",
}  # fmt: skip


@pytest.fixture
def studio(tmp_path: Path) -> Path:
    """A starter studio's settings to break."""
    place = tmp_path / "studio"
    shutil.copytree(CONFIG, place, ignore=shutil.ignore_patterns("schema"))
    return place


def change(studio: Path, name: str, old: str, new: str) -> None:
    """Replace the first place where a settings file has some text."""
    path = studio / name
    text = path.read_text("utf-8")
    assert old in text
    path.write_text(text.replace(old, new, 1), encoding="utf-8")


def only(studio: Path) -> Mistake:
    """The one mistake that there must be."""
    settings, mistakes = find_mistakes(studio)
    assert settings is None
    assert len(mistakes) == 1, [str(each) for each in mistakes]
    return mistakes[0]


class TestStarter:
    """The settings that come with Platemark."""

    def test_no_mistake(self) -> None:
        """The starter studio loads without a mistake and has the ten surfaces and two labs."""
        settings, mistakes = find_mistakes(CONFIG)
        assert mistakes == ()
        assert settings is not None
        assert {surface.id for surface in settings.surfaces} == SURFACES
        assert [lab.id for lab in settings.labs] == ["brindlewick", "tarnmoor"]

    def test_every_surface_has_one_usual_lab(self) -> None:
        """Each surface of the starter is printed by somebody without a request naming a lab."""
        settings = load_settings(CONFIG)
        usual = {s.id: lab.id for s in settings.surfaces if (lab := settings.usual_lab(s.id))}
        rag = {"smooth-rag", "etching-rag", "baryta", "canvas-wrap"}
        assert usual == {s: "brindlewick" if s in rag else "tarnmoor" for s in SURFACES}

    def test_who_converts(self) -> None:
        """Brindlewick gets files in its own profiles, Tarnmoor files in a working space."""
        settings = load_settings(CONFIG)
        for lab in settings.labs:
            for product in lab.products:
                if lab.id == "brindlewick":
                    assert product.profile is not None
                    assert product.profile.file == f"brindlewick-{product.surface}.icc"
                    assert product.form.bits == (8 if product.surface == "canvas-wrap" else 16)
                else:
                    assert product.profile is None
                    assert set(product.working_spaces) == {"adobe-rgb", "srgb"}
                    assert product.form.bits == 8

    def test_closing(self) -> None:
        """Brindlewick's parcel closes after ten quiet minutes, Tarnmoor's at a quarter past six."""
        first, second = (lab.closing for lab in load_settings(CONFIG).labs)
        assert (first.kind, first.quiet_minutes, first.at) == ("quiet", 10, ())
        assert (second.kind, second.at) == ("at", (DayTime(time(6, 15)),))

    def test_exact(self) -> None:
        """Decimals come through exactly, and lengths keep the unit that they were written in."""
        settings = load_settings(CONFIG)
        rag = settings.surface("smooth-rag")
        brindlewick = settings.lab("brindlewick")
        assert rag is not None
        assert brindlewick is not None
        assert (rag.white_l, rag.white_b) == (Decimal("96.5"), Decimal("1.5"))
        canvas = brindlewick.product_for("canvas-wrap")
        assert canvas is not None
        assert [str(x) for x in (canvas.wrap, *canvas.wraps, canvas.tuck)] == [
            "1.5in", "0.75in", "2in", "0.5in",
        ]  # fmt: skip

    def test_panels_are_cautioned_and_weighed(self) -> None:
        """Every surface that can fall on somebody has a weight and names ratings and installers."""
        for surface in load_settings(CONFIG).surfaces:
            if surface.id in ("smooth-rag", "etching-rag", "baryta", "rc-lustre"):
                continue
            assert surface.layers
            for words in ("rated by its maker", "licensed installer", "local codes"):
                assert words in surface.caution

    def test_panel_weight(self) -> None:
        """24 × 36 in of bonded acrylic weighs 6.10 kg (from memory: area × thickness × density)."""
        bonded = load_settings(CONFIG).surface("acrylic-bonded")
        assert bonded is not None
        square_m = Decimal("0.6096") * Decimal("0.9144")
        kg = sum(square_m * x.thickness_mm * x.density_kg_m3 / 1000 for x in bonded.layers)
        assert abs(kg - Decimal("6.10")) < Decimal("0.01")

    def test_only_the_back_printed_panel_is_mirrored(self) -> None:
        """The lab mirrors what is printed on the back of acrylic; nobody mirrors anything else."""
        products = [p for lab in load_settings(CONFIG).labs for p in lab.products]
        assert {p.surface for p in products if p.mirror_by == "lab"} == {"acrylic-reverse"}
        assert all(p.mirror_by in ("lab", "nobody") for p in products)

    def test_limits_left_out_are_the_same(self, studio: Path) -> None:
        """A studio.toml without [limits] and [settle] gets the values that the starter shows."""
        whole = load_settings(studio).studio
        text = (studio / "studio.toml").read_text("utf-8")
        shorter = text[: text.index("[hot]")] + text[text.index("[usual_lab]") :]
        # The page is on in the starter alone: whoever upgrades is not given one unasked.
        shorter += text[text.index("\n[page]") : text.index("\n[morning]")]
        (studio / "studio.toml").write_text(shorter, encoding="utf-8")
        assert load_settings(studio).studio == whole
        assert whole.limits.pixels == 600_000_000
        assert whole.limits.file_bytes == 4_000_000_000
        assert (whole.limits.side_px, whole.limits.expansion) == (65_500, 1000)

    def test_sharpening(self, studio: Path) -> None:
        """Every surface of the starter says how it is sharpened for (common practice)."""
        radii = {s.id: s.sharpen.radius_mm for s in load_settings(studio).surfaces if s.sharpen}
        assert set(radii) == SURFACES
        assert min(radii, key=lambda each: radii[each]) in ("baryta", "acrylic-bonded")
        assert max(radii, key=lambda each: radii[each]) == "canvas-wrap"
        assert Decimal("0.08") <= min(radii.values()) <= max(radii.values()) <= Decimal("0.25")
        text = (studio / "surfaces/smooth-rag.toml").read_text("utf-8")
        begin, end = text.index("[sharpen]"), text.index("# What every picture here gets")
        (studio / "surfaces/smooth-rag.toml").write_text(text[:begin] + text[end:])
        rag = load_settings(studio).surface("smooth-rag")
        assert rag is not None
        assert rag.sharpen is None
        # Without it, nothing can be sharpened for it by default.
        change(studio, "surfaces/smooth-rag.toml", '# border = "1in"', 'sharpen = "surface"')
        assert only(studio).key == "defaults.sharpen"

    def test_contact_and_address_may_be_left_out(self, studio: Path) -> None:
        """The studio's contact and address reach the settings; without them nothing is made up."""
        shorter = load_settings(studio).studio
        assert (shorter.contact, shorter.ship_to) == (None, None)
        text = (studio / "studio.toml").read_text("utf-8")
        text = text.replace("# contact", "contact").replace("# ship_to", "ship_to")
        (studio / "studio.toml").write_text(text, encoding="utf-8")
        whole = load_settings(studio).studio
        assert whole.contact == "prints@quillfen.example, 01632 960 417"
        assert whole.ship_to == "Quillfen Studio, 4 Weir Lane, Quillfen QF1 4ZZ"

    def test_untagged_is_strict_when_left_out(self, studio: Path) -> None:
        """Where studio.toml is silent, a picture without a profile is held."""
        change(studio, "studio.toml", 'untagged = "srgb-camera"', "")
        assert load_settings(studio).studio.untagged == "stop"


class TestHash:
    """What the hash of all settings stands for."""

    def test_over_names_and_bytes(self, studio: Path) -> None:
        """The hash is SHA-256 (FIPS 180-4) over each file's name, a zero and its own hash."""
        expected = hashlib.sha256()
        for path in sorted(studio.rglob("*.toml"), key=lambda p: p.relative_to(studio).as_posix()):
            name = path.relative_to(studio).as_posix().encode()
            expected.update(name + b"\0" + hashlib.sha256(path.read_bytes()).digest())
        assert load_settings(studio).sha256 == expected.hexdigest()

    def test_a_comment_changes_it(self, studio: Path) -> None:
        """Every byte counts, so that an archived set of settings is the one that was used."""
        before = load_settings(studio).sha256
        change(studio, "labs/tarnmoor.toml", "# Tarnmoor", "#  Tarnmoor")
        assert load_settings(studio).sha256 != before

    def test_a_name_changes_it(self, studio: Path) -> None:
        """The same bytes under another id are other settings."""
        before = load_settings(studio).sha256
        change(studio, "studio.toml", 'rc-lustre = "tarnmoor"', 'rc-lustre = "xarnmoor"')
        change(studio, "studio.toml", 'rc-lustre = "xarnmoor"', 'rc-lustre = "tarnmoor"')
        assert load_settings(studio).sha256 == before
        change(studio, "studio.toml", 'rc-lustre = "tarnmoor"', "")
        silent = load_settings(studio).sha256
        (studio / "labs/tarnmoor.toml").rename(studio / "labs/tarn-moor.toml")
        assert load_settings(studio).sha256 != silent

    def test_files(self, studio: Path) -> None:
        """The files are studio.toml, then labs and surfaces by name; hidden ones are nobody's."""
        (studio / "surfaces/._baryta.toml").write_bytes(b"\0\5\26\7")
        names = settings_files(studio)
        assert names[0] == "studio.toml"
        assert list(names[1:3]) == ["labs/brindlewick.toml", "labs/tarnmoor.toml"]
        assert len(names) == 13
        assert find_mistakes(studio)[1] == ()


class TestEveryMistakeAtOnce:
    """One report for all files."""

    def test_five_in_one_file(self, studio: Path) -> None:
        """A file with five mistakes gives five, each with the file, the key and the cure."""
        name = "surfaces/baryta.toml"
        change(studio, name, 'gloss = "gloss"', 'gloss = "glossy"')
        change(studio, name, "white_l = 96", 'white_l = "96"')
        change(studio, name, 'safe_margin = "5mm"', 'safe_margin = "5"')
        change(studio, name, "caution = 240\n", "")
        change(studio, name, "texture =", "textur =")
        settings, mistakes = find_mistakes(studio)
        assert settings is None
        assert {m.file for m in mistakes} == {name}
        assert {m.key: (m.wrong, m.right) for m in mistakes} == {
            "gloss": (
                "“glossy” is none of the choices",
                "Is “gloss” meant? Say matte, lustre, gloss or metallic.",
            ),
            "white_l": ("“96” is not a number", "Write a line like white_l = 96.5."),
            "safe_margin": ("“5” is not a length", "Write it like 3mm, 1.5in or 2cm."),
            "ppi.caution": ("it is missing", "Write a line like caution = 200."),
            "textur": ("nobody knows this key", "Is “texture” meant?"),
        }

    def test_in_every_file(self, studio: Path) -> None:
        """A mistake hides no other one, in its file or elsewhere, nor what refers to it wrongly."""
        change(studio, "studio.toml", "Europe/London", "Europe/Londn")
        change(studio, "studio.toml", 'smooth-rag = "brindlewick"', 'smooth-rag = "tarnmoor"')
        change(studio, "surfaces/canvas-wrap.toml", "gloss =", "glos =")
        change(studio, "labs/brindlewick.toml", 'wrap = "1.5in"\n', "")
        change(studio, "labs/brindlewick.toml", 'surface = "baryta"', 'surface = "baritta"')
        change(studio, "labs/tarnmoor.toml", "bits = 8", "bits = 12")
        assert {(m.file, m.key) for m in find_mistakes(studio)[1]} == {
            ("studio.toml", "time_zone"),
            ("studio.toml", "usual_lab.smooth-rag"),
            ("surfaces/canvas-wrap.toml", "glos"),
            ("labs/brindlewick.toml", "products[canvas-wrap].wrap"),
            ("labs/brindlewick.toml", "products[baritta].surface"),
            ("labs/tarnmoor.toml", "products[rc-lustre].file.bits"),
        }

    def test_the_exception_lists_all(self, studio: Path) -> None:
        """What stops a start names every mistake, one to a line."""
        change(studio, "studio.toml", "scan_s = 2 ", "scan_s = 0 ")
        change(studio, "surfaces/baryta.toml", "stop = 150", "stop = 1.5")
        with pytest.raises(SettingsError) as caught:
            load_settings(studio)
        assert caught.value.exit_code == 2
        assert caught.value.sentence.splitlines() == [
            "There are 2 mistakes in the settings:",
            "  studio.toml, settle.scan_s: “0” is less than 1. Write a line like scan_s = 2.",
            "  surfaces/baryta.toml, ppi.stop: “1.5” is not a whole number. "
            "Write a line like stop = 140.",
        ]

    def test_a_missing_profile_file_is_no_mistake(self, studio: Path) -> None:
        """The profile itself may come later; settings only name it."""
        assert not (studio / "profiles").exists()
        assert find_mistakes(studio)[1] == ()


LAB = "labs/brindlewick.toml"
OTHER_LAB = "labs/tarnmoor.toml"
RAG = "surfaces/smooth-rag.toml"
CANVAS = "surfaces/canvas-wrap.toml"

# file, what to replace, with what, key of the mistake, words of the mistake or of its cure
CASES = [
    # unknown keys, near misses, keys in the wrong section
    ("studio.toml", "untagged =", "untaged =", "untaged", "Is “untagged” meant?"),
    ("studio.toml", "local_s =", "local =", "settle.local", "Is “local_s” meant?"),
    ("studio.toml", "[hot]", "[hott]", "hott", "Is “hot” meant?"),
    ("studio.toml", "[hot]", "colour = 1\n[hot]", "people[Corin].colour", "name or role"),
    (LAB, "highest = 360", 'highest = 360\ntuck = "1in"', "products[smooth-rag].ppi.tuck",
     "It belongs in [[products]]."),
    (RAG, "[ppi]", "[ppi]\nname = 3", "ppi.name", "It belongs in the top of the file."),
    # missing keys and sections
    (RAG, 'intent = "relative"', "", "intent",
     '"perceptual", "relative", "saturation" or "absolute". How colours'),
    (LAB, 'rule = "quiet"\n', "", "closing.rule",
     'Write rule = "each", "quiet" or "at". each: every print'),
    (LAB, 'mirror_by = "nobody"', "", "products[smooth-rag].mirror_by",
     '"nobody", "lab" or "studio". Who mirrors the picture: nobody where'),
    # who mirrors: exactly once what is printed on the back, and nobody else
    (OTHER_LAB, 'mirror_by = "lab"', 'mirror_by = "nobody"', "products[acrylic-reverse].mirror_by",
     'write mirror_by = "lab" or "studio"'),
    (LAB, 'mirror_by = "nobody"', 'mirror_by = "lab"', "products[smooth-rag].mirror_by",
     'printed_on = "back"'),
    # wrong kinds
    ("studio.toml", "jobs = 0", 'jobs = "two"', "limits.jobs", "“two” is not a whole number"),
    ("studio.toml", "jobs = 0", "jobs = true", "limits.jobs", "true is not a whole number"),
    ("studio.toml", 'role = "assistant"', "role = 2", "people[Corin].role",
     "assistant or photographer"),
    (LAB, "per_order = false", 'per_order = "no"', "closing.per_order", "without quotes"),
    (LAB, "per_order = false", "per_order = 1", "closing.per_order", "true or false"),
    (LAB, 'name = "Smooth Rag 310"', "name = 310", "products[smooth-rag].name", "text in quotes"),
    (LAB, 'name = "Smooth Rag 310"', 'name = " "', "products[smooth-rag].name", "it is empty"),
    (RAG, 'places = ["indoor", "bright"]', 'places = "indoor"', "places", "is not a list"),
    (RAG, 'places = ["indoor", "bright"]', "places = []", "places", "at least one is needed"),
    (RAG, "[defaults]", "[[defaults]]", "defaults", "Begin it with [defaults]."),
    (CANVAS, "thickness_mm = 13", "thickness_mm = nan", "layers[2].thickness_mm", "not a number"),
    # choices and bounds
    (RAG, '"indoor", "bright"', '"indoor", "brite"', "places[2]", "Is “bright” meant?"),
    ("studio.toml", 'watch = "auto"', 'watch = "poll"', "hot.watch", "auto, native or polling"),
    (CANVAS, "thickness_mm = 13", "thickness_mm = 0", "layers[2].thickness_mm", "not more than 0"),
    (RAG, "white_l = 96.5", "white_l = 100.5", "white_l", "“100.5” is more than 100"),
    (OTHER_LAB, "quality = 95", "quality = 60", "products[rc-lustre].file.quality", "less than 70"),
    # sizes, lengths, dates, times
    (LAB, '"8x12in"', '"8x12"', "products[smooth-rag].sizes[2]", "like 8x12in"),
    (LAB, '"8x12in"', '"long 12in"', "products[smooth-rag].sizes[2]", "only one side"),
    (LAB, '"8x12in"', '"0x12in"', "products[smooth-rag].sizes[2]", "Give both sides"),
    (LAB, 'bleed = "3mm"', "bleed = 3", "products[smooth-rag].bleed", "with its unit"),
    (LAB, "# valid_until = 2027-03-31", "valid_until = 2027", "products[smooth-rag].profile"
     ".valid_until", "Write it like 2027-03-31."),
    (LAB, "# valid_until = 2027-03-31", "valid_until = 2027-03-31T10:00:00",
     "products[smooth-rag].profile.valid_until", "is not a date"),
    (OTHER_LAB, '"06:15"]\nper', '"25:15"]\nper', "closing.times[1]", 'Write it like "06:15".'),
    (OTHER_LAB, '"06:15"]\nper', '"Fry 06:15"]\nper', "closing.times[1]", "Is “Fri” meant?"),
    (OTHER_LAB, '"06:15"]\nper', '"M 06:15"]\nper', "closing.times[1]", "Write Mon, Tue, Wed"),
    (OTHER_LAB, '"06:15"]\nper', '"Mon- 06:15"]\nper', "closing.times[1]", "names no last day"),
    (OTHER_LAB, '"06:15"]\nper', '"Mon-Fri"]\nper', "closing.times[1]", "before it: \"Mon-Fri 06"),
    # hours
    ("studio.toml", 'window = "always"', 'window = "22:00"',
     "prepare.window", 'like "22:00-06:00", or "always"'),
    ("studio.toml", 'window = "always"', 'window = "at night"',
     "prepare.window", "“at night” is not a window"),
    ("studio.toml", 'window = "always"', 'window = "22:00-25:00"',
     "prepare.window", 'like "22:00-06:00"'),
    ("studio.toml", 'window = "always"', 'window = "22:00-22:00"',
     "prepare.window", "ends when it begins"),
    ("studio.toml", 'window = "always"', 'window = ["Sat 00:00-24:00", "Wendsday 22:00-06:00"]',
     "prepare.window", "Is “Wed” meant?"),
    ("studio.toml", 'window = "always"', 'window = ["22:00-06:00", "always"]',
     "prepare.window", "is not a window"),
    ("studio.toml", 'window = "always"', 'window = []',
     "prepare.window", "no hours are named"),
    ("studio.toml", 'window = "always"', 'window = 22:00:00',
     "prepare.window", "Write it like"),
    ("studio.toml", 'at = "03:30"', 'at = "half three"', "upkeep.at", 'Write it like "06:15".'),
    # time zone
    ("studio.toml", "Europe/London", "London", "time_zone", '"Europe/London"'),
    ("studio.toml", "Europe/London", "Los Angeles", "time_zone", '"America/Los_Angeles"'),
    ("studio.toml", "Europe/London", "Europe", "time_zone", "there is no time zone"),
    ("studio.toml", "Europe/London", "/etc/passwd", "time_zone", "there is no time zone"),
    ("studio.toml", "Europe/London", "../etc/passwd", "time_zone", "there is no time zone"),
    # people
    ("studio.toml", 'role = "photographer"', 'role = "assistant"', "people", "nobody is a photo"),
    # hot folder
    ("studio.toml", 'path = "hot"', 'path = "outgoing/hot"', "hot.path", "Platemark's own files"),
    ("studio.toml", 'path = "hot"', 'path = "../hot"', "hot.path", "cannot be the hot folder"),
    # usual lab
    ("studio.toml", 'smooth-rag = "brindlewick"', 'smooth-rag = "brindelwick"',
     "usual_lab.smooth-rag", "Is “brindlewick” meant?"),
    ("studio.toml", 'smooth-rag = "brindlewick"', 'smooth-rag = "tarnmoor"',
     "usual_lab.smooth-rag", "brindlewick has one."),
    ("studio.toml", 'smooth-rag = "brindlewick"', 'smoth-rag = "brindlewick"',
     "usual_lab.smoth-rag", "Is “smooth-rag” meant?"),
    ("studio.toml", 'smooth-rag = "brindlewick"', "smooth-rag = 1",
     "usual_lab.smooth-rag", "is not the name of a lab"),
    # surfaces against themselves
    (RAG, "black_l = 16.5", "black_l = 97", "black_l", "is not darker than its white"),
    (RAG, "stop = 140", "stop = 210", "ppi.stop", "Give caution the larger number."),
    (RAG, 'edge_mode = "none"', 'edge_mode = "mirror"', "edge_mode", "nothing to fill"),
    (CANVAS, 'edge_mode = "mirror"', 'edge_mode = "none"', "edge_mode", "something must fill it"),
    (CANVAS, 'edge_mode = "mirror"', 'edge_mode = "solid"', "edge_mode", "solid needs a colour"),
    (RAG, "radius_mm = 0.13 ", "radius_mm = 0 ", "sharpen.radius_mm", "not more than 0"),
    (RAG, "radius_mm = 0.13 ", "radius = 0.13 ", "sharpen.radius", "Is “radius_mm” meant?"),
    (RAG, "amount = 1.3 ", 'amount = "1.3" ', "sharpen.amount", "Write a line like amount = 1.3."),
    (RAG, "threshold_l = 2 ", "threshold_l = 0 ", "sharpen.threshold_l", "less than 0.5"),
    (RAG, "overshoot_l = 5 ", "overshoot_l = 10 ", "sharpen.overshoot_l", "“10” is more than 9"),
    (RAG, "[sharpen]", "[sharpn]", "sharpn", "Is “sharpen” meant?"),
    (RAG, '# border = "1in"', 'boarder = "1in"', "defaults.boarder", "Is “border” meant?"),
    (RAG, '# border = "1in"', 'border = "1"', "defaults.border", "“1” is not a length"),
    (RAG, '# border = "1in"', "border = true", "defaults.border", "Write it in quotes."),
    (RAG, '# border = "1in"', 'surface = "baryta"', "defaults.surface", "no such key"),
    (RAG, '# border = "1in"', 'lab = "brindlewik"', "defaults.lab", "Is “brindlewick” meant?"),
    (RAG, '# border = "1in"', 'lab = "tarnmoor"', "defaults.lab", "no product on this surface"),
    # labs against surfaces and themselves
    (LAB, 'surface = "smooth-rag"', 'surface = "smoothrag"', "products[smoothrag].surface",
     "Is “smooth-rag” meant?"),
    (OTHER_LAB, 'surface = "pvc-board"', 'surface = "pvc"', "products[pvc].surface",
     "Is “pvc-board” meant?"),
    (LAB, 'wrap = "1.5in"', "", "products[canvas-wrap].wrap", "wrap is missing"),
    (LAB, 'wrap = "1.5in"', 'wrap = "0in"', "products[canvas-wrap].wrap", "wrap is missing"),
    (LAB, 'tuck = "0.5in"', "", "products[canvas-wrap].tuck", "tuck is missing"),
    (LAB, 'tuck = "0.5in"', 'tuck = "0.5in"\nbleed = "3mm"', "products[canvas-wrap].bleed",
     "has no bleed"),
    (LAB, 'bleed = "3mm"', 'wrap = "1in"', "products[smooth-rag].wrap", "Leave wrap out"),
    (LAB, 'bleed = "3mm"', 'wraps = ["1in"]', "products[smooth-rag].wraps", "Leave wraps out"),
    (OTHER_LAB, 'bleed = "3mm"', "", "products[rc-lustre].bleed", "lab's bleed is missing"),
    (LAB, 'bleed = "3mm"', 'working_spaces = ["srgb"]', "products[smooth-rag].working_spaces",
     "converted twice"),
    (OTHER_LAB, 'working_spaces = ["adobe-rgb", "srgb"]', "", "products[rc-lustre].working_spaces",
     "nothing says who converts"),
    (OTHER_LAB, '["adobe-rgb", "srgb"]', '["adobe", "srgb"]',
     "products[rc-lustre].working_spaces[1]", "Is “adobe-rgb” meant?"),
    (LAB, "target = 300", "target = 170", "products[smooth-rag].ppi.target", "below lowest (180)"),
    (LAB, "highest = 360", "highest = 290", "products[smooth-rag].ppi.highest", "below target"),
    (OTHER_LAB, 'format = "jpeg"\nbits = 8', 'format = "jpeg"\nbits = 16',
     "products[rc-lustre].file.bits", "a JPEG has 8 bits"),
    (OTHER_LAB, "quality = 95", 'compression = "lzw"', "products[rc-lustre].file.compression",
     "is for a TIFF"),
    (LAB, 'compression = "none"', "quality = 95", "products[smooth-rag].file.quality",
     "is for a JPEG"),
    (LAB, '"brindlewick-smooth-rag.icc"', '"profiles/rag.icc"', "products[smooth-rag].profile.file",
     'write file = "rag.icc"'),
    (LAB, '"brindlewick-smooth-rag.icc"', "'C:\\rag.icc'", "products[smooth-rag].profile.file",
     'write file = "rag.icc"'),
    (LAB, '"brindlewick-smooth-rag.icc"', '"rag.pdf"', "products[smooth-rag].profile.file",
     "It ends in .icc"),
    (LAB, "minutes = 10", "", "closing.minutes", "Write a line like minutes = 10."),
    (LAB, "minutes = 10", 'minutes = 10\ntimes = ["06:15"]', "closing.times", "has no times"),
    (OTHER_LAB, 'times = ["06:15"]\nper', "per", "closing.times", "the rule at needs times"),
    (OTHER_LAB, 'rule = "at"', 'rule = "at"\nminutes = 5', "closing.minutes", "has no minutes"),
    (LAB, 'method = "collect"', 'method = "colect"', "delivery.method", 'method = "collect"'),
    (LAB, 'method = "collect"', 'method = "collect"\npath = "x"', "delivery.path", "has no path"),
    (LAB, 'method = "collect"', 'method = "folder"\n', "delivery.path", "needs a path"),
    (LAB, "{job}_{copies}", "{copies}", "file_name", "Put {job} into it."),
    (LAB, "{job}_{copies}", "{job}_{copy}", "file_name", "Is {copies} meant?"),
    (LAB, "{job}_{copies}", "{job}/{copies}", "file_name", "without accents"),
    (LAB, "{job}_{copies}", "{job}_{copies", "file_name", "no partner"),
    (LAB, "{job}_{copies}", "{job:>9}_{copies}", "file_name", "more than its name"),
]  # fmt: skip


@pytest.mark.parametrize(("file", "old", "new", "key", "words"), CASES)
def test_one_mistake(studio: Path, file: str, old: str, new: str, key: str, words: str) -> None:
    """Each single mistake is found once, at its key, with words that help to mend it."""
    if (file, old) == (LAB, 'method = "collect"'):
        # The first one stands in a note; the setting is the last.
        text = (studio / file).read_text("utf-8")
        head, tail = text.rsplit(old, 1)
        (studio / file).write_text(head + new + tail, encoding="utf-8")
    else:
        change(studio, file, old, new)
    mistake = only(studio)
    assert (mistake.file, mistake.key) == (file, key)
    assert words in str(mistake)


class TestFiles:
    """Mistakes that are about a whole file, or about two parts of one."""

    def test_people_of_one_name(self, studio: Path) -> None:
        """Two people who sign alike are found whatever the case, each where it stands."""
        change(studio, "studio.toml", 'name = "Corin"', 'name = "ILKA"')
        mistakes = find_mistakes(studio)[1]
        assert [m.key for m in mistakes] == ["people[Ilka].name", "people[ILKA].name"]

    def test_two_products_on_one_surface(self, studio: Path) -> None:
        """A lab has one product for each surface; both of two are named by where they stand."""
        change(studio, LAB, 'surface = "etching-rag"', 'surface = "smooth-rag"')
        mistakes = find_mistakes(studio)[1]
        assert [m.key for m in mistakes] == ["products[1].surface", "products[2].surface"]

    def test_id(self, studio: Path) -> None:
        """A file whose name is no id is told what to be called."""
        (studio / RAG).rename(studio / "surfaces/Smooth Rag.toml")
        found = {m.file: m for m in find_mistakes(studio)[1]}
        assert found["surfaces/Smooth Rag.toml"].right == "Call it smooth-rag.toml."

    @pytest.mark.parametrize("name", ["extra.toml.txt", "extra.TOML"])
    def test_other_ending(self, studio: Path, name: str) -> None:
        """Settings that nobody would read because of their ending are pointed out."""
        shutil.copy(studio / RAG, studio / "surfaces" / name)
        assert only(studio).right == "Call it extra.toml."

    def test_none_there(self, studio: Path) -> None:
        """A studio without surfaces or labs is told so."""
        shutil.rmtree(studio / "surfaces")
        shutil.rmtree(studio / "labs")
        change(studio, "studio.toml", 'smooth-rag = "brindlewick"', "")
        change(studio, "studio.toml", 'rc-lustre = "tarnmoor"', "")
        assert [m.file for m in find_mistakes(studio)[1]] == ["surfaces/", "labs/"]

    @pytest.mark.parametrize(
        ("bad", "wrong", "right"),
        [
            ("name = Smooth rag", "line 1 (“name = Smooth rag”) cannot be read", "in quotes"),
            ("\n\nsize = 16x20in", "line 3 (“size = 16x20in”) cannot be read", "in quotes"),
            ('name = "Rag\n', 'line 1 (“name = "Rag”) cannot be read', "in quotes"),
            ("a = 1\na = 2", "line 2 (“a = 2”) is there twice", "Keep one"),
            ("[ppi]\n[ppi]", "line 2 (“[ppi]”) is there twice", "Keep one"),
            ('name = "Rag', "it ends too early", "is not closed"),
            ("places = [", "it ends too early", "is not closed"),
            (f"white_l = {'9' * 5000}", "a number is longer", "write it short"),
            ("white_l = 1e9999999999999999999", "a number is longer", "write it short"),
            (f"places = {'[' * 5000}", "a number is longer, or a list deeper", "write it short"),
        ],
    )
    def test_syntax(self, studio: Path, bad: str, wrong: str, right: str) -> None:
        """A file that is no TOML is one mistake with its line, and blames nothing else for it."""
        (studio / RAG).write_text(bad, encoding="utf-8")
        mistake = only(studio)
        assert (mistake.file, mistake.key) == (RAG, "")
        assert mistake.wrong.startswith(wrong)
        assert right in mistake.right

    def test_a_lab_that_cannot_be_read_blames_nobody(self, studio: Path) -> None:
        """What refers to a lab with broken syntax is not called wrong as well."""
        (studio / LAB).write_text("name = Brindlewick", encoding="utf-8")
        assert only(studio).file == LAB

    def test_not_utf8(self, studio: Path) -> None:
        """A file in another encoding is told its line."""
        (studio / RAG).write_bytes(b'# rag\nname = "B\xfctten"\n')
        mistake = only(studio)
        assert mistake.wrong == "line 2 has a letter that is not UTF-8"

    def test_byte_order_mark_and_line_ends(self, studio: Path) -> None:
        """What some editors put before and between lines is no mistake."""
        text = (studio / RAG).read_text("utf-8").replace("\n", "\r\n")
        (studio / RAG).write_bytes(b"\xef\xbb\xbf" + text.encode())
        assert find_mistakes(studio)[1] == ()

    def test_unreadable(self, studio: Path) -> None:
        """A settings file that the system will not read is a mistake with the reason."""
        (studio / RAG).unlink()
        (studio / RAG).mkdir()
        mistake = only(studio)
        assert mistake.file == RAG
        assert mistake.wrong.startswith("it cannot be read: ")

    def test_no_studio(self, tmp_path: Path) -> None:
        """A folder without studio.toml is no studio, and the hint says how to get one."""
        with pytest.raises(StudioMissing, match="platemark new"):
            load_settings(tmp_path)


class TestValues:
    """Values that may be written in more than one way."""

    def test_defaults(self, studio: Path) -> None:
        """A surface's defaults become the words that a sidecar would have."""
        change(
            studio,
            RAG,
            '# border = "1in"',
            'border = ["1in", "1in", "1in", "2in"]\ncopies = 2\ndue = 2026-12-24\n'
            'lab = "brindlewick"',
        )
        rag = load_settings(studio).surface("smooth-rag")
        assert rag is not None
        assert dict(rag.defaults) == {
            "border": "1in 1in 1in 2in",
            "copies": "2",
            "due": "2026-12-24",
            "lab": "brindlewick",
        }

    def test_dates_and_times_either_way(self, studio: Path) -> None:
        """Dates and times are read in quotes and without, times sorted and each once."""
        change(studio, RAG, "# sample_seen = 2026-03-02", 'sample_seen = "2026-03-03"')
        change(studio, LAB, "# valid_until = 2027-03-31", "valid_until = 2027-04-01")
        change(studio, OTHER_LAB, '"06:15"]\nper', '13:00:00, "06:15", "13:00"]\nper')
        settings = load_settings(studio)
        rag, lab, other = settings.surface("smooth-rag"), *settings.labs
        assert rag is not None
        assert rag.sample_seen == date(2026, 3, 3)
        assert lab.products[0].profile is not None
        assert lab.products[0].profile.valid_until == date(2027, 4, 1)
        assert other.closing.at == (DayTime(time(6, 15)), DayTime(time(13, 0)))

    def test_equal_bounds(self, studio: Path) -> None:
        """A lab may take exactly one resolution, and a surface may stop where it cautions."""
        change(studio, LAB, "lowest = 180\ntarget = 300\nhighest = 360",
               "lowest = 300\ntarget = 300\nhighest = 300")  # fmt: skip
        change(studio, RAG, "stop = 140", "stop = 200")
        assert find_mistakes(studio)[1] == ()

    def test_a_bleed_of_nothing_may_be_said(self, studio: Path) -> None:
        """A lab that wants no bleed on a surface printed to its edge may say so."""
        change(studio, OTHER_LAB, 'bleed = "3mm"', 'bleed = "0mm"')
        assert find_mistakes(studio)[1] == ()

    def test_folder_delivery(self, studio: Path) -> None:
        """A shared folder of the lab is taken over as it was written."""
        text = (studio / LAB).read_text("utf-8")
        head, tail = text.rsplit('method = "collect"', 1)
        new = f'{head}method = "folder"\npath = "/srv/share"{tail}'
        (studio / LAB).write_text(new, encoding="utf-8")
        means = load_settings(studio).labs[0].delivery
        assert (means.method, means.path) == ("folder", "/srv/share")


WRONG: tuple[object, ...] = (
    -7, Decimal("-0.5"), Decimal("nan"), True, "?", "", [], [[1]], {"a": 1}, date(1979, 5, 27),
)  # fmt: skip


def leaves(values: Any) -> Iterator[tuple[Any, Any]]:
    """Every place of a file where a value stands: what holds it, and its key there."""
    pairs = values.items() if isinstance(values, dict) else enumerate(values)
    for key, value in list(pairs):
        yield values, key
        if isinstance(value, dict | list):
            yield from leaves(value)


@pytest.mark.parametrize(
    ("file", "model"),
    [("studio.toml", StudioFile), (RAG, SurfaceFile), (CANVAS, SurfaceFile), (LAB, LabFile)],
)
def test_no_mistake_is_left_in_foreign_words(file: str, model: type[Section]) -> None:
    """Whatever stands where something else belongs, it is answered in our words, with a cure."""
    values = tomllib.loads((CONFIG / file).read_text("utf-8"), parse_float=Decimal)
    found = 0
    for holder, key in leaves(values):
        right = holder[key]
        for wrong in WRONG:
            holder[key] = wrong
            try:
                model.model_validate(values)
            except ValidationError as error:
                for mistake in mistakes_of(error, model, values, file):
                    found += 1
                    assert "cannot be read here (" not in mistake.wrong, mistake
                    assert not mistake.wrong.endswith("."), mistake
                    assert mistake.right.endswith((".", "?")), mistake
        holder[key] = right
    assert found > 150
    model.model_validate(values)


class TestNewStudio:
    """A studio made from the starter."""

    def test_complete(self, tmp_path: Path) -> None:
        """A new studio has the starter's files byte for byte, and no schemas."""
        copy_starter(tmp_path / "new")
        for path in CONFIG.rglob("*.toml"):
            assert (tmp_path / "new" / path.relative_to(CONFIG)).read_bytes() == path.read_bytes()
        assert not (tmp_path / "new/schema").exists()
        assert not list((tmp_path / "new").rglob("*.json"))

    def test_folders(self, tmp_path: Path) -> None:
        """It has a hot folder for each surface, with folders of sizes that the lab sells."""
        settings = copy_starter(tmp_path / "new")
        assert settings == load_settings(tmp_path / "new")
        hot = tmp_path / "new/hot"
        assert {path.name for path in hot.iterdir()} == SURFACES
        assert sorted(path.name for path in (hot / "smooth-rag").iterdir()) == [
            "12x18in", "16x20in", "24x36in", "8x10in",
        ]  # fmt: skip
        for surface in settings.surfaces:
            assert 3 <= len(list((hot / surface.id).iterdir())) <= 4
        for folder in ("profiles", "held", "outgoing", "archive", "decisions", "work"):
            assert list((tmp_path / "new" / folder).iterdir()) == []

    def test_into_an_empty_folder(self, tmp_path: Path) -> None:
        """An empty folder that exists is taken."""
        copy_starter(tmp_path)
        assert (tmp_path / "studio.toml").is_file()

    @pytest.mark.parametrize("there", ["photo.jpg", ".hidden"])
    def test_not_over_something(self, tmp_path: Path, there: str) -> None:
        """A folder with anything in it is refused, and nothing is put there."""
        (tmp_path / there).touch()
        with pytest.raises(UsageError, match="something in"):
            copy_starter(tmp_path)
        assert [path.name for path in tmp_path.iterdir()] == [there]

    def test_not_over_a_file(self, tmp_path: Path) -> None:
        """A file is no place for a studio."""
        (tmp_path / "x").touch()
        with pytest.raises(UsageError, match="is a file"):
            copy_starter(tmp_path / "x")

    def test_sizes_that_are_sold(self) -> None:
        """Folders are made for sizes that the usual lab sells; where none is common, its first."""
        settings: Settings = load_settings(CONFIG)
        lab = settings.labs[0]
        sold = {str(size) for product in lab.products for size in product.sizes}
        assert set(size_folders(settings, "canvas-wrap")) <= sold
        odd = replace(lab.products[0], sizes=lab.products[0].sizes[2:3])
        labs = (replace(lab, products=(odd,)), settings.labs[1])
        assert size_folders(replace(settings, labs=labs), "smooth-rag") == ("11x14in",)
        assert size_folders(settings, "nowhere") == ()


def test_the_starter_shows_every_key() -> None:
    """Each key of each file stands in the starter, in use or as a note, so that it is found."""
    shown = "\n".join(path.read_text("utf-8") for path in CONFIG.rglob("*.toml"))
    models: list[type[BaseModel]] = [StudioFile, SurfaceFile, LabFile]
    seen = set()
    while models:
        model = models.pop()
        for key, field in model.model_fields.items():
            seen.add(key)
            models += _models_in(field.annotation)
    missing = {key for key in seen if f"{key} =" not in shown and f"{key}]" not in shown}
    assert missing == set()


def _models_in(annotation: Any) -> list[type[BaseModel]]:
    inner = getattr(annotation, "__args__", ())
    if hasattr(annotation, "model_fields"):
        return [annotation]
    return [model for each in inner for model in _models_in(each)]
