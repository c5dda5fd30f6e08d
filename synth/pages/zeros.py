"""Transmission zeros of a page: as given, and where bought values put them."""

from __future__ import annotations

from math import log10, pi

import numpy as np

from synth.analysis.loop import analyse
from synth.analysis.zeros import Zero, transmission_zeros
from synth.pages.record import ZeroLine
from synth.plots.scales import si_text
from synth.report.examined import Examined
from synth.report.text import zero_text

#: Zeros are looked for in circuits of up to so many capacitors and inductors, and preferred
#: values leave a balanced one within this share of the terms from its place.
MOST_STORAGE, _ROUNDED = 8, 0.02
#: A zero off the axis by more than this share of its size is said to be so.
_OFF = 1e-6
#: A zero that has moved by less than this share has not.
_SAME = 1e-6
#: Below this, in dB, nothing but rounding is left.
_NOTHING = -200.0


def zero_lines(found: Examined) -> tuple[ZeroLine, ...]:
    """Return the transmission zeros, each structural or balanced, and where bought values put it.

    Where values were chosen, the zeros are those of the values as given.
    """
    network, tolerance = found.design.network, found.facts.conditions.tolerance
    if sum(b.power != 0 for b in network.branches) > MOST_STORAGE:
        return ()
    chosen = found.preferred.choice is not None
    loop = analyse(network) if chosen else found.facts.loop
    rows = []
    for z in transmission_zeros(loop, tolerance, within=_ROUNDED):
        text = zero_text(z, tolerance)
        if chosen and z.depth_db is not None:
            text += f"; {moved(found, z)}"
        rows.append(ZeroLine(z.frequency_hz, z.count, z.kind, z.floor_db, z.depth_db, text))
    return tuple(rows)


def moved(found: Examined, zero: Zero) -> str:
    """Return where the bought values, without tolerance, put a zero on the axis.

    Levels are relative to the largest magnitude of the circuit as built.
    """
    wanted = 2j * pi * zero.frequency_hz
    near = min(
        (r for r in found.H.zeros if r.imag > 0), key=lambda r: abs(r - wanted), default=None
    )
    place = si_text(zero.frequency_hz, "Hz", 5)
    if near is None:
        return f"the bought values lose it: |H| at {place} is {_level(found, zero.frequency_hz)}"
    f0 = near.imag / (2 * pi)
    change = f0 / zero.frequency_hz - 1
    if abs(change) < _SAME:
        where = f"the bought values leave it at {place}"
    else:
        shift = f"{100 * change:+.2g} %".replace("-", "−")
        where = f"the bought values move it to {si_text(f0, 'Hz', 5)} ({shift})"
    off = near.real / abs(near)
    if abs(off) > _OFF:
        where += f", off the axis into the {'right' if off > 0 else 'left'} half-plane"
    return (
        f"{where}: |H| is then {_level(found, f0)} there and {_level(found, zero.frequency_hz)} "
        f"at {place}"
    )


def _level(found: Examined, frequency_hz: float) -> str:
    peak = float(np.max(np.abs(found.H.response(found.frequencies))))
    size = float(np.abs(found.H.response(np.array([frequency_hz])))[0])
    level = 20 * log10(size / peak) if size > 0 and peak > 0 else _NOTHING
    return f"{level:.0f} dB".replace("-", "−") if level > _NOTHING else "none"
