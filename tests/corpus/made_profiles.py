"""Profiles good and bad for the corpus.

Sound ones come from our own builders, whose numbers `tests/reference` holds against the standards,
or from LittleCMS by way of Pillow; the bad ones are those with bytes changed.
"""

from __future__ import annotations

import functools
import struct

from PIL import ImageCms

from platemark.imaging.icc import (
    build_grey_profile,
    build_matrix_profile,
    pack_profile,
    pack_text,
    pack_xyz,
    parse_profile,
)
from platemark.imaging.print_model import MATTE_RAG, make_printer_profile

srgb = functools.cache(lambda: build_matrix_profile("srgb"))
srgb_4 = functools.cache(lambda: build_matrix_profile("srgb", version=4))
adobe = functools.cache(lambda: build_matrix_profile("adobe-rgb"))
adobe_4 = functools.cache(lambda: build_matrix_profile("adobe-rgb", version=4))
display_p3 = functools.cache(lambda: build_matrix_profile("display-p3"))
romm = functools.cache(lambda: build_matrix_profile("romm"))
grey_22 = functools.cache(lambda: build_grey_profile("grey-gamma-2.2"))
printer = functools.cache(lambda: make_printer_profile(MATTE_RAG))

D50 = (0.9642, 1.0, 0.8249)


@functools.cache
def from_littlecms() -> bytes:
    """LittleCMS's own sRGB, by way of Pillow."""
    return bytes(ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes())


@functools.cache
def lab_space() -> bytes:
    """LittleCMS's own profile of Lab: sound, and no profile of an RGB picture."""
    return bytes(ImageCms.ImageCmsProfile(ImageCms.createProfile("LAB")).tobytes())


def parts_of(profile: bytes) -> dict[str, bytes]:
    """The parts of a profile by their signatures."""
    return {
        tag.signature: profile[tag.offset : tag.offset + tag.length]
        for tag in parse_profile(profile).tags
    }


def of_a_display(*, calibrated: bool, maker: bytes = b"INVT", model: bytes = b"D100") -> bytes:
    """A display's own primaries; with the video card's curves where it was calibrated."""
    parts = parts_of(srgb())
    # Between those of the working spaces, as measured displays are; they add up to D50.
    red, green = (0.4600, 0.2350, 0.0170), (0.3500, 0.7000, 0.0900)
    blue = tuple(w - r - g for w, r, g in zip(D50, red, green, strict=True))
    for letter, xyz in zip("rgb", (red, green, blue), strict=True):
        parts[f"{letter}XYZ"] = pack_xyz((xyz[0], xyz[1], xyz[2]))
    parts["desc"] = pack_text("Invented display, desk 2", version=2, is_name=True)
    if calibrated:
        # Formula kind: gamma, lowest and highest of each channel, s15Fixed16.
        parts["vcgt"] = struct.pack(">4s4xI9i", b"vcgt", 1, *((0x10000, 0, 0x10000) * 3))
    made = bytearray(
        pack_profile(parts, version=2, device_class="mntr", colour_space="RGB", pcs="XYZ")
    )
    made[48:52], made[52:56] = maker, model
    return bytes(made)


def unnamed_space() -> bytes:
    """Primaries that nobody published and no device's name: somebody's own working space."""
    made = bytearray(of_a_display(calibrated=False))
    made[48:56] = bytes(8)
    parts = parts_of(bytes(made))
    parts["desc"] = pack_text("Quillfen wide space", version=2, is_name=True)
    return pack_profile(parts, version=2, device_class="mntr", colour_space="RGB", pcs="XYZ")


def of_class(device_class: str, profile: bytes | None = None, pcs: str = "XYZ") -> bytes:
    """Another class in the header of a profile (ICC.1, 7.2.5)."""
    made = bytearray(profile or srgb())
    made[12:16] = device_class.encode()
    made[20:24] = pcs.ljust(4).encode()
    return bytes(made)


def grey_printer() -> bytes:
    """A grey curve that was measured on a printer."""
    return of_class("prtr", grey_22())


def of_version(major: int) -> bytes:
    """Another major version in the header."""
    made = bytearray(srgb())
    made[8] = major
    return bytes(made)


def table_of(inputs: int) -> bytes:
    """A small `mft1` table of two grid points a side (ICC.1, 10.11): light where no ink is."""
    grid = b"".join(
        bytes([255 - 255 * corner.bit_count() // inputs, 128, 128]) for corner in range(2**inputs)
    )
    identity = struct.pack(">9i", *(0x10000, 0, 0, 0, 0x10000, 0, 0, 0, 0x10000))
    ramp = bytes(range(256))
    return (
        struct.pack(">4s4xBBBx", b"mft1", inputs, 3, 2)
        + identity
        + ramp * inputs
        + grid
        + (ramp * 3)
    )


def of_ink(device_class: str = "prtr") -> bytes:
    """A CMYK profile with a table to Lab and nothing more."""
    return pack_profile(
        {
            "desc": pack_text("Invented press", version=2, is_name=True),
            "cprt": pack_text("Free to use", version=2),
            "wtpt": pack_xyz(D50),
            "A2B0": table_of(4),
        },
        version=2,
        device_class=device_class,
        colour_space="CMYK",
        pcs="Lab",
    )


def without(profile: bytes, *names: str) -> bytes:
    """The profile without some of its parts."""
    parts = {name: part for name, part in parts_of(profile).items() if name not in names}
    return pack_profile(parts, version=2, device_class="mntr", colour_space="RGB", pcs="XYZ")


def of_wrong_length(profile: bytes, more: int) -> bytes:
    """The header says another length than there is."""
    return struct.pack(">I", len(profile) + more) + profile[4:]


def unsigned(profile: bytes) -> bytes:
    """Without `acsp`, by which a profile is known (ICC.1, 7.2.11)."""
    return profile[:36] + b"XXXX" + profile[40:]


def with_a_part_outside(profile: bytes) -> bytes:
    """Its second part begins behind its end."""
    made = bytearray(profile)
    struct.pack_into(">I", made, 132 + 12 + 4, len(made) + 4096)
    return bytes(made)


def large(profile: bytes, length: int) -> bytes:
    """The profile with a private part that makes it long, as measured data do."""
    parts = parts_of(profile)
    parts["priv"] = b"text\0\0\0\0" + b"measured on a clear day " * (length // 24)
    return pack_profile(parts, version=2, device_class="mntr", colour_space="RGB", pcs="XYZ")
