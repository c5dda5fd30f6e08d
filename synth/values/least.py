"""The least error any choice can have, with proof: branch and bound over the enumeration.

For an error limit e every choice with an error at most e is visited; each better one found
tightens the limit.  A run that ends has proved its best to be the optimum; a run that ends empty
has proved that every choice has an error above e, and the limit is raised.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
import numpy.typing as npt

from synth.values.enumeration import enumerate_within
from synth.values.form import Form, form_of, reduced
from synth.values.layout import DONE, Bounds, Budget, Layout
from synth.values.metrics import Ratio
from synth.values.ordering import best_order, expected, influence
from synth.values.problem import Problem
from synth.values.ranking import EQUAL, figures_of, in_stock

Array = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

#: What the proof of an optimum may be off by: bounds this near are not told apart.
PROOF_SLACK = 5e-9
#: No choice with a larger error is of use to anybody.
LARGEST_ERROR = 5.0
_SMALLEST = 1e-7
#: From one limit of the error to the next, upwards and downwards.
_GROWTH, _LESS = 3.0, 6.0
#: A proved and a failed limit nearer than this are not bisected: more work is allowed.
_NEAR = 2.0
#: Rows of the first runs, and by how much they grow.
_TRIAL, _MORE = 3e5, 6.0
#: Choices of equal error that are kept to be told apart by spread.
_MOST_TIES = 4096
_MOST_MEMBERS = 4096


class Metric(Protocol):
    """A measure of error whose limit bounds ratios of coefficients."""

    @property
    def signs(self) -> Array:
        """Sign of each wanted coefficient."""

    def errors(self, coefficients: Array) -> Array:
        """Return (batch,) errors of (batch, coefficients)."""

    def ratios(self, error: float) -> tuple[Ratio, ...] | None:
        """Return the bounds on signed coefficients that an error at most `error` implies.

        None when no coefficients at all have such an error.
        """


@dataclass(frozen=True, eq=False)
class Least:
    """The best choices found.

    Parameters
    ----------
    values : array (choices, elements)
        By error, then spread, distinct values, impedance level, capacitance.
    errors : array (choices,)
    bound : float
        No choice has an error below this.
    complete : bool
        Whether the choices are the best there are, to `PROOF_SLACK`.
    """

    values: Array
    errors: Array
    bound: float
    complete: bool


def bounds_at(problem: Problem, metric: Metric, error: float, spread: float = np.inf) -> Bounds:
    """Return what a choice with an error at most `error` meets.

    Coefficients that the circuit lacks bound nothing.  Ratios of coefficients that are equal up
    to a constant for every choice are decided here, and equal ones are taken together.
    """
    ratios = metric.ratios(error)
    if ratios is None:
        return Bounds((), spread, impossible=True)
    rows = problem.rows * metric.signs[:, None]
    first, scale = _alike(rows)
    merged: dict[tuple[int, int], tuple[float, float]] = {}
    for r in ratios:
        if not rows[r.top].any():
            continue
        top, under = first[r.top], first[r.under]
        factor = scale[r.under] / scale[r.top]
        if factor > 0:
            low, high = r.low * factor, r.high * factor
        else:
            top, under, low, high = r.top, r.under, r.low, r.high
        if top == under:
            if not low <= 1 <= high:
                return Bounds((), spread, impossible=True)
            continue
        before = merged.get((top, under), (-np.inf, np.inf))
        merged[top, under] = (max(low, before[0]), min(high, before[1]))
    return Bounds(tuple(Ratio(*key, *ends) for key, ends in merged.items()), spread)


def _alike(rows: Array) -> tuple[list[int], list[float]]:
    """For each row the first row it is a multiple of, and the factor."""
    first: list[int] = []
    scale: list[float] = []
    for k, row in enumerate(rows):
        found = (k, 1.0)
        for j in range(k):
            if first[j] == j and row.any() and ((row != 0) == (rows[j] != 0)).all():
                quotients = row[row != 0] / rows[j][row != 0]
                if np.ptp(quotients) <= 1e-12 * abs(quotients[0]):
                    found = (j, float(quotients[0]))
                    break
        first.append(found[0])
        scale.append(found[1])
    return first, scale


def layout_of(problem: Problem, metric: Metric, form: Form, bounds: Bounds) -> Layout:
    """Return the form with the best order for these bounds."""
    rows = form.rows * metric.signs[:, None]
    found = influence(form, rows, bounds.ratios, bounds.spread)
    given: dict[str, Array] = {}
    for part, v in problem.fixed.items():
        y = 1.0 / v if part[0] in "RL" else v
        given[part[0]] = np.append(given.get(part[0], np.empty(0)), y)
    return Layout(form, rows, best_order(form, found), given)


def least(
    problem: Problem,
    metric: Metric,
    keep: int,
    budget: Budget,
    enough: float = 0.0,
    known: Array | None = None,
) -> Least:
    """Return the choices of least error.

    Parameters
    ----------
    problem : Problem
    metric : Metric
    keep : int
        How many choices are wanted.
    budget : Budget
        Changed: the work done is taken off.
    enough : float
        Stop as soon as `keep` choices have an error at most this.
    known : array (choices, elements), optional
        Choices from the grids: nothing worse than the `keep` best of them is looked for.
    """
    form = form_of(problem) if problem.limited else reduced(form_of(problem))
    pool = _Pool(problem, metric, form, keep, enough)
    if known is not None:
        rows, errors = _listed(problem, metric, known)
        if keep == 1 and len(errors) and errors[0] <= max(enough, PROOF_SLACK):
            return Least(rows[:1], errors[:1], 0.0, bool(errors[0] <= PROOF_SLACK))
        if len(errors) >= keep:
            pool.limit = min(pool.limit, float(errors[keep - 1]) + EQUAL)
    first = _first_limit(problem, metric, form, keep)
    steps = _Steps(first, first)
    complete = False
    before_bounds: Bounds | None = None
    while budget.rows >= 1 and not budget.stopped():
        limit = pool.seek = min(steps.error, pool.limit)
        bounds = bounds_at(problem, metric, limit)
        if bounds == before_bounds and not bounds.impossible and len(pool.errors):
            complete = True  # the bounds do not depend on the limit: all there is has been seen
            break
        share = budget.share(steps.rows)
        before = share.rows
        layout = layout_of(problem, metric, form, bounds)
        ended = enumerate_within(layout, bounds, pool.visit, share)
        budget.rows -= max(1.0, before - share.rows)
        if pool.satisfied:
            complete = enough == 0
            break
        if ended:
            before_bounds = bounds
            steps.swept = max(steps.swept, limit)
            complete = pool.settled or limit >= LARGEST_ERROR
            if complete:
                break
        steps.move(ended, limit, pool.limit, budget.rows)
    return pool.result(min(steps.swept, pool.best), complete)


def _listed(problem: Problem, metric: Metric, known: Array) -> tuple[Array, Array]:
    """Those of the choices at hand that are from the grids and in stock, by error."""
    rows = np.unique(known, axis=0)
    for k, e in enumerate(problem.elements):
        rows = rows[np.abs(rows[:, k, None] - e.values).min(axis=1) <= EQUAL * rows[:, k]]
    rows = rows[in_stock(problem, rows)]
    errors = metric.errors(problem.coefficients(rows))
    order = np.argsort(errors, kind="stable")
    return rows[order], errors[order]


@dataclass
class _Steps:
    """The error limits to try, and the work for each: small first, since work grows steeply.

    A run that ends has swept its limit and the next is larger; one that does not is repeated with
    a smaller limit, and with more work once swept and failed limits are near each other.
    """

    first: float
    error: float
    swept: float = 0.0
    failed: float = float("inf")
    rows: float = _TRIAL

    def move(self, ended: bool, limit: float, needed: float, left: float) -> None:
        """Set the next limit.

        `needed` is the error within which all is known to be decided, `left` the work allowed.
        """
        if not ended:
            self.failed = limit
        low = max(self.swept, _SMALLEST)
        high = min(self.failed, LARGEST_ERROR)
        if self.failed < _NEAR * low or self.failed <= _SMALLEST:
            self.rows = max(_MORE * self.rows, left / 2)
            self.failed = float("inf")
            self.error = min(needed, max(low * _GROWTH, self.first))
        elif ended:
            self.error = min(low * _GROWTH, float(np.sqrt(low * high)), LARGEST_ERROR)
        else:
            self.error = max(self.failed / _LESS, float(np.sqrt(low * high)))


def _first_limit(problem: Problem, metric: Metric, form: Form, keep: int) -> float:
    """Return the error within which a handful of choices more than wanted may be expected."""
    base = 1e-3
    bounds = bounds_at(problem, metric, base)
    if not bounds.ratios:
        return base
    found = influence(form, form.rows * metric.signs[:, None], bounds.ratios)
    low, high = np.log(_SMALLEST / base), np.log(0.1 / base)
    for _ in range(30):
        middle = (low + high) / 2
        if expected(form, found, float(np.exp(middle))) > 2.0 * keep:
            high = middle
        else:
            low = middle
    return float(base * np.exp(low))


class _Pool:
    """The best choices seen so far, and the limit they set."""

    def __init__(
        self, problem: Problem, metric: Metric, form: Form, keep: int, enough: float
    ) -> None:
        self.problem, self.metric, self.form = problem, metric, form
        self.keep, self.enough = keep, enough
        self.index: IntArray = np.zeros((len(form.variables), 0), dtype=np.int64)
        self.errors: Array = np.zeros(0)
        self.limit = LARGEST_ERROR  # set by the choices: a larger error is of no use
        self.seek = LARGEST_ERROR  # set by the run: all choices up to this will be met
        self.strict = False

    @property
    def full(self) -> bool:
        return len(self.errors) >= self.keep

    @property
    def settled(self) -> bool:
        """Whether a run that has ended has met all choices better than the last one wanted."""
        sought = min(self.seek, self.limit)
        return self.full and float(self.errors[self.keep - 1]) <= sought + PROOF_SLACK

    @property
    def best(self) -> float:
        return float(self.errors[0]) if len(self.errors) else float("inf")

    @property
    def satisfied(self) -> bool:
        """Whether the choices wanted are good enough to stop."""
        return self.full and float(self.errors[self.keep - 1]) <= self.enough

    def visit(self, index: IntArray, signed: Array) -> Bounds | None:
        errors = self.metric.errors((signed * self.metric.signs[:, None]).T)
        good = errors <= self.limit
        if not good.any():
            return None
        index, errors = index[:, good], errors[good]
        if self.problem.limited:
            good = in_stock(self.problem, self._values(index))
            index, errors = index[:, good], errors[good]
        errors = np.concatenate([self.errors, errors])
        index = np.hstack([self.index, index])
        order = np.lexsort((*index, errors))
        index, errors = index[:, order], errors[order]
        fresh = np.ones(len(errors), dtype=bool)  # a later run meets the same choices again
        fresh[1:] = (np.diff(index, axis=1) != 0).any(axis=0)
        index, errors = index[:, fresh], errors[fresh]
        if len(errors) >= self.keep:
            last = float(errors[self.keep - 1])
            most = self.keep + _MOST_TIES
            kept = int(np.searchsorted(errors, last + EQUAL, side="right"))
            self.strict |= kept > most
            index, errors = index[:, : min(kept, most)], errors[: min(kept, most)]
        self.index, self.errors = index, errors
        if not self.full:
            return None
        if self.satisfied:
            return DONE
        last = float(self.errors[self.keep - 1])
        limit = last - PROOF_SLACK if self.strict else last + EQUAL
        before = min(self.seek, self.limit)
        self.limit = max(limit, 0.0)
        if self.limit > 0.95 * before and not (self.strict and self.limit < before):
            return None
        return bounds_at(self.problem, self.metric, self.limit)

    def _values(self, index: IntArray) -> Array:
        """Values of grid points with one choice each."""
        values = np.ones((index.shape[1], len(self.problem.elements)))
        for v, i in zip(self.form.variables, index, strict=True):
            members = v.members[v.starts[i]]
            for column, k in enumerate(v.elements):
                values[:, k] = self.problem.elements[k].values[members[:, column]]
        return values

    def result(self, proved: float, complete: bool) -> Least:
        """Unfold the grid points into choices and put these in order."""
        share = max(1, _MOST_MEMBERS // max(1, len(self.errors)))
        rows = [self.form.choices(self.index[:, k], share) for k in range(len(self.errors))]
        count = len(self.problem.elements)
        choices = np.vstack(rows) if rows else np.zeros((0, count), dtype=np.int64)
        values = np.ones((len(choices), count))
        for k, e in enumerate(self.problem.elements):
            values[:, k] = e.values[choices[:, k]]
        errors = self.metric.errors(self.problem.coefficients(values))
        order = figures_of(self.problem, values).by_error(errors)
        values, errors = values[order], errors[order]
        bound = min(proved, self.best)
        if complete and self.full:
            bound = max(0.0, self.best - PROOF_SLACK)
        return Least(values, errors, bound, complete)
