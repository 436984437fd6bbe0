"""What a digest reminds of, day by day: the display, samples, profiles' dates, test prints."""

from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from pathlib import Path

import pytest
import tifffile
from at_night import entries
from at_work import ask_here
from harness import make_studio, picture
from mornings import one_morning
from recalled_studio import swept as sweep_here

from platemark.app.open_studio import reading
from platemark.engine.digest_reminders import display_lines
from platemark.engine.morning import digest_now
from platemark.engine.morning_state import morning_troubles
from platemark.imaging.icc import build_matrix_profile
from platemark.model.morning import Digest, DigestLine, Display
from platemark.settings.load import load_settings

TODAY = datetime.now(UTC).replace(hour=9, minute=0, second=0, microsecond=0)


@pytest.fixture(scope="module")
def tested(tmp_path_factory: pytest.TempPathFactory, profile: bytes) -> Path:
    """A studio with one test print that its lab has; every date of its settings is today's."""
    root = tmp_path_factory.mktemp("tested") / "studio"
    make_studio(root, profile)
    day = TODAY.date().isoformat()
    studio, surface = root / "studio.toml", root / "surfaces/small-rag.toml"
    lab = root / "labs/brindlewick.toml"
    studio.write_text(
        f'{studio.read_text()}[display]\ncalibrated = {day}\nwhite = "D65"\nluminance = 100\n'
    )
    surface.write_text(surface.read_text().replace("[ppi]", f"sample_seen = {day}\n[ppi]"))
    until = (TODAY + timedelta(days=40)).date().isoformat()
    lab.write_text(f"{lab.read_text()}valid_until = {until}\n")
    tifffile.imwrite(
        root / "hot/small-rag/2x3in/weir_test.tif", picture(200, 300, 3), photometric="rgb",
        iccprofile=build_matrix_profile("srgb"),
    )  # fmt: skip
    sweep_here(root)
    return root


def after(root: Path, days: float) -> Digest:
    """What the digest says so many days from today."""
    with reading(root) as reader:
        return digest_now(reader, root, load_settings(root), TODAY + timedelta(days=days))


def asked(root: Path, days: float, word: str) -> list[DigestLine]:
    """What that digest asks to be done of all that speaks of one thing."""
    return [line for line in after(root, days).lines("to-do") if word in line.text]


def test_each_is_reminded_of_from_its_date_on(tested: Path) -> None:
    """On the last day of each nothing is asked; on the day after it is, with what to do."""
    for word, last, then in (
        ("calibrated on", 30, "[display]"),
        ("sample of Small rag", 365, "surfaces/small-rag.toml"),
        ("rag.icc", 9, "platemark profiles add"),
    ):
        assert asked(tested, last, word) == [], word
        (line,) = asked(tested, last + 1, word)
        assert then in line.next
    (past,) = asked(tested, 41, "rag.icc")
    assert "which is past" in past.text
    reminded = [line.text for line in after(tested, 41).lines("reminders")]
    assert past.text in reminded
    assert any("Small rag" not in text and "was calibrated on" in text for text in reminded)


def test_a_test_print_waits_for_an_eye(tested: Path) -> None:
    """Not while it travels, then until it is settled or two months are over."""
    assert asked(tested, 1, "test print") == []
    (line,) = asked(tested, 5, "test print")
    assert "The test print of weir_test.tif on small-rag went to the lab on" in line.text
    assert "platemark approve 1" in line.next
    assert asked(tested, 59, "test print") != []
    assert asked(tested, 62, "test print") == []
    code, _ = ask_here(tested, "decide", "1", "--adjust", "lightness 50:53", "--by", "Mira",
                       "--because", "seen by the window")  # fmt: skip
    assert code == 0
    assert asked(tested, 5, "test print") == []


@pytest.mark.parametrize(
    ("white", "luminance", "said"),
    [
        # ISO 3664 as Green, Color Management (2010), p. 197 gives it: D65 and at least 80 cd/m2;
        # beside prints under 500 lx D50 and at least 160. 80 to 120 is common practice.
        ("D65", 80, None), ("D65", 120, None), ("D65", 79, "too light"), ("D65", 121, "too dark"),
        ("D50", 160, None), ("5000 K", 160, None), ("D50", 161, "too dark"),
        ("D50", 79, "too light"),
    ],
)  # fmt: skip
def test_a_display_is_held_against_common_practice(
    white: str, luminance: int, said: str | None
) -> None:
    """A white that is too bright or too dim is named, with what it should be."""
    day = date(2026, 3, 1)
    lines = list(display_lines(Display(day, white, Decimal(luminance)), day))
    assert [said in line.text for line in lines[1:]] == ([] if said is None else [True])


def test_a_digest_that_does_not_come_is_an_alarm(swept: Path) -> None:
    """An hour after its time there is a word for it, where the service ever ran."""
    settings = load_settings(swept)
    with reading(swept) as reader:
        assert list(morning_troubles(reader, settings, TODAY + timedelta(days=9))) == []
    one_morning(swept, 1)
    ((written),) = entries(swept, "morning-written")
    day = date.fromisoformat(written.body["local_date"])

    def said(days: int, hour: int) -> list[str]:
        at = datetime(day.year, day.month, day.day, hour, 30, tzinfo=UTC) + timedelta(days=days)
        with reading(swept) as reader:
            return [line.text for line in morning_troubles(reader, settings, at)]

    assert said(0, 20) == []
    # 07:00 in Berlin is 05:00 UTC in summer and 06:00 in winter.
    assert said(1, 5) == []
    (one,) = said(1, 9)
    assert "due at 07:00, was not written." in one
    (three,) = said(3, 9)
    assert "nor were the 2 before it" in three
