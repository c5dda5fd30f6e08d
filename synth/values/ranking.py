"""Figures by which choices of equal worth are told apart.

Spread, distinct values, impedance level, capacitance.  Without the level ties would be decided by
the capacitance alone, which drifts to the highest resistors and smallest capacitors in the window.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from synth.values.pieces import Drawer, Wanted
from synth.values.problem import Problem

Array = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

#: Errors and spreads nearer than this are equal.
EQUAL = 1e-9
#: Geometric mean of resistors that suits an op amp, in ohm (common practice).
USUAL = 1e4
#: Octaves that are a decade, roughly: resistors within one of the usual are equally good.
DECADE = 4


@dataclass(frozen=True)
class Option:
    """One choice of values.

    Parameters
    ----------
    values : mapping
        Part -> value in ohm, farad or henry, parts that are given among them.
    error : float
        By the metric.
    spread : float
        Largest over smallest value of one kind: of resistors or of capacitors, the larger.
    distinct : int
        Different values among resistors, plus those among capacitors.
    level : int
        How far the geometric mean of the resistors is from `USUAL`, in octaves, rounded.
    capacitance : float
        Of all capacitors together, farad.
    """

    values: Mapping[str, float]
    error: float
    spread: float
    distinct: int
    level: int
    capacitance: float

    @property
    def key(self) -> tuple[float, ...]:
        """Spread, distinct values, error, level, capacitance: the order among good choices.

        Resistors more than about a decade from the usual come after those within it.
        """
        return (
            round(self.spread, 9),
            self.distinct,
            self.level // DECADE,
            round(self.error / EQUAL),
            self.level,
            self.capacitance,
        )


@dataclass(frozen=True, eq=False)
class Figures:
    """The same for many choices: arrays (choices,)."""

    spread: Array
    distinct: Array
    level: Array
    capacitance: Array

    def order(self, error: Array) -> IntArray:
        """Return the places of the choices, best first: the order of `Option.key`."""
        return np.lexsort(
            (
                self.capacitance,
                self.level,
                np.round(error / EQUAL),
                self.level // DECADE,
                self.distinct,
                np.round(self.spread, 9),
            )
        )

    def by_error(self, error: Array) -> IntArray:
        """Return the places of the choices by error, those of one error by the other figures."""
        return np.lexsort((*self.ties, np.round(error / EQUAL)))

    @property
    def ties(self) -> tuple[Array, Array, Array, Array]:
        """Keys for `numpy.lexsort`, the weightiest last."""
        return self.capacitance, self.level, self.distinct, np.round(self.spread, 9)


def figures_of(problem: Problem, values: Array) -> Figures:
    """Return the figures of (choices, elements) values."""
    columns: dict[str, list[Array]] = {}
    capacitance = np.zeros(len(values))
    octaves, resistors = np.zeros(len(values)), 0
    for k, e in enumerate(problem.elements):
        columns.setdefault(e.letter, []).append(values[:, k])
        if e.letter == "C":
            capacitance += len(e.parts) * values[:, k]
        if e.letter == "R":
            octaves += len(e.parts) * np.log2(values[:, k] / USUAL)
            resistors += len(e.parts)
    for part, v in problem.fixed.items():
        columns.setdefault(part[0], []).append(np.full(len(values), v))
        if part[0] == "C":
            capacitance += v
        if part[0] == "R":
            octaves += np.log2(v / USUAL)
            resistors += 1
    spread, distinct = np.ones(len(values)), np.zeros(len(values))
    for kind in columns.values():
        table = np.sort(np.column_stack(kind), axis=1)
        spread = np.maximum(spread, table[:, -1] / table[:, 0])
        distinct += 1 + (np.diff(table, axis=1) > EQUAL * table[:, 1:]).sum(axis=1)
    return Figures(spread, distinct, np.rint(np.abs(octaves) / max(1, resistors)), capacitance)


def in_stock(problem: Problem, values: Array) -> npt.NDArray[np.bool_]:
    """Return (choices,) whether the stock list has the pieces of each choice."""
    good = np.ones(len(values), dtype=bool)
    limited = [k for k, e in enumerate(problem.elements) if e.limits is not None]
    for k in limited:
        e = problem.elements[k]
        used = np.zeros(len(values), dtype=np.int64)
        for j in limited:
            other = problem.elements[j]
            if other.letter == e.letter:
                same = np.abs(values[:, j] - values[:, k]) <= EQUAL * values[:, k]
                used += same * len(other.drawn)
        at = np.searchsorted(e.values, values[:, k] * (1 - EQUAL))
        limits = np.zeros(len(values), dtype=np.int64) if e.limits is None else e.limits[at]
        good &= used <= limits
    if any(any(e.drawn) for e in problem.elements):
        drawer = Drawer(problem.counts)
        for k in map(int, np.flatnonzero(good)):
            good[k] = drawer.taken(_wanted(problem, values[k])) is not None
    return good


def _wanted(problem: Problem, row: Array) -> list[Wanted]:
    """Return what one choice takes from the stock."""
    return [
        Wanted(e.letter, float(v), pair)
        for e, v in zip(problem.elements, row, strict=True)
        for pair in e.drawn
    ]


def options_of(problem: Problem, values: Array, errors: Array) -> list[Option]:
    """Return the choices as objects, in the order given."""
    found = figures_of(problem, values)
    return [
        Option(
            problem.parts(values[k].tolist()),
            float(errors[k]),
            float(found.spread[k]),
            int(found.distinct[k]),
            int(found.level[k]),
            float(found.capacitance[k]),
        )
        for k in range(len(values))
    ]
