"""Design equations as text: read by the safe reader, never evaluated as code."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from math import sqrt

from synth.errors import ExpressionError
from synth.transfer.grammar import parse

_ROOT = re.compile(r"\bsqrt\(")
_NAME = re.compile(r"[A-Za-z]\w*")

#: What the equations may contain: w0 in rad/s, Q, the magnitude g of the gain, a capacitance C in
#: farad, and m = wz/w0 for a notch beside w0.
GIVEN = ("w0", "Q", "g", "C", "m")


def worked_out(rows: Sequence[tuple[str, str]], given: Mapping[str, float]) -> dict[str, float]:
    """Return the values of design equations.

    Parameters
    ----------
    rows : sequence of (str, str)
        Name and formula (see `value_of`), in the order they are worked out.
    given : mapping
        Values of `GIVEN`.

    Raises
    ------
    ExpressionError
        If an expression cannot be read or divides by zero.
    ValueError
        If a root is taken of a negative number.
    """
    values = dict(given)
    found = {}
    for name, text in rows:
        values[name] = found[name] = value_of(text, values)
    return found


def value_of(text: str, values: Mapping[str, float]) -> float:
    """Return the value of a formula: a rational expression, with roots of such in it.

    Parameters
    ----------
    text : str
    values : mapping
        Of the names in it.

    Raises
    ------
    ExpressionError
        If it cannot be read or divides by zero.
    ValueError
        If a root is taken of a negative number.

    Examples
    --------
    >>> value_of("1 + 2*sqrt(a/sqrt(b))", {"a": 6.0, "b": 16.0})
    3.449489742783178
    """
    known = dict(values)
    while root := _ROOT.search(text):
        end = _closing(text, root.end())
        name = f"root{len(known)}"
        while name in known:
            name += "x"
        inner = value_of(text[root.end() : end], known)
        if inner < 0:
            raise ValueError(f"a root is taken of {inner:.4g}, which is negative")
        known[name] = sqrt(inner)
        text = f"{text[: root.start()]} {name} {text[end + 1 :]}"
    return float(parse(text, known).evaluate(known, float))


def is_formula(text: str) -> bool:
    """Whether a text reads as a formula, whatever the names in it stand for."""
    try:
        parse(_ROOT.sub("(", text), names_in(text))
    except ExpressionError:
        return False
    return True


def names_in(text: str) -> set[str]:
    """Return the names that occur in a formula."""
    return {n for n in _NAME.findall(text) if n not in ("sqrt", "pi")}


def _closing(text: str, start: int) -> int:
    """Return the place of the parenthesis that closes the one before `start`."""
    depth = 1
    for k in range(start, len(text)):
        depth += (text[k] == "(") - (text[k] == ")")
        if not depth:
            return k
    raise ExpressionError(f"formula, position {start}: this opening parenthesis is never closed")
