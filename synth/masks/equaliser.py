"""All-pass delay equalisers: the fewest sections that make a delay as flat as asked.

A section (s^2 - (w0/Q) s + w0^2)/(s^2 + (w0/Q) s + w0^2) adds twice the delay of its poles.  The
logarithms of all w0 and Q are sought that make the ripple of the sum smallest, from several starts
that do not depend on chance; the ripple of the answer is taken at the extremes of the delay.

References
----------
.. [1] A. B. Williams and F. J. Taylor, "Electronic filter design handbook", 4th ed., McGraw-Hill
   (2006), ch. 7 (from memory): delay equalisation by all-pass sections.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import NDArray

from synth.errors import TargetError
from synth.masks.limits import DelayLimit
from synth.masks.minimax import minimax
from synth.masks.verify import delay_range, ripple_of
from synth.transfer.critical import delay_extrema, group_delay
from synth.transfer.transfer import Transfer

Floats = NDArray[np.float64]

_TURN = 2 * math.pi
#: Points of the grid for each second-order section of the whole, and the rounds of adding extremes.
_POINTS, _ROUNDS = 12, 3
#: The spread of the first sections over the band, and their width over their distance.
_REACHES, _WIDTHS = (1.0, 0.75), (1.0, 2.0, 0.5)
#: The ripple aimed at beside the one asked for: the values of parts use the rest.
_AIM = 0.5
#: A start that ends so many times above what is asked for is not followed by others.
_HOPELESS = 3.0


@dataclass(frozen=True)
class Equaliser:
    """An all-pass that makes a delay flat.

    Parameters
    ----------
    transfer : Transfer
        The all-pass alone, gain 1.
    sections : int
    ripple : float
        Of the whole over the band, in the unit of the limit.
    """

    transfer: Transfer
    sections: int
    ripple: float


def equaliser(transfer: Transfer, limit: DelayLimit, most: int) -> Equaliser:
    """Return the all-pass of the fewest second-order sections that meets a limit of the delay.

    Parameters
    ----------
    transfer : Transfer
        What is to be equalised.
    limit : DelayLimit
    most : int
        Sections at most; 0 when there is no room.

    Raises
    ------
    TargetError
        If so many sections do not do.
    """
    best = None
    for count in range(fewest(transfer, limit), most + 1):
        best = equalised(transfer, limit, count)
        if best.ripple <= limit.ripple:
            return best
    reached = "" if best is None else f" ({_words(limit, best.ripple)} is reached)"
    raise TargetError(
        f"{limit} takes more than {most} all-pass sections after this response{reached}; "
        "allow more ripple, a narrower band, or choose a family with a flatter delay"
    )


def fewest(transfer: Transfer, limit: DelayLimit) -> int:
    """Return how many sections it takes at least.

    Sections only add delay, so the flat delay is no smaller than the largest there is; and the
    area under the delay of a section, from 0 to infinity, is 2 pi.
    """
    low, high = _TURN * limit.low_hz, _TURN * limit.high_hz
    grid = np.linspace(low, high, 2001)
    delays = group_delay(transfer.zeros, transfer.poles, grid)
    most = float(delays.max())
    if limit.absolute:
        floor = most - 2 * limit.ripple
    else:
        floor = most * (1 - limit.ripple) / (1 + limit.ripple)
    area = float(np.mean(np.maximum(floor - delays, 0.0))) * (high - low)
    return max(1, math.ceil(area / _TURN - 1e-3))


def _words(limit: DelayLimit, ripple: float) -> str:
    return f"{ripple:.3g} s" if limit.absolute else f"{100 * ripple:.3g} %"


def equalised(transfer: Transfer, limit: DelayLimit, count: int) -> Equaliser:
    """Return the all-pass of so many sections with the least ripple that was found.

    The first start decides whether the others are worth trying.
    """
    best = None
    for start in _starts(limit, count):
        found = _from(transfer, limit, count, start)
        if best is None or found.ripple < best.ripple:
            best = found
        if best.ripple <= limit.ripple or best.ripple > _HOPELESS * limit.ripple:
            break
    return best  # type: ignore[return-value]


def _starts(limit: DelayLimit, count: int) -> Iterator[Floats]:
    """Return logarithms of w0 and Q: sections side by side over the band, of several widths."""
    low, high = _TURN * limit.low_hz, _TURN * limit.high_hz
    for reach, width in product(_REACHES, _WIDTHS):
        apart = reach * (high - low) / count
        w0 = low + apart * (np.arange(count) + 0.5)
        yield np.concatenate([np.log(w0), np.log(np.maximum(w0 / (width * apart), 0.4))])


def _from(transfer: Transfer, limit: DelayLimit, count: int, start: Floats) -> Equaliser:
    low, high = _TURN * limit.low_hz, _TURN * limit.high_hz
    z, p = np.array(transfer.zeros), np.array(transfer.poles)
    grid = np.linspace(low, high, _POINTS * (2 + count + p.size // 2))
    base = group_delay(z, p, grid)
    x, best = start, None
    for _ in range(_ROUNDS):
        ripples = _Ripple(grid, base, limit.ripple if limit.absolute else None)
        aim = _AIM * (1.0 if limit.absolute else limit.ripple)
        x = minimax(ripples, x, box=0.5, steps=40, enough=aim).point
        made = _allpass(x)
        least, most, _at = delay_range(transfer * made, limit.low_hz, limit.high_hz)
        ripple = ripple_of(limit, least, most)
        if best is None or ripple < best.ripple:
            best = Equaliser(made, count, ripple)
        missed = delay_extrema(
            np.concatenate([z, made.zeros]), np.concatenate([p, made.poles]), low, high
        )
        if ripple <= _AIM * limit.ripple * 1.1:
            break
        grid = np.unique(np.concatenate([grid, missed]))
        base = group_delay(z, p, grid)
    return best  # type: ignore[return-value]


def _allpass(x: Floats) -> Transfer:
    w0, q = np.exp(np.split(x, 2))
    rows = [[1, -w / k, w * w, 1, w / k, w * w] for w, k in zip(w0, q, strict=True)]
    return Transfer.from_sos(rows)


class _Ripple:
    """The delay minus its middle, both ways, over that middle or a given time; for `minimax`."""

    def __init__(self, grid: Floats, base: Floats, over: float | None) -> None:
        self._grid, self._base, self._over = grid, base, over

    def __call__(self, x: Floats) -> tuple[Floats, Floats]:
        """Return the values and their slopes in the logarithms of w0 and Q."""
        delays, slopes = section_delays(x, self._grid)
        total = self._base + delays.sum(axis=1)
        k, m = int(np.argmax(total)), int(np.argmin(total))
        middle, bend = (total[k] + total[m]) / 2, (slopes[k] + slopes[m]) / 2
        away, turn = total - middle, slopes - bend
        if self._over is None:
            turn = turn / middle - np.outer(away, bend) / middle**2
            away = away / middle
        else:
            away, turn = away / self._over, turn / self._over
        return np.concatenate([away, -away]), np.vstack([turn, -turn])


def section_delays(x: Floats, w: Floats) -> tuple[Floats, Floats]:
    """Return the delays of all-pass sections (points, sections), and the slopes of their sum.

    Parameters
    ----------
    x : (2 m,) array
        Logarithms of w0 in rad/s, then of Q.
    w : (k,) array
        In rad/s.
    """
    w0, q = np.exp(np.split(x, 2))
    u, b = w[:, None] ** 2, w0 / q
    top = 2 * b * (w0**2 + u)
    under = (w0**2 - u) ** 2 + b**2 * u
    delay = top / under
    # in ln w0: b and w0 grow alike; in ln Q: b falls
    top_w, under_w = 2 * b * (3 * w0**2 + u), 4 * w0**2 * (w0**2 - u) + 2 * b**2 * u
    by_w = (top_w - delay * under_w) / under
    by_q = (-top + delay * 2 * b**2 * u) / under
    return delay, np.hstack([by_w, by_q])
