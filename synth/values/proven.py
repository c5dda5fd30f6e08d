"""The proven choice of preferred values.

The default is lexicographic: an error not above a floor, which the tolerance of the parts makes
meaningless to go below; then the smallest spread, the fewest distinct values, the smallest error,
the impedance level nearest the usual one, the least total capacitance.  With a floor of zero the
bare optimum is wanted.  Either comes with its certificate.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from synth.errors import NumberError
from synth.units import format_si
from synth.values.enumeration import enumerate_within
from synth.values.form import form_of, reduced
from synth.values.incumbent import improved
from synth.values.layout import Budget
from synth.values.least import Least, Metric, bounds_at, layout_of, least
from synth.values.problem import Problem
from synth.values.ranking import EQUAL, Option, figures_of, in_stock, options_of
from synth.values.shelved import Shelved

Array = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

#: Work allowed when nothing is said, in rows of the enumeration: some seconds.
WORK = 2e7
#: Work on the whole at once, before limits of the spread are tried in turn.
_TRIAL = 1e5
#: These limits.
_SPREADS = (1.5, 2.2, 3.3, 4.7, 6.8, 10.0, 15.0, 22.0, 33.0, 47.0, 100.0, 220.0, 470.0, 1e3, 1e4)


@dataclass(frozen=True)
class ProvenChoice:
    """Values with their certificate.

    Parameters
    ----------
    best : Option
    alternatives : tuple of Option
        The next best, in order.
    bound : float
        No choice from these grids has an error below this; 0 when nothing is known.
    spread_bound : float
        No choice with an error within the floor has a spread below this; 1 when nothing is known.
    proved : bool
        Whether `best` is the best by what was asked: the least error, or the least spread with
        an error within the floor.
    floor : float
        Errors up to this were taken as good enough: what was asked, or the least error where
        that is above it.
    reached : bool
        Whether the floor that was asked for can be met.
    work : float
        Rows of the enumeration that it took.
    """

    best: Option
    alternatives: tuple[Option, ...]
    bound: float
    spread_bound: float
    proved: bool
    floor: float
    reached: bool
    work: float

    @property
    def certificate(self) -> str:
        """What is proved, in one sentence."""
        if not self.proved and self.reached and self.floor > 0:
            return (
                f"error {self.best.error:.3g}, within {self.floor:.3g}, so that no smaller one is "
                f"wanted; least spread not proved: {self.best.spread:.4g} found, and none below "
                f"{self.spread_bound:.4g}; allow more work for a proof"
            )
        if not self.proved and self.bound <= 0:
            return (
                f"not proved: error {self.best.error:.3g} found, and the work allowed did not "
                "suffice to rule out any smaller one; allow more work for a proof"
            )
        if not self.proved:
            return (
                f"not proved: error {self.best.error:.3g}, and no choice is below "
                f"{self.bound:.3g}; allow more work for a proof"
            )
        if not self.reached:
            return (
                f"proved: no choice from these series has an error below {self.bound:.3g}; the "
                f"floor that was asked for cannot be met"
            )
        if self.floor > 0:
            return (
                f"proved: no choice with an error within {self.floor:.3g} has a spread below "
                f"{self.spread_bound:.4g}"
            )
        return f"proved: no choice from these series has an error below {self.bound:.3g}"


def choose_proven(
    problem: Problem,
    metric: Metric,
    *,
    floor: float,
    keep: int = 1,
    work: float = WORK,
    seconds: float | None = None,
    known: Array | None = None,
    told: Callable[[float], None] = lambda _: None,
) -> ProvenChoice:
    """Choose the values of all elements, and prove the choice.

    Parameters
    ----------
    problem : Problem
    metric : Metric
        `synth.values.metrics.check_fit` is the caller's to ask.
    floor : float
        An error not above it is good enough; 0 for the bare optimum.
    keep : int
        How many choices are wanted.
    work : float
        Rows of the enumeration allowed: reproducible, unlike a time.
    seconds : float or None
        Wall-clock limit besides.
    known : array (choices, elements), optional
        Choices at hand, such as the rounded values of an exact design: what is returned when
        the work allowed ends before anything is found; nothing worse is looked for.
    told : callable
        Called with the rows of work as they are done.

    Returns
    -------
    ProvenChoice

    Raises
    ------
    NumberError
        If the floor, the work or the number of choices makes no sense, or no choice from the
        grids has the signs of the target.

    Notes
    -----
    The proof covers the grids given and exact part values.  Errors within `PROOF_SLACK` of each
    other are not told apart.
    """
    if not (0 <= floor < np.inf and keep >= 1 and work >= 1):
        raise NumberError(
            f"a floor of {floor:g}, {keep} choices and {work:g} rows of work make no choice; the "
            "floor must not be negative, the others must be at least 1"
        )
    budget = Budget(work, _clock(seconds), told)
    if known is not None and len(known) and problem.elements:
        better = [improved(problem, metric, row) for row in known]
        known = np.vstack([known, *better])
    first = least(problem, metric, keep if floor == 0 else 1, budget, floor, known)
    if known is not None and not first.complete:
        first = _with_known(problem, metric, first, known, keep)
    if not len(first.errors):
        raise NumberError(_nothing(problem, first))
    reached = bool(first.errors[0] <= floor)
    if not reached:
        options = options_of(problem, first.values[:keep], first.errors[:keep])
        if keep > 1 and floor > 0 and first.complete:
            return replace(
                _by_spread(
                    problem, metric, float(first.errors[0]) + EQUAL, keep, budget, first, work
                ),
                bound=first.bound,
                reached=False,
            )
        return ProvenChoice(
            options[0],
            tuple(options[1:]),
            first.bound,
            1.0,
            first.complete,
            max(floor, options[0].error) if floor > 0 else 0.0,
            floor == 0,
            work - budget.rows,
        )
    return _by_spread(problem, metric, floor, keep, budget, first, work)


def _with_known(problem: Problem, metric: Metric, first: Least, known: Array, keep: int) -> Least:
    """Return what was found and what is known, by error, each choice once."""
    known = known[in_stock(problem, known)]
    errors = metric.errors(problem.coefficients(known))
    good = np.isfinite(errors)
    values = np.vstack([first.values, known[good]])
    errors = np.concatenate([first.errors, errors[good]])
    values, place = np.unique(values, axis=0, return_index=True)
    errors = errors[place]
    order = figures_of(problem, values).by_error(errors)[:keep]
    bound = min(first.bound, float(errors.min(initial=np.inf)))
    return replace(first, values=values[order], errors=errors[order], bound=bound)


def within(
    problem: Problem, metric: Metric, error: float, *, spread: float = np.inf, work: float = WORK
) -> tuple[Array, Array, bool]:
    """Return every choice with an error at most `error` and a spread at most `spread`.

    Returns
    -------
    values : array (choices, elements)
        Sorted by error.
    errors : array (choices,)
    complete : bool
        False when the work allowed was used up before.
    """
    form = form_of(problem)
    shelf = Shelved(problem, metric, form, error, None)
    bounds = bounds_at(problem, metric, error, spread)
    budget = Budget(work)
    ended = enumerate_within(layout_of(problem, metric, form, bounds), bounds, shelf.visit, budget)
    good = figures_of(problem, shelf.values).spread <= spread * (1 + EQUAL)
    values, errors = shelf.values[good], shelf.errors[good]
    order = np.argsort(errors, kind="stable")
    return values[order], errors[order], ended


def pareto(
    problem: Problem, metric: Metric, errors: Sequence[float], *, work: float = WORK
) -> tuple[Option, ...]:
    """Return choices that trade error, spread, distinct values and capacitance.

    Of the choices looked at (the four of least spread at each level of error) those that none of
    them beats in all four; a choice that was not looked at may.

    Parameters
    ----------
    problem : Problem
    metric : Metric
    errors : sequence of float
        Levels; at each the choice of least spread is sought, with proof where the work allows.
    work : float
        For all levels together.
    """
    found = []
    for level in errors:
        choice = choose_proven(
            problem, metric, floor=level, keep=4, work=max(1.0, work / len(errors))
        )
        found += [choice.best, *choice.alternatives]
    return tuple(sorted(_unbeaten(found), key=lambda o: o.error))


def _unbeaten(options: Sequence[Option]) -> list[Option]:
    table = [(o.error, o.spread, float(o.distinct), o.capacitance) for o in options]
    kept: dict[tuple[float, ...], Option] = {}
    for row, option in zip(table, options, strict=True):
        beaten = any(
            all(x <= y * (1 + EQUAL) for x, y in zip(other, row, strict=True))
            and any(x < y * (1 - EQUAL) for x, y in zip(other, row, strict=True))
            for other in table
        )
        if not beaten:
            kept.setdefault(tuple(float(f"{x:.9g}") for x in row), option)
    return list(kept.values())


def _by_spread(
    problem: Problem,
    metric: Metric,
    floor: float,
    keep: int,
    budget: Budget,
    first: Least,
    work: float,
) -> ProvenChoice:
    """Return the least spread with an error within the floor: rising limits, each one proved."""
    form = reduced(form_of(problem), dividers=True)
    shelf = Shelved(problem, metric, form, floor, keep)
    known = first.errors <= floor
    shelf.add(first.values[known], first.errors[known])
    proved_spread = 1.0
    bounds = bounds_at(problem, metric, floor, shelf.spread)
    trial = budget.share(_TRIAL)
    layout = layout_of(problem, metric, form, bounds)
    ended = enumerate_within(layout, bounds, shelf.visit, trial)  # often this is all
    budget.rows -= min(_TRIAL, budget.rows) - trial.rows
    if ended:
        proved_spread = shelf.best_spread
    for limit in () if ended else (*_SPREADS, np.inf):
        last = limit >= shelf.spread
        bounds = bounds_at(problem, metric, floor, min(limit, shelf.spread))
        layout = layout_of(problem, metric, form, bounds)
        ended = enumerate_within(layout, bounds, shelf.visit, budget)
        if not ended:
            break
        proved_spread = min(limit, shelf.best_spread)
        if last or shelf.full_within(limit):
            break
    values, errors = shelf.values[:keep], shelf.errors[:keep]
    options = options_of(problem, values, errors)
    bound = first.bound if first.complete else 0.0
    return ProvenChoice(
        options[0],
        tuple(options[1:]),
        bound,
        proved_spread,
        ended or proved_spread >= shelf.best_spread * (1 - EQUAL),
        floor,
        True,
        work - budget.rows,
    )


def _clock(seconds: float | None) -> Callable[[], bool]:
    if seconds is None:
        return lambda: False
    end = time.monotonic() + seconds
    return lambda: time.monotonic() > end


def _nothing(problem: Problem, first: Least) -> str:
    windows = "; ".join(
        f"{e.name} {format_si(float(e.values[0]))} to {format_si(float(e.values[-1]))}"
        for e in problem.elements
    )
    if first.complete and problem.limited:
        return (
            f"no choice that the stock allows comes near the target: {_pieces(problem)}; add to it"
        )
    if first.complete:
        return f"no values of these windows come near the target: {windows}; widen them"
    return (
        "no choice was found in the work allowed, and none has an error below "
        f"{first.bound:.3g}; allow more work or fewer free parts ({windows})"
    )


def _pieces(problem: Problem) -> str:
    """How many parts of each kind are needed, and how many pieces of how many values there are."""
    found = []
    for letter in dict.fromkeys(e.letter for e in problem.elements if e.drawn):
        own = [e for e in problem.elements if e.letter == letter and e.drawn]
        stock = {v: n for v, n in problem.counts[letter].items() if n > 0}
        names = ", ".join(e.name for e in own)
        needed = sum(1 if pair is None else 2 for e in own for pair in e.drawn)
        found.append(
            f"{names} need {needed} and there are {sum(stock.values())} pieces of {len(stock)} "
            "values"
        )
    return "; ".join(found)
