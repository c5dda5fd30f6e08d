"""How far coefficients are from a target, and what an error at most e says about their ratios.

A metric is a maximum over *figures*, each linear in the logarithms of the coefficients
(ln w0 = (ln D0 - ln D2)/2, ln Q = (ln D0 + ln D2)/2 - ln D1, ...), and over coefficients that are
wanted to be zero, measured against one that is not.  An error of at most e then bounds the ratio
of any two coefficients, and bounds on ratios are linear in every single part.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import combinations
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from synth.errors import TargetError
from synth.search.candidates import SectionTarget
from synth.values.problem import Problem

Array = npt.NDArray[np.float64]

#: Bounds are widened by this, relatively: more than rounding can move a coefficient.
SLACK = 2e-9
#: A zero counts as on the axis when its real part is within this share of its size.
_AXIS = 1e-6


class Ratio(NamedTuple):
    """``low <= P[top] / P[under] <= high``, for signed coefficients; ``P[under] > 0``."""

    top: int
    under: int
    low: float
    high: float


class Vanishing(NamedTuple):
    """A coefficient wanted to be zero: its error is ``|P[top]| / (size * P[under])``."""

    top: int
    under: int
    size: float


@dataclass(frozen=True, eq=False)
class LogMetric:
    """Largest deviation of figures from a target.

    Parameters
    ----------
    wanted : array (coefficients,)
        Of N and then D, ascending powers of s/w0.
    figures : array (figures, coefficients)
        Weights of the logarithms; each row sums to zero; the first ones are independent.
    names : tuple of str
        Of the figures.
    vanishing : tuple of Vanishing
    notches : tuple of float
        Zeros of N on the axis, in units of w0: |H| there, over the target's largest, counts too.
    """

    wanted: Array
    figures: Array
    names: tuple[str, ...]
    vanishing: tuple[Vanishing, ...]
    notches: tuple[float, ...] = ()

    @property
    def signs(self) -> Array:
        """Sign of each wanted coefficient, +1 for zero."""
        return np.where(self.wanted < 0, -1.0, 1.0)

    def parts(self, coefficients: Array) -> Array:
        """Return (batch, figures + vanishing + notches) deviations; inf where a sign is wrong.

        Parameters
        ----------
        coefficients : array (batch, coefficients)
        """
        signed = coefficients * self.signs
        used = np.flatnonzero(self.wanted)
        with np.errstate(divide="ignore", invalid="ignore"):
            logs = np.log(signed[:, used] / np.abs(self.wanted[used]))
            found = [logs @ self.figures[:, used].T]
            for z in self.vanishing:
                found.append((signed[:, z.top] / (z.size * signed[:, z.under]))[:, None])
            for w in self.notches:
                found.append((self._size(coefficients, w) / self._largest)[:, None])
        out = np.hstack(found)
        bad = ~(signed[:, used] > 0).all(axis=1) | ~np.isfinite(out).all(axis=1)
        out[bad] = np.inf
        return out

    def _size(self, coefficients: Array, w: float) -> Array:
        """|H| at one frequency."""
        count = len(self.wanted) // 2
        powers = (1j * w) ** np.arange(count)
        top, under = coefficients[:, :count] @ powers, coefficients[:, count:] @ powers
        return np.asarray(np.abs(top) / np.abs(under))

    @cached_property
    def _largest(self) -> float:
        w = np.geomspace(1e-3, 1e3, 601)
        return max(float(self._size(self.wanted[None, :], x)[0]) for x in w)

    def errors(self, coefficients: Array) -> Array:
        """Return (batch,) errors."""
        return np.asarray(np.abs(self.parts(coefficients)).max(axis=1, initial=0.0))

    @cached_property
    def _pairs(self) -> tuple[tuple[int, int, float], ...]:
        """Return (i, j, weight): ``|ln (c_i/c_j)|`` deviates by at most weight times the error.

        The difference of two logarithms is a combination of figures; the sum of the sizes of
        its weights is a bound.  Of two combinations (all figures, the first independent ones)
        the tighter is taken.
        """
        used = np.flatnonzero(self.wanted)
        a = self.figures[:, used]
        rank = int(np.linalg.matrix_rank(a)) if len(a) else 0
        inverses = [np.linalg.pinv(x) for x in (a, a[:rank])] if rank else []
        found = []
        for i, j in combinations(range(len(used)), 2):
            unit = np.zeros(len(used))
            unit[i], unit[j] = 1.0, -1.0
            weights = [
                float(np.abs(unit @ inverse).sum())
                for inverse, rows in zip(inverses, (a, a[:rank]), strict=True)
                if np.abs(unit @ inverse @ rows - unit).max() < 1e-9
            ]
            if weights:
                found.append((int(used[i]), int(used[j]), min(weights) * (1 + 1e-12)))
        return tuple(found)

    def ratios(self, error: float) -> tuple[Ratio, ...]:
        """Return the bounds on signed coefficients that an error at most `error` implies."""
        found = []
        for i, j, weight in self._pairs:
            middle = abs(self.wanted[i] / self.wanted[j])
            factor = np.exp(min(weight * error, 300.0))
            found.append(Ratio(i, j, middle / factor * (1 - SLACK), middle * factor * (1 + SLACK)))
        for z in self.vanishing:
            reach = z.size * (error * (1 + SLACK) + SLACK)
            found.append(Ratio(z.top, z.under, -reach, reach))
        return tuple(found)


def coefficient_metric(target: SectionTarget) -> LogMetric:
    """Return the metric ``max |ln c_k / target_k|`` over coefficients relative to D's leading one.

    With a free gain the coefficients of N are taken relative to the largest of them.  Of zeros on
    the axis, above order two, the depth of the notch counts too, as a fraction.

    Raises
    ------
    TargetError
        If the target's D has a zero coefficient, or its N is zero.
    """
    n, d, wanted, largest = _checked(target)
    order = target.order
    lead = 2 * order + 1
    base = largest if target.free_gain else lead
    rows, names = [], []
    for k in [*range(order + 1, lead), *range(order + 1)]:
        under = lead if k > order else base
        if wanted[k] and k != under:
            rows.append(_difference(len(wanted), k, under))
            names.append(f"coefficient of s^{k % (order + 1)} in {'D' if k > order else 'N'}")
    notches = axis_zeros(n) if order > 2 and not target.free_gain else ()
    vanishing = _vanishing(n, d, largest, target)
    return LogMetric(wanted, _stacked(rows, len(wanted)), tuple(names), vanishing, notches)


def section_metric(target: SectionTarget, sharpness: float = 1.0) -> LogMetric:
    """Return the default metric of a section.

    Parameters
    ----------
    target : SectionTarget
    sharpness : float
        How many times an error of w0 counts.

    Notes
    -----
    Order 1 and 2: the largest of |d ln w0|, |d ln Q|, |d ln gain| (where the target passes most,
    and of a shelf also its other gains), |d ln zero frequency|, |d ln zero Q|; for an all-pass
    also the mismatch of zeros and poles in both.  A zero of N by balance counts by its size
    against the pass-band: the depth of a notch at its centre, as a fraction.  Other orders:
    `coefficient_metric`.

    Raises
    ------
    TargetError
        If the target's D has a zero coefficient, or its N is zero.
    """
    if target.order not in (1, 2):
        return coefficient_metric(target)
    n, d, wanted, largest = _checked(target)
    order, count = target.order, len(wanted)
    rows: list[Array] = []
    names: list[str] = []

    def add(name: str, weights: dict[int, float]) -> None:
        row = np.zeros(count)
        for k, x in weights.items():
            row[k] += x
        rows.append(row)
        names.append(name)

    base = order + 1
    if order == 1:
        add("w0", {base: 1.0, base + 1: -1.0})
    else:
        add("w0", {base: 0.5 * sharpness, base + 2: -0.5 * sharpness})
        add("Q", {base: 0.5, base + 2: 0.5, base + 1: -1.0})
    if not target.free_gain:
        add("gain", {largest: 1.0, base + largest: -1.0})
    present = [k for k in range(order + 1) if n[k]]
    if len(present) > 1:
        low, high = present[0], present[-1]
        add("zero frequency", {low: 1 / (high - low), high: -1 / (high - low)})
    if len(present) == 3:
        add("zero Q", {0: 0.5, 2: 0.5, 1: -1.0})
    if len(present) == order + 1 and mirrored(n, d):
        add(
            "zero against pole frequency",
            _minus(rows[names.index("zero frequency")], rows[0] / sharpness),
        )
        if order == 2:
            add("zero against pole Q", _minus(rows[names.index("zero Q")], rows[1]))
    elif len(present) == order + 1 and not target.free_gain:
        for k in present:  # a shelf has a gain below its corner and another above
            if k != largest:
                add("gain", {k: 1.0, base + k: -1.0})
    return LogMetric(wanted, np.vstack(rows), tuple(names), _vanishing(n, d, largest, target))


def check_fit(problem: Problem, metric: LogMetric) -> None:
    """Check that a circuit can have the metric's coefficients at all.

    Raises
    ------
    TargetError
        If the orders differ, or a wanted coefficient is absent from the circuit.
    """
    if len(problem.rows) != len(metric.wanted):
        raise TargetError(
            f"the circuit is of order {problem.order} and the target of order "
            f"{len(metric.wanted) // 2 - 1}; give a target of the circuit's order"
        )
    for k, wanted in enumerate(metric.wanted):
        row = problem.rows[k] * metric.signs[k]
        if wanted and not (row > 0).any():
            where = "D" if k > problem.order else "N"
            power = k % (problem.order + 1)
            what = "of the other sign" if row.any() else "absent"
            raise TargetError(
                f"the target wants s^{power} in {where}, which is {what} in this circuit for any "
                "values; choose another circuit or another target"
            )


def _checked(target: SectionTarget) -> tuple[Array, Array, Array, int]:
    n, d = np.array(target.numerator, dtype=float), np.array(target.denominator, dtype=float)
    wanted = np.concatenate([n, d])
    if not np.isfinite(wanted).all() or not (d > 0).all():
        raise TargetError(
            f"the denominator {target.denominator} must have positive coefficients throughout for "
            "its values to be chosen; take a stable target"
        )
    if not n.any():
        raise TargetError("the numerator of the target is zero; a circuit must pass something")
    return n, d, wanted, int(np.argmax(np.abs(n / d)))


def _vanishing(n: Array, d: Array, largest: int, target: SectionTarget) -> tuple[Vanishing, ...]:
    """Coefficients of N that are wanted to be zero, against D or, with a free gain, against N."""
    found = []
    for k in range(len(n)):
        if n[k]:
            continue
        if target.free_gain:
            found.append(Vanishing(k, largest, float(d[k] / d[largest])))
        else:
            found.append(Vanishing(k, len(n) + k, float(abs(n[largest] / d[largest]))))
    return tuple(found)


def axis_zeros(n: Array) -> tuple[float, ...]:
    """Return the zeros of a numerator (ascending) on the positive imaginary axis, their size."""
    trimmed = np.trim_zeros(np.asarray(n, dtype=float), "b")
    roots = np.polynomial.polynomial.polyroots(trimmed) if len(trimmed) > 1 else np.zeros(0)
    on_axis = [r for r in roots if r.imag > 0 and abs(r.real) <= _AXIS * abs(r)]
    return tuple(sorted(float(abs(r)) for r in on_axis))


def mirrored(n: Array, d: Array) -> bool:
    """Return whether the zeros are the poles mirrored: an all-pass."""
    if not n.all():
        return False
    ratio = n / d
    alternating = ratio * (-1.0) ** np.arange(len(n))
    return bool(np.abs(alternating - alternating[0]).max() < 1e-6 * abs(alternating[0]))


def _difference(count: int, k: int, under: int) -> Array:
    row = np.zeros(count)
    row[k], row[under] = 1.0, -1.0
    return row


def _minus(a: Array, b: Array) -> dict[int, float]:
    return {int(k): float(x) for k, x in enumerate(a - b) if x}


def _stacked(rows: Sequence[Array], count: int) -> Array:
    return np.vstack(rows) if rows else np.zeros((0, count))
