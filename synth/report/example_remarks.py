"""What sets the modes and the gain of a stage that is not of second order, from its example."""

from __future__ import annotations

from collections.abc import Iterable
from math import pi

import numpy as np

from synth.analysis.loop import analyse
from synth.analysis.numbers import modes
from synth.analysis.sensitivity import mode_sensitivities, response_sensitivities
from synth.network.model import KINDS
from synth.stage_file import Stage
from synth.units import format_si

#: Sensitivities below this are not told.
_LEAST = 0.005
#: The gain is looked at here, in hertz, where no mode has a frequency.
_AT = 1e3


def example_remarks(stage: Stage) -> list[str]:
    """Return the spread of like parts and the sensitivities with the values of the example."""
    circuit = stage.circuit()
    loop = analyse(circuit)
    found = []
    for power, kind in KINDS.items():
        values = [float(b.value or 0) for b in circuit.branches if b.power == power]
        if len(values) > 1:
            found.append(f"spread of the {kind}s of the example: {max(values) / min(values):.3g}")
    poles = [p for p in modes(loop) if p]
    for s in mode_sensitivities(loop, poles) if poles else ():
        kind = "the pair" if s.root.imag else "the real mode"
        what = f"{kind} at {format_si(abs(s.root) / (2 * pi), 'Hz')}"
        found.append(f"sensitivities of {what}: {_listed(s.f0)}")
        if s.q:
            found.append(f"sensitivities of Q of {what}: {_listed(s.q)}")
    if not poles and circuit.branches:
        row = response_sensitivities(loop, np.array([_AT]))[0].real
        names = [b.name for b in circuit.branches]
        told = _listed(zip(names, map(float, row), strict=True))
        found.append(f"sensitivities of the gain{' at 1 kHz' if stage.order else ''}: {told}")
    return found


def _listed(rows: Iterable[tuple[str, float]]) -> str:
    told = [f"{n} {v:.2g}" for n, v in rows if abs(v) >= _LEAST]
    return ", ".join(told) or "none"
