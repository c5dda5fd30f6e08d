"""A stable rational function for a table of a response, of a given order or the order found.

Vector fitting gives the first roots; without a phase it works on the minimum phase.  The roots are
then refined by least squares of the logarithm of the ratio, in which decibels and radians count.
Zeros far outside the table go to the origin or to infinity, those at the axis onto it, when the
error stays what it was.  The order is that of the least Bayesian criterion [1]_.

References
----------
.. [1] G. Schwarz, "Estimating the dimension of a model", Ann. Statist. 6 (1978) 461-464.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from synth.errors import TargetError
from synth.measured.poles import Complexes, Rational, minimum_phase, vector_fit
from synth.measured.table import ResponseTable
from synth.progress import Progress, counter
from synth.target.families import MAX_ORDER
from synth.target.target import Target
from synth.transfer.kinds import describe
from synth.transfer.transfer import Transfer

Floats = NDArray[np.float64]

_TURN = 2 * math.pi
_DB = 20 / math.log(10)
#: Points so far below the largest magnitude count less and less.
_RANGE_DB = 60.0
#: The order is sought up to this; so many orders without gain end the search.
_HIGHEST, _PATIENCE = 16, 3
#: Errors of the logarithm below this are those of a table with few digits.
_DIGITS = 1e-5
#: A zero is moved to a simpler place when the error grows by no more than this factor.
_SIMPLER = 1.1


@dataclass(frozen=True)
class ResponseFit:
    """A fitted function and how far it is from the table.

    Parameters
    ----------
    target : Target
    order : int
    error_db : float
        Largest deviation of the magnitude in dB, where it is within 60 dB of its largest.
    phase_error : float or None
        Largest deviation of the phase in degrees there; None without a phase.
    tried : tuple of (int, float)
        Orders looked at, and the largest deviation in dB of each.
    """

    target: Target
    order: int
    error_db: float
    phase_error: float | None
    tried: tuple[tuple[int, float], ...]


def fit_response(
    table: ResponseTable, order: int | None = None, progress: Progress | None = None
) -> ResponseFit:
    """Return a stable rational function near a table.

    Parameters
    ----------
    table : ResponseTable
    order : int, optional
        Number of poles, 1 to 20; by default the one that is worth its poles.
    progress : callable, optional
        Called with (done, total).

    Raises
    ------
    TargetError
        If the order is out of range or the table has too few points for it.
    """
    points = table.frequencies_hz.size * (1 if table.phase is None else 2)
    if order is not None and not 1 <= order <= MAX_ORDER:
        raise TargetError(f"the order {order} is out of range; choose 1 to {MAX_ORDER}")
    most = min(_HIGHEST, (points - 2) // 2)
    if order is not None and 2 * order + 1 > points:
        raise TargetError(
            f"an order of {order} has {2 * order + 1} unknowns and the table has {points} numbers; "
            "lower the order, or give more points"
        )
    work = _Work(table)
    tick = counter(progress, 1 if order else most)
    found: list[tuple[float, int, Rational]] = []
    for n in [order] if order else range(1, most + 1):
        made = work.fitted(n)
        score = points * math.log(work.square(made)) + (2 * n + 1) * math.log(points)
        found.append((score, n, made))
        tick()
        best = min(range(len(found)), key=lambda k: found[k][0])
        if len(found) - best > _PATIENCE:
            break
    _, n, made = min(found, key=lambda row: row[0])
    tried = tuple((k, work.errors(r)[0]) for _, k, r in found)
    return work.result(work.simplified(made), tried)


class _Work:
    """A table scaled to frequencies and magnitudes of size one."""

    def __init__(self, table: ResponseTable) -> None:
        self._table = table
        w = _TURN * table.frequencies_hz
        self.scale = math.sqrt(w[0] * w[-1])
        self.w = w / self.scale
        self.level = float(table.magnitude.max())
        magnitude = table.magnitude / self.level
        self.known = table.phase is not None
        phase = table.phase if table.phase is not None else minimum_phase(self.w, magnitude)
        self.values = magnitude * np.exp(1j * phase)
        self.counts = np.maximum(magnitude, 10 ** (-_RANGE_DB / 20)) / magnitude
        self.counts = 1 / self.counts  # 1 within the range, falling below it

    def fitted(self, order: int) -> Rational:
        """Return the refined function of an order."""
        weights = self.counts / np.abs(self.values)
        starts = [vector_fit(self.w, self.values, weights, order)]
        return min((self.refined(r) for r in starts), key=self.square)

    def residuals(self, r: Rational) -> Floats:
        """Return ln(H/table): real parts, and imaginary ones where the phase is known."""
        away = np.log(_value(r, self.w) / self.values)
        away = np.clip(away.real, -9, 9) + 1j * away.imag
        rows = [away.real * self.counts]
        if self.known:
            rows.append(np.angle(np.exp(1j * away.imag)) * self.counts)
        return np.nan_to_num(np.concatenate(rows), nan=9.0)

    def square(self, r: Rational) -> float:
        """Return the mean square of the residuals, not below that of rounded digits."""
        return float(np.mean(self.residuals(r) ** 2)) + _DIGITS**2

    def refined(self, r: Rational) -> Rational:
        """Return the function after least squares of the residuals in its roots."""
        from scipy.optimize import least_squares

        code = _Code(r)
        found = least_squares(
            lambda x: self.residuals(code.rational(x)), code.start, method="lm", max_nfev=None
        ) if code.start.size <= self.residuals(r).size else None
        if found is None or not np.all(np.isfinite(found.x)):
            return r
        better = code.rational(found.x)
        return better if self.square(better) < self.square(r) else r

    def simplified(self, r: Rational) -> Rational:
        """Return the function with zeros moved to simpler places where nothing is lost."""
        best, allowed = r, math.sqrt(self.square(r)) * _SIMPLER
        changed = True
        while changed:
            changed = False
            for tried in _simpler(best, self.w):
                made = self.refined(tried)
                if math.sqrt(self.square(made)) <= allowed:
                    best, changed = made, True
                    break
        return best

    def errors(self, r: Rational) -> tuple[float, float | None]:
        """Return the largest deviations in dB and degrees within the range."""
        inside = np.abs(self.values) >= 10 ** (-_RANGE_DB / 20)
        away = np.log(_value(r, self.w) / self.values)[inside]
        turn = np.degrees(np.abs(np.angle(np.exp(1j * away.imag))))
        return float(_DB * np.abs(away.real).max()), float(turn.max()) if self.known else None

    def result(self, r: Rational, tried: tuple[tuple[int, float], ...]) -> ResponseFit:
        """Return the function in rad/s as a target."""
        unit = Transfer.from_zpk(r.zeros, r.poles, r.gain * self.level)
        transfer = unit.scaled_frequency(self.scale)
        decibels, degrees = self.errors(r)
        f = self._table.frequencies_hz
        kind = describe(transfer).kind
        asked = f"{kind} of order {transfer.order} fitted to {f.size} points"
        meaning = f"{f[0]:.6g} Hz to {f[-1]:.6g} Hz; order is the number of poles"
        target = Target(transfer, kind, None, asked, meaning)
        return ResponseFit(target, transfer.order, decibels, degrees, tried)


def _value(r: Rational, w: Floats) -> Complexes:
    s = 1j * w[:, None]
    with np.errstate(divide="ignore", invalid="ignore"):
        top = np.sum(np.log(s - r.zeros), axis=1) if r.zeros.size else 0.0
        return np.asarray(r.gain * np.exp(top - np.sum(np.log(s - r.poles), axis=1)))


class _Code:
    """Roots as unknowns: logarithms for poles, so that they stay stable; zeros go anywhere."""

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

    def rational(self, x: Floats) -> Rational:
        """Return the function of some unknowns."""
        x = np.clip(x, -60, 60)
        n = [1, self._pairs.size, self._pairs.size, self._reals.size]
        n += [self._axis.size, self._z_pairs.size, self._z_pairs.size]
        gain, re, im, real, axis, lean, size, z_real = np.split(x, np.cumsum(n))
        upper = -np.exp(re) + 1j * np.exp(im)
        lean = np.clip(lean, -0.999999, 0.999999)
        z_upper = np.exp(size) * (lean + 1j * np.sqrt(1 - lean**2))
        poles = np.concatenate([_both(upper), -np.exp(real) + 0j])
        zeros = np.concatenate(
            [
                np.zeros(self._at_zero, dtype=complex),
                _both(1j * np.exp(axis)),
                _both(z_upper),
                np.sign(self._z_reals) * np.exp(z_real) + 0j,
            ]
        )
        return Rational(zeros, poles, self._sign * float(np.exp(gain[0])))


def _both(upper: Complexes) -> Complexes:
    return np.ravel(np.column_stack([upper, upper.conj()]))


def _simpler(r: Rational, w: Floats) -> Iterator[Rational]:
    """Yield functions with one zero, or pair, moved to infinity, to the origin, to the axis."""
    order = np.argsort(-np.abs(r.zeros))
    for k in order:
        z = r.zeros[k]
        rest = np.delete(r.zeros, k)
        if z.imag < 0:
            continue
        if z.imag > 0:
            mate = int(np.argmin(np.abs(rest - z.conjugate())))
            rest = np.delete(rest, mate)
        count = 2 if z.imag else 1
        if abs(z) > 2 * w[-1]:
            sign = abs(z) ** 2 if z.imag else -z.real
            yield replace_zeros(r, rest, r.gain * sign)
        elif 0 < abs(z) < w[0] / 2:
            yield replace_zeros(r, np.concatenate([rest, np.zeros(count)]), r.gain)
        elif z.imag and z.real and abs(z.real) < 0.05 * abs(z):
            onto = np.array([1j, -1j]) * abs(z)
            yield replace_zeros(r, np.concatenate([rest, onto]), r.gain)


def replace_zeros(r: Rational, zeros: Complexes, gain: float) -> Rational:
    """Return a function with other zeros and gain."""
    return r._replace(zeros=np.asarray(zeros, dtype=complex), gain=gain)
