"""Sensitivities to every part, exact from the symbolic H.

N and D are multilinear in the admittances, so ``y*dD/dy`` is D with only the monomials that hold
y.  From there: ``S_y^H = y*N'/N - y*D'/D`` (primes for derivatives by y), and for a natural mode
p, ``y*dp/dy = -(y*dD/dy)/(dD/ds)`` at p, which gives the sensitivities of w0 and Q.  A resistance
has the negative sensitivity of its conductance.

Definition: ``S_x^F = (x/F) dF/dx`` (H. W. Bode; A. S. Sedra and P. O. Brackett, Filter Theory and
Design: Active and Passive, 1978, from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from synth.analysis.loop import Factors, Loop
from synth.analysis.numbers import admittances
from synth.analysis.ring import Poly

Array = npt.NDArray[np.float64]
Points = npt.NDArray[np.complexfloating[Any, Any]]

#: Roots nearer to each other than this, relative, have no sensitivity of their own.
_DOUBLE = 1e-6


@dataclass(frozen=True)
class RootSensitivity:
    """Sensitivities of one pole pair or real pole.

    Parameters
    ----------
    root : complex
        rad/s; of a pair the one above the axis.
    f0 : tuple of (str, float)
        Part -> ``S^f0``, for every part.
    q : tuple of (str, float) or None
        Part -> ``S^Q``; None for a real pole and for one on the axis.
    """

    root: complex
    f0: tuple[tuple[str, float], ...]
    q: tuple[tuple[str, float], ...] | None


@dataclass(frozen=True)
class _Factor:
    """One polynomial in numbers: each term's value, power of s, and the parts in it."""

    values: Array
    powers: Array
    holds: Array  # (terms, parts), 0 or 1

    def at(self, s: Points) -> npt.NDArray[np.complex128]:
        """Return the terms at each s, shape (len(s), terms)."""
        return np.asarray(self.values * s[:, None] ** self.powers)

    def slope(self, s: Points) -> npt.NDArray[np.complex128]:
        """Return the derivative by s, shape (len(s),)."""
        lowered = np.where(self.powers == 0, 0.0, s[:, None] ** (self.powers - 1))
        return np.asarray((self.values * self.powers * lowered).sum(axis=1))

    def by_part(self, s: Points) -> npt.NDArray[np.complex128]:
        """Return ``d ln P/d ln y`` of every part, shape (len(s), parts)."""
        terms = self.at(s)
        return np.asarray((terms @ self.holds) / terms.sum(axis=1)[:, None])


def mode_sensitivities(loop: Loop, modes: Sequence[complex]) -> tuple[RootSensitivity, ...]:
    """Return the sensitivities of natural modes with ideal op amps.

    Parameters
    ----------
    loop : Loop
        Of a network with values.
    modes : sequence of complex
        Its modes (`synth.analysis.numbers.modes`), rad/s; those at the origin, and double ones,
        are left out.

    Raises
    ------
    NetworkError
        If a part has no value.
    """
    factors = [_numeric(loop, p) for p in loop.determinants]
    found = []
    for p in modes:
        near = sum(abs(p - x) <= _DOUBLE * abs(p) for x in modes)
        if p.imag < 0 or not p or near > 1:
            continue
        at = np.array([p], dtype=np.complex128)
        sums = [abs(f.at(at).sum()) / max(float(np.abs(f.at(at)).sum()), 1e-300) for f in factors]
        own = factors[int(np.argmin(sums))]
        moves = -(own.at(at) @ own.holds)[0] / own.slope(at)[0] * _signs(loop)
        f0 = (moves / p).real
        q = None
        if p.imag and abs(p.real) > 1e-9 * abs(p):
            q = _named(loop, f0 - moves.real / p.real)
        found.append(RootSensitivity(p, _named(loop, f0), q))
    return tuple(found)


def response_sensitivities(loop: Loop, frequencies_hz: Array) -> Array:
    """Return the sensitivity of ``|H(jw)|`` to every part, shape (frequencies, parts).

    Infinite or undefined at a zero of H.

    Raises
    ------
    NetworkError
        If a part has no value.
    """
    s = 2j * np.pi * np.asarray(frequencies_hz, dtype=float)
    total = np.zeros((len(s), len(loop.network.branches)), dtype=np.complex128)
    top: Factors | None = loop.transfer()
    if top is None:
        return total.real
    with np.errstate(divide="ignore", invalid="ignore"):
        for p in top:
            total += _numeric(loop, p).by_part(s)
        for p in loop.denominators:
            total -= _numeric(loop, p).by_part(s)
    return np.asarray(total.real * _signs(loop))


def _numeric(loop: Loop, poly: Poly) -> _Factor:
    branches = loop.network.branches
    y = [float(x) for x in admittances(loop.network)]
    values, powers = np.empty(len(poly)), np.zeros(len(poly))
    holds = np.zeros((len(poly), len(branches)))
    for row, (mask, c) in enumerate(poly.items()):
        value = float(c)
        for k, b in enumerate(branches):
            if mask >> k & 1:
                value *= y[k]
                powers[row] += b.power
                holds[row, k] = 1.0
        values[row] = value
    return _Factor(values, powers, holds)


def _signs(loop: Loop) -> Array:
    """Power of each part's value in its admittance."""
    return np.array([1.0 if b.power > 0 else -1.0 for b in loop.network.branches])


def _named(loop: Loop, values: Array) -> tuple[tuple[str, float], ...]:
    names = [b.name for b in loop.network.branches]
    return tuple((n, float(v)) for n, v in zip(names, values, strict=True))
