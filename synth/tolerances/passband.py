"""The pass band: where |H| is within 3 dB of its largest, its edges found as roots.

Nothing here depends on the frequencies that are shown: the response is looked at from a decade
below the natural modes to a decade above them, at the modes and peaks besides.
"""

from __future__ import annotations

import numpy as np

from synth.analysis.loop import Loop
from synth.masks.limits import Limit
from synth.network.model import Network
from synth.tolerances.factored import Factored
from synth.tolerances.grids import default_frequencies
from synth.tolerances.marks import with_marks
from synth.tolerances.model import Model, model_of
from synth.tolerances.sections import sections
from synth.tolerances.spread import Array

#: Half the power of the largest |H|.
_HALF = 0.5
#: Frequencies of a pass band at which the variance is taken, and the width of the last bracket.
POINTS = 65
_BISECTIONS = 50


def pass_bands(
    network: Network, model: Model, loop: Loop | None
) -> tuple[tuple[float, float], ...]:
    """Return the pass bands in hertz, ascending: first and last frequency of each.

    Parameters
    ----------
    network : Network
        With values.
    model, loop
        Of it.

    Notes
    -----
    A band that has no edge within a decade of the natural modes ends there.
    """
    grid = with_marks(model, _seeds(network, model, loop))
    nominal = model.prepare(np.ones((1, len(model.names))))
    squares = model.squares(nominal, grid)[:, 0]
    level = _HALF * float(squares.max())
    inside = squares >= level
    found = []
    k = 0
    while k < len(grid):
        if not inside[k]:
            k += 1
            continue
        last = k
        while last + 1 < len(grid) and inside[last + 1]:
            last += 1
        low = _edge(model, nominal, level, grid[k], grid[k - 1]) if k else float(grid[0])
        high = float(grid[last])
        if last + 1 < len(grid):
            high = _edge(model, nominal, level, grid[last], grid[last + 1])
        found.append((low, high))
        k = last + 1
    return tuple(found)


def limit_within(
    network: Network, decibels: float, band: tuple[float, float] | None = None
) -> Limit:
    """Return the limit to stay within plus and minus `decibels` of the reference in the pass band.

    Parameters
    ----------
    network : Network
        With values.
    decibels : float
    band : tuple of two float, optional
        In hertz; by default where |H| is within 3 dB of its largest.
    """
    if band is None:
        bands = pass_bands(network, *model_of(network))
        band = (bands[0][0], bands[-1][1])
    return Limit(band[0], band[1], "within", decibels)


def band_points(
    bands: tuple[tuple[float, float], ...], model: Model, points: int = POINTS
) -> Array:
    """Return frequencies in hertz inside bands, ends and marks included, ascending."""
    rows = [
        with_marks(model, np.geomspace(low, high, points)) if low < high else np.array([low])
        for low, high in bands
    ]
    return np.unique(np.concatenate(rows))


def _seeds(network: Network, model: Model, loop: Loop | None) -> Array:
    """Return the default frequencies, and some about each mode that resolve its width."""
    grid = default_frequencies(network, loop)
    if not isinstance(model, Factored):
        return grid
    rows = [grid]
    for x in sections(model):
        width = 1 / max(1.0, 2 * x.q if x.q is not None and x.q > 0 else 1.0)
        steps = x.f0_hz * (1 + width * np.array([-0.9, -0.5, -0.2, 0.0, 0.2, 0.5, 0.9]))
        rows.append(steps)
    found = np.unique(np.concatenate(rows))
    return np.asarray(found[(found >= grid[0]) & (found <= grid[-1])])


def _edge(model: Model, nominal: Array, level: float, inside: float, outside: float) -> float:
    """Return where |H|**2 crosses a level between two frequencies, by bisection."""
    a, b = float(inside), float(outside)
    for _ in range(_BISECTIONS):
        middle = float(np.sqrt(a * b))
        if model.squares(nominal, np.array([middle]))[0, 0] >= level:
            a = middle
        else:
            b = middle
    return a
