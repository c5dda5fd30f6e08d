"""From factors to sections: coincident factors cancelled, the others paired.

Numerator and denominator come as monic exact factors of degree one and two (see
`synth.transfer.polynomial.factors`).  The pair of poles with the highest Q chooses the nearest
pair of zeros first: the section with the sharpest peak then has the least to amplify, which is
common practice in cascades.  Real poles are joined two by two in order of magnitude.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from synth.transfer.polynomial import ONE, Poly, degree, divide, from_root, gcd, low_roots, mul

#: Zero and pole closer than this, relative to their magnitude, are one mode that cancels.
COINCIDENT = 1e-9


def quality(factor: Poly) -> float:
    """Return Q of a monic factor; 0.5 at degree one.

    It is inf on the imaginary axis, negative right of it, 0 for real roots of opposite sign.
    """
    if degree(factor) < 2:
        return 0.5
    c, b, _ = (float(x) for x in factor)
    if c <= 0:
        return 0.0
    return math.sqrt(c) / b if b else math.inf


def cancel_exact(
    numerators: Sequence[Poly], denominators: Sequence[Poly]
) -> tuple[list[Poly], list[Poly], list[Poly]]:
    """Return numerators, denominators and the common factors taken out of both, exactly."""
    num, den, common = list(numerators), list(denominators), []
    for i in range(len(num)):
        for j in range(len(den)):
            shared = gcd(num[i], den[j])
            if degree(shared) > 0:
                num[i], den[j] = divide(num[i], shared)[0], divide(den[j], shared)[0]
                common.append(shared)
    return num, den, common


def cancel_near(
    num: Sequence[Poly], den: Sequence[Poly]
) -> tuple[list[Poly], list[Poly], list[Poly]]:
    """Return factors without the zeros and poles that coincide within `COINCIDENT`.

    The third list holds the denominator's part of what was taken out.  Each match is consumed,
    nearest first, so that two zeros do not cancel one pole.
    """
    num, den, common = list(num), list(den), []
    while match := _nearest_match(num, den):
        i, z, j, p = match
        num[i : i + 1] = _without(num[i], z)
        den[j : j + 1] = _without(den[j], p)
        common.append(from_root(p))
    return num, den, common


def _nearest_match(num: list[Poly], den: list[Poly]) -> tuple[int, complex, int, complex] | None:
    zeros = [(i, z) for i, f in enumerate(num) for z in low_roots(f) if z.imag >= 0]
    poles = [(j, p) for j, f in enumerate(den) for p in low_roots(f) if p.imag >= 0]
    found = [
        (abs(z - p) / abs(p), i, z, j, p)
        for i, z in zeros
        for j, p in poles
        if (z.imag == 0) == (p.imag == 0) and abs(p) > 0 and abs(z - p) <= COINCIDENT * abs(p)
    ]
    return min(found, key=lambda m: m[0])[1:] if found else None


def _without(factor: Poly, root: complex) -> list[Poly]:
    if degree(factor) == 1 or root.imag:
        return []
    a, b = low_roots(factor)
    return [from_root(b if a == root else a)]


def pair(num: Sequence[Poly], den: Sequence[Poly]) -> list[tuple[Poly, Poly]]:
    """Return (numerator, denominator) of sections, first order first, then by rising Q.

    Numerator factors that no denominator takes (an improper function) get the denominator one.
    """
    singles = sorted((f for f in den if degree(f) == 1), key=lambda f: abs(f[0]))
    quads = [f for f in den if degree(f) == 2]
    quads += [mul(a, b) for a, b in zip(singles[::2], singles[1::2], strict=False)]
    firsts = singles[-1:] if len(singles) % 2 else []
    pairs = [f for f in num if degree(f) == 2]
    reals = [f for f in num if degree(f) == 1]

    sections = []
    waiting = sorted(quads, key=_sharpness, reverse=True)
    while waiting:
        pole = waiting.pop(0)
        zero = ONE
        if pairs:
            zero = _take_nearest(pairs, pole)
        else:
            room = 2 * (len(waiting) + 1) + len(firsts)
            for _ in range(min(2, math.ceil(2 * len(reals) / room))):
                zero = mul(zero, _take_nearest(reals, pole))
        sections.append((zero, pole))
    for pole in firsts:
        sections.append((_take_nearest(reals, pole) if reals else ONE, pole))
    sections.reverse()
    rest = pairs + [mul(a, b) for a, b in zip(reals[::2], reals[1::2], strict=False)]
    rest += reals[-1:] if len(reals) % 2 else []
    return sections + [(zero, ONE) for zero in rest]


def _sharpness(factor: Poly) -> float:
    """Sort key: Q with poles on the axis and right of it counted as the sharpest."""
    q = quality(factor)
    return math.inf if q < 0 else q


def _take_nearest(factors: list[Poly], pole: Poly) -> Poly:
    """Remove and return the factor whose root is nearest to the pole, or to its mirror image."""
    target = _folded(pole)
    nearest = min(range(len(factors)), key=lambda k: abs(_folded(factors[k]) - target))
    return factors.pop(nearest)


def _folded(factor: Poly) -> complex:
    z = max(low_roots(factor), key=lambda z: (z.imag, abs(z)))
    return complex(abs(z.real), z.imag)
