"""Exact polynomials in s with rational coefficients, and their roots in double precision.

A polynomial is a tuple of fractions in *ascending* powers without zeros at the end; the zero
polynomial is the empty tuple.  (Coefficients that leave the package, and those scipy takes, are
in descending powers: `from_floats` and `to_floats` turn them around.)  A float becomes the
fraction its decimal text says, so 0.1 is one tenth.

Roots keep their multiplicities because the polynomial is first split into square-free parts by
exact arithmetic.  Parts of degree one and two are solved by formula.  Those of higher degree go
through Aberth's simultaneous iteration, whose residuals are evaluated exactly: the result is the
root rounded to a double, in the real and the imaginary part each, however close to each other
the roots of an expanded polynomial of high order lie.

References
----------
.. [1] D. Y. Y. Yun, "On square-free decomposition algorithms", Proc. SYMSAC (1976) 26-35.
.. [2] O. Aberth, "Iteration methods for finding all zeros of a polynomial simultaneously",
   Math. Comp. 27 (1973) 339-344.
.. [3] D. A. Bini, "Numerical computation of polynomial zeros by means of Aberth's method",
   Numer. Algorithms 13 (1996) 179-200: the starting circles.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from fractions import Fraction
from functools import reduce
from itertools import pairwise

#: Ascending powers, no zeros at the end.
Poly = tuple[Fraction, ...]

ZERO: Poly = ()
ONE: Poly = (Fraction(1),)
S: Poly = (Fraction(0), Fraction(1))

#: A prime: polynomials without a common factor modulo it have none at all.
_PRIME = 2**61 - 1
_EPSILON = 2.0**-52
_MAX_ITERATIONS = 300


def exact(number: Fraction | float | int) -> Fraction:
    """Return the fraction a number stands for: a float by its shortest decimal text."""
    return Fraction(repr(number)) if isinstance(number, float) else Fraction(number)


def strip(coefficients: Iterable[Fraction]) -> Poly:
    """Return the polynomial of these ascending coefficients without zeros at the end."""
    p = list(coefficients)
    while p and not p[-1]:
        p.pop()
    return tuple(p)


def from_floats(coefs_desc: Iterable[Fraction | float | int]) -> Poly:
    """Return the polynomial of coefficients in descending powers."""
    return strip([exact(c.item() if hasattr(c, "item") else c) for c in coefs_desc][::-1])


def to_floats(p: Poly) -> tuple[float, ...]:
    """Return the coefficients as doubles in descending powers; the zero polynomial is (0.0,)."""
    return tuple(float(c) for c in reversed(p)) or (0.0,)


def degree(p: Poly) -> int:
    """Return the degree; -1 for the zero polynomial."""
    return len(p) - 1


def add(p: Poly, q: Poly) -> Poly:
    """Return p + q."""
    if len(p) < len(q):
        p, q = q, p
    return strip((*(a + b for a, b in zip(p, q, strict=False)), *p[len(q) :]))


def scale(p: Poly, factor: Fraction | int) -> Poly:
    """Return factor * p."""
    return tuple(c * factor for c in p) if factor else ZERO


def subtract(p: Poly, q: Poly) -> Poly:
    """Return p - q."""
    return add(p, scale(q, -1))


def mul(p: Poly, q: Poly) -> Poly:
    """Return p * q."""
    if not p or not q:
        return ZERO
    out = [Fraction(0)] * (len(p) + len(q) - 1)
    for i, a in enumerate(p):
        if a:
            for j, b in enumerate(q):
                out[i + j] += a * b
    return tuple(out)


def convolved(p: Sequence[int], q: Sequence[int]) -> list[int]:
    """Return the product of two polynomials of whole numbers, empty where one is zero."""
    if not p or not q:
        return []
    out = [0] * (len(p) + len(q) - 1)
    for i, a in enumerate(p):
        for j, b in enumerate(q):
            out[i + j] += a * b
    return out


def product(polys: Iterable[Poly]) -> Poly:
    """Return the product; one when there are none."""
    return reduce(mul, polys, ONE)


def power(p: Poly, exponent: int) -> Poly:
    """Return p to a non-negative integer power."""
    return product([p] * exponent)


def derivative(p: Poly) -> Poly:
    """Return dp/ds."""
    return tuple(k * c for k, c in enumerate(p) if k)


def monic(p: Poly) -> Poly:
    """Return p divided by its leading coefficient; the zero polynomial stays."""
    return scale(p, 1 / p[-1]) if p else ZERO


def evaluate(p: Poly, at: Fraction) -> Fraction:
    """Return p(at), exactly."""
    value = Fraction(0)
    for c in reversed(p):
        value = value * at + c
    return value


def divide(p: Poly, q: Poly) -> tuple[Poly, Poly]:
    """Return quotient and remainder of p / q; ZeroDivisionError when q is zero."""
    if not q:
        raise ZeroDivisionError("division by the zero polynomial")
    rest = list(p)
    quotient = [Fraction(0)] * max(len(p) - len(q) + 1, 0)
    for k in range(len(quotient) - 1, -1, -1):
        factor = rest[k + len(q) - 1] / q[-1]
        quotient[k] = factor
        for j, c in enumerate(q):
            rest[k + j] -= factor * c
    return strip(quotient), strip(rest[: len(q) - 1])


def gcd(p: Poly, q: Poly) -> Poly:
    """Return the monic greatest common divisor; zero only when both are zero."""
    if not p or not q:
        return monic(p or q)
    return common_factor(_integers(p), _integers(q))


def common_factor(p: Sequence[int], q: Sequence[int]) -> Poly:
    """Return the monic greatest common divisor of two polynomials of whole numbers, not zero."""
    a, b = _primitive(p), _primitive(q)
    if _coprime_modulo(a, b):
        return ONE
    if len(a) < len(b):
        a, b = b, a
    while b:
        a, b = b, _primitive(_pseudo_remainder(a, b))
    return monic(tuple(Fraction(c) for c in a))


def square_free(p: Poly) -> tuple[tuple[Poly, int], ...]:
    """Return monic square-free factors with their multiplicities, by Yun's algorithm [1]_."""
    if degree(p) < 1:
        return ()
    if degree(p) == 1 or (degree(p) == 2 and p[1] * p[1] != 4 * p[0] * p[2]):
        return ((monic(p), 1),)
    dp = derivative(p)
    common = gcd(p, dp)
    b, c = divide(p, common)[0], divide(dp, common)[0]
    found = []
    multiplicity = 1
    while degree(b) > 0:
        d = subtract(c, derivative(b))
        factor = gcd(b, d)
        if degree(factor) > 0:
            found.append((factor, multiplicity))
        b, c = divide(b, factor)[0], divide(d, factor)[0]
        multiplicity += 1
    return tuple(found)


def factors(p: Poly) -> tuple[Poly, ...]:
    """Return monic real factors of degree one and two whose product is p up to a constant.

    Roots at the origin and repeated roots give factors of their own, exactly.  A square-free
    part of degree two stays as it is, also when its roots are real.  Parts of higher degree are
    factored by their roots in double precision: one factor per real root or conjugate pair.
    """
    zeros = _roots_at_origin(p)
    found: list[Poly] = [S] * zeros
    for part, multiplicity in square_free(p[zeros:]):
        found += _split(part) * multiplicity
    return tuple(found)


def _split(part: Poly) -> list[Poly]:
    if degree(part) <= 2:
        return [part]
    ints = _integers(part)
    return [from_root(z) for z in _symmetric(ints, _aberth(ints)) if z.imag >= 0]


def from_root(z: complex) -> Poly:
    """Return s - z for a real z, else (s - z)(s - z*), z taken by its decimal text."""
    re, im = exact(z.real), exact(z.imag)
    return (re * re + im * im, -2 * re, Fraction(1)) if im else (-re, Fraction(1))


def roots(p: Poly) -> tuple[complex, ...]:
    """Return all roots, repeated by multiplicity, to double precision.

    Parameters
    ----------
    p : Poly
        Not the zero polynomial (ValueError).

    Returns
    -------
    tuple of complex
        Sorted by magnitude; roots at the origin are exactly 0, real ones have imaginary part
        exactly 0, and conjugate pairs are exactly conjugate.

    Examples
    --------
    >>> roots(from_floats([1, 3, 3, 1, 0]))
    (0j, (-1+0j), (-1+0j), (-1+0j))
    """
    if not p:
        raise ValueError("the zero polynomial has every number as a root")
    found = [z for factor in factors(p) for z in low_roots(factor)]
    return tuple(sorted(found, key=_order))


def _order(z: complex) -> tuple[float, float, float]:
    return (abs(z), z.real, z.imag)


def _roots_at_origin(p: Poly) -> int:
    return next(k for k, c in enumerate(p) if c)


# -- greatest common divisor over the integers ---------------------------------------------------


def _primitive(p: Sequence[int]) -> list[int]:
    content = math.gcd(*p) if p else 1
    return [c // content for c in p]


def _integers(p: Poly) -> list[int]:
    """Return p times the constant that makes its coefficients coprime integers."""
    common = math.lcm(*(c.denominator for c in p))
    return _primitive([int(c * common) for c in p])


def _pseudo_remainder(a: list[int], b: list[int]) -> list[int]:
    rest = list(a)
    while len(rest) >= len(b):
        head = rest[-1]
        shift = len(rest) - len(b)
        rest = [c * b[-1] for c in rest]
        for j, c in enumerate(b):
            rest[shift + j] -= head * c
        while rest and not rest[-1]:
            rest.pop()
    return rest


def _coprime_modulo(a: list[int], b: list[int]) -> bool:
    """Return whether a and b are proved coprime by Euclid's algorithm modulo a prime."""
    x, y = [c % _PRIME for c in a], [c % _PRIME for c in b]
    if not x[-1] or not y[-1]:
        return False
    while len(y) > 1:
        inverse = pow(y[-1], -1, _PRIME)
        while len(x) >= len(y):
            head = x[-1] * inverse % _PRIME
            shift = len(x) - len(y)
            for j, c in enumerate(y):
                x[shift + j] = (x[shift + j] - head * c) % _PRIME
            while x and not x[-1]:
                x.pop()
        x, y = y, x
    return bool(y)


# -- roots of square-free polynomials --------------------------------------------------------------


def low_roots(p: Poly) -> tuple[complex, ...]:
    """Return the roots of a polynomial of degree one or two, by formula."""
    if degree(p) == 1:
        return (complex(float(-p[0] / p[1]) + 0.0, 0.0),)
    c, b, _ = monic(p)
    quarter = b * b / 4 - c
    root = _square_root(abs(quarter))
    if quarter < 0:
        re, im = float(-b / 2), float(root)
        return complex(re, -im), complex(re, im)
    far = -b / 2 - root if b >= 0 else -b / 2 + root
    near = c / far if far else Fraction(0)
    return complex(float(far), 0.0), complex(float(near), 0.0)


def _square_root(x: Fraction) -> Fraction:
    """Return the square root to 80 bits or more (exactly for the square of a fraction)."""
    num, den = x.numerator, x.denominator
    shift = max(0, 80 - num.bit_length() // 2, 80 - den.bit_length() // 2)
    exact_root = Fraction(math.isqrt(num), math.isqrt(den))
    if exact_root * exact_root == x:
        return exact_root
    return Fraction(math.isqrt(num * den << (2 * shift)), den << shift)


def _correction(ints: list[int], z: complex) -> complex:
    """Return p(z)/p'(z), evaluated exactly and rounded at the end; 0 where p' is 0."""
    (a, da), (b, db) = z.real.as_integer_ratio(), z.imag.as_integer_ratio()
    common = max(da, db)  # both are powers of two
    a, b = a * (common // da), b * (common // db)
    bits = common.bit_length() - 1
    x, y, u, v = ints[-1], 0, 0, 0  # p = x + jy, p' = u + jv, by Horner's rule
    for k, c in enumerate(reversed(ints[:-1]), start=1):
        u, v = u * a - v * b + x, u * b + v * a + y
        x, y = x * a - y * b + (c << (bits * k)), x * b + y * a
    norm = (u * u + v * v) << bits
    # p carries one factor of the common denominator more than p', hence the shift
    return complex((x * u + y * v) / norm, (y * u - x * v) / norm) if norm else 0j


def _starts(ints: list[int]) -> list[complex]:
    """Return starting points on the circles of the Newton polygon [3]_."""
    hull: list[tuple[int, float]] = []
    for k, c in enumerate(ints):
        if not c:
            continue
        point = (k, math.log(abs(c)))
        while len(hull) > 1 and _below(hull[-2], hull[-1], point):
            hull.pop()
        hull.append(point)
    found = []
    for (i, low), (j, high) in pairwise(hull):
        radius = math.exp((low - high) / (j - i))
        for k in range(j - i):
            angle = 2 * math.pi * (k / (j - i) + i / len(ints)) + 0.7
            found.append(complex(radius * math.cos(angle), radius * math.sin(angle)))
    return found


def _below(a: tuple[int, float], b: tuple[int, float], c: tuple[int, float]) -> bool:
    return (b[1] - a[1]) * (c[0] - a[0]) <= (c[1] - a[1]) * (b[0] - a[0])


def _aberth(ints: list[int]) -> list[complex]:
    """Return all roots by Aberth's iteration [2]_."""
    z = _starts(ints)
    open_ = set(range(len(z)))
    for _ in range(_MAX_ITERATIONS):
        for i in sorted(open_):
            newton = _correction(ints, z[i])
            repulsion = sum(1 / (z[i] - w) for k, w in enumerate(z) if k != i and w != z[i])
            below = 1 - newton * repulsion
            step = newton / below if below else newton
            z[i] -= step
            if abs(step) <= _EPSILON * abs(z[i]):
                open_.discard(i)
        if not open_:
            break
    return z


def _symmetric(ints: list[int], found: list[complex]) -> tuple[complex, ...]:
    """Return the roots made exactly real or exactly conjugate.

    A root whose conjugate has no other root nearer than itself is real: the roots of a real
    polynomial come in pairs.
    """
    upper: list[complex] = []
    lower: list[complex] = []
    real: list[float] = []
    for i, z in enumerate(found):
        mirror = z.conjugate()
        nearest = min(abs(mirror - w) for k, w in enumerate(found) if k != i)
        if 2 * abs(z.imag) <= nearest:
            real.append(z.real)
        else:
            (upper if z.imag > 0 else lower).append(z)
    out = [complex(x - _correction(ints, complex(x, 0.0)).real, 0.0) for x in real]
    for z in upper:
        if not lower:
            raise ArithmeticError(f"the root {z} of a real polynomial has no conjugate")
        lower.remove(min(lower, key=lambda w: abs(w - z.conjugate())))
        out += [z.conjugate(), z]
    if lower:
        raise ArithmeticError(f"the root {lower[0]} of a real polynomial has no conjugate")
    return tuple(out)
