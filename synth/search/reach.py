"""What a loop can reach when a plan for the wanted numerator does not exist.

The numerators of the terminals span what any drive can give; their signs say which coefficients
can be had, and of which sign.  The nearest response with the poles locked is that of the drive
with the least largest deviation over frequency.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from synth.analysis.loop import Loop
from synth.network.model import Terminal
from synth.search.goal import Goal
from synth.search.lift import Lift, Numerators, numerators
from synth.search.pattern import NOISE

Array = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complexfloating[Any, Any]]

#: The least deviation is found to this, over the wanted peak.
_GAP = 2e-4
_ROUNDS = 80
#: Tangents added a round.
_CUTS = 12
#: Largest 1/g: a response with less gain than this is no signal.
_LARGEST = 1e4
#: A terminal with less than this of the largest fraction has to show what it is good for.
_FEW = 1e-2


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

    None when no terminal may move, or none comes nearer than no signal by `_GAP` or more.

    Notes
    -----
    ``min over b of max over w of |sum b_k T_k - goal|`` with b_k = a_k/g is a convex program.  It
    is solved by cutting planes (J. E. Kelley, J. Soc. Indust. Appl. Math. 8 (1960) 703-712, from
    memory): a linear program over tangents of the deviation, to which the tangents at its largest
    maxima over frequency are added until it and the deviation itself agree within `_GAP`.
    """
    table = numerators(loop, wanted.w0)
    if table.held.all():
        return None
    best: Nearest | None = None
    for sign in (1.0, -1.0):
        found = _nearest(table, sign * np.array(wanted.numerator), sign)
        if found is not None and (best is None or found.deviation < best.deviation - 1e-12):
            best = found
    return best


@dataclass(frozen=True)
class _Problem:
    """Responses (frequencies, terminals) and the shape wanted, both over the wanted peak.

    Terminals that stay at the input and matter there are marked ``driven``.
    """

    responses: ComplexArray
    shape: ComplexArray
    free: npt.NDArray[np.bool_]
    driven: npt.NDArray[np.bool_]

    def deviation(self, b: Array) -> ComplexArray:
        return np.asarray(self.responses @ b - self.shape)


def _problem(table: Numerators, target: Array) -> _Problem:
    s = 1j * _frequencies(table)
    n = len(target) - 1
    # over s**n where |s| > 1, so that infinity is a place like any other
    flipped = np.abs(s) > 1
    powers = np.where(flipped, 1 / s, s)[:, None] ** np.arange(n + 1)[None, :]
    powers = np.where(flipped[:, None], powers[:, ::-1], powers)
    d = np.asarray(powers @ table.denominator, dtype=np.complex128)
    shape = np.asarray(powers @ target, dtype=np.complex128) / d
    peak = float(np.abs(shape).max())
    responses = np.asarray(powers @ table.rows.T, dtype=np.complex128) / d[:, None] / peak
    driven = table.held & (table.now > 0) & table.rows.any(axis=1)
    return _Problem(responses, shape / peak, ~table.still, driven)


def _frequencies(table: Numerators) -> Array:
    """Both ends, a broad grid, and a dense one around each mode; over w0."""
    grid = [np.array([1e-9, 1e9]), np.geomspace(1e-4, 1e4, 1601)]
    for z in np.roots(table.denominator[::-1]):
        width = max(abs(z.real), 1e-6 * abs(z))
        grid.append(abs(z.imag) + width * np.linspace(-8, 8, 321))
    every = np.unique(np.concatenate(grid))
    return np.asarray(every[every > 0])


def _nearest(table: Numerators, target: Array, sign: float) -> Nearest | None:
    problem = _problem(table, target)
    free = problem.free
    b, bound = _least(problem, free)
    if bound > 1 - _GAP:
        return None
    for k in np.flatnonzero((b > 0) & (b < _FEW * b.max())):  # is this one worth its part?
        without = free.copy()
        without[k] = False
        shorter, _ = _least(problem, without)
        worst = np.abs(problem.deviation(b)).max()
        if np.abs(problem.deviation(shorter)).max() <= worst + _GAP:
            free, b = without, shorter
    deviation = float(np.abs(problem.deviation(b)).max())
    if deviation > 1 - _GAP:
        return None
    whole = float(b[problem.driven].max() if problem.driven.any() else b.max())
    fractions = np.where(problem.free, np.clip(b / whole, 0.0, 1.0), table.now)
    fractions[fractions < NOISE] = 0.0
    lifts = tuple(Lift(t, float(a)) for t, a in zip(table.terminals, fractions, strict=True))
    return Nearest(lifts, deviation, sign / whole)


def _least(problem: _Problem, free: npt.NDArray[np.bool_]) -> tuple[Array, float]:
    """Return b of the least largest deviation, and a bound that no b goes below.

    Unknowns: b, 1/g and the deviation.  A terminal that stays at the input has b = 1/g, and no
    other has more.
    """
    from scipy.optimize import linprog

    k = problem.responses.shape[1]
    bounds = [(0.0, None if x else 0.0) for x in free | problem.driven]
    below = np.column_stack([np.eye(k), -np.ones(k), np.zeros(k)])  # b_k - 1/g
    limits, equal = below[free], below[problem.driven]
    cuts = [np.append(np.zeros(k + 1), -1.0)]
    rights = [0.0]
    best, least, bound = np.zeros(k), np.inf, 0.0
    _add_cuts(problem, np.zeros(k), 0.5, cuts, rights)
    for _ in range(_ROUNDS):
        result = linprog(
            np.append(np.zeros(k + 1), 1.0),
            A_ub=np.vstack([*limits, *cuts]),
            b_ub=np.concatenate([np.zeros(len(limits)), rights]),
            A_eq=equal,
            b_eq=np.zeros(len(equal)),
            bounds=[*bounds, (0.0, _LARGEST), (0.0, None)],
        )
        if result.status != 0:
            break
        bound = max(bound, float(result.x[-1]))
        b = result.x[:k]
        worst = float(np.abs(problem.deviation(b)).max())
        if worst < least:
            best, least = b, worst
        if least - bound < _GAP / 2:
            break
        _add_cuts(problem, b, bound, cuts, rights)
    return best, bound


def _add_cuts(
    problem: _Problem, b: Array, level: float, cuts: list[Array], rights: list[float]
) -> None:
    """Add the tangents of the deviation at its maxima over frequency above `level`."""
    e = problem.deviation(b)
    size = np.abs(e)
    inner = np.concatenate([[-np.inf], size, [-np.inf]])
    peaks = np.flatnonzero((size >= inner[:-2]) & (size >= inner[2:]) & (size > level))
    for i in peaks[np.argsort(-size[peaks])][:_CUTS]:
        turn = np.conj(e[i]) / size[i]
        cuts.append(np.append((turn * problem.responses[i]).real, [0.0, -1.0]))
        rights.append(float((turn * problem.shape[i]).real))
