"""Values to plain JSON data and back, exact: rationals and decimals travel as strings."""

from __future__ import annotations

import hashlib
import json
import threading
from fractions import Fraction
from typing import Any, TypeVar

import msgspec

T = TypeVar("T")
_first = threading.Lock()
_known: set[object] = set()
"""Kinds whose fields the library has read. It reads them when a kind is first used; two threads
that do so at once may end the process by a fault of memory (seen with msgspec 0.22)."""


def to_plain(value: object) -> Any:
    """Turn dataclasses, rationals, decimals and dates into dicts, lists and strings."""
    return msgspec.to_builtins(value, enc_hook=_encode)


def from_plain(kind: type[T], data: object) -> T:
    """Build a value of `kind` from plain data.

    Raises:
        msgspec.ValidationError: the data does not have that shape.
    """
    if kind in _known:
        return msgspec.convert(data, kind, dec_hook=_decode)
    with _first:
        value = msgspec.convert(data, kind, dec_hook=_decode)
        _known.add(kind)
    return value


def canonical(data: object) -> bytes:
    """UTF-8 JSON with keys sorted and no spaces (after RFC 8259; floats are refused).

    Raises:
        TypeError: a float or another kind that has no exact form.
    """
    _refuse_floats(data)
    return json.dumps(
        data, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False
    ).encode("utf-8")


def digest(value: object) -> str:
    """SHA-256 (FIPS 180-4), hexadecimal, of a value's canonical form."""
    return hashlib.sha256(canonical(to_plain(value))).hexdigest()


def _encode(value: object) -> str:
    if isinstance(value, Fraction):
        return str(value)
    raise NotImplementedError(type(value).__name__)


def _decode(kind: type, data: object) -> object:
    if kind is Fraction and isinstance(data, str):
        return Fraction(data)
    raise NotImplementedError(kind.__name__)


def _refuse_floats(data: object) -> None:
    if isinstance(data, float):
        raise TypeError(f"{data!r} is a float; exact values travel as strings")
    if isinstance(data, dict):
        for value in data.values():
            _refuse_floats(value)
    elif isinstance(data, list | tuple):
        for value in data:
            _refuse_floats(value)
