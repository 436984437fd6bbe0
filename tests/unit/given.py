"""Good values that unit tests start from and change."""

from dataclasses import replace
from datetime import date
from decimal import Decimal
from typing import Any

from platemark.checks import all_checks
from platemark.engine.knowing import layout_of
from platemark.model.finding import ENGINE_CODES
from platemark.model.known import Known, ProfileStanding
from platemark.model.lab import (
    ClosingRule,
    DeliveryMeans,
    FileForm,
    Lab,
    PpiRange,
    Product,
    ProfileUse,
)
from platemark.model.picture import Facts, ProfileFacts
from platemark.model.request import Layer, Resolved, resolve
from platemark.model.studio import Limits
from platemark.model.surface import PpiFloors, SharpenNumbers, Surface
from platemark.model.units import ZERO, Length

LIMITS = Limits(
    pixels=600_000_000,
    side_px=65_500,
    file_bytes=4 * 2**30,
    expansion=1000,
    progressive_pixels=100_000_000,
    child_memory_mb=2000,
    child_seconds=600,
    jobs=1,
    free_factor=3,
    profile_months=12,
)
PAPER = Surface(
    id="smooth-rag",
    name="Smooth rag",
    gloss="matte",
    texture="smooth",
    white_l=Decimal(97),
    white_b=Decimal(1),
    black_l=Decimal(16),
    bare_metal=False,
    direction="none",
    places=("indoor",),
    sample_seen=None,
    edge="none",
    edge_mode="none",
    safe_margin=Length.parse("5mm"),
    intent="relative",
    black_point_compensation=True,
    ppi=PpiFloors(200, 140),
    layers=(),
    caution="",
    defaults=(),
)
CANVAS = replace(
    PAPER,
    id="canvas-wrap",
    name="Canvas",
    edge="wrap",
    edge_mode="mirror",
    safe_margin=Length.parse("12mm"),
    ppi=PpiFloors(150, 100),
)
SHARPENED = replace(
    PAPER, sharpen=SharpenNumbers(Decimal("0.10"), Decimal("1.3"), Decimal(2), Decimal(5))
)
LUSTRE = replace(
    PAPER, id="rc-lustre", name="Lustre", edge="bleed", edge_mode="mirror", ppi=PpiFloors(240, 150)
)
ANY_PPI = PpiRange(1, 300, 100_000)
FIXED_300 = PpiRange(300, 300, 300)


def product(**changes: Any) -> Product:
    """A product that takes anything on smooth rag at any resolution, converted by us."""
    plain = Product(
        surface="smooth-rag",
        name="Rag 300",
        sizes=(),
        ppi=ANY_PPI,
        form=FileForm("tiff", 16, "none", 95),
        bleed=Length.parse("3mm"),
        wrap=ZERO,
        wraps=(),
        tuck=ZERO,
        profile=ProfileUse("rag.icc", None, None, None),
        working_spaces=(),
        mirror_by="nobody",
        max_side=None,
        instructions="",
    )
    return replace(plain, **changes)


def canvas_product(**changes: Any) -> Product:
    """A canvas of 1.5 in bars with 0.5 in tuck at 300 ppi."""
    return product(
        **{
            "surface": "canvas-wrap",
            "name": "Canvas",
            "ppi": FIXED_300,
            "wrap": Length.parse("1.5in"),
            "wraps": (Length.parse("0.75in"), Length.parse("2in")),
            "tuck": Length.parse("0.5in"),
            **changes,
        }
    )


def profile_facts(**changes: Any) -> ProfileFacts:
    """An embedded sRGB profile."""
    plain = ProfileFacts(
        sha256="ab" * 32,
        bytes=500,
        description="sRGB",
        device_class="mntr",
        colour_space="RGB",
        version="2.4",
        working_space="srgb",
        damage="",
    )
    return replace(plain, **changes)


def facts(**changes: Any) -> Facts:
    """A sound 8-bit sRGB TIFF of 4800 × 6000 px."""
    plain = Facts(
        format="tiff",
        bytes=86_400_000,
        extension_agrees=True,
        width=4800,
        height=6000,
        bits=8,
        float_samples=False,
        channels=3,
        mode="rgb",
        alpha="none",
        pages=1,
        compression="none",
        progressive=False,
        orientation=1,
        ppi="300",
        profile=profile_facts(),
        exif_colour="none",
        camera=False,
        creator="",
        rights="",
        damage="",
        truncated=False,
        zero_run="",
    )
    return replace(plain, **changes)


def asked(**values: str) -> Resolved:
    """A request from one statement."""
    return resolve([Layer("test", tuple(values.items()))])


CODES = frozenset((*(check.code for check in all_checks()), *dict(ENGINE_CODES)))

LAB = Lab(
    id="brindlewick",
    name="Brindlewick",
    products=(product(),),
    closing=ClosingRule("each", 0, (), False),
    delivery=DeliveryMeans("collect", ""),
    file_name="{job}_{copies}x_{title}_{size}",
)


def known(**changes: Any) -> Known:
    """Everything known of a good picture for 16 × 20 in on smooth rag, with its layout."""
    plain = Known(
        name="heron.tif",
        folder_surface="smooth-rag",
        today=date(2026, 5, 1),
        facts=facts(),
        resolved=asked(size="16x20in"),
        surface=PAPER,
        lab=LAB,
        product=product(),
        labs_offering=("brindlewick",),
        layout=None,
        misfit="",
        profile=ProfileStanding(
            "good", "rag.icc", "cd" * 32, "cd" * 32, "Rag", admitted_on=date(2026, 4, 1)
        ),
        limits=LIMITS,
        earlier=(),
        untagged="stop",
        codes=CODES,
    )
    whole = replace(plain, **changes)
    layout, misfit = layout_of(whole.facts, whole.resolved.request, whole.surface, whole.product)
    return replace(whole, layout=layout, misfit=misfit)
