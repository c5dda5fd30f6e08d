"""From exact values to preferred ones: capacitors first, then the resistors together.

For several exact solutions (other capacitors, other resistor levels) every resistor is tried at
the series values on both sides of its exact value, all combinations at once; the best are then
improved by moving resistors in pairs.  This is a local search: it is far better than rounding
each part, and it proves nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from itertools import combinations, product

import numpy as np
import numpy.typing as npt

from synth.values.series import Shelf

Array = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

#: Errors below this do not count: parts of 1 % make them meaningless.
FLOOR = 2e-3
#: The same for sections with finite zeros: a notch shows a shift of its zero long before.
ZERO_FLOOR = 2e-4
#: Level of resistors that set gains, and the middle of the range for the others (ohm): well
#: above what an op amp output drives with ease, well below bias-current trouble (common practice).
LEVEL = 1e4
_MOST = 4096
_RANDOM = 1024


@dataclass(frozen=True)
class Effort:
    """How long the local search goes on.

    Parameters
    ----------
    starts : int
        Rounded solutions that are improved, unless an error below the floor comes sooner.
    turns : int
        Improving moves of each at most.
    exact : int
        Starts from which exact values are sought at most.
    """

    starts: int
    turns: int
    exact: int


#: To compare many candidates.
QUICK = Effort(2, 3, 256)
#: For the few that are offered.
DEEP = Effort(16, 14, 4096)


@dataclass(frozen=True)
class Choice:
    """Preferred values for one section.

    Parameters
    ----------
    values : mapping
        Part -> value in ohm or farad.
    error : float
        Largest relative error of a coefficient, as the caller weighs them.
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
    effort: Effort = DEEP,
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
    effort : Effort
        How long to search.
    keep : int
        How many choices to return, best first.
    """

    def score(rows: Array) -> Array:
        return _score(rows, names, error, floor)

    resistors = [k for k, n in enumerate(names) if n[0] == "R"]
    grid = shelves["R"].values
    rows = np.vstack([_around(x, resistors, grid) for x in solutions])
    starts = rows[np.argsort(score(rows), kind="stable")[: max(effort.starts, keep)]]
    improved: list[Array] = []
    for x in starts:
        improved.append(_improve(x, resistors, grid, score, effort.turns))
        done = len(improved) >= max(min(4, effort.starts), keep)
        if done and float(error(np.array(improved)).min()) <= floor:
            break
    final = np.unique(np.array(improved), axis=0)
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
    turns: int,
) -> Array:
    """Move resistors over near series values, in pairs and a few at random, while it helps."""
    if not resistors:
        return x
    generator = np.random.default_rng(len(resistors))
    columns = list(resistors)
    at = np.searchsorted(grid, x[columns])
    best = float(score_of(x[None, :])[0])
    for _ in range(turns):
        moves = np.vstack([pair_moves(len(columns)), random_moves(len(columns), generator)])
        trials = np.clip(at + moves, 0, len(grid) - 1)
        rows = np.repeat(x[None, :], len(trials), axis=0)
        rows[:, columns] = grid[trials]
        score = score_of(rows)
        k = int(np.argmin(score))
        if not score[k] < best - 1e-12:
            break
        best, x, at = float(score[k]), rows[k], trials[k]
    return x


@cache
def pair_moves(count: int) -> IntArray:
    """Return all moves of two of `count` parts (or of the only one) by up to four places each."""
    pairs = list(combinations(range(count), 2)) or [(0, 0)]
    steps = np.arange(-4, 5)
    moves = np.zeros((len(pairs), len(steps) ** 2, count), dtype=np.int64)
    for k, (i, j) in enumerate(pairs):
        moves[k, :, i] = np.repeat(steps, len(steps))
        moves[k, :, j] = np.tile(steps, len(steps)) if i != j else moves[k, :, i]
    made = moves.reshape(-1, count)
    made.setflags(write=False)  # it is kept
    return made


def triple_moves(count: int) -> IntArray:
    """Return all moves of three of `count` parts (or of all, if fewer) by up to four places."""
    size = min(3, count)
    steps = np.array(list(product(range(-4, 5), repeat=size)), dtype=np.int64)
    moves = []
    for chosen in combinations(range(count), size):
        rows = np.zeros((len(steps), count), dtype=np.int64)
        rows[:, chosen] = steps
        moves.append(rows)
    return np.vstack(moves)


def random_moves(count: int, generator: np.random.Generator) -> IntArray:
    """Return moves of all resistors at once by up to two places, most of them unmoved."""
    steps = generator.integers(-2, 3, size=(_RANDOM, count))
    steps[generator.random(size=steps.shape) < 0.4] = 0
    return np.asarray(steps, dtype=np.int64)


def _score(
    rows: Array, names: Sequence[str], error: Callable[[Array], Array], floor: float
) -> Array:
    """Error first; below the floor, spread and nearness to the usual level decide."""
    spread_r, spread_c = _spreads(rows, names)
    size = np.maximum(error(rows), floor)
    resistors = [k for k, n in enumerate(names) if n[0] == "R"]
    level = np.log(rows[:, resistors] / LEVEL).mean(axis=1) if resistors else np.zeros(len(rows))
    return np.asarray(
        np.log(size) + 0.12 * np.log(spread_r) + 0.12 * np.log(spread_c) + 0.25 * np.abs(level)
    )


def _spreads(rows: Array, names: Sequence[str]) -> tuple[Array, Array]:
    found = []
    for letter in "RC":
        columns = [k for k, n in enumerate(names) if n[0] == letter]
        part = rows[:, columns] if columns else np.ones((len(rows), 1))
        found.append(part.max(axis=1) / part.min(axis=1))
    return found[0], found[1]
