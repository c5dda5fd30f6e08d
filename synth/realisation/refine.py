"""Values of offered circuits by proof: each section's best, then all sections together.

The local search gives every circuit values; those that are offered have them chosen anew by
bounded enumeration, near the practical impedance level and never without the values already
found.  What the work allowed does not settle stays as it was, and is said not to be proved.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from synth.errors import SynthError
from synth.realisation.fitted import FittedStage, Proof
from synth.realisation.polish import with_values
from synth.search.candidates import SectionTarget
from synth.target.target import RANGE_DB, Target
from synth.units import format_si
from synth.values.choose import LEVEL
from synth.values.grids import Grid, between
from synth.values.joint import choose_joint
from synth.values.metrics import section_metric
from synth.values.problem import Problem, Wishes, problem_of
from synth.values.proven import choose_proven
from synth.values.ranking import Option, options_of
from synth.values.section import floor_of, sharpness
from synth.values.series import Shelf

Array = npt.NDArray[np.float64]

#: Rows of the enumeration for one stage: some tenths of a second.
WORK = 2e5
#: With more free parts than this the rows do not suffice; `synth values` takes more.
MOST_FREE = 8
_MANY = f"more than {MOST_FREE} parts to choose"
_NOT_ENDED = "the work allowed did not suffice"
#: Rows of the joint choice.
_JOINT_WORK = 1e6
#: Choices each section brings to the joint choice.
LISTED = 40
#: Resistors are looked for within these factors of `LEVEL`, capacitors of 1/(w0*LEVEL).
_RESISTORS = (0.2, 10.0)
_CAPACITORS = (0.2, 5.0)


@dataclass(frozen=True)
class Refined:
    """A stage with proven choices, best first; the first is its own values."""

    stages: tuple[FittedStage, ...]

    @property
    def best(self) -> FittedStage:
        """The stage with the best choice."""
        return self.stages[0]


def refined(stage: FittedStage, shelves: Mapping[str, Shelf], keep: int, work: float) -> Refined:
    """Choose the values of a stage anew, with a proof where the work allows.

    Parameters
    ----------
    stage : FittedStage
        With values from the local search; they are among those looked at.
    shelves : mapping
        Letter (R, C) -> shelf.
    keep : int
        How many choices to return at most.
    work : float
        Rows of the enumeration.
    """
    target = stage.fit.target
    values = stage.fit.choice.values
    try:
        grids = {k: _near(s, k, values, target) for k, s in shelves.items()}
        problem = problem_of(stage.fit.candidate.terms, target.w0, Wishes(grids))
        metric = section_metric(target, sharpness(target))
        own_rows = np.array([[values[e.parts[0]] for e in problem.elements]])
        own = options_of(problem, own_rows, metric.errors(problem.coefficients(own_rows)))[0]
        if len(problem.elements) > MOST_FREE:
            return Refined((replace(stage, proof=_unproved(own, 0.0, _MANY)),))
        floor = floor_of(target)
        found = choose_proven(problem, metric, floor=floor, keep=keep, work=work)
    except SynthError:
        return Refined((stage,))  # a stage outside the method keeps its values
    if found.best.error > max(floor, own.error):
        return Refined((replace(stage, proof=_unproved(own, found.bound, _NOT_ENDED)),))
    told = f"{found.certificate} (among {_windows(grids, problem)})"
    proof = Proof(found.best.error, found.bound, found.proved, told)
    return Refined(tuple(_with_values(stage, o, proof) for o in (found.best, *found.alternatives)))


def jointly(target: Target, stages: Sequence[Refined]) -> tuple[FittedStage, ...]:
    """Choose for every section one of its choices so that the whole deviates least.

    The deviation is taken where the target is within `RANGE_DB` of its maximum.
    """
    best = tuple(s.best for s in stages)
    if len(stages) < 2 or all(len(s.stages) == 1 for s in stages):
        return best
    level = target.scale * 10 ** (-RANGE_DB / 20)
    seen = target.grid[np.abs(target.transfer(1j * target.grid)) >= level]
    tables = [np.array([_decibels(x, seen) for x in s.stages]) for s in stages]
    finite = np.isfinite(np.vstack(tables)).all(axis=0)
    if not finite.any():
        return best
    found = choose_joint([t[:, finite] for t in tables], work=_JOINT_WORK)
    if not found.error < found.alone:
        return best
    return tuple(s.stages[k] for s, k in zip(stages, found.picks, strict=True))


def _near(shelf: Shelf, letter: str, values: Mapping[str, float], target: SectionTarget) -> Grid:
    """Return the part of a shelf around the practical level that holds the values at hand."""
    if letter == "R":
        middle, factors = LEVEL, _RESISTORS
    else:
        middle = 1 / (target.w0 * LEVEL) if target.order else 1e-8
        factors = _CAPACITORS
    own = [v for n, v in values.items() if n[0] == letter] or [middle]
    low = max(shelf.low, min(middle * factors[0], *own))
    high = min(shelf.high, max(middle * factors[1], *own))
    return between(shelf, low, high)


def _unproved(own: Option, bound: float, why: str) -> Proof:
    told = f"not proved ({why}): error {own.error:.3g}, found by local search"
    return Proof(own.error, bound, False, told)


def _windows(grids: Mapping[str, Grid], problem: Problem) -> str:
    letters = {e.letter for e in problem.elements}
    return ", ".join(
        f"{letter} {format_si(grids[letter].low, unit)} to {format_si(grids[letter].high, unit)}"
        for letter, unit in (("R", "ohm"), ("C", "F"))
        if letter in letters
    )


def _with_values(stage: FittedStage, option: Option, proof: Proof) -> FittedStage:
    return with_values(stage, option.values, replace(proof, error=option.error))


def _decibels(stage: FittedStage, w: Array) -> Array:
    """Return how far the stage is from its section of the target, in dB, up to a constant gain."""
    fit = stage.fit
    terms, target = fit.candidate.terms, fit.target
    top, bottom = terms.coefficients(np.log([[fit.choice.values[n] for n in terms.names]]))
    s = 1j * w
    powers = s[:, None] ** np.arange(top.shape[1])
    unit = (s / target.w0)[:, None] ** np.arange(len(target.numerator))
    got = (powers @ top[0]) / (powers @ bottom[0])
    wanted = (unit @ np.array(target.numerator)) / (unit @ np.array(target.denominator))
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(20 * np.log10(np.abs(got / wanted)), dtype=float)
