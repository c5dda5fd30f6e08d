"""Values moved for the response of the whole: sections make up for each other, part by part.

Where the choice of whole sections leaves an error, the resistors of one section after the other
move over their series, two at a time and some at random, by what the whole circuit then does.  A
local search: it never makes the whole worse, and proves nothing.  So sections without whose moves
the whole is as good, but for what the tolerance of the parts makes meaningless, move back.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
import numpy.typing as npt

from synth.masks.limits import DelayLimit, Limit
from synth.realisation.fitted import FittedStage, Proof
from synth.search.arrange import PASS_DB
from synth.search.candidates import SectionTarget
from synth.search.match import CoefficientError
from synth.target.target import MEETS_DB, MEETS_SHARE, Target
from synth.tolerances.limits import DelayBounds, bounds, delay_bounds, limit_frequencies
from synth.transfer.critical import magnitude_extrema
from synth.transfer.transfer import Transfer
from synth.transfer.turning import turning
from synth.values.choose import LEVEL, Choice, pair_moves, random_moves, triple_moves
from synth.values.section import SectionFit, floor_of, weighed
from synth.values.series import Shelf

Array = npt.NDArray[np.float64]

_ROUNDS = 12
_POINTS = 180
#: Sharpness of the smooth maximum; a round that gains less than this share is as good as none.
_SHARP, _GAIN = 8.0, 0.01
#: Beyond this error each section is moved to its own target first,
_FAR = 1.0
#: if it has at most so many resistors.
_MOST_MOVED = 12
#: The most margin to a mask is a deviation that matters, within these dB.
_UNITS_DB = (0.05, 1.0)
#: Half widths about a pole at which |H| is looked at.
_ABOUT_POLE = np.linspace(-3.0, 3.0, 13)
_TINY = 1e-60
#: A delay that passes its limit by as much as that is worth so many dB.  Inside, it does not count
#: at all; looked at between fewer frequencies than afterwards, it keeps a little to itself.
_LATE_DB, _KEPT_BACK = 1.0, 0.995
_STOP_SHARE = MEETS_SHARE / 10
_TOLD = "chosen with the other stages for the response of the whole; see there"


class Aim(Protocol):
    """What the whole is wanted to do."""

    @property
    def frequencies(self) -> Array:
        """Angular frequencies in rad/s."""

    def deviations(self, squares: Array) -> Array:
        """Return how bad responses |H|**2 (rows, frequencies) are at each; lower is better."""

    @property
    def delays(self) -> Sequence[DelayBounds]:
        """Where the group delay is looked at, and what it must keep."""

    @property
    def enough(self) -> float:
        """Errors up to this need no work."""

    @property
    def floor(self) -> float:
        """Differences up to this are none."""

    @property
    def units(self) -> tuple[float, ...]:
        """A deviation that matters, and others to try while one is above 0."""


@dataclass(frozen=True, eq=False)
class NearTarget:
    """As near as possible to a target, by the measure of `synth.target.target`.

    In the stop band deviations count from a tenth of what that measure allows.
    """

    target: Target
    frequencies: Array

    @property
    def delays(self) -> Sequence[DelayBounds]:
        """Nothing: the delay follows the target."""
        return ()

    @property
    def enough(self) -> float:
        """Half of what counts as met."""
        return 0.5

    @property
    def floor(self) -> float:
        """Every difference counts."""
        return 0.0

    @property
    def units(self) -> tuple[float, ...]:
        """What counts as met."""
        return (1.0,)

    def deviations(self, squares: Array) -> Array:
        """Return deviations over what counts as met."""
        wanted = np.abs(self.target.transfer(1j * self.frequencies))
        near, scale = wanted * (10 ** (MEETS_DB / 20) - 1), self.target.scale
        allowed = np.maximum(near, scale * MEETS_SHARE)
        allowed = np.minimum(allowed, np.maximum(2 * near, scale * _STOP_SHARE))
        return np.asarray(np.abs(np.sqrt(squares) - wanted) / allowed)


@dataclass(frozen=True, eq=False)
class WithinMask:
    """As far as possible within the limits of a mask: the least margin, in dB, is largest.

    Parameters
    ----------
    frequencies : array
    least, most : array
        Of |H|**2 there.
    bound : float
        No filter has a larger margin, as far as is known.
    floor : float
        Differences up to this are meaningless with the tolerance of the parts.
    delays : sequence of DelayBounds
        What the group delay must keep; a move that breaks one is none.
    """

    frequencies: Array
    least: Array
    most: Array
    bound: float = np.inf
    floor: float = 0.0
    delays: Sequence[DelayBounds] = ()

    @property
    def enough(self) -> float:
        """The margin that is as good as the most there is."""
        return self.floor - self.bound

    @property
    def units(self) -> tuple[float, ...]:
        """The most margin there is, and more of it."""
        unit = float(np.clip(self.bound, *_UNITS_DB))
        return unit, 4 * unit

    @property
    def limits_db(self) -> tuple[Array, Array]:
        """Limits of 20 log10|H| in which the most margin is left, or the middle between two."""
        with np.errstate(divide="ignore"):
            low, high = 10 * np.log10(self.least), 10 * np.log10(self.most)
        room = np.where(np.isfinite(high - low), high - low, np.inf) / 2
        left = np.minimum(max(self.bound, 0.0) if np.isfinite(self.bound) else 0.0, room)
        return low + left, np.maximum(high - left, low + left)

    def deviations(self, squares: Array) -> Array:
        """Return by how many decibels the limits are passed; negative inside."""
        with np.errstate(divide="ignore"):
            level = 10 * np.log10(np.maximum(squares, _TINY))
            low, high = 10 * np.log10(self.least), 10 * np.log10(self.most)
        return np.asarray(np.maximum(level - high, low - level))


def near(target: Target) -> NearTarget:
    """Return the aim of a response near to a target."""
    grid = target.grid
    size = np.abs(target.transfer(1j * grid))
    seen = grid[size >= target.scale * _STOP_SHARE / 4]
    return NearTarget(target, seen[:: max(1, len(seen) // _POINTS)])


def within(
    target: Target,
    mask: Sequence[Limit],
    bound: float = np.inf,
    floor: float = 0.0,
    delays: Sequence[DelayLimit] = (),
) -> WithinMask:
    """Return the aim of a response within the limits of a mask.

    Parameters
    ----------
    target : Target
        What ``within`` is about.
    mask : sequence of Limit
    bound, floor : float
        As for `WithinMask`.
    delays : sequence of DelayLimit
    """
    special = _special(target.transfer)
    f = np.unique(np.concatenate([limit_frequencies(x, special) for x in mask]))
    reference = np.abs(target.transfer.response(f)) ** 2
    least, most = np.zeros(len(f)), np.full(len(f), np.inf)
    for x in mask:
        inside = (f >= x.low_hz) & (f <= x.high_hz)
        b = bounds(x, f[inside], reference[inside])
        least[inside] = np.maximum(least[inside], b.least)
        most[inside] = np.minimum(most[inside], b.most)
    late = tuple(delay_bounds(x, target.transfer.poles) for x in delays)
    return WithinMask(2 * np.pi * f, least, most, bound, floor, late)


def _special(transfer: Transfer) -> list[float]:
    """Return frequencies in hertz where |H| turns, and about each pole as dense as its Q asks."""
    poles = np.array([p for p in transfer.poles if p.imag > 0])
    about = np.abs(poles)[:, None] - poles.real[:, None] * _ABOUT_POLE
    every = np.concatenate([magnitude_extrema(transfer.zeros, transfer.poles), about.ravel()])
    return [float(w) / (2 * np.pi) for w in every if w > 0]


def pass_limits(target: Target, decibels: float) -> tuple[Limit, ...]:
    """Return limits that keep the response within so many decibels of the target as it passes.

    It passes where it is within `PASS_DB` of its maximum, over the grid of the target.
    """
    grid = target.grid / (2 * np.pi)
    size = np.abs(target.transfer.response(grid))
    inside = np.concatenate([[False], size >= size.max() * 10 ** (-PASS_DB / 20), [False]])
    starts = np.flatnonzero(inside[1:] & ~inside[:-1])
    stops = np.flatnonzero(inside[:-1] & ~inside[1:]) - 1
    return tuple(
        Limit(float(grid[a]), float(grid[b]), "within", decibels)
        for a, b in zip(starts, stops, strict=True)
    )


def polished(
    aim: Aim, stages: Sequence[FittedStage], shelves: Mapping[str, Shelf]
) -> tuple[FittedStage, ...]:
    """Move the resistors of the stages for the whole; stages that do not move stay as they are.

    Parameters
    ----------
    aim : Aim
    stages : sequence of FittedStage
        A cascade.
    shelves : mapping
        Letter (R, C) -> shelf.
    """
    whole = _Whole(aim, [_Section.of(s, shelves["R"].values, aim) for s in stages])
    if whole.error > _FAR:  # only near its target does a section help the others
        whole.settle(stages)
    for unit in aim.units:
        whole.search(unit)
        if whole.error <= 0:
            break
    whole.return_idle()
    return tuple(
        stage if (at == section.start).all() else section.stage(stage, at)
        for stage, section, at in zip(stages, whole.sections, whole.best, strict=True)
    )


def _deviations(aim: Aim, sums: Array) -> Array:
    """Return how bad wholes are, in rows as of `_Section.table`; lower is better."""
    at = len(aim.frequencies)
    found = [aim.deviations(np.exp(sums[:, :at]))]
    for b in aim.delays:
        uses = b.uses(sums[:, at : at + len(b.frequencies)].T).T / _KEPT_BACK
        found.append(np.where(uses > 1, _LATE_DB * (uses - 1), -np.inf))
        at += len(b.frequencies)
    return np.hstack(found) if len(found) > 1 else found[0]


def _worst(aim: Aim, sums: Array) -> float:
    """Return the largest deviation of one whole."""
    return float(_deviations(aim, sums[None, :]).max())


class _Whole:
    """Sections whose resistors move, and the best places seen.

    Moves are judged by a smooth maximum of the deviations: the true one stands still as soon as
    two frequencies want different things.
    """

    def __init__(self, aim: Aim, sections: Sequence[_Section]) -> None:
        self.aim, self.sections = aim, sections
        self.tables = [s.table(s.at[None, :])[0] for s in sections]
        self.best = [s.at for s in sections]
        self.error = _worst(aim, self._sums())

    def _sums(self) -> Array:
        return np.asarray(np.sum(self.tables, axis=0))

    def settle(self, stages: Sequence[FittedStage]) -> None:
        """Move every section to its own target, if the whole is better for it."""
        for section, stage in zip(self.sections, stages, strict=True):
            fit = stage.fit
            section.settle(fit.target, CoefficientError(fit.candidate.terms, fit.target))
        before, self.tables = self.tables, [s.table(s.at[None, :])[0] for s in self.sections]
        if not self._kept():
            self.tables = before
            for section, at in zip(self.sections, self.best, strict=True):
                section.at = at

    def search(self, unit: float) -> None:
        """Move the sections in turn while a round still helps, or the next one does."""
        stale = 0
        smooth = float(self._smooth(self._sums()[None, :], unit)[0])
        for turn in range(_ROUNDS):
            before = smooth
            for k, section in enumerate(self.sections):
                if self.error <= self.aim.enough or not section.columns:
                    continue
                rows = section.trials(turn)
                table = section.table(rows)
                rest = np.sum([x for j, x in enumerate(self.tables) if j != k], axis=0)
                scores = self._smooth(table + rest, unit)
                j = int(np.argmin(scores))
                if scores[j] < smooth - 1e-9:
                    smooth, section.at, self.tables[k] = float(scores[j]), rows[j], table[j]
                    self._kept()
            stale = 0 if smooth < before - _GAIN * abs(before) else stale + 1
            if stale > 1:
                break

    def _smooth(self, sums: Array, unit: float) -> Array:
        """Return (rows,) a maximum of the deviations that feels all frequencies near it."""
        deviations = _deviations(self.aim, sums) / unit
        top = deviations.max(axis=1)
        near_top = np.exp(_SHARP * (deviations - top[:, None])).mean(axis=1)
        return np.asarray(top + np.log(near_top) / _SHARP)

    def return_idle(self) -> None:
        """Bring sections back to their start while the whole stays as good, floor and all.

        A floor's worth is given away only where more than that is left.
        """
        given = min(self.error + self.aim.floor, -self.aim.floor)
        limit = max(self.error, given, self.aim.enough)
        pairs = zip(self.sections, self.best, strict=True)
        at = [s.table(np.vstack([s.start, x])) for s, x in pairs]
        moved = {k for k, s in enumerate(self.sections) if (self.best[k] != s.start).any()}
        while moved:
            rest = sum(x[int(j in moved)] for j, x in enumerate(at))
            errors = {k: _worst(self.aim, rest + at[k][0] - at[k][1]) for k in moved}
            k = min(errors, key=lambda j: (errors[j], j))
            if errors[k] > limit:
                break
            moved.remove(k)
            self.best[k] = self.sections[k].start

    def _kept(self) -> bool:
        """Remember the places if the largest deviation is smaller than ever."""
        error = _worst(self.aim, self._sums())
        if error < self.error:
            self.error, self.best = error, [s.at for s in self.sections]
            return True
        return False


@dataclass(eq=False)
class _Section:
    """A stage while its resistors move; `at` are its values.

    Its table has, for rows of values, what adds up along a cascade: ln |H|**2 where the aim looks,
    and the group delay in seconds where that is limited.
    """

    names: tuple[str, ...]
    columns: list[int]
    start: Array
    at: Array
    grid: Array
    table: Callable[[Array], Array]

    @classmethod
    def of(cls, stage: FittedStage, grid: Array, aim: Aim) -> _Section:
        terms, values = stage.fit.candidate.terms, stage.fit.choice.values
        start = np.array([values[n] for n in terms.names])
        columns = [k for k, n in enumerate(terms.names) if n[0] == "R"]
        w = aim.frequencies
        powers = np.array([_even_and_odd(w, k) for k in range(len(terms.denominator))])
        late = [2 * np.pi * b.frequencies for b in aim.delays]

        def table(rows: Array) -> Array:
            top, bottom = terms.coefficients(np.log(rows))
            squares = _size(top, powers) / np.maximum(_size(bottom, powers), _TINY)
            logs = np.log(np.maximum(squares, _TINY))
            delays = [turning(bottom, x) - turning(top, x) for x in late]
            return np.hstack([logs, *delays]) if delays else np.asarray(logs)

        return cls(terms.names, columns, start, start.copy(), grid, table)

    def trials(self, turn: int) -> Array:
        """Return values near those at hand."""
        count = len(self.columns)
        generator = np.random.default_rng([count, turn])
        moves = np.vstack([pair_moves(count), random_moves(count, generator)])
        return self._moved(moves)

    def settle(self, target: SectionTarget, errors: CoefficientError) -> None:
        """Move three resistors at a time to the section's own target."""
        count = len(self.columns)
        if not 0 < count <= _MOST_MOVED:
            return
        moves, offsets = triple_moves(count), _offsets(self.names, target)
        best = float(weighed(errors, np.log(self.at[None, :]) + offsets)[0])
        for _ in range(_ROUNDS):
            if best <= floor_of(target):
                break
            rows = self._moved(moves)
            sizes = weighed(errors, np.log(rows) + offsets)
            k = int(np.argmin(sizes))
            if not sizes[k] < best * (1 - 1e-9):
                break
            best, self.at = float(sizes[k]), rows[k]

    def _moved(self, moves: npt.NDArray[np.int64]) -> Array:
        """Return the values at hand with resistors moved over their series."""
        at = np.searchsorted(self.grid, self.at[self.columns] * (1 - 1e-9))
        rows = np.repeat(self.at[None, :], len(moves), axis=0)
        rows[:, self.columns] = self.grid[np.clip(at + moves, 0, len(self.grid) - 1)]
        return rows

    def stage(self, stage: FittedStage, at: Array) -> FittedStage:
        """Return the stage with these values."""
        values = dict(zip(self.names, (float(v) for v in at), strict=True))
        bound = stage.proof.bound if stage.proof else 0.0
        moved = with_values(stage, values, None)
        return replace(moved, proof=Proof(moved.fit.choice.error, bound, False, _TOLD))


def with_values(
    stage: FittedStage, values: Mapping[str, float], proof: Proof | None
) -> FittedStage:
    """Return the stage with other values, its errors measured as the local search does."""
    fit = stage.fit
    terms, target = fit.candidate.terms, fit.target
    row = np.array([[values[n] for n in terms.names]])
    logs = np.log(row) + _offsets(terms.names, target)
    errors = CoefficientError(terms, target)
    spread = 1.0
    for letter in "RC":
        own = [v for n, v in values.items() if n[0] == letter]
        spread *= max(own) / min(own) if own else 1.0
    choice = Choice(values, float(weighed(errors, logs)[0]), spread)
    return FittedStage(
        SectionFit(fit.candidate, target, choice, float(errors.gain(logs)[0])), proof
    )


def _offsets(names: Sequence[str], target: SectionTarget) -> Array:
    """Return what normalises logarithms of ohm and farad to the level and the frequency."""
    inverse = np.array([n[0] == "R" for n in names], dtype=bool)
    return np.asarray(np.where(inverse, -np.log(LEVEL), np.log(target.w0 * LEVEL)))


def _even_and_odd(w: Array, k: int) -> Array:
    """Real factor of (jw)**k."""
    return np.asarray((1.0, 1.0, -1.0, -1.0)[k % 4] * w**k)


def _size(coefficients: Array, powers: Array) -> Array:
    """|P(jw)|**2 for rows of coefficients; even powers are real, odd ones imaginary."""
    even, odd = coefficients[:, ::2] @ powers[::2], coefficients[:, 1::2] @ powers[1::2]
    return np.asarray(even * even + odd * odd)
