"""Frequencies at which a circuit is looked at, and what limits mean there."""

from __future__ import annotations

import math

import numpy as np

from synth.analysis.loop import Loop
from synth.analysis.numbers import modes
from synth.errors import NumberError
from synth.masks.limits import Limit
from synth.network.model import Network
from synth.tolerances.limits import Bounds, bounds, limit_frequencies
from synth.tolerances.marks import with_marks
from synth.tolerances.model import Model, model_of
from synth.tolerances.spread import Array
from synth.transfer.transfer import Transfer

#: No circuit of resistors and capacitors is looked at outside these, in hertz.
LOWEST, HIGHEST = 1e-9, 1e15
#: Frequencies where nothing is said.
POINTS = 200
_REACH = 10.0


def default_frequencies(network: Network, loop: Loop | None, points: int = POINTS) -> Array:
    """Return frequencies in hertz, geometric, a decade beyond the natural modes on either side."""
    sizes = [abs(p) for p in modes(loop) if p] if loop is not None else _time_constants(network)
    if not sizes:
        sizes = [2e3 * math.pi]
    low, high = min(sizes) / (2 * math.pi * _REACH), max(sizes) * _REACH / (2 * math.pi)
    return np.geomspace(low, high, points)


def frequency_range(
    network: Network, start: float | None, stop: float | None, points: int = POINTS
) -> Array:
    """Return frequencies in hertz, geometric, with notches and peaks between them.

    An end that is not given is the default one.

    Raises
    ------
    NumberError
        If the range is empty or not positive.
    """
    model, loop = model_of(network)
    usual = default_frequencies(network, loop, 2)
    low = float(usual[0]) if start is None else start
    high = float(usual[-1]) if stop is None else stop
    if not LOWEST <= low < high <= HIGHEST:
        raise NumberError(
            f"the frequencies {low:g} Hz to {high:g} Hz are no range; the lower end must come "
            f"first, and both lie from {LOWEST:g} Hz to {HIGHEST:g} Hz"
        )
    return with_marks(model, np.geomspace(low, high, points))


def _time_constants(network: Network) -> list[float]:
    """Without a formula: corner frequencies of the typical resistor with each capacitor."""
    r = [b.value for b in network.branches if b.power == 0 and b.value]
    c = [b.value for b in network.branches if b.power == 1 and b.value]
    if not r or not c:
        return []
    typical = math.exp(sum(map(math.log, r)) / len(r))
    return [1 / (typical * x) for x in (min(c), max(c) * len(c))]


def bounds_of(
    model: Model, loop: Loop | None, limit: Limit, reference: Transfer | None = None
) -> Bounds:
    """Return the bounds that a limit sets, at frequencies that include the natural modes.

    Parameters
    ----------
    model : Model
    loop : Loop or None
        Where there is a formula.
    limit : Limit
    reference : Transfer, optional
        What ``within`` is about; by default the nominal response.
    """
    special = [abs(p) / (2 * math.pi) for p in modes(loop)] if loop else []
    grid = limit_frequencies(limit, special)
    if reference is None:
        wanted = model.squares(model.prepare(np.ones((1, len(model.names)))), grid)[:, 0]
    else:
        wanted = np.abs(reference(2j * np.pi * grid)) ** 2
    return bounds(limit, grid, wanted, reference)
