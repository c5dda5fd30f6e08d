"""The cells of a circuit taken together: errors that add up, and choices that compensate."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import product

import numpy as np
import numpy.typing as npt

from synth.errors import NumberError, TargetError
from synth.realisation.cell_choice import (
    DECIBELS,
    CellChoice,
    CellTask,
    mask_limits,
)
from synth.realisation.request import ValueRequest
from synth.realisation.stocked import wanted_of
from synth.target.target import RANGE_DB, frequency_grid
from synth.transfer.kinds import describe
from synth.transfer.transfer import Transfer
from synth.values.joint import JointChoice, choose_joint
from synth.values.pieces import Drawer
from synth.values.problem import Problem
from synth.values.ranking import Option, in_stock

Array = npt.NDArray[np.float64]

#: Choices that each section of a cascade brings to the joint choice, all of different response,
BROUGHT = 250
#: out of this many: a choice and its like a decade of impedance away have one response.
LOOKED_AT = 1000
#: Limits of the spread of each section that the joint choice tries in turn.
_SPREADS = (2.2, 4.7, 10.0, 22.0, 47.0, 100.0, math.inf)
#: Where the spread is limited, resistors are about this near to the usual level.
_USUAL_OCTAVES = 3
_JOINT_WORK = 2e7
#: Choices of a stage that the stock may lack, looked through one by one at most.
_LOOKED_THROUGH = 20_000
_BAND_POINTS = 129


@dataclass(frozen=True, eq=False)
class Solution:
    """The choices of all cells for one set of shared values."""

    cells: tuple[CellChoice, ...]
    options: tuple[tuple[Option, ...], ...]
    error: float
    bound: float
    proved: bool
    covers: str
    alone: float | None
    certificate: str

    @property
    def spread(self) -> float:
        """Largest spread of a cell, of the first choice."""
        return max(o.spread for o in self.options[0])


def apart(found: Sequence[CellChoice], top: int, limited: bool = False) -> Solution:
    """Every cell by itself: one cell, or errors that are not added up.

    With a stock list (`limited`) what is left for a cell depends on those before it, so that
    only the first one's bound holds for all choices.
    """
    first = tuple(c.best[0] for c in found)
    options = [first]
    for k, c in enumerate(found):
        options += [(*first[:k], o, *first[k + 1 :]) for o in c.best[1:]]
    if len(found) > 1:
        options[1:] = sorted(options[1:], key=lambda x: max(o.error for o in x))
    metric = found[0].task.metric
    covers = getattr(metric, "covers", "") if len(found) == 1 else "each stage by itself"
    certificate = "; ".join(
        c.certificate if len(found) == 1 else f"stage {c.task.cell.name}: {c.certificate}"
        for c in found
    )
    shared = limited and len(found) > 1
    return Solution(
        tuple(found),
        tuple(options[:top]),
        max(o.error for o in first),
        max(c.least.bound for c in (found[:1] if shared else found)),
        all(c.choice.proved for c in found) and not shared,
        covers or "every choice from these values",
        None,
        certificate + (f" ({covers})" if covers and len(found) == 1 else ""),
    )


@dataclass(frozen=True, eq=False)
class Whole:
    """A cascade: the target of the whole, and the parts that are chosen.

    Parameters
    ----------
    transfer : Transfer
    request : ValueRequest
    parts : tuple of str
    """

    transfer: Transfer
    request: ValueRequest
    parts: tuple[str, ...]

    @cached_property
    def allpass(self) -> bool:
        """Whether the phase counts."""
        return describe(self.transfer).kind == "allpass"

    @cached_property
    def points(self) -> tuple[Array, tuple[Array, Array] | None]:
        """Angular frequencies where the whole is measured, and limits of its deviation in dB."""
        return _points(self.transfer, self.request)

    def deviations(self, task: CellTask, options: Sequence[Option]) -> Array:
        """Deviation of each option in dB; of an all-pass also of the phase, in like units."""
        logs = DECIBELS * task.ratios(options, self.points[0])
        table = (
            np.hstack([logs.real, logs.imag]) if self.allpass and not self.points[1] else logs.real
        )
        return np.clip(np.nan_to_num(table, nan=-1e3, neginf=-1e3, posinf=1e3), -1e3, 1e3)

    @property
    def floor(self) -> float:
        """Floor of the whole in dB."""
        request = self.request
        if request.floor is not None:
            return request.floor * (DECIBELS if request.metric == "figures" else 1.0)
        return request.floor_for(self.parts) * DECIBELS

    def join(self, found: Sequence[CellChoice]) -> Solution:
        """Take one choice of each cell so that the whole is best."""
        request, floor = self.request, self.floor
        pools = [self.pool(c) for c in found]
        tables = [self.deviations(c.task, pool) for c, pool in zip(found, pools, strict=True)]
        first = choose_joint([t[:1] for t in tables], limits=self.points[1])
        alone, picks, chosen, rows = first.error, (0,) * len(found), first, [[0]] * len(found)
        stocked = not request.counts or self._stocked(pools, picks)
        good_enough = floor > 0 and alone <= floor and stocked
        if not good_enough:
            chosen, rows = self._best_of(pools, tables)
            picks = tuple(r[p] for r, p in zip(rows, chosen.picks, strict=True))
        best = tuple(pool[p] for pool, p in zip(pools, picks, strict=True))
        proved, bound = False, 0.0
        if good_enough:
            covers = "each stage by itself; the whole is within the floor"
            own = (
                ", of least spread within its floor" if all(c.choice.proved for c in found) else ""
            )
            certificate = (
                f"not proved for the whole: each stage takes its own choice{own}, and the whole "
                f"deviates by {alone:.3g} dB, within the floor of {floor:.3g} dB"
            )
        else:
            # the combinations tried are all there are only where every list is whole
            every = all(
                _whole_list(c, r, pool) for c, r, pool in zip(found, rows, pools, strict=True)
            )
            bound = chosen.bound if every else 0.0
            proved = every and chosen.proved and not 0 < chosen.error <= floor
            counts = " x ".join(str(len(r)) for r in rows)
            allowed = " that the stock allows" if request.counts else ""
            covers = "every choice from these values"
            certificate = f"jointly over the stages: {chosen.certificate}{allowed}"
            if not proved:
                covers = f"the {counts} combinations of each stage's best choices{allowed}"
                certificate = f"not proved for all choices; {certificate}"
        return Solution(
            tuple(found),
            (best, *self._neighbours(pools, tables, picks)),
            chosen.error,
            bound,
            proved,
            covers,
            alone,
            certificate,
        )

    def _best_of(
        self, pools: Sequence[Sequence[Option]], tables: Sequence[Array]
    ) -> tuple[JointChoice, list[list[int]]]:
        """Return the best combination, and the options of each pool that it was taken from."""
        floor, limited = self.floor, bool(self.request.counts)
        found: tuple[JointChoice, list[list[int]]] | None = None
        for spread in _SPREADS if floor > 0 else (math.inf,):
            brought = LOOKED_AT if limited else BROUGHT
            rows = [_within(pool, spread, brought) for pool in pools]

            def allowed(picks: tuple[int, ...], rows: list[list[int]] = rows) -> bool:
                return self._stocked(pools, [r[p] for r, p in zip(rows, picks, strict=True)])

            try:
                chosen = choose_joint(
                    [t[r] for t, r in zip(tables, rows, strict=True)],
                    limits=self.points[1],
                    work=_JOINT_WORK,
                    allowed=allowed if limited else None,
                )
            except NumberError:
                continue  # none that the stock allows among those of this spread
            found = chosen, rows
            if chosen.error <= floor:
                break
        if found is None:
            raise NumberError(
                "no combination of the best choices of the stages can be made of the stock; add "
                "to it, or name a series for some parts with --part"
            )
        return found

    def _stocked(self, pools: Sequence[Sequence[Option]], picks: Sequence[int]) -> bool:
        """Whether the stock has the parts of all stages together."""
        wanted = [
            w
            for pool, p in zip(pools, picks, strict=True)
            for w in wanted_of(pool[p].values, self.request).values()
        ]
        return self._drawer.taken(wanted) is not None

    @cached_property
    def _drawer(self) -> Drawer:
        return Drawer(self.request.counts)

    def pool(self, choice: CellChoice) -> tuple[Option, ...]:
        """Options of one cell for the joint choice: the one asked for, then others.

        Of options with one response that at the most usual level stays, but with a stock list.
        """
        options = (choice.best[0], *choice.nearest, *choice.best[1:])
        if self.request.counts:  # which pieces are used matters too
            return tuple({tuple(o.values.values()): o for o in options[::-1]}.values())[::-1]
        table = np.round(self.deviations(choice.task, options), 7)
        found: dict[bytes, Option] = {}
        for o, row in zip(options, table + 0.0, strict=True):
            key = row.tobytes()
            if key not in found or (
                found[key] is not options[0] and _plain(o) < _plain(found[key])
            ):
                found[key] = o
        return tuple(found.values())

    def _neighbours(
        self, pools: Sequence[Sequence[Option]], tables: Sequence[Array], picks: Sequence[int]
    ) -> list[tuple[Option, ...]]:
        """Choices that differ in one stage, by the error of the whole."""
        total = np.sum([t[p] for t, p in zip(tables, picks, strict=True)], axis=0)
        found = []
        for k, t in enumerate(tables):
            errors = self.errors(total - t[picks[k]] + t)
            for j in np.argsort(errors, kind="stable")[: self.request.top]:
                other = [*picks[:k], int(j), *picks[k + 1 :]]
                if j != picks[k] and (not self.request.counts or self._stocked(pools, other)):
                    found.append((float(errors[j]), k, int(j)))
        base = [pool[p] for pool, p in zip(pools, picks, strict=True)]
        return [
            (*base[:k], pools[k][j], *base[k + 1 :])
            for _, k, j in sorted(found)[: self.request.top - 1]
        ]

    def errors(self, sums: Array) -> Array:
        """Return (rows,) errors in dB of summed deviations (rows, frequencies)."""
        lower, upper = self.points[1] or (np.zeros(sums.shape[1]), np.zeros(sums.shape[1]))
        return np.asarray(np.maximum(np.maximum(sums - upper, lower - sums).max(axis=1), 0.0))

    def error_of(self, cells: Sequence[CellChoice], parts: Sequence[Option]) -> float:
        """Return the error of the whole in dB with one option for each cell."""
        rows = [self.deviations(c.task, (o,))[0] for c, o in zip(cells, parts, strict=True)]
        return float(self.errors(np.sum(rows, axis=0)[None, :])[0])


def _points(transfer: Transfer, request: ValueRequest) -> tuple[Array, tuple[Array, Array] | None]:
    """Angular frequencies on which the whole is measured, and the limits of its deviation."""
    if request.metric == "mask":
        w, lower, upper = mask_limits(request.mask, lambda w: np.abs(transfer(1j * w)) ** 2)
        with np.errstate(divide="ignore"):
            level = 20 * np.log10(np.abs(transfer(1j * w)))
        if not np.isfinite(level).all():
            raise TargetError(
                "the target is zero at a frequency of the mask, where no error in dB exists; "
                "leave that frequency out"
            )
        return w, (lower - level, upper - level)
    if request.band is not None:
        return 2 * math.pi * np.geomspace(*request.band, _BAND_POINTS), None
    grid = frequency_grid(transfer)
    size = np.abs(transfer(1j * grid))
    return grid[size >= describe(transfer).peak * 10 ** (-RANGE_DB / 20)], None


def _whole_list(choice: CellChoice, rows: Sequence[int], pool: Sequence[Option]) -> bool:
    """Whether a stage brings every choice it has, but for those of equal response."""
    known = {tuple(o.values.values()) for o in (*choice.best, *choice.nearest)}
    return len(rows) == len(pool) and len(known) >= _possible(choice.task.problem)


def _possible(problem: Problem) -> float:
    """Return how many choices a stage has; infinity where there are too many to look through."""
    if not problem.limited:
        return problem.combinations
    if problem.combinations > _LOOKED_THROUGH:
        return math.inf
    values = np.array(list(product(*(e.values for e in problem.elements))))
    return int(in_stock(problem, values).sum())


def _plain(o: Option) -> tuple[float, ...]:
    """Order among options of one response."""
    return (o.level, o.spread, o.distinct, o.capacitance)


def _within(pool: Sequence[Option], spread: float, most: int) -> list[int]:
    """Places of the options to bring: within a spread, or the least spread there is."""
    limit = max(spread, min(o.spread for o in pool))
    rows = [k for k, o in enumerate(pool) if o.spread <= limit * (1 + 1e-9)]
    if spread < math.inf:
        usual = [k for k in rows if k == 0 or pool[k].level <= _USUAL_OCTAVES]
        rows = usual if len(usual) > 1 else rows
    return sorted(rows, key=lambda k: (k != 0, pool[k].error))[:most]
