"""What was asked must be readable and said once."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from platemark.model.asking import stop
from platemark.model.finding import Finding
from platemark.model.known import Known

CODE: Final = "request-unclear"
ACCEPT: Final = "assistant"


def find(known: Known) -> Iterable[Finding]:
    """Stop keys that nobody knows, values that cannot be read, and statements that disagree.

    What disagrees can only be chosen; what nobody can read may be left out. A size that cannot be
    read is told where the size is asked for.
    """
    request = known.resolved.request
    no_size = request.size is None and request.sheet is None
    for trouble in known.resolved.troubles:
        if no_size and trouble.key in ("size", "sheet"):
            continue
        if trouble.kind == "disagree":
            yield stop(
                CODE,
                "never",
                trouble.sentence,
                "Choose one; or drop the picture again under a name, in a folder or with a file "
                "beside it that agree.",
                choices=trouble.choices,
            )
            continue
        yield stop(
            CODE,
            ACCEPT,
            trouble.sentence,
            "Answer with the right value and accept, which leaves out what could not be read. Or "
            "drop a corrected file of that name where the picture was dropped.",
            figures={"left out": trouble.sentence},
            choices=trouble.choices,
        )
