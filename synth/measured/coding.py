"""Zeros and poles as unknowns of a least-squares problem, and the slopes of ln H in them."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from synth.measured.poles import Complexes, Rational

Floats = NDArray[np.float64]

_LEAN = 0.999999


class Code:
    """Logarithms for poles, so that they stay stable; zeros on the axis or at 0 stay there.

    Parameters
    ----------
    r : Rational
        Whose roots are coded; `start` is the code of itself.
    """

    def __init__(self, r: Rational) -> None:
        self._sign = math.copysign(1.0, r.gain)
        self._pairs = r.poles[r.poles.imag > 0]
        self._reals = r.poles[r.poles.imag == 0].real
        self._at_zero = np.count_nonzero(r.zeros == 0)
        off = r.zeros[r.zeros != 0]
        self._axis = off[(off.imag > 0) & (off.real == 0)].imag
        self._z_pairs = off[(off.imag > 0) & (off.real != 0)]
        self._z_reals = off[off.imag == 0].real
        self.start = np.concatenate(
            [
                [math.log(abs(r.gain))],
                np.log(-self._pairs.real),
                np.log(self._pairs.imag),
                np.log(-self._reals),
                np.log(self._axis),
                self._z_pairs.real / np.abs(self._z_pairs),
                np.log(np.abs(self._z_pairs)),
                np.log(np.abs(self._z_reals)),
            ]
        )

    def _split(self, x: Floats) -> list[Floats]:
        n = [1, self._pairs.size, self._pairs.size, self._reals.size]
        n += [self._axis.size, self._z_pairs.size, self._z_pairs.size]
        return np.split(np.clip(x, -60, 60), np.cumsum(n))

    def rational(self, x: Floats) -> Rational:
        """Return the function of some unknowns."""
        gain, re, im, real, axis, lean, size, z_real = self._split(x)
        poles = np.concatenate([both(-np.exp(re) + 1j * np.exp(im)), -np.exp(real) + 0j])
        zeros = np.concatenate(
            [
                np.zeros(self._at_zero, dtype=complex),
                both(1j * np.exp(axis)),
                both(_leaning(lean, size)),
                np.sign(self._z_reals) * np.exp(z_real) + 0j,
            ]
        )
        return Rational(zeros, poles, self._sign * float(np.exp(gain[0])))

    def slopes(self, x: Floats, s: Complexes) -> Complexes:
        """Return d(ln H)/dx at points s, (points, unknowns)."""
        _, re, im, real, axis, lean, size, z_real = self._split(x)
        p = -np.exp(re) + 1j * np.exp(im)
        z = _leaning(lean, size)
        turn = np.exp(size) * (1 - 1j * np.clip(lean, -_LEAN, _LEAN) / np.abs(z.imag / np.abs(z)))
        on_axis, reals = 1j * np.exp(axis), np.sign(self._z_reals) * np.exp(z_real) + 0j
        one = -np.exp(real) + 0j
        return np.hstack(
            [
                np.ones((s.size, 1), dtype=complex),
                _moved(s, p, -np.exp(re) + 0j),
                _moved(s, p, 1j * np.exp(im)),
                one / (s[:, None] - one),
                -_moved(s, on_axis, on_axis),
                -_moved(s, z, turn),
                -_moved(s, z, z),
                -reals / (s[:, None] - reals),
            ]
        )


def _leaning(lean: Floats, size: Floats) -> Complexes:
    lean = np.clip(lean, -_LEAN, _LEAN)
    return np.asarray(np.exp(size) * (lean + 1j * np.sqrt(1 - lean**2)), dtype=complex)


def _moved(s: Complexes, root: Complexes, step: Complexes) -> Complexes:
    """Return the change of -ln((s - r)(s - r*)) when r moves by a step and r* by its conjugate."""
    at = s[:, None]
    return np.asarray(step / (at - root) + step.conj() / (at - root.conj()), dtype=complex)


def both(upper: Complexes) -> Complexes:
    """Return roots each followed by its conjugate."""
    return np.ravel(np.column_stack([upper, upper.conj()]))


def least_squares(
    code: Code,
    residuals: Callable[[Rational], Floats],
    slopes: Callable[[Complexes], Floats],
    s: Complexes,
) -> Rational:
    """Return the function of the least squares near the coded one.

    Parameters
    ----------
    code : Code
    residuals : callable
        Function -> errors.
    slopes : callable
        Slopes of ln H -> slopes of the errors.
    s : (n,) complex array
        Where H is looked at.
    """
    from scipy import optimize

    found = optimize.least_squares(
        lambda x: residuals(code.rational(x)),
        code.start,
        jac=lambda x: slopes(code.slopes(x, s)),
        method="lm",
        max_nfev=100,
    )
    return code.rational(found.x if np.all(np.isfinite(found.x)) else code.start)
