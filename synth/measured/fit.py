"""A stable rational function for a table of a response, of a given order or the order found.

Vector fitting gives the first roots; without a phase it works on the minimum phase.  The roots are
then refined by least squares of the logarithm of the ratio, in which decibels and radians count.
Zeros then go to infinity, onto the axis, or to the origin one by one, as long as the Bayesian
criterion [1]_ gains; it also says which order is worth its poles.

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
from synth.measured.coding import Code, least_squares
from synth.measured.poles import Complexes, Rational, minimum_phase, vector_fit
from synth.measured.table import ResponseTable
from synth.progress import Progress, counter
from synth.target.families import MAX_ORDER
from synth.target.target import Target
from synth.transfer.kinds import describe
from synth.transfer.transfer import Transfer
from synth.units import format_si

Floats = NDArray[np.float64]

_TURN = 2 * math.pi
_DB = 20 / math.log(10)
#: Points so far below the largest magnitude count less and less.
_RANGE_DB = 60.0
#: The order is sought up to this; so many orders without gain end the search.
_HIGHEST, _PATIENCE = 16, 3
#: Errors of the logarithm below this are those of a table with few digits.
_DIGITS = 1e-5
#: A pole so many times beyond the frequencies of a table does nothing among them.
_FAR = 300.0
#: A response is flat when its magnitude stays within so many dB and its phase within so many
#: degrees; a flat magnitude with a phase missed by more than the last number turns too fast.
_FLAT_DB, _FLAT_DEGREES, _LOST_DEGREES = 0.02, 0.2, 45.0


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
    beyond_hz : float or None
        Where the farthest pole lies that is so far from the points that it does nothing there.
    """

    target: Target
    order: int
    error_db: float
    phase_error: float | None
    tried: tuple[tuple[int, float], ...]
    beyond_hz: float | None = None


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
        If the order is out of range, the table has too few points for it, the response is flat, or
        its phase turns too fast to be followed.
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
    _refuse_flat(table)
    work = _Work(table)
    tick = counter(progress, 1 if order else most)
    found: list[tuple[float, int, Rational]] = []
    for n in [order] if order else range(1, most + 1):
        made = work.simplified(work.fitted(n))
        found.append((work.score(made), n, made))
        tick()
        if work.square(made) < 2 * _DIGITS**2:
            break
        best = min(range(len(found)), key=lambda k: found[k][0])
        if len(found) - best > _PATIENCE:
            break
    near = [row for row in found if not work.far(row[2]).size]
    _, n, made = min(near or found, key=lambda row: row[0])
    tried = tuple((k, work.errors(r)[0]) for _, k, r in found)
    fit = work.result(made, tried)
    _refuse_lost(table, fit)
    if not near and not order:
        raise TargetError(f"{too_many(fit)}; give points where the response changes")
    return fit


def too_many(fit: ResponseFit) -> str:
    """Return why the points do not hold so many poles; empty where they do."""
    if fit.beyond_hz is None:
        return ""
    return (
        f"the points do not hold {fit.order} poles: some would lie far outside them, as at "
        f"{format_si(fit.beyond_hz, 'Hz')}"
    )


def _refuse_flat(table: ResponseTable) -> None:
    """Refuse a response that is the same everywhere: there is nothing to filter."""
    levels = _DB * np.log(table.magnitude)
    turned = 0.0
    if table.phase is not None:
        turned = float(
            np.degrees(np.abs(np.angle(np.exp(1j * (table.phase - table.phase[0])))).max())
        )
    if np.ptp(levels) <= _FLAT_DB and turned <= _FLAT_DEGREES:
        raise TargetError(
            f"the response is flat: {float(np.mean(levels)):.3g} dB at every point; that is a "
            "plain gain and no filter, so give points where it changes"
        )


def _refuse_lost(table: ResponseTable, fit: ResponseFit) -> None:
    """Refuse a delay that is too long: a flat magnitude whose phase is not followed."""
    level = float(_DB * np.ptp(np.log(table.magnitude)))
    if fit.phase_error is not None and fit.phase_error > _LOST_DEGREES and level < 1.0:
        raise TargetError(
            f"the phase turns faster than an order of {fit.order} follows (it is missed by "
            f"{fit.phase_error:.0f} degrees): the delay is too long for the band, or the points "
            "too far apart to tell its turns; give a narrower band, closer points or less delay"
        )


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
        return self.refined(vector_fit(self.w, self.values, weights, order))

    def far(self, r: Rational) -> Complexes:
        """Return the poles that do nothing among the points, for they lie far outside."""
        size = np.abs(r.poles)
        outside = (size > _FAR * self.w[-1]) | (size < self.w[0] / _FAR)
        return np.asarray(r.poles[outside], dtype=complex)

    def residuals(self, r: Rational) -> Floats:
        """Return ln(H/table): real parts, and imaginary ones where the phase is known."""
        with np.errstate(divide="ignore"):
            away = np.log(_value(r, self.w) / self.values)
        away = np.clip(away.real, -9, 9) + 1j * away.imag
        rows = [away.real * self.counts]
        if self.known:
            rows.append(np.angle(np.exp(1j * away.imag)) * self.counts)
        return np.asarray(np.nan_to_num(np.concatenate(rows), nan=9.0), dtype=float)

    def square(self, r: Rational) -> float:
        """Return the mean square of the residuals, not below that of rounded digits."""
        return float(np.mean(self.residuals(r) ** 2)) + _DIGITS**2

    def refined(self, r: Rational) -> Rational:
        """Return the function after least squares of the residuals in its roots."""
        code = Code(r)
        if code.start.size > self.residuals(r).size:
            return r
        better = least_squares(code, self.residuals, self._slopes, np.asarray(1j * self.w))
        return better if self.square(better) < self.square(r) else r

    def _slopes(self, of_log: Complexes) -> Floats:
        rows = of_log * self.counts[:, None]
        return np.vstack([rows.real, rows.imag]) if self.known else rows.real

    def score(self, r: Rational) -> float:
        """Return the Bayesian criterion [1]_ of a function: smaller is better."""
        unknowns = Code(r).start.size
        points = self.w.size * (2 if self.known else 1)
        return points * math.log(self.square(r)) + unknowns * math.log(points)

    def simplified(self, r: Rational) -> Rational:
        """Return the function with zeros in simpler places where the criterion gains."""
        best = r
        while True:
            for tried in _simpler(best):
                made = self.refined(tried)
                if self.score(made) < self.score(best):
                    best = made
                    break
            else:
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
        far = np.abs(self.far(r))
        beyond = float(far.max()) * self.scale / _TURN if far.size else None
        return ResponseFit(target, transfer.order, decibels, degrees, tried, beyond)


def _value(r: Rational, w: Floats) -> Complexes:
    s = 1j * w[:, None]
    with np.errstate(divide="ignore", invalid="ignore"):
        top = np.sum(np.log(s - r.zeros), axis=1) if r.zeros.size else 0.0
        return np.asarray(r.gain * np.exp(top - np.sum(np.log(s - r.poles), axis=1)))


def _simpler(r: Rational) -> Iterator[Rational]:
    """Yield functions with one zero, or pair, moved to infinity, to the axis, to the origin."""
    for k in np.argsort(-np.abs(r.zeros)):
        z = r.zeros[k]
        if z.imag < 0 or not z:
            continue
        rest = np.delete(r.zeros, k)
        if z.imag:
            rest = np.delete(rest, int(np.argmin(np.abs(rest - z.conjugate()))))
        count = 2 if z.imag else 1
        far = r.gain * (abs(z) ** 2 if z.imag else -z.real)
        yield r._replace(zeros=rest, gain=far)
        if z.imag and z.real:
            onto = np.array([1j, -1j]) * abs(z)
            yield r._replace(zeros=np.concatenate([rest, onto]))
        yield r._replace(zeros=np.concatenate([rest, np.zeros(count)]))
