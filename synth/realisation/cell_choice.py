"""The choice of values of one cell of a circuit."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from synth.errors import TargetError
from synth.masks.limits import Limit
from synth.realisation.cells import Cell
from synth.realisation.request import ValueRequest
from synth.search.candidates import SectionTarget
from synth.tolerances.limits import bounds as limit_bounds
from synth.tolerances.limits import limit_frequencies
from synth.values.band import BandMetric, band_metric
from synth.values.continuous import Reach, reach
from synth.values.metrics import LogMetric, check_fit, coefficient_metric, section_metric
from synth.values.problem import Problem, Wishes, problem_of
from synth.values.proven import ProvenChoice, choose_proven, pareto
from synth.values.ranking import EQUAL, Option, options_of

Array = npt.NDArray[np.float64]

#: Decibels of one unit of an error that is a logarithm.
DECIBELS = 20 / math.log(10)
#: So many choices are wanted by error too, for a joint choice.
_MANY = 200
#: Where the floor is not said and cannot be met, this many times the least error is good enough.
RELAXED = 1.5
#: A target whose nearest response by this topology is further off is refused.
_UNREACHABLE = 1e-3
#: The circuit's own response with parts tied that are not equal may be off by rounded values.
_OUT_OF_REACH = 0.05
_BAND_POINTS = 65


@dataclass(frozen=True, eq=False)
class CellTask:
    """A cell with its target, what may be chosen, and the measure of error.

    Parameters
    ----------
    cell : Cell
    target : SectionTarget
    problem : Problem
    figures : LogMetric
        Of the section.
    metric : LogMetric or BandMetric
        What is minimised.
    exact : mapping
        Part -> value that gives the target exactly, where one is known.
    """

    cell: Cell
    target: SectionTarget
    problem: Problem
    figures: LogMetric
    metric: LogMetric | BandMetric
    exact: Mapping[str, float]

    @property
    def decibels(self) -> bool:
        """Whether the error is in dB."""
        return isinstance(self.metric, BandMetric)

    @property
    def rounded(self) -> Array | None:
        """Values nearest to the exact ones, (1, elements); None where these are not known."""
        row = []
        for e in self.problem.elements:
            if any(p not in self.exact for p in e.parts):
                return None
            middle = np.mean([np.log(self.exact[p]) for p in e.parts])
            row.append(float(e.values[np.argmin(np.abs(np.log(e.values) - middle))]))
        return np.array([row])

    def row(self, option: Option) -> Array:
        """Values of the elements (elements,) of one option."""
        return np.array([option.values[e.parts[0]] for e in self.problem.elements])

    def ratios(self, options: Sequence[Option], w: Array) -> npt.NDArray[np.complex128]:
        """Return ln(H/target) of each option at w in rad/s, (options, frequencies)."""
        rows = np.array([self.row(o) for o in options])
        powers = (1j * w[:, None] / self.problem.w0) ** np.arange(self.problem.order + 1)
        top, under = np.split(self.problem.coefficients(rows), 2, axis=1)
        wanted = (powers @ np.array(self.target.numerator)) / (
            powers @ np.array(self.target.denominator)
        )
        with np.errstate(divide="ignore"):
            return np.asarray(np.log((top @ powers.T) / (under @ powers.T) / wanted))


def task_of(
    cell: Cell,
    target: SectionTarget,
    request: ValueRequest,
    keep: Mapping[str, float],
    counts: Mapping[str, Mapping[float, int]],
    own: Mapping[str, float] | None,
    alone: bool,
) -> CellTask:
    """Set up the choice of one cell.

    Parameters
    ----------
    cell : Cell
    target : SectionTarget
    request : ValueRequest
    keep : mapping
        Part -> value that stays, idle parts among them.
    counts : mapping
        Letter -> (value -> pieces left).
    own : mapping or None
        The cell's values where they give the target exactly; None when the target was said.
    alone : bool
        Whether the cell is the whole circuit; else a band or mask is the whole's affair.

    Raises
    ------
    NumberError
        If a part has nothing to choose from, or a tie is impossible.
    TargetError
        If the circuit cannot have the target with any values; the message says by how much.
    """
    names = cell.terms.names
    grids = {n: g for n in names if n not in keep for g in (request.grid(n),) if g is not None}
    ties = tuple(
        t
        for group in request.ties
        for t in (tuple(n for n in group if n in names and n not in cell.idle),)
        if len(t) > 1
    )
    kept = {n: v for n, v in keep.items() if n in names}
    bought = frozenset(n for n in names if n in request.sources)
    problem = problem_of(cell.terms, target.w0, Wishes(grids, kept, ties, counts, bought))
    figures = (section_metric if request.metric != "coefficients" else coefficient_metric)(target)
    check_fit(problem, figures)
    exact = dict(own or {})
    if own is None:
        exact = _reached(problem, figures, cell, ties, _UNREACHABLE)
    elif any(_differ(t, own) for t in ties):
        _reached(problem, figures, cell, ties, _OUT_OF_REACH)
    metric: LogMetric | BandMetric = figures
    if alone and request.metric in ("band", "mask"):
        metric = _decibels(target, request, problem)
    return CellTask(cell, target, problem, figures, metric, exact)


def _differ(tie: Sequence[str], own: Mapping[str, float]) -> bool:
    values = [own[n] for n in tie if n in own]
    return bool(values) and max(values) > min(values) * (1 + EQUAL)


def _reached(
    problem: Problem,
    figures: LogMetric,
    cell: Cell,
    ties: Sequence[Sequence[str]],
    most: float,
) -> dict[str, float]:
    """Values of any size that give the target; TargetError when the topology has none."""
    if not problem.elements:
        return dict(problem.fixed)
    found = reach(problem, figures)
    if found is None:
        return {}
    if found.error > most:
        kept = [n for n in problem.fixed if n not in cell.idle]
        given = f" with {', '.join(kept)} kept" if kept else ""
        given += f" with {', '.join('='.join(t) for t in ties)} tied" if ties else ""
        raise TargetError(
            f"stage {cell.name} ({', '.join(cell.parts)}) cannot reach the target with values of "
            f"any size{given}: {_how_far(found)}; change the target or the circuit"
        )
    return problem.parts(found.values.tolist())


def _how_far(found: Reach) -> str:
    if found.worst.startswith("a coefficient"):
        return f"at its nearest {found.worst} is still {abs(found.deviation):.3g} of the pass band"
    percent = 100 * (math.exp(found.deviation) - 1)
    return f"at its nearest its {found.worst} is off by {percent:+.3g} %"


def _decibels(target: SectionTarget, request: ValueRequest, problem: Problem) -> BandMetric:
    absent = frozenset(k for k in range(problem.order + 1) if not problem.rows[k].any())
    if request.band is not None:
        w = 2 * math.pi * np.geomspace(*request.band, _BAND_POINTS)
        return band_metric(target, w / target.w0, absent)

    def wanted(w: Array) -> Array:
        powers = (1j * w[:, None] / target.w0) ** np.arange(target.order + 1)
        ratio = (powers @ np.array(target.numerator)) / (powers @ np.array(target.denominator))
        return np.asarray(np.abs(ratio) ** 2)

    w, lower, upper = mask_limits(request.mask, wanted)
    return BandMetric(target, w / target.w0, lower, upper, absent)


def mask_limits(
    mask: Sequence[Limit], wanted: Callable[[Array], Array], between: int = 0
) -> tuple[Array, Array, Array]:
    """Return frequencies in rad/s, and the limits of 20*log10|H| there, of a whole mask.

    Parameters
    ----------
    mask : sequence of Limit
    wanted : callable
        |H|**2 of the target at frequencies in rad/s.
    between : int
        Further frequencies in the band of each limit.

    Raises
    ------
    TargetError
        If two limits contradict each other.
    """
    more = [np.geomspace(x.low_hz, x.high_hz, between) if between else () for x in mask]
    rows = [limit_frequencies(x, list(f)) for x, f in zip(mask, more, strict=True)]
    f = np.unique(np.concatenate(rows))
    least, most = np.zeros(len(f)), np.full(len(f), np.inf)
    reference = wanted(2 * math.pi * f)
    for x in mask:
        inside = (f >= x.low_hz) & (f <= x.high_hz)
        b = limit_bounds(x, f[inside], reference[inside])
        least[inside] = np.maximum(least[inside], b.least)
        most[inside] = np.minimum(most[inside], b.most)
    if (least > most).any():
        at = float(f[np.argmax(least > most)])
        raise TargetError(f"the limits of the mask contradict each other at {at:g} Hz; correct it")
    with np.errstate(divide="ignore"):
        return 2 * math.pi * f, 10 * np.log10(least), 10 * np.log10(most)


@dataclass(frozen=True, eq=False)
class CellChoice:
    """What was chosen for a cell alone.

    Parameters
    ----------
    task : CellTask
    least : ProvenChoice
        Of the bare optimum: its bound holds for every choice.
    choice : ProvenChoice
        What was asked for: least spread with an error within the floor, or the bare optimum.
    asked : float
        The floor of the request or of the rule, before it is relaxed.
    best : tuple of Option
        In order.
    nearest : tuple of Option
        By error.
    pareto : tuple of Option
    """

    task: CellTask
    least: ProvenChoice
    choice: ProvenChoice
    asked: float
    best: tuple[Option, ...]
    nearest: tuple[Option, ...]
    pareto: tuple[Option, ...]

    @property
    def reached(self) -> bool:
        """Whether the floor asked for is met."""
        return self.asked == 0 or self.best[0].error <= self.asked

    @property
    def certificate(self) -> str:
        """What is proved, in one sentence."""
        if self.reached or not self.choice.reached or not self.least.proved:
            return self.choice.certificate
        return (
            f"proved: no choice from these series has an error below {self.least.bound:.3g}, so "
            f"the floor of {self.asked:.3g} cannot be met; among errors up to "
            f"{self.choice.floor:.3g} none has a spread below {self.choice.spread_bound:.4g}"
        )


def choose_cell(
    task: CellTask,
    request: ValueRequest,
    keep: int,
    seconds: float | None,
    told: Callable[[float], None] = lambda _: None,
) -> CellChoice:
    """Choose the values of one cell, and prove the choice.

    Parameters
    ----------
    task : CellTask
    request : ValueRequest
    keep : int
        How many choices are wanted, by error and by the order of the request.
    seconds : float or None
        Wall-clock limit.
    told : callable
        Called with the rows of work as they are done.

    Raises
    ------
    NumberError
        If no choice that the stock allows has the signs of the target.
    """
    problem = task.problem
    if not problem.elements:
        error = task.metric.errors(problem.coefficients(np.zeros((1, 0))))
        option = options_of(problem, np.zeros((1, 0)), error)[0]
        fixed = ProvenChoice(option, (), option.error, 1.0, True, 0.0, True, 0.0)
        return CellChoice(task, fixed, fixed, 0.0, (option,), (option,), ())
    work = max(1.0, request.work / 2)
    half = None if seconds is None else seconds / 2
    least = choose_proven(
        problem,
        task.metric,
        floor=0.0,
        keep=keep if request.floor == 0 or keep >= _MANY else 1,
        work=work,
        seconds=half,
        known=task.rounded,
        told=told,
    )
    asked, choice = floor_of(task, request), least
    floor = asked
    if request.floor is None:
        relaxed = 1 + EQUAL if request.metric == "mask" else RELAXED  # a mask is a hard limit
        floor = max(asked, relaxed * least.best.error)
    if floor >= least.best.error and floor > 0:
        choice = choose_proven(
            problem,
            task.metric,
            floor=floor,
            keep=keep,
            work=work,
            seconds=half,
            known=np.array([task.row(least.best)]),
            told=told,
        )
    ranked, nearest = ((c.best, *c.alternatives)[:keep] for c in (choice, least))
    return CellChoice(task, least, choice, asked, ranked, nearest, _pareto(task, request, least))


def floor_of(task: CellTask, request: ValueRequest) -> float:
    """Return the floor of a cell, in the unit of its error."""
    if request.floor is not None:
        return request.floor
    free = [p for e in task.problem.elements for p in e.parts]
    return request.floor_for(free) * (DECIBELS if task.decibels else 1.0)


def _pareto(task: CellTask, request: ValueRequest, found: ProvenChoice) -> tuple[Option, ...]:
    if not request.pareto:
        return ()
    least = max(found.bound, 1e-6)
    levels = [least * k for k in (1.0001, 1.5, 2.5, 5.0, 10.0, 25.0)]
    return pareto(task.problem, task.metric, levels, work=request.work)
