import pytest
from hypothesis import given
from hypothesis import strategies as st

from platemark.model.request import READERS, Layer, read_value, resolve, with_answers


def default(source: str, **values: str) -> Layer:
    return Layer(source, tuple(values.items()), "default")


def statement(source: str, **values: str) -> Layer:
    return Layer(source, tuple(values.items()))


def test_nearer_defaults_win_silently() -> None:
    """Of two defaults the nearer counts, and nobody is asked."""
    resolved = resolve([default("surface", size="A4"), default("folder", size="A3")])
    assert str(resolved.request.size) == "A3"
    assert dict(resolved.sources)["size"] == "folder"
    assert not resolved.troubles


def test_a_statement_beats_every_default() -> None:
    """What is said of this very file beats what its folders say."""
    resolved = resolve([default("folder", size="A3"), statement("name", size="16x20in")])
    assert str(resolved.request.size) == "16x20in"
    assert not resolved.troubles


def test_two_statements_that_disagree_are_a_trouble() -> None:
    """Two statements that disagree are never weighed: both are shown and offered."""
    resolved = resolve(
        [statement("folder 16x20in", size="16x20in"), statement("name", size="12x16in")]
    )
    (trouble,) = resolved.troubles
    assert trouble.kind == "disagree"
    assert trouble.choices == ("size=16x20in", "size=12x16in")
    assert "folder 16x20in says 16x20in" in trouble.sentence


def test_the_same_said_twice_agrees() -> None:
    """The same measure in another unit or turned is no disagreement."""
    resolved = resolve([statement("a", size="10x20cm"), statement("b", size="200x100mm")])
    assert not resolved.troubles


def test_every_trouble_is_reported_at_once() -> None:
    """Unknown keys and unreadable values do not hide each other."""
    resolved = resolve(
        [statement("sidecar", sizee="A4", copies="many", border="wide", size="A4", due="soon")]
    )
    assert {trouble.key for trouble in resolved.troubles} == {"sizee", "copies", "border", "due"}
    assert str(resolved.request.size) == "A4"


def test_an_answer_settles_what_it_answers() -> None:
    """A person's answer wins over all layers and removes that trouble only."""
    resolved = resolve(
        [statement("a", size="A4", copies="2"), statement("b", size="A3", copies="3")]
    )
    answered = with_answers(resolved, {"size": "A2"})
    assert str(answered.request.size) == "A2"
    assert [trouble.key for trouble in answered.troubles] == ["copies"]


@pytest.mark.parametrize(
    ("key", "text"),
    [
        ("copies", "0"),
        ("copies", "1.5"),
        ("copies", "²"),
        ("edge", "solid"),
        ("edge", "solid red"),
        ("edge", "mirror #000000"),
        ("crop_at", "0 0 2 1"),
        ("crop_at", "0.5 0 0.5 1"),
        ("border", "1in 2in"),
        ("place", "moon"),
        ("lab", "../etc"),
        ("viewing", "far"),
    ],
)
def test_what_cannot_be_read_is_refused(key: str, text: str) -> None:
    """Values outside the words of a request are refused."""
    with pytest.raises(ValueError, match=r"."):
        read_value(key, text)


@given(key=st.sampled_from(sorted(READERS)), text=st.text(max_size=60))
def test_any_text_is_read_or_refused_in_words(key: str, text: str) -> None:
    """No text makes a reader fail in any other way than by a sentence."""
    said = "read"
    try:
        read_value(key, text)
    except ValueError as error:
        said = str(error)
    assert said
