"""`surfaces/<id>.toml`: what one surface is."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import date
from decimal import Decimal
from typing import Annotated, Any, Literal

from pydantic import Field, PlainValidator, ValidationInfo, WithJsonSchema, field_validator

from platemark.model.request import READERS, read_value
from platemark.model.surface import (
    Direction,
    Edge,
    Gloss,
    Layer,
    Place,
    PpiFloors,
    SharpenNumbers,
    Surface,
    Texture,
    usual_suits,
)
from platemark.model.terms import EdgeMode, Intent
from platemark.settings.suits_section import SuitsSection
from platemark.settings.values import (
    Around,
    Day,
    Exact,
    LengthText,
    Problem,
    Section,
    Text,
    Whole,
    Words,
    YesNo,
    around,
    meant,
    mistaken,
    nearest,
    one_of,
    quoted,
)

_DEFAULT_KEYS = tuple(key for key in READERS if key not in ("surface", "replaces"))


def _default_text(value: object) -> str | None:
    """A default as a sidecar would have it, or None where it is no such value."""
    if isinstance(value, bool):
        return None
    if isinstance(value, str):
        return value
    if isinstance(value, int):
        return str(value)
    if isinstance(value, Decimal):
        return f"{value:f}" if value.is_finite() else None
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, list) and all(isinstance(item, str) for item in value):
        return " ".join(value)
    return None


def _default_problem(key: str, value: object, info: ValidationInfo) -> Problem | None:
    if key not in _DEFAULT_KEYS:
        near = nearest(key, _DEFAULT_KEYS)
        return Problem(
            "a request has no such key, or a surface cannot give it",
            f"Is “{near}” meant?" if near else f"A surface may give {one_of(_DEFAULT_KEYS)}.",
            (key,),
        )
    text = _default_text(value)
    if text is None:
        return Problem(f"{quoted(value)} cannot be read here", "Write it in quotes.", (key,))
    try:
        read_value(key, text)
    except ValueError as error:
        wrong, _, right = str(error).partition("; ")
        return Problem(wrong, f"{right[:1].upper()}{right[1:]}." if right else "", (key,))
    if (key, text) == ("sharpen", "surface") and info.data.get("sharpen", key) is None:
        return Problem(
            "nothing says how pictures are sharpened for this surface",
            "Add a section [sharpen] before this one.",
            (key,),
        )
    known = around(info)
    return _lab_problem(text, known) if key == "lab" and known is not None else None


def _lab_problem(lab: str, known: Around) -> Problem | None:
    if lab not in known.labs:
        right = meant(lab, known.labs, "Add a file to labs/ first.")
        return Problem(f"there is no lab “{lab}” in labs/", right, ("lab",))
    if not known.may_offer(lab, known.id):
        return Problem(
            f"the lab “{lab}” has no product on this surface",
            f"Add one to labs/{lab}.toml, or name another lab.",
            ("lab",),
        )
    return None


def _defaults(value: object, info: ValidationInfo) -> tuple[tuple[str, str], ...]:
    if not isinstance(value, dict):
        raise mistaken(Problem(f"{quoted(value)} is not a section", "Begin it with [defaults]."))
    found = (_default_problem(key, each, info) for key, each in value.items())
    problems = [problem for problem in found if problem is not None]
    if problems:
        raise mistaken(*problems)
    return tuple((key, _default_text(each) or "") for key, each in value.items())


_DEFAULTS_SCHEMA: dict[str, Any] = {
    "type": "object",
    "properties": {
        key: {"type": ["string", "integer", "number", "array"], "items": {"type": "string"}}
        for key in _DEFAULT_KEYS
    },
    "additionalProperties": False,
}


class FloorsSection(Section):
    """How few pixels to an inch this surface bears, at the size of the print."""

    caution: Whole = Field(
        ge=1,
        le=2400,
        description="Below this many pixels to an inch of print, the ticket says so.",
        examples=[200],
    )
    stop: Whole = Field(
        ge=1,
        le=2400,
        description="Below this many pixels to an inch of print, the picture is held for you.",
        examples=[140],
    )

    @field_validator("stop")
    @classmethod
    def _below_caution(cls, stop: int, info: ValidationInfo) -> int:
        caution = info.data.get("caution")
        if caution is not None and stop > caution:
            raise mistaken(
                Problem(
                    f"stop is {stop} and caution is {caution}, so nothing would ever be cautioned",
                    "Give caution the larger number.",
                )
            )
        return stop


class SharpenSection(Section):
    """How lightness is sharpened for this surface where a request says sharpen = "surface"."""

    radius_mm: Exact = Field(
        gt=0,
        le=2,
        description=(
            "How far around an edge the print is sharpened, in millimetres of paper: little on "
            "gloss, more where the surface swallows detail."
        ),
        examples=[0.13],
    )
    amount: Exact = Field(
        gt=0,
        le=5,
        description="How strongly: 1 makes detail twice as strong, 0 would leave it as it is.",
        examples=[1.3],
    )
    threshold_l: Exact = Field(
        ge=0.5,
        le=20,
        description=(
            "Differences in lightness (L*) below this are left alone, so that grain and skin stay "
            "as they are; from twice this on, detail is sharpened in full."
        ),
        examples=[2],
    )
    overshoot_l: Exact = Field(
        default=Decimal(5),
        gt=0,
        le=9,
        description=(
            "No pixel becomes lighter or darker by more than this (L*). A halo of 10 is seen as "
            "one by everybody."
        ),
        examples=[5],
    )


class LayerSection(Section):
    """One layer of a panel; its weight is its area times thickness times density."""

    material: Words = Field(description="What it is, for you to read.", examples=["acrylic"])
    thickness_mm: Exact = Field(
        gt=0, le=200, description="How thick it is, in millimetres.", examples=[6]
    )
    density_kg_m3: Whole = Field(
        gt=0,
        le=25000,
        description="How heavy a cubic metre of it is, in kilograms; its maker says.",
        examples=[1190],
    )


class SurfaceFile(Section):
    """One surface: what pictures are printed on, whichever lab prints them.

    The file's name is the surface's id, and the name of its hot folder.
    """

    name: Words = Field(description="What you call this surface.", examples=["Smooth cotton rag"])
    gloss: Gloss = Field(description="How it shines.", examples=["matte"])
    texture: Texture = Field(
        description="How rough it is under slanting light.", examples=["smooth"]
    )
    white_l: Exact = Field(
        ge=0,
        le=100,
        description="Lightness (L*) of the bare surface: 100 is a perfect white.",
        examples=[96.5],
    )
    white_b: Exact = Field(
        ge=-60,
        le=60,
        description="Tint (b*) of the bare surface: above 0 is warm, below 0 is cold.",
        examples=[1.5],
    )
    black_l: Exact = Field(
        ge=0,
        le=100,
        description="Lightness (L*) of the deepest black that it takes: 0 is a perfect black.",
        examples=[16.5],
    )
    bare_metal: YesNo = Field(
        default=False,
        description="Whether white parts of a picture stay bare metal, without white ink below.",
        examples=[True],
    )
    direction: Direction = Field(
        default="none",
        description=(
            "Which way its brush lines or grain run. A picture is never turned on a surface "
            "that has a direction."
        ),
        examples=["along-width"],
    )
    places: tuple[Place, ...] = Field(
        min_length=1,
        description=(
            "Where it may hang: indoor, bright (a window or lamp opposite), humid, outdoor."
        ),
        examples=[["indoor"]],
    )
    sample_seen: Day | None = Field(
        default=None,
        description="When you last held a fresh sample of it in your hand.",
        examples=["2026-03-02"],
    )
    printed_on: Literal["front", "back"] = Field(
        default="front",
        description=(
            "back where the ink is on the back of something clear and is seen through it: then the "
            "picture is mirrored exactly once, and each lab's mirror_by says by whom."
        ),
        examples=["front"],
    )
    edge: Edge = Field(
        description=(
            "What happens at the edge: none (cut to the picture or its border), bleed (printed "
            "over the edge, then cut) or wrap (folded round a bar)."
        ),
        examples=["none"],
    )
    edge_mode: EdgeMode = Field(
        description=(
            "What fills the bleed or the wrap when the request does not say: mirror, extend (the "
            "last row drawn out), image (part of the picture itself) or included (it is in the "
            "file already); none for a surface that is cut to the picture."
        ),
        examples=["mirror"],
    )
    safe_margin: LengthText = Field(
        description="How far from the edge, or from the fold, faces and signatures should stay.",
        examples=["5mm"],
    )
    intent: Intent = Field(
        description=(
            "How colours that the surface cannot show are brought in: relative or perceptual are "
            "the ones for pictures."
        ),
        examples=["relative"],
    )
    black_point_compensation: YesNo = Field(
        default=True,
        description="Whether shadows are scaled so that the picture's black meets the surface's.",
        examples=[True],
    )
    caution: Text = Field(
        default="",
        description="What whoever carries or hangs it must know; it is on every ticket.",
        examples=["Heavy, with edges that cut: wear gloves."],
    )
    ppi: FloorsSection = Field(description="How few pixels to an inch it bears.")
    sharpen: SharpenSection | None = Field(
        default=None,
        description=(
            "How it is sharpened for when a request asks; without this section it cannot be asked."
        ),
    )
    suits: SuitsSection = Field(
        default=SuitsSection(),
        description=(
            "From where on a picture is said not to suit it; what is left out is as usual for its "
            "kind of surface."
        ),
    )
    layers: tuple[LayerSection, ...] = Field(
        default=(), description="What a panel is made of, for its weight; none for paper."
    )
    defaults: Annotated[
        tuple[tuple[str, str], ...], PlainValidator(_defaults), WithJsonSchema(_DEFAULTS_SCHEMA)
    ] = Field(
        default=(),
        description="What is asked of a picture here when nothing nearer to it says otherwise.",
    )

    @field_validator("black_l")
    @classmethod
    def _darker_than_white(cls, black: Decimal, info: ValidationInfo) -> Decimal:
        white = info.data.get("white_l")
        if white is not None and black >= white:
            raise mistaken(
                Problem(
                    f"its black ({black}) is not darker than its white ({white})",
                    "black_l is the lower number: about 4 on gloss, about 17 on matte paper.",
                )
            )
        return black

    @field_validator("edge_mode")
    @classmethod
    def _fits_edge(cls, mode: EdgeMode, info: ValidationInfo) -> EdgeMode:
        edge = info.data.get("edge")
        problem = next(_edge_problems(edge, mode), None) if edge is not None else None
        if problem is not None:
            raise mistaken(problem)
        return mode

    def surface(self, surface_id: str) -> Surface:
        """The surface that this file describes, under the id that the file's name gives."""
        return Surface(
            id=surface_id,
            name=self.name,
            gloss=self.gloss,
            texture=self.texture,
            white_l=self.white_l,
            white_b=self.white_b,
            black_l=self.black_l,
            bare_metal=self.bare_metal,
            direction=self.direction,
            places=self.places,
            sample_seen=self.sample_seen,
            printed_on=self.printed_on,
            edge=self.edge,
            edge_mode=self.edge_mode,
            safe_margin=self.safe_margin,
            intent=self.intent,
            black_point_compensation=self.black_point_compensation,
            ppi=PpiFloors(self.ppi.caution, self.ppi.stop),
            layers=tuple(Layer(x.material, x.thickness_mm, x.density_kg_m3) for x in self.layers),
            caution=self.caution,
            defaults=self.defaults,
            sharpen=SharpenNumbers(**dict(self.sharpen)) if self.sharpen is not None else None,
            suits=replace(
                usual_suits(self.gloss, self.texture, bare_metal=self.bare_metal),
                **self.suits.said(),
            ),
        )


def _edge_problems(edge: Edge, mode: EdgeMode) -> Iterator[Problem]:
    if mode == "solid":
        yield Problem(
            "solid needs a colour",
            'Write edge_mode = "mirror", and in [defaults] a line like edge = "solid #ffffff".',
        )
    if edge == "none" and mode != "none":
        yield Problem(
            f"edge is none, so there is nothing to fill with {mode}",
            'Write edge_mode = "none", or edge = "bleed".',
        )
    if edge != "none" and mode == "none":
        yield Problem(
            f"edge is {edge}, so something must fill it",
            'Write edge_mode = "mirror", "extend", "image" or "included".',
        )
