"""A loop under a drive as arrays: coefficients of N and D for many sets of values at once.

Every coefficient of N(s) and D(s) is a sum of signed monomials in the part values.  In the
logarithms of the values a monomial is an exponential, so coefficients and exact Jacobians of
whole batches are two matrix products.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from synth.analysis.loop import Drive, Loop, expanded
from synth.analysis.ring import Poly
from synth.network.model import Branch

Array = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Terms:
    """Signed monomials of N and D.

    Parameters
    ----------
    names : tuple of str
        Parts, in the order of the columns of `exponents`.
    exponents : array (terms, parts)
        Power of each part's value in each monomial: 1 for capacitors, -1 for resistors.
    numerator, denominator : array (degree + 1, terms)
        Row j sums the monomials of s**j with their signed integer coefficients.
    """

    names: tuple[str, ...]
    exponents: Array
    numerator: Array
    denominator: Array

    @property
    def matrix(self) -> Array:
        """Numerator rows above denominator rows."""
        return np.vstack([self.numerator, self.denominator])

    def coefficients(self, logs: Array) -> tuple[Array, Array]:
        """Return (batch, degree + 1) numerator and denominator, ascending powers.

        Parameters
        ----------
        logs : array (batch, parts)
            Natural logarithms of the values.
        """
        monomials = np.exp(logs @ self.exponents.T)
        return monomials @ self.numerator.T, monomials @ self.denominator.T


def terms_of(loop: Loop, drive: Drive | None = None) -> Terms:
    """Expand N (under `drive`) and D of `loop` into arrays; common powers of s are taken out."""
    branches = loop.network.branches
    top = _monomials(expanded(loop.transfer(drive)), branches)
    bottom = _monomials(expanded(loop.denominators), branches)
    least = min(p for p, _, _ in top + bottom)
    degree = max(p for p, _, _ in top + bottom) - least
    count = len(top) + len(bottom)
    exponents = np.zeros((count, len(branches)))
    rows = np.zeros((2, degree + 1, count))
    for k, (power, coefficient, parts) in enumerate(top + bottom):
        rows[int(k >= len(top)), power - least, k] = coefficient
        for p in parts:
            exponents[k, p] = 1 if branches[p].power > 0 else -1
    if any((row < 0).any() and not (row > 0).any() for row in rows[1]):
        rows = -rows  # the sign of a determinant is a matter of row order; D's is made positive
    return Terms(tuple(b.name for b in branches), exponents, rows[0], rows[1])


def _monomials(poly: Poly, branches: tuple[Branch, ...]) -> list[tuple[int, float, list[int]]]:
    found = []
    for mask, c in poly.items():
        parts = [k for k in range(len(branches)) if mask >> k & 1]
        found.append((sum(branches[k].power for k in parts), float(c), parts))
    return found
