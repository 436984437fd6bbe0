"""`editions/<id>.toml`: what is read of it, and that its mistakes are all told at once."""

import shutil
from dataclasses import replace
from pathlib import Path

import pytest
from edition_cases import BY_SIZE, HERONS, NONE_LEFT, stands
from given import known

from platemark.checks import edition_exceeded, edition_replaces
from platemark.model.edition import TOGETHER, EditionSize, Numbered, numbers_words
from platemark.model.units import parse_full_size
from platemark.settings.load import find_mistakes, load_settings
from platemark.settings.starter import copy_starter

WHOLE = 'name = "Reeds"\nsurfaces = ["baryta"]\n'


@pytest.fixture(scope="module")
def starter(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = tmp_path_factory.mktemp("editions") / "studio"
    copy_starter(root)
    return root


@pytest.fixture
def studio(starter: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(starter, tmp_path / "studio"))


def test_the_example_is_asleep_and_true(studio: Path) -> None:
    """A starter studio has no edition; its example, once it is named, is one."""
    assert load_settings(studio).editions == ()
    example = studio / "editions/heron-at-dawn.toml.example"
    example.rename(example.with_suffix(""))
    (edition,) = load_settings(studio).editions
    assert (edition.id, edition.total, edition.proofs) == ("heron-at-dawn", 25, 3)
    assert edition.part_of(parse_full_size("59.4x42cm")) == TOGETHER
    sold = [each.number for each in edition.given if each.state == "sold"]
    assert numbers_words(sold) == "1-3, 5"
    assert edition.disclosure.artist


def test_a_number_as_commands_take_it() -> None:
    """A proof is not taken for the print of its number, nor one size for another."""
    assert HERONS.as_typed(TOGETHER, "print", 7) == "herons 7"
    assert HERONS.as_typed(TOGETHER, "proof", 1) == "herons 1 --proof"
    two = replace(BY_SIZE, sizes=(*BY_SIZE.sizes, EditionSize(parse_full_size("8x10in"), 5, 1)))
    assert two.as_typed(two.parts[1], "proof", 1) == "herons 1 --proof --size 8x10in"
    standing = replace(NONE_LEFT, replaced=Numbered(TOGETHER, "proof", 1, "sold", 3, 40))
    for more in ({}, {"replaces": "1"}):
        asked: dict[str, str] = {"edition_kind": "proof", **more}
        (stop,) = [
            each
            for check in (edition_exceeded, edition_replaces)
            for each in check.find(known(**stands(standing, **asked)))
        ]
        assert ("1 --proof`" if more else "NUMBER --proof`") in stop.next


def test_each_size_may_be_counted_by_itself(studio: Path) -> None:
    """Then a size has a row of numbers of its own, and one that is not in the file has none."""
    (studio / "editions/reeds.toml").write_text(
        WHOLE + '[[sizes]]\nsize = "16x20in"\ntotal = 9\nproofs = 1\n'
        '[[sizes]]\nsize = "A2"\ntotal = 4\n[[given]]\nnumbers = "2"\nstate = "void"\nsize = "A2"\n'
    )
    (edition,) = load_settings(studio).editions
    assert edition.parts == ("406.4x508mm", "420x594mm")
    part = edition.part_of(parse_full_size("40.6x50.8cm"))
    assert part == "406.4x508mm", "less than a millimetre off is the same"
    assert (edition.of(part, "print"), edition.of(part, "proof")) == (9, 1)
    assert edition.part_of(parse_full_size("8x10in")) is None
    assert edition.given[0].part == "420x594mm"
    assert edition.part_words("420x594mm") == " in A2"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (WHOLE + 'total = 0\n[[sizes]]\nsize = "A2"\n', "“0” is less than 1"),
        (WHOLE + 'total = -5\n[[sizes]]\nsize = "A2"\n', "“-5” is less than 1"),
        (WHOLE + '[[sizes]]\nsize = "A2"\n', "nothing says how many prints"),
        (WHOLE + "total = 5\n", "sizes"),
        (WHOLE + 'total = 5\n[[sizes]]\nsize = "A2"\ntotal = 2\n', "counted together and by size"),
        (WHOLE + 'proofs = 1\n[[sizes]]\nsize = "A2"\ntotal = 2\n', "the proofs are of no size"),
        (
            WHOLE + 'total = 5\n[[sizes]]\nsize = "16x20in"\n[[sizes]]\nsize = "50.8x40.64cm"\n',
            "is there twice",
        ),
        (
            WHOLE + 'total = 5\n[[sizes]]\nsize = "A2"\n[[given]]\nnumbers = "4-6"\n'
            'state = "sold"\n',
            "“4-6” go beyond 5",
        ),
        (
            WHOLE + 'total = 5\n[[sizes]]\nsize = "A2"\n[[given]]\nnumbers = "1-2"\n'
            'state = "sold"\n[[given]]\nnumbers = "2"\nstate = "void"\n',
            "2 is given twice",
        ),
        (
            WHOLE + 'total = 5\n[[sizes]]\nsize = "A2"\n[[given]]\nnumbers = "3-1"\n'
            'state = "sold"\n',
            "are no numbers",
        ),
        (
            'name = "R"\nsurfaces = ["barita"]\ntotal = 5\n[[sizes]]\nsize = "A2"\n',
            "“baryta” meant",
        ),
        (WHOLE + 'total = 5\npictures = ["heron.tif"]\n[[sizes]]\nsize = "A2"\n', "no SHA-256"),
        (WHOLE + 'totl = 5\n[[sizes]]\nsize = "A2"\n', "total"),
    ],
)
def test_mistakes_are_told(studio: Path, text: str, said: str) -> None:
    """No edition of nothing, of two counts, or with numbers that it cannot have."""
    (studio / "editions/reeds.toml").write_text(text)
    settings, mistakes = find_mistakes(studio)
    assert settings is None
    assert any(said in str(mistake) for mistake in mistakes), [str(each) for each in mistakes]
    assert all(str(each).startswith("editions/reeds.toml") for each in mistakes)


def test_its_name_is_an_id(studio: Path) -> None:
    """As a surface's and a lab's."""
    (studio / "editions/My Herons.toml").write_text(WHOLE + 'total = 5\n[[sizes]]\nsize = "A2"\n')
    assert "Call it my-herons.toml" in str(find_mistakes(studio)[1][0])
