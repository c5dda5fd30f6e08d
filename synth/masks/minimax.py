"""The smallest largest value of several smooth functions, by successive linear programs.

The functions are linearised; a linear program minimises the largest of the linear ones within a
box around the point; the box grows where the linear ones foretold the fall, and shrinks where not.

References
----------
.. [1] K. Madsen, "An algorithm for minimax solution of overdetermined systems of non-linear
   equations", J. Inst. Maths Applics 16 (1975) 321-328.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
#: Values (m,) and slopes (m, n) of the functions at a point (n,).
Functions = Callable[[Floats], tuple[Floats, Floats]]

_SMALLEST_BOX = 1e-9


class Least(NamedTuple):
    """The point found and the largest value there."""

    point: Floats
    value: float


def minimax(
    functions: Functions,
    start: Floats,
    *,
    box: float = 0.3,
    steps: int = 60,
    enough: float = -np.inf,
    precision: float = 1e-7,
) -> Least:
    """Return a local minimum of the largest of some functions.

    Parameters
    ----------
    functions : callable
        Point -> values and slopes.
    start : (n,) array
        Variables should be of size one, as logarithms are.
    box : float
        Largest change of a variable in the first step.
    steps : int
        Linear programs at most.
    enough : float
        Stop once the largest value is no larger than this.
    precision : float
        Stop once a step promises less than this share of the value's size.
    """
    x = np.array(start, dtype=float)
    values, slopes = functions(x)
    worst = float(values.max())
    for _ in range(steps):
        if worst <= enough or box < _SMALLEST_BOX:
            break
        step, promised = _linear(values, slopes, box)
        if not worst - promised > precision * (abs(worst) + precision):
            break
        tried = x + step
        new_values, new_slopes = functions(tried)
        found = float(new_values.max())
        share = (worst - found) / (worst - promised) if np.isfinite(found) else -1.0
        if share > 0:
            x, values, slopes, worst = tried, new_values, new_slopes, found
        box = box * 2 if share > 0.75 else box / 3 if share < 0.25 else box
    return Least(x, worst)


class Solved(NamedTuple):
    """The answer of a linear program, and the multipliers of its rows, none negative."""

    x: Floats
    multipliers: Floats


def program(
    cost: Floats,
    rows: Floats,
    most: Floats,
    total: tuple[Floats, Floats] | None = None,
    box: float | None = None,
) -> Solved | None:
    """Solve a linear program; None where it has no answer.

    Parameters
    ----------
    cost : (n,) array
        The last variable is free.
    rows, most : (m, n) and (m,) arrays
        ``rows @ x <= most``.
    total : arrays (k, n) and (k,), optional
        ``total[0] @ x == total[1]``.
    box : float, optional
        Size of the variables but the last at most.
    """
    from scipy.optimize import linprog

    found = linprog(
        cost,
        A_ub=rows,
        b_ub=most,
        A_eq=None if total is None else total[0],
        b_eq=None if total is None else total[1],
        bounds=[*[(None if box is None else -box, box)] * (cost.size - 1), (None, None)],
        method="highs",
    )
    if found.x is None:
        return None
    return Solved(np.asarray(found.x, dtype=float), -np.asarray(found.ineqlin.marginals))


def _linear(values: Floats, slopes: Floats, box: float) -> tuple[Floats, float]:
    """Return the step within a box that minimises the largest linear function, and that."""
    near = _matter(values, slopes, box)
    rows, n = slopes[near], slopes.shape[1]
    cost = np.append(np.zeros(n), 1.0)
    found = program(cost, np.hstack([rows, -np.ones((len(rows), 1))]), -values[near], box=box)
    if found is None:
        return np.zeros(n), float(values.max())
    return found.x[:-1], float(found.x[-1])


def _matter(values: Floats, slopes: Floats, box: float) -> NDArray[np.bool_]:
    """Return which functions can be the largest somewhere in the box."""
    swing = box * np.abs(slopes).sum(axis=1)
    return np.asarray(values + swing >= np.max(values - swing), dtype=bool)
