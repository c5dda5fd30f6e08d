"""Proof among some of the parts: the others keep their values.

Of a stage with many parts the choice of all of them is beyond proof, that of any few is not.  So
a few are chosen with proof while the others are held, then another few, as long as that helps:
each choice is the best of all that differ from it in the parts last chosen.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from synth.analysis.terms import Terms
from synth.errors import NumberError
from synth.values.metrics import LogMetric
from synth.values.problem import Problem, Wishes, problem_of
from synth.values.proven import ProvenChoice, choose_proven
from synth.values.ranking import EQUAL, Option

Array = npt.NDArray[np.float64]

#: Parts chosen at once,
FREE = 5
#: and how often the parts are changed.
_TURNS = 3
_STEP = 1e-4


@dataclass(frozen=True)
class HeldChoice:
    """A choice that is proved among those that differ from it in some parts only.

    Parameters
    ----------
    choice : ProvenChoice
        Its bounds hold for the choices of the parts that were not held.
    held : tuple of str
        Parts that kept their values.
    problem : Problem
        The choice of the others.
    """

    choice: ProvenChoice
    held: tuple[str, ...]
    problem: Problem


def choose_held(
    terms: Terms,
    w0: float,
    wishes: Wishes,
    metric: LogMetric,
    start: Mapping[str, float],
    *,
    floor: float,
    keep: int = 1,
    work: float,
) -> HeldChoice:
    """Choose a few parts at a time, with proof where the work allows.

    Parameters
    ----------
    terms, w0, wishes
        As for `synth.values.problem.problem_of`.
    metric : LogMetric
    start : mapping
        Part -> value, from the grids.
    floor, keep
        As for `synth.values.proven.choose_proven`.
    work : float
        Rows of the enumeration for each few parts.

    Raises
    ------
    NumberError
        If the start is of no use: the signs of the target are not those of its coefficients.

    Notes
    -----
    First the capacitors are held, and of the resistors those that move the figures least; then
    those are chosen that have not been, with the parts that move the figures most.
    """
    values = dict(start)
    result: HeldChoice | None = None
    tried: set[tuple[str, ...]] = set()
    for held in _turns(problem_of(terms, w0, wishes), metric, values):
        if held in tried:
            continue
        kept = {**wishes.keep, **{n: values[n] for n in held}}
        problem = problem_of(terms, w0, replace(wishes, keep=kept))
        known = np.array([[values[e.parts[0]] for e in problem.elements]])
        found = choose_proven(problem, metric, floor=floor, keep=keep, work=work, known=known)
        tried.add(held)
        if result is None or better(found.best, result.choice.best, floor):
            result, values, tried = (
                HeldChoice(found, held, problem),
                dict(found.best.values),
                {held},
            )
        elif found.proved and not result.choice.proved and found.best.values == values:
            result = HeldChoice(found, held, problem)
    if result is None:
        raise NumberError("there is no part whose value could be chosen")
    return result


def _turns(
    problem: Problem, metric: LogMetric, values: Mapping[str, float]
) -> Iterator[tuple[str, ...]]:
    """Yield the parts to hold, turn by turn."""
    parts = [e.parts for e in problem.elements]
    weight = _influence(problem, metric, values)
    first = [k for k, e in enumerate(problem.elements) if e.letter != "C"]
    waiting = np.zeros(len(parts))
    allowed = set(first) if first and len(first) < len(parts) else set(range(len(parts)))
    for _ in range(_TURNS):
        order = sorted(allowed, key=lambda k: (-waiting[k], -weight[k]))
        free = set(order[:FREE])
        yield tuple(n for k, names in enumerate(parts) if k not in free for n in names)
        waiting += 1
        waiting[list(free)] = 0
        allowed = set(range(len(parts)))
        if len(parts) <= FREE:
            break


def _influence(problem: Problem, metric: LogMetric, values: Mapping[str, float]) -> Array:
    """Return (elements,) how much each value moves the figures."""
    row = np.array([values[e.parts[0]] for e in problem.elements])
    rows = np.vstack([row, row * (1 + _STEP * np.eye(len(row)))])
    parts = metric.parts(problem.coefficients(rows))
    with np.errstate(invalid="ignore"):  # figures of a coefficient that vanishes have no size
        moved = np.abs(parts[1:] - parts[0])
    return np.asarray(np.nan_to_num(moved).max(axis=1, initial=0.0))


def better(one: Option, other: Option, floor: float) -> bool:
    """Whether an option is better: the error down to the floor, then spread."""
    a, b = max(one.error, floor), max(other.error, floor)
    if abs(a - b) > EQUAL:
        return a < b
    return one.key < other.key
