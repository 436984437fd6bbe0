"""Writes the invented pictures as files, good and deliberately bad."""

from __future__ import annotations

import io
import struct
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any, Literal

import numpy as np
import pyvips
from numpy.typing import NDArray
from PIL import Image

from platemark.imaging.made.canvas import STRIP_ROWS, Pixels
from platemark.imaging.made.paint import ease
from platemark.imaging.made.pictures import PICTURES, SUGGESTED

Form = Literal["tiff16", "tiff8", "jpeg", "png16", "png8"]
"""How a picture is kept: container and bits."""


def camera_exif(*, orientation: int = 1, colour_space: int = 1) -> bytes:
    """Return the Exif block of a camera that does not exist, beginning with `Exif`.

    Args:
        orientation: Exif tag 274, 1 … 8.
        colour_space: Exif tag 40961: 1 is sRGB, 65535 uncalibrated (CIPA DC-008).
    """
    exif = Image.Exif()
    exif[271], exif[272], exif[274] = "Invented", "Invented camera", orientation
    exif.get_ifd(34665)[40961] = colour_space
    return exif.tobytes()


def write_picture(
    path: Path,
    pixels: Pixels,
    *,
    form: Form,
    profile: bytes | None,
    ppi: float,
    exif: bytes | None = None,
) -> None:
    """Write a picture as a careful photographer would save it.

    TIFF is uncompressed, JPEG has quality 96 and full colour resolution. Eight bits are rounded,
    not dithered.

    Args:
        path: Where to write; what is there is written over.
        pixels: Encoded picture, shape (height, width, 3).
        form: Container and bits.
        profile: Embedded as it is, sound or not; None leaves the picture untagged.
        ppi: Resolution tag.
        exif: An Exif block that begins with `Exif`, for JPEG and PNG.

    Raises:
        OSError, pyvips.Error: The file cannot be written.
        ValueError: `form` is unknown, or a TIFF was to have Exif, which its writer would drop.
    """
    if exif is not None and form.startswith("tiff"):
        raise ValueError("The TIFF writer keeps no Exif.")
    if form == "jpeg":
        # libvips writes no JFIF header, and so no resolution, unless it may add its own Exif.
        Image.fromarray(_to_eight(pixels)).save(
            path,
            "JPEG",
            quality=96,
            subsampling=0,
            optimize=True,
            dpi=(round(ppi), round(ppi)),
            icc_profile=profile,
            exif=exif or b"",
        )
        return
    image = _to_vips(pixels, ppi, profile, exif)
    if form in ("tiff8", "png8"):
        image = (image / 257).rint().cast("uchar").copy(interpretation="srgb")
    if form in ("tiff16", "tiff8"):
        image.tiffsave(str(path), compression="none", resunit="inch")
    elif form in ("png16", "png8"):
        image.pngsave(str(path), compression=3)
    else:
        raise ValueError(f"There is no form {form}.")


def _to_vips(
    pixels: Pixels, ppi: float, profile: bytes | None, exif: bytes | None = None
) -> pyvips.Image:
    """Return 16-bit pixels of 3 or 4 channels as an image with its tags."""
    height, width, channels = pixels.shape
    image = pyvips.Image.new_from_memory(
        np.ascontiguousarray(pixels).data, width, height, channels, "ushort"
    ).copy(interpretation="rgb16", xres=ppi / 25.4, yres=ppi / 25.4)
    for field, block in (("icc-profile-data", profile), ("exif-data", exif)):
        if block is not None:
            image.set_type(pyvips.GValue.blob_type, field, block)
    return image


def _to_eight(pixels: Pixels) -> NDArray[np.uint8]:
    """Return 16-bit codes rounded to 8 bits."""
    eight = np.empty(pixels.shape, dtype=np.uint8)
    for top in range(0, len(pixels), STRIP_ROWS):
        strip = pixels[top : top + STRIP_ROWS].astype(np.uint32)
        eight[top : top + STRIP_ROWS] = (strip + 128) // 257
    return eight


def _plain_tiff(pixels: Pixels, ppi: float, profile: bytes | None) -> bytes:
    """Return an 8-bit TIFF whose directory comes first and whose rows follow uncompressed."""
    kept = io.BytesIO()
    image = Image.fromarray(_to_eight(pixels))
    image.save(kept, "TIFF", compression="raw", dpi=(ppi, ppi), icc_profile=profile)
    return kept.getvalue()


def _cut_short(content: bytes) -> bytes:
    """Return what an upload leaves behind that broke off at 60 %."""
    return content[: len(content) * 6 // 10]


def _bad_cmyk(path: Path, pixels: Pixels, profile: bytes | None, ppi: float) -> None:
    if profile is not None and profile[16:20] != b"CMYK":
        raise ValueError("A CMYK picture can only embed a CMYK profile.")
    ink = 255 - _to_eight(pixels)
    black = ink.min(axis=2, keepdims=True)
    # Two thirds of what the colours share is printed as black, as a press separation would.
    black = (black.astype(np.uint16) * 2 // 3).astype(np.uint8)
    image = Image.fromarray(np.concatenate([ink - black, black], axis=2), mode="CMYK")
    image.save(path, "TIFF", compression="raw", dpi=(ppi, ppi), icc_profile=profile)


def _bad_truncated_tiff(path: Path, pixels: Pixels, profile: bytes | None, ppi: float) -> None:
    path.write_bytes(_cut_short(_plain_tiff(pixels, ppi, profile)))


def _bad_truncated_jpeg(path: Path, pixels: Pixels, profile: bytes | None, ppi: float) -> None:
    write_picture(path, pixels, form="jpeg", profile=profile, ppi=ppi)
    path.write_bytes(_cut_short(path.read_bytes()))


def _bad_hole(path: Path, pixels: Pixels, profile: bytes | None, ppi: float) -> None:
    content = bytearray(_plain_tiff(pixels, ppi, profile))
    # A sync client that reserves the whole file first leaves whole blocks of the disk unfilled.
    first, last = len(content) * 45 // 100 & -4096, len(content) * 60 // 100 & -4096
    content[first:last] = bytes(last - first)
    path.write_bytes(content)


def _bad_png_named_tif(path: Path, pixels: Pixels, profile: bytes | None, ppi: float) -> None:
    image = _to_vips(pixels, ppi, profile)
    path.write_bytes(image.pngsave_buffer(compression=1))


def _bad_corrupt_profile(path: Path, pixels: Pixels, profile: bytes | None, ppi: float) -> None:
    if profile is None:
        raise ValueError("This kind needs a profile to break.")
    # Half of one is still embedded; noise without a header would be left out by libvips.
    write_picture(path, pixels, form="tiff16", profile=profile[: len(profile) // 2], ppi=ppi)


def _bad_untagged(path: Path, pixels: Pixels, profile: bytes | None, ppi: float) -> None:
    write_picture(path, pixels, form="tiff16", profile=None, ppi=ppi)


def _bad_transparent(path: Path, pixels: Pixels, profile: bytes | None, ppi: float) -> None:
    height, width = pixels.shape[:2]
    x = (np.arange(width, dtype=np.float32) / width - 0.5)[None, :]
    y = (np.arange(height, dtype=np.float32) / height - 0.5)[:, None]
    oval = ease(0.47, 0.40, np.hypot(x, y))
    for hole_x, hole_y in ((-0.2, -0.15), (0.18, 0.1)):
        oval *= ease(0.05, 0.06, np.hypot(x - hole_x, y - hole_y))
    alpha = (oval * 65535 + 0.5).astype(np.uint16)
    image = _to_vips(np.concatenate([pixels, alpha[..., None]], axis=2), ppi, profile)
    image.tiffsave(str(path), compression="deflate", resunit="inch")


def _bad_one_bit(path: Path, pixels: Pixels, profile: bytes | None, ppi: float) -> None:
    image = Image.fromarray(_to_eight(pixels)).convert("1")
    image.save(path, "TIFF", compression="group4", dpi=(ppi, ppi))


def _bad_printer_profile(path: Path, pixels: Pixels, profile: bytes | None, ppi: float) -> None:
    if profile is None or profile[12:16] != b"prtr":
        raise ValueError("This kind needs a printer's profile, of class prtr.")
    write_picture(path, pixels, form="tiff16", profile=profile, ppi=ppi)


def _bad_float32(path: Path, pixels: Pixels, profile: bytes | None, ppi: float) -> None:
    image = (_to_vips(pixels, ppi, profile) / 65535).cast("float")
    image.copy(interpretation="rgb").tiffsave(str(path), compression="none", resunit="inch")


_Writer = Callable[[Path, Pixels, "bytes | None", float], None]

_BAD_PICTURES: dict[str, tuple[str, _Writer]] = {
    "cmyk": ("strokes", _bad_cmyk),
    "truncated-tiff": ("canyon", _bad_truncated_tiff),
    "truncated-jpeg": ("still-life", _bad_truncated_jpeg),
    "hole": ("still-life", _bad_hole),
    "png-named-tif": ("harbour", _bad_png_named_tif),
    "corrupt-profile": ("harbour", _bad_corrupt_profile),
    "untagged": ("sea", _bad_untagged),
    "transparent": ("strokes", _bad_transparent),
    "one-bit": ("heron", _bad_one_bit),
    "printer-profile": ("still-life", _bad_printer_profile),
    "float32": ("canyon", _bad_float32),
}
"""Kinds of bad file that hold a picture: which one, and how it is spoilt."""

_LETTER = """\
Dear all,

please find the pictures for the spring show in the other folder; this is only the list.
The large one goes over the stairs, the two small ones side by side in the corridor.

Thank you!
"""

BAD_KINDS = (*_BAD_PICTURES, "zero-bytes", "not-a-picture", "bomb")
"""Everything that `write_bad_file` makes."""


def write_bad_file(
    kind: str,
    path: Path,
    profile: bytes | None,
    *,
    width: int = 3000,
    height: int = 2400,
    space: str = "srgb",
    ppi: float = 300,
) -> None:
    """Write a file with exactly one thing wrong.

    Args:
        kind: One of `BAD_KINDS`:
            `cmyk` (CMYK TIFF), `truncated-tiff` and `truncated-jpeg` (a good header, 60 % of the
            rows), `hole` (a TIFF of full length with blocks of zeros inside), `png-named-tif` (a
            PNG whatever its name says), `corrupt-profile` (half of `profile`), `untagged`,
            `transparent` (soft alpha with holes), `one-bit`, `printer-profile`, `float32`,
            `zero-bytes`, `not-a-picture` (a letter), `bomb` (a sound PNG of 60,000 × 60,000 in
            3.5 MB).
        path: Where to write; what is there is written over.
        profile: What to embed. `cmyk` takes a CMYK profile or None, `printer-profile` needs a
            printer's, `corrupt-profile` any; `untagged`, `one-bit` and the kinds without a
            picture ignore it.
        width: Width in px of the kinds that hold a picture.
        height: Height in px.
        space: Space that the pixels are encoded in.
        ppi: Resolution tag.

    Raises:
        KeyError: `kind` is unknown.
        ValueError: `profile` is not what the kind needs.
    """
    if kind == "zero-bytes":
        path.write_bytes(b"")
    elif kind == "not-a-picture":
        path.write_text(_LETTER, encoding="utf-8")
    elif kind == "bomb":
        path.write_bytes(blank_png(60_000))
    else:
        name, write = _BAD_PICTURES[kind]
        write(path, PICTURES[name](width, height, space), profile, ppi)


def blank_png(side: int) -> bytes:
    """Return a sound, black, 8-bit grey PNG of `side` × `side` px, in a thousandth of the bytes.

    A block of compressed zeros is repeated instead of compressing gigabytes of them. Each ends
    in a full flush (RFC 1951), so it stands alone and begins on a byte.
    """
    total = side * (side + 1)  # each row begins with a byte that names its filter
    block = 1 << 24
    packer = zlib.compressobj(9, zlib.DEFLATED, -15)
    repeated = packer.compress(bytes(block)) + packer.flush(zlib.Z_FULL_FLUSH)
    packer = zlib.compressobj(9, zlib.DEFLATED, -15)
    rest = packer.compress(bytes(total % block)) + packer.flush()
    # RFC 1950: Adler-32 of zeros is 1 in the low half and their number in the high half.
    check = struct.pack(">I", (total % 65521) << 16 | 1)
    stream = b"\x78\xda" + repeated * (total // block) + rest + check
    header = struct.pack(">IIBBBBB", side, side, 8, 0, 0, 0, 0)
    parts = [b"\x89PNG\r\n\x1a\n"]
    for name, body in ((b"IHDR", header), (b"IDAT", stream), (b"IEND", b"")):
        parts += [struct.pack(">I", len(body)), name, body]
        parts.append(struct.pack(">I", zlib.crc32(name + body)))
    return b"".join(parts)


def make_demo_file(task: dict[str, Any]) -> dict[str, str | int]:
    """Make one file of the demonstration.

    Args:
        task: `kind` (`picture` or `bad`), `name` of a picture or `bad` (a kind of bad file),
            `path`, and optionally `width` and `height` in px (0: as suggested), `form`, `space`
            (a working space; without it the suggested one), `profile_path` (embedded; without it
            the file is untagged), `ppi`, and `exif` (`camera`: as from a camera set to sRGB).

    Returns:
        `path` and the file's size, `bytes`.

    Raises:
        KeyError: A key is missing, or a picture, kind or space is unknown.
        OSError: The profile cannot be read or the file not be written.
        ValueError: Form or profile do not suit.
    """
    path = Path(task["path"])
    profile_path = task.get("profile_path")
    profile = Path(profile_path).read_bytes() if profile_path else None
    width, height, ppi = task.get("width"), task.get("height"), float(task.get("ppi") or 300)
    space = task.get("space")
    if task["kind"] == "bad":
        size = {"width": width, "height": height} if width and height else {}
        write_bad_file(task["bad"], path, profile, space=space or "srgb", ppi=ppi, **size)
    else:
        usual_space, usual_width, usual_height = SUGGESTED[task["name"]]
        draw = PICTURES[task["name"]]
        pixels = draw(width or usual_width, height or usual_height, space or usual_space)
        exif = camera_exif() if task.get("exif") == "camera" else None
        form: Form = task.get("form") or "tiff16"
        write_picture(path, pixels, form=form, profile=profile, ppi=ppi, exif=exif)
    return {"path": str(path), "bytes": path.stat().st_size}
