"""Patch strips that came back: how each product went, drawn and in figures."""

from __future__ import annotations

import re
from typing import Any

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from platemark.app.page.kept_files import chart_bytes
from platemark.app.page.site import Site, View
from platemark.app.page.studio_seen import StudioSeen
from platemark.engine.strips import figures_of
from platemark.ledger.read import Reader
from platemark.ledger.strips import StripRow, Strips
from platemark.model.job import job_number

SHOWN = 20
"""Readings of one product in the table, the newest."""
_CHART = re.compile(r"([0-9a-f]{64})\.png")
_WORDS = {"within": "within the limits", "caution": "near a limit", "beyond": "beyond a limit"}
_THAN = {
    "reference": "its reference",
    "profile": "the profile’s prediction",
    "nothing": "nothing yet",
}


def strips(site: Site, request: Request) -> Response:
    """Every product of which a strip was read, those that stand open first."""
    seen = site.seen
    with seen.reading() as reader:
        found = [_product(seen, reader, *product) for product in Strips(reader).products()]
    found.sort(key=lambda each: not each["open"])
    return site.show(request, "strips", products=found)


def chart(site: Site, request: Request) -> Response:
    """The drawing of a product's strips, by its hash."""
    match = _CHART.fullmatch(request.path_params["name"])
    data = None
    if match is not None:
        with site.seen.reading() as reader:
            data = chart_bytes(site.seen, reader, match[1])
    if data is None:
        raise HTTPException(404)
    headers = {
        "cache-control": "private, max-age=86400, immutable",
        "content-security-policy": "sandbox; default-src 'none'",
    }
    return Response(data, media_type="image/png", headers=headers)


def _product(seen: StudioSeen, reader: Reader, lab: str, surface: str) -> dict[str, Any]:
    """What is shown of one product."""
    rows = Strips(reader).of_product(lab, surface)
    word = Strips(reader).newest_word(lab, surface)
    sha256 = word.body.get("chart_sha256") if word is not None else None
    readings = [_reading(seen, reader, row) for row in reversed(rows[-SHOWN:])]
    open_row = Strips(reader).open_in(lab, surface)
    open_entry = reader.entry(open_row.seq) if open_row is not None else None
    said = open_entry.body.get("sentence", "") if open_entry is not None else ""
    return {
        "lab": lab,
        "surface": surface,
        "lab_name": seen.lab_name(lab),
        "surface_name": seen.surface_name(surface),
        "chart": f"/chart/{sha256}.png" if sha256 else "",
        "drawn": _in_words(readings),
        "open": open_row is not None,
        "said": said,
        "readings": readings,
        "count": len(rows),
    }


def _reading(seen: StudioSeen, reader: Reader, row: StripRow) -> dict[str, Any]:
    entry = reader.entry(row.seq)
    body = entry.body if entry is not None else {}
    figures = figures_of(body)
    return {
        "job": row.job,
        "number": job_number(row.job),
        "day": seen.local(entry.at).date().isoformat() if entry is not None else "",
        "than": _THAN[body["against"]],
        "mean": figures.mean if figures is not None else "",
        "p95": figures.p95 if figures is not None else "",
        "black": figures.black_l if figures is not None else "",
        "word": _WORDS[row.verdict],
        "shape": "held" if row.is_open else "delivered",
        "open": row.is_open,
    }


def _in_words(readings: list[dict[str, Any]]) -> str:
    """What a drawing shows, for those who cannot see it."""
    if not readings:
        return ""
    newest = readings[0]
    count = "the first reading" if len(readings) == 1 else f"the newest of {len(readings)} readings"
    by = (
        f"differs by {newest['mean']} ΔE00 on average from" if newest["mean"] else "is held against"
    )
    return f"Drawn over time: {count} {by} {newest['than']}; {newest['word']}."


VIEWS: tuple[tuple[str, View], ...] = (
    ("/strips", strips),
    ("/chart/{name}", chart),
)
