"""Working spaces, palettes and the encoding of a finished picture."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from platemark.imaging.made.canvas import STRIP_ROWS, Canvas, Pixels, Plane
from platemark.imaging.made.paint import brighten, dim


@dataclass(frozen=True, slots=True)
class _Space:
    """Working space: chromaticities of red, green, blue and white, and its encoding curve."""

    red: tuple[float, float]
    green: tuple[float, float]
    blue: tuple[float, float]
    white: tuple[float, float]
    curve: str


_D65 = (0.3127, 0.3290)
_D50 = (0.3457, 0.3585)

SPACES: dict[str, _Space] = {
    # IEC 61966-2-1
    "srgb": _Space((0.64, 0.33), (0.30, 0.60), (0.15, 0.06), _D65, "srgb"),
    # Adobe RGB (1998) colour image encoding, section 4.3
    "adobe-rgb": _Space((0.64, 0.33), (0.21, 0.71), (0.15, 0.06), _D65, "adobe-rgb"),
    # SMPTE EG 432-1 primaries with the sRGB curve and white
    "display-p3": _Space((0.680, 0.320), (0.265, 0.690), (0.150, 0.060), _D65, "srgb"),
    # ISO 22028-2 (ROMM RGB)
    "romm": _Space((0.7347, 0.2653), (0.1596, 0.8404), (0.0366, 0.0001), _D50, "romm"),
}
"""Spaces that a picture may be encoded in, by the names that the settings use."""


def _to_xyz(space: _Space) -> NDArray[np.floating[Any]]:
    """Return the 3 × 3 matrix from linear RGB to XYZ, white at Y = 1."""
    columns = np.array(
        [[x / y, 1.0, (1 - x - y) / y] for x, y in (space.red, space.green, space.blue)]
    ).T
    return np.asarray(columns * np.linalg.solve(columns, _white_xyz(space.white)))


def _white_xyz(white: tuple[float, float]) -> NDArray[np.float64]:
    return np.array([white[0] / white[1], 1.0, (1 - white[0] - white[1]) / white[1]])


def _from_srgb(space: _Space) -> NDArray[np.floating[Any]]:
    """Return the 3 × 3 matrix from linear sRGB to linear `space`, white to white (Bradford)."""
    bradford = np.array(
        [[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]]
    )
    gains = (bradford @ _white_xyz(space.white)) / (bradford @ _white_xyz(_D65))
    adapt = np.linalg.solve(bradford, gains[:, None] * bradford)
    return np.asarray(np.linalg.solve(_to_xyz(space), adapt @ _to_xyz(SPACES["srgb"])))


def encode(linear: NDArray[np.float64], curve: str) -> NDArray[np.float64]:
    """Return encoded values 0 … 1 for linear values 0 … 1."""
    if curve == "srgb":
        high = 1.055 * np.maximum(linear, 0.0031308) ** (1 / 2.4) - 0.055
        return np.where(linear <= 0.0031308, 12.92 * linear, high)
    if curve == "romm":
        return np.where(linear < 1 / 512, 16 * linear, np.maximum(linear, 1 / 512) ** (1 / 1.8))
    return np.asarray(linear ** (256 / 563))


class Palette:
    """Turns the hex colours of a scene, written as sRGB, into linear light of its space."""

    def __init__(self, space: str) -> None:
        self._matrix = _from_srgb(SPACES[space])
        self._colours: dict[tuple[str, float, float], Canvas] = {}
        self._ramps: dict[tuple[tuple[float, str] | tuple[float, str, float], ...], Canvas] = {}

    def __call__(self, colour: str, gain: float = 1.0, vivid: float = 1.0) -> Canvas:
        """Return a linear colour, shape (3,).

        Args:
            colour: `#rrggbb` in sRGB.
            gain: Factor on its light, above 1 for what shines.
            vivid: Factor on its distance from grey; above 1 it may leave sRGB.
        """
        known = self._colours.get((colour, gain, vivid))
        if known is not None:
            return known
        code = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)]) / 255
        linear = np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4)
        grey = linear @ np.array([0.2126, 0.7152, 0.0722])
        turned = self._matrix @ (grey + (linear - grey) * vivid)
        mixed: Canvas = (np.maximum(turned, 0.0) * gain).astype(np.float32)
        # It is handed out again and again, so nobody may write into it.
        mixed.flags.writeable = False
        self._colours[colour, gain, vivid] = mixed
        return mixed

    def ramp(self, *stops: tuple[float, str] | tuple[float, str, float]) -> Canvas:
        """Return 1,024 colours, shape (1024, 3), through `(position, colour[, gain])` stops."""
        if stops in self._ramps:
            return self._ramps[stops]
        places = [stop[0] for stop in stops]
        colours = np.array([self(stop[1], stop[2] if len(stop) == 3 else 1.0) for stop in stops])
        steps = np.linspace(0, 1, 1024)
        # Between the stops the cube root is mixed, which the eye takes for an even change.
        roots = [np.interp(steps, places, np.cbrt(colours[:, i])) ** 3 for i in range(3)]
        self._ramps[stops] = np.stack(roots, axis=-1).astype(np.float32)
        return self._ramps[stops]


def look_up(ramp: Canvas, place: Plane) -> Canvas:
    """Return the ramp's colour at each place 0 … 1."""
    index = np.clip(place * 1023.0, 0, 1023).astype(np.int32)
    return np.asarray(ramp.take(index, axis=0))


def finish(
    canvas: Canvas,
    space: str,
    seed: int,
    *,
    exposure: float = 1.0,
    vignette: float = 0.2,
    grain: float = 0.005,
    shoulder: float = 0.7,
    contrast: float = 0.0,
) -> Pixels:
    """Return the encoded picture: vignette, a soft shoulder for the lights, and film grain.

    Args:
        canvas: Linear light; used up (overwritten) to save memory.
        space: Name in `SPACES`.
        seed: Seed of the grain.
        exposure: Factor on all light.
        vignette: Share of light lost in the corners.
        grain: Standard deviation of the grain as a share of the encoded range.
        shoulder: Linear value from which highlights are compressed.
        contrast: Strength 0 … 1 of an S-curve on the encoded values.
    """
    height, width = canvas.shape[:2]
    # The table's index is the root of the light, so that shadows get steps fine enough.
    light = np.linspace(0, 4, 65536) ** 2 * exposure
    over = np.maximum(light - shoulder, 0)
    toned = np.minimum(light, shoulder) + (1 - shoulder) * (1 - np.exp(-over / (1 - shoulder)))
    code = encode(toned, SPACES[space].curve)
    code += contrast * (code * code * (3 - 2 * code) - code)
    table = code.astype(np.float32)
    pixels = np.empty((height, width, 3), dtype=np.uint16)
    random = np.random.default_rng(seed)
    across = np.linspace(-1, 1, width, dtype=np.float32) ** 2
    for top in range(0, height, STRIP_ROWS):
        strip = canvas[top : top + STRIP_ROWS]
        rows = len(strip)
        down = ((np.arange(top, top + rows, dtype=np.float32) + 0.5) * 2 / height - 1) ** 2
        lost = 1 - vignette * ((across[None, :] + down[:, None]) * 0.5) ** 1.25
        np.maximum(strip, 0, out=strip)
        dim(strip, lost)
        index = np.minimum(np.sqrt(strip) * (65535 / 4), 65535).astype(np.int32)
        value = table.take(index)
        speckle = random.standard_normal((rows + 1, width + 1), dtype=np.float32)
        soft = speckle[1:, 1:] + speckle[:-1, 1:] + speckle[1:, :-1] + speckle[:-1, :-1]
        # Grain shows most in the middle tones, least in paper white and deep black.
        weight = grain * (0.35 + 2.6 * value[..., 1] * (1 - value[..., 1]))
        brighten(value, soft * (0.5 * weight))
        np.clip(value, 0, 1, out=value)
        pixels[top : top + rows] = (value * 65535 + 0.5).astype(np.uint16)
    return pixels
