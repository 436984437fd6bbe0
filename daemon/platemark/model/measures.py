"""What a picture is like at the size of its print, in figures that a print-maker would ask for."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

from platemark.model.test_sheet import Place

MEASURES_VERSION: Final = 1
"""Of how pictures are measured and drawn; raised with any change of that, so that nothing that was
measured before is taken for new."""

Tone = Literal["neutral", "toned", "coloured"]


@dataclass(frozen=True, slots=True)
class Measures:
    """Figures of one picture with one layout on one surface, decimal strings.

    Colours are CIELAB (ISO/CIE 11664-4) relative to D50 and to the source's own white; differences
    are CIEDE2000. `percent` is of the picture's area, unless it says otherwise. All but the
    figures of detail are told from the picture reduced, by plain means of its encoded values, to
    at most two million pixels; those of detail from tiles spread evenly over it, at the pixels of
    the print. What they are good for is common practice of the trade.
    """

    lightness_p5: str
    """L* that 5 % of the picture is below."""
    lightness_median: str
    """L*; under 30 is a low key."""
    lightness_p95: str
    """L* that 5 % of the picture is above; with `lightness_p5` it tells a flat picture."""
    shadow_percent: str
    """Darker than the surface's own black + 2 L*, before black point compensation, where there is
    something to be seen: a standard deviation of L* above 0.5 among a pixel and its neighbours."""
    white_percent: str
    """L* above 95 with C* below 4: bare where the surface has no white."""
    blown_patch_percent: str
    """The largest connected patch with L* above 99.5."""
    white_edge_percent: str
    """Of a ring along the edge of the face, 3 % of its shorter side wide: L* above 97 with C* below
    10."""
    chroma_p99: str
    """C* that 1 % of the picture is above."""
    gamut_loss_percent: str
    """What the output cannot show: more than 5 from what comes back from it.

    For a lab's profile: from Lab to its device values and back, by its own relative tables, once
    black was scaled to the black that it has (ISO 18619), so that the depth of its black does not
    count. For a working space: what it clips.
    """
    skin_percent: str
    """L* 35 to 85, C* 12 to 40 and a hue of 30° to 75°: skin, and all that looks like it."""
    skin_shift: str | None
    """Mean change of those colours by the conversion that is planned, relative to both whites; None
    where there are none."""
    tone: Tone
    """`neutral` where `chroma_p99` is below 1.5; `toned` where it is at most 12 and the hues spread
    by less than 15°, or at most 30 and by less than 6°."""
    hue_spread: str
    """Circular standard deviation of hue, degrees, each pixel counted by its chroma; at most 180
    and that too for a picture without any."""
    converted_chroma: str
    """Mean C* after the planned conversion, relative to the output's white."""
    converted_hue_shift: str | None
    """How far the mean hue, each pixel counted by its chroma, is turned by the planned conversion,
    degrees from 0 to 180; None where the mean colour has a C* below 1."""
    gradient_p99: str
    """Steepness of L* that 1 % of the print is above, L* a pixel by central differences: below 4 is
    soft, above 12 crisp."""
    fine_detail_percent: str
    """Share of the variance of L* that is finer than 2 cycles a millimetre on the print."""
    grain: str | None
    """1.4826 × the median absolute deviation of L* less its Gaussian mean (0.15 mm), in areas that
    are otherwise smooth; None where there are none."""
    halo: str | None
    """Overshoot of L* on both sides of hard edges between plain areas, the lesser side, that one in
    ten exceeds; None where there are fewer than 50 such places with room for it."""
    empty_levels_percent: str
    """8-bit levels that no pixel has, of those between the 1st and the 99th percentile, in the
    channel with the most."""
    plateau_percent: str
    """Plain runs of more than 2 mm that differ from the next by 1 to 5: steps in what was smooth;
    across or down, whichever is more."""
    busy_edge: str
    """Energy of the gradient of L* in what is folded over and 12 mm beside it, against its mean
    over the picture: 1 is as busy as the rest."""
    edge_lines: int
    """Straight lines longer than 50 mm that reach an edge of the face within 75° of square."""
    changed_percent: str = "0.00"
    """What the planned conversion changes by more than 5, each side seen beside its own white and
    from black at the print's black, so that neither the paper nor the depth of its black counts.

    Where the lab converts and no profile tells its print: what the working space clips.
    """
    other_intent_percent: str | None = None
    """What looks otherwise, by more than 3, in the other of the perceptual and the relative intent,
    that one with black point compensation; None where the lab converts, or its profile has not both
    or the same for both."""
    other_intent_mean: str | None = None
    """Mean difference between the two."""
    hue: str | None = None
    """Mean hue, each pixel counted by its chroma, degrees from 0 to 360 (red, yellow, green, blue);
    None where the mean colour has a C* below 1."""
    places: tuple[Place, ...] = ()
    """Where a test print is to be looked at; none for a picture that is not tested."""
