"""Design equations as text: read by the safe reader, never evaluated as code."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from functools import lru_cache
from math import sqrt

from synth.errors import ExpressionError
from synth.transfer.grammar import parse
from synth.transfer.syntax import Expression

_ROOT = re.compile(r"\bsqrt\s*\(")
#: A number, which may have an exponent, or else a name.
_WORD = re.compile(r"(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?|([A-Za-z_]\w*)")

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
        If it cannot be read, names something without a value, or divides by zero.
    ValueError
        If a root is taken of a negative number, or a number is too large.

    Examples
    --------
    >>> value_of("1 + 2*sqrt(a/sqrt(b))", {"a": 6.0, "b": 16.0})
    3.449489742783178
    """
    roots, rest = _read(text)
    missing = min(names_in(text) - set(values), default="")
    if missing:
        raise ExpressionError(
            f"the name {missing!r} is unknown; the names are {', '.join(sorted(values))}, besides "
            "pi and sqrt(...)"
        )
    known = dict(values)
    try:
        for name, inside in roots:
            inner = inside.evaluate(known, float)
            if inner < 0:
                raise ValueError(f"a root is taken of {inner:.4g}, which is negative")
            known[name] = sqrt(inner)
        return float(rest.evaluate(known, float))
    except OverflowError:
        raise ValueError(f"{text} is too large a number") from None


@lru_cache(maxsize=1024)  # the same equations are worked out at several points
def _read(text: str) -> tuple[tuple[tuple[str, Expression], ...], Expression]:
    """Return the roots in a formula by the names that they get, inner ones first, and the rest."""
    names = names_in(text)
    roots: list[tuple[str, Expression]] = []
    while found := list(_ROOT.finditer(text)):
        root = found[-1]  # the last one has none inside
        end = _closing(text, root.end())
        name = f"root{len(names)}"
        while name in names:
            name += "x"
        roots.append((name, parse(text[root.end() : end], names)))
        names.add(name)
        text = f"{text[: root.start()]} {name} {text[end + 1 :]}"
    return tuple(roots), parse(text, names)


def is_formula(text: str) -> bool:
    """Whether a text reads as a formula, whatever the names in it stand for."""
    try:
        _read(text)
    except ExpressionError:
        return False
    return True


def names_in(text: str) -> set[str]:
    """Return the names that occur in a formula."""
    return {n for n in _WORD.findall(text) if n not in ("", "sqrt", "pi")}


def _closing(text: str, start: int) -> int:
    """Return the place of the parenthesis that closes the one before `start`."""
    depth = 1
    for k in range(start, len(text)):
        depth += (text[k] == "(") - (text[k] == ")")
        if not depth:
            return k
    raise ExpressionError(f"formula, position {start}: this opening parenthesis is never closed")
