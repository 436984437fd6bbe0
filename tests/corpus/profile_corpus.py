"""Every kind of colour profile inside a picture, right and wrong."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import made_profiles as profiles
import tifffile
from entries import Dropped, held, passes
from photographs import Pixels, colour, deep, grey, in_space


def with_profile(make: Callable[[], Pixels], profile: bytes) -> Callable[[Path], None]:
    """A TIFF, RGB or grey by its shape, with that profile."""

    def write(path: Path) -> None:
        pixels = make()
        kind = "rgb" if pixels.ndim == 3 else "minisblack"
        tifffile.imwrite(path, pixels, photometric=kind, iccprofile=profile)

    return write


def eight(number: int, profile: bytes) -> Callable[[Path], None]:
    return with_profile(lambda: colour(number), profile)


def sixteen(number: int, profile: bytes) -> Callable[[Path], None]:
    return with_profile(lambda: in_space(deep(colour(number)), profile), profile)


SOUND: tuple[Dropped, ...] = (
    Dropped("srgb-2.tif", eight(30, profiles.srgb()), passes()),
    Dropped("srgb-4.tif", eight(31, profiles.srgb_4()), passes()),
    Dropped("srgb-of-littlecms.tif", eight(32, profiles.from_littlecms()), passes()),
    Dropped("adobe-rgb-2.tif", eight(33, profiles.adobe()), passes()),
    Dropped("adobe-rgb-4.tif", sixteen(34, profiles.adobe_4()), passes()),
    Dropped("display-p3.tif", eight(35, profiles.display_p3()), passes()),
    Dropped("romm-16.tif", sixteen(36, profiles.romm()), passes()),
    Dropped("romm-8.tif", eight(37, profiles.romm()), passes("colour-wide-at-8-bit")),
    Dropped("somebodys-own-space.tif", sixteen(38, profiles.unnamed_space()), passes()),
    Dropped("spac.tif", eight(39, profiles.of_class("spac")), passes()),
)

UNWELCOME: tuple[Dropped, ...] = (
    Dropped(
        "display-calibrated.tif", eight(40, profiles.of_a_display(calibrated=True)),
        held("colour-monitor-profile"),
    ),
    Dropped(
        "display-uncalibrated.tif", eight(41, profiles.of_a_display(calibrated=False)),
        passes("colour-monitor-profile"),
    ),
    Dropped(
        "scanner.tif", eight(42, profiles.of_class("scnr", profiles.unnamed_space())),
        passes("colour-scanner-profile"),
    ),
    Dropped("printer.tif", eight(43, profiles.printer()), held("colour-profile-class")),
    Dropped("link.tif", eight(44, profiles.of_class("link", pcs="RGB")),
            held("colour-profile-class")),
    Dropped("abstract.tif", eight(45, profiles.of_class("abst")), held("colour-profile-class")),
    Dropped("named-colours.tif", eight(46, profiles.of_class("nmcl")),
            held("colour-profile-class")),
    Dropped("version-5.tif", eight(47, profiles.of_version(5)), held("colour-profile-class")),
    Dropped("version-7.tif", eight(48, profiles.of_version(7)), held("colour-profile-class")),
)  # fmt: skip

DAMAGED: tuple[Dropped, ...] = tuple(
    Dropped(name, eight(number, data), held("colour-profile-damaged"))
    for number, (name, data) in enumerate(
        (
            ("profile-cut-short.tif", profiles.srgb()[:-100]),
            ("profile-says-longer.tif", profiles.of_wrong_length(profiles.srgb(), 400)),
            ("profile-says-shorter.tif", profiles.of_wrong_length(profiles.srgb(), -400)),
            ("profile-of-100-bytes.tif", profiles.srgb()[:100]),
            ("profile-unsigned.tif", profiles.unsigned(profiles.srgb())),
            ("profile-part-outside.tif", profiles.with_a_part_outside(profiles.srgb())),
            ("profile-without-curves.tif", profiles.without(profiles.srgb(), "gTRC")),
            ("profile-without-green.tif", profiles.without(profiles.adobe(), "gXYZ")),
            ("profile-of-zeros.tif", bytes(3144)),
            ("profile-of-grey.tif", profiles.grey_22()),
            ("profile-of-inks.tif", profiles.of_ink("mntr")),
        ),
        50,
    )
)

FOR_ANOTHER: tuple[Dropped, ...] = (
    Dropped(
        # An abstract profile by its class, and for Lab.
        "profile-of-lab.tif",
        eight(49, profiles.lab_space()),
        held("colour-profile-class", "colour-profile-damaged"),
    ),
    Dropped(
        "rgb-profile-in-grey.tif",
        with_profile(lambda: grey(5), profiles.srgb()),
        held("colour-profile-damaged"),
    ),
)

ALL = (*SOUND, *UNWELCOME, *DAMAGED, *FOR_ANOTHER)
