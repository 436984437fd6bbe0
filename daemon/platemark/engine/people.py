"""Who signs a decision: one of the studio's people, and the photographer where it must be."""

from __future__ import annotations

from platemark.model.errors import DecisionRefused
from platemark.model.studio import Person, Studio


def signer(studio: Studio, by: str) -> Person:
    """The person of that name.

    Raises:
        DecisionRefused: nobody of the studio has it.
    """
    person = studio.person(by)
    if person is None:
        names = ", ".join(each.name for each in studio.people)
        raise DecisionRefused(
            f"{by or 'Nobody'} is not one of the studio's people ({names}).",
            "Names stand under [[people]] in studio.toml.",
        )
    return person


def photographer(studio: Studio, by: str, what: str) -> Person:
    """The person of that name, who must be a photographer.

    Args:
        studio: Whose people they are.
        by: The name.
        what: What is the photographer's, as the beginning of a sentence: “… is for the
            photographer to settle”.

    Raises:
        DecisionRefused: nobody of the studio has that name, or it is an assistant's.
    """
    person = signer(studio, by)
    if person.role != "photographer":
        raise DecisionRefused(f"{what}, not for {person.name}.")
    return person
