"""Whether a response keeps a mask, decided at the extremes of |H| and of the delay.

A limit is looked at at both ends of its band and at every stationary point of |H| between, so
nothing hides between grid points.  A delay likewise.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from synth.masks.limits import DelayLimit, Limit, Mask
from synth.transfer.critical import delay_extrema, group_delay, magnitude_extrema
from synth.transfer.transfer import Transfer

Floats = NDArray[np.float64]

#: A limit counts as kept when it is left by no more than this, in dB or as a share: rounding.
ROUNDING = 1e-7
_TURN = 2 * math.pi
#: Level of a zero in dB.
_NOTHING = -1e4


@dataclass(frozen=True)
class Kept:
    """A limit, and how near a response comes to it.

    Parameters
    ----------
    limit : Limit or DelayLimit
    margin : float
        What is left, in dB for a magnitude; for a delay in the unit of its ripple.  Negative
        where the limit is not kept.
    at_hz : float
        Where it is least; for a delay where it departs most.
    value : float
        |H| there in dB, or the ripple of the delay (a fraction, or seconds).
    """

    limit: Limit | DelayLimit
    margin: float
    at_hz: float
    value: float

    @property
    def kept(self) -> bool:
        """Whether the limit is kept, rounding aside."""
        if isinstance(self.limit, DelayLimit):
            return self.margin >= -ROUNDING * self.limit.ripple
        return self.margin >= -ROUNDING


def verified(mask: Mask, transfer: Transfer) -> tuple[Kept, ...]:
    """Return every limit of a mask with what a response leaves of it.

    Parameters
    ----------
    mask : Mask
        ``within`` is about its gain.
    transfer : Transfer

    Returns
    -------
    tuple of Kept
        In the order of the mask, delays last.
    """
    extremes = magnitude_extrema(transfer.zeros, transfer.poles) / _TURN
    rows = [_magnitude(x, mask.gain, transfer, extremes) for x in mask.limits]
    return (*rows, *(_delay(x, transfer) for x in mask.delays))


def keeps(mask: Mask, transfer: Transfer) -> bool:
    """Return whether a response keeps all of a mask."""
    return all(row.kept for row in verified(mask, transfer))


def margin_db(limits: Sequence[Limit], transfer: Transfer, reference: Transfer) -> float:
    """Return the least distance of |H| to a limit in dB; negative where one is not kept.

    Parameters
    ----------
    limits : sequence of Limit
        ``within`` is about the reference.
    transfer, reference : Transfer
    """
    about = tuple(x for x in limits if x.operation == "within")
    levels = tuple(x for x in limits if x.operation != "within")
    rows = list(verified(Mask(levels), transfer))
    if about:
        quotient = Transfer.from_zpk(
            [*transfer.zeros, *reference.poles],
            [*transfer.poles, *reference.zeros],
            transfer.gain / reference.gain,
        )
        rows += verified(Mask(about), quotient)
    return min(r.margin for r in rows)


def delay_excess(delays: Sequence[DelayLimit], transfer: Transfer) -> float:
    """Return by which share of its limit the ripple of a delay passes it; negative inside.

    Of the limit that is passed the most; minus infinity without limits.
    """
    return max((-_delay(x, transfer).margin / x.ripple for x in delays), default=-math.inf)


def _magnitude(limit: Limit, gain: float, transfer: Transfer, extremes: Floats) -> Kept:
    inside = extremes[(extremes > limit.low_hz) & (extremes < limit.high_hz)]
    at = np.concatenate([[limit.low_hz], inside, [limit.high_hz]])
    levels = levels_db(transfer, at)
    if limit.operation == ">=":
        margins = levels - limit.level_db
    elif limit.operation == "<=":
        margins = limit.level_db - levels
    else:
        margins = limit.level_db - np.abs(levels - 20 * math.log10(abs(gain)))
    worst = int(np.argmin(margins))
    return Kept(limit, float(margins[worst]), float(at[worst]), float(levels[worst]))


def levels_db(transfer: Transfer, at_hz: Floats) -> Floats:
    """Return 20 log10|H| at frequencies in hertz, infinity among them; a zero is -10000."""
    far = 0.0 if transfer.excess > 0 else abs(transfer.gain)
    finite = np.isfinite(at_hz)
    size = np.full(at_hz.shape, far)
    size[finite] = np.abs(transfer.response(at_hz[finite]))
    with np.errstate(divide="ignore"):
        return np.asarray(np.maximum(20 * np.log10(size), _NOTHING), dtype=float)


def delay_range(transfer: Transfer, low_hz: float, high_hz: float) -> tuple[float, float, float]:
    """Return the least and the largest group delay over a band in seconds, and where the latter.

    Parameters
    ----------
    transfer : Transfer
    low_hz, high_hz : float
        In hertz, both finite.
    """
    z, p = transfer.zeros, transfer.poles
    ends = _TURN * low_hz, _TURN * high_hz
    at = np.concatenate([[ends[0]], delay_extrema(z, p, *ends), [ends[1]]])
    delays = group_delay(z, p, at)
    k = int(np.argmax(delays))
    return float(delays.min()), float(delays[k]), float(at[k] / _TURN)


def ripple_of(limit: DelayLimit, least: float, most: float) -> float:
    """Return the ripple of a delay between two values, in the unit of the limit."""
    half, middle = (most - least) / 2, (most + least) / 2
    if limit.absolute:
        return half
    return half / middle if middle > 0 else math.inf


def _delay(limit: DelayLimit, transfer: Transfer) -> Kept:
    least, most, at = delay_range(transfer, limit.low_hz, limit.high_hz)
    ripple = ripple_of(limit, least, most)
    return Kept(limit, limit.ripple - ripple, at, ripple)
