"""Factors of a loop's denominator that a numerator may cancel.

A factor that D shares exactly with a terminal's numerator or with one of its blocks is found by
greatest common divisors of exact polynomials; what is left is divided by its roots in double
precision.  Conjugate roots stay together.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from synth.analysis.loop import Loop
from synth.analysis.numbers import admittances, common_form, polynomial
from synth.transfer import polynomial as poly
from synth.transfer.polynomial import Poly


@dataclass(frozen=True)
class ModeFactor:
    """A real root or a conjugate pair of D, as a factor.

    Parameters
    ----------
    poly : Poly
        Monic, exact coefficients in ascending powers of s (rad/s).
    exact : bool
        Whether it divides D exactly; else to the rounding of a double.
    hidden : bool
        Whether it divides the numerators of all terminals, so that no drive shows the mode.
    """

    poly: Poly
    exact: bool
    hidden: bool

    @property
    def roots(self) -> tuple[complex, ...]:
        """The modes, rad/s."""
        return poly.roots(self.poly)


def mode_factors(loop: Loop) -> tuple[tuple[float, ...], tuple[ModeFactor, ...]]:
    """Return D (monic, descending powers) and its factors of degree one and two.

    Raises
    ------
    NetworkError
        If a part has no value.
    """
    form = common_form(loop)
    branches, y = loop.network.branches, admittances(loop.network)
    rows = [p for p in form.terminals.values() if p]
    blocks = [polynomial(p, branches, y)[0] for p in loop.denominators]
    parts = _refined(form.denominator, [*rows, *blocks])
    pieces = [(piece, exact) for part in parts for piece, exact in _split(part)]
    found = tuple(ModeFactor(p, exact, _divides_all(p, rows, exact)) for p, exact in pieces)
    return poly.to_floats(form.denominator), found


def _refined(d: Poly, others: Sequence[Poly]) -> list[Poly]:
    """Factors of d, divided wherever one of the others shares a part of them."""
    zeros = next(k for k, c in enumerate(d) if c)
    parts = [poly.S] * zeros
    for part, multiplicity in poly.square_free(d[zeros:]):
        parts += [part] * multiplicity
    for other in others:
        divided: list[Poly] = []
        for part in parts:
            shared = poly.gcd(part, other)
            if 0 < poly.degree(shared) < poly.degree(part):
                divided += [shared, poly.divide(part, shared)[0]]
            else:
                divided.append(part)
        parts = divided
    return parts


def _split(part: Poly) -> list[tuple[Poly, bool]]:
    """Real roots apart, conjugate roots together; whether the division is exact."""
    pieces = [
        poly.from_root(z) for z in poly.roots(part) if z.imag >= 0
    ]  # one of each conjugate pair
    if len(pieces) == 1:
        return [(part, True)]
    exact = poly.product(pieces) == part
    return [(p, exact) for p in pieces]


def _divides_all(p: Poly, rows: Sequence[Poly], exact: bool) -> bool:
    """Say whether p divides every row; one found by its roots does not (see `_refined`)."""
    return exact and all(not poly.divide(row, p)[1] for row in rows)
