"""Realisations ranked with a real op amp: cheap figures for all, the full check for the best.

Every candidate gets its error with preferred values and the amplifier, its counts and its spread;
the best `FULL_CHECKS` in the order asked for then get the full check, whose serious findings,
sensitivity and noise decide where those figures left a tie.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import inf, pi

import numpy as np

from synth.analysis.amplifier import same_everywhere
from synth.analysis.loop import analyse
from synth.analysis.numbers import transfer
from synth.analysis.real import RealSystem, real_system
from synth.checking.checked import Checked, check
from synth.checking.conditions import Conditions
from synth.checking.loading import with_source_and_load
from synth.checking.model import OpAmpModel
from synth.errors import NumberError, RealisationError
from synth.progress import Progress, counter, portion
from synth.realisation.brief import Brief
from synth.realisation.choosing import with_yield
from synth.realisation.design import Realisation
from synth.realisation.explained import because, exactly, figure_text
from synth.realisation.ranking import (
    MATCH_COST,
    REAL,
    Scores,
    deciding,
    order_key,
    pareto,
)
from synth.realisation.realise import candidates, proved
from synth.target.target import (
    MEETS_DEGREES,
    Target,
    error_grid,
    measured_error,
    measured_phase_error,
)

#: How many candidates get the full check.
FULL_CHECKS = 30
#: How many of those get values chosen by proof, and the check once more.
PROVED = 5
_STEPS_TOLD = 8
#: Shares of the work after which circuits are found and checked; they pace the progress told.
_SEARCHED, _CHECKED = 0.6, 0.8


@dataclass(frozen=True)
class Ranked:
    """A realisation in its place.

    Parameters
    ----------
    number : int
        From 1, best first.
    realisation : Realisation
    scores : Scores
    checked : Checked or None
        The full check; None where it was not run or did not apply.
    """

    number: int
    realisation: Realisation
    scores: Scores
    checked: Checked | None


@dataclass(frozen=True)
class Ranking:
    """Realisations of a target, best first.

    Parameters
    ----------
    target : Target
    model : OpAmpModel
    order : tuple of str
        The criteria, all of `REAL`.
    rows : tuple of Ranked
    """

    target: Target
    model: OpAmpModel
    order: tuple[str, ...]
    rows: tuple[Ranked, ...]

    def pareto(self, criteria: Sequence[str] = ()) -> tuple[Ranked, ...]:
        """Return the rows that no other beats by these criteria, by default by all."""
        places = pareto([row.scores for row in self.rows], criteria or self.order)
        return tuple(self.rows[k] for k in places)

    def explain(self, count: int = _STEPS_TOLD) -> tuple[str, ...]:
        """Return sentences that say what put each of the first rows before the next one."""
        pairs = zip(self.rows[: count - 1], self.rows[1:count], strict=False)
        return tuple(
            f"{a.number} is before {b.number}: {self._why(a.scores, b.scores)}" for a, b in pairs
        )

    def _why(self, better: Scores, other: Scores) -> str:
        criterion = deciding(better, other, self.order)
        if criterion is None:
            return exactly(better.error, other.error)
        return because(criterion, self.order, lambda k: score_text((better, other)[k], criterion))


def score_text(scores: Scores, criterion: str) -> str:
    """Return a figure of a realisation in words."""
    return figure_text(criterion, scores.value(criterion))


def ranking(
    brief: Brief,
    model: OpAmpModel,
    conditions: Conditions | None = None,
    *,
    order: Sequence[str] = REAL,
    progress: Progress | None = None,
) -> Ranking:
    """Rank the circuits for a target with a real op amp.

    Parameters
    ----------
    brief : Brief
    model : OpAmpModel
        Of every op amp.
    conditions : Conditions, optional
        Of the check; within its band the error is measured.
    order : sequence of str
        As `synth.realisation.ranking.parse_order` gives it.
    progress : callable, optional
        Called with (done, total).

    Raises
    ------
    RealisationError
        If no circuit of the catalogue can have the target, or the op amp suits none of them.
    """
    around = conditions or Conditions()
    target = brief.target
    found = candidates(
        brief, count=FULL_CHECKS, model=model, progress=portion(progress, 0.0, _SEARCHED)
    )

    def cheap_row(r: Realisation) -> Ranked:
        return Ranked(0, r, _cheap(target, r, model, around), None)

    def place(row: Ranked) -> tuple[float, ...]:
        return (row.checked is None, *order_key(row.scores, order))

    offers = {id(o.realisation): o for o in found}
    cheap = [cheap_row(o.realisation) for o in found]
    cheap.sort(key=lambda row: order_key(row.scores, order))
    tick = counter(portion(progress, _SEARCHED, _CHECKED), min(len(cheap), FULL_CHECKS))
    best = []
    for row in cheap[:FULL_CHECKS]:
        best.append(_full(row, model, around))
        tick()
    best.sort(key=place)
    first = [offers[id(row.realisation)] for row in best[:PROVED]]
    proving = portion(progress, _CHECKED, 1.0)
    made = proved(brief, first, progress=proving)
    anew = [
        _full(cheap_row(with_yield(brief, o, r)), model, around)
        for o, r in zip(first, made, strict=True)
    ]
    rows = [*sorted([*anew, *best[PROVED:]], key=place), *cheap[FULL_CHECKS:]]
    return Ranking(
        target,
        model,
        tuple(order),
        tuple(replace(row, number=k) for k, row in enumerate(rows, start=1)),
    )


def _cheap(target: Target, r: Realisation, model: OpAmpModel, around: Conditions) -> Scores:
    return Scores(
        _error(target, r, model, around),
        len(r.network.op_amps),
        len(r.network.branches) + MATCH_COST * r.balanced_zeros,
        r.spread,
        yield_=r.expected if r.yield_ is None else r.yield_.value,
        range_db=r.levels.loss_db,
        growing=r.growing,
    )


def _error(target: Target, r: Realisation, model: OpAmpModel, around: Conditions) -> float:
    """Return the largest error over what counts as met; infinite for a circuit that grows."""
    network = with_source_and_load(r.network, around.source_resistance, around.load)
    system = real_system(network, same_everywhere(network, model.amplifier))
    loop = analyse(r.network)
    ideal = transfer(loop, loop.transfer())
    w = error_grid(target, ideal)
    if around.band_hz is not None:
        low, high = (2 * pi * f for f in around.band_hz)
        w = w[(w >= low) & (w <= high)]
        if not len(w):
            raise RealisationError(
                f"the band {around.band_hz[0]:g} to {around.band_hz[1]:g} Hz is outside the "
                "frequencies at which this target is compared; leave --band out or widen it"
            )
    if _grows(system, float(np.exp(np.mean(np.log(w))))):
        return inf
    response = system.read(system.response(1j * w))
    misses = measured_error(target, w, response).misses
    if r.allpass:
        misses = max(misses, measured_phase_error(target, w, response) / MEETS_DEGREES)
    return misses


def _grows(system: RealSystem, rate: float) -> bool:
    modes = system.modes(rate)
    return bool(np.any(modes.real > 1e-9 * np.abs(modes)))


def _full(row: Ranked, model: OpAmpModel, around: Conditions) -> Ranked:
    """Add the full check, unless the op amp is far too slow for the circuit."""
    try:
        checked = check(row.realisation.network, model, around, predistort=False)
    except NumberError:
        return row
    small = checked.facts.small
    worst = small.worst_sensitivity
    scores = replace(
        row.scores,
        findings=len(checked.serious),
        sensitivity=None if worst is None else abs(worst.value),
        noise=small.noise.vrms,
    )
    return replace(row, scores=scores, checked=checked)
