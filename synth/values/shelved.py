"""Choices within an error, best by spread first, as an enumeration meets them."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from synth.values.form import Form
from synth.values.layout import Bounds
from synth.values.least import Metric, bounds_at
from synth.values.problem import Problem
from synth.values.ranking import EQUAL, figures_of, in_stock

Array = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

#: Grid points unfolded at once, at first and later; their spread is limited in steps.
_FIRST_BLOCK, _BLOCK = 1, 1024
_WIDEN = 2.0
_ANY_SPREAD = 1e9


class Shelved:
    """Choices within an error, best by spread first; all of them, or the best few."""

    def __init__(
        self, problem: Problem, metric: Metric, form: Form, error: float, keep: int | None
    ) -> None:
        self.problem, self.metric, self.form = problem, metric, form
        self.error, self.keep = error, keep
        self.values: Array = np.zeros((0, len(problem.elements)))
        self.errors: Array = np.zeros(0)
        self.figures = figures_of(problem, self.values)
        self.spread = float("inf")

    @property
    def best_spread(self) -> float:
        """Smallest spread met; inf before any."""
        return float(self.figures.spread[0]) if len(self.errors) else float("inf")

    def full_within(self, spread: float) -> bool:
        """Whether the choices wanted all have a spread at most this."""
        return self.spread <= spread

    def visit(self, index: IntArray, signed: Array) -> Bounds | None:
        """Take what an enumeration meets; return the bounds for what could be better."""
        errors = self.metric.errors((signed * self.metric.signs[:, None]).T)
        good = errors <= self.error
        if not good.any():
            return None
        index, errors = index[:, good], errors[good]
        before = self.spread
        least = self.form.least_spread(index)
        order = np.argsort(least, kind="stable")
        at, block = 0, _FIRST_BLOCK
        while at < len(order):
            rows = order[at : at + block]
            rows = rows[least[rows] <= self.spread]
            if not len(rows):
                break
            self._unfold(index[:, rows], errors[rows], float(least[rows[0]]))
            at, block = at + block, min(4 * block, _BLOCK)
        if self.spread >= before * (1 - EQUAL):
            return None
        return bounds_at(self.problem, self.metric, self.error, self.spread)

    def _unfold(self, index: IntArray, errors: Array, least: float) -> None:
        """Put the choices behind grid points on the shelf, those of small spread first."""
        elements = [(e.letter, e.values) for e in self.problem.elements]
        limit = self.spread if self.keep is None else min(self.spread, _WIDEN * least)
        while True:
            choices, parent = self.form.unfold(index, elements, limit)
            values = np.ones(choices.shape)
            for k, e in enumerate(self.problem.elements):
                values[:, k] = e.values[choices[:, k]]
            self.add(values, errors[parent])
            if limit >= self.spread or limit > _ANY_SPREAD:
                return
            limit = min(self.spread, limit * _WIDEN)

    def add(self, values: Array, errors: Array) -> None:
        """Put choices on the shelf; the spread of the last one wanted is the new limit."""
        stocked = in_stock(self.problem, values)
        values = np.vstack([self.values, values[stocked]])
        errors = np.concatenate([self.errors, errors[stocked]])
        if self.keep is not None:
            values, place = np.unique(values, axis=0, return_index=True)
            errors = errors[place]
            found = figures_of(self.problem, values)
            order = found.order(errors)[: self.keep]
            values, errors = values[order], errors[order]
        self.values, self.errors = values, errors
        self.figures = figures_of(self.problem, values)
        if self.keep is not None and len(errors) >= self.keep:
            self.spread = float(self.figures.spread[-1]) * (1 + EQUAL)
