"""Conditions that suppose something: ``equal R, K = 1 + RB/RA: w0 = 1/(R*C), Q = 1/(3 - K)``.

Before the colon stand values that are supposed, after it what then holds.  Both are read as far as
they are formulas; the supposed is put into the values of the example, and w0, Q and gains of the
exact response are compared with what is said.  Text that is no formula is for people.
"""

from __future__ import annotations

import operator
import re
from collections.abc import Callable, Iterator, Mapping
from typing import NamedTuple

from synth.conditions import Relation, check, numbers_of, relation
from synth.errors import ExpressionError
from synth.transfer import polynomial as exact
from synth.transfer.design import value_of

#: What "equal ..." makes equal: the letters of numbered parts.
_EQUAL = {"equal R": "R", "equal C": "C", "equal parts": "RC"}
_BETWEEN = re.compile(r",\s*|\s+and\s+")
_NUMBERED = re.compile(r"([RC])\d+")
#: How what is said after the colon may begin, and what it is then about.
_SAID = (
    (re.compile(r"(?:notch|all-pass) with (.+)"), "{}"),
    (re.compile(r"boost (\S.*) at the centre"), "centre = {}"),
    (re.compile(r"(?:a )?(?:centre gain) (?:of )?(\S.*)"), "centre = {}"),
    (re.compile(r"(?:a |the )?gain (?:of |is )?(\S.*?)(?: across the load)?"), "gain = {}"),
)
_NEAR = 1e-6
_SIGNS: Mapping[str, Callable[[float, float], bool]] = {
    "=": lambda a, b: abs(a - b) <= _NEAR * max(abs(a), abs(b)),
    "<": operator.lt,
    ">": operator.gt,
    "<=": operator.le,
    ">=": operator.ge,
}
#: Values of the parts -> (N, D) of H(s) as `synth.claims.response` gives them.
Response = Callable[[Mapping[str, float]], tuple[exact.Poly, exact.Poly]]
Gain = Callable[[exact.Poly, exact.Poly], Mapping[str, float]]


class Supposed(NamedTuple):
    """The values with what is supposed, and names that stand for something in it."""

    parts: dict[str, float]
    names: dict[str, float]

    @property
    def known(self) -> dict[str, float]:
        """Both."""
        return {**self.names, **self.parts}


def check_supposed(
    condition: str, values: Mapping[str, float], response: Response, gain: Gain
) -> None:
    """Check what a condition says of the values that it supposes.

    Parameters
    ----------
    condition : str
    values : mapping
        Of the parts in an example, ohm and farad.
    response : callable
        The exact response at other values.
    gain : callable
        N and D -> the pass-band gain with its sign, under the name ``gain``; nothing where the
        kind has none.

    Raises
    ------
    CatalogError
        If something does not hold.
    """
    before, colon, after = condition.partition(":")
    if not colon:
        return
    supposed = _suppose(before, values)
    said = list(_said(after)) if supposed else []
    if supposed is None or not said:
        return
    n, d = response(supposed.parts)
    known = {**supposed.known, **numbers_of(n, d), **_centre(n, d), **gain(n, d)}
    for one in said:
        if one.names <= set(known):
            check(one, f"the example and {before.strip()}", known, _SIGNS)


def _suppose(text: str, values: Mapping[str, float]) -> Supposed | None:
    """Return the values with what is supposed; None where it is not all formulas."""
    found = Supposed(dict(values), {})
    for item in (i.strip() for i in _BETWEEN.split(text)):
        letters = _EQUAL.get(item)
        if letters is not None:
            for letter in letters:
                _made_equal(letter, found)
        elif not _assigned(item, found):
            return None
    return found


def _made_equal(letter: str, found: Supposed) -> None:
    alike = [n for n in found.parts if (m := _NUMBERED.fullmatch(n)) and m[1] == letter]
    for name in alike:
        found.parts[name] = found.parts[alike[0]]
    if alike:
        found.names[letter] = found.parts[alike[0]]


def _assigned(item: str, found: Supposed) -> bool:
    """Give the names of ``A = B = expression`` their value; False where it is none of that."""
    sides = [side.strip() for side in item.split("=")]
    if len(sides) < 2:
        return False
    plain = [s for s in sides if s.isidentifier()]
    formulas = [s for s in sides if s not in plain]
    known = found.known
    given = [s for s in plain if s in found.names] + [s for s in plain if s in found.parts]
    source = (*formulas, *given, "")[0]
    try:
        value = value_of(source, known) if source else 0.0
    except (ExpressionError, ValueError):
        return False
    if len(formulas) > 1 or not value > 0:
        return False
    for name in plain:
        (found.parts if name in found.parts else found.names)[name] = value
    return True


def _said(text: str) -> Iterator[Relation]:
    for item in (i.strip() for i in re.split(r"[,;]\s*|\s+and\s+", text)):
        for pattern, form in _SAID:
            if words := pattern.fullmatch(item):
                item = form.format(words[1])
        if found := relation(item):
            yield found


def _centre(n: exact.Poly, d: exact.Poly) -> dict[str, float]:
    """Return the gain at the centre of a pair of poles where it is real, with its sign."""
    if len(d) != 3 or len(n) < 2 or not d[1]:
        return {}
    # at s = j*w0 nothing is left of the outer terms when they are equal, seen from there
    outer = (n[2] * d[0] if len(n) == 3 else 0) - n[0]
    return {} if outer else {"centre": float(n[1] / d[1])}
