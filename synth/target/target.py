"""What is asked for: a transfer function, with its meaning in words and the measure of error."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from synth.shown import shown
from synth.transfer.kinds import describe
from synth.transfer.transfer import Transfer

#: The error is measured in decibels down to this much below the target's maximum.
RANGE_DB = 40.0
#: A response counts as its target within this many decibels: parts of 1 % leave more,
MEETS_DB = 0.25
#: or within this share of the target's maximum, where that is more; decibels beside a zero are
#: no measure of a circuit, since 0.01 % of its frequency is a decibel there,
MEETS_SHARE = 0.01
#: and the phase of an all-pass within this many degrees.
MEETS_DEGREES = 2.0
#: Points of the frequency grid for each decade, and around each pole in units of its distance
#: from the imaginary axis.
_PER_DECADE = 60
_AROUND = np.sinh(np.linspace(-4.0, 4.0, 41)) / 2
#: Distances from a zero, as shares of its frequency: near a notch decibels change quickly.
_BESIDE_ZERO = np.geomspace(1e-7, 0.6, 100)
#: Halvings of the interval in which the target crosses the end of the range of decibels.
_HALVINGS = 60
#: Factor by which the grid reaches beyond the lowest and the highest pole or zero.
_REACH = 100.0


@dataclass(frozen=True)
class Target:
    """A stable proper transfer function somebody wants.

    Parameters
    ----------
    transfer : Transfer
        In rad/s, nothing cancelled.
    kind : str
        lowpass, highpass, bandpass, bandstop, allpass, or what `describe` finds.
    at_hz : float or None
        The frequency that was asked for, in hertz.
    description : str
        One line: what was asked.
    meaning : str
        What the frequency and the order mean for this target.
    """

    transfer: Transfer
    kind: str
    at_hz: float | None
    description: str
    meaning: str

    @cached_property
    def scale(self) -> float:
        """Largest magnitude on the imaginary axis."""
        return describe(self.transfer).peak

    @cached_property
    def grid(self) -> NDArray[np.float64]:
        """Angular frequencies in rad/s on which errors are measured, ascending.

        From two decades below the lowest pole or zero to two above the highest, with all of
        them among the points, denser around each, and with the frequencies at which the target
        enters and leaves the range of 40 dB: a steep slope has its largest error there.
        """
        grid = frequency_grid(self.transfer)
        edges = _crossings(self.transfer, grid, self.scale * 10 ** (-RANGE_DB / 20))
        return np.unique(np.concatenate([grid, edges]))

    def __str__(self) -> str:
        return f"{self.description}; {self.meaning}"

    def _repr_latex_(self) -> str | None:
        return shown(self, "latex")


class RealisedError(NamedTuple):
    """How far a response is from its target.

    ``error_db`` is the largest deviation of the magnitude in decibels where the target is within
    40 dB of its maximum; ``stop_error`` the largest elsewhere, as a fraction of the maximum.
    ``misses`` is the largest deviation over what counts as met: `MEETS_DB`, or `MEETS_SHARE` of
    the maximum where that is more.
    """

    error_db: float
    stop_error: float
    misses: float


def frequency_grid(transfer: Transfer) -> NDArray[np.float64]:
    """Return angular frequencies in rad/s that resolve every pole and zero of the function."""
    sizes = [abs(z) for z in (*transfer.poles, *transfer.zeros) if z] or [1.0]
    low, high = min(sizes) / _REACH, max(sizes) * _REACH
    count = max(2, math.ceil(_PER_DECADE * math.log10(high / low)))
    points = [np.geomspace(low, high, count), np.array(sizes), _neighbourhoods(transfer)]
    grid = np.unique(np.concatenate(points))
    return np.asarray(grid[(grid >= low) & (grid <= high)], dtype=float)


def _neighbourhoods(transfer: Transfer) -> NDArray[np.float64]:
    """Return points around every pole and every zero off the origin."""
    points = [np.empty(0), *map(_around, transfer.poles)]
    for zero in transfer.zeros:
        if zero and zero.imag >= 0:
            centre = abs(zero.imag) or abs(zero)
            points += [_around(zero), centre * (1 - _BESIDE_ZERO), centre * (1 + _BESIDE_ZERO)]
    return np.concatenate(points)


def _around(root: complex) -> NDArray[np.float64]:
    return np.asarray(abs(root.imag) + abs(root.real) * _AROUND, dtype=float)


def _crossings(transfer: Transfer, grid: NDArray[np.float64], level: float) -> NDArray[np.float64]:
    """Return where the magnitude crosses `level` between grid points, on the upper side."""
    above = np.abs(transfer(1j * grid)) >= level
    at = np.flatnonzero(above[1:] != above[:-1])
    inside = np.where(above[at], grid[at], grid[at + 1])
    outside = np.where(above[at], grid[at + 1], grid[at])
    for _ in range(_HALVINGS):
        middle = (inside + outside) / 2
        over = np.abs(transfer(1j * middle)) >= level
        inside, outside = np.where(over, middle, inside), np.where(over, outside, middle)
    return np.asarray(inside, dtype=float)


def realised_error(target: Target, transfer: Transfer) -> RealisedError:
    """Return how far a realised response is from its target.

    Parameters
    ----------
    target : Target
    transfer : Transfer
        What the circuit does.

    Returns
    -------
    RealisedError
        Magnitudes only; for an all-pass see `phase_error`.

    Notes
    -----
    Besides the target's grid the neighbourhoods of the realised poles and zeros are looked at,
    so that a peak or a notch beside the target's does not slip through.
    """
    w = error_grid(target, transfer)
    return measured_error(target, w, transfer(1j * w))


def error_grid(target: Target, transfer: Transfer) -> NDArray[np.float64]:
    """Return where a realised response is compared with its target, rad/s, in no order.

    Parameters
    ----------
    target : Target
    transfer : Transfer
        What the circuit does, or nearly: its poles and zeros are looked at closely.
    """
    return np.concatenate([target.grid, _beside(target, transfer)])


def measured_error(
    target: Target, w: NDArray[np.float64], response: NDArray[np.complex128]
) -> RealisedError:
    """Return how far a response, given by its values at `w` in rad/s, is from its target."""
    wanted, got = np.abs(target.transfer(1j * w)), np.abs(response)
    inside = wanted >= target.scale * 10 ** (-RANGE_DB / 20)
    with np.errstate(divide="ignore"):
        ratio = np.abs(20 * np.log10(got[inside] / wanted[inside]))
    away = np.abs(got - wanted)
    allowed = np.maximum(wanted * (10 ** (MEETS_DB / 20) - 1), target.scale * MEETS_SHARE)
    return RealisedError(
        _largest(ratio), _largest(away[~inside] / target.scale), _largest(away / allowed)
    )


def phase_error(target: Target, transfer: Transfer) -> float:
    """Return the largest deviation of phase in degrees, within 40 dB of the target's maximum."""
    w = error_grid(target, transfer)
    return measured_phase_error(target, w, transfer(1j * w))


def measured_phase_error(
    target: Target, w: NDArray[np.float64], response: NDArray[np.complex128]
) -> float:
    """Return the largest deviation of phase in degrees of a response given at `w` in rad/s."""
    wanted = target.transfer(1j * w)
    inside = np.abs(wanted) >= target.scale * 10 ** (-RANGE_DB / 20)
    return _largest(np.abs(np.degrees(np.angle(response[inside] * wanted[inside].conj()))))


def _beside(target: Target, transfer: Transfer) -> NDArray[np.float64]:
    """Return points around the realised poles and zeros, within the target's grid."""
    near = _neighbourhoods(transfer)
    grid = target.grid
    return np.asarray(near[(near > grid[0]) & (near < grid[-1])], dtype=float)


def _largest(values: NDArray[Any]) -> float:
    return float(np.max(values, initial=0.0))
