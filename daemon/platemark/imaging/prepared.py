"""A conversion that LittleCMS has prepared: made once, for many strips and from several threads.

imagecodecs takes both profiles with each call, and with each the engine makes its table of colours
anew: .16 s for the fine one that prints go through, a quarter of the work on a strip (measured). So
the very library that imagecodecs has loaded is asked directly, with the same numbers, for the same
bytes. Where it cannot be found, as in a build that has it inside, `prepare` says so by None.
"""

from __future__ import annotations

import ctypes
from functools import cache

import numpy as np
from numpy.typing import NDArray

from platemark.imaging.source import Profile

Pixels = NDArray[np.uint16]

_PIXEL_FORMATS = {1: 3 << 16 | 1 << 3 | 2, 3: 4 << 16 | 3 << 3 | 2}
"""Colour space, channels and bytes a sample in one number, as lcms2.h packs them."""


class Prepared:
    """A conversion from 16 bit to 16 bit that keeps nothing from pixel to pixel."""

    def __init__(self, engine: ctypes.CDLL, handle: int, bands: tuple[int, int]) -> None:
        """Take over what the engine has made; it lives as long as the process."""
        self._engine, self._handle, self._bands = engine, handle, bands

    def __call__(self, pixels: Pixels, *, in_place: bool = False) -> Pixels:
        """Convert pixels, shape (…, bands).

        Args:
            pixels: 16-bit values of the source.
            in_place: Write the result over them, where both sides have as many channels.

        Raises:
            ValueError: they are of another kind, or are to be written over and must not be.
        """
        bands, into = self._bands
        # The engine is given addresses, and would read and write beside any other array.
        if pixels.dtype != np.uint16 or pixels.shape[-1] != bands:
            raise ValueError(f"{pixels.dtype} of shape {pixels.shape} for {bands} channels")
        if in_place and not pixels.flags.writeable:
            raise ValueError("pixels that are read only cannot be written over")
        out_of = np.ascontiguousarray(pixels)
        made = out_of
        if not in_place or into != bands:
            made = np.empty((*pixels.shape[:-1], into), np.uint16)
        count = pixels.size // bands
        self._engine.cmsDoTransform(self._handle, out_of.ctypes.data, made.ctypes.data, count)
        return made


def prepare(source: Profile, output: Profile, intent: int, flags: int) -> Prepared | None:
    """Prepare a conversion; None where the engine cannot be asked, or will not.

    Args:
        source: What 16-bit values mean, RGB or grey.
        output: What they shall mean, RGB or grey.
        intent: As ICC.1 numbers them.
        flags: Of LittleCMS; without a cache, so that threads do not meet.
    """
    engine = _engine()
    if engine is None:
        return None
    profiles = [
        engine.cmsOpenProfileFromMem(each.data, len(each.data)) for each in (source, output)
    ]
    handle = 0
    if all(profiles):
        handle = engine.cmsCreateTransform(
            profiles[0], _PIXEL_FORMATS[source.bands],
            profiles[1], _PIXEL_FORMATS[output.bands], intent, flags,
        )  # fmt: skip
    for profile in filter(None, profiles):
        engine.cmsCloseProfile(profile)
    return Prepared(engine, handle, (source.bands, output.bands)) if handle else None


@cache
def _engine() -> ctypes.CDLL | None:
    try:
        # The library of that module's own, though others may have been loaded beside it.
        from imagecodecs import _cms

        engine = ctypes.CDLL(_cms.__file__)
        number, address = ctypes.c_uint32, ctypes.c_void_p
        signatures: dict[str, tuple[object, ...]] = {
            "cmsOpenProfileFromMem": (address, ctypes.c_char_p, number),
            "cmsCloseProfile": (ctypes.c_int, address),
            "cmsCreateTransform": (address, address, number, address, number, number, number),
            "cmsDoTransform": (None, address, address, address, number),
        }
        for name, (result, *arguments) in signatures.items():
            function = getattr(engine, name)
            function.restype, function.argtypes = result, arguments
    except (ImportError, OSError, AttributeError):
        return None
    return engine
