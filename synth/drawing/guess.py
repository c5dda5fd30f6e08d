"""The guessed price of a wire between two pins, nothing in the way: length, bends, detours."""

from __future__ import annotations

from functools import cache, lru_cache

import numpy as np
import numpy.typing as npt

#: Prices of a corner, of leaving a pin sideways, and of going around one's own symbol.
BEND, TURN, AROUND = 2.0, 0.7, 7.0
#: Farthest offset in the tables; beyond it each step costs one more.
REACH = 96
PinAt = tuple[int, int, int, int]  # x, y, and the direction away
Way = tuple[int, int]


def guess(p: PinAt, q: PinAt) -> float:
    """Return the guessed price of a wire between two pins."""
    return _one(q[0] - p[0], q[1] - p[1], p[2:], q[2:])


@lru_cache(maxsize=1 << 16)
def _one(dx: int, dy: int, away: Way, other: Way) -> float:
    return float(guesses(np.array([dx]), np.array([dy]), away, other)[0])


def guesses(
    dx: npt.NDArray[np.int64], dy: npt.NDArray[np.int64], away: Way, other: Way
) -> npt.NDArray[np.float64]:
    """Return the prices of wires over many offsets.

    Parameters
    ----------
    dx, dy : array of int, shape (n,)
        From the first pin to the second.
    away, other : tuple of two int
        The directions that lead away from the two pins.
    """
    x = np.minimum(np.maximum(dx, -REACH), REACH)
    y = np.minimum(np.maximum(dy, -REACH), REACH)
    beyond = np.abs(dx - x) + np.abs(dy - y)
    found: npt.NDArray[np.float64] = _table(away, other)[x + REACH, y + REACH] + beyond
    return found


@cache
def _table(away: Way, other: Way) -> npt.NDArray[np.float64]:
    side = np.arange(-REACH, REACH + 1)
    dx, dy = np.meshgrid(side, side, indexing="ij")
    sx, sy = np.sign(dx), np.sign(dy)

    def leaving(step: npt.NDArray[np.int64], own: int) -> npt.NDArray[np.float64]:
        if own == 0:
            return np.full(step.shape, TURN)
        return np.where(step == own, 0.0, AROUND)

    level = (leaving(sx, away[0]), leaving(-sx, other[0]))
    steep = (leaving(sy, away[1]), leaving(-sy, other[1]))
    bent = np.minimum.reduce(
        [
            level[0] + steep[1] + BEND,
            steep[0] + level[1] + BEND,
            level[0] + level[1] + 2 * BEND,
            steep[0] + steep[1] + 2 * BEND,
        ]
    )
    price = np.where(dy == 0, level[0] + level[1], np.where(dx == 0, steep[0] + steep[1], bent))
    total: npt.NDArray[np.float64] = np.abs(dx) + np.abs(dy) + price
    total[REACH, REACH] = 0.0
    return total
