"""Limits at the frequencies where a circuit is looked at."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from synth.errors import TargetError
from synth.masks.limits import DelayLimit, Limit
from synth.tolerances.spread import Array
from synth.transfer.transfer import Transfer

_POINTS = 65
#: Points over the band of a delay, and its first over its last where the band starts at 0.
_DELAY_POINTS, _NEAR_ZERO = 65, 1e-3
#: Half widths about a pole at which a delay is looked at.
_ABOUT_POLE = np.linspace(-3.0, 3.0, 13)
#: How far beyond the other frequencies a band is looked at that has no end.
_BEYOND = 100.0
#: A delay in seconds below which its share means nothing.
_NO_DELAY = 1e-30


@dataclass(frozen=True)
class Bounds:
    """All limits at the frequencies where they are looked at.

    Parameters
    ----------
    frequencies : array
        In hertz.
    least, most : array
        Bounds of |H|**2 there; 0 and infinity where there is none.
    limit : Limit
    reference : Transfer or None
        What ``"within"`` is about; None for the nominal response.
    """

    frequencies: Array
    least: Array
    most: Array
    limit: Limit
    reference: Transfer | None = None

    def at(self, nominal: Callable[[Array], Array], frequencies: Array) -> tuple[Array, Array]:
        """Return least and most at any frequencies of the band.

        Parameters
        ----------
        nominal : callable
            The nominal |H|**2 at frequencies in hertz.
        frequencies : array
            In hertz, of any shape.
        """
        shape = frequencies.shape
        if self.limit.operation != "within":
            wanted = np.ones(1)
        elif self.reference is None:
            wanted = nominal(frequencies)
        else:
            wanted = np.abs(self.reference(2j * np.pi * frequencies)) ** 2
        found = bounds(self.limit, frequencies.ravel(), np.broadcast_to(wanted, shape).ravel())
        return found.least.reshape(shape), found.most.reshape(shape)


@dataclass(frozen=True)
class DelayBounds:
    """A limit of the delay, and the frequencies in hertz where the delay is looked at."""

    frequencies: Array
    limit: DelayLimit

    def uses(self, delays: Array) -> Array:
        """Return how much of the limit delays use, above 1 where they break it.

        Parameters
        ----------
        delays : array (frequencies, circuits)
            In seconds.

        Returns
        -------
        array (frequencies, circuits)
            The departure from the middle between the largest and the least of each circuit.
        """
        middle = (delays.max(axis=0) + delays.min(axis=0)) / 2
        unit = np.ones_like(middle) if self.limit.absolute else np.maximum(middle, _NO_DELAY)
        return np.asarray(np.abs(delays - middle) / (self.limit.ripple * unit))


def delay_bounds(limit: DelayLimit, poles: Iterable[complex]) -> DelayBounds:
    """Return where a limit of the delay is looked at: evenly, and about each pole.

    Parameters
    ----------
    limit : DelayLimit
    poles : iterable of complex
        Of the response, rad/s; a delay turns only near one.
    """
    low, high = limit.low_hz or limit.high_hz * _NEAR_ZERO, limit.high_hz
    roots = np.array([p for p in poles if p.imag > 0])
    about = (roots.imag[:, None] - roots.real[:, None] * _ABOUT_POLE).ravel() / (2 * np.pi)
    inside = about[(about > low) & (about < high)]
    return DelayBounds(np.unique([*np.linspace(low, high, _DELAY_POINTS), *inside]), limit)


def check_consistent(limits: Sequence[Bounds], nominal: Callable[[Array], Array]) -> None:
    """Check that some |H| keeps all limits.

    Parameters
    ----------
    limits : sequence of Bounds
    nominal : callable
        The nominal |H|**2 at frequencies in hertz.

    Raises
    ------
    TargetError
        If two limits contradict each other.
    """
    for a, b in combinations(limits, 2):
        f = np.unique(np.concatenate([a.frequencies, b.frequencies]))
        low = max(a.frequencies[0], b.frequencies[0])
        high = min(a.frequencies[-1], b.frequencies[-1])
        f = f[(f >= low) & (f <= high)]
        if not len(f):
            continue
        (least, most), (other_least, other_most) = a.at(nominal, f), b.at(nominal, f)
        wrong = np.maximum(least, other_least) > np.minimum(most, other_most) * (1 + 1e-12)
        if wrong.any():
            raise TargetError(
                f"the limits of the mask contradict each other at {f[np.argmax(wrong)]:g} Hz: "
                f"{a.limit}, and {b.limit}; correct it"
            )


def limit_frequencies(limit: Limit, special: Sequence[float] = ()) -> Array:
    """Return where a limit is looked at: both ends, points between, and the special ones inside.

    Parameters
    ----------
    limit : Limit
    special : sequence of float
        Frequencies in hertz where a response may peak or dip.
    """
    inside = [f for f in special if limit.low_hz < f < limit.high_hz]
    known = [f for f in (limit.low_hz, limit.high_hz, *inside) if 0 < f < math.inf] or [1.0]
    low = limit.low_hz or min(known) / _BEYOND
    high = max(known) * _BEYOND if math.isinf(limit.high_hz) else limit.high_hz
    grid = np.geomspace(low, high, _POINTS)
    grid[0], grid[-1] = low, high
    return np.unique(np.concatenate([grid, inside]))


def bounds(
    limit: Limit, frequencies: Array, reference: Array, target: Transfer | None = None
) -> Bounds:
    """Return the bounds of |H|**2 that a limit sets.

    Parameters
    ----------
    limit : Limit
    frequencies : array
        In hertz, within its band.
    reference : array
        |H|**2 of the reference response there; used by ``"within"`` only.
    target : Transfer, optional
        That response, where it is not the nominal one.
    """
    level = 10 ** (limit.level_db / 10)
    least, most = np.zeros(len(frequencies)), np.full(len(frequencies), np.inf)
    if limit.operation == ">=":
        least[:] = level
    elif limit.operation == "<=":
        most[:] = level
    else:
        least, most = reference / level, reference * level
    return Bounds(frequencies, least, most, limit, target)
