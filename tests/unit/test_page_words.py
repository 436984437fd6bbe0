"""The page's words for what the record holds."""

from platemark.app.cli_record import KINDS as RECORDED
from platemark.app.page.words import KINDS, kind_words


def test_every_kind_of_entry_has_words() -> None:
    """Nobody who looks at the record meets a name of ours; no two kinds read the same."""
    assert set(KINDS) >= set(RECORDED)
    assert len(set(KINDS.values())) == len(KINDS)
    assert kind_words("words-erased") == "a client's personal words were erased"
