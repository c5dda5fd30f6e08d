"""Worst case: the lowest and highest ``|H|`` at each frequency, over the box of part values.

N and D are multilinear in the admittances, so ``|H|`` at one frequency is a ratio of quadratics
in each part.  Where it is monotone in every part the extreme is at a vertex; elsewhere it is
enclosed (`synth.tolerances.boxes`) until enclosure and a value that is reached agree; where more
parts act together than vertices can be looked at, bounded (`synth.tolerances.affine`).  Factors
that share no part are enclosed apart and multiplied.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import reduce
from math import prod

import numpy as np

from synth.analysis.loop import Loop
from synth.analysis.ring import ONE, Poly, multiply
from synth.tolerances.affine import Monomials, affine_bound
from synth.tolerances.boxes import Maxima, maximise
from synth.tolerances.factored import without_common
from synth.tolerances.spread import Array, BoolArray, Ranges

#: Most parts of one group of factors; vertices number two to this power.
MOST_PARTS = 14
#: Most parts of a group that is bounded to second order, and most monomials.
MOST_BOUNDED, MOST_TERMS = 40, 20_000
_SWEEPS = 2
#: Vertices looked at for one group and one side.
BUDGET = 500_000


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
    """Return the worst case at each frequency, or None when a group is too large for any bound.

    Groups of up to `MOST_PARTS` parts are enclosed until bound and value agree; of larger ones
    there is a bound of second order (`synth.tolerances.affine`), exact where a corner reaches it.

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
    if any(_union(n + d).bit_count() > MOST_BOUNDED for n, d in groups):
        return None
    low, high = _admittance_box(loop, ranges)
    shape = len(frequencies)
    total_low, total_high = np.zeros(shape), np.zeros(shape)
    low_exact = np.full(shape, ranges.box_is_reached)
    high_exact = low_exact.copy()
    for n, d in groups:
        mask = _union(n + d)
        parts = [k for k in range(len(low)) if mask >> k & 1]
        if len(parts) > MOST_PARTS and _many(n, d):
            return None
        enclose = _enclosed if len(parts) <= MOST_PARTS else _bounded
        above, log_a = _monomials(loop, reduce(multiply, n, ONE), parts, frequencies)
        below, log_b = _monomials(loop, reduce(multiply, d, ONE), parts, frequencies)
        most = enclose(above, below, low[parts], high[parts], budget)
        least = enclose(below, above, low[parts], high[parts], budget)
        with np.errstate(divide="ignore"):
            total_high += np.log(most.bound) + log_a - log_b
            total_low -= np.log(least.bound) + log_b - log_a
        high_exact &= most.closed
        low_exact &= least.closed
    decibels = 20 / math.log(10)
    return WorstCase(
        frequencies, decibels * total_low, decibels * total_high, low_exact, high_exact
    )


def _many(top: Sequence[Poly], bottom: Sequence[Poly]) -> bool:
    """Whether multiplied out these are too many monomials."""
    return any(prod(len(p) for p in polys) > MOST_TERMS for polys in (top, bottom))


def _enclosed(a: Monomials, b: Monomials, low: Array, high: Array, budget: int) -> Maxima:
    places = [m.members.astype(np.int64) @ (1 << np.arange(len(low))) for m in (a, b)]
    tensors = []
    for m, place in zip((a, b), places, strict=True):
        found = np.zeros((m.sizes.shape[1], 1 << len(low)), dtype=complex)
        found[:, place] = m.sizes.T
        tensors.append(found)
    return maximise(tensors[0], tensors[1], low, high, budget)


def _bounded(a: Monomials, b: Monomials, low: Array, high: Array, budget: int) -> Maxima:
    """Return a bound, and what the better end of every part by itself reaches."""
    bound = affine_bound(a, b, low, high)
    ratio = np.ones((len(low), a.sizes.shape[1]))
    for _ in range(_SWEEPS):
        for k in range(len(low)):
            sizes = []
            for end in (low[k], high[k]):
                ratio[k] = end
                sizes.append(_size(a, ratio) / np.maximum(_size(b, ratio), 1e-300))
            ratio[k] = np.where(sizes[0] > sizes[1], low[k], high[k])
    reached = _size(a, ratio) / np.maximum(_size(b, ratio), 1e-300)
    return Maxima(np.maximum(bound, reached), reached)


def _size(m: Monomials, ratio: Array) -> Array:
    return np.asarray(np.abs((m.sizes * np.exp(m.members @ np.log(ratio))).sum(axis=0)))


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


def _monomials(
    loop: Loop, poly: Poly, parts: Sequence[int], frequencies: Array
) -> tuple[Monomials, Array]:
    """Return the monomials at each frequency over a scale, and the scale's logarithm."""
    branches = loop.network.branches
    logs = [math.log(b.value or 1.0) * (1 if b.power > 0 else -1) for b in branches]
    w = np.log(2 * np.pi * frequencies)
    members = np.array([[float(mask >> k & 1) for k in parts] for mask in poly])
    powers = members @ np.array([branches[k].power for k in parts], dtype=float)
    nominal = members @ np.array([logs[k] for k in parts])
    table = nominal[:, None] + powers[:, None] * w
    scale = table.max(axis=0)
    factors = np.array([float(c) for c in poly.values()]) * 1j**powers
    return Monomials(factors[:, None] * np.exp(table - scale), members), scale
