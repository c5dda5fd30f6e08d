"""The whole tolerance analysis of a circuit: one function, one record."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace

import numpy as np

from synth.analysis.feedback import Feedback, feedback, judged
from synth.analysis.loop import Loop
from synth.errors import NumberError
from synth.masks.limits import Limit
from synth.network.model import Network
from synth.progress import Progress, counter
from synth.tolerances.corners import WorstCase, worst_case
from synth.tolerances.factored import Factored
from synth.tolerances.grids import HIGHEST, LOWEST, bounds_of, default_frequencies
from synth.tolerances.limits import Bounds, check_consistent
from synth.tolerances.marks import at_zeros, with_marks
from synth.tolerances.model import Model, model_of
from synth.tolerances.montecarlo import (
    Drawn,
    Percentiles,
    check,
    percentiles,
    sample,
    steps,
)
from synth.tolerances.nodal import Nodal
from synth.tolerances.passband import band_points, pass_bands
from synth.tolerances.remarks import positive_feedback, study_notes
from synth.tolerances.result import LimitYield, PartSensitivity, ToleranceResult
from synth.tolerances.sections import SectionStatistics, sections, statistics
from synth.tolerances.sensitivity import decibels_per_cent, variance
from synth.tolerances.spread import Array, Ranges, Spread, ranges
from synth.tolerances.yields import Yield, wilson
from synth.transfer.transfer import Transfer

PERCENTS = (5.0, 50.0, 95.0)
SAMPLES = 10_000
#: |H|**2 below this is written as no response at all.
_NOTHING = 1e-40


@dataclass(frozen=True)
class _Orders:
    """What is to be done, and by whom; fields as the parameters of `tolerance`."""

    percents: tuple[float, ...]
    phase: bool
    corners: bool
    samples: int
    seed: int
    executor: Executor | None
    progress: Progress | None


@dataclass(frozen=True)
class _Case:
    """A circuit made ready: what every step of the analysis works on."""

    network: Network
    model: Model
    loop: Loop | None
    ranges: Ranges
    feedback: Feedback


def tolerance(
    network: Network,
    spread: Spread | None = None,
    frequencies: Sequence[float] | Array | None = None,
    *,
    limits: Sequence[Limit] = (),
    reference: Transfer | None = None,
    band: tuple[float, float] | None = None,
    percents: Sequence[float] = PERCENTS,
    phase: bool = False,
    corners: bool = True,
    samples: int = SAMPLES,
    seed: int = 0,
    executor: Executor | None = None,
    progress: Progress | None = None,
) -> ToleranceResult:
    """Return what the tolerances of the parts do to the response of a circuit.

    Parameters
    ----------
    network : Network
        With values.
    spread : Spread, optional
        How the parts vary; by default uniform, resistors 1 %, capacitors 5 %.
    frequencies : sequence of float, optional
        In hertz; by default 200 over a decade beyond the natural modes on either side, and
        those of notches and peaks.
    limits : sequence of Limit
        What the yield is asked against.
    reference : Transfer, optional
        The response that ``within`` limits are about; by default the nominal one.
    band : tuple of two float, optional
        Pass band in hertz, for the shares of the variance; by default where |H| is within 3 dB of
        its largest.
    percents : sequence of float
        Which percentiles.
    phase, corners : bool
        Whether to take percentiles of the phase too, and to find the worst case.
    samples, seed : int
        Circuits drawn, and the seed of the draws; the result depends on nothing else.
    executor : Executor, optional
        Any of `concurrent.futures`.
    progress : callable, optional
        Called with (steps done, steps in all).

    Returns
    -------
    ToleranceResult

    Raises
    ------
    NumberError
        If a number is out of range, or `spread` names a part that is not there.
    NetworkError, SingularError
        If the network has no response.
    KeyboardInterrupt
        If interrupted before anything is done; later the record is what was finished.

    Examples
    --------
    >>> from synth.catalog import stage
    >>> result = tolerance(stage("rc-lowpass").circuit(), samples=2000)
    >>> [p.name for p in result.by_share]
    ['C1', 'R1']
    >>> result.worst_case.exact
    True
    """
    given = Spread() if spread is None else spread
    model, loop = model_of(network)
    said = feedback(loop) if loop is not None else judged(network, _modes(model))
    case = _Case(network, model, loop, ranges(network, given), said)
    grid = _grid(network, model, loop, frequencies, band)
    check(samples, seed)
    orders = _Orders(_percents(percents), phase, corners, samples, seed, executor, progress)
    tests = [bounds_of(model, loop, limit, reference) for limit in limits]
    prepared = model.prepare(np.ones((1, len(case.ranges.names))))
    check_consistent(tests, lambda f: model.squares(prepared, f)[:, 0])
    done = _carry_out(case, grid, tests, orders)
    grid = grid[: done.found.squares.shape[1]]
    return _record(case, given, grid, band, limits, done, orders)


@dataclass(frozen=True)
class _Outcome:
    """What the long steps gave; `finished` is False after an interruption."""

    drawn: Drawn
    found: Percentiles
    halved: Sequence[Yield]
    corner: WorstCase | None
    finished: bool
    notes: tuple[str, ...]


def _carry_out(case: _Case, grid: Array, tests: Sequence[Bounds], orders: _Orders) -> _Outcome:
    """Draw, take percentiles, halve tolerances, find the worst case; stop at an interruption."""
    chunks, slices = steps(orders.samples, len(grid))
    halves = len(case.ranges.names) if tests else 0
    tick = counter(orders.progress, chunks * (1 + halves) + slices)

    usable = not positive_feedback(case.feedback)

    def draw(parts: Ranges) -> Drawn:
        found = sample(
            case.model,
            parts,
            tests,
            samples=orders.samples,
            seed=orders.seed,
            executor=orders.executor,
            progress=tick,
        )
        return replace(found, passed=found.passed & usable)

    drawn = draw(case.ranges)
    # an interruption may have broken the pool, so what is left is done here
    rest = orders.executor if drawn.complete else None
    found = percentiles(
        case.model,
        drawn,
        grid,
        orders.percents,
        phase=orders.phase,
        executor=rest,
        progress=tick,
    )
    finished = drawn.complete and found.complete
    halved: list[Yield] = []
    corner = None
    try:
        for k in range(halves if finished else 0):
            again = draw(case.ranges.halved(k))
            finished = again.complete
            if not finished:
                break
            halved.append(_yield(again))
        if orders.corners and finished and case.loop is not None:
            corner = worst_case(case.loop, case.ranges, grid)
    except KeyboardInterrupt:
        finished = False
    too_large = orders.corners and finished and corner is None
    notes = study_notes(case.feedback, drawn, corner, case.loop is not None, too_large)
    return _Outcome(drawn, found, halved, corner, finished, notes)


def _record(
    case: _Case,
    spread: Spread,
    grid: Array,
    band: tuple[float, float] | None,
    limits: Sequence[Limit],
    done: _Outcome,
    orders: _Orders,
) -> ToleranceResult:
    """Put the record together."""
    nominal = case.model.prepare(np.ones((1, len(case.ranges.names))))
    nominal_db = decibels(case.model.squares(nominal, grid)[:, 0])
    per_cent = decibels_per_cent(case.model, grid)
    zeros = at_zeros(case.model, grid)
    nominal_db[zeros] = -np.inf  # by the equations, not to rounding; no sensitivity is defined
    per_cent[zeros] = np.nan
    predicted = variance(per_cent, case.ranges)
    bands = (band,) if band else pass_bands(case.network, case.model, case.loop)
    shares, shared = _shares(case, bands)
    return ToleranceResult(
        frequencies=grid,
        nominal_db=nominal_db,
        percents=orders.percents,
        percentiles=decibels(done.found.squares),
        phases=done.found.phases,
        deviation_db=predicted.deviation_db,
        worst_case=done.corner,
        yield_=_yield(done.drawn) if limits else None,
        limits=tuple(
            LimitYield(limit, wilson(int(ok.sum()), done.drawn.count))
            for limit, ok in zip(limits, done.drawn.passed, strict=True)
        ),
        sensitivities=_parts(case, per_cent, int(np.argmax(nominal_db)), shares, done.halved),
        sections=_sections(case.model, done.drawn, orders.percents),
        band=(bands[0][0], bands[-1][1]),
        shared=shared,
        spread=spread,
        seed=orders.seed,
        samples=done.drawn.count,
        requested=orders.samples,
        complete=done.finished,
        growing=int(done.drawn.grows.sum()),
        notes=done.notes,
    )


def _shares(case: _Case, bands: tuple[tuple[float, float], ...]) -> tuple[Array, float]:
    """Return each part's share of the variance over pass bands, and that of shared drift."""
    f = band_points(bands, case.model)
    f = f[~at_zeros(case.model, f)]  # no sensitivity is defined there
    return variance(decibels_per_cent(case.model, f), case.ranges).shares(np.ones(len(f), bool))


def _parts(
    case: _Case, per_cent: Array, peak: int, shares: Array, halved: Sequence[Yield]
) -> tuple[PartSensitivity, ...]:
    return tuple(
        PartSensitivity(
            b.name,
            b.kind,
            float(b.value or 0),
            float(case.ranges.tolerance[k]),
            per_cent[:, k],
            float(per_cent[peak, k]),
            float(shares[k]),
            halved[k] if k < len(halved) else None,
        )
        for k, b in enumerate(case.network.branches)
    )


def decibels(squares: Array) -> Array:
    """Return |H|**2 in dB; what is zero to rounding is minus infinity."""
    with np.errstate(divide="ignore"):
        return np.asarray(10 * np.log10(np.where(squares < _NOTHING, 0.0, squares)))


def _grid(
    network: Network,
    model: Model,
    loop: Loop | None,
    frequencies: Sequence[float] | Array | None,
    band: tuple[float, float] | None,
) -> Array:
    if frequencies is None:
        grid = with_marks(model, default_frequencies(network, loop))
    else:
        grid = np.unique(np.asarray(frequencies, dtype=float))
    if not len(grid) or not (np.isfinite(grid).all() and grid[0] > 0):
        raise NumberError("the frequencies must be finite and positive, and at least one of them")
    if band is None:
        return grid
    if not LOWEST <= band[0] < band[1] <= HIGHEST:
        raise NumberError(
            f"the band {band[0]:g} Hz to {band[1]:g} Hz is none; the lower end must come first, "
            f"and both lie from {LOWEST:g} Hz to {HIGHEST:g} Hz"
        )
    return np.unique(np.concatenate([grid, np.asarray(band, dtype=float)]))


def _modes(model: Model) -> tuple[complex, ...]:
    """Natural modes of the nominal circuit from its equations, rad/s."""
    if not isinstance(model, Nodal):
        return ()
    found = model.modes(model.prepare(np.ones((1, len(model.names)))))[0]
    return tuple(complex(p) for p in found if not np.isnan(p))


def _percents(percents: Sequence[float]) -> tuple[float, ...]:
    found = tuple(float(p) for p in percents)
    if not found or not all(0 <= p <= 100 for p in found):
        raise NumberError(
            f"percentiles are numbers from 0 to 100; {', '.join(f'{p:g}' for p in found) or 'none'}"
            " will not do"
        )
    return tuple(sorted(set(found)))


def _yield(drawn: Drawn) -> Yield:
    return wilson(int(drawn.passed.all(axis=0).sum()), drawn.count)


def _sections(
    model: Model, drawn: Drawn, percents: tuple[float, ...]
) -> tuple[SectionStatistics, ...]:
    if not isinstance(model, Factored):
        return ()
    return tuple(statistics(model, x, drawn.prepared, percents) for x in sections(model))
