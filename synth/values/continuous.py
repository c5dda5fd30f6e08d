"""What a circuit could have if its parts could have any values: whether a target is in reach."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from synth.values.metrics import LogMetric
from synth.values.problem import Problem

Array = npt.NDArray[np.float64]

#: A deviation below this is no lack of the topology.
REACHED = 1e-6
_STARTS = 24
#: Size of the random moves of the starts, in the logarithm of the values.
_WIDTH = 1.0


@dataclass(frozen=True, eq=False)
class Reach:
    """The nearest response found with values of any size.

    Parameters
    ----------
    error : float
        By the metric.
    values : array (elements,)
        Ohm, farad or henry.
    worst : str
        The figure that is furthest off; empty when none is.
    deviation : float
        Of that figure, signed, as a logarithm.
    """

    error: float
    values: Array
    worst: str
    deviation: float


def reach(problem: Problem, metric: LogMetric, start: Array | None = None) -> Reach | None:
    """Return the nearest response by least squares from many starts; None when none converges.

    Parameters
    ----------
    problem : Problem
    metric : LogMetric
    start : array (elements,), optional
        Values to start from; by default resistors of 10 kohm and what fits them.

    Notes
    -----
    A local search: what it finds is reachable, what it does not find may still be.  It says
    beforehand what no enumeration could bring, and is no part of the proof.
    """
    from scipy.optimize import least_squares

    middle = np.log(_usual(problem) if start is None else start)
    generator = np.random.default_rng(0)

    def residual(logs: Array) -> Array:
        parts = metric.parts(problem.coefficients(np.exp(logs)[None, :]))[0]
        return np.where(np.isfinite(parts), np.clip(parts, -1e3, 1e3), 1e3)

    best: tuple[float, Array] | None = None
    for k in range(_STARTS):
        logs = middle + generator.normal(0.0, _WIDTH * min(1.0, k), size=len(middle))
        if (residual(logs) >= 1e3).all() or not len(logs):
            continue
        found = least_squares(residual, logs, xtol=1e-12, ftol=1e-12, gtol=1e-12, max_nfev=200)
        error = float(np.abs(found.fun).max(initial=0.0))
        if best is None or error < best[0]:
            best = (error, np.asarray(found.x))
        if error < REACHED:
            break
    if best is None or best[0] >= 1e3:
        return None
    parts = residual(best[1])
    at = int(np.argmax(np.abs(parts))) if len(parts) else 0
    names = [*metric.names, *("a coefficient of N that should vanish" for _ in metric.vanishing)]
    names += ["a coefficient of N at a notch" for _ in metric.notches]
    worst = names[at] if len(parts) and best[0] >= REACHED else ""
    return Reach(best[0], np.exp(best[1]), worst, float(parts[at]) if len(parts) else 0.0)


def _usual(problem: Problem) -> Array:
    level = {"R": 1e4, "C": 1 / (1e4 * problem.w0), "L": 1e4 / problem.w0}
    found = [
        float(np.clip(level.get(e.letter, 1.0), e.values[0], e.values[-1]))
        for e in problem.elements
    ]
    return np.array(found)
