from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from platemark.parcel.file_names import LONGEST_NAME, print_file_name

USUAL = "{job}_{copies}x_{title}_{size}"
ANY_TEXT = st.text(max_size=160)
PATTERNS = st.one_of(
    st.sampled_from([USUAL, "{title}", "{order} {surface} {title}", "", "..", "-{title}", "{x}"]),
    st.text(alphabet="{}jobtile ._-/\\é", max_size=40),
)
# From memory of the operating system's own list, unverified.
DEVICES = {"con", "prn", "aux", "nul", *(f"{d}{n}" for d in ("com", "lpt") for n in range(10))}


def named(pattern: str = USUAL, **changed: object) -> str:
    values: dict[str, object] = {
        "job": "000123", "copies": 2, "title": "Heron at dusk", "size": "16x20in",
        "surface": "smooth-rag", "order": "Autumn show", "extension": "tif", "taken": (),
    }  # fmt: skip
    return print_file_name(pattern, **{**values, **changed})  # type: ignore[arg-type]


def test_pattern_is_filled() -> None:
    """The lab's pattern is followed; spaces become hyphens in a value, underscores between."""
    assert named() == "000123_2x_Heron-at-dusk_16x20in.tif"
    assert named("{surface} {order} {job}") == "smooth-rag_Autumn-show_000123.tif"


def test_border_is_in_the_name() -> None:
    """The sheet of a bordered print stays readable in its name, beside the picture's size."""
    bordered = named(
        job="000019", copies=1, title="Heron at first light", size="16x12in-on-20x16in"
    )
    assert bordered == "000019_1x_Heron-at-first-light_16x12in-on-20x16in.tif"


def test_an_editions_numbers_are_in_the_name() -> None:
    """A lab that wants them has the numbers of a limited edition; other prints leave no trace."""
    pattern = "{job}_{title}_{edition}"
    assert named(pattern, edition="7-9 of 25") == "000123_Heron-at-dusk_7-9-of-25.tif"
    assert named(pattern, edition="AP 2 of 3") == "000123_Heron-at-dusk_AP-2-of-3.tif"
    assert named(pattern) == "000123_Heron-at-dusk.tif"


def test_accents_are_spelt_out() -> None:
    """Accented and Nordic letters keep a readable spelling, in one sign or in two."""
    assert named("{title}", title="Crème brûlée") == "Creme-brulee.tif"
    assert named("{title}", title="Creme bru\u0302le\u0301e") == "Creme-brulee.tif"
    assert named("{title}", title="Smørrebrød, Straße, Łódź") == "Smorrebrod-Strasse-Lodz.tif"


def test_missing_value_leaves_no_trace() -> None:
    """A title or an order that is not there leaves no doubled or trailing separator."""
    assert named(title=None) == "000123_2x_16x20in.tif"
    assert named("{title}_{order}", title="", order=None) == "000123.tif"
    assert named("{title}", title="夜鷺") == "000123.tif"


@pytest.mark.parametrize("device", sorted(DEVICES))
def test_device_names_are_avoided(device: str) -> None:
    """No print file is called like a device, whatever the case and whatever follows a dot."""
    for title in (device, device.upper(), f"{device}.heron"):
        stem = named("{title}", title=title).split(".")[0].lower()
        assert stem not in DEVICES


def test_path_parts_do_not_survive() -> None:
    """A title with path signs names a file in the same folder."""
    assert named("{title}", title="../../etc/passwd") == "etc-passwd.tif"
    assert named("{title}", title="..\\..\\heron") == "heron.tif"


def test_taken_names_get_a_number() -> None:
    """A name that is taken in any case gets -2, then -3."""
    taken = {"000123_2X_HERON-AT-DUSK_16x20in.tif"}
    assert named(taken=taken) == "000123_2x_Heron-at-dusk_16x20in-2.tif"
    taken.add("000123_2x_heron-at-dusk_16x20in-2.TIF")
    assert named(taken=taken) == "000123_2x_Heron-at-dusk_16x20in-3.tif"


def test_long_titles_are_cut_not_the_job_and_size() -> None:
    """What is too long is taken from the title and then the order; job and size stay whole."""
    name = named("{order}_{title}_{job}_{size}", title="t" * 300, order="o" * 300)
    assert len(name) == LONGEST_NAME
    assert name.endswith("_000123_16x20in.tif")
    assert name.startswith("o")


@pytest.mark.fault(22)
@given(pattern=PATTERNS, title=ANY_TEXT, size=ANY_TEXT, order=ANY_TEXT, extension=ANY_TEXT)
def test_every_name_is_safe(
    pattern: str, title: str, size: str, order: str, extension: str
) -> None:
    """Whatever is asked, a name is plain ASCII, short, no path, no hidden file and no device."""
    name = named(pattern, title=title, size=size, order=order, extension=extension)
    assert re.fullmatch(r"[A-Za-z0-9_][A-Za-z0-9._-]*\.[a-z0-9]+", name)
    assert len(name) <= LONGEST_NAME
    assert ".." not in name
    assert name.split(".")[0].lower() not in DEVICES


@pytest.mark.fault(23)
@given(titles=st.lists(ANY_TEXT, min_size=2, max_size=8), pattern=PATTERNS)
def test_names_of_a_parcel_differ_in_any_case(titles: list[str], pattern: str) -> None:
    """Names made one after the other never meet, also where the system ignores the case."""
    taken: list[str] = []
    for title in titles:
        taken.append(named(pattern, title=title, taken=taken))
    assert len({name.casefold() for name in taken}) == len(titles)
    assert all(len(name) <= LONGEST_NAME for name in taken)
