"""Thousands of spoilt files through the real steps, held against other people's decoders.

No file that none of them decodes whole is printed, and of what is printed every sample is one that
another decoder reads. No child outlives its limits, none ends without a report or a named failure,
and no failure is a mistake of ours.
"""

from __future__ import annotations

import json
import subprocess
import sys
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest

from forked_sweep import ENVIRONMENT, THROUGH

SLOWEST_S = 25
"""Three steps of a picture of 15,000 px, on a busy machine too; a child's deadline is 20."""

PICTURES, PROFILES = 400, 60

FINDS = {
    # Bits of a TIFF in ZIP form, whose sum nobody looked at: other pixels.
    269: "flip_bits", 383: "meaning + repeat",
    # Packed data that say they are not packed, or a predictor that one reader knows and one not.
    1413: "tag_number", 1755: "tag_kind", 1793: "meaning",
    # Lengths that cannot be, for which the decoder made its own.
    2186: "strip_list", 1979: "meaning", 3309: "swap_tags", 11023: "tag_count",
    # Plain data that say they are LZW or packed bits; depths of other channels than there are.
    3500: "meaning", 7005: "meaning", 4411: "meaning",
    # JPEG pieces of another size than the tiles they stand for.
    5559: "tag_value",
    # Numbers in single bytes, channels too many for the colours, a form of no thinning out.
    7040: "tag_kind", 9158: "tag_kind", 13090: "tag_kind", 19135: "tag_kind",
    8330: "tag_number", 15703: "tag_number", 17987: "tag_number",
    # A moving picture's part in a still one.
    8317: "rename_chunk", 9838: "rename_chunk",
    # A profile of no kind that there is, on which the colour engine gave up half way.
    3218: "flip_early",
}  # fmt: skip
"""Mutants that came out wrong once, and what is done to them."""


def run(
    folder: Path, *wanted: str, how: str = "forked", printed: int = 1, measured: int = 1
) -> list[dict[str, Any]]:
    """What came of the mutants that are wanted; the process must live to the last of them."""
    folder.mkdir(exist_ok=True)
    words = [str(THROUGH), str(folder), how, str(printed), str(measured), *wanted]
    done = subprocess.run(
        [sys.executable, *words], capture_output=True, text=True, env=ENVIRONMENT, check=False
    )
    assert done.returncode == 0, done.stderr[-4000:]
    return [json.loads(line) for line in done.stdout.splitlines()]


def told(came: Sequence[dict[str, Any]]) -> str:
    """Figures of a run, for people."""
    how = Counter(each["came"] for each in came)
    codes = Counter(code for each in came for code in each.get("codes", ()))
    slowest = max(came, key=lambda each: each["took"])
    lines = [f"{len(came)} mutants: " + ", ".join(f"{n} {what}" for what, n in how.most_common())]
    lines += [f"  {count:6} {code}" for code, count in codes.most_common()]
    lines.append(f"slowest {slowest['took']} s: {slowest['number']} {slowest['seed']}")
    return "\n".join(lines)


def wrong(came: Sequence[dict[str, Any]]) -> list[str]:
    """A line for each mutant of which something came that must not."""
    found = []
    for each in came:
        name = f"{each['number']} ({each['seed']}, {each['how']})"
        kinds = {code.partition(": ")[2] for code in each.get("codes", ())}
        if each["came"] == "failed" and kinds & {"bug", "world"}:
            found.append(f"{name}: {each['sentence']}\n{each['trace']}")
        elif each["came"] == "check-failed":
            found.append(f"{name}: the print file failed its check: {each['codes']}")
        differs = [why for why in each.get("differs", ()) if not why.startswith("resampled")]
        if differs:
            found.append(f"{name} was accepted: {'; '.join(differs)}")
        if each["took"] > SLOWEST_S:
            found.append(f"{name} took {each['took']} s")
    return found


@pytest.fixture(scope="module")
def came(tmp_path_factory: pytest.TempPathFactory) -> list[dict[str, Any]]:
    """All that is tried by default, by one process; every third picture that passes is printed."""
    found = run(
        tmp_path_factory.mktemp("fuzz"),
        f"picture=0:{PICTURES}",
        f"profile=0:{PROFILES}",
        *(f"picture={number}" for number in FINDS),
        printed=3,
        measured=20,
    )
    assert len(found) == PICTURES + PROFILES + len(FINDS)
    return found


def test_spoilt_pictures(came: list[dict[str, Any]]) -> None:
    """None is printed that must not be; some are stopped, some printed, none breaks anything."""
    pictures = [each for each in came[: -len(FINDS)] if each["kind"] == "picture"]
    print(told(pictures))
    assert wrong(pictures) == []
    kinds = Counter(each["came"] for each in pictures)
    # Neither is everything refused, nor is everything let through.
    assert kinds["stopped"] > PICTURES // 4
    assert kinds["accepted"] > PICTURES // 20


def test_spoilt_profiles(came: list[dict[str, Any]]) -> None:
    """Profiles that a lab is said to have sent: one that is admitted converts to sane colours."""
    profiles = [each for each in came if each["kind"] == "profile"]
    print(told(profiles))
    assert wrong(profiles) == []
    assert {each["came"] for each in profiles} >= {"refused", "accepted"}


def test_what_was_found_stays_mended(came: list[dict[str, Any]]) -> None:
    """Mutants that came out wrong once are the same as then, and stopped."""
    found = {each["number"]: each for each in came[-len(FINDS) :]}
    assert {number: each["how"] for number, each in found.items()} == FINDS
    assert {each["came"] for each in found.values()} == {"stopped"}


@pytest.mark.long
def test_twenty_thousand_spoilt_pictures(tmp_path: Path) -> None:
    """The long form, the first two hundred also in children that are really started."""
    started = run(tmp_path / "started", "picture=0:200", how="started", measured=8)
    forked = run(tmp_path / "forked", "picture=0:20000", measured=40)
    print(told(forked))
    assert wrong(forked) == []
    assert wrong(started) == []
    same = ("number", "came", "codes")
    assert [[each.get(key) for key in same] for each in started] == [
        [each.get(key) for key in same] for each in forked[:200]
    ]


@pytest.mark.long
def test_three_thousand_spoilt_profiles(tmp_path: Path) -> None:
    """The long form for profiles."""
    came = run(tmp_path, "profile=0:3000")
    print(told(came))
    assert wrong(came) == []
