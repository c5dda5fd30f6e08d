"""The band in which a signal matters: the one asked for, else where the response passes."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable

import numpy as np

from synth.analysis.grid import crossings, refine
from synth.analysis.real import Array, ComplexArray
from synth.analysis.sweep import Sweep

#: A band that nobody gives reaches this far beyond the slowest and the fastest natural mode.
REACH = 10.0
#: That of a circuit without natural modes, Hz.
PLAIN_BAND = (10.0, 1e5)
#: The signal passes down to 3 dB below the level of its pass band; in a band that was asked for,
#: everything counts that is not in a notch, 40 dB below the peak.
_PASSES, _SEEN = math.sqrt(0.5), 0.01
#: A peak below the flat part, of op amps that are too slow, counts all the same.
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
        return np.asarray(np.abs(system.response(2j * np.pi * frequencies)[:, system.output]))

    sizes = size(f)
    peak = float(sizes.max())
    least = _SEEN * peak
    if not asked:
        level = max(flat_ends(ideal, band_hz))
        least = min(_PASSES * (level if level > _STOPPED * peak else peak), _ALMOST * peak)
    edges = [
        refine(float(f[k]), float(f[k + 1]), lambda x: size(x) - least)
        for k in crossings(f, sizes - least)
    ]
    return np.unique(np.concatenate([f[sizes >= least], edges]))
