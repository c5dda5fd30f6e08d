"""Yield: the share of circuits that keep all limits, with its confidence interval."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt
from statistics import NormalDist

import numpy as np

from synth.tolerances.draws import BLOCK
from synth.tolerances.factored import Factored
from synth.tolerances.limits import Bounds, DelayBounds
from synth.tolerances.model import Model
from synth.tolerances.peaks import keeps_between
from synth.tolerances.spread import Array, BoolArray

#: Confidence of the interval.
CONFIDENCE = 0.95


@dataclass(frozen=True)
class Yield:
    """A share of circuits.

    Parameters
    ----------
    value : float
        Circuits that pass over circuits drawn.
    low, high : float
        Wilson's score interval for the share among all circuits, at 95 %.
    passed, drawn : int
    """

    value: float
    low: float
    high: float
    passed: int
    drawn: int


def wilson(passed: int, drawn: int, confidence: float = CONFIDENCE) -> Yield:
    """Return the share with Wilson's score interval.

    Parameters
    ----------
    passed, drawn : int
        ``0 <= passed <= drawn``, `drawn` positive.
    confidence : float
        Between 0 and 1.

    Notes
    -----
    E. B. Wilson, J. Amer. Statist. Assoc. 22 (1927) 209-212; recommended by L. D. Brown,
    T. T. Cai, A. DasGupta, Interval estimation for a binomial proportion, Statist. Sci. 16 (2001)
    101-133 (both from memory).  Its ends are the p with ``|value - p| = z*sqrt(p*(1 - p)/n)``.
    """
    z = NormalDist().inv_cdf((1 + confidence) / 2)
    share = passed / drawn
    middle = (share + z * z / (2 * drawn)) / (1 + z * z / drawn)
    half = z / (1 + z * z / drawn) * sqrt(share * (1 - share) / drawn + (z / (2 * drawn)) ** 2)
    low = 0.0 if passed == 0 else middle - half
    high = 1.0 if passed == drawn else middle + half
    return Yield(share, low, high, passed, drawn)


def passes(model: Model, prepared: Array, limits: Sequence[Bounds | DelayBounds]) -> BoolArray:
    """Say which circuits keep which limit, (limits, circuits), also between its frequencies.

    With a formula, each circuit's own modes and extremes are looked at besides the grid.

    Parameters
    ----------
    model : Model
    prepared : array (rows, circuits)
        From ``model.prepare``.
    limits : sequence of Bounds or DelayBounds
    """
    found = np.empty((len(limits), prepared.shape[1]), dtype=bool)
    for start in range(0, prepared.shape[1], BLOCK):
        columns = slice(start, start + BLOCK)
        for k, b in enumerate(limits):
            if isinstance(b, DelayBounds):
                delays = model.delays(prepared[:, columns], b.frequencies)
                found[k, columns] = (b.uses(delays) <= 1).all(axis=0)
                continue
            squares = model.squares(prepared[:, columns], b.frequencies)
            inside = (squares >= b.least[:, None]) & (squares <= b.most[:, None])
            found[k, columns] = inside.all(axis=0)
            if isinstance(model, Factored):
                kept = start + np.flatnonzero(found[k, columns])
                found[k, kept] = keeps_between(model, prepared[:, kept], b)
    return found
