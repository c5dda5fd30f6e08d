"""Entries of branches in the nodal equations ``(G + s*C) x = sources``."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Stamp:
    """What one branch has put into the equations, in proportion to its admittance.

    Parameters
    ----------
    reactive : bool
        Whether it stands in C, else in G.
    rows, columns, entries : array
        Of each place once.
    """

    reactive: bool
    rows: npt.NDArray[np.intp]
    columns: npt.NDArray[np.intp]
    entries: Array


def stamp_of(
    power: int, y: float, at: Sequence[int], signs: Sequence[float], held: set[int], place: int
) -> Stamp:
    """Return the entries that are in proportion to a branch's admittance coefficient."""
    if power in (0, 1):
        cells = [
            (row, column, sign * other * y)
            for row, sign in zip(at, signs, strict=True)
            if row not in held
            for column, other in zip(at, signs, strict=True)
        ]
    elif power == -1:  # the current i of an inductor: s*i = y*v
        cells = [(place, k, -sign * y) for k, sign in zip(at, signs, strict=True)]
    else:  # w = s*v of a frequency-dependent resistance: i = s*y*w
        cells = [(k, place, sign * y) for k, sign in zip(at, signs, strict=True) if k not in held]
    rows, columns, entries = zip(*cells, strict=True) if cells else ((), (), ())
    return Stamp(
        power > 0,
        np.array(rows, dtype=np.intp),
        np.array(columns, dtype=np.intp),
        np.array(entries, dtype=float),
    )


def put_extra(
    g: Array,
    c: Array,
    power: int,
    at: Sequence[int],
    signs: Sequence[float],
    held: set[int],
    place: int,
) -> None:
    """Put the entries of an inductor or a frequency-dependent resistance that have no value."""
    if power == -1:
        c[place, place] = 1.0
        for k, sign in zip(at, signs, strict=True):
            if k not in held:
                g[k, place] += sign
    else:
        g[place, place] = 1.0
        for k, sign in zip(at, signs, strict=True):
            c[place, k] -= sign
