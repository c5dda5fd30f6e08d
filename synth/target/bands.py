"""Low-pass prototypes turned into the other kinds, root by root.

The low-pass to band-pass map is solved for each root by the quadratic formula.  Multiplying it
out as polynomials would lose the poles of a narrow band.
"""

from __future__ import annotations

import cmath
from collections.abc import Iterable
from fractions import Fraction

from synth.target.families import Prototype
from synth.transfer import polynomial as poly
from synth.transfer.polynomial import Poly
from synth.transfer.transfer import Transfer


def lowpass(p: Prototype, w0: float, gain: float) -> Transfer:
    """Return the low-pass with its edge at w0 in rad/s and this largest pass-band gain."""
    return p.transfer.scaled_frequency(w0) * gain


def highpass(p: Prototype, w0: float, gain: float) -> Transfer:
    """Return the high-pass H(w0/s) with its edge at w0 in rad/s."""
    return p.transfer.mirrored(1.0).scaled_frequency(w0) * gain


def allpass(p: Prototype, w0: float, gain: float) -> Transfer:
    """Return gain * D(-s)/D(s) with the poles of the low-pass whose edge is at w0 in rad/s."""
    return allpass_of(p.transfer.scaled_frequency(w0), gain)


def allpass_of(transfer: Transfer, gain: float) -> Transfer:
    """Return gain * D(-s)/D(s), D the denominator of the function; gain is that at DC."""
    dens = [poly.from_floats(s.denominator) for s in transfer.sections]
    nums = [tuple(c * (-1) ** k for k, c in enumerate(d)) for d in dens]
    return Transfer.from_factors(nums, dens, gain)


def bandpass(p: Prototype, w0: float, width: float, gain: float) -> Transfer:
    """Return the band-pass of geometric centre w0 and this width, both in rad/s.

    The prototype's edge falls on both ends of the band: s -> (s^2 + w0^2)/(width s).
    """
    b = width / w0
    excess = len(p.poles) - len(p.zeros)
    unit = Transfer.from_factors(
        [*_split(p.zeros, b), *[poly.S] * excess],
        _split(p.poles, b),
        _gain(p.gain) * poly.exact(b) ** excess,
    )
    return unit.scaled_frequency(w0) * gain


def bandstop(p: Prototype, w0: float, width: float, gain: float) -> Transfer:
    """Return the band-stop of geometric centre w0 and this width, both in rad/s.

    s -> width s/(s^2 + w0^2): the reciprocal of each root takes the band-pass map.
    """
    b = width / w0
    notches = [poly.from_floats([1, 0, 1])] * (len(p.poles) - len(p.zeros))
    dc = p.transfer(0j).real
    unit = Transfer.from_factors(
        [*_split([1 / z for z in p.zeros], b), *notches],
        _split([1 / z for z in p.poles], b),
        _gain(dc),
    )
    return unit.scaled_frequency(w0) * gain


def _gain(value: float) -> Fraction:
    return poly.exact(float(value))


def _split(roots: Iterable[complex], b: float) -> list[Poly]:
    """Return the factors of prod (s^2 - b z s + 1) over the roots z, which come in pairs."""
    found: list[Poly] = []
    for z in roots:
        if not z.imag:
            found.append(poly.from_floats([1, -b * z.real, 1]))
        elif z.imag > 0:
            half = b * z / 2
            turn = 1j * cmath.sqrt(1 - half * half)
            for s in (half + turn, half - turn):
                exact_axis = complex(0.0, s.imag) if not z.real else s
                found.append(poly.from_root(exact_axis))
    return found
