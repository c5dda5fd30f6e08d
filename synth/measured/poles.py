"""Vector fitting: a stable rational function near values on the imaginary axis.

The poles are relocated: with trial poles a, the weighted values f satisfy sigma f = p, where sigma
and p have the poles a, in the sense of least squares; the zeros of sigma are better poles.  Those
right of the axis are mirrored.

References
----------
.. [1] B. Gustavsen and A. Semlyen, "Rational approximation of frequency domain responses by vector
   fitting", IEEE Trans. Power Delivery 14 (1999) 1052-1061.
.. [2] B. Gustavsen, "Improving the pole relocating properties of vector fitting", IEEE Trans. Power
   Delivery 21 (2006) 1587-1592: the relaxed condition.
.. [3] H. W. Bode, "Network analysis and feedback amplifier design" (1945): phase from attenuation.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

_ROUNDS = 25


class Rational(NamedTuple):
    """Zeros, poles and gain, conjugates included."""

    zeros: Complexes
    poles: Complexes
    gain: float


def vector_fit(w: Floats, values: Complexes, weights: Floats, order: int) -> Rational:
    """Return the stable function of an order that is near the values.

    Parameters
    ----------
    w : (n,) array
        Angular frequencies, scaled to size one.
    values : (n,) complex array
    weights : (n,) array
        Of the errors.
    order : int
        Number of poles; as many zeros, some of which may be far away.
    """
    poles = _starts(w, order)
    for _ in range(_ROUNDS):
        moved = _relocated(w, values, weights, poles)
        shift = np.max(np.abs(np.sort_complex(moved) - np.sort_complex(poles)) / np.abs(moved))
        poles = moved
        if shift < 1e-10:
            break
    basis = _basis(_on_axis(w), poles)
    columns = np.hstack([basis, np.ones((w.size, 1))])
    solved = _least_squares(columns, values, weights)
    a, b = _state(poles)
    return _zpk(a, b, solved[:-1], float(solved[-1]), poles)


def _on_axis(w: Floats) -> Complexes:
    return np.asarray(1j * w, dtype=complex)


def _starts(w: Floats, order: int) -> Complexes:
    """Return complex poles over the band, lightly damped, by ratio [1]_."""
    pairs = order // 2
    at = np.geomspace(w[0], w[-1], pairs + 2)[1:-1] if pairs else np.empty(0)
    found = [p for v in at for p in (complex(-v / 20, v), complex(-v / 20, -v))]
    if order % 2:
        found.append(complex(-math.sqrt(w[0] * w[-1])))
    return np.array(found)


def _basis(s: Complexes, poles: Complexes) -> Complexes:
    """Return real partial fractions: of a pair their sum, and j times their difference."""
    columns = []
    for p in poles:
        if p.imag > 0:
            one, other = 1 / (s - p), 1 / (s - p.conjugate())
            columns += [one + other, 1j * (one - other)]
        elif not p.imag:
            columns.append(1 / (s - p))
    return np.array(columns).T.reshape(s.size, len(columns))


def _state(poles: Complexes) -> tuple[Floats, Floats]:
    """Return the real state matrix and drive of `_basis`."""
    n = poles.size
    a, b, k = np.zeros((n, n)), np.zeros(n), 0
    for p in poles:
        if p.imag > 0:
            a[k : k + 2, k : k + 2] = [[p.real, p.imag], [-p.imag, p.real]]
            b[k] = 2.0
            k += 2
        elif not p.imag:
            a[k, k], b[k] = p.real, 1.0
            k += 1
    return a, b


def _least_squares(columns: Complexes, right: Complexes, weights: Floats) -> Floats:
    rows = np.vstack([(columns * weights[:, None]).real, (columns * weights[:, None]).imag])
    wanted = np.concatenate([(right * weights).real, (right * weights).imag])
    scale = np.linalg.norm(rows, axis=0)
    scale[scale == 0] = 1.0
    found = np.linalg.lstsq(rows / scale, wanted, rcond=None)[0] / scale
    return np.asarray(found, dtype=float)


def _relocated(w: Floats, values: Complexes, weights: Floats, poles: Complexes) -> Complexes:
    """Return better poles."""
    basis = _basis(_on_axis(w), poles)
    n = poles.size
    one = np.ones((w.size, 1))
    columns = np.hstack([basis, one, -basis * values[:, None], -values[:, None]])
    rows = columns * weights[:, None]
    rows = np.vstack([rows.real, rows.imag])
    # sigma has the mean 1 over the points, so that it does not vanish [2]_
    mean = np.concatenate([np.zeros(n + 1), basis.real.sum(axis=0), [float(w.size)]])
    size = np.linalg.norm(weights * np.abs(values)) / w.size
    rows = np.vstack([rows, mean * size])
    wanted = np.zeros(rows.shape[0])
    wanted[-1] = w.size * size
    scale = np.linalg.norm(rows, axis=0)
    scale[scale == 0] = 1.0
    solved = np.linalg.lstsq(rows / scale, wanted, rcond=None)[0] / scale
    c, d = solved[n + 1 : -1], solved[-1]
    d = math.copysign(max(abs(d), 1e-8), d)
    a, b = _state(poles)
    found = np.linalg.eigvals(a - np.outer(b, c) / d)
    return _stable(np.asarray(found, dtype=complex))


def _stable(poles: Complexes) -> Complexes:
    """Return poles left of the axis, exactly conjugate, pairs first by their upper one."""
    upper = poles[poles.imag > 0]
    reals = poles[poles.imag == 0].real
    least = 1e-9 * np.abs(poles).max(initial=1e-300)
    found = [complex(-max(abs(p.real), least), p.imag) for p in upper]
    out = [q for p in found for q in (p, p.conjugate())]
    return np.array(out + [complex(-max(abs(r), least)) for r in reals])


def _zpk(a: Floats, b: Floats, c: Floats, d: float, poles: Complexes) -> Rational:
    """Return the zeros of c (s - a)^-1 b + d from the pencil of its system, and the gain."""
    from scipy.linalg import eig

    n = b.size
    system = np.block([[a, b[:, None]], [c[None, :], np.array([[d]])]])
    frame = np.zeros((n + 1, n + 1))
    frame[:n, :n] = np.eye(n)
    top, under = eig(system, frame, right=False, homogeneous_eigvals=True)
    finite = np.abs(under) > 1e-9 * np.abs(top)
    zeros = top[finite] / under[finite]
    far = 1e6 * np.abs(poles).max()
    zeros = zeros[np.abs(zeros) < far]
    zeros = _paired(zeros)
    # the gain is what makes both forms agree at a point of neither
    s = np.array([1j * np.abs(poles).max() * 0.37 + 0.11])
    exact = c @ np.linalg.solve(s[0] * np.eye(n) - a, b) + d
    ratio = exact * np.prod(s - poles) / np.prod(s - zeros)
    return Rational(zeros, poles, float(ratio.real))


def _paired(zeros: Complexes) -> Complexes:
    """Return zeros with those of tiny imaginary part made real, the others exactly conjugate."""
    real = np.abs(zeros.imag) <= 1e-12 * np.abs(zeros)
    upper = zeros[~real & (zeros.imag > 0)]
    return np.concatenate([np.ravel(np.column_stack([upper, upper.conj()])), zeros[real].real + 0j])


def minimum_phase(w: Floats, magnitude: Floats) -> Floats:
    """Return the phase in radians of the minimum-phase response of these magnitudes [3]_.

    Beyond the ends the magnitude goes on with the slope it has there, rounded to whole 20 dB a
    decade.
    """
    u = np.linspace(math.log(w[0]), math.log(w[-1]), 1200)
    level = np.interp(u, np.log(w), np.log(magnitude))
    step = u[1] - u[0]
    slopes = np.diff(level) / step
    ends = [float(np.round(np.mean(slopes[:8]))), float(np.round(np.mean(slopes[-8:])))]
    extra = math.ceil(7 / step)
    slopes = np.concatenate([np.full(extra, ends[0]), slopes, np.full(extra, ends[1])])
    cells = u[0] - extra * step + step * np.arange(slopes.size + 1)
    at = np.log(w)
    total = np.empty(w.size)
    for k, x in enumerate(at):
        total[k] = np.sum(slopes * np.diff(_kernel(cells - x)))
    # far outside the kernel has its full weight pi^2/4 on either side
    total += ends[0] * (math.pi**2 / 4 + _kernel(cells[:1] - at[:, None])[:, 0])
    total += ends[1] * (math.pi**2 / 4 - _kernel(cells[-1:] - at[:, None])[:, 0])
    return total / math.pi


#: Arguments of the table of the kernel, dense where it is steep.
_ARGUMENTS = np.linspace(0.0, 1.0, 2000) ** 3 * 30.0


@lru_cache(maxsize=1)
def _kernel_table() -> Floats:
    """Return the integral of ln coth |x/2| from 0: sum of (1 - exp(-k x))*2/k^2 over odd k."""
    k = np.arange(1, 400, 2)
    return np.asarray(np.sum(2 / k**2 * -np.expm1(-k * _ARGUMENTS[:, None]), axis=1), dtype=float)


def _kernel(x: Floats) -> Floats:
    return np.asarray(np.sign(x) * np.interp(np.abs(x), _ARGUMENTS, _kernel_table()), dtype=float)
