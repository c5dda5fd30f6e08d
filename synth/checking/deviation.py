"""Where the real response leaves the ideal one: roll-off, stop-band floor."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import inf

import numpy as np

from synth.analysis.grid import crossings, refine, summit
from synth.analysis.real import Array, ComplexArray, RealSystem
from synth.analysis.sweep import Sweep

_FLAT = 1e-12
#: A top is flat where more than so many grid points are this near to it.
_FLAT_TOP, _FEW = 0.9999, 8
#: 20 dB below the peak.
_PASSES = 0.1
#: 30 dB below the peak.
_OUT_OF_NOTCH = 10**-1.5


@dataclass(frozen=True)
class Within:
    """The lowest range of frequency in which something holds.

    Parameters
    ----------
    from_hz : float
        0 where it holds down to the lowest frequency looked at.
    to_hz : float
        Infinite where it holds as far as was looked; 0 where it holds nowhere.
    """

    from_hz: float
    to_hz: float


@dataclass(frozen=True)
class Deviation:
    """The real response beside the ideal one; magnitudes in dB.

    Parameters
    ----------
    peak_hz, peak : float
        Where the ideal ``|H|`` is largest, and how large (V/V).
    gain_error : float
        Relative error of the largest ``|H|``: of a peak, the real one (within an octave) over the
        ideal one, wherever either sits; of a flat top, at `peak_hz`.
    within_1db, within_3db : Within
        Where the real response stays within 1 and 3 dB of the ideal one.  Notches are left out:
        up to twice the fastest ideal root only frequencies within 30 dB of the peak count.
    band_error_db, band_error_hz : float
        Largest magnitude of real over ideal response where the signal matters
        (`synth.checking.signal_band`) and the ideal response is within 20 dB of its peak there,
        with its sign, and where.
    rolloff_db_10f0 : float or None
        Real over ideal response at ten times the fastest ideal root: negative is extra roll-off,
        positive a stop band that comes up.
    floor_db : float or None
        Lowest the real response gets above its peak before it rises again, against the peak; of
        a response that ideally falls all the way.
    floor_hz : float or None
        Where.
    rise_db : float or None
        How high it comes again above that, against the peak: the signal goes round the op amp,
        whose output resistance is all that is left of it.
    rise_hz : float or None
        Where.
    """

    peak_hz: float
    peak: float
    gain_error: float
    within_1db: Within
    within_3db: Within
    band_error_db: float
    band_error_hz: float
    rolloff_db_10f0: float | None
    floor_db: float | None
    floor_hz: float | None
    rise_db: float | None
    rise_hz: float | None


def deviation(
    sweep: Sweep, ideal: Callable[[Array], ComplexArray], fastest_hz: float, signal_hz: Array
) -> Deviation:
    """Compare a sweep with the ideal response.

    Parameters
    ----------
    sweep : Sweep
    ideal : callable
        Ideal H at frequencies in Hz.
    fastest_hz : float
        Frequency of the fastest ideal pole or zero; 0 where there is none.
    signal_hz : array
        Where the signal matters.
    """
    f = sweep.frequencies
    wanted = np.abs(ideal(f))
    real = np.abs(sweep.transfer)
    system = sweep.system
    peak_hz, peak, reached = _peaks(sweep, wanted, ideal)

    def error_db(frequencies: Array) -> Array:
        return response_error_db(system, ideal, frequencies)

    counts = (f > 2 * fastest_hz) | (wanted > _OUT_OF_NOTCH * peak)
    here = np.where(counts, _decibels(real, wanted), 0.0)
    rolloff = None
    if fastest_hz and f[0] < 10 * fastest_hz < f[-1]:
        rolloff = float(error_db(np.array([10 * fastest_hz]))[0])
    signal_hz = _passing(signal_hz, ideal)
    in_band = error_db(signal_hz)
    worst = int(np.argmax(np.abs(in_band)))
    floor = _floor(f, real, wanted, int(np.argmax(real)))
    return Deviation(
        peak_hz=peak_hz,
        peak=peak,
        gain_error=reached / peak - 1 if peak else 0.0,
        within_1db=_within(f, here, error_db, 1.0),
        within_3db=_within(f, here, error_db, 3.0),
        band_error_db=float(in_band[worst]),
        band_error_hz=float(signal_hz[worst]),
        rolloff_db_10f0=rolloff,
        floor_db=floor and floor[1],
        floor_hz=floor and floor[0],
        rise_db=floor and floor[3],
        rise_hz=floor and floor[2],
    )


def response_error_db(
    system: RealSystem, ideal: Callable[[Array], ComplexArray], frequencies_hz: Array
) -> Array:
    """Return the real response over the ideal one in dB."""
    found = np.abs(system.read(system.response(2j * np.pi * frequencies_hz)))
    return _decibels(found, np.abs(ideal(frequencies_hz)))


def _passing(f: Array, ideal: Callable[[Array], ComplexArray]) -> Array:
    """Return those frequencies at which the ideal response passes, and the edges between."""
    size = np.abs(ideal(f))
    least = _PASSES * float(size.max())
    edges = [
        refine(float(f[k]), float(f[k + 1]), lambda x: np.abs(ideal(x)) - least)
        for k in crossings(f, size - least)
    ]
    return np.unique(np.concatenate([f[size >= least], edges]))


def _peaks(
    sweep: Sweep, wanted: Array, ideal: Callable[[Array], ComplexArray]
) -> tuple[float, float, float]:
    """Return where the ideal response is largest, how large, and what the real one reaches."""
    f, real, system = sweep.frequencies, np.abs(sweep.transfer), sweep.system
    top = int(np.argmax(wanted))
    near = np.flatnonzero(wanted >= _FLAT_TOP * wanted[top])
    if len(near) > _FEW or top in (0, len(f) - 1):
        first = int(near[0])
        return float(f[first]), float(wanted[first]), float(real[first])

    def size(x: Array) -> Array:
        return np.asarray(np.abs(system.read(system.response(2j * np.pi * x))))

    at, peak = summit(f, top, lambda x: np.asarray(np.abs(ideal(x))))
    octave = np.flatnonzero((f >= at / 2) & (f <= 2 * at))
    highest = int(octave[np.argmax(real[octave])])
    return at, peak, summit(f, highest, size)[1]


def _decibels(found: Array, wanted: Array) -> Array:
    tiny = 1e-300
    return np.asarray(20 * np.log10(np.maximum(found, tiny) / np.maximum(wanted, tiny)))


def _within(f: Array, here: Array, error_db: Callable[[Array], Array], limit: float) -> Within:
    good = np.abs(here) <= limit
    if not good.any():
        return Within(0.0, 0.0)
    first = int(np.argmax(good))
    bad = np.flatnonzero(~good[first:])

    def crossing(k: int) -> float:
        """Between grid points k and k + 1."""
        return refine(
            float(f[k]), float(f[k + 1]), lambda x: np.asarray(np.abs(error_db(x)) - limit)
        )

    return Within(
        crossing(first - 1) if first else 0.0,
        crossing(first + int(bad[0]) - 1) if len(bad) else inf,
    )


def _floor(
    f: Array, real: Array, wanted: Array, top: int
) -> tuple[float, float, float, float] | None:
    """(floor Hz, floor dB, rise Hz, rise dB) of a response that ideally falls above its peak."""
    if wanted[-1] > 1e-3 * wanted.max() or real[top] <= 0:
        return None
    after = real[top:]
    turns = np.flatnonzero((after[1:-1] < after[:-2]) & (after[1:-1] <= after[2:])) + 1
    for k in turns:
        highest = int(k + np.argmax(after[k:]))
        if after[highest] > 1.2 * max(after[k], _FLAT * real[top]):
            level = _decibels(after, np.full_like(after, real[top]))
            return (
                float(f[top + k]),
                float(level[k]),
                float(f[top + highest]),
                float(level[highest]),
            )
    return None
