"""Entries of branches in the nodal equations ``(G + s*C) x = sources``."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
#: A matrix while it is being written.
Rows = list[list[float]]


@dataclass(frozen=True)
class Stamp:
    """What one branch has put into the equations, in proportion to its admittance.

    Parameters
    ----------
    reactive : bool
        Whether it stands in C, else in G.
    cells : tuple of (int, int, float)
        Row, column and entry, of each place once.
    """

    reactive: bool
    cells: tuple[tuple[int, int, float], ...]

    @cached_property
    def places(self) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]:
        """The rows and the columns."""
        rows = np.array([row for row, _, _ in self.cells], dtype=np.intp)
        return rows, np.array([column for _, column, _ in self.cells], dtype=np.intp)

    @cached_property
    def entries(self) -> Array:
        """The entries."""
        return np.array([entry for _, _, entry in self.cells], dtype=float)


#: The unknowns at the ends of a branch, each with the sign of its voltage; ground has none.
Ends = Sequence[tuple[int, float]]


def stamp_of(power: int, y: float, ends: Ends, held: set[int], place: int) -> Stamp:
    """Return the entries that are in proportion to a branch's admittance coefficient."""
    if power in (0, 1):
        cells = [
            (row, column, sign * other * y)
            for row, sign in ends
            if row not in held
            for column, other in ends
        ]
    elif power == -1:  # the current i of an inductor: s*i = y*v
        cells = [(place, k, -sign * y) for k, sign in ends]
    else:  # w = s*v of a frequency-dependent resistance: i = s*y*w
        cells = [(k, place, sign * y) for k, sign in ends if k not in held]
    return Stamp(power > 0, tuple(cells))


def put_extra(g: Rows, c: Rows, power: int, ends: Ends, held: set[int], place: int) -> None:
    """Put the entries of an inductor or a frequency-dependent resistance that have no value."""
    if power == -1:
        c[place][place] = 1.0
        for k, sign in ends:
            if k not in held:
                g[k][place] += sign
    else:
        g[place][place] = 1.0
        for k, sign in ends:
            c[place][k] -= sign
