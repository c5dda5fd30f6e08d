"""Polynomials in the part admittances, in the ring Z[y1, y2, ...] / (y1**2, y2**2, ...).

Every two-terminal part enters the nodal equations by a stamp of rank one, so the determinant
and all cofactors are *multilinear* in the admittances.  Terms with a square, which appear while
a determinant is expanded, must cancel in the end; the map to the quotient ring by the squares is
a ring homomorphism, so it is exact to drop them as they arise.  A monomial is then a bit mask,
a product of monomials is a bitwise or, and a polynomial is a small dictionary: no gcd, no
division, no expression trees.

Polynomials are mappings from mask to nonzero coefficient and are never changed after they have
been made.  Coefficients are integers, or fractions once a drive by a fraction has been applied.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from fractions import Fraction

from synth.errors import NetworkError

Coefficient = int | Fraction
Poly = Mapping[int, Coefficient]

#: A polynomial with more terms than this is no formula for a person, and slow.
MOST_TERMS = 200_000

ZERO: Poly = {}
ONE: Poly = {0: 1}


def add(p: Poly, q: Poly) -> Poly:
    """Return p + q."""
    if not p:
        return q
    if not q:
        return p
    total = dict(p)
    for mask, c in q.items():
        value = total.get(mask, 0) + c
        if value:
            total[mask] = value
        else:
            del total[mask]
    return total


def negate(p: Poly) -> Poly:
    """Return -p."""
    return scale(p, -1)


def multiply(p: Poly, q: Poly) -> Poly:
    """Return p * q modulo the squares of the variables."""
    if len(p) > len(q):
        p, q = q, p
    total: dict[int, Coefficient] = {}
    for m1, c1 in p.items():
        for m2, c2 in q.items():
            if not m1 & m2:
                mask = m1 | m2
                total[mask] = total.get(mask, 0) + c1 * c2
    return {mask: c for mask, c in total.items() if c}


def _add_product(total: dict[int, Coefficient], p: Poly, q: Poly, sign: int) -> None:
    """Add sign * p * q, modulo the squares of the variables, to `total`."""
    for m1, c1 in p.items():
        signed = sign * c1
        for m2, c2 in q.items():
            if not m1 & m2:
                mask = m1 | m2
                value = total.get(mask, 0) + signed * c2
                if value:
                    total[mask] = value
                else:
                    del total[mask]


def scale(p: Poly, c: Coefficient) -> Poly:
    """Return c * p."""
    return {mask: value * c for mask, value in p.items()} if c else ZERO


def product(polys: Sequence[Poly]) -> Poly:
    """Return the product of the polynomials, smallest first."""
    result = ONE
    for p in sorted(polys, key=len):
        result = multiply(result, p)
    return result


def determinant(rows: Sequence[Mapping[int, Poly]], most_terms: int = MOST_TERMS) -> Poly:
    """Return the determinant of a sparse square matrix by expansion over shared minors.

    Parameters
    ----------
    rows : sequence of mappings
        Row i maps column number (0..n-1) to its nonzero entry.
    most_terms : int
        Of any minor.

    Raises
    ------
    NetworkError
        If a polynomial grows beyond `most_terms`.

    Notes
    -----
    Division-free.  Minors of the trailing rows are shared through a table keyed by the set of
    columns left, so the work grows with the number of distinct column sets that the sparsity
    allows and not with n!.
    """
    n = len(rows)
    order = sorted(range(n), key=lambda i: len(rows[i]))
    sign = _parity(order)
    table: dict[int, Poly] = {0: ONE}

    def minor(depth: int, left: int) -> Poly:
        if depth == n:
            return ONE
        known = table.get(left)
        if known is not None:
            return known
        total: dict[int, Coefficient] = {}
        for column, entry in rows[order[depth]].items():
            bit = 1 << column
            if left & bit:
                rest = minor(depth + 1, left ^ bit)
                if rest:
                    before = (left & (bit - 1)).bit_count()
                    _add_product(total, entry, rest, -1 if before % 2 else 1)
                    if len(total) > most_terms:
                        raise NetworkError(
                            f"the formula of this network has more than {most_terms} terms, beyond "
                            "what exact analysis takes; leave out parts that do not matter, or "
                            "divide it at an op-amp output (where there is none, by a follower) "
                            "and read the pieces"
                        )
        table[left] = total
        return total

    full = minor(0, (1 << n) - 1)
    return full if sign > 0 else negate(full)


def _parity(order: Sequence[int]) -> int:
    sign = 1
    seen = [False] * len(order)
    for start in range(len(order)):
        length = 0
        i = start
        while not seen[i]:
            seen[i] = True
            i = order[i]
            length += 1
        if length and length % 2 == 0:
            sign = -sign
    return sign
