"""Closed forms of a few unknowns from polynomial equations, one unknown after the other.

An equation that is linear in an unknown gives it as a fraction; where none is, a quadratic one
gives it with a square root.  What comes out is exact or nothing: a system that needs more is
left unsolved.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

#: Expressions with more operations than this are no closed form for a person.
MOST_OPERATIONS = 160
#: At most so many ways are followed, through equations of so many operations.
_MOST_WAYS, _LONGEST = 12, 300


def closed_forms(equations: Sequence[Any], unknowns: Sequence[Any]) -> Iterator[dict[Any, Any]]:
    """Yield solutions, unknown -> expression without unknowns; those found first are simplest.

    Parameters
    ----------
    equations : sequence of sympy expressions
        Each to be zero.
    unknowns : sequence of sympy symbols
        Positive; an unknown that no equation contains makes the system unsuitable.
    """
    ways = [0]
    try:
        yield from _solve([_numerator(e) for e in equations], tuple(unknowns), ways)
    except _TooLongError:
        return


class _TooLongError(Exception):
    """An equation is beyond what is worked on."""


def _solve(
    equations: list[Any], unknowns: tuple[Any, ...], ways: list[int]
) -> Iterator[dict[Any, Any]]:
    import sympy

    left = [e for e in equations if e != 0]
    if not left:
        if not unknowns:
            yield {}
        return
    if not unknowns or any(not e.free_symbols & set(unknowns) for e in left):
        return
    for x, value, rest in _eliminations(left, unknowns):
        ways[0] += 1
        if ways[0] > _MOST_WAYS:
            raise _TooLongError
        if value.has(sympy.I):
            continue
        others = tuple(u for u in unknowns if u != x)
        for found in _solve([_numerator(e.subs(x, value)) for e in rest], others, ways):
            yield {**found, x: _tidy(value.subs(found))}


def _eliminations(equations: list[Any], unknowns: tuple[Any, ...]) -> Iterator[tuple[Any, ...]]:
    """Yield (unknown, its value, the other equations), linear ones first, the shortest first."""
    import sympy

    found = []
    for k, e in enumerate(equations):
        rest = equations[:k] + equations[k + 1 :]
        for x in unknowns:
            degree = sympy.degree(e, x) if e.has(x) else 0
            if degree == 0 or degree > 2:
                continue
            c = sympy.Poly(e, x).all_coeffs()
            if degree == 1:
                found.append((0, len(str(e)), x, -c[1] / c[0], rest))
            elif len(unknowns) == 1:
                root = sympy.sqrt(sympy.factor(c[1] ** 2 - 4 * c[0] * c[2]))
                for sign in (1, -1):
                    found.append((1, len(str(e)), x, (-c[1] + sign * root) / (2 * c[0]), rest))
    found.sort(key=lambda row: (row[0], row[1], str(row[2])))
    for _, _, x, value, rest in found:
        yield x, value, rest


def _numerator(e: Any) -> Any:
    """Return the numerator without factors that cannot vanish."""
    import sympy

    top = sympy.expand(sympy.numer(sympy.together(e)))
    if top == 0:
        return top
    if top.count_ops() > _LONGEST:
        raise _TooLongError
    kept = sympy.Integer(1)
    for factor, _ in sympy.factor_list(top)[1]:
        if factor.is_positive or (-factor).is_positive:
            continue
        kept *= factor
    return sympy.expand(kept)


def _tidy(e: Any) -> Any:
    import sympy

    if e.has(sympy.sqrt) or any(p.exp == sympy.Rational(1, 2) for p in e.atoms(sympy.Pow)):
        return sympy.together(sympy.simplify(e)) if e.count_ops() < MOST_OPERATIONS else e
    return sympy.factor(e)
