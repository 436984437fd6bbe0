"""A studio for the corpus: the starter's, with every file dropped and nobody watching."""

from __future__ import annotations

import os
import re
from pathlib import Path

import jpeg_corpus
import other_corpus
import png_corpus
import profile_corpus
import size_corpus
import tiff_corpus
from entries import Dropped
from metadata import LONG_AGO

from platemark.imaging.make import PRINTERS
from platemark.imaging.print_model import make_printer_profile
from platemark.settings.starter import copy_starter

CORPUS: tuple[Dropped, ...] = (
    *tiff_corpus.ALL,
    *jpeg_corpus.ALL,
    *png_corpus.ALL,
    *profile_corpus.ALL,
    *size_corpus.ALL,
    *other_corpus.ALL,
)

AT_ONCE = 2


def make_studio(root: Path) -> None:
    """The starter studio, its labs' profiles in place, two pictures worked on at once."""
    copy_starter(root)
    settings = root / "studio.toml"
    text, count = re.subn(
        r"^jobs = 0\b", f"jobs = {AT_ONCE}", settings.read_text(), flags=re.MULTILINE
    )
    assert count == 1
    settings.write_text(text)
    for surface in ("smooth-rag", "canvas-wrap"):
        made = make_printer_profile(PRINTERS[surface])
        (root / "profiles" / f"brindlewick-{surface}.icc").write_bytes(made)


def drop_all(root: Path) -> dict[bytes, Dropped]:
    """Drop every file of the corpus.

    Returns:
        Each by its path under the hot folders, as the disk has it.
    """
    dropped: dict[bytes, Dropped] = {}
    for each in CORPUS:
        relative = os.path.join(os.fsencode(each.where), each.file_name)
        assert relative not in dropped, f"the corpus has two of {relative!r}"
        dropped[relative] = each
        path = root / "hot" / os.fsdecode(relative)
        path.parent.mkdir(parents=True, exist_ok=True)
        each.write(path)
        if each.says:
            path.with_name(f"{path.name}.toml").write_text(each.says)
        if not each.young:
            os.utime(path, (LONG_AGO, LONG_AGO), follow_symlinks=False)
    return dropped
