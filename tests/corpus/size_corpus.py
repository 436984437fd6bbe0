"""Requests: sizes, pixels, proportions, edges, and people who contradict themselves."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import made_profiles as profiles
import tifffile
from entries import Dropped, held, passes, raw
from metadata import jpeg_of
from photographs import colour, deep, grey, in_space
from PIL import Image

RAG = "smooth-rag/8x10in"
LUSTRE = "rc-lustre"


def photo(
    number: int, width: int, height: int, profile: bytes | None = None, **options: Any
) -> Callable[[Path], None]:
    """A good JPEG of that many pixels."""
    return raw(
        lambda: jpeg_of(
            Image.fromarray(colour(number, width, height)),
            icc_profile=profile or profiles.srgb(),
            **options,
        )
    )


def tiff(
    number: int, width: int, height: int, profile: Callable[[], bytes]
) -> Callable[[Path], object]:
    """A good 16-bit TIFF of that many pixels."""
    return lambda path: tifffile.imwrite(
        path,
        in_space(deep(colour(number, width, height)), profile()),
        photometric="rgb",
        iccprofile=profile(),
    )


SIZES: tuple[Dropped, ...] = (
    Dropped("no-size.jpg", photo(100, 720, 480), held("size-missing"), where="pvc-board"),
    Dropped("lake_8x10.jpg", photo(101, 720, 480), held("size-missing"), where="pvc-board"),
    Dropped("IMG_4032x3024.jpg", photo(102, 720, 480), held("size-missing"), where="pvc-board"),
    Dropped(
        "lake_6x9in.jpg", photo(103, 1440, 960),
        held("size-not-sold", cautions=("size-too-few-pixels",)), where=LUSTRE,
    ),
    Dropped(
        "lake_A6.jpg", photo(104, 1240, 874),
        held("size-not-sold", cautions=("size-proportion", "size-too-few-pixels")), where=LUSTRE,
    ),
    Dropped(
        "wall_4000x100mm.jpg", photo(105, 14400, 360),
        held("size-not-sold", cautions=("size-too-few-pixels",)), where="pvc-board",
    ),
    Dropped("lake_6x4in_qty3.jpg", photo(106, 720, 480), passes(), where="pvc-board"),
    Dropped("lake_long 15cm.jpg", photo(107, 720, 480), passes(), where="pvc-board"),
    Dropped("lake_5x7in.jpg", photo(108, 720, 480), held("request-unclear")),
    Dropped("square_4x4in_test.jpg", photo(109, 480, 480), passes(), where="pvc-board"),
    Dropped("upright.jpg", photo(110, 480, 720), passes()),
    Dropped(
        "heron_8x10in.tif", tiff(111, 1600, 2000, profiles.adobe), passes(), where="smooth-rag"
    ),
    Dropped("heron.tif", tiff(112, 2000, 1600, profiles.romm), passes(), where=RAG),
    Dropped("lustre_4x6in.jpg", photo(113, 1440, 960, profiles.adobe()), passes(), where=LUSTRE),
    Dropped(
        "lustre-p3_4x6in.jpg", photo(114, 1440, 960, profiles.display_p3()), passes(), where=LUSTRE
    ),
    Dropped(
        "canvas_8x10in.jpg", photo(115, 1200, 1500), passes(), where="canvas-wrap"
    ),
    Dropped(
        "canvas-solid_8x10in.jpg", photo(116, 1500, 1200), passes(), where="canvas-wrap",
        says='edge = "solid #102030"\nwrap = "0.75in"\n',
    ),
    Dropped(
        "canvas-deep_8x10in.jpg", photo(117, 1500, 1200), held("size-missing"),
        where="canvas-wrap", says='wrap = "1in"\n',
    ),
)  # fmt: skip

PIXELS: tuple[Dropped, ...] = (
    Dropped("few-pixels.jpg", photo(118, 600, 400), passes("size-too-few-pixels")),
    Dropped("just-enough.jpg", photo(119, 480, 320), passes("size-too-few-pixels")),
    Dropped("too-few-pixels.jpg", photo(120, 474, 316), held("size-too-few-pixels")),
    Dropped(
        "tiny.jpg", photo(121, 120, 80), held("size-too-few-pixels", cautions=("picture-small",))
    ),
    Dropped(
        "enlarged-420.jpg", photo(122, 1280, 1600, subsampling=2),
        passes("size-too-few-pixels", "file-jpeg-quality"), where=RAG,
    ),
    Dropped(
        "far-away_12x8in.jpg", photo(123, 720, 480), passes("size-too-few-pixels"),
        where="pvc-board", says='viewing = "10m"\nby = "Ilka"\n',
    ),
    Dropped(
        "far-away-by-nobody_12x8in.jpg", photo(149, 720, 480),
        held("size-too-few-pixels", cautions=("size-too-few-pixels",)),
        where="pvc-board", says='viewing = "10m"\n',
    ),
)  # fmt: skip

PROPORTIONS: tuple[Dropped, ...] = (
    Dropped("off-by-0.4-percent.jpg", photo(124, 723, 480), passes()),
    Dropped("off-by-1.5-percent.jpg", photo(125, 731, 480), passes("size-proportion")),
    Dropped("off-by-10-percent.jpg", photo(126, 792, 480), held("size-proportion")),
    Dropped("panorama.jpg", photo(127, 1440, 480), held("size-proportion")),
    Dropped("square.jpg", photo(128, 720, 720), held("size-proportion")),
    Dropped("cropped.jpg", photo(129, 792, 480), passes(), says='fit = "crop"\n'),
    Dropped("bordered.jpg", photo(130, 720, 720), passes(), says='fit = "border"\n'),
    Dropped(
        "upright-on-brushed_6x4in.jpg", photo(131, 720, 1080), held("size-turned"),
        where="aluminium-bare",
    ),
    Dropped(
        "along-the-brush_6x4in.jpg", photo(132, 1080, 720), passes(), where="aluminium-bare"
    ),
)  # fmt: skip

EDGES: tuple[Dropped, ...] = (
    # 6 × 4 in and 5 mm on each side at the product's 200 ppi: 1280 × 880 px.
    Dropped("with-its-bleed.jpg", photo(133, 1280, 880),
            held("edge-already-there", "size-proportion")),
    Dropped(
        "with-its-bleed-by-tag.jpg", photo(134, 767, 527, dpi=(120, 120)),
        held("edge-already-there", "size-proportion"),
    ),
    Dropped(
        "with-its-bleed-and-says-so.jpg", photo(135, 1280, 880), passes(),
        says='edge = "included"\n',
    ),
    Dropped(
        "bordered-sheet.jpg", photo(136, 720, 480), passes(), says='border = "1in"\n'
    ),
    Dropped("extended.jpg", photo(137, 720, 480), passes(), says='edge = "extend"\n'),
    Dropped(
        # 3:2 is the face's proportion, and not that of the face with its bleed.
        "said-to-have-its-bleed.jpg", photo(150, 1440, 960),
        held("edge-not-there", "size-proportion"), says='edge = "included"\n',
    ),
    Dropped(
        "wrap-of-the-picture_8x10in.jpg", photo(151, 2400, 2800), held("edge-takes-picture"),
        where="canvas-wrap", says='edge = "image"\n',
    ),
    Dropped(
        "face-cropped-by-bleed.jpg", photo(152, 1280, 880), passes("edge-takes-picture"),
        says='edge = "image"\n',
    ),
    Dropped(
        "no-bleed.jpg", photo(138, 720, 480), passes(), says='edge = "none"\n'
    ),
)  # fmt: skip

WISHES: tuple[Dropped, ...] = (
    Dropped("unknown-wish.jpg", photo(139, 720, 480), held("request-unclear"), says="colour = 1\n"),
    Dropped("broken-wish.jpg", photo(140, 720, 480), held("request-unclear"), says="size = [[[\n"),
    Dropped(
        "two-sizes.jpg", photo(141, 720, 480), held("request-unclear"), says='size = "8x12in"\n'
    ),
    Dropped("other-lab.jpg", photo(142, 720, 480), held("request-lab"), says='lab = "nobody"\n'),
    Dropped(
        "other-surface.jpg", photo(143, 720, 480), held("request-surface"),
        says='surface = "baryta"\n',
    ),
    Dropped(
        "outdoors.jpg", photo(144, 720, 480), held("place-not-suited"), says='place = "outdoor"\n'
    ),
    Dropped(
        "edition.jpg", photo(145, 720, 480), held("edition-unknown"), says='edition = "herons"\n'
    ),
    Dropped(
        "order.jpg", photo(146, 720, 480), passes(),
        says='copies = 2\norder = "Alder and Finch"\ntitle = "By the lake"\nnote = "Matte"\n',
    ),
    Dropped("a-first.jpg", photo(147, 720, 480), passes()),
    Dropped("z-first-again.jpg", photo(147, 720, 480), held("same-again")),
    Dropped("other-order/first-again.jpg", photo(147, 720, 480), passes("same-again")),
)  # fmt: skip

PLAIN: tuple[Dropped, ...] = (
    Dropped(
        "one-colour.png", lambda path: Image.new("RGB", (720, 480), (90, 120, 150)).save(
            path, icc_profile=profiles.srgb()
        ),
        passes("picture-plain"),
    ),
    Dropped(
        "white-frame.jpg",
        raw(lambda: framed(161, 60, 255)),
        passes("picture-solid-border"),
    ),
    Dropped("black-frame.jpg", raw(lambda: framed(162, 50, 0)), passes("picture-solid-border")),
    Dropped("thin-line-around.jpg", raw(lambda: framed(163, 3, 0)), passes()),
    Dropped(
        "stamp_2x2in.jpg", photo(148, 250, 250), passes("picture-small"), where="pvc-board"
    ),
    Dropped(
        "grey-in-rgb.jpg",
        raw(
            lambda: jpeg_of(
                Image.fromarray(grey(104)).convert("RGB"), icc_profile=profiles.srgb()
            )
        ),
        passes(),
    ),
)  # fmt: skip


def framed(number: int, side: int, value: int) -> bytes:
    """A photograph with a frame of one value in its pixels."""
    pixels = colour(number).copy()
    pixels[:side], pixels[-side:], pixels[:, :side], pixels[:, -side:] = (value,) * 4
    return jpeg_of(Image.fromarray(pixels), icc_profile=profiles.srgb())


ALL = (*SIZES, *PIXELS, *PROPORTIONS, *EDGES, *WISHES, *PLAIN)
