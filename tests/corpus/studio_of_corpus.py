"""A studio for the corpus: the starter's, with every file dropped and nobody watching."""

from __future__ import annotations

import os
import re
from collections.abc import Iterable
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

ONLY_LONG = frozenset(
    re.findall(
        r"\S+",
        """
    plain-8.tif big-endian-8.tif bigtiff-big-endian.tif planar-8.tif tiles-8.tif one-strip.tif
    strips-of-7.tif lzw.tif deflate-predictor.tif grey-8.tif untagged-16.tif 2-bit.tif 4-bit.tif
    float-16.tif cmyk-16.tif selection.tif alpha-nearly-opaque-16.tif premultiplied-cut-out.tif
    smaller-page-behind.tif thumbnail-hanging.tif turned-1.tif turned-2.tif turned-3.tif
    turned-4.tif turned-5.tif turned-8.tif ppi-1.tif ppi-72.tif ppi-300.tif ppi-no-unit.tif
    turned-xmp-agrees.tif gps-and-serial.tif q100.jpg q95.jpg q95-restarts.jpg q75-420.jpg
    q30-420.jpg optimised.jpg camera-says-nothing.jpg camera-contradicts-itself.jpg
    nothing-at-all.jpg adobe-rgb-camera-agrees.jpg srgb-camera-says-adobe-rgb.jpg cmyk.jpg
    cut-at-a-tenth.jpg cut-at-99-percent.jpg cut-in-header.jpg really-a-jpeg.png turned-1.jpg
    turned-3.jpg turned-8.jpg turned-xmp-agrees.jpg ppi-300.jpg captions.jpg plain-8.png
    by-pillow.png grey-8.png nothing.png cicp-hlg.png crc-of-header.png notes.png srgb-2.tif
    adobe-rgb-2.tif display-p3.tif named-colours.tif version-7.tif profile-says-shorter.tif
    profile-without-green.tif profile-of-zeros.tif cut-at-1-percent.tif cut-at-99-percent.tif
    lake.bmp lake.jp2 lake.avif lake.cr3 page.tif notes.txt noise.tif four-bytes.tif lake_A6.jpg
    just-enough.jpg tiny.jpg square.jpg extended.jpg no-bleed.jpg black-frame.jpg grey-in-rgb.jpg
    two-sizes.jpg other-surface.jpg dots.in.the.name.jpeg canvas-solid_8x10in.jpg
        白鷺.jpg comment.jpg spac.tif upright.jpg lustre_4x6in.jpg captions.tif grey-16.png
        alpha-opaque.png thin-line-around.jpg few-pixels.jpg lake.webp cut-at-start.jpg
        profile-part-outside.tif profile-of-100-bytes.tif abstract.tif tiles-16-deflate.tif
        ppi-0.tif big-endian-16.tif three-selections.tif turned-7.tif cut-at-half.png lake.gif
        along-the-brush_6x4in.jpg camera-uncalibrated.jpg jpeg-2000-inside-untagged.tif
        float-32.tif face-cropped-by-bleed.jpg
        q93-422.jpg REALLY-A-JPEG.JPE adobe-rgb-4.tif bordered.jpg
    ycbcr-jpeg-inside.tif webp.tif deflate-old-number.tif lab-8-icc.tif grey-with-selection.tif
    still-arriving.tif
    thumbnail-behind.tif alpha-opaque.tif packbits.tif mask-behind.tif ppi-absurd.tif ycbcr.tif
    grey-untagged.jpg film-behind.jpg turned-xmp-disagrees.jpg ppi-differs.jpg ppi-72.jpg
    display-p3-uncalibrated.jpg turned-6.png ppi-differs.png grey-alpha-cut-out.png 1-bit.png
    cicp-unknown-with-profile.png end-chunk-gone.png grey-srgb-chunk.png cicp-srgb.png palette.png
    cicp-unknown.png colour-key-unused.png really-a-png.jpg srgb-4.tif link.tif
    profile-says-longer.tif profile-of-inks.tif profile-without-curves.tif wall_4000x100mm.jpg
    panorama.jpg enlarged-420.jpg lustre-p3_4x6in.jpg lake_8x10.jpg far-away-by-nobody_12x8in.jpg
    layers.psd lake.dng thousandfold.png hole-to-the-end.tif
    """,
    )
)
"""More of a kind that the others try too; only in the long form."""

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


def drop_all(root: Path, corpus: Iterable[Dropped]) -> dict[bytes, Dropped]:
    """Drop every file.

    Returns:
        Each by its path under the hot folders, as the disk has it.
    """
    dropped: dict[bytes, Dropped] = {}
    for each in corpus:
        relative = b"/".join(filter(None, (os.fsencode(each.where), each.file_name)))
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
