"""Worst case: the lowest and highest ``|H|`` at each frequency, over the box of part values.

N and D are multilinear in the admittances, so ``|H|`` at one frequency is a ratio of quadratics
in each part.  Where it is monotone in every part the extreme is at a vertex; elsewhere it is
enclosed (`synth.tolerances.boxes`) until enclosure and a value that is reached agree.  Factors
that share no part are enclosed apart and multiplied.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import reduce

import numpy as np

from synth.analysis.loop import Loop
from synth.analysis.ring import ONE, Poly, multiply
from synth.tolerances.boxes import maximise
from synth.tolerances.factored import ComplexArray, without_common
from synth.tolerances.spread import Array, BoolArray, Ranges

#: Most parts of one group of factors; vertices number two to this power.
MOST_PARTS = 14
#: Vertices looked at for one group and one side.
BUDGET = 300_000


@dataclass(frozen=True)
class WorstCase:
    """Bounds of |H| over all circuits within the tolerances.

    Parameters
    ----------
    frequencies : array
        In hertz.
    low_db, high_db : array
        No circuit is outside; minus infinity where |H| may vanish, infinity where it may grow
        without limit.
    low_exact, high_exact : array of bool
        Whether a circuit within the tolerances reaches the bound, to 0.005 dB ("exact"); if not
        it is "bounded".
    """

    frequencies: Array
    low_db: Array
    high_db: Array
    low_exact: BoolArray
    high_exact: BoolArray

    @property
    def exact(self) -> bool:
        """Whether every bound is reached."""
        return bool(self.low_exact.all() and self.high_exact.all())


def worst_case(
    loop: Loop, ranges: Ranges, frequencies: Array, budget: int = BUDGET
) -> WorstCase | None:
    """Return the worst case at each frequency, or None when a group has over `MOST_PARTS` parts.

    Parameters
    ----------
    loop : Loop
        Of a network with values whose H is not zero.
    ranges : Ranges
    frequencies : array
        In hertz, positive.
    budget : int
        Vertices that may be looked at for each group of factors and each side.
    """
    top, bottom = without_common(loop.transfer() or (), loop.denominators)
    groups = _groups(top, bottom)
    if any(_union(n + d).bit_count() > MOST_PARTS for n, d in groups):
        return None
    low, high = _admittance_box(loop, ranges)
    shape = len(frequencies)
    total_low, total_high = np.zeros(shape), np.zeros(shape)
    low_exact = np.full(shape, ranges.box_is_reached)
    high_exact = low_exact.copy()
    for n, d in groups:
        mask = _union(n + d)
        parts = [k for k in range(len(low)) if mask >> k & 1]
        a, log_a = _tensor(loop, reduce(multiply, n, ONE), parts, frequencies)
        b, log_b = _tensor(loop, reduce(multiply, d, ONE), parts, frequencies)
        most = maximise(a, b, low[parts], high[parts], budget)
        least = maximise(b, a, low[parts], high[parts], budget)
        with np.errstate(divide="ignore"):
            total_high += np.log(most.bound) + log_a - log_b
            total_low -= np.log(least.bound) + log_b - log_a
        high_exact &= most.closed
        low_exact &= least.closed
    decibels = 20 / math.log(10)
    return WorstCase(
        frequencies, decibels * total_low, decibels * total_high, low_exact, high_exact
    )


def _groups(top: Sequence[Poly], bottom: Sequence[Poly]) -> list[tuple[list[Poly], list[Poly]]]:
    """Put factors that share parts together."""
    groups: list[tuple[int, list[Poly], list[Poly]]] = []
    for place, polys in enumerate((top, bottom)):
        for p in polys:
            mask, members = _union([p]), ([p], []) if place == 0 else ([], [p])
            n, d = list(members[0]), list(members[1])
            apart = []
            for other, n2, d2 in groups:
                if other & mask:
                    mask, n, d = mask | other, n2 + n, d2 + d
                else:
                    apart.append((other, n2, d2))
            groups = [*apart, (mask, n, d)]
    return [(n, d) for _, n, d in groups]


def _union(polys: Sequence[Poly]) -> int:
    return reduce(lambda x, y: x | y, (mask for p in polys for mask in p), 0)


def _admittance_box(loop: Loop, ranges: Ranges) -> tuple[Array, Array]:
    """Ranges of the admittances over the nominal ones."""
    low, high = ranges.box
    up = np.array([b.power > 0 for b in loop.network.branches])
    return np.where(up, low, 1 / high), np.where(up, high, 1 / low)


def _tensor(
    loop: Loop, poly: Poly, parts: Sequence[int], frequencies: Array
) -> tuple[ComplexArray, Array]:
    """Coefficients of the monomials at each frequency over a scale, and the scale's logarithm."""
    branches = loop.network.branches
    logs = [math.log(b.value or 1.0) * (1 if b.power > 0 else -1) for b in branches]
    w = np.log(2 * np.pi * frequencies)
    places, sizes, factors = [], [], []
    for mask, c in poly.items():
        power = sum(branches[k].power for k in parts if mask >> k & 1)
        places.append(sum(1 << i for i, k in enumerate(parts) if mask >> k & 1))
        sizes.append(sum(logs[k] for k in parts if mask >> k & 1) + power * w)
        factors.append(float(c) * 1j**power)
    table = np.array(sizes)
    scale = table.max(axis=0)
    found = np.zeros((len(frequencies), 1 << len(parts)), dtype=complex)
    found[:, places] = (np.array(factors)[:, None] * np.exp(table - scale)).T
    return found, scale
