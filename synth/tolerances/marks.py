"""Frequencies that stand out in a nominal response: zeros on the axis, dips and peaks."""

from __future__ import annotations

import numpy as np

from synth.tolerances.factored import Factored
from synth.tolerances.model import Model
from synth.tolerances.sections import sections
from synth.tolerances.spread import Array, BoolArray

#: Decibels by which a peak or a dip stands out on both sides.
_STANDS_OUT = 0.05
_SAME = 1e-9
_POINTS = 21
_ROUNDS = 6


def axis_zeros(model: Model) -> tuple[float, ...]:
    """Return the frequencies in hertz of the nominal zeros on the imaginary axis, ascending."""
    if not isinstance(model, Factored):
        return ()
    nominal = model.prepare(np.ones((1, len(model.names))))
    found = sorted(
        x.f0_hz for x in sections(model) if x.what == "zero" and x.order == 2 and x.q is None
    )
    # a pair +-a on the real axis has no Q either, but H is not zero at a
    return tuple(
        f
        for f in found
        if _decibels(model, nominal, np.array([f]))[0]
        < _decibels(model, nominal, f * np.array([0.9, 1.1])).min() - 60
    )


def with_marks(model: Model, grid: Array) -> Array:
    """Return the grid with the nominal zeros on the axis, the dips and the peaks inside it.

    Parameters
    ----------
    model : Model
        Only with a formula is anything added.
    grid : array
        In hertz, ascending.
    """
    if not isinstance(model, Factored) or len(grid) < 2:
        return grid
    zeros = np.array(axis_zeros(model))
    nominal = model.prepare(np.ones((1, len(model.names))))
    seeds = np.concatenate([grid, [x.f0_hz for x in sections(model)], zeros])
    seeds = np.unique(seeds[(seeds >= grid[0]) & (seeds <= grid[-1])])
    marks = [f for f in zeros if grid[0] <= f <= grid[-1]]
    level = _decibels(model, nominal, seeds)
    for k in extrema(level):
        low, at, high = seeds[k - 1], seeds[k], seeds[k + 1]
        if any(low <= f <= high for f in zeros):
            continue
        sign = 1.0 if level[k] > level[k - 1] else -1.0
        for _ in range(_ROUNDS):
            fine = np.unique(np.append(np.geomspace(low, high, _POINTS), at))
            best = int(np.argmax(sign * _decibels(model, nominal, fine)))
            best = min(max(best, 1), len(fine) - 2)
            low, at, high = fine[best - 1], fine[best], fine[best + 1]
        marks.append(float(at))
    near = [bool(np.any(np.abs(grid / f - 1) < _SAME)) for f in marks]
    new = [f for f, there in zip(marks, near, strict=True) if not there]
    return np.unique(np.concatenate([grid, new])) if new else grid


def at_zeros(model: Model, grid: Array) -> BoolArray:
    """Say which frequencies are those of a nominal zero on the axis, to rounding."""
    found = np.zeros(len(grid), dtype=bool)
    for f in axis_zeros(model):
        found |= np.abs(grid / f - 1) < _SAME
    return found


def extrema(level: Array) -> list[int]:
    """Return the places of the peaks and dips inside a row that stand out from both sides.

    Parameters
    ----------
    level : array
        In dB; minus infinity is a dip.
    """
    turns = [0]
    for k in range(1, len(level) - 1):
        before, here, after = level[turns[-1]], level[k], level[k + 1]
        top = here > level[k - 1] and here >= after
        bottom = here < level[k - 1] and here <= after
        if (top or bottom) and _apart(here, before):
            turns.append(k)
    turns.append(len(level) - 1)
    return [
        k
        for before, k, after in zip(turns, turns[1:], turns[2:], strict=False)
        if _apart(level[k], level[before]) and _apart(level[k], level[after])
    ]


def _apart(a: float, b: float) -> bool:
    """Whether two levels differ by enough; both may be minus infinity."""
    return bool(a != b and abs(a - b) >= _STANDS_OUT)


def _decibels(model: Model, prepared: Array, frequencies: Array) -> Array:
    squares = model.squares(prepared, frequencies)[:, 0]
    return np.asarray(10 * np.log10(np.maximum(squares, 1e-40)))
