"""Words in a drawing: the typeface has no signs beyond ASCII, and none may come out as `?`."""

import pytest

from platemark.imaging.letters import in_letters


@pytest.mark.parametrize(
    ("words", "drawn"),
    [
        ("2.2 ΔE00 on average", "2.2 dE00 on average"),
        ("b* −3, 10×8in", "b* -3, 10x8in"),
        ("the set “pair”", 'the set "pair"'),
        ("Grüße aus Łódź", "Grusse aus Lodz"),
    ],
)
def test_signs_that_our_sentences_have_are_spelt(words: str, drawn: str) -> None:
    """Each becomes what a reader would take it for."""
    assert in_letters(words) == drawn
