"""Design equations as text: read by the safe reader, never evaluated as code."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import sqrt

from synth.transfer.grammar import parse

#: What the equations may contain: w0 in rad/s, Q, the magnitude g of the gain, a capacitance C in
#: farad, and m = wz/w0 for a notch beside w0.
GIVEN = ("w0", "Q", "g", "C", "m")


def worked_out(rows: Sequence[tuple[str, str]], given: Mapping[str, float]) -> dict[str, float]:
    """Return the values of design equations.

    Parameters
    ----------
    rows : sequence of (str, str)
        Name and expression, in the order they are worked out; an expression that begins with
        ``sqrt(`` is the root of the rest.
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
        rooted = text.startswith("sqrt(") and text.endswith(")")
        inner = text[5:-1] if rooted else text
        value = float(parse(inner, values).evaluate(values, float))
        values[name] = found[name] = sqrt(value) if rooted else value
    return found
