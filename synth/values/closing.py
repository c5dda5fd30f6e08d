"""The last two variables together: bands in a plane that cross in few places.

With two variables x and y left, ``low <= P/Q <= high`` is two inequalities of the form
``p(x) + q(x)*y >= 0``, p and q linear in x.  Of two such inequalities one bounds y from below and
one from above, and a y between them exists where a quadratic in x is not negative.  Two ratios
thus leave of the x of a long grid what lies near the roots of two quadratics.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

#: Widening of every coefficient of a quadratic against rounding, relatively.
_ROUNDING = 1e-13
#: Pairs of ratios that are tried.
_PAIRS = 6


class Band(NamedTuple):
    """Two inequalities ``sum coefficient[i, j] * x**i * y**j >= 0``; arrays (2, 2, rows)."""

    lower: Array
    upper: Array


class Segments(NamedTuple):
    """Ranges of x; several may have one parent, and these ascend without overlap."""

    parent: IntArray
    low: Array
    high: Array


def crossings(bands: Sequence[Band], low: Array, high: Array) -> Segments:
    """Return where in ``low <= x <= high`` all bands, taken two at a time, may hold together.

    Parameters
    ----------
    bands : sequence of Band
        Those that depend on y, the narrowest first.
    low, high : array (rows,)
        Positive.

    Notes
    -----
    Nothing that meets the bands is lost: where a coefficient q changes its sign within a range,
    the range stays as it is.
    """
    left = Segments(np.arange(len(low)), low, high)
    for one, other in list(combinations(bands, 2))[:_PAIRS]:
        if not len(left.parent):
            break
        left = _crossed(one, other, left)
    return left


def _crossed(one: Band, other: Band, s: Segments) -> Segments:
    a, b = one.lower[..., s.parent], one.upper[..., s.parent]
    c, d = other.lower[..., s.parent], other.upper[..., s.parent]
    signs = [_sign(h, s.low, s.high) for h in (a, b, c, d)]
    usable = (signs[0] * signs[1] < 0) & (signs[2] * signs[3] < 0)
    alike = signs[0] == signs[2]
    quadratics = [
        _eliminated(a, np.where(alike, d, c), signs[0]),
        _eliminated(b, np.where(alike, c, d), signs[1]),
    ]
    points = [s.low, s.high]
    for q in quadratics:
        points += [np.clip(r, s.low, s.high) for r in _roots(q)]
    ends = np.sort(np.array(points), axis=0).T
    start, stop = ends[:, :-1], ends[:, 1:]
    middle = (start + stop) / 2
    good = (stop > start) | (s.low == s.high)[:, None]
    for q in quadratics:
        good &= q[0][:, None] + middle * (q[1][:, None] + middle * q[2][:, None]) >= 0
    whole = ~usable
    good[whole] = False
    good[whole, 0] = True
    start[whole, 0], stop[whole, 0] = s.low[whole], s.high[whole]
    row, column = np.nonzero(good)
    return Segments(s.parent[row], start[row, column], stop[row, column])


def _sign(h: Array, low: Array, high: Array) -> Array:
    """Sign of the coefficient of y where it is the same from low to high, else 0."""
    first, last = np.sign(h[0, 1] + h[1, 1] * low), np.sign(h[0, 1] + h[1, 1] * high)
    return np.asarray(np.where(first == last, first, 0.0))


def _eliminated(u: Array, v: Array, sign: Array) -> tuple[Array, Array, Array]:
    """Coefficients of the quadratic in x that is negative where no y meets both inequalities.

    It is ``sign * (p_v*q_u - p_u*q_v)``, the sign that of q_u, q_v having the other one.
    """
    found = []
    for terms in (
        ((v[0, 0], u[0, 1]), (u[0, 0], v[0, 1])),
        ((v[0, 0], u[1, 1]), (u[0, 0], v[1, 1]), (v[1, 0], u[0, 1]), (u[1, 0], v[0, 1])),
        ((v[1, 0], u[1, 1]), (u[1, 0], v[1, 1])),
    ):
        products = [x * y for x, y in terms]
        total = sum(products[::2]) - sum(products[1::2])
        size = sum(np.abs(p) for p in products)
        found.append(np.asarray(sign * total + _ROUNDING * size))
    return found[0], found[1], found[2]


def _roots(q: tuple[Array, Array, Array]) -> tuple[Array, Array]:
    """Real roots; where there are none, or only one, zero takes their place."""
    c0, c1, c2 = q
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        square = c1 * c1 - 4 * c2 * c0
        half = -(c1 + np.copysign(np.sqrt(square), c1)) / 2
        first, second = half / c2, c0 / half
    return tuple(np.where(np.isfinite(r), r, 0.0) for r in (first, second))  # type: ignore[return-value]
