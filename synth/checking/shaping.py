"""Which poles shape the response where the op amps still work.

A resistor that isolates a cable brings a real pole beyond the op amps' closed-loop bandwidth, or
one that does not reach the output at all.  It is no f0 of the circuit: the op amps end the
response before it does anything, and no speed of theirs needs to keep it in its place.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import inf

from synth.analysis.roots import RootShift
from synth.checking.margins import Margin

#: A natural mode nearer than this, relative, to a pole of H is that pole.
_SAME = 1e-6


@dataclass(frozen=True)
class Shaping:
    """The poles of a circuit by what they do.

    Parameters
    ----------
    poles : tuple of RootShift
        Those that shape the response.
    beyond : tuple of RootShift
        Real poles of H beyond the closed-loop bandwidth.
    bandwidth_hz : float
        The lowest frequency at which an op amp's loop crosses unity; infinite where none does.
    """

    poles: tuple[RootShift, ...]
    beyond: tuple[RootShift, ...]
    bandwidth_hz: float

    @property
    def fastest_hz(self) -> float:
        """Ideal f0 of the fastest pole that shapes the response; 0 without any."""
        return max((p.f0_hz for p in self.poles), default=0.0)


def shaping(
    poles: Sequence[RootShift], of_h: Iterable[complex], margins: Iterable[Margin]
) -> Shaping:
    """Tell the poles that shape the response from those that do not.

    Parameters
    ----------
    poles : sequence of RootShift
        Natural modes, each beside the ideal one.
    of_h : iterable of complex
        Poles of the ideal H, rad/s: modes that do not reach the output are none of them.
    margins : iterable of Margin
        Of every op amp's loop.
    """
    seen = tuple(of_h)
    crossings = [m.crossover_hz for m in margins if m.crossover_hz is not None]
    bandwidth = min(crossings, default=inf)
    reach = [p for p in poles if any(abs(p.ideal - x) <= _SAME * abs(x) for x in seen)]
    beyond = tuple(p for p in reach if p.q is None and p.f0_hz > bandwidth)
    return Shaping(tuple(p for p in reach if p not in beyond), beyond, bandwidth)
