"""A problem made ready for enumeration: variables, each to the first power where that can be.

Two elements that enter every coefficient only through their product, or only through their
ratio (the two resistors that set a gain), are one variable whose grid holds the distinct
products or ratios: the search then looks up in a sorted list what it would have to scan.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import numpy.typing as npt

from synth.values.problem import Problem

Array = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

#: Grids of pairs longer than this cost more to sort than they save.
MOST_PAIRS = 100_000
#: Products nearer than this, relatively, are one; far below the slack of the enumeration.
MERGE = 1e-12


@dataclass(frozen=True, eq=False)
class Variable:
    """One unknown of the enumeration.

    Parameters
    ----------
    grid : array
        Its values ascending: powers, products or ratios of admittances.
    elements : tuple of int
        Places of the elements behind it.
    members : array of int (choices, elements)
        Indices into the elements' values, sorted by grid value.
    starts : array of int (grid + 1,)
        Choices ``starts[i]`` to ``starts[i + 1]`` have grid value i.
    letter : str
        Kind of the part when one element is behind it, else empty.
    power : int
        Grid values are admittances to this power when one element is behind it.
    divider : str
        Kind of the two parts whose ratio it is, else empty.
    """

    grid: Array
    elements: tuple[int, ...]
    members: IntArray
    starts: IntArray
    letter: str
    power: int
    divider: str = ""


@dataclass(frozen=True, eq=False)
class Form:
    """Polynomials in variables.

    Parameters
    ----------
    variables : tuple of Variable
    exponents : array of int (terms, variables)
        0 or 1, but for variables in `outer`.
    rows : array (polynomials, terms)
    outer : frozenset of int
        Variables of which some polynomial has a square: they are fixed first.
    """

    variables: tuple[Variable, ...]
    exponents: IntArray
    rows: Array
    outer: frozenset[int]

    def choices(self, index: IntArray, most: int) -> IntArray:
        """Return (choices, elements) indices into the elements' values, for one grid point each.

        Parameters
        ----------
        index : array of int (variables,)
            A grid index for every variable.
        most : int
            Not more choices than this are unfolded.
        """
        count = 1 + max((max(v.elements) for v in self.variables), default=-1)
        rows = np.zeros((1, count), dtype=np.int64)
        for v, i in zip(self.variables, index, strict=True):
            members = v.members[v.starts[i] : v.starts[i + 1]][: max(1, most // len(rows))]
            rows = np.repeat(rows, len(members), axis=0)
            rows[:, v.elements] = np.tile(members, (len(rows) // len(members), 1))
        return rows

    def least_spread(self, index: IntArray) -> Array:
        """Return (points,) a spread that no choice behind a grid point is below.

        Parameters
        ----------
        index : array of int (variables, points)
        """
        found = np.ones(index.shape[1])
        windows: dict[str, tuple[Array, Array]] = {}
        for v, i in zip(self.variables, index, strict=True):
            z = v.grid[i]
            if v.divider:
                found = np.maximum(found, np.maximum(z, 1 / z))
            elif v.letter:
                y = z ** (1.0 / v.power)
                low, high = windows.get(v.letter, (y, y))
                windows[v.letter] = (np.minimum(low, y), np.maximum(high, y))
        for low, high in windows.values():
            found = np.maximum(found, high / low)
        return found

    def unfold(
        self, index: IntArray, elements: Sequence[tuple[str, Array]], spread: float
    ) -> tuple[IntArray, IntArray]:
        """Return the choices behind grid points whose spread is small, and the point of each.

        Parameters
        ----------
        index : array of int (variables, points)
        elements : sequence of (letter, values)
            Of the elements.
        spread : float
            Largest over smallest value of one kind, at most.

        Returns
        -------
        choices : array of int (choices, elements)
            Indices into the elements' values.
        parent : array of int (choices,)
        """
        parent = np.arange(index.shape[1])
        rows = np.zeros((len(parent), len(elements)), dtype=np.int64)
        windows = {letter: (np.full(len(parent), np.inf), np.zeros(len(parent)))
                   for letter, _ in elements}  # fmt: skip
        for v, i in sorted(
            zip(self.variables, index, strict=True), key=lambda x: len(x[0].elements)
        ):
            first = v.starts[i[parent]]
            many = v.starts[i[parent] + 1] - first
            place = np.repeat(np.arange(len(parent)), many)
            within = np.arange(len(place)) - np.repeat(np.cumsum(many) - many, many)
            members = v.members[first[place] + within]
            windows = {x: (low[place], high[place]) for x, (low, high) in windows.items()}
            for column, k in enumerate(v.elements):
                letter, values = elements[k]
                low, high = windows[letter]
                value = values[members[:, column]]
                windows[letter] = (np.minimum(low, value), np.maximum(high, value))
            near = np.ones(len(place), dtype=bool)
            for low, high in windows.values():
                near &= high <= low * spread
            place, members = place[near], members[near]
            windows = {x: (low[near], high[near]) for x, (low, high) in windows.items()}
            rows, parent = rows[place], parent[place]
            rows[:, v.elements] = members
        return rows, parent


def form_of(problem: Problem) -> Form:
    """Return the problem with one variable for each element."""
    exponents = problem.exponents - problem.exponents.min(axis=0)
    variables = []
    outer = set()
    for k, e in enumerate(problem.elements):
        column = exponents[:, k]
        power = int(column.max(initial=0)) or 1
        if power > 1 and set(column.tolist()) <= {0, power}:
            exponents[:, k] = column // power
        elif power > 1:
            outer.add(k)
            power = 1
        grid = e.admittances(e.values) ** power
        order = np.argsort(grid, kind="stable")
        variables.append(
            Variable(grid[order], (k,), order[:, None], np.arange(len(order) + 1), e.letter, power)
        )
    return Form(tuple(variables), exponents, problem.rows, frozenset(outer))


def reduced(form: Form, dividers: bool = False) -> Form:
    """Return the form with pairs of variables replaced by their product or ratio.

    The longest pair that fits `MOST_PAIRS` goes first, until none is left.

    Parameters
    ----------
    form : Form
    dividers : bool
        Only ratios of two parts of one kind, of which few have the same value: for searches
        that look at every choice behind a grid point.
    """
    while True:
        pairs = [
            (len(form.variables[i].members) * len(form.variables[j].members), i, j, ratio)
            for i, j in combinations(range(len(form.variables)), 2)
            if not {i, j} & form.outer
            for ratio in (_link(form.exponents[:, i], form.exponents[:, j]),)
            if ratio is not None
            and (not dividers or (ratio and _like(form.variables[i], form.variables[j])))
        ]
        pairs = [p for p in pairs if p[0] <= MOST_PAIRS]
        if not pairs:
            return form
        _, i, j, ratio = max(pairs, key=lambda p: (p[0], -p[1], -p[2]))
        form = _merged(form, i, j, ratio)


def _like(u: Variable, v: Variable) -> bool:
    """Return whether both stand for one part each, of one kind."""
    return bool(u.letter) and u.letter == v.letter


def _link(a: IntArray, b: IntArray) -> bool | None:
    """Return True when only a/b matters, False when only a*b does, None when both matter."""
    if not a.any() or not b.any():
        return None
    if (a + b == 1).all():
        return True
    return False if (a == b).all() else None


def _merged(form: Form, i: int, j: int, ratio: bool) -> Form:
    u, v = form.variables[i], form.variables[j]
    first = np.repeat(np.arange(len(u.grid)), np.diff(u.starts))
    second = np.repeat(np.arange(len(v.grid)), np.diff(v.starts))
    a, b = (
        np.repeat(np.arange(len(first)), len(second)),
        np.tile(np.arange(len(second)), len(first)),
    )
    value = u.grid[first[a]] * (1.0 / v.grid if ratio else v.grid)[second[b]]
    order = np.argsort(value, kind="stable")
    value, a, b = value[order], a[order], b[order]
    new = np.concatenate([[True], np.diff(value) > MERGE * value[1:]])
    starts = np.concatenate([np.flatnonzero(new), [len(value)]])
    pair = Variable(
        value[new],
        u.elements + v.elements,
        np.hstack([u.members[a], v.members[b]]),
        starts,
        "",
        1,
        u.letter if ratio and u.letter == v.letter and u.power == v.power == 1 else "",
    )
    keep = [k for k in range(len(form.variables)) if k not in (i, j)]
    exponents = np.hstack([form.exponents[:, keep], form.exponents[:, [i]]])
    moved = {k: place for place, k in enumerate(keep)}
    return Form(
        (*(form.variables[k] for k in keep), pair),
        exponents,
        form.rows,
        frozenset(moved[k] for k in form.outer),
    )
