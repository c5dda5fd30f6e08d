"""Values of offered circuits by proof: each section's best, then all sections together.

The local search gives every circuit values; those that are offered have them chosen anew by
bounded enumeration, near the practical impedance level and never without the values already
found.  Where that is too much work, a few parts at a time are chosen with proof while the others
keep their values, and that is said.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from synth.errors import NumberError, SynthError
from synth.realisation.fitted import FittedStage, Proof
from synth.realisation.polish import WithinMask, with_values
from synth.search.candidates import SectionTarget
from synth.target.target import RANGE_DB, Target
from synth.units import format_si
from synth.values.choose import LEVEL
from synth.values.grids import Grid, between
from synth.values.held import FREE, HeldChoice, better, choose_held
from synth.values.joint import choose_joint
from synth.values.metrics import LogMetric, section_metric
from synth.values.problem import Problem, Wishes, problem_of
from synth.values.proven import ProvenChoice, choose_proven
from synth.values.ranking import Option
from synth.values.section import floor_of, sharpness
from synth.values.series import Shelf

Array = npt.NDArray[np.float64]

#: Rows of the enumeration for one stage: some tenths of a second.
WORK = 2e5
#: With more free parts than this the rows do not suffice; `synth values` takes more.
MOST_FREE = 7
#: Share of the rows for each few of the parts, where all together are too many.
_SHARE = 0.4
#: Rows of the joint choice.
_JOINT_WORK = 1e6
#: Choices each section brings to the joint choice.
LISTED = 40
_AS_FOUND = "not proved: those of the local search, with which the whole does better"
#: Where the floor cannot be met, errors up to so many times the least are brought too.
_LOOSER = 1.5
#: Levels beyond this are no matter.
_FAINT_DB = 1000.0
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
    terms, floor = stage.fit.candidate.terms, floor_of(target)
    try:
        wishes = Wishes({k: _near(s, k, values, target) for k, s in shelves.items()})
        problem = problem_of(terms, target.w0, wishes)
        metric = section_metric(target, sharpness(target))
        where = f"(among {_windows(wishes.grids, problem)})"

        def few(start: Mapping[str, float]) -> HeldChoice:
            return choose_held(
                terms, target.w0, wishes, metric, start, floor=floor, keep=keep, work=work * _SHARE
            )

        # of many parts a few first: with a good choice known fewer have to be looked at
        part = few(values) if len(problem.elements) > FREE else None
        found: ProvenChoice | None = None
        if len(problem.elements) <= MOST_FREE:
            rows = [values] if part is None else [values, part.choice.best.values]
            known = np.array([[row[e.parts[0]] for e in problem.elements] for row in rows])
            found = choose_proven(problem, metric, floor=floor, keep=keep, work=work, known=known)
        if found is not None and found.proved:
            best, chosen = found, problem
            proof = Proof(best.best.error, best.bound, True, f"{best.certificate} {where}")
        else:
            if found is not None and (part is None or better(found.best, part.choice.best, floor)):
                part = few(found.best.values)
            if part is None:
                raise NumberError("there is no part whose value could be chosen")
            best, chosen, proof = part.choice, part.problem, _partly(part, found, where)
        others = _others(chosen, metric, best, keep, work * _SHARE)
    except SynthError as error:
        told = f"not proved: values of the local search; the choice by proof said: {error}"
        return Refined((replace(stage, proof=Proof(stage.fit.choice.error, 0.0, False, told)),))
    first = with_values(stage, best.best.values, proof)
    return Refined((first, *(_taken(stage, o, proof) for o in others)))


def _others(
    problem: Problem, metric: LogMetric, best: ProvenChoice, keep: int, work: float
) -> tuple[Option, ...]:
    """Return other choices of a stage for the whole to take.

    Where the floor cannot be met, those up to some times the least error.
    """
    if best.reached or keep < 2:
        return best.alternatives
    known = np.array([[best.best.values[e.parts[0]] for e in problem.elements]])
    floor = _LOOSER * best.best.error
    more = choose_proven(problem, metric, floor=floor, keep=keep, work=work, known=known)
    found = (more.best, *more.alternatives)
    return tuple(o for o in found if o.values != best.best.values)


def _partly(part: HeldChoice, whole: ProvenChoice | None, where: str) -> Proof:
    """Return what is proved where the proof among all choices did not end, or was not tried."""
    choice = part.choice
    error, floor = choice.best.error, choice.floor
    bound = 0.0 if whole is None else whole.bound
    if choice.proved:
        told = f"{choice.certificate.removeprefix('proved: ')} {where}"
    elif error <= floor:
        told = (
            f"error {error:.3g}, within {floor:.3g}, so that no smaller one is wanted; least "
            f"spread not proved: {choice.best.spread:.4g} found"
        )
    else:
        told = f"not proved: error {error:.3g}, found by local search"
    held = part.held if choice.proved else ()
    return Proof(error, bound, False, f"{told}; {_of_all(choice, whole)}", held)


def _of_all(choice: ProvenChoice, whole: ProvenChoice | None) -> str:
    """Return what is known of the choice of all parts."""
    if whole is None:
        return f"of all choices nothing is proved, with more than {MOST_FREE} parts"
    if choice.reached and whole.spread_bound > 1:
        return f"of all choices none has a spread below {whole.spread_bound:.4g}"
    if not choice.reached and whole.bound > 0:
        return f"of all choices none has an error below {whole.bound:.3g}"
    return "of all choices nothing is proved in the work allowed"


def jointly(
    target: Target,
    stages: Sequence[Refined],
    aim: WithinMask | None = None,
    floor: float = 0.0,
) -> tuple[FittedStage, ...]:
    """Choose for every section one of its choices so that the whole is best.

    With an aim the margin is as large as can be; without, the whole deviates least where the
    target is within `RANGE_DB` of its maximum.  What gains no more than the floor in dB is left
    at the best of each section, unless the mask asks for it.
    """
    best = tuple(s.best for s in stages)
    if len(stages) < 2 or all(len(s.stages) == 1 for s in stages):
        return best
    if aim is None:
        level = target.scale * 10 ** (-RANGE_DB / 20)
        seen = target.grid[np.abs(target.transfer(1j * target.grid)) >= level]
        tables = [np.array([_decibels(x, seen, True) for x in s.stages]) for s in stages]
        finite = np.isfinite(np.vstack(tables)).all(axis=0)
        if not finite.any():
            return best
        found = choose_joint([t[:, finite] for t in tables], work=_JOINT_WORK)
    else:
        w = aim.frequencies
        tables = [np.array([_decibels(x, w, False) for x in s.stages]) for s in stages]
        tables = [np.clip(t, -_FAINT_DB, _FAINT_DB) for t in tables]
        found = choose_joint(tables, limits=aim.limits_db, work=_JOINT_WORK)
    missed = aim is not None and found.alone > aim.bound
    if not found.error < found.alone - (0.0 if missed else floor):
        return best
    return tuple(s.stages[k] for s, k in zip(stages, found.picks, strict=True))


def as_found(stage: FittedStage) -> FittedStage:
    """Return a stage that keeps the values of the local search, since the whole wants them."""
    return replace(stage, proof=Proof(stage.fit.choice.error, 0.0, False, _AS_FOUND))


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


def _windows(grids: Mapping[str, Grid], problem: Problem) -> str:
    letters = {e.letter for e in problem.elements}
    return ", ".join(
        f"{letter} {format_si(grids[letter].low, unit)} to {format_si(grids[letter].high, unit)}"
        for letter, unit in (("R", "ohm"), ("C", "F"))
        if letter in letters
    )


def _taken(stage: FittedStage, option: Option, proof: Proof) -> FittedStage:
    """Return the stage with another choice than its best, which is what the proof is about."""
    told = f"chosen with the other stages: error {option.error:.3g}, spread {option.spread:.4g}; "
    own = replace(proof, error=option.error, proved=False, taken=f"{told}of the stage alone ")
    return with_values(stage, option.values, own)


def _decibels(stage: FittedStage, w: Array, against: bool) -> Array:
    """Return |H| of the stage in dB, or how far it is from that of its section of the target."""
    fit = stage.fit
    terms, target = fit.candidate.terms, fit.target
    top, bottom = terms.coefficients(np.log([[fit.choice.values[n] for n in terms.names]]))
    s = 1j * w
    powers = s[:, None] ** np.arange(top.shape[1])
    got = (powers @ top[0]) / (powers @ bottom[0])
    if against:
        unit = (s / target.w0)[:, None] ** np.arange(len(target.numerator))
        got = got * (unit @ np.array(target.denominator)) / (unit @ np.array(target.numerator))
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(20 * np.log10(np.abs(got)), dtype=float)
