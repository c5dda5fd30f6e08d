"""Limits between the frequencies of a grid: each circuit's own modes and local extremes.

A circuit that keeps a limit at every frequency of a grid may break it between two of them, at a
peak or a dip.  What is looked at besides is each circuit's own natural frequencies, and a zoom
into the worst places of the whole: the local maxima of how near |H|**2 comes to the limit.
"""

from __future__ import annotations

import numpy as np

from synth.tolerances.factored import Factored
from synth.tolerances.limits import Bounds
from synth.tolerances.spread import Array

#: Local maxima looked into, points of a zoom, and zooms in a row.
_PLACES, _POINTS, _ROUNDS = 3, 9, 4


def keeps_between(model: Factored, prepared: Array, b: Bounds) -> Array:
    """Say which circuits keep one limit also between the frequencies of its grid, (circuits,).

    Parameters
    ----------
    model : Factored
    prepared : array (rows, circuits)
    b : Bounds
    """
    count = prepared.shape[1]
    grid = np.repeat(b.frequencies[:, None], count, axis=1)
    own = np.clip(model.mode_frequencies(prepared), b.frequencies[0], b.frequencies[-1])
    f = np.sort(np.vstack([grid, own]), axis=0)
    share = _share(model, prepared, b, f)
    keeps = share.max(axis=0) <= 1
    if len(f) < 3:
        return np.asarray(keeps)
    middle = share[1:-1]
    peak = np.where((middle >= share[:-2]) & (middle >= share[2:]), middle, -np.inf)
    places = np.argsort(-peak, axis=0)[:_PLACES]
    columns = np.arange(count)
    for place in places:
        low, high = f[place, columns], f[place + 2, columns]
        for _ in range(_ROUNDS):
            steps = np.linspace(0, 1, _POINTS)[:, None]
            fine = low * (high / low) ** steps
            near = _share(model, prepared, b, fine)
            keeps &= near.max(axis=0) <= 1
            at = np.clip(near.argmax(axis=0), 1, _POINTS - 2)
            low, high = fine[at - 1, columns], fine[at + 1, columns]
    return np.asarray(keeps)


def _nominal(model: Factored, frequencies: Array) -> Array:
    prepared = model.prepare(np.ones((1, len(model.names))))
    return model.squares_at(prepared, frequencies)


def _share(model: Factored, prepared: Array, b: Bounds, f: Array) -> Array:
    """How much of the limit |H|**2 uses, above 1 where it breaks it; (frequencies, circuits)."""
    squares = model.squares_at(prepared, f)
    least, most = b.at(lambda x: _nominal(model, x), f)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.fmax(squares / most, least / squares))
