"""Phase and gain margin of each op amp's own loop, every other loop closed."""

from __future__ import annotations

from dataclasses import dataclass
from math import inf

import numpy as np

from synth.analysis.grid import crossings, refine
from synth.analysis.real import Array, RealSystem
from synth.analysis.sweep import Sweep


@dataclass(frozen=True)
class Margin:
    """How far one op amp's return ratio T stays from -1.

    Parameters
    ----------
    op_amp : str
    phase_margin_deg : float
        Smallest distance of the phase of T from 180 degrees where ``|T|`` = 1; negative in a
        circuit with a mode that grows, where T passes on the wrong side; infinite where ``|T|``
        is never 1.
    crossover_hz : float or None
        Where that is.
    gain_margin_db : float
        By how many dB the op amp's gain could rise before T passes -1; infinite where no rise
        does that.
    gain_reduction_margin_db : float
        By how many dB it could fall; infinite where no fall does that.
    """

    op_amp: str
    phase_margin_deg: float
    crossover_hz: float | None
    gain_margin_db: float
    gain_reduction_margin_db: float


def margins(sweep: Sweep, stable: bool) -> tuple[Margin, ...]:
    """Return the margins of every op amp.

    Parameters
    ----------
    sweep : Sweep
        From far below the circuit's frequencies to far above the op amps' second pole.
    stable : bool
        Whether every natural mode decays.
    """
    return tuple(_margin(sweep, u.name, stable) for u in sweep.system.network.op_amps)


def _margin(sweep: Sweep, op_amp: str, stable: bool) -> Margin:
    system = sweep.system
    t = sweep.return_ratio(op_amp)
    f = sweep.frequencies

    def level(frequencies: Array) -> Array:
        return np.asarray(np.abs(Sweep(system, frequencies).return_ratio(op_amp)) - 1)

    def side(frequencies: Array) -> Array:
        return np.asarray(Sweep(system, frequencies).return_ratio(op_amp).imag)

    best, where = inf, None
    for k in crossings(f, np.abs(t) - 1):
        at = refine(float(f[k]), float(f[k + 1]), level)
        margin = _phase_margin(system, op_amp, at, bool(abs(t[k]) > 1), stable)
        if abs(margin) < abs(best):
            best, where = margin, at
    rise, fall = inf, inf
    for k in crossings(f, t.imag):
        if t[k].real > 0 and t[k + 1].real > 0:
            continue
        at = refine(float(f[k]), float(f[k + 1]), side)
        value = complex(Sweep(system, np.array([at])).return_ratio(op_amp)[0])
        if value.real >= 0 or abs(value.imag) > 1e-2 * abs(value):
            continue
        size = float(20 * np.log10(abs(value)))
        rise = min(rise, -size) if size <= 0 else rise
        fall = min(fall, size) if size > 0 else fall
    return Margin(op_amp, best, where, rise, fall)


def _phase_margin(
    system: RealSystem, op_amp: str, at_hz: float, falling: bool, stable: bool
) -> float:
    value = complex(Sweep(system, np.array([at_hz])).return_ratio(op_amp)[0])
    from_minus_one = float(np.degrees(np.angle(-value)))  # above 180: T lags by less
    signed = from_minus_one if falling else -from_minus_one
    return abs(signed) if stable else signed
