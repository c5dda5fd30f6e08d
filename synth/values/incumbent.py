"""A good choice to begin with, by local search: what is worse need not be looked for."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import numpy.typing as npt

from synth.values.least import Metric
from synth.values.problem import Problem

Array = npt.NDArray[np.float64]

#: Steps to either side in two values at once.
_NEAR = 6
_ROUNDS = 12


def improved(problem: Problem, metric: Metric, start: Array) -> Array:
    """Return a choice (elements,) no worse than `start`, by changing one or two values at a time.

    Parameters
    ----------
    problem : Problem
    metric : Metric
    start : array (elements,)
        Taken to the nearest values of the grids.
    """
    grids = [e.values for e in problem.elements]
    place = np.array([np.argmin(np.abs(np.log(g / v))) for g, v in zip(grids, start, strict=True)])
    best = float("inf")
    steps = np.stack(np.meshgrid(*[np.arange(-_NEAR, _NEAR + 1)] * 2), axis=-1).reshape(-1, 2)
    for _ in range(_ROUNDS):
        before = best
        for k, g in enumerate(grids):
            rows = np.tile(place, (len(g), 1))
            rows[:, k] = np.arange(len(g))
            best, place = _better(problem, metric, rows, best, place)
        for pair in combinations(range(len(grids)), 2):
            rows = np.tile(place, (len(steps), 1))
            for column, k in enumerate(pair):
                rows[:, k] = np.clip(place[k] + steps[:, column], 0, len(grids[k]) - 1)
            best, place = _better(problem, metric, rows, best, place)
        if not best < before:
            break
    return np.array([g[i] for g, i in zip(grids, place, strict=True)])


def _better(
    problem: Problem, metric: Metric, rows: npt.NDArray[np.int64], best: float, place: Array
) -> tuple[float, Array]:
    values = np.column_stack([e.values[rows[:, k]] for k, e in enumerate(problem.elements)])
    errors = metric.errors(problem.coefficients(values))
    k = int(np.argmin(errors))
    return (float(errors[k]), rows[k]) if errors[k] < best else (best, place)
