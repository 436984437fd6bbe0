"""The templates of what a lab reads in a browser, and what becomes of texts in them."""

from __future__ import annotations

import functools

import jinja2

from platemark.model.job import plain_text


@functools.cache
def pages() -> jinja2.Environment:
    """Every page of a parcel; texts are escaped, and hidden or turning signs made visible."""
    return jinja2.Environment(
        loader=jinja2.PackageLoader("platemark.parcel", "templates"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=_seen,
    )


def _seen(value: object) -> object:
    return plain_text(value) if type(value) is str else value
