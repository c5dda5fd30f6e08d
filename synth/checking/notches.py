"""How deep notches are with real op amps, every part at its value."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from synth.analysis.real import RealSystem
from synth.analysis.roots import RootShift

#: Points over three half-widths of the real zero to either side, and its least half-width.
_POINTS, _NARROWEST = 121, 1e-9
_REACH = 3.0


@dataclass(frozen=True)
class Notch:
    """A zero that is on the axis with ideal op amps.

    Parameters
    ----------
    f0_hz : float
        With ideal op amps.
    at_hz : float
        Where the real response is lowest.
    depth_db : float
        How low, against the peak of the ideal response.
    """

    f0_hz: float
    at_hz: float
    depth_db: float


def notches(system: RealSystem, zeros: Iterable[RootShift], peak: float) -> tuple[Notch, ...]:
    """Return every notch.

    Parameters
    ----------
    system : RealSystem
    zeros : iterable of RootShift
        Those of the circuit, each followed from the ideal one.
    peak : float
        Largest ideal ``|H|``, V/V.
    """
    found = []
    for z in zeros:
        centre = abs(z.real.imag) / (2 * math.pi)
        if z.q is None or not math.isinf(z.q) or not centre or not peak:
            continue
        width = max(abs(z.real.real) / (2 * math.pi), _NARROWEST * centre)
        f = centre + width * np.linspace(-_REACH, _REACH, _POINTS)
        f = f[f > 0]
        size = np.abs(system.read(system.response(2j * np.pi * f)))
        k = int(np.argmin(size))
        depth = 20 * math.log10(max(float(size[k]) / peak, 1e-15))
        found.append(Notch(z.f0_hz, float(f[k]), depth))
    return tuple(found)
