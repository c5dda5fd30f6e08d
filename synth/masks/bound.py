"""The most margin to a mask that any filter of an order can have, with proof.

On the axis |H|^2 is a ratio A(x)/B(x) of polynomials in x = w^2 that are not negative there.  A
margin of m dB to limits of |H| asks at every frequency for

    10^(m/10) low^2 B <= A   and   10^(m/10) A <= high^2 B,

which is linear in the coefficients.  So the largest m on a finite set of frequencies is found by
the differential correction algorithm: a linear program for each m gives the polynomials that
break these inequalities least, and their own margin is the next m.  Frequencies at which the
answer is worse than thought are added.  In the end a linear program a little above the last m
must be infeasible; that is not believed, but shown by its multipliers, with all that rounding can
do taken off.  A set of frequencies, and no limit of the delay: the bound can only be too large.

The polynomials are orthonormal over the frequencies, weighed with a response that is near, so
that a band of one percent and a stop band of 100 dB are no matter.

References
----------
.. [1] I. Barrodale, M. J. D. Powell, F. D. K. Roberts, "The differential correction algorithm for
   rational l-infinity approximation", SIAM J. Numer. Anal. 9 (1972) 493-504 (from memory).
.. [2] A. Neumaier, O. Shcherbina, "Safe bounds in linear and mixed-integer linear programming",
   Math. Program. 99 (2004) 283-296 (from memory).
.. [3] P. D. Brubeck, Y. Nakatsukasa, L. N. Trefethen, "Vandermonde with Arnoldi", SIAM Review 63
   (2021) 405-415 (from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from synth.masks.limits import Limit
from synth.masks.minimax import program
from synth.transfer.critical import magnitude_extrema
from synth.transfer.transfer import Transfer

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

_TURN = 2 * math.pi
#: Frequencies between two edges that are looked at, and those the first linear program has.
_DENSE, _FIRST = 240, 9
_ROUNDS = 80
#: The search ends when it knows the bound to so many dB; the proof is sought so far above,
_NEAR_DB, _ABOVE_DB = 2e-4, 5e-4
#: and where that fails farther by this factor, so often, and then by halving.
_WIDER, _TRIES = 4.0, 9
#: What rounding may do to a row of the program, relatively to its largest entries.
_ROUNDING = 1e-11
#: A and B over their scales count as zero below this while the bound is sought.
_SIGN = 1e-6
#: What divides a row of the linear program is at least this.
_LEAST_WEIGHT = 1e-3
#: Margins beyond this are not looked for.
_LARGEST_DB = 300.0


@lru_cache(maxsize=64)
def most_margin(limits: tuple[Limit, ...], near: Transfer, zeros: int) -> float | None:
    """Return a bound on the margin in dB of every filter with as many poles as one at hand.

    Parameters
    ----------
    limits : tuple of Limit
        Of the magnitude; ``within`` is about `near`.
    near : Transfer
        Its order is the number of poles; the nearer it is to the best, the faster.
    zeros : int
        Most zeros a filter may have.

    Returns
    -------
    float or None
        No rational function with so many poles and zeros has a larger margin, by which it keeps
        all limits; negative where none keeps them.  None where no bound was proved.

    Notes
    -----
    The margin is the least distance in dB to a limit, as in `synth.masks.verify.margin_db`.
    """
    order = near.order
    if not limits or not order:
        return None
    field = _Field.of(limits, near, zeros)
    if field is None:
        return None
    active = field.first
    best, margin = field.margin(*field.start), -math.inf
    weight = np.ones(len(field.angle))
    for _ in range(_ROUNDS):
        level = max(best, margin)
        found = field.least_breach(level, active, weight)
        if found is None:
            break
        if level > _LARGEST_DB:
            return None
        a, b = found.a, found.b
        whole, here = field.margin(a, b), field.margin(a, b, active)
        best = max(best, whole)
        if here > level + _NEAR_DB:
            margin, weight = here, np.clip(b, _LEAST_WEIGHT, None)
            continue
        missed = field.worst(a, b, level - _NEAR_DB) & ~active
        if best >= level - _NEAR_DB or not missed.any():
            break
        active, margin = active | missed, -math.inf
    low = max(best, margin)
    above = (low + _ABOVE_DB * _WIDER**k for k in range(_TRIES))
    high = next((x for x in above if field.infeasible(x, active, weight)), None)
    while high is not None and high - low > 2 * _ABOVE_DB:
        middle = (low + high) / 2
        if field.infeasible(middle, active, weight):
            high = middle
        else:
            low = middle
    return high


class _Found(NamedTuple):
    """A and B over their scales at all frequencies."""

    a: Floats
    b: Floats


@dataclass(frozen=True, eq=False)
class _Program:
    """A linear program: rows of the limits, of the signs, and the sum of B that is 1.

    The sum is over frequencies with limits: more than B has zeros.
    """

    limits: Floats
    signs: Floats
    total: Floats


@dataclass(frozen=True, eq=False)
class _Field:
    """The frequencies, what is allowed there, and the polynomials there.

    A frequency is an angle t with w = sqrt(c) tan t; polynomials in x over (x + c)^n are
    polynomials in -cos 2t.  ``b`` is B over that of the response at hand, ``a`` is A over that
    and over a level that is allowed; `low` and `high` are the limits of a/b.
    """

    angle: Floats
    low: Floats
    high: Floats
    start: tuple[Floats, Floats]
    basis_a: Floats
    basis_b: Floats
    first: Mask

    @classmethod
    def of(cls, limits: Sequence[Limit], near: Transfer, zeros: int) -> _Field | None:
        """Return the field of some limits near a response.

        None where they are at too few frequencies to bound all coefficients.
        """
        order = near.order
        root = float(np.exp(np.mean(np.log(np.abs(near.poles)))))
        edges = _edges(limits, root)
        angle, first = _angles(edges, near, root)
        w = root * np.tan(np.minimum(angle, math.pi / 2))
        w[angle >= math.pi / 2 - 1e-12] = np.inf
        finite = np.isfinite(w)
        size = np.full(len(w), abs(near.gain) ** 2 if near.excess <= 0 else 0.0)
        size[finite] = np.abs(near(1j * w[finite])) ** 2
        low, high = _allowed(limits, angle, root, size)
        roof = np.isfinite(high)
        limited = roof | (low > 0)
        few = (first & roof).sum(), (first & limited).sum()
        if few[0] <= min(zeros, order) or few[1] <= order:
            return None
        level = np.where(roof, high, low)
        between = level == 0
        level[between] = np.maximum(size[between], 1e-12 * size.max())
        below = _denominator(angle, near, root)
        u = -np.cos(2 * angle)
        fall = np.maximum(np.cos(angle), 0.0) ** (2 * max(0, order - zeros))
        return cls(
            angle,
            low / level,
            high / level,
            (size / level, np.ones(len(w))),
            _orthonormal(u, fall / (below * level), min(zeros, order), roof),
            _orthonormal(u, 1 / below, order, limited),
            first,
        )

    def margin(self, a: Floats, b: Floats, where: Mask | None = None) -> float:
        """Return the least distance in dB to a limit at some of the frequencies."""
        at = slice(None) if where is None else where
        a, b, low, high = a[at], b[at], self.low[at], self.high[at]
        if min(a.min(), b.min()) < -_SIGN:
            return -math.inf
        ratio = np.maximum(a, 0.0) / np.maximum(b, _SIGN)
        below = np.divide(ratio, low, out=np.full(len(a), np.inf), where=low > 0)
        above = np.divide(high, ratio, out=np.full(len(a), np.inf), where=ratio > 0)
        return float(10 * np.log10(max(min(below.min(), above.min()), 1e-300)))

    def worst(self, a: Floats, b: Floats, margin: float) -> Mask:
        """Return where the margin is less than this, or a sign wrong: the peaks of each."""
        g = 10 ** (margin / 10)
        capped = np.where(np.isfinite(self.high), self.high, 0.0)
        breaches = (
            np.where(self.low > 0, g * self.low * b - a, -1.0),
            np.where(np.isfinite(self.high), g * a - capped * b, -1.0),
            -a,
            -b,
        )
        found = np.zeros(len(a), dtype=bool)
        for x in breaches:
            padded = np.concatenate([[-np.inf], x, [-np.inf]])
            found |= (x > 0) & (x >= padded[:-2]) & (x >= padded[2:])
        return found

    def _program(self, margin: float, active: Mask, weight: Floats) -> _Program:
        """Return the rows at some frequencies, each over its weight."""
        g = 10 ** (margin / 10)
        a, b = self.basis_a[active], self.basis_b[active]
        low, high, w = self.low[active], self.high[active], weight[active][:, None]
        floor, roof = low > 0, np.isfinite(high)
        lower = np.hstack([-a, g * low[:, None] * b])[floor] / w[floor]
        upper = np.hstack([g * a[roof], -high[roof, None] * b[roof]]) / w[roof]
        nothing_a, nothing_b = np.zeros_like(a), np.zeros_like(b)
        signs = np.vstack([np.hstack([-a, nothing_b]), np.hstack([nothing_a, -b])])
        signs /= np.maximum(np.abs(signs).max(axis=1, keepdims=True), 1e-300)
        total = np.concatenate([np.zeros(a.shape[1]), (b / w)[floor | roof].mean(axis=0)])
        return _Program(np.vstack([lower, upper]), signs, total)

    def least_breach(self, margin: float, active: Mask, weight: Floats) -> _Found | None:
        """Return the polynomials that break the limits of a margin least."""
        p = self._program(margin, active, weight)
        solved = program(*_matrices(p))
        if solved is None:
            return None
        k = self.basis_a.shape[1]
        return _Found(self.basis_a @ solved.x[:k], self.basis_b @ solved.x[k:-1])

    def infeasible(self, margin: float, active: Mask, weight: Floats) -> bool:
        """Return whether multipliers show that no polynomials have a margin.

        With y, z >= 0 and sum y = 1 the least breach is at least v + r.c, where
        y R + z S = v p + r for the rows R of the limits, S of the signs and p of the sum; the
        coefficients c are bounded, since all values of B, and A below a limit, are.
        """
        p = self._program(margin, active, weight)
        solved = program(*_matrices(p))
        if solved is None:
            return False
        count = len(p.limits)
        y, z = np.maximum(solved.multipliers[:count], 0), np.maximum(solved.multipliers[count:], 0)
        if not y.sum() > 0:
            return False
        y, z = y / y.sum(), z / y.sum()
        row = y @ p.limits + z @ p.signs
        v = float(row @ p.total / (p.total @ p.total))
        sizes = self._largest(margin, active, weight)
        scale = y @ np.abs(p.limits) + z @ np.abs(p.signs) + abs(v) * np.abs(p.total)
        return v > float((np.abs(row - v * p.total) + _ROUNDING * scale) @ sizes)

    def _largest(self, margin: float, active: Mask, weight: Floats) -> Floats:
        """Return how large the coefficients can be."""
        a, b, high = self.basis_a[active], self.basis_b[active], self.high[active]
        roof = np.isfinite(high)
        limited = roof | (self.low[active] > 0)
        most_b = limited.sum() * weight[active]
        most_a = (most_b * high)[roof] / 10 ** (margin / 10)
        over = most_a[:, None]
        return np.concatenate(
            [
                np.abs(np.linalg.pinv(a[roof] / over)).sum(axis=1),
                np.abs(np.linalg.pinv(b[limited] / most_b[limited, None])).sum(axis=1),
            ]
        )


def _matrices(p: _Program) -> tuple[Floats, Floats, Floats, tuple[Floats, Floats]]:
    """Return cost, rows with their right sides, and the equation: what `program` takes."""
    n = p.total.size
    free = np.hstack([p.limits, -np.ones((len(p.limits), 1))])
    fixed = np.hstack([p.signs, np.zeros((len(p.signs), 1))])
    rows = np.vstack([free, fixed])
    return (
        np.append(np.zeros(n), 1.0),
        rows,
        np.zeros(len(rows)),
        (np.append(p.total, 0.0)[None, :], np.ones(1)),
    )


def _edges(limits: Sequence[Limit], root: float) -> Floats:
    """Return the angles of the ends of all bands, and of the axis."""
    ends = {math.atan(_TURN * f / root) for x in limits for f in (x.low_hz, x.high_hz)}
    return np.array(sorted(ends | {0.0, math.pi / 2}))


def _angles(edges: Floats, near: Transfer, root: float) -> tuple[Floats, Mask]:
    """Return angles between the edges, crowded there, and which of them come first."""
    crowded = (1 - np.cos(np.linspace(0, math.pi, _DENSE + 1))) / 2
    pieces = [low + (high - low) * crowded for low, high in pairwise(edges)]
    special = np.arctan(magnitude_extrema(near.zeros, near.poles) / root)
    every = max(1, _DENSE // (_FIRST + near.order))
    few = np.concatenate([*(p[::every] for p in pieces), edges, special])
    angle = np.unique(np.concatenate([*pieces, few]))
    return angle, np.isin(angle, few)


def _allowed(
    limits: Sequence[Limit], angle: Floats, root: float, size: Floats
) -> tuple[Floats, Floats]:
    """Return the least and the largest |H|^2 allowed."""
    low, high = np.zeros(len(angle)), np.full(len(angle), np.inf)
    for x in limits:
        ends = (math.atan(_TURN * f / root) for f in (x.low_hz, x.high_hz))
        first, last = ends
        inside = (angle >= first) & (angle <= last)
        level = 10 ** (x.level_db / 10)
        if x.operation != "<=":
            least = level if x.operation == ">=" else size[inside] / level
            low[inside] = np.maximum(low[inside], least)
        if x.operation != ">=":
            most = level if x.operation == "<=" else size[inside] * level
            high[inside] = np.minimum(high[inside], most)
    return low, high


def _denominator(angle: Floats, near: Transfer, root: float) -> Floats:
    """Return |D|^2 over (x + c)^n."""
    poles = np.array(near.poles) / root
    size = np.abs(1j * np.sin(angle)[:, None] - np.cos(angle)[:, None] * poles) ** 2
    return np.asarray(size.prod(axis=1))


def _orthonormal(u: Floats, first: Floats, degree: int, where: Mask) -> Floats:
    """Return (points, degree + 1) polynomials in u times `first`, orthonormal over some points."""
    columns = [first / np.linalg.norm(first[where])]
    for _ in range(degree):
        new = u * columns[-1]
        known = np.array(columns)
        for _ in range(2):
            new = new - known.T @ (known[:, where] @ new[where])
        columns.append(new / np.linalg.norm(new[where]))
    return np.asarray(np.array(columns).T * math.sqrt(where.sum()))
