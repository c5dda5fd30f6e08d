"""What a loop can reach when a plan for the wanted numerator does not exist.

The numerators of the terminals span what any drive can give; their signs say which coefficients
can be had, and of which sign.  The nearest response with the poles locked is the drive with the
least largest deviation over frequency, a linear program (the circle of each deviation is
replaced by a polygon of 16 sides).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from synth.analysis.loop import Loop
from synth.network.model import Terminal
from synth.search.goal import Goal
from synth.search.lift import Lift, Numerators, numerators

Array = npt.NDArray[np.float64]

_SIDES = 16
_POINTS = 121
#: The nearest response gives up at most this much gain.
_LEAST_GAIN = 0.05


@dataclass(frozen=True)
class Reach:
    """The numerators at hand.

    Parameters
    ----------
    rows : tuple of (Terminal, tuple of float)
        Each free terminal with its numerator over D, descending powers of s (rad/s).
    rank : int
        Dimension of what they span; the order plus one is everything.
    signs : tuple of str
        For each power of s, descending: ``+``, ``-``, ``+-`` or ``0``, the signs at hand.
    """

    rows: tuple[tuple[Terminal, tuple[float, ...]], ...]
    rank: int
    signs: tuple[str, ...]


@dataclass(frozen=True)
class Nearest:
    """The response nearest to the goal.

    Parameters
    ----------
    lifts : tuple of Lift
        Every terminal with its fraction.
    deviation : float
        Largest deviation of the complex response over the goal's largest magnitude, both at the
        gain found.
    gain : float
        The goal's factor g that the response comes nearest to.
    """

    lifts: tuple[Lift, ...]
    deviation: float
    gain: float


def reach(loop: Loop, wanted: Goal) -> Reach:
    """Say what the free terminals of a loop with values span."""
    table = numerators(loop, wanted.w0)
    n = len(table.denominator) - 1
    free = ~table.held
    rows = table.rows[free]
    back = wanted.w0 ** (n - np.arange(n + 1.0))
    size = np.abs(table.denominator) + np.abs(table.rows).max(axis=0) + 1e-300
    signs = []
    for column in (rows / size).T[::-1]:
        plus, minus = bool((column > 1e-9).any()), bool((column < -1e-9).any())
        signs.append("+-" if plus and minus else "+" if plus else "-" if minus else "0")
    listed = tuple(
        (t, tuple(float(c) for c in (row * back)[::-1]))
        for t, row, ok in zip(table.terminals, table.rows, free, strict=True)
        if ok
    )
    rank = int(np.linalg.matrix_rank(rows / size, tol=1e-9)) if len(rows) else 0
    return Reach(listed, rank, tuple(signs))


def nearest(loop: Loop, wanted: Goal) -> Nearest | None:
    """Return the drive whose response comes nearest to the goal, its gain free.

    None when no terminal may move.
    """
    best: Nearest | None = None
    table = numerators(loop, wanted.w0)
    if table.held.all():
        return None
    for sign in (1.0, -1.0):
        found = _nearest(table, sign * np.array(wanted.numerator), sign)
        if found is not None and (best is None or found.deviation < best.deviation - 1e-12):
            best = found
    return best


def _nearest(table: Numerators, target: Array, sign: float) -> Nearest | None:
    from scipy.optimize import linprog

    s = 1j * np.geomspace(1e-2, 1e2, _POINTS)
    powers = s[:, None] ** np.arange(len(target))[None, :]
    d = powers @ table.denominator
    shape = (powers @ target) / d
    peak = float(np.abs(shape).max())
    responses = (powers @ table.rows.T) / d[:, None] / peak
    shape = shape / peak
    # b_k = a_k / g, least largest |sum b_k T_k - goal|; held terminals at the input stay out
    angles = np.exp(-2j * np.pi * np.arange(_SIDES) / _SIDES)
    rows = np.vstack([np.column_stack([(a * responses).real, -np.ones(len(s))]) for a in angles])
    limits = np.concatenate([(a * shape).real for a in angles])
    high = np.where(table.held, 0.0, 1 / _LEAST_GAIN)
    k = len(table.rows)
    result = linprog(
        np.append(np.zeros(k), 1.0),
        A_ub=rows,
        b_ub=limits,
        bounds=[(0.0, float(h)) for h in high] + [(0.0, None)],
    )
    if result.status != 0 or not result.x[:k].any():
        return None
    b = result.x[:k]
    gain = 1 / max(1.0, float(b.max()))
    fractions = np.clip(b * gain, 0.0, 1.0)
    deviation = float(np.abs(responses @ b - shape).max())
    lifts = tuple(Lift(t, float(a)) for t, a in zip(table.terminals, fractions, strict=True))
    return Nearest(lifts, deviation, sign * gain)
