"""What real amplifiers leave of the complement: H + H' = 1 - T_hidden(s), numeric.

H + H' = 1 is exact when the op amps' inaccessible references do not matter.  With A(s) of one
pole they do, by T_hidden(s) (`synth.analysis.amplifier`).  For one amplifier with the output at
its own output, ``1 - T_hidden = T/(1 + T)``, T the loop gain (H. W. Bode, Network Analysis and
Feedback Amplifier Design, 1945, return difference; from memory).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from synth.analysis.amplifier import OnePole, finite_modes, pencil, system, terminal_responses
from synth.network.model import Network

Array = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]

#: 0.1 dB and 1 % of H + H'.
PART_OF_DECIBEL = 0.1
PER_CENT = 0.01
_POINTS_PER_DECADE = 200


@dataclass(frozen=True)
class Limits:
    """Frequencies in Hz up to which H + H' = 1 holds.

    Parameters
    ----------
    one_per_cent : float
        Up to where ``|H + H' - 1|`` stays below 1 %; infinite when it does everywhere, 0 when
        nowhere.
    tenth_db : float
        Up to where ``|H + H'|`` stays within 0.1 dB of 1.
    """

    one_per_cent: float
    tenth_db: float


def same_for_all(network: Network, model: OnePole) -> dict[str, OnePole]:
    """Return the model for every op amp of the network."""
    return {u.name: model for u in network.op_amps}


def hidden_curve(
    network: Network, amplifiers: Mapping[str, OnePole], frequencies_hz: Array
) -> ComplexArray:
    """Return T_hidden at frequencies in Hz."""
    s = 2j * np.pi * np.asarray(frequencies_hz, dtype=float)
    return terminal_responses(network, amplifiers, list(s))[1]


def limits(
    network: Network, amplifiers: Mapping[str, OnePole], landmarks_hz: tuple[float, ...]
) -> Limits:
    """Find where H + H' leaves 1: a fine grid for the first crossing, then bisection.

    Parameters
    ----------
    network : Network
        With values.
    amplifiers : mapping
        Op amp -> model.
    landmarks_hz : tuple of float
        Frequencies near which the curve may be sharp (the natural modes), in Hz.
    """
    if not network.op_amps:
        return Limits(math.inf, math.inf)
    top = max(a.gain_bandwidth for a in amplifiers.values()) / (2 * math.pi)
    marks = [f for f in landmarks_hz if f > 0] or [top / 1e3]
    low, high = min(min(marks) / 1e3, top / 1e7), max(*marks, top) * 1e3
    count = int(_POINTS_PER_DECADE * math.log10(high / low)) + 1
    near = np.concatenate([f * (1 + np.linspace(-0.05, 0.05, 101)) for f in marks])
    grid = np.unique(np.concatenate([np.geomspace(low, high, count), near]))
    curve = hidden_curve(network, amplifiers, grid)

    def first(excess: Callable[[ComplexArray], Array]) -> float:
        beyond = np.flatnonzero(excess(curve) > 0)
        if not len(beyond):
            return math.inf
        k = int(beyond[0])
        if k == 0:
            return 0.0
        inside, outside = float(grid[k - 1]), float(grid[k])
        for _ in range(60):
            middle = math.sqrt(inside * outside)
            value = hidden_curve(network, amplifiers, np.array([middle]))
            if excess(value)[0] > 0:
                outside = middle
            else:
                inside = middle
        return inside

    return Limits(first(_beyond_per_cent), first(_beyond_decibels))


def _beyond_per_cent(hidden: ComplexArray) -> Array:
    return np.asarray(np.abs(hidden) - PER_CENT)


def _beyond_decibels(hidden: ComplexArray) -> Array:
    size = np.maximum(np.abs(1 - hidden), 1e-300)
    return np.asarray(np.abs(20 * np.log10(size)) - PART_OF_DECIBEL)


def loop_gain(network: Network, model: OnePole, frequencies_hz: Array) -> ComplexArray:
    """Return the loop gain T of the only op amp, all terminals at zero.

    Its output is driven by 1 V in place of the amplifier; T is what comes back, with the sign of
    negative feedback.

    Parameters
    ----------
    network : Network
        With one op amp and values.
    model : OnePole
    frequencies_hz : array
    """
    (u,) = network.op_amps
    whole = system(network, {u.name: model})
    s = 2j * np.pi * np.asarray(frequencies_hz, dtype=float)
    matrix, _ = whole.at(s)
    out = whole.nodes.index(u.out)
    rest = [k for k in range(len(whole.nodes)) if k != out]
    inverse_gain = 1 / model.dc_gain + s / model.gain_bandwidth
    back = matrix[:, out, out] - inverse_gain
    if rest:
        passive = matrix[:, rest][:, :, rest]
        v = np.linalg.solve(passive, -matrix[:, rest, out][:, :, None])[:, :, 0]
        back = back + (matrix[:, out, rest] * v).sum(axis=1)
    return np.asarray(back / inverse_gain)


def amplifier_modes(
    network: Network, amplifiers: Mapping[str, OnePole], rate: float
) -> tuple[complex, ...]:
    """Return the natural modes with one-pole amplifiers in rad/s, smallest first.

    Parameters
    ----------
    network : Network
        Of resistors, capacitors and op amps, with values.
    amplifiers : mapping
    rate : float
        A typical rate of the network in rad/s, for scaling.
    """
    p = pencil(network, amplifiers)
    found = finite_modes(p.g, p.c * rate) * rate
    return tuple(sorted((complex(x) for x in found), key=abs))
