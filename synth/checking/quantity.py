"""Values of an op-amp model as text: SI prefixes and the units that a data table has."""

from __future__ import annotations

import math
from typing import Any

from synth.errors import NumberError
from synth.units import parse_si

#: Spellings of a unit -> (unit, factor), longest first; prefixes stay with the number.
_SPELLINGS: tuple[tuple[str, str, float], ...] = (
    ("V/sqrt(Hz)", "V/sqrt(Hz)", 1.0),
    ("A/sqrt(Hz)", "A/sqrt(Hz)", 1.0),
    ("V/us", "V/s", 1e6),
    ("V/µs", "V/s", 1e6),
    ("V/ms", "V/s", 1e3),
    ("V/s", "V/s", 1.0),
    ("V/V", "V/V", 1.0),
    ("A", "A", 1.0),
)


def read_quantity(key: str, given: Any, unit: str) -> float:
    """Read a value of a model file or an inline list.

    Parameters
    ----------
    key : str
        Named in messages.
    given : number or str
        A text may have an SI prefix and the unit: ``"18 nV/sqrt(Hz)"``, ``"0.5 V/us"``, ``"inf"``.
    unit : str
        The unit wanted.

    Raises
    ------
    NumberError
        If it is no number, or in another unit.
    """
    if isinstance(given, bool) or not isinstance(given, (int, float, str)):
        raise NumberError(f"key {key} must be a number or a text such as '1M', not {given!r}")
    if not isinstance(given, str):
        try:
            return float(given)
        except OverflowError as error:
            raise NumberError(f"key {key} is too large a number") from error
    text = given.strip()
    if text == "inf":
        return math.inf
    factor = 1.0
    for spelling, meant, scale in _SPELLINGS:
        if text.endswith(spelling):
            if meant != unit:
                raise NumberError(f"key {key}: {text!r} is in {meant}, but {unit} is wanted")
            text, factor = text.removesuffix(spelling), scale
            break
    try:
        return parse_si(text, unit) * factor
    except NumberError as error:
        raise NumberError(f"key {key}: {error}") from error
