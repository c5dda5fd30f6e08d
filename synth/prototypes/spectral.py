"""All-pole prototypes given by exact polynomials: Bessel, Legendre-Papoulis, Gaussian.

References
----------
.. [1] W. E. Thomson, "Delay networks having maximally flat frequency characteristics", Proc.
   IEE 96 (1949) 487-490: the response called Bessel.
.. [2] A. Papoulis, "Optimum filters with monotonic response", Proc. IRE 46 (1958) 606-609, and
   "On monotonic response filters", 47 (1959) 332-333.
.. [3] M. Fukada, "Optimum filters of even orders with monotonic response", IRE Trans. Circuit
   Theory CT-6 (1959) 277-281.
.. [4] M. Dishal, "Gaussian-response filter design", Electrical Communication 36 (1959) 3-26: the
   reciprocal of the series of exp(w**2), cut after w**(2 n).
"""

from __future__ import annotations

import cmath
import math
from fractions import Fraction

from synth.prototypes.closed import Roots, normalised
from synth.transfer import polynomial as poly
from synth.transfer.polynomial import Poly


def bessel(order: int) -> Roots:
    """Return the prototype of unit delay: roots of the reverse Bessel polynomial [1]_."""
    coefficients = tuple(
        Fraction(
            math.factorial(2 * order - k),
            2 ** (order - k) * math.factorial(k) * math.factorial(order - k),
        )
        for k in range(order + 1)
    )
    return Roots((), poly.roots(coefficients), float(coefficients[0]))


def legendre(order: int) -> Roots:
    """Return the steepest monotonic prototype [2]_ [3]_, half power at 1."""
    p = _sum_of_legendre(order)
    integrand = poly.mul(p, p)
    if order % 2 == 0:
        integrand = poly.mul(integrand, (Fraction(1), Fraction(1)))
    integral = (Fraction(0), *(c / (k + 1) for k, c in enumerate(integrand)))
    # from -1 to 2 w^2 - 1, as a polynomial in x = w^2
    shifted: Poly = ()
    for c in reversed(integral):
        shifted = poly.add(poly.mul(shifted, (Fraction(-1), Fraction(2))), (c,) if c else ())
    whole = poly.subtract(shifted, (poly.evaluate(integral, Fraction(-1)),))
    whole = poly.scale(whole, 1 / poly.evaluate(whole, Fraction(1)))
    return _from_square(poly.add(whole, poly.ONE))


def _sum_of_legendre(order: int) -> Poly:
    """Return the sum of (2 i + 1) P_i(x) whose square is integrated; a constant is left out."""
    k = (order - 1) // 2
    before, now = poly.ONE, poly.S
    basis = [before, now]
    for i in range(1, k):
        step = poly.scale(poly.mul(poly.S, now), Fraction(2 * i + 1, i + 1))
        before, now = now, poly.subtract(step, poly.scale(before, Fraction(i, i + 1)))
        basis.append(now)
    chosen = range(k + 1) if order % 2 else range(k % 2, k + 1, 2)
    total: Poly = ()
    for i in chosen:
        total = poly.add(total, poly.scale(basis[i], 2 * i + 1))
    return total


def gaussian(order: int) -> Roots:
    """Return the prototype of |H|**2 = 1/sum(w**(2 k)/k!), k up to the order [4]_."""
    return _from_square(tuple(Fraction(1, math.factorial(k)) for k in range(order + 1)))


def _from_square(square: Poly) -> Roots:
    """Return the stable poles of 1/P(w^2), P(0) = 1."""
    poles = []
    for x in poly.roots(square):
        s = cmath.sqrt(-x)
        root = -s if s.real > 0 else s
        if not x.imag and x.real < 0:
            root = complex(root.real, 0.0)
        poles.append(root)
    return normalised((), _conjugates(poles))


def _conjugates(poles: list[complex]) -> tuple[complex, ...]:
    """Return the poles made exactly conjugate; each upper one has its lower one among them."""
    upper = [p for p in poles if p.imag > 0]
    reals = [p for p in poles if not p.imag]
    return (*(q for p in upper for q in (p, p.conjugate())), *reals)
