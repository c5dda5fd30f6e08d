"""Errors in decibels over frequencies: against a target's magnitude, or against a mask.

An error of at most e dB bounds |N|^2 and |D|^2 at every frequency looked at.  Both are linear in
the coefficients of w^0, w^2, w^4, ..., so linear programs give the range of each of those, and the
ranges of the coefficients of N and D themselves follow; for a first- or second-order circuit
that proof covers all circuits.  For higher orders it covers the circuits whose coefficients are
within a stated distance of the target's.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from synth.errors import TargetError
from synth.search.candidates import SectionTarget
from synth.values.metrics import SLACK, Ratio, coefficient_metric

Array = npt.NDArray[np.float64]

_DB = 10 / np.log(10)
#: A linear program's answer is trusted to this, relatively.
_LP = 1e-6
#: Limits further from 0 dB than this do not scale the linear programs.
_MOST_DB = 200.0


@dataclass(frozen=True, eq=False)
class BandMetric:
    """Largest amount in dB by which |H| leaves its limits; 0 inside a mask.

    Parameters
    ----------
    target : SectionTarget
        Its coefficients say the signs, and the middle of the region for orders above two.
    frequencies : array
        In units of the target's w0, ascending, positive.
    lower, upper : array
        Limits of 20*log10|H| in dB; -inf and inf where there is none.
    absent : frozenset of int
        Powers of s that the circuit's N lacks for any values: they are known to be zero.
    trust : float
        For orders above two: coefficients within this of the target's, in the logarithm.
    """

    target: SectionTarget
    frequencies: Array
    lower: Array
    upper: Array
    absent: frozenset[int] = frozenset()
    trust: float = 0.05

    def __post_init__(self) -> None:
        w = self.frequencies
        if not len(w) or not (w > 0).all() or not np.isfinite(w).all():
            raise TargetError("the frequencies of a mask must be positive; give at least one")
        if not len(w) == len(self.lower) == len(self.upper):
            raise TargetError("a mask needs a lower and an upper limit at every frequency")
        if np.isnan(self.lower).any() or np.isnan(self.upper).any():
            raise TargetError("a limit of the mask is not a number; write inf where there is none")
        if (self.lower > self.upper).any():
            at = float(w[np.argmax(self.lower > self.upper)])
            raise TargetError(f"the lower limit is above the upper one at {at:g} times w0")

    @property
    def covers(self) -> str:
        """What the proof covers besides the series; empty for all circuits."""
        if self.target.order <= 2:
            return ""
        return (
            f"among circuits whose coefficients are within {100 * self.trust:g} % of the target's"
        )

    @cached_property
    def signs(self) -> Array:
        """Sign of each wanted coefficient, +1 for zero."""
        wanted = np.array((*self.target.numerator, *self.target.denominator))
        return np.where(wanted < 0, -1.0, 1.0)

    @cached_property
    def _powers(self) -> Array:
        """(frequencies, order + 1) powers of j*w."""
        return np.asarray((1j * self.frequencies[:, None]) ** np.arange(self.target.order + 1))

    def decibels(self, coefficients: Array) -> Array:
        """Return (batch, frequencies) of 20*log10|H|."""
        count = self.target.order + 1
        top = np.abs(coefficients[:, :count] @ self._powers.T)
        under = np.abs(coefficients[:, count:] @ self._powers.T)
        with np.errstate(divide="ignore"):
            return np.asarray(20 * np.log10(top / under))

    def errors(self, coefficients: Array) -> Array:
        """Return (batch,) errors in dB; inf where a coefficient of D is not positive."""
        count = self.target.order + 1
        found = self.decibels(coefficients)
        over = np.maximum(found - self.upper, self.lower - found).max(axis=1)
        out = np.maximum(over, 0.0)
        wanted = np.array((*self.target.numerator, *self.target.denominator)) != 0
        bad = ~(coefficients[:, count:] > 0).all(axis=1)
        bad |= ~(coefficients * self.signs > 0)[:, wanted].all(axis=1)
        out[bad] = np.inf
        return np.asarray(out)

    def ratios(self, error: float) -> tuple[Ratio, ...] | None:
        """Return the bounds on coefficients that an error at most `error` implies."""
        if self.target.order > 2:
            return coefficient_metric(self.target).ratios(self.trust)
        return _Programs(self, error).ratios()


def band_metric(
    target: SectionTarget,
    frequencies: Array,
    absent: frozenset[int] = frozenset(),
    trust: float = 0.05,
) -> BandMetric:
    """Return the largest deviation in dB from the target's magnitude at frequencies.

    Parameters
    ----------
    target : SectionTarget
    frequencies : array
        In units of the target's w0.
    absent : frozenset of int
    trust : float
        See `BandMetric`.

    Raises
    ------
    TargetError
        If the target is zero at one of the frequencies.
    """
    powers = (1j * np.asarray(frequencies)[:, None]) ** np.arange(target.order + 1)
    top = np.abs(powers @ np.array(target.numerator))
    under = np.abs(powers @ np.array(target.denominator))
    if not (top > 0).all():
        at = float(np.asarray(frequencies)[np.argmin(top)])
        raise TargetError(
            f"the target is zero at {at:g} times w0, where no error in dB exists; leave that "
            "frequency out"
        )
    level = 20 * np.log10(top / under)
    return BandMetric(target, np.asarray(frequencies, dtype=float), level, level, absent, trust)


class _Programs:
    """Linear programs over the coefficients of |N|^2 and |D|^2 in w^2.

    Frequencies are taken in units of their geometric mean, and |H| of its middle limit, so that
    the numbers are of one size.  The outer coefficient of D that counts there is 1: the constant
    one, or above the poles the leading one, which the low-pass mirrored in frequency has as its
    constant.
    """

    def __init__(self, metric: BandMetric, error: float) -> None:
        order = metric.target.order
        self.order = order
        self.metric = metric
        low, high = np.log(metric.frequencies[[0, -1]])
        self.unit = float(np.exp((low + high) / 2))
        ends = metric.target.denominator[0], metric.target.denominator[-1] * self.unit**order
        self.mirrored = bool(ends[1] > ends[0])
        limits = np.concatenate([metric.upper, metric.lower])
        limits = limits[np.isfinite(limits)]
        middle = float(np.median(limits)) if len(limits) else 0.0
        self.size = 10 ** (min(max(middle, -_MOST_DB), _MOST_DB) / 20)
        w = metric.frequencies / self.unit
        x = (1 / w if self.mirrored else w)[:, None] ** (2.0 * np.arange(order + 1))
        rows = [np.zeros((0, 2 * (order + 1)))]
        for limit, sign in ((metric.upper + error, 1.0), (metric.lower - error, -1.0)):
            real = np.isfinite(limit)
            level = 10 ** (limit[real] / 10)[:, None] / self.size**2
            block = sign * np.hstack([x[real], -level * x[real]])
            rows.append(block / np.abs(block).max(axis=1, keepdims=True))
        self.rows = np.vstack(rows)

    def _place(self, k: int) -> int:
        """Return where a coefficient of the mirrored programs is in the metric, or the reverse."""
        base, power = divmod(k, self.order + 1)
        return base * (self.order + 1) + (self.order - power if self.mirrored else power)

    def ratios(self) -> tuple[Ratio, ...] | None:
        """Bounds of every coefficient over the outer one of D that is 1."""
        count = self.order + 1
        squares = {}
        for k in range(2 * count):
            if k == count or k % count not in (0, self.order):
                continue
            ends = self._range({k: 1.0})
            if ends is None:
                return None
            squares[k] = (max(ends[0], 0.0), max(ends[1], 0.0))
        squares[count] = (1.0, 1.0)
        if self.order == 2:
            for base in (0, count):
                ends = self._middle(base, squares)
                if ends is None:
                    return None
                squares[base + 1] = ends
        found = []
        wanted = (*self.metric.target.numerator, *self.metric.target.denominator)
        under = self._place(count)
        for k, (low, high) in squares.items():
            if k == count or (low <= 0 and not high < np.inf):
                continue  # nothing is known of it
            at = self._place(k)
            # c_k*unit**k of N is in units of size; over that of D's outer coefficient
            scale = self.unit ** (under % count - at % count) * (self.size if k < count else 1.0)
            a, b = np.sqrt(low) * (1 - SLACK) * scale, np.sqrt(high) * (1 + SLACK) * scale
            found.append(Ratio(at, under, float(a if wanted[at] else -b), float(b)))
        return tuple(found)

    def _middle(
        self, base: int, squares: dict[int, tuple[float, float]]
    ) -> tuple[float, float] | None:
        """Square of the middle coefficient c1: that of w^2 is c1^2 - 2*c0*c2.

        c0*c2 is the root of the product of the outer squares, a concave function: it lies below
        its tangent planes, and above the smallest products of its ends.
        """
        (a_low, a_high), (b_low, b_high) = squares[base], squares[base + 2]
        product = 2.0 if self._same_sign(base) else -2.0
        if base == self.order + 1:  # c0 is 1: the chord of the root is a tight lower end
            a, b = _between(a_low, a_high), _between(b_low, b_high)
            tangent = {base: np.sqrt(b / a) / 2, base + 2: np.sqrt(a / b) / 2}
            s, t = np.sqrt(b_low), np.sqrt(b_high)
            slope = 1 / max(s + t, 1e-300)  # the root of x is at least s*t*slope + slope*x
            below = self._range({base + 1: 1.0, base + 2: product * slope})
            above = self._range(
                {
                    base + 1: 1.0,
                    base: product * tangent[base],
                    base + 2: product * tangent[base + 2],
                }
            )
            if below is None or above is None:
                return None
            low = below[0] + product * (s if t == np.inf else s * t * slope)
            return max(low, 0.0), max(above[1], 0.0)
        middle = self._range({base + 1: 1.0})
        if middle is None:
            return None
        small = np.sqrt(a_low * b_low)
        large = np.sqrt(a_high * b_high) if a_high > 0 and b_high > 0 else 0.0
        ends = (product * small, product * large)
        return max(middle[0] + min(ends), 0.0), max(middle[1] + max(ends), 0.0)

    def _same_sign(self, base: int) -> bool:
        """Whether the outer coefficients of N or D have one sign; the mirror swaps them only."""
        signs = self.metric.signs
        return bool(signs[base] == signs[base + 2])

    def _range(self, weights: dict[int, float]) -> tuple[float, float] | None:
        """Smallest and largest value of a linear function; None when the limits contradict."""
        from scipy.optimize import linprog

        count = self.order + 1
        cost = np.zeros(2 * count)
        for k, x in weights.items():
            cost[k] = x
        bounds: list[tuple[float | None, float | None]] = [
            (0, None) if k % count in (0, self.order) else (None, None) for k in range(2 * count)
        ]
        bounds[count] = (1.0, 1.0)
        for k in self.metric.absent:
            bounds[self._place(k)] = (0.0, 0.0)
        ends = []
        for sign in (1.0, -1.0):
            got = linprog(sign * cost, A_ub=self.rows, b_ub=np.zeros(len(self.rows)), bounds=bounds)
            if got.status == 2:
                return None
            if got.status != 0:
                ends.append(-sign * np.inf)
                continue
            slack = _LP * (float(np.abs(cost * got.x).sum()) + 1e-12)
            ends.append(sign * float(got.fun) - sign * slack)
        return ends[0], ends[1]


def _between(low: float, high: float) -> float:
    """Return a positive number inside a range whose ends may be zero or infinite."""
    low, high = max(low, 1e-12 * min(high, 1.0), 1e-24), max(high, 1e-24)
    return float(np.sqrt(low) * np.sqrt(min(high, 1e12 * low)))
