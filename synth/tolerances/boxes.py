"""The largest ``|A|/|B|`` over a box, A and B multilinear: vertices, certificates, halving.

Over a box a multilinear function takes its values in the convex hull of those at the vertices
(the mapping theorem: L. A. Zadeh, C. A. Desoer, Linear System Theory, McGraw-Hill 1963, section
9.17, from memory).  For any direction phi in which all B have a positive component
``|A|/|B| <= |A|/Re(B*exp(-j*phi))``; the right side is quasi-convex on the hull, so its maximum
over the vertices bounds the left side over the whole box.  The bound is rigorous for every phi;
the best of some is taken.

A box whose bound is no more than what a vertex reaches is done.  Else parts in which ``|A|/|B|``
is certainly monotone over the box (sign of ``Re(v*A1/A - v*B1/B)``, by disc arithmetic) go to
their better end, which is exact; and when there are none the box is halved.  Boxes of many
frequencies are worked on together, sorted by the parts that still vary.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from synth.tolerances.climb import climb, vanishes
from synth.tolerances.factored import ComplexArray
from synth.tolerances.spread import Array, BoolArray

IntArray = npt.NDArray[np.int64]

#: A bound within this of a value that is reached counts as reached (0.005 dB).
CLOSED_DB = 0.005
_CLOSED = 10 ** (CLOSED_DB / 20)
#: As near as this they are brought while this share of the work allowed lasts.
_NEARER, _WHILE = 10 ** (1e-4 / 20), 0.4
_ANGLES = np.linspace(-0.48 * np.pi, 0.48 * np.pi, 17)
_FINE = np.linspace(-1.0, 1.0, 5) * (_ANGLES[1] - _ANGLES[0])
_AT_ONCE = 1 << 17  # vertices


@dataclass(frozen=True)
class Boxes:
    """Boxes of the same varying parts; one row each.

    Parameters
    ----------
    a, b : array (rows, 2**parts)
        Coefficients of the monomials; bit k of the place says whether part k is in it.
    low, high : array (rows, parts)
        Ranges of the varying parts.
    parts : tuple of int
        Which they are.
    goal : array of int (rows,)
        Index of the maximum that the box belongs to.
    """

    a: ComplexArray
    b: ComplexArray
    low: Array
    high: Array
    parts: tuple[int, ...]
    goal: IntArray


@dataclass(frozen=True)
class Maxima:
    """What was found.

    Parameters
    ----------
    bound : array (goals,)
        ``|A|/|B|`` is nowhere in the box above it.
    reached : array (goals,)
        The largest value met.
    """

    bound: Array
    reached: Array

    @property
    def closed(self) -> BoolArray:
        """Whether bound and value agree, to `CLOSED_DB`."""
        return np.asarray(self.bound <= self.reached * _CLOSED * (1 + 1e-9))


def maximise(a: ComplexArray, b: ComplexArray, low: Array, high: Array, budget: int) -> Maxima:
    """Return the largest ``|A|/|B|`` over the box for each row of coefficients.

    Parameters
    ----------
    a, b : array (goals, 2**parts)
        Coefficients, as in `Boxes`.
    low, high : array (parts,)
        The box, positive.
    budget : int
        Vertices that may be looked at; what is not finished then has its bound only.
    """
    goals, parts = len(a), len(low)
    enough = budget * (1 - _WHILE)
    reached, bound = np.zeros(goals), np.zeros(goals)
    start = Boxes(
        a,
        b,
        np.tile(low, (goals, 1)),
        np.tile(high, (goals, 1)),
        tuple(range(parts)),
        np.arange(goals),
    )
    if parts:
        reached[vanishes(b, start.low, start.high)] = np.inf
    waiting = {start.parts: [start]}
    while waiting:
        parts_left = max(waiting, key=lambda p: (len(p), p))
        stack = waiting[parts_left]
        batch = stack.pop() if len(stack) == 1 else _joined(stack)
        step = max(1, _AT_ONCE >> len(parts_left))
        if len(batch.goal) > step:
            waiting[parts_left] = [_rows(batch, slice(step, None))]
            batch = _rows(batch, slice(0, step))
        else:
            del waiting[parts_left]
        budget -= len(batch.goal) << len(parts_left)
        near = _NEARER if budget > enough else _CLOSED
        for piece in _treat(batch, reached, bound, near, budget <= 0):
            waiting.setdefault(piece.parts, []).append(piece)
    return Maxima(np.maximum(bound, reached), reached)


def _treat(batch: Boxes, reached: Array, bound: Array, near: float, last: bool) -> list[Boxes]:
    """Bound the boxes; return what is left to do of those that are not done.

    `near` is the factor within which a bound counts as reached.
    """
    va, vb = vertices(batch.a, batch.low, batch.high), vertices(batch.b, batch.low, batch.high)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        sizes = np.abs(va) / np.abs(vb)
        sizes = np.where(np.isnan(sizes), 0.0, sizes)
        np.maximum.at(reached, batch.goal, sizes.max(axis=1))
        most = sizes[:, 0] if not batch.parts else _most(va, vb)
        done = np.asarray((most <= reached[batch.goal] * near) | last)
        np.maximum.at(bound, batch.goal[done], most[done])
        open_ = np.flatnonzero(~done)
        if not len(open_):
            return []
        left = _rows(batch, open_)
        corner = sizes[open_].argmax(axis=1)[:, None] >> np.arange(len(batch.parts)) & 1
        point = np.where(corner == 1, left.high, left.low)
        better = climb(left.a, left.b, left.low, left.high, point)
        np.maximum.at(reached, left.goal, better)
        still = most[open_] > reached[left.goal] * near
        np.maximum.at(bound, left.goal[~still], most[open_][~still])
        open_, left = open_[still], _rows(left, still)
        if not len(open_):
            return []
        signs = _signs(va[open_], vb[open_], left.low, left.high)
        free = np.asarray(~signs.any(axis=1))
        pieces = _settled(_rows(left, ~free), signs[~free])
        if free.any():
            pieces += _halved(_rows(left, free), sizes[open_[free]])
    return pieces


def vertices(coefficients: ComplexArray, low: Array, high: Array) -> ComplexArray:
    """Return the values at the vertices, (rows, 2**parts); bit k set is the high end of part k."""
    found = coefficients
    rows, size = found.shape
    for k in range(low.shape[1]):
        cube = found.reshape(rows, size >> (k + 1), 2, 1 << k)
        without, within = cube[:, :, 0], cube[:, :, 1]
        ends = [without + e[:, k, None, None] * within for e in (low, high)]
        found = np.stack(ends, axis=2).reshape(rows, size)
    return np.asarray(found)


def _most(va: ComplexArray, vb: ComplexArray) -> Array:
    """Bound on ``|A|/|B|`` from the vertices; infinite when no direction separates B from 0."""
    size = np.abs(va)
    middle = np.angle(vb.mean(axis=1))
    best = np.full(len(va), np.inf)
    at = middle.copy()
    for angles in (_ANGLES, _FINE):
        centre = at.copy()
        for angle in angles:
            phi = centre + angle
            part = vb.real * np.cos(phi)[:, None] + vb.imag * np.sin(phi)[:, None]
            found = np.where(part.min(axis=1) > 0, (size / part).max(axis=1), np.inf)
            at = np.where(found < best, phi, at)
            best = np.minimum(best, found)
    return np.asarray(best * (1 + 1e-12))


def _signs(va: ComplexArray, vb: ComplexArray, low: Array, high: Array) -> Array:
    """+1 or -1 where ``|A|/|B|`` certainly grows or falls with a part all over the box, else 0."""
    found = np.zeros(low.shape)
    for k in range(low.shape[1]):
        ca, ra = _growth(va, low[:, k], high[:, k], k)
        cb, rb = _growth(vb, low[:, k], high[:, k], k)
        certain = np.abs(ca - cb) > (ra + rb) * (1 + 1e-9) + 1e-12
        found[:, k] = np.where(certain, np.sign(ca - cb), 0.0)
    return found


def _growth(v: ComplexArray, low: Array, high: Array, k: int) -> tuple[Array, Array]:
    """Centre and radius of an interval that holds ``Re(v*P1/P)``, P = P0 + v*P1, over the box.

    With ``z = P0/(v*P1)`` it is ``Re 1/(1 + z)``, or 1 or 0 where P0 or P1 vanishes.
    """
    cube = v.reshape(len(v), -1, 2, 1 << k)
    p1 = ((cube[:, :, 1] - cube[:, :, 0]) / (high - low)[:, None, None]).reshape(len(v), -1)
    p0 = cube[:, :, 0].reshape(len(v), -1) - low[:, None] * p1
    scale = np.abs(v).max(axis=1) * 1e-11
    none0, none1 = np.abs(p0).max(axis=1) <= scale, np.abs(p1).max(axis=1) * high <= scale
    c0, r0 = _disc(p0)
    c1, r1 = _disc(p1)
    inverse, spread = _inverse(c1, r1)
    centre = c0 * inverse
    radius = np.abs(c0) * spread + np.abs(inverse) * r0 + r0 * spread
    # over v: from 1/high to 1/low
    half = (1 / low - 1 / high) / 2
    radius = radius / low + np.abs(centre) * half
    centre = 1 + centre * (1 / low + 1 / high) / 2
    value, spread = _inverse(centre, radius)
    at = np.where(none0, 1.0, np.where(none1, 0.0, value.real))
    around = np.where(none0 | none1, 0.0, spread)
    return np.where(np.isfinite(at), at, 0.0), np.where(np.isnan(around), np.inf, around)


def _disc(v: ComplexArray) -> tuple[ComplexArray, Array]:
    """Centre and radius of a disc around the values of each row."""
    centre = v.mean(axis=1)
    return centre, np.abs(v - centre[:, None]).max(axis=1)


def _inverse(centre: ComplexArray, radius: Array) -> tuple[ComplexArray, Array]:
    """Return the disc of 1/z, z in a disc; of infinite radius when that holds 0."""
    left = np.abs(centre) ** 2 - radius**2
    inside = left <= 0
    safe = np.where(inside, 1.0, left)
    return centre.conj() / safe, np.where(inside, np.inf, radius / safe)


def _settled(boxes: Boxes, signs: Array) -> list[Boxes]:
    """Put the monotone parts at their better ends; boxes of the same parts left go together."""
    if not len(boxes.goal):
        return []
    keys = (signs != 0) @ (1 << np.arange(len(boxes.parts)))
    pieces = []
    for key in np.unique(keys):
        rows = _rows(boxes, keys == key)
        chosen = signs[keys == key]
        a, b = rows.a, rows.b
        gone = [k for k in range(len(boxes.parts)) if int(key) >> k & 1]
        for k in reversed(gone):
            value = np.where(chosen[:, k] > 0, rows.high[:, k], rows.low[:, k])
            a, b = _fixed(a, k, value), _fixed(b, k, value)
        stay = [k for k in range(len(boxes.parts)) if k not in gone]
        pieces.append(
            Boxes(
                a,
                b,
                rows.low[:, stay],
                rows.high[:, stay],
                tuple(boxes.parts[k] for k in stay),
                rows.goal,
            )
        )
    return pieces


def _fixed(coefficients: ComplexArray, k: int, value: Array) -> ComplexArray:
    cube = coefficients.reshape(len(coefficients), -1, 2, 1 << k)
    return np.asarray(
        (cube[:, :, 0] + value[:, None, None] * cube[:, :, 1]).reshape(len(coefficients), -1)
    )


def _halved(boxes: Boxes, sizes: Array) -> list[Boxes]:
    """Halve each box along the part that changes ``|A|/|B|`` most."""
    logs = np.log(np.clip(sizes, 1e-300, 1e300))
    effects = []
    for k in range(len(boxes.parts)):
        cube = logs.reshape(len(logs), -1, 2, 1 << k)
        effects.append(np.abs(cube[:, :, 1] - cube[:, :, 0]).max(axis=(1, 2)))
    axis = np.argmax(np.array(effects), axis=0)
    rows = np.arange(len(axis))
    middle = np.sqrt(boxes.low[rows, axis] * boxes.high[rows, axis])
    lower, upper = boxes.high.copy(), boxes.low.copy()
    lower[rows, axis] = middle
    upper[rows, axis] = middle
    return [
        Boxes(boxes.a, boxes.b, boxes.low, lower, boxes.parts, boxes.goal),
        Boxes(boxes.a, boxes.b, upper, boxes.high, boxes.parts, boxes.goal),
    ]


def _rows(boxes: Boxes, keep: slice | BoolArray | IntArray) -> Boxes:
    return Boxes(
        boxes.a[keep],
        boxes.b[keep],
        boxes.low[keep],
        boxes.high[keep],
        boxes.parts,
        boxes.goal[keep],
    )


def _joined(stack: list[Boxes]) -> Boxes:
    return Boxes(
        np.vstack([x.a for x in stack]),
        np.vstack([x.b for x in stack]),
        np.vstack([x.low for x in stack]),
        np.vstack([x.high for x in stack]),
        stack[0].parts,
        np.concatenate([x.goal for x in stack]),
    )
