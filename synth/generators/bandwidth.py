"""The gain-bandwidth that a circuit needs: down to where f0 is off, or it oscillates."""

from __future__ import annotations

from math import pi
from typing import NamedTuple

from synth.analysis.amplifier import Amplifier
from synth.analysis.loop import analyse
from synth.analysis.numbers import modes
from synth.analysis.roots import IdealRoots, real_roots
from synth.errors import SynthError
from synth.network.model import Network

#: Error of f0 that the gain-bandwidth is given for.
F0_ERROR = 0.05
#: What gives way below the gain-bandwidth: f0 is off by more than `F0_ERROR`, or a mode grows.
F0_OFF, OSCILLATION = "f0", "oscillation"
_FALL = 1.6  # the gain-bandwidth falls by this factor until something gives way


class Needed(NamedTuple):
    """A gain-bandwidth over f0, and what gives way below it: `F0_OFF` or `OSCILLATION`."""

    ratio: float
    limit: str


def gain_bandwidth(network: Network) -> Needed | None:
    """Return the gain-bandwidth, over f0, below which f0 is off by `F0_ERROR` or a mode grows.

    The smallest from which on, up to 10,000 times f0, every pole stays within the error and no
    mode grows; None without op amps, or poles with a frequency, or where that does not suffice.
    """
    ideal = [p for p in modes(analyse(network)) if p]
    if not network.op_amps or not ideal or any(p.real > 1e-9 * abs(p) for p in ideal):
        return None
    f0 = max(ideal, key=lambda p: (abs(p.imag) > 0, abs(p)))
    unit = abs(f0) / (2 * pi)

    roots = IdealRoots(tuple(ideal), ())

    def fault(ratio: float) -> str:
        """Return what is wrong with this gain-bandwidth; empty where nothing is."""
        try:
            found = real_roots(network, Amplifier(2 * pi * ratio * unit), ideal=roots)
        except SynthError:
            return F0_OFF  # so slow that no root can be followed
        if not found.stable:
            return OSCILLATION
        return F0_OFF if any(abs(p.f0_shift) > F0_ERROR for p in found.poles) else ""

    high = 1e4
    if fault(high):
        return None
    low = high / _FALL
    while not (limit := fault(low)):
        high, low = low, low / _FALL
        if low < 1e-2:
            return None
    for _ in range(10):
        middle = (low * high) ** 0.5
        if found := fault(middle):
            low, limit = middle, found
        else:
            high = middle
    return Needed(high, limit)
