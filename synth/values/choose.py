"""From exact values to preferred ones: capacitors first, then the resistors together.

For several exact solutions (other capacitors, other resistor levels) every resistor is tried at
the series values on both sides of its exact value, all combinations at once; the best are then
improved by moving resistors in pairs.  This is a local search: it is far better than rounding
each part, and it proves nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import numpy.typing as npt

from synth.values.series import Shelf

Array = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

#: Errors below this do not count: parts of 1 % make them meaningless.
FLOOR = 2e-3
#: The same for sections with finite zeros: a notch shows a shift of its zero long before.
ZERO_FLOOR = 2e-4
_MOST = 4096


@dataclass(frozen=True)
class Choice:
    """Preferred values for one section.

    Parameters
    ----------
    values : mapping
        Part -> value in ohm or farad.
    error : float
        Largest relative error of a coefficient.
    spread : float
        Largest over smallest resistor, times the same of the capacitors.
    """

    values: Mapping[str, float]
    error: float
    spread: float


def choose(
    names: Sequence[str],
    solutions: Array,
    shelves: Mapping[str, Shelf],
    error: Callable[[Array], Array],
    floor: float = FLOOR,
    *,
    keep: int = 1,
) -> tuple[Choice, ...]:
    """Choose series values near the exact solutions.

    Parameters
    ----------
    names : sequence of str
        Parts, in the order of the columns; the first letter tells resistors from the rest.
    solutions : array (batch, parts)
        Exact values in ohm and farad, most wanted first; capacitors already on their shelf.
    shelves : mapping
        Letter (R, C) -> its values.
    error : callable
        (batch, parts) values -> (batch,) largest relative error.
    floor : float
        Errors below it do not count against spread.
    keep : int
        How many choices to return, best first.
    """

    def score(rows: Array) -> Array:
        return _score(rows, names, error, floor)

    resistors = [k for k, n in enumerate(names) if n[0] == "R"]
    grid = shelves["R"].values
    rows = np.vstack([_around(x, resistors, grid) for x in solutions])
    best = rows[np.argsort(score(rows), kind="stable")[: max(4, keep)]]
    improved = np.vstack([_improve(x, resistors, grid, score) for x in best])
    final = np.unique(improved, axis=0)
    order = np.argsort(score(final), kind="stable")[:keep]
    sizes = error(final)
    return tuple(
        Choice(
            dict(zip(names, (float(v) for v in final[k]), strict=True)),
            float(sizes[k]),
            float(np.prod(_spreads(final[k : k + 1], names))),
        )
        for k in order
    )


def _around(x: Array, resistors: Sequence[int], grid: Array) -> Array:
    """All combinations of the series values beside each exact resistor."""
    rows = x[None, :]
    for k in resistors:
        at = int(np.searchsorted(grid, x[k]))
        options = grid[max(at - 1, 0) : at + 1]
        if len(rows) * len(options) > _MOST:
            options = options[[int(np.argmin(np.abs(np.log(options / x[k]))))]]
        rows = np.repeat(rows, len(options), axis=0)
        rows[:, k] = np.tile(options, len(rows) // len(options))
    return rows


def _improve(
    x: Array,
    resistors: Sequence[int],
    grid: Array,
    score_of: Callable[[Array], Array],
) -> Array:
    """Move resistors in pairs over near series values while the score falls."""
    if not resistors:
        return x
    steps = np.arange(-4, 5)
    pairs = list(combinations(resistors, 2)) or [(resistors[0], resistors[0])]
    best = float(score_of(x[None, :])[0])
    for _ in range(6):
        trials = []
        at = {k: int(np.argmin(np.abs(grid - x[k]))) for k in resistors}
        for i, j in pairs:
            a = grid[np.clip(at[i] + steps, 0, len(grid) - 1)]
            b = grid[np.clip(at[j] + steps, 0, len(grid) - 1)]
            block = np.repeat(x[None, :], len(steps) ** 2, axis=0)
            block[:, i] = np.repeat(a, len(steps))
            block[:, j] = np.tile(b, len(steps))
            trials.append(block)
        rows = np.vstack(trials)
        score = score_of(rows)
        k = int(np.argmin(score))
        if not score[k] < best - 1e-12:
            break
        best, x = float(score[k]), rows[k]
    return x


def _score(
    rows: Array, names: Sequence[str], error: Callable[[Array], Array], floor: float
) -> Array:
    """Error first; below the floor, spread decides."""
    spread_r, spread_c = _spreads(rows, names)
    size = np.maximum(error(rows), floor)
    return np.asarray(np.log(size) + 0.12 * np.log(spread_r) + 0.12 * np.log(spread_c))


def _spreads(rows: Array, names: Sequence[str]) -> tuple[Array, Array]:
    found = []
    for letter in "RC":
        columns = [k for k, n in enumerate(names) if n[0] == letter]
        part = rows[:, columns] if columns else np.ones((len(rows), 1))
        found.append(part.max(axis=1) / part.min(axis=1))
    return found[0], found[1]
