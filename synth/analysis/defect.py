"""What real amplifiers leave of the complement: H + H' = 1 - T_hidden(s), numeric.

H + H' = 1 is exact when the op amps' inaccessible references do not matter.  With A(s) of one
pole they do, by T_hidden(s) (`synth.analysis.real`).  For one amplifier with the output at its own
output, ``1 - T_hidden = T/(1 + T)``, T the loop gain (H. W. Bode, Network Analysis and Feedback
Amplifier Design, 1945, return difference; from memory).  For a differential output the 1 is
another number, `Network.complement_sum`.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from synth.analysis.grid import grid, refine
from synth.analysis.loop import Loop
from synth.analysis.numbers import modes
from synth.analysis.real import Array, ComplexArray, RealSystem
from synth.analysis.sweep import Sweep

#: 0.1 dB and 1 % of H + H'.
PART_OF_DECIBEL = 0.1
PER_CENT = 0.01
#: Decades that are looked at below and above everything that has a frequency.
_BELOW, _ABOVE = 1e-3, 1e3


@dataclass(frozen=True)
class Limits:
    """Frequencies in Hz up to which H + H' = 1 holds.

    Each is the upper end of the lowest range in which it does: a circuit with an integrator leaves
    1 at very low frequency too, where the op amp's DC gain ends.  Infinite where the range has no
    end, 0 where there is none.

    Parameters
    ----------
    one_per_cent : float
        Up to where ``|H + H' - 1|`` stays below 1 %.
    one_per_cent_from : float
        From where it does; 0 where the range reaches down to the lowest frequency looked at.
    tenth_db : float or None
        Up to where ``|H + H'|`` stays within 0.1 dB of 1; None where the sum is 0.
    """

    one_per_cent: float
    one_per_cent_from: float
    tenth_db: float | None


def limits(sweep: Sweep) -> Limits:
    """Find where H + H' leaves 1.

    Parameters
    ----------
    sweep : Sweep
        From far below the circuit's frequencies to far above the op amps' (`defect_frequencies`).
    """
    total = sweep.system.network.complement_sum
    if not sweep.system.network.op_amps:
        return Limits(math.inf, 0.0, math.inf if total else None)
    curve = sweep.hidden

    f = sweep.frequencies

    def ends(excess: Callable[[ComplexArray], Array]) -> tuple[float, float]:
        beyond = excess(curve) > 0
        if beyond.all():
            return 0.0, 0.0
        first = int(np.argmin(beyond))

        def crossing(k: int) -> float:
            return refine(
                float(f[k]),
                float(f[k + 1]),
                lambda x: excess(sweep.system.hidden(2j * np.pi * x)),
            )

        low = crossing(first - 1) if first else 0.0
        if not beyond[first:].any():
            return low, math.inf
        return low, crossing(first + int(np.argmax(beyond[first:])) - 1)

    low, high = ends(_beyond_per_cent)
    within = ends(lambda x: _beyond_decibels(total - x))[1] if total else None
    return Limits(high, low, within)


def defect_frequencies(system: RealSystem, loop: Loop) -> Array:
    """Return frequencies in Hz at which to look for `limits`, dense near the natural modes."""
    top = max((a.gain_bandwidth for a in system.amplifiers.values()), default=1.0) / (2 * math.pi)
    natural = modes(loop)
    marks = [abs(p) / (2 * math.pi) for p in natural if p] or [top / 1e3]
    low, high = min(_BELOW * min(marks), 1e-7 * top), _ABOVE * max(*marks, top)
    return grid(low, high, [p for p in natural if p.imag > 0])


def _beyond_per_cent(hidden: ComplexArray) -> Array:
    return np.asarray(np.abs(hidden) - PER_CENT)


def _beyond_decibels(both: ComplexArray) -> Array:
    size = np.maximum(np.abs(both), 1e-300)
    return np.asarray(np.abs(20 * np.log10(size)) - PART_OF_DECIBEL)
