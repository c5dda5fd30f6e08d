"""The elliptic (Cauer) prototype, through Jacobi functions by Landen's transformation.

The degree equation is solved by nomes, and every modulus is carried with its complement, so that
neither a wide nor a narrow transition loses digits.

References
----------
.. [1] W. Cauer, "Synthesis of linear communication networks", McGraw-Hill (1958).
.. [2] S. Darlington, "Simple algorithms for elliptic filters and generalizations thereof", IEEE
   Trans. Circuits Syst. CAS-25 (1978) 975-980.
.. [3] M. Abramowitz and I. A. Stegun, "Handbook of mathematical functions" (1964), 16.12, 16.20
   and 16.38: Landen's transformation, imaginary arguments, theta functions.
.. [4] B. C. Carlson, "Computing elliptic integrals by duplication", Numer. Math. 33 (1979) 1-16.
"""

from __future__ import annotations

import cmath
import math

from synth.prototypes.closed import Roots, both, normalised, ripple_factor

_SMALLEST = 1e-17


def elliptic(order: int, ripple_db: float, stop_db: float) -> Roots:
    """Return the prototype of equal ripple in both bands, its pass band up to 1.

    Parameters
    ----------
    order : int
    ripple_db, stop_db : float
        Pass-band ripple and stop-band attenuation, stop_db > ripple_db > 0.
    """
    e = ripple_factor(ripple_db)
    k1 = e / ripple_factor(stop_db)
    c1 = math.sqrt((1 - k1) * (1 + k1))
    k, c = modulus(math.pi / 2 / _mean(1.0, k1) / _quarter(c1) / order)
    shift = _first_kind(1 / e, k1) / (order * _quarter(c1))
    zeros: list[complex] = []
    poles: list[complex] = []
    for i in range(order // 2):
        u = (2 * i + 1) / order
        zeros += both(complex(0.0, 1 / (k * _cd(complex(u), k, c).real)))
        poles += both(1j * _cd(complex(u, -shift), k, c))
    if order % 2:
        poles.append(complex((1j * _cd(complex(1.0, -shift), k, c)).real, 0.0))
    upright = tuple(p if p.real < 0 else -p.conjugate() for p in poles)
    return normalised(tuple(zeros), upright, 1.0 if order % 2 else 1 / math.hypot(1.0, e))


def selectivity(order: int, discrimination: float) -> float:
    """Return pass-band edge over stop-band edge for a ratio of ripple factors [2]_.

    Parameters
    ----------
    order : int
    discrimination : float
        Ripple factor of the pass band over that of the stop band, 0 to 1.
    """
    c1 = math.sqrt((1 - discrimination) * (1 + discrimination))
    return modulus(math.pi / 2 / _mean(1.0, discrimination) / _quarter(c1) / order)[0]


def modulus(ratio: float) -> tuple[float, float]:
    """Return the modulus and its complement whose quarter periods have K'/K = `ratio`."""
    small = _theta_ratio(math.exp(-math.pi * max(ratio, 1 / ratio)))
    large = math.sqrt((1 - small) * (1 + small))
    return (small, large) if ratio >= 1 else (large, small)


def _theta_ratio(q: float) -> float:
    """Return (theta_2/theta_3)**2 for a nome of at most exp(-pi)."""
    two = sum(q ** (m * (m + 1)) for m in range(7))
    three = 1 + 2 * sum(q ** (m * m) for m in range(1, 8))
    return 4 * math.sqrt(q) * (two / three) ** 2


def _mean(a: float, b: float) -> float:
    """Return the arithmetic-geometric mean."""
    while abs(a - b) > 4e-16 * a:
        a, b = (a + b) / 2, math.sqrt(a * b)
    return (a + b) / 2


def _quarter(complement: float) -> float:
    """Return K from the complementary modulus."""
    return math.pi / 2 / _mean(1.0, complement)


def _first_kind(tangent: float, complement: float) -> float:
    """Return F(phi) from tan(phi) and the complementary modulus [4]_."""
    sine = tangent / math.hypot(1.0, tangent)
    x = 1 / (1 + tangent * tangent)
    y, z = x + (complement * sine) ** 2, 1.0
    while max(x, y, z) - min(x, y, z) > 1e-4 * (x + y + z):
        shift = math.sqrt(x * y) + math.sqrt(y * z) + math.sqrt(z * x)
        x, y, z = (x + shift) / 4, (y + shift) / 4, (z + shift) / 4
    middle = (x + y + z) / 3
    a, b = 1 - x / middle, 1 - y / middle
    e2 = -a * a - b * b - a * b
    e3 = -a * b * (a + b)
    series = 1 - e2 / 10 + e3 / 14 + e2 * e2 / 24 - 3 * e2 * e3 / 44
    return sine * series / math.sqrt(middle)


def _cd(u: complex, k: float, complement: float) -> complex:
    """Return cd(u K, k) by Landen's descending transformation [3]_."""
    steps = []
    while k > _SMALLEST:
        k, complement = (k / (1 + complement)) ** 2, 2 * math.sqrt(complement) / (1 + complement)
        steps.append(k)
    w = cmath.cos(u * math.pi / 2)
    for v in reversed(steps):
        w = (1 + v) * w / (1 + v * w * w)
    return w
