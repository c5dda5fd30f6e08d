"""Preferred values for a whole circuit: cell by cell with proof, and jointly over a cascade.

The circuit is cut where all of the signal passes an op-amp output (`synth.realisation.cells`).
Each cell's target is its own exact response, or its share of a whole target.  Over a cascade
the sections compensate each other: one of each section's best choices is taken so that the
deviation of the whole in dB is least, or small enough at the least spread.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from itertools import product

import numpy as np
import numpy.typing as npt

from synth.analysis.loop import analyse
from synth.analysis.numbers import transfer as transfer_of
from synth.errors import NumberError, TargetError
from synth.network.model import Network
from synth.progress import Progress
from synth.realisation.afterwards import error_between, sensitivity_note
from synth.realisation.cell_choice import (
    CellChoice,
    choose_cell,
    task_of,
)
from synth.realisation.cells import Cell, cells_of
from synth.realisation.joined import LOOKED_AT, Solution, Whole, apart
from synth.realisation.levels import Levels, levels_of
from synth.realisation.matching import cell_targets
from synth.realisation.request import ValueRequest
from synth.realisation.revalued import Revalued
from synth.realisation.stocked import halves_of, left_over
from synth.realisation.words import metric_words, own_values_note, stage_values, tie_notes
from synth.realisation.zero_figures import all_zero_figures
from synth.search.candidates import SectionTarget
from synth.target.target import RANGE_DB, frequency_grid
from synth.transfer.kinds import describe
from synth.transfer.transfer import Transfer
from synth.values.problem import Wishes, problem_of
from synth.values.proven import choose_proven
from synth.values.ranking import Option, options_of

Array = npt.NDArray[np.float64]

#: Values of a part tied across stages that are tried, nearest to the present one first.
_SHARED = 120
#: As many of them are chosen for in full, after a short search of this much work.
_SOLVED = 3
_SCREEN = 1e5
_NOISE_POINTS = 200
#: Errors that differ by less than this, in dB, are told as one.
_BETWEEN_DB = 1e-3


def revalue(
    network: Network,
    request: ValueRequest,
    target: Transfer | None = None,
    progress: Progress | None = None,
) -> Revalued:
    """Choose preferred values for a circuit.

    Parameters
    ----------
    network : Network
        With values, unless a target is given and the circuit is one stage.
    request : ValueRequest
    target : Transfer, optional
        By default the circuit's own exact response.
    progress : callable, optional
        Called with (work done, work that there is at most), in thousandths.

    Raises
    ------
    NetworkError
        If the circuit has no values that matter, or no values and no target.
    NumberError
        If a wish is impossible, or no choice comes near.
    TargetError
        If the circuit cannot have the target with any values.
    """
    cells = cells_of(network)
    values = network.values
    if target is None:
        targets = tuple(c.own_target({**values}) for c in cells)
        whole = _product(targets)
    else:
        targets, whole = cell_targets(cells, target, values), target
    run = _Run(
        network,
        request,
        cells,
        targets,
        whole,
        target is None,
        _told(progress, request, len(cells)),
    )
    return run.best()


def _told(progress: Progress | None, request: ValueRequest, cells: int) -> Callable[[float], None]:
    """Count rows of work, against the most that the cells may take."""
    if progress is None:
        return lambda _: None
    done, total = 0.0, request.work * cells

    def tell(rows: float) -> None:
        nonlocal done
        done += rows
        progress(min(1000, int(1000 * done / total)), 1000)

    return tell


def _product(targets: Sequence[SectionTarget]) -> Transfer:
    found = Transfer(1.0)
    for t in targets:
        found = found * Transfer.from_tf(t.numerator[::-1], t.denominator[::-1]).scaled_frequency(
            t.w0
        )
    return found


class _Run:
    """One question: the cells of a circuit with their targets."""

    def __init__(
        self,
        network: Network,
        request: ValueRequest,
        cells: Sequence[Cell],
        targets: Sequence[SectionTarget],
        whole: Transfer,
        own: bool,
        told: Callable[[float], None],
    ) -> None:
        self.network, self.request = network, request
        self.cells, self.targets, self.own, self.told = cells, targets, own, told
        parts = tuple(n for c in cells for n in c.parts if n not in request.keep)
        self.whole = Whole(whole, request, parts)
        self.joined = len(cells) > 1 and request.metric != "coefficients"

    # -- the whole ---------------------------------------------------------------------------

    def best(self) -> Revalued:
        """Return the answer."""
        shared = self._shared()
        return self._result(self._over(shared) if shared else self._solve({}))

    def _solve(self, shared: Mapping[str, float]) -> Solution:
        request = self.request
        counts = request.counts
        keep = request.top if not self.joined else max(LOOKED_AT, request.top)
        seconds = None if request.seconds is None else request.seconds / len(self.cells)
        found: list[CellChoice] = []
        for cell, target in zip(self.cells, self.targets, strict=True):
            kept = {**self._idle(cell), **request.keep, **shared}
            own = {n: self.network.values[n] for n in cell.terms.names} if self.own else None
            task = task_of(cell, target, request, kept, counts, own, len(self.cells) == 1)
            choice = choose_cell(task, request, keep, seconds, self.told)
            found.append(choice)
            if not self.joined:  # what the stock leaves for a stage depends on those before it
                counts = left_over(counts, _of(cell, choice.best[0].values), request)
        if not self.joined:
            return apart(found, request.top, bool(request.counts))
        return self.whole.join(found)

    # -- parts that several cells share, or none ----------------------------------------------

    def _shared(self) -> list[tuple[str, ...]]:
        """Ties over several cells, idle parts left out."""
        home = {n: c.name for c in self.cells for n in c.parts}
        return [
            group
            for t in self.request.ties
            for group in (tuple(n for n in t if n in home),)
            if len({home[n] for n in group}) > 1
        ]

    def _over(self, shared: Sequence[tuple[str, ...]]) -> Solution:
        """Try the values of the ties over several cells, nearest to the present ones first."""
        lists = []
        for group in shared:
            if any(n in self.request.keep for n in group):
                raise NumberError(
                    f"{'='.join(group)} is tied, but one of them is kept at a value; keep all or "
                    "none, without the tie"
                )
            terms = self.cells[0].terms
            element = problem_of(
                replace(
                    terms,
                    names=group,
                    exponents=np.ones((terms.exponents.shape[0], len(group))),
                ),
                1.0,
                Wishes(
                    {n: g for n in group for g in (self.request.grid(n),) if g is not None},
                    {},
                    (group,),
                    self.request.counts,
                    frozenset(self.request.sources),
                ),
            ).elements[0]
            present = [self.network.values.get(n) for n in group]
            middle = math.exp(np.mean([math.log(v) for v in present if v]) if any(present) else 0)
            lists.append(sorted(element.values, key=lambda v: abs(math.log(v / middle))))
        tried = list(product(*lists))
        tried.sort(key=lambda row: sum(x.index(v) for x, v in zip(lists, row, strict=True)))
        rows = [
            {n: float(v) for g, v in zip(shared, row, strict=True) for n in g}
            for row in tried[:_SHARED]
        ]
        scores = [self._score(row) for row in rows]
        found: list[Solution] = []
        for k in np.argsort(scores, kind="stable")[:_SOLVED]:
            if math.isfinite(scores[k]):
                found.append(self._solve(rows[k]))
        if not found:
            raise NumberError(
                "no values of these windows come near the target with the ties "
                f"{', '.join('='.join(g) for g in shared)}; widen them or drop a tie"
            )
        floor = self.whole.floor if self.joined else self._floor(found[0])
        best = min(found, key=lambda s: (max(s.error, floor), s.spread, s.error))
        names = ", ".join("=".join(g) for g in shared)
        return replace(
            best,
            bound=0.0,
            proved=False,
            covers=f"{best.covers}, with the value of {names} that was taken",
            certificate=f"{best.certificate}; the value of {names} is the best of {len(rows)} "
            "that were tried",
        )

    def _score(self, shared: Mapping[str, float]) -> float:
        """Largest least error of a cell with some values kept, by a short search."""
        worst = 0.0
        for cell, target in zip(self.cells, self.targets, strict=True):
            kept = {**self._idle(cell), **self.request.keep, **shared}
            try:
                task = task_of(cell, target, self.request, kept, self.request.counts, {}, False)
                if not task.problem.elements:
                    continue
                best = choose_proven(task.problem, task.figures, floor=0.0, work=_SCREEN).best
            except (NumberError, TargetError):
                return math.inf
            worst = max(worst, best.error)
        return max(worst, self.request.floor_for(tuple(shared)))

    def _floor(self, solution: Solution) -> float:
        return max(c.asked for c in solution.cells)

    def _idle(self, cell: Cell) -> dict[str, float]:
        """Values of parts without effect: the nearest to the present one, or to 10 kohm."""
        return {n: self._nearest(n) for n in cell.idle}

    def _nearest(self, part: str) -> float:
        present = self.network.values.get(part)
        grid = self.request.grid(part)
        if part in self.request.keep:
            return self.request.keep[part]
        if grid is None or self.request.counts:
            if present is None:
                raise NumberError(f"part {part} has no effect and no value; keep it at one")
            return present
        values = grid.values
        usual = {"R": 1e4, "C": 1e-8}.get(part[0], float(values[0]))
        return float(values[np.argmin(np.abs(np.log(values / (present or usual))))])

    # -- the answer --------------------------------------------------------------------------

    def _result(self, s: Solution) -> Revalued:
        idle = {n for c in self.cells for n in c.idle}
        reached_by = {n for c in self.cells for n in c.terms.names}
        outside = [b.name for b in self.network.branches if b.name not in reached_by]
        notes = []
        if idle or outside:
            names = ", ".join(n for n in self.network.values if n in idle or n in outside)
            if names:
                notes.append(f"no effect on the response: {names}")
        notes += own_values_note(self.request, self.network, s) if self.own else ()
        notes += tie_notes(self.request)
        rest = {n: self._nearest(n) for n in outside if n in self.network.values}
        single = len(s.options[0]) == 1
        taken = [halves_of(parts, self.request) for parts in s.options]
        # of another choice of one stage the stock may lack what the other stages take
        s = replace(
            s, options=tuple(o for o, t in zip(s.options, taken, strict=True) if t is not None)
        )
        halves = tuple(t for t in taken if t is not None)
        choices = [self._option(parts, rest, s.error, k) for k, parts in enumerate(s.options)]
        if self.joined:
            choices = [
                replace(c, error=self.whole.error_of(s.cells, p))
                for c, p in zip(choices, s.options, strict=True)
            ]
            choices[0] = replace(choices[0], error=s.error)
        network = self.network.with_values(choices[0].values)
        dense = error_between(self.request, self.whole.transfer, self._response(network))
        if dense is not None and dense > choices[0].error + _BETWEEN_DB:
            notes.append(
                f"on a grid many times as dense the error is {dense:.3g} dB, and not "
                f"{choices[0].error:.3g} dB as on the frequencies that the proof is for"
            )
            choices[0] = replace(choices[0], error=dense)
        if self.own:
            notes += sensitivity_note(self.network, network)
        floor = self.whole.floor if self.joined else self._floor(s)
        best = choices[0]
        decibels = self.joined or (single and s.cells[0].task.decibels)
        return Revalued(
            self.network,
            tuple(choices),
            metric_words(self.request, self.whole if self.joined else None, s),
            "dB" if decibels else "",
            best.error,
            s.bound,
            s.proved,
            s.covers,
            floor,
            floor == 0 or best.error <= floor * (1 + 1e-9),
            self._rounding(s),
            s.alone,
            self._error_db(network),
            s.certificate,
            tuple(stage_values(c, o) for c, o in zip(s.cells, s.options[0], strict=True)),
            tuple(notes),
            halves,
            self._levels(network),
            all_zero_figures(
                [c.task for c in s.cells],
                [c.task.row(o) for c, o in zip(s.cells, s.options[0], strict=True)],
            ),
        )

    def _option(
        self, parts: Sequence[Option], rest: Mapping[str, float], error: float, place: int
    ) -> Option:
        """One choice for the whole circuit."""
        values: dict[str, float] = dict(rest)
        for o in parts:
            values.update(o.values)
        for tie in self.request.ties:
            known = [values[n] for n in tie if n in values and not self._is_idle(n)]
            values.update({n: known[0] for n in tie if known})
        order = {b.name: k for k, b in enumerate(self.network.branches)}
        values = {n: values[n] for n in sorted(values, key=order.__getitem__)}
        own = error if place == 0 else max(o.error for o in parts)
        kinds: dict[str, list[float]] = {}
        for n, v in values.items():
            kinds.setdefault(n[0], []).append(v)
        level = [math.log2(v / 1e4) for v in kinds.get("R", [])]
        return Option(
            values,
            own,
            max((max(v) / min(v) for v in kinds.values()), default=1.0),
            sum(len({f"{v:.9g}" for v in x}) for x in kinds.values()),
            round(abs(sum(level)) / max(1, len(level))),
            sum(kinds.get("C", [])),
        )

    def _is_idle(self, part: str) -> bool:
        return not any(part in c.parts for c in self.cells)

    def _rounding(self, s: Solution) -> float | None:
        """Error when every part is rounded to its nearest value."""
        rows: list[Option] = []
        errors: list[float] = []
        for c in s.cells:
            problem, row = c.task.problem, c.task.rounded
            if row is None:
                return None
            error = c.task.metric.errors(problem.coefficients(row))
            rows += options_of(problem, row, error)
            errors.append(float(error[0]))
        return self.whole.error_of(s.cells, rows) if self.joined else max(errors)

    def _response(self, network: Network) -> Transfer:
        loop = analyse(network)
        return transfer_of(loop, loop.transfer())

    def _error_db(self, network: Network) -> float:
        got = self._response(network)
        grid = frequency_grid(self.whole.transfer)
        wanted = np.abs(self.whole.transfer(1j * grid))
        inside = wanted >= describe(self.whole.transfer).peak * 10 ** (-RANGE_DB / 20)
        with np.errstate(divide="ignore"):
            away = np.abs(20 * np.log10(np.abs(got(1j * grid[inside])) / wanted[inside]))
        return float(np.max(away, initial=0.0))

    def _levels(self, network: Network) -> Levels | None:
        if any(b.value is None for b in network.branches):
            return None
        sizes = [abs(p) for p in self.whole.transfer.poles] or [2e3 * math.pi]
        low, high = min(sizes) / (20 * math.pi), max(sizes) * 10 / (2 * math.pi)
        return levels_of(network, np.geomspace(low, high, _NOISE_POINTS))


def _of(cell: Cell, values: Mapping[str, float]) -> dict[str, float]:
    return {n: values[n] for n in cell.parts}
