"""Which pictures are measured, against what, and where the profile is found."""

from dataclasses import replace
from decimal import Decimal
from fractions import Fraction
from pathlib import Path

from given import CANVAS, PAPER, asked, canvas_product, facts, known, product
from suits_cases import ORDINARY

from platemark.engine.measuring import digest_of, task_for
from platemark.engine.workshop import space_hashes
from platemark.model.known import ProfileStanding
from platemark.model.measures import Measures
from platemark.model.plain import from_plain, to_plain

ORIGINAL, PROFILES = Path("/archive/heron.tif"), Path("/profiles")


def test_a_good_picture() -> None:
    """It is measured as it is laid out, against the lab's profile and the surface's own black."""
    task = task_for(known(), ORIGINAL, PROFILES)
    assert task is not None
    assert task.original == "/archive/heron.tif"
    assert task.profiles == (("cd" * 32, "/profiles/rag.icc"),)
    measuring = task.measuring
    assert measuring.output_profile_sha256 == "cd" * 32
    assert Decimal(measuring.black_l) == PAPER.black_l
    assert (measuring.crop, measuring.placed) == (known().layout.crop, known().layout.placed)
    assert measuring.around_mm == 0


def test_a_wrapped_picture_knows_what_is_folded_over() -> None:
    """A bar of 1.5 in takes 38.1 mm on each side (1 in = 25.4 mm exactly)."""
    task = task_for(known(surface=CANVAS, product=canvas_product()), ORIGINAL, PROFILES)
    assert task is not None
    assert task.measuring.around_mm == Fraction("38.1")


def test_a_lab_that_converts_itself() -> None:
    """What is measured against is the working space that is delivered."""
    own = product(profile=None, working_spaces=("adobe-rgb",))
    standing = ProfileStanding("none-needed")
    task = task_for(known(product=own, profile=standing), ORIGINAL, PROFILES)
    assert task is not None
    assert task.measuring.output_profile_sha256 == space_hashes()["adobe-rgb"]
    assert task.profiles == ()


def test_what_is_not_measured() -> None:
    """Without a size or a product, and with a stop that nobody may accept."""
    assert task_for(known(resolved=asked()), ORIGINAL, PROFILES) is None
    assert task_for(known(product=None), ORIGINAL, PROFILES) is None
    cmyk = replace(facts(), mode="cmyk", channels=4)
    assert task_for(known(facts=cmyk), ORIGINAL, PROFILES) is None
    for state in ("missing", "refused"):
        standing = ProfileStanding(state, "rag.icc")
        assert task_for(known(profile=standing), ORIGINAL, PROFILES) is None


def test_a_picture_that_waits_for_an_answer_is_measured() -> None:
    """Without a profile of its own it is read as sRGB, as it would be printed once accepted."""
    untagged = known(facts=replace(facts(), profile=None))
    task = task_for(untagged, ORIGINAL, PROFILES)
    assert task is not None
    assert task.measuring.source_profile_sha256 == space_hashes()["srgb"]
    changed = ProfileStanding("changed", "rag.icc", "ef" * 32, "cd" * 32, "Rag")
    task = task_for(known(profile=changed), ORIGINAL, PROFILES)
    assert task is not None
    assert task.measuring.output_profile_sha256 == "ef" * 32


def test_what_was_measured_otherwise_is_measured_anew() -> None:
    """A surface's name is on its proof; a new way of measuring makes all that was measured old."""
    task = task_for(known(), ORIGINAL, PROFILES)
    assert task is not None
    before = digest_of(task)
    renamed = replace(PAPER, name="Another rag")
    assert digest_of(task_for(known(surface=renamed), ORIGINAL, PROFILES)) != before
    for version in (task.measuring.version - 1, task.measuring.version + 1):
        other = replace(task, measuring=replace(task.measuring, version=version))
        assert digest_of(other) != before


def test_measures_of_an_older_record_are_read() -> None:
    """Before intents were compared there were fewer figures; what came later has its default."""
    older = to_plain(ORDINARY)
    for name in ("changed_percent", "other_intent_percent", "other_intent_mean", "hue"):
        del older[name]
    assert from_plain(Measures, {**older, "of_a_later_version": "1"}) == replace(
        ORDINARY, changed_percent="0.00", other_intent_percent=None, other_intent_mean=None,
        hue=None,
    )  # fmt: skip
