"""Prototypes with roots in closed form: Butterworth, Chebyshev of both kinds, synchronous.

References
----------
.. [1] S. Butterworth, "On the theory of filter amplifiers", Wireless Engineer 7 (1930) 536-541.
.. [2] W. Cauer, "Synthesis of linear communication networks", McGraw-Hill (1958): Chebyshev
   responses.
"""

from __future__ import annotations

import math
from typing import NamedTuple

#: The natural logarithm of ten, over ten: decibels of power to nepers.
_NEPER = math.log(10) / 10


class Roots(NamedTuple):
    """Zeros and poles, the gain that makes the largest |H| one, and where the edge lies."""

    zeros: tuple[complex, ...]
    poles: tuple[complex, ...]
    gain: float


def ripple_factor(attenuation_db: float) -> float:
    """Return sqrt(10**(A/10) - 1), accurate also for small A."""
    return math.sqrt(math.expm1(_NEPER * attenuation_db))


def normalised(zeros: tuple[complex, ...], poles: tuple[complex, ...], at_dc: float = 1.0) -> Roots:
    """Return the roots with the gain that makes H(0) = `at_dc`."""
    gain = at_dc
    for p in poles:
        if p.imag >= 0:
            gain *= abs(p) ** (2 if p.imag else 1)
    for z in zeros:
        if z.imag > 0:
            gain /= abs(z) ** 2
    return Roots(zeros, poles, gain)


def both(z: complex) -> tuple[complex, ...]:
    """Return a root with its conjugate, or a real root alone."""
    return (z, z.conjugate()) if z.imag else (z,)


def _angles(order: int) -> list[float]:
    """Return the angles of the upper roots from the imaginary axis; the last of an odd order 90."""
    return [math.pi * (2 * i + 1) / (2 * order) for i in range((order + 1) // 2)]


def _is_real(order: int, i: int) -> bool:
    return order % 2 == 1 and i == order // 2


def butterworth(order: int) -> Roots:
    """Return the maximally flat prototype [1]_, half power at 1."""
    poles: list[complex] = []
    for i, t in enumerate(_angles(order)):
        imag = 0.0 if _is_real(order, i) else math.cos(t)
        poles += both(complex(-math.sin(t), imag))
    return normalised((), tuple(poles))


def chebyshev(order: int, ripple_db: float) -> Roots:
    """Return the prototype of equal pass-band ripple [2]_, which ends at 1."""
    e = ripple_factor(ripple_db)
    m = math.asinh(1 / e) / order
    poles: list[complex] = []
    for i, t in enumerate(_angles(order)):
        imag = 0.0 if _is_real(order, i) else math.cosh(m) * math.cos(t)
        poles += both(complex(-math.sinh(m) * math.sin(t), imag))
    return normalised((), tuple(poles), 1.0 if order % 2 else 1 / math.hypot(1.0, e))


def inverse_chebyshev(order: int, stop_db: float) -> Roots:
    """Return the prototype of equal stop-band ripple [2]_, the stop band from 1."""
    m = math.asinh(ripple_factor(stop_db)) / order
    poles: list[complex] = []
    zeros: list[complex] = []
    for i, t in enumerate(_angles(order)):
        real = _is_real(order, i)
        imag = 0.0 if real else math.cosh(m) * math.cos(t)
        poles += both(1 / complex(-math.sinh(m) * math.sin(t), imag))
        zeros += () if real else both(complex(0.0, 1 / math.cos(t)))
    return normalised(tuple(zeros), tuple(poles))


def synchronous(order: int) -> Roots:
    """Return coincident real poles, half power at 1."""
    pole = complex(-1 / math.sqrt(math.expm1(math.log(2) / order)), 0.0)
    return normalised((), (pole,) * order)
