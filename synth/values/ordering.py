"""In which order to fix the variables, and how many solutions to expect.

The work of an enumeration is the number of partial assignments it passes through, and that
number hardly depends on how a set of variables was reached, only on the set.  So the best order
is a shortest path through the subsets.  The share of partial assignments that survive a bound on
a ratio is taken as what the free variables can still move the ratio by, over what all can.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from synth.values.form import Form
from synth.values.metrics import Ratio

Array = npt.NDArray[np.float64]

_SAMPLES = 48
#: A factor between the cost of scanning a value and that of keeping a partial assignment.
_SCAN = 0.3
#: Values of the last but one variable that are left of a partial assignment, and the cost of that.
_CLOSED = 3.0


@dataclass(frozen=True)
class Influence:
    """How far each variable moves the logarithm of each ratio, on random assignments.

    Parameters
    ----------
    sweeps : array (ratios, variables)
    widths : array (ratios,)
        Of the bounds, in the logarithm.
    ends : tuple of (int, int)
        The coefficients of each ratio.
    sizes : array (variables,)
        Values each variable has to choose from.
    """

    sweeps: Array
    widths: Array
    ends: tuple[tuple[int, int], ...]
    sizes: Array


def influence(
    form: Form, rows: Array, ratios: Sequence[Ratio], spread: float = float("inf")
) -> Influence:
    """Measure `Influence` by sweeping each variable over its window at random places.

    Parameters
    ----------
    form : Form
    rows : array (polynomials, terms)
        Signed.
    ratios : sequence of Ratio
    spread : float
        Largest over smallest value of one kind, at most: variables then sweep less.
    """
    generator = np.random.default_rng(len(form.variables))
    logs = np.empty((_SAMPLES, len(form.variables)))
    for k, v in enumerate(form.variables):
        logs[:, k] = np.log(generator.choice(v.grid, _SAMPLES))
    tops, unders = [r.top for r in ratios], [r.under for r in ratios]
    sweeps = np.zeros((len(ratios), len(form.variables)))
    for k, v in enumerate(form.variables):
        if len(v.grid) < 2:
            continue
        ends = []
        for end in (v.grid[0], v.grid[-1]):
            moved = logs.copy()
            moved[:, k] = np.log(end)
            p = np.abs(np.exp(moved @ form.exponents.T) @ rows.T) + 1e-300
            ends.append(np.log(p[:, tops] / p[:, unders]))
        sweeps[:, k] = np.median(np.abs(ends[1] - ends[0]), axis=0)
    shares = np.ones(len(form.variables))
    seen: set[str] = set()
    for k, v in enumerate(form.variables):
        reach = np.log(v.grid[-1] / v.grid[0]) / v.power
        if v.letter in seen and reach > 0:  # the first of a kind is free, the others follow it
            shares[k] = min(1.0, 2 * np.log(spread) / reach) if np.isfinite(spread) else 1.0
        seen.add(v.letter)
        if v.divider and np.isfinite(spread):
            inside = (v.grid <= spread) & (v.grid >= 1 / spread)
            shares[k] = max(float(inside.mean()), 1 / len(v.grid))
    sizes = np.array(
        [max(1.0, len(v.grid) * s) for v, s in zip(form.variables, shares, strict=True)]
    )
    widths = np.array([_width(r) for r in ratios])
    return Influence(sweeps * shares, widths, tuple((r.top, r.under) for r in ratios), sizes)


def _width(r: Ratio) -> float:
    """Width of the bounds in the logarithm; around zero, what share of the reach they leave."""
    if r.low > 0:
        return float(np.log(r.high / r.low))
    return float(2 * r.high)


def expected(form: Form, found: Influence, growth: float = 1.0) -> float:
    """Return roughly how many assignments meet all bounds, their widths times `growth`."""
    free = np.zeros(len(form.variables), dtype=bool)
    return float(np.prod(found.sizes)) * _survival(found, free, growth)


def best_order(form: Form, found: Influence) -> tuple[int, ...]:
    """Return the variables in the order to fix them, those of `form.outer` first."""
    count = len(form.variables)
    everything = (1 << count) - 1
    outer = sum(1 << k for k in form.outer)
    frontier: dict[int, float] = {}

    def rows_at(fixed: int) -> float:
        if fixed not in frontier:
            free = np.array([not fixed >> k & 1 for k in range(count)])
            frontier[fixed] = float(np.prod(found.sizes[~free])) * _survival(found, free, 1.0)
        return frontier[fixed]

    best: dict[int, tuple[float, tuple[int, ...]]] = {outer: (0.0, tuple(sorted(form.outer)))}
    for fixed in sorted(range(everything + 1), key=lambda s: (s.bit_count(), s)):
        if fixed not in best:
            continue
        cost, order = best[fixed]
        for k in range(count):
            if fixed >> k & 1:
                continue
            nxt = fixed | 1 << k
            vertices = 2.0 ** min(3, count - len(order) - 1)
            total = cost + rows_at(fixed) * (1 + _SCAN * vertices)
            if len(order) == count - 2:  # the last two are solved together
                total += min(rows_at(nxt), _CLOSED * rows_at(fixed))
            elif nxt != everything:
                total += rows_at(nxt)
            if nxt not in best or total < best[nxt][0]:
                best[nxt] = (total, (*order, k))
    return best[everything][1]


def _survival(found: Influence, free: npt.NDArray[np.bool_], growth: float) -> float:
    """Share of assignments of the fixed variables that survive independent ratios.

    Ratios of coefficients depend on each other; a spanning forest of the most telling ones, each
    coefficient a node, is independent.
    """
    whole = found.sweeps.sum(axis=1)
    left = found.sweeps[:, free].sum(axis=1) + found.widths * growth
    share = np.where(whole > 1e-9, np.minimum(1.0, left / np.maximum(whole, 1e-9)), 1.0)
    group = {end: end for pair in found.ends for end in pair}

    def root(x: int) -> int:
        while group[x] != x:
            x = group[x]
        return x

    total = 1.0
    for k in np.argsort(share, kind="stable"):
        a, b = root(found.ends[k][0]), root(found.ends[k][1])
        if a != b:
            group[a] = b
            total *= float(share[k])
    return total
