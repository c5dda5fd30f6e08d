"""A resistively terminated LC ladder for a low-pass response.

At the frequencies of maximum gain such a ladder transfers all the power the source can give, so
a small change of any element can only lower the gain: first-order sensitivities vanish there
(H. J. Orchard, Inductorless filters, Electronics Letters 2 (1966) 224-225, from memory).  That is
why it is worth simulating.

From H = k N/D with largest magnitude 1 the reflection S11 = F/D follows by
F(s) F(-s) = D(s) D(-s) - k^2 N(s) N(-s), and the driving-point impedance is
Z = (D + F)/(D - F) for a source of 1 ohm (S. Darlington, Synthesis of reactance 4-poles, J. Math.
Phys. 18 (1939) 257-353, from memory).  Elements are taken out of Z one by one: a pole at infinity
as a series inductor or shunt capacitor; for a transmission zero at w a part of the series inductor
so that Z(jw) = 0, then the pole of 1/Z there as a series resonator to ground (zero shifting;
M. E. Van Valkenburg, Introduction to Modern Network Synthesis, Wiley 1960, from memory).  All in
rational arithmetic, since each step loses digits.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import permutations

from synth.errors import TargetError
from synth.transfer import polynomial as poly
from synth.transfer.polynomial import Poly
from synth.transfer.transfer import Transfer

#: Roots in s^2 nearer to the negative real axis than this share of their size count as on it.
_DOUBLE = 1e-6
#: Maxima of |H|^2 that differ by less than this share are one maximum: equal ripple.
_EQUAL = Fraction(1, 10**7)
#: Coefficients below this share of the largest are rounding.
_ROUNDING = 1e-13
#: Bits that are kept of a coefficient between steps: fractions would double their length in each.
_BITS = 240
_POLISHES = 4  # each doubles the digits
#: A zero off the imaginary axis by more than this share of its size is none of a ladder.
_ON_AXIS = 1e-6
#: A remainder above this share of what it is left of says that the ladder does not fit.
_FITS = 1e-4


@dataclass(frozen=True)
class Arm:
    """An arm of the ladder.

    Parameters
    ----------
    inductance, capacitance : float
        In henry and farad for terminations near 1 ohm and a frequency unit of 1 rad/s; 0 where
        there is none.  A series arm is an inductor; a shunt arm a capacitor to ground, with an
        inductor in series where the response has a zero.
    """

    inductance: float
    capacitance: float

    @property
    def series(self) -> bool:
        """Whether the arm lies in the signal path."""
        return not self.capacitance


@dataclass(frozen=True)
class Ladder:
    """Source of 1 ohm, arms from source to load, and the load.

    Parameters
    ----------
    arms : tuple of Arm
        Series and shunt arms in turn, a series arm first.
    load : float
        In ohm.
    w0 : float
        The unit of frequency in rad/s.
    """

    arms: tuple[Arm, ...]
    load: float
    w0: float

    @property
    def loss(self) -> float:
        """Output over source voltage at DC."""
        return self.load / (1 + self.load)


def lowpass_ladder(transfer: Transfer) -> Ladder:
    """Return the ladder whose output follows a low-pass up to a constant.

    Parameters
    ----------
    transfer : Transfer
        Poles in the left half-plane; zeros on the imaginary axis, fewer than poles; not zero at
        DC.

    Raises
    ------
    TargetError
        If no ladder of this form has the response; the message says why.

    Examples
    --------
    The third-order Butterworth: 1 ohm, 1 H, 2 F, 1 H, 1 ohm (common practice).

    >>> ladder = lowpass_ladder(Transfer.from_tf([1.0], [1.0, 2.0, 2.0, 1.0]))
    >>> [round(a.inductance + a.capacitance, 9) for a in ladder.arms], round(ladder.load, 9)
    ([1.0, 2.0, 1.0], 1.0)
    """
    _check(transfer)
    w0 = math.exp(sum(math.log(abs(p)) for p in transfer.poles) / len(transfer.poles))
    unit = transfer.scaled_frequency(1 / w0)
    d = poly.product(poly.from_floats(s.denominator) for s in unit.sections)
    zeros = sorted({abs(z.imag) for z in unit.zeros})
    n = poly.product((poly.exact(z) ** 2, Fraction(0), Fraction(1)) for z in zeros)
    f = _reflection(d, n)
    found = [x for order in permutations(zeros) for x in _extracted(d, f, order)]
    if not found:
        raise TargetError(
            "no ladder with positive elements has this response; ask for another family, or for "
            "a cascade"
        )
    arms, load = min(found, key=lambda x: _spread(x[0]))
    return Ladder(arms, load, w0)


def _check(transfer: Transfer) -> None:
    poles, zeros = transfer.poles, transfer.zeros
    if any(p.real >= 0 for p in poles) or not poles:
        raise TargetError("a ladder needs a stable response with poles; this one is none")
    if any(abs(z.real) > _ON_AXIS * abs(z) for z in zeros) or any(z == 0 for z in zeros):
        raise TargetError(
            "a ladder of this form has its zeros on the imaginary axis and passes DC; this "
            "response has others (ask for a lowpass, or realise it as a cascade)"
        )
    if len(zeros) >= len(poles):
        raise TargetError(
            f"this response has as many zeros as poles ({len(poles)}) and no ladder without "
            "coupled coils: choose an odd order, or a family without zeros"
        )


# -- the reflection --------------------------------------------------------------------------------


def _reflection(d: Poly, n: Poly) -> Poly:
    """Return F, monic, with F(s)F(-s) = D(s)D(-s) - k^2 N(s)N(-s) and zeros not on the right."""
    dd, nn = _square(d), _square(n)
    k2, touching = _greatest(dd, nn)
    rest = _clean(poly.subtract(dd, poly.scale(nn, k2)))
    factors: list[Poly] = []
    for x in filter(None, touching):
        # a double root: |S11| touches zero there
        factors.append((-x, Fraction(0), Fraction(1)))
        rest, _ = poly.divide(rest, poly.mul((-x, Fraction(1)), (-x, Fraction(1))))
    if Fraction(0) in touching:  # what is left there is rounding
        rest = (Fraction(0), *rest[1:])
    at_zero = next(k for k, c in enumerate(rest) if c)
    factors += [poly.S] * at_zero
    rest = _short(rest[at_zero:])
    for root in poly.roots(rest):
        if root.real < 0 and abs(root.imag) <= _DOUBLE * abs(root):
            raise TargetError(
                "the response exceeds its own pass band somewhere; a passive ladder cannot have it"
            )
        if root.imag >= 0:
            factors.append(_left_factor(*_polished(rest, root)))
    return poly.product(factors)


def _greatest(dd: Poly, nn: Poly) -> tuple[Fraction, list[Fraction]]:
    """Return the least |D/N|^2 on the axis of frequencies, and where it lies.

    There |H| is largest.  The places are x = s^2 = -w^2.
    """
    slope = _clean(
        poly.subtract(poly.mul(poly.derivative(dd), nn), poly.mul(dd, poly.derivative(nn)))
    )
    found = [(poly.evaluate(dd, Fraction(0)) / poly.evaluate(nn, Fraction(0)), Fraction(0))]
    for root in poly.roots(slope) if poly.degree(slope) > 0 else ():
        if root.real < 0 and abs(root.imag) <= _DOUBLE * abs(root):
            x = poly.exact(root.real)
            below = poly.evaluate(nn, x)
            found += [(poly.evaluate(dd, x) / below, x)] if below else []
    least = min(value for value, _ in found)
    return least, [x for value, x in found if value <= least * (1 + _EQUAL)]


def _clean(p: Poly) -> Poly:
    """Return p without coefficients that are rounding, the others shortened."""
    largest = max((abs(c) for c in p), default=Fraction(0))
    return _short(poly.strip(c if abs(c) > _ROUNDING * largest else Fraction(0) for c in p))


def _polished(p: Poly, root: complex) -> tuple[Fraction, Fraction]:
    """Return real and imaginary part of a simple root to `_BITS` bits, by Newton's method."""
    re, im = Fraction(root.real), Fraction(root.imag)
    slope = poly.derivative(p)
    for _ in range(_POLISHES):
        a, b = _complex_value(p, re, im)
        c, d = _complex_value(slope, re, im)
        size = c * c + d * d
        re = _rounded(re - (a * c + b * d) / size)
        im = _rounded(im - (b * c - a * d) / size)
    return re, im


def _complex_value(p: Poly, re: Fraction, im: Fraction) -> tuple[Fraction, Fraction]:
    a, b = Fraction(0), Fraction(0)
    for c in reversed(p):
        a, b = _rounded(a * re - b * im + c), _rounded(a * im + b * re)
    return a, b


def _left_factor(re: Fraction, im: Fraction) -> Poly:
    """Return the real factor whose roots s in the left half-plane have s^2 = re +- j im."""
    if not im:
        return (_root(re), Fraction(1))
    size = _root(re * re + im * im)
    return (size, _root(2 * (size + re)), Fraction(1))


def _root(x: Fraction) -> Fraction:
    """Return the square root to `_BITS` bits."""
    shift = 2 * _BITS
    return Fraction(math.isqrt((x.numerator << shift) // x.denominator), 1 << _BITS)


def _square(p: Poly) -> Poly:
    """Return p(s) p(-s) as a polynomial in x = s^2."""
    even, odd = p[::2], p[1::2]
    return poly.subtract(poly.mul(even, even), poly.mul(poly.S, poly.mul(odd, odd)))


# -- taking out the elements -----------------------------------------------------------------------


def _extracted(d: Poly, f: Poly, zeros: Sequence[float]) -> Iterator[tuple[tuple[Arm, ...], float]]:
    """Yield the arms and the load with the zeros made in this order, if all are positive."""
    num, den = poly.add(d, f), poly.subtract(d, f)
    order = poly.degree(d)
    den = den[:order]  # F and D are monic
    arms: list[Arm] = []
    for w in zeros:
        taken = _zero_arms(num, den, poly.exact(w) ** 2)
        if taken is None:
            return
        inductor, shunt, num, den = taken
        num, den = _short(num), _short(den)
        arms += [inductor, shunt]
    series = True
    while poly.degree(num) > 0:
        value = num[-1] / den[-1]
        if value <= 0:
            return
        arms.append(Arm(float(value), 0.0) if series else Arm(0.0, float(value)))
        rest = poly.subtract(num, poly.mul(poly.scale(poly.S, value), den))
        num, den = den, _short(poly.strip(rest[: max(1, poly.degree(den))]))
        series = not series
    if not num or not den:
        return
    load = num[0] / den[0] if series else den[0] / num[0]
    if load > 0:
        yield tuple(arms), float(load)


def _zero_arms(num: Poly, den: Poly, w2: Fraction) -> tuple[Arm, Arm, Poly, Poly] | None:
    """Take the arms that make a zero at w out of num/den; None when one is not positive."""
    a, b = _at(num, w2)
    c, e = _at(den, w2)
    inductance = (b * c - a * e) / (c * c + w2 * e * e)
    if inductance <= 0:
        return None
    num = poly.subtract(num, poly.mul(poly.scale(poly.S, inductance), den))
    resonator = (w2, Fraction(0), Fraction(1))
    q, _ = poly.divide(num, resonator)
    g, h = _at(q, w2)
    residue = (e * g - h * c) / (w2 * h * h + g * g)
    if residue <= 0:
        return None
    rest, left = poly.divide(
        poly.subtract(den, poly.mul(poly.scale(poly.S, residue), q)), resonator
    )
    if max(map(abs, left), default=Fraction(0)) > _FITS * max(map(abs, den)):
        return None
    shunt = Arm(float(1 / residue), float(residue / w2))
    return Arm(float(inductance), 0.0), shunt, q, rest


def _short(p: Poly) -> Poly:
    """Return p with its coefficients rounded to `_BITS` bits."""
    return tuple(map(_rounded, p))


def _rounded(c: Fraction) -> Fraction:
    if not c:
        return c
    shift = _BITS - (c.numerator.bit_length() - c.denominator.bit_length())
    scaled = c.numerator << shift if shift >= 0 else c.numerator >> -shift
    return Fraction(scaled // c.denominator, 1) / Fraction(2) ** shift


def _at(p: Poly, w2: Fraction) -> tuple[Fraction, Fraction]:
    """Return (a, b) with p(jw) = a + jw b."""
    return poly.evaluate(p[::2], -w2), poly.evaluate(p[1::2], -w2)


def _spread(arms: Sequence[Arm]) -> float:
    found = [x for arm in arms for x in (arm.inductance, arm.capacitance) if x]
    return max(found) / min(found)
