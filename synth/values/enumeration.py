"""Exact enumeration: every assignment whose coefficient ratios lie within bounds.

"low <= P/Q <= high" is linear in the next variable for every fixed choice of the others, and a
multilinear function over a box has its extremes at the box's vertices.  So variables are fixed
one at a time; bounds at the vertices of those still free narrow the grid of the next one.
Partial assignments are rows of arrays, worked on in chunks, depth first, so that memory stays
bounded.  Nothing within the bounds is lost: what is dropped violates one of them at every vertex.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from synth.values.closing import Band, crossings
from synth.values.layout import DONE, Bounds, Budget, Layout

Array = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

#: Rows worked on at once: arrays that fit the cache.
CHUNK = 8192
#: Ranges of the last but one variable longer than this are shortened together with the last.
_LONG = 3
#: Work of that, in rows.
_CLOSING = 2
#: Widening of a variable's range against rounding.
_EDGE = 1e-9


@dataclass(frozen=True, eq=False)
class _Front:
    """Rows of partial assignments.

    ``tensors[p]`` holds the coefficients of polynomial p in its free variables, one axis of
    length 2 each, the rows on the last axis; ``window`` the smallest and largest admittance used
    so far of each kind (2, kinds, rows).
    """

    index: IntArray
    tensors: tuple[Array, ...]
    window: Array

    @property
    def rows(self) -> int:
        return int(self.index.shape[1])

    def take(self, rows: IntArray | slice) -> _Front:
        return _Front(
            self.index[:, rows],
            tuple(t[..., rows] for t in self.tensors),
            self.window[..., rows],
        )


class _Plan(NamedTuple):
    """Values of the next variable to take: `many` grid indices from `first` on, with a row."""

    parent: IntArray
    first: IntArray
    many: IntArray

    def where(self, rows: slice | npt.NDArray[np.bool_]) -> _Plan:
        return _Plan(self.parent[rows], self.first[rows], self.many[rows])

    def apart(self) -> _Plan:
        """Return the same where ranges of one row, ascending, may share an end, taken once."""
        last = self.first + self.many
        same = np.concatenate([[False], self.parent[1:] == self.parent[:-1]])
        before = np.concatenate([[0], last[:-1]])
        first = np.where(same, np.maximum(self.first, before), self.first)
        some = last > first
        return _Plan(self.parent[some], first[some], (last - first)[some])


class _Search:
    """One run of the enumeration over a layout."""

    def __init__(self, layout: Layout, bounds: Bounds) -> None:
        self.layout = layout
        self.form = layout.form
        self.bounds = bounds
        self.free = [layout.variables_of(p) for p in range(len(layout.rows))]
        self.pure = [layout.factors_of(p) for p in range(len(layout.rows))]
        self.kind = [
            layout.letters.index(v.letter) if v.letter else -1 for v in self.form.variables
        ]
        self.first = sum(1 for k in layout.order if k in self.form.outer)
        self.boxes = [np.array([[v.grid[0]], [v.grid[-1]]]) for v in self.form.variables]
        self.spans = [(0, len(v.grid)) for v in self.form.variables]

    # -- the root --------------------------------------------------------------------------

    def root(self) -> _Front:
        """One row with nothing fixed, or one for each choice of the outer variables."""
        outer = [self.form.variables[k].grid for k in self.layout.order[: self.first]]
        sizes = [len(g) for g in outer]
        count = int(np.prod(sizes))
        index = np.zeros((self.first, count), dtype=np.int64)
        if sizes:
            index[:] = np.unravel_index(np.arange(count), sizes)
        window = np.empty((2, len(self.layout.letters), count))
        window[0], window[1] = np.inf, 0.0
        for at, letter in enumerate(self.layout.letters):
            for y in self.layout.given.get(letter, ()):
                window[0, at] = np.minimum(window[0, at], y)
                window[1, at] = np.maximum(window[1, at], y)
        factor = np.ones((len(self.form.exponents), count))
        for k, g, i in zip(self.layout.order, outer, index, strict=False):
            factor *= g[i][None, :] ** self.form.exponents[:, k][:, None]
            self._widen(window, k, g[i])
        tensors = tuple(self._tensor(p, factor) for p in range(len(self.layout.rows)))
        return _Front(index, tensors, window)

    def _tensor(self, p: int, factor: Array) -> Array:
        free = list(self.free[p])
        tensor = np.zeros((2,) * len(free) + (factor.shape[1],))
        for t in np.flatnonzero(self.layout.rows[p]):
            at = tuple(self.form.exponents[t, free])
            tensor[at] += self.layout.rows[p, t] * factor[t]
        return tensor

    def _widen(self, window: Array, k: int, z: Array) -> None:
        at = self.kind[k]
        if at >= 0:
            y = z ** (1.0 / self.form.variables[k].power)
            window[0, at] = np.minimum(window[0, at], y)
            window[1, at] = np.maximum(window[1, at], y)

    def tighten(self, front: _Front) -> bool:
        """Narrow the grids of all variables by the bounds at the root; False when one is empty."""
        for _ in range(3):
            before = list(self.spans)
            for k in self.layout.order:
                grid = self.form.variables[k].grid
                low, high = self._range(front, k, 0)
                start = max(self.spans[k][0], int(np.searchsorted(grid, low.min() * (1 - _EDGE))))
                stop = min(
                    self.spans[k][1],
                    int(np.searchsorted(grid, high.max() * (1 + _EDGE), side="right")),
                )
                if start >= stop:
                    return False
                self.spans[k] = (start, stop)
                self.boxes[k] = np.array([[grid[start]], [grid[stop - 1]]])
            if self.spans == before:
                break
        return True

    # -- narrowing -------------------------------------------------------------------------

    def _box(self, front: _Front, k: int) -> Array:
        """Smallest and largest value of a variable, (2, 1) or (2, rows)."""
        at, box = self.kind[k], self.boxes[k]
        if not np.isfinite(self.bounds.spread):
            return box
        if self.form.variables[k].divider:
            reach = self.bounds.spread * (1 + _EDGE)
            return np.array([np.maximum(box[0], 1 / reach), np.minimum(box[1], reach)])
        if at < 0:
            return box
        power = self.form.variables[k].power
        limit = self.bounds.spread * (1 + _EDGE)
        low = np.maximum(box[0], (front.window[1, at] / limit) ** power)
        high = np.minimum(box[1], (front.window[0, at] * limit) ** power)
        return np.stack([low, high])

    def _range(self, front: _Front, k: int, depth: int) -> tuple[Array, Array]:
        """Smallest and largest value of variable k that some vertex of the others allows."""
        low, high = self._box(front, k)
        fixed = frozenset(self.layout.order[:depth])
        known: dict[tuple[int, frozenset[int]], tuple[Array, tuple[int, ...]]] = {}
        for r in self.bounds.ratios:
            if k not in self.free[r.top] and k not in self.free[r.under]:
                continue
            common = (self.pure[r.top] & self.pure[r.under]) - fixed
            if k in common:
                continue
            others = tuple(
                v
                for v in self.layout.order[depth:]
                if v != k and v not in common and (v in self.free[r.top] or v in self.free[r.under])
            )
            top, under = (
                self._at_vertices(front, p, k, common, others, depth, known)
                for p in (r.top, r.under)
            )
            for sign, limit in ((1.0, r.low), (-1.0, r.high)):
                if not np.isfinite(limit):
                    continue
                a, b = (sign * (t - limit * u) for t, u in zip(top, under, strict=True))
                lower, upper = _halfline(a, b, low, high)
                axes = tuple(range(len(others)))
                low, high = lower.min(axis=axes), upper.max(axis=axes)
        low, high = np.broadcast_arrays(low, high)
        return low, high

    def _at_vertices(
        self,
        front: _Front,
        p: int,
        k: int,
        common: frozenset[int],
        others: Sequence[int],
        depth: int,
        known: dict[tuple[int, frozenset[int]], tuple[Array, tuple[int, ...]]],
    ) -> tuple[Array, Array]:
        """Coefficients (a, b) of ``a + b*k`` at the vertices: an axis for each of `others`."""
        if (p, common) not in known:
            free = [v for v in self.free[p] if v in self.layout.order[depth:]]
            tensor = front.tensors[p]
            axis = 0
            left = []
            for v in free:
                if v in common:
                    tensor = np.asarray(tensor.take(1, axis=axis))
                    continue
                if v != k:
                    zero, one = tensor.take(0, axis=axis), tensor.take(1, axis=axis)
                    box = self._box(front, v)
                    tensor = np.stack([zero + one * box[0], zero + one * box[1]], axis=axis)
                left.append(v)
                axis += 1
            known[p, common] = (tensor, tuple(left))
        tensor, kept = known[p, common]
        shape = (*(2 if v in kept else 1 for v in others), tensor.shape[-1])
        if k not in kept:
            return tensor.reshape(shape), np.zeros(shape)
        at = kept.index(k)
        return tensor.take(0, axis=at).reshape(shape), tensor.take(1, axis=at).reshape(shape)

    # -- expanding -------------------------------------------------------------------------

    def step(self, front: _Front, depth: int) -> _Plan:
        """Which values of the next variable to take with which row."""
        k = self.layout.order[depth]
        low, high = (np.broadcast_to(x, front.rows) for x in self._range(front, k, depth))
        plan = self._plan(np.arange(front.rows), low, high, k)
        if depth != len(self.layout.order) - 2 or not len(plan.parent):
            return plan
        long = plan.many > _LONG
        if not long.any():
            return plan
        whole, short = plan.where(long), plan.where(~long)
        grid = self.form.variables[k].grid
        bands = self._bands(front.take(whole.parent), depth)
        ends = grid[whole.first], grid[whole.first + whole.many - 1]
        parent, low, high = crossings(bands, *ends)
        closer = self._plan(whole.parent[parent], low, high, k).apart()
        return _Plan(*(np.concatenate(x) for x in zip(short, closer, strict=True)))

    def _plan(self, parent: IntArray, low: Array, high: Array, k: int) -> _Plan:
        """Grid values between the ends; rows without any are left out."""
        grid = self.form.variables[k].grid
        start, stop = self.spans[k]
        first = np.maximum(np.searchsorted(grid, low * (1 - _EDGE)), start)
        last = np.minimum(np.searchsorted(grid, high * (1 + _EDGE), side="right"), stop)
        some = last > first
        return _Plan(parent[some], first[some], (last - first)[some])

    def _bands(self, front: _Front, depth: int) -> list[Band]:
        """Return the ratios that depend on the last variable, the narrowest first."""
        x, y = self.layout.order[depth:]
        found = []
        for r in sorted(self.bounds.ratios, key=lambda r: (r.high - r.low) / abs(r.high)):
            common = self.pure[r.top] & self.pure[r.under]
            depends = y in self.free[r.top] or y in self.free[r.under]
            if y in common or not depends or not np.isfinite([r.low, r.high]).all():
                continue
            top, under = (self._plane(front, p, x, y, x in common) for p in (r.top, r.under))
            found.append(Band(top - r.low * under, r.high * under - top))
        return found

    def _plane(self, front: _Front, p: int, x: int, y: int, divided: bool) -> Array:
        """Coefficients of polynomial p in the last two variables, over x where it divides both."""
        tensor = front.tensors[p]
        found = np.zeros((2, 2, tensor.shape[-1]))
        rows = slice(None) if x in self.free[p] else slice(0, 1)
        columns = slice(None) if y in self.free[p] else slice(0, 1)
        found[rows, columns] = tensor.reshape(found[rows, columns].shape)
        if divided:
            found[0], found[1] = found[1], 0.0
        return found

    def expand(self, front: _Front, depth: int, plan: _Plan) -> _Front:
        """Fix the next variable at each of its values."""
        k = self.layout.order[depth]
        parent = np.repeat(plan.parent, plan.many)
        before = np.repeat(np.cumsum(plan.many) - plan.many, plan.many)
        chosen = np.repeat(plan.first, plan.many) + np.arange(len(parent)) - before
        z = self.form.variables[k].grid[chosen]
        tensors = []
        for p, t in enumerate(front.tensors):
            if k in self.free[p]:
                tensors.append(t[0][..., parent] + t[1][..., parent] * z)
            else:
                tensors.append(t[..., parent])
        window = front.window[..., parent]
        self._widen(window, k, z)
        return _Front(np.vstack([front.index[:, parent], chosen]), tuple(tensors), window)


def _halfline(a: Array, b: Array, low: Array, high: Array) -> tuple[Array, Array]:
    """Return the ends of {v in [low, high]: a + b*v >= 0}; (inf, -inf) where it is empty."""
    with np.errstate(divide="ignore", invalid="ignore"):  # an end may be infinite already
        at_low, at_high = a + b * low, a + b * high
        crossing = -a / b
    good_low, good_high = at_low >= 0, at_high >= 0
    lower = np.where(good_low, low, np.where(good_high, crossing, np.inf))
    upper = np.where(good_high, high, np.where(good_low, crossing, -np.inf))
    return lower, upper


#: Takes (variables, hits) grid indices in the order of the form's variables and (polynomials,
#: hits) signed coefficients; returns tighter bounds to go on with, or None.
Visitor = Callable[[IntArray, Array], "Bounds | None"]


def enumerate_within(layout: Layout, bounds: Bounds, visit: Visitor, budget: Budget) -> bool:
    """Visit every assignment within the bounds, and a few beyond them by the slack.

    Parameters
    ----------
    layout : Layout
    bounds : Bounds
    visit : callable
        Called with chunks of assignments; what it returns replaces the bounds, and must be
        tighter; `DONE` ends the enumeration.
    budget : Budget
        Changed: rows are taken off.

    Returns
    -------
    bool
        Whether all of them were visited; False when the budget was used up before.
    """
    if bounds.impossible:
        return True
    search = _Search(layout, bounds)
    root = search.root()
    if not search.tighten(root):
        return True
    order = layout.order
    place = np.argsort(order)
    if search.first == len(order):
        visit(root.index[place], np.vstack(list(root.tensors)))
        return True
    stack: list[tuple[_Front, int, _Plan | None]] = [(root, search.first, None)]
    while stack:
        front, depth, plan = stack.pop()
        if plan is None:
            if front.rows > CHUNK:
                stack.append((front.take(slice(CHUNK, None)), depth, None))
                front = front.take(slice(None, CHUNK))
            plan = search.step(front, depth)
            if not budget.spend(front.rows * (_CLOSING if depth == len(order) - 2 else 1)):
                return False
        if not len(plan.parent):
            continue
        total = np.cumsum(plan.many)
        most = int(np.searchsorted(total, max(4 * CHUNK, int(plan.many.max())), side="right"))
        if most < len(total):
            stack.append((front, depth, plan.where(slice(most, None))))
        grown = search.expand(front, depth, plan.where(slice(None, most)))
        if not budget.spend(grown.rows):
            return False
        if depth + 1 < len(order):
            stack.append((grown, depth + 1, None))
            continue
        tighter = visit(grown.index[place], np.vstack(list(grown.tensors)))
        if tighter is DONE:
            return True
        if tighter is not None:
            search.bounds = tighter
            if tighter.impossible or not search.tighten(root):
                return True
    return True
