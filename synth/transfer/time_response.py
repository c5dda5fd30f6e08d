"""Step and impulse response, exact at their samples: the sections as a chain of state equations.

``x' = A x + b u, y = c x + d u`` is solved by the matrix exponential over one step of the grid,
which has no trouble with equal or nearly equal poles as partial fractions have.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from synth.errors import TargetError
from synth.transfer.section import Section
from synth.transfer.transfer import Transfer

Array = npt.NDArray[np.float64]

#: Time constants of the slowest pole after which a response counts as settled, and those on top
#: for every pole: many poles alike overlap.
_SETTLED, _EACH = 6.0, 1.0
#: Samples in one radian of the fastest pole, and how many there are in all.
_FINE, _LEAST, _MOST = 8.0, 400, 4000
#: Roots nearer to the axis than this share of their size stand on it.
_ON_AXIS = 1e-9

#: Radians of the slowest pole that are shown where the response never settles.
_ENDLESS = 20 * math.pi


@dataclass(frozen=True)
class TimeResponse:
    """Response to a unit step and to a unit impulse at t = 0.

    Parameters
    ----------
    times : array
        s, from 0 in equal steps.
    step : array
        To 1 V from t = 0 on.
    impulse : array
        1/s, without the impulse that passes at t = 0.
    direct : float
        H(infinity): the weight of the impulse at t = 0.
    final : float
        Where the step response settles: H(0); NaN where it does not.
    """

    times: Array
    step: Array
    impulse: Array
    direct: float
    final: float

    @property
    def overshoot(self) -> float:
        """Largest excess of the step response over its final value, as a share of that."""
        if not self.final:
            return math.nan
        return float(np.max(self.step / self.final) - 1)


def time_response(transfer: Transfer, times: Array | None = None) -> TimeResponse:
    """Return step and impulse response.

    Parameters
    ----------
    transfer : Transfer
        Proper, and no pole right of the imaginary axis.
    times : array, optional
        s, from 0 in equal steps; by default until the slowest pole has settled.

    Raises
    ------
    TargetError
        If there is a pole right of the axis, more zeros than poles, or the times are not equal
        steps from 0.

    Examples
    --------
    >>> low = Transfer.from_tf([1], [1, math.sqrt(2), 1])
    >>> round(time_response(low).overshoot, 4)
    0.0432
    """
    if transfer.excess < 0:
        raise TargetError("a response with more zeros than poles has no step response to draw")
    if any(p.real > _ON_AXIS * abs(p) for p in transfer.poles):
        raise TargetError("a pole lies right of the axis, so the response grows without end")
    grid = _times(transfer) if times is None else np.asarray(times, dtype=float)
    steps = np.diff(grid)
    if len(grid) < 2 or grid[0] or not np.allclose(steps, steps[0], rtol=1e-6) or steps[0] <= 0:
        raise TargetError("the times of a response must begin at 0 and rise in equal steps")
    rate = _rate(transfer)
    a, b, c, d = _chain(transfer.sections, rate)
    step, impulse = _march(a, b, c, d, rate * float(grid[1]), len(grid))
    gain = transfer.gain
    direct = gain if transfer.excess == 0 else 0.0
    settles = all(p.real < -_ON_AXIS * abs(p) for p in transfer.poles)
    final = float(transfer(0.0).real) if settles else math.nan
    return TimeResponse(grid, gain * step, gain * rate * impulse, direct, final)


def _times(transfer: Transfer) -> Array:
    poles = [p for p in transfer.poles if p]
    if not poles:
        return np.linspace(0.0, 1.0, _LEAST)
    sizes = [abs(p) for p in poles]
    decay = [-p.real for p in poles if -p.real > _ON_AXIS * abs(p)]
    settled = _SETTLED + _EACH * transfer.order
    end = settled / min(decay) if len(decay) == transfer.order else _ENDLESS / min(sizes)
    count = math.ceil(_FINE * end * max(sizes)) + 1
    return np.linspace(0.0, end, min(max(count, _LEAST), _MOST))


def _rate(transfer: Transfer) -> float:
    sizes = [abs(p) for p in transfer.poles if p] or [1.0]
    return math.exp(sum(map(math.log, sizes)) / len(sizes))


def _chain(sections: tuple[Section, ...], rate: float) -> tuple[Array, Array, Array, float]:
    """Return the state equations of the sections one after another, time in units of 1/rate."""
    a, b, c, d = np.zeros((0, 0)), np.zeros(0), np.zeros(0), 1.0
    for section in sections:
        a1, b1, c1, d1 = _section(section, rate)
        n, m = len(b), len(b1)
        whole = np.zeros((n + m, n + m))
        whole[:n, :n] = a
        whole[n:, n:] = a1
        whole[n:, :n] = np.outer(b1, c)
        a, b = whole, np.concatenate([b, b1 * d])
        c, d = np.concatenate([d1 * c, c1]), d1 * d
    return a, b, c, d


def _section(section: Section, rate: float) -> tuple[Array, Array, Array, float]:
    """Return the controller form of one section, time in units of 1/rate, gain kept."""
    n = len(section.denominator) - 1
    if len(section.numerator) - 1 > n:
        raise TargetError("a section with more zeros than poles has no state equations")
    den = [x / rate**k for k, x in enumerate(section.denominator)]
    excess = n + 1 - len(section.numerator)
    num = [0.0] * excess + [x / rate ** (k + excess) for k, x in enumerate(section.numerator)]
    a, b = np.zeros((n, n)), np.zeros(n)
    if n:
        a[0, :] = [-x for x in den[1:]]
        a[1:, :-1] += np.eye(n - 1)
        b[0] = 1.0
    c = np.array([num[k] - num[0] * den[k] for k in range(1, n + 1)])
    return a, b, c, num[0]


def _march(a: Array, b: Array, c: Array, d: float, step: float, count: int) -> tuple[Array, Array]:
    """Return step and impulse response at `count` instants, `step` apart."""
    from scipy.linalg import expm

    n = len(b)
    whole = np.zeros((n + 1, n + 1))
    whole[:n, :n], whole[:n, n] = a, b
    moved = expm(whole * step)
    states, free = np.zeros((count, n + 1)), np.zeros((count, n))
    states[0, n], free[0] = 1.0, b
    for k in range(1, count):
        states[k] = moved @ states[k - 1]
        free[k] = moved[:n, :n] @ free[k - 1]
    return states[:, :n] @ c + d, free @ c
