"""The joint choice over a cascade: sections that compensate each other.

Each section brings its best choices; the combination whose errors cancel best is found by branch
and bound over the sections.  With gains in decibels the error of a cascade is the sum of the
errors of its sections at every frequency, so what is sought is the smallest maximum of a sum.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from synth.errors import NumberError

Array = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

#: Partial combinations looked at, at most, when nothing is said.
WORK = 5e7
_CHUNK = 1 << 14


@dataclass(frozen=True)
class JointChoice:
    """One choice for every section.

    Parameters
    ----------
    picks : tuple of int
        Place in each section's list.
    error : float
        Largest deviation of the whole in dB.
    bound : float
        No combination of the listed choices is below this; of others it says nothing.
    proved : bool
        Whether `picks` is the best combination of the listed choices.
    alone : float
        Error of the whole when every section takes the first of its list.
    listed : tuple of int
        How many choices each section brought.
    """

    picks: tuple[int, ...]
    error: float
    bound: float
    proved: bool
    alone: float
    listed: tuple[int, ...]

    @property
    def certificate(self) -> str:
        """What is proved, in one sentence."""
        lists = " x ".join(str(n) for n in self.listed)
        if self.proved:
            return f"the best of the {lists} combinations of each section's best choices"
        return (
            f"not proved: {self.error:.3g} dB found, none of the {lists} combinations is below "
            f"{self.bound:.3g} dB"
        )


def choose_joint(
    deviations: Sequence[Array],
    *,
    limits: tuple[Array, Array] | None = None,
    work: float = WORK,
    allowed: Callable[[tuple[int, ...]], bool] | None = None,
) -> JointChoice:
    """Choose one of each section's list so that the whole deviates least.

    Parameters
    ----------
    deviations : sequence of arrays (choices, frequencies)
        For each section the deviation in dB of every choice from the section's target, best
        choice first, all on the same frequencies.
    limits : tuple of two arrays, optional
        Lower and upper limit of the sum of the deviations; by default zero.
    allowed : callable, optional
        Says of the places in the lists whether they may be taken together.
    work : float
        Partial combinations looked at, at most: reproducible.

    Raises
    ------
    NumberError
        If there is no section, a list is empty, the frequencies differ, or no combination is
        allowed.

    Examples
    --------
    >>> up, down = np.array([[0.1, 0.2]]), np.array([[0.0, 0.0], [-0.1, -0.2]])
    >>> choose_joint([up, down]).picks
    (0, 1)
    """
    tables = [np.asarray(d, dtype=float) for d in deviations]
    if not tables or any(t.ndim != 2 or not t.size for t in tables):
        raise NumberError("a joint choice needs at least one choice for every section")
    if len({t.shape[1] for t in tables}) > 1 or not all(np.isfinite(t).all() for t in tables):
        raise NumberError("the deviations of all sections must be finite, on the same frequencies")
    # the sections that can move the sum most come last, where pruning is exact
    order = sorted(range(len(tables)), key=lambda k: (len(tables[k]), k))
    count = tables[0].shape[1]
    ends = limits or (np.zeros(count), np.zeros(count))
    if any(len(x) != count for x in ends) or (ends[0] > ends[1]).any():
        raise NumberError("the limits of a joint choice must be ordered, one pair a frequency")

    def in_place(row: IntArray) -> tuple[int, ...]:
        picks = [0] * len(tables)
        for place, k in enumerate(order):
            picks[k] = int(row[place])
        return tuple(picks)

    run = _Run(
        [tables[k] for k in order],
        ends,
        work,
        None if allowed is None else lambda row: allowed(in_place(row)),
    )
    ended = run.search()
    if not np.isfinite(run.best):
        raise NumberError(
            "no combination of the best choices of the stages is allowed by the stock; add to it"
        )
    picks = in_place(run.picks)
    alone = float(run.errors(sum(t[0] for t in tables)[None, :])[0])
    return JointChoice(
        picks,
        run.best,
        run.best if ended else run.floor,
        ended,
        alone,
        tuple(len(t) for t in tables),
    )


class _Run:
    def __init__(
        self,
        tables: list[Array],
        limits: tuple[Array, Array],
        work: float,
        allowed: Callable[[IntArray], bool] | None,
    ) -> None:
        self.tables, self.work, self.allowed = tables, work, allowed
        self.lower, self.upper = limits
        count = len(tables)
        self.low = [
            sum((t.min(axis=0) for t in tables[k:]), np.zeros(tables[0].shape[1]))
            for k in range(count + 1)
        ]
        self.high = [
            sum((t.max(axis=0) for t in tables[k:]), np.zeros(tables[0].shape[1]))
            for k in range(count + 1)
        ]
        self.picks = self._greedy()
        self.best = np.inf
        for picks in (self.picks, np.zeros(count, dtype=np.int64)):
            error = float(self.errors(self._sum(picks)[None, :])[0])
            if error < self.best and (allowed is None or allowed(picks)):
                self.best, self.picks = error, picks
        away = np.maximum(self.low[0] - self.upper, self.lower - self.high[0])
        self.floor = float(np.maximum(away, 0.0).max())

    def errors(self, sums: Array) -> Array:
        """Return (rows,) largest amounts by which sums (rows, frequencies) leave the limits."""
        over = np.maximum(sums - self.upper, self.lower - sums)
        return np.asarray(np.maximum(over.max(axis=1), 0.0))

    def _sum(self, picks: IntArray) -> Array:
        return np.asarray(sum(t[i] for t, i in zip(self.tables, picks, strict=True)))

    def _greedy(self) -> IntArray:
        """Improve the sections one after the other from the best of each, until none moves."""
        picks = np.zeros(len(self.tables), dtype=np.int64)
        for _ in range(20):
            before = picks.copy()
            for k, t in enumerate(self.tables):
                rest = self._sum(picks) - t[picks[k]]
                picks[k] = int(np.argmin(self.errors(rest + t)))
            if (picks == before).all():
                break
        return picks

    def search(self) -> bool:
        """Depth-first over chunks of partial combinations; True when it ends."""
        zero = np.zeros((1, self.tables[0].shape[1]))
        stack = [(np.zeros((1, 0), dtype=np.int64), zero)]
        while stack:
            picks, sums = stack.pop()
            depth = picks.shape[1]
            table = self.tables[depth]
            rows = max(1, _CHUNK // len(table))
            if len(picks) > rows:
                stack.append((picks[rows:], sums[rows:]))
                picks, sums = picks[:rows], sums[:rows]
            self.work -= len(picks) * len(table)
            if self.work < 0:
                return False
            parent, pick, total = self._grown(sums, table, depth + 1)
            if not len(pick):
                continue
            grown = np.hstack([picks[parent], pick[:, None]])
            if depth + 1 < len(self.tables):
                nearest = np.argsort(self.errors(total), kind="stable")
                stack.append((grown[nearest], total[nearest]))
                continue
            self._take(grown, self.errors(total))
            if self.work < 0:
                return False
        return True

    def _take(self, grown: IntArray, errors: Array) -> None:
        """Take the best of the combinations that are allowed, where it is better."""
        for k in np.argsort(errors, kind="stable"):
            if not errors[k] < self.best:
                return
            self.work -= 1
            if self.allowed is None or self.allowed(grown[k]):
                self.best, self.picks = float(errors[k]), grown[k]
                return
            if self.work < 0:
                return

    def _grown(self, sums: Array, table: Array, depth: int) -> tuple[IntArray, IntArray, Array]:
        """Pairs of a row and a choice that the remaining sections may still bring below the best.

        Frequencies are looked at one by one, those where the table varies most first, and the
        pairs left shrink quickly.
        """
        # wanted: lower - best <= sum + choice + rest <= upper + best, some rest in [low, high]
        least = self.lower - self.best - self.high[depth]
        most = self.upper + self.best - self.low[depth]
        first = int(np.argmax(np.where(most - least < np.inf, np.ptp(table, axis=0), -1.0)))
        order = np.argsort(table[:, first], kind="stable")
        column = table[order, first]
        start = np.searchsorted(column, least[first] - sums[:, first])
        stop = np.searchsorted(column, most[first] - sums[:, first], side="right")
        count = np.maximum(stop - start, 0)
        parent = np.repeat(np.arange(len(sums)), count)
        within = np.arange(len(parent)) - np.repeat(np.cumsum(count) - count, count)
        pick = order[start[parent] + within]
        step = max(1, table.shape[1] // 8)
        for f in range(0, table.shape[1], step):
            total = sums[parent, f] + table[pick, f]
            good = (total >= least[f]) & (total <= most[f])
            parent, pick = parent[good], pick[good]
        total = sums[parent] + table[pick]
        good = ((total >= least) & (total <= most)).all(axis=1)
        return parent[good], pick[good], total[good]
