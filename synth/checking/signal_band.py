"""The band in which a signal matters: the one asked for, else where the response passes."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np

from synth.analysis.grid import crossings, refine
from synth.analysis.real import Array, ComplexArray
from synth.analysis.sweep import Sweep

#: A band that nobody gives reaches this far beyond the slowest and the fastest natural mode, and
#: beyond a pass band that the circuit's own parts end.
REACH = 10.0
#: From this part of its end on, a band that the op amps alone end may hold no signal.
_NEAR_END = 0.1
#: The op amps end a pass band that ideally goes on to this multiple of its end.
_GOES_ON = 3.0
#: A response that grows to this multiple of its pass band beyond it has no pass band (integrators).
_GROWS = 2.0
#: That of a circuit without natural modes, Hz.
PLAIN_BAND = (10.0, 1e5)
#: The signal passes down to 3 dB below the level of its pass band; in a band that was asked for,
#: everything counts that is not in a notch, 40 dB below the peak.
_PASSES, _SEEN = math.sqrt(0.5), 0.01
#: A peak that hardly reaches the passing part of the flat end, of op amps that are too slow,
#: counts in its place.
_ALMOST = 0.99
#: How far beyond the modes a response must be flat to have a pass band there, and how flat.
_FAR, _FLAT = 1e4, 0.01
#: A flat end this far below the peak is a stop band.
_STOPPED = 0.03
_PER_DECADE = 60

Response = Callable[[Array], ComplexArray]


def natural_band(modes: Iterable[complex]) -> tuple[float, float]:
    """Return a band for a circuit: a decade beyond its slowest and its fastest natural mode.

    Parameters
    ----------
    modes : iterable of complex
        rad/s; without one off the origin the band is 10 Hz to 100 kHz.
    """
    sizes = [abs(p) / (2 * math.pi) for p in modes if abs(p) > 0]
    return (min(sizes) / REACH, max(sizes) * REACH) if sizes else PLAIN_BAND


@dataclass(frozen=True)
class Band:
    """Where a circuit is judged.

    Parameters
    ----------
    signal_hz : tuple of two float
        For levels and errors.
    noise_hz : tuple of two float
        Over which noise is integrated.
    by_op_amps : bool
        Whether the op amps alone end it: nobody gave it, and ideally it would go on.
    """

    signal_hz: tuple[float, float]
    noise_hz: tuple[float, float]
    by_op_amps: bool = False

    def near_end(self, at_hz: float) -> bool:
        """Say whether a frequency is where the op amps end a band that nobody gave.

        Every op amp slews there, and none holds its output stiff; whether a signal is there, only
        the user knows.
        """
        return self.by_op_amps and at_hz > _NEAR_END * self.signal_hz[1]


def default_band(
    sweep: Sweep, ideal: Response, poles: Iterable[complex], shaping: Iterable[complex]
) -> Band:
    """Return the band of a circuit for which nobody gives one.

    It is the pass band of the real response: up to where the op amps end it, or a decade beyond
    the end that the circuit's own poles make; down to a decade below its lower end, or below the
    slowest pole where DC passes.  Noise is taken over a decade more, but not below the band of a
    circuit that stops DC, where only drift is left.

    Parameters
    ----------
    sweep : Sweep
        From far below to far above everything that shapes the response.
    ideal : callable
        Ideal H at frequencies in Hz.
    poles, shaping : iterable of complex
        All ideal natural modes, and those that shape the response (`synth.checking.shaping`),
        rad/s.
    """
    shaping = tuple(shaping)
    sizes = [abs(p) / (2 * math.pi) for p in shaping]
    natural = natural_band(shaping)
    f, real, wanted = sweep.frequencies, np.abs(sweep.transfer), np.abs(ideal(sweep.frequencies))
    near = (f >= natural[0]) & (f <= natural[1])
    least = _least_passing(real, max(flat_ends(ideal, natural_band(poles))))
    passing = np.flatnonzero(real >= least)
    first, last = int(passing[0]), int(passing[-1])
    own = max(float(wanted[near].max(initial=0.0)), *flat_ends(ideal, natural_band(poles)))
    if last == len(f) - 1 or (own and float(wanted.max()) > _GROWS * own):
        return Band(natural, (natural[0] / REACH, natural[1] * REACH))

    def excess(x: Array) -> Array:
        found = sweep.system.read(sweep.system.response(2j * np.pi * x))
        return np.asarray(np.abs(found) - least)

    end = refine(float(f[last]), float(f[last + 1]), excess)
    near_end = [p for p in sizes if end / REACH < p < end * REACH]
    goes_on = not near_end or bool(np.abs(ideal(np.array([_GOES_ON * end])))[0] >= least)
    high = end if goes_on else min(max(natural[1], end), REACH * end)
    low = min(natural[0], end / REACH)
    if first:
        start = refine(float(f[first - 1]), float(f[first]), excess)
        low = min(max(natural[0], start / REACH), start)
    return Band((low, high), (low if first else low / REACH, high * REACH), goes_on)


def _least_passing(real: Array, flat: float) -> float:
    """Return the magnitude down to which a response passes, ``flat`` being its ideal flat end."""
    peak = float(real.max())
    reached = _STOPPED * peak < flat and _PASSES * flat < _ALMOST * peak
    return _PASSES * (flat if reached else peak)


def flat_ends(ideal: Response, band_hz: tuple[float, float]) -> tuple[float, float]:
    """Return ``|H|`` of the ideal response far below and far above a band; 0 where it slopes."""
    low, high = band_hz
    ends = []
    for near, far in ((low / _FAR, low / _FAR / 10), (high * _FAR, high * _FAR * 10)):
        a, b = (float(abs(x)) for x in ideal(np.array([near, far])))
        ends.append(a if abs(a - b) <= _FLAT * max(a, b) else 0.0)
    return ends[0], ends[1]


def signal_frequencies(
    sweep: Sweep,
    ideal: Response,
    band_hz: tuple[float, float],
    asked: bool,
) -> Array:
    """Return the frequencies in Hz, ascending, at which the signal matters.

    They are those of the band in which the response is within 3 dB of the level of its pass band
    (the flat end of a low-pass or high-pass, else the peak), the edges included; in a band that
    was asked for, all but those in a notch.

    Parameters
    ----------
    sweep : Sweep
        Close enough to show every resonance.
    ideal : callable
        Ideal H at frequencies in Hz.
    band_hz : tuple of two float
        The band asked for, or one from the modes (`natural_band`).
    asked : bool
        Whether it was asked for.
    """
    low, high = band_hz
    count = max(2, math.ceil(_PER_DECADE * math.log10(high / low)) + 1)
    inside = sweep.frequencies[(sweep.frequencies > low) & (sweep.frequencies < high)]
    f = np.unique(np.concatenate([np.geomspace(low, high, count), inside]))
    f[0], f[-1] = low, high
    system = sweep.system

    def size(frequencies: Array) -> Array:
        return np.asarray(np.abs(system.read(system.response(2j * np.pi * frequencies))))

    sizes = size(f)
    peak = float(sizes.max())
    least = _SEEN * peak
    if not asked:
        least = _least_passing(sizes, max(flat_ends(ideal, band_hz)))
    edges = [
        refine(float(f[k]), float(f[k + 1]), lambda x: size(x) - least)
        for k in crossings(f, sizes - least)
    ]
    return np.unique(np.concatenate([f[sizes >= least], edges]))
