"""Fit one candidate to one section: exact solutions for many capacitor sets, then series values."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum

import numpy as np
import numpy.typing as npt

from synth.search.candidates import Candidate, SectionTarget
from synth.search.match import CoefficientError, solve
from synth.transform.impedance import ratio_groups
from synth.values.choose import DEEP, FLOOR, LEVEL, ZERO_FLOOR, Choice, Effort, choose
from synth.values.series import Shelf

Array = npt.NDArray[np.float64]

_MENU = 16
_SETS = 256
_COMBINATIONS = 4096  # roundings tried, over all exact solutions of one candidate
_SHORTLIST = (16, 256)  # fewest and most exact solutions that are rounded
_LEAST_GAIN = 0.1  # a free gain stays between this and its inverse
_GUESSES, _LEVELS = 256, 16  # for sections of more than two poles
_PROBE = 96  # starts tried first: a candidate that solves none of them is given up


@dataclass(frozen=True)
class SectionFit:
    """A candidate with preferred values for a section.

    ``gain`` is the gain reached over the target's: 1 but for rounding, unless it was free.
    """

    candidate: Candidate
    target: SectionTarget
    choice: Choice
    gain: float


class Misfit(Enum):
    """Why a candidate has no values for a section, though its structure allows it."""

    NO_POSITIVE_VALUES = "no positive part values solve its equations"
    OUTSIDE_WINDOWS = "its values lie outside the windows"


def fit(
    candidate: Candidate,
    target: SectionTarget,
    shelves: Mapping[str, Shelf],
    seed: int = 0,
    effort: Effort = DEEP,
) -> SectionFit | Misfit:
    """Return preferred values with which the candidate realises the target, or why there are none.

    Parameters
    ----------
    candidate : Candidate
        Whose structure allows the target (`synth.search.candidates.obstacle` is empty).
    target : SectionTarget
    shelves : mapping
        Letter (R, C) -> shelf.
    seed : int
        Of the random variations of the starts; the result is reproducible.
    effort : Effort
        How long to search for preferred values.
    """
    errors = CoefficientError(candidate.terms, target)
    names = candidate.terms.names
    inverse = np.array([n[0] == "R" for n in names], dtype=bool)
    starts, exact_sets = _beginnings(candidate, errors, shelves, seed)
    if not len(starts):
        return Misfit.NO_POSITIVE_VALUES
    every = -(-len(starts) // effort.exact)
    starts, exact_sets = starts[::every], exact_sets[::every]
    # normalised units: R/LEVEL and C*w0*LEVEL
    offset = np.where(inverse, -np.log(LEVEL), np.log(target.w0 * LEVEL))
    logs, solved = _solutions(errors, starts + offset, inverse)
    if not solved.any():
        return Misfit.NO_POSITIVE_VALUES
    values = np.exp(logs - offset)
    values[:, ~inverse] = exact_sets
    inside = (
        (values[:, inverse] >= shelves["R"].low * 0.98)
        & (values[:, inverse] <= shelves["R"].high * 1.02)
    ).all(axis=1)
    usable = solved & inside
    if target.free_gain:
        gain = np.abs(errors.gain(logs))
        usable &= (gain > _LEAST_GAIN) & (gain < 1 / _LEAST_GAIN)
    values = values[usable]
    if not len(values):
        return Misfit.OUTSIDE_WINDOWS
    count = int(np.clip(_COMBINATIONS >> int(inverse.sum()), *_SHORTLIST))
    values = values[np.argsort(_roughness(values, inverse), kind="stable")[:count]]

    def error(rows: Array) -> Array:
        return weighed(errors, np.log(rows) + offset)

    choice = choose(names, values, shelves, error, floor_of(target), effort)[0]
    chosen = np.array([[choice.values[n] for n in names]])
    return SectionFit(candidate, target, choice, float(errors.gain(np.log(chosen) + offset)[0]))


def _solutions(
    errors: CoefficientError, starts: Array, free: npt.NDArray[np.bool_]
) -> tuple[Array, npt.NDArray[np.bool_]]:
    """Solve from some of the starts, and from the others only if one of those is solved."""
    first = np.zeros(len(starts), dtype=bool)
    first[:: max(1, len(starts) // _PROBE)] = True
    logs, solved = starts.copy(), np.zeros(len(starts), dtype=bool)
    logs[first], solved[first] = solve(errors, starts[first], free)
    if solved.any() and not first.all():
        logs[~first], solved[~first] = solve(errors, starts[~first], free)
    return logs, solved


def _beginnings(
    candidate: Candidate, errors: CoefficientError, shelves: Mapping[str, Shelf], seed: int
) -> tuple[Array, Array]:
    """Log-values to start from, and the capacitors on their shelf that they stand for."""
    target = errors.target
    inverse = np.array([n[0] == "R" for n in candidate.terms.names], dtype=bool)
    if target.order > 2:
        return _solved_starts(errors, inverse, shelves, seed)
    sets = _capacitor_sets(int((~inverse).sum()), target.w0, shelves["C"], seed)
    starts = _starts(candidate, sets, target.w0, shelves["R"], seed)
    return starts, np.repeat(sets, len(starts) // len(sets), axis=0)


def floor_of(target: SectionTarget) -> float:
    """Return the error below which errors of a section do not count."""
    finite_zeros = sum(1 for c in target.numerator if c) > 1 and target.order > 0
    return ZERO_FLOOR if finite_zeros else FLOOR


def sharpness(target: SectionTarget) -> float:
    """Return how many times an error of the pole frequency counts; 1 at low Q.

    Beside a peak |H| changes by Q times the relative shift of the pole frequency, so that the
    same share of a decibel needs a pole frequency Q times as exact.  Where the floor is lower
    anyhow, for the sake of zeros, it counts so many times less.
    """
    return max(1.0, pole_q(target) * floor_of(target) / FLOOR) if target.order > 1 else 1.0


def pole_q(target: SectionTarget) -> float:
    """Return the largest Q of a section's poles; one half for a first-order one, 0 for none."""
    if target.order < 2:
        return 0.5 * target.order
    if target.order == 2:
        return 1 / target.denominator[1]
    poles = np.roots(target.denominator[::-1])
    return float(max(np.abs(poles) / np.maximum(-2 * poles.real, 1e-12)))


def weighed(errors: CoefficientError, logs: Array) -> Array:
    """Return (batch,) largest relative errors of coefficients, those of D by `sharpness`.

    Of a section of second order only that of w0**2 in D; of a higher one all of them.
    """
    size = np.abs(errors.evaluate(logs))
    weight, order = sharpness(errors.target), errors.target.order
    if weight > 1:
        first = size.shape[1] - order
        size[:, first : first + 1 if order == 2 else None] *= weight
    return np.asarray(size.max(axis=1, initial=0.0))


def _capacitor_sets(count: int, w0: float, shelf: Shelf, seed: int) -> Array:
    """Return sets from the shelf whose impedance at w0 suits an op amp, equal ones first."""
    values = shelf.values
    away = np.abs(np.log(values * w0 * LEVEL))
    menu = values[np.argsort(away, kind="stable")[:_MENU]]
    if count == 0:
        return np.ones((1, 0))
    if count == 1:
        return menu[:, None]
    equal = np.repeat(menu[:, None], count, axis=1)
    wide = values[np.argsort(away, kind="stable")[: 2 * _MENU]]
    if count == 2:
        a, b = np.meshgrid(wide, wide)
        rows = np.column_stack([a.ravel(), b.ravel()])
        order = np.argsort(
            np.abs(np.log(rows * w0 * LEVEL)).sum(axis=1)
            + 0.2 * np.abs(np.log(rows[:, 0] / rows[:, 1])),
            kind="stable",
        )
        # near sets, and a regular sample of the rest for the far ratios that high Q needs
        picked = np.concatenate([order[: _SETS // 2], order[_SETS // 2 :: 4]])
        return np.vstack([equal, rows[picked]])
    generator = np.random.default_rng(seed)
    return np.vstack([equal, generator.choice(wide, size=(_SETS, count))])


def _starts(candidate: Candidate, sets: Array, w0: float, shelf: Shelf, seed: int) -> Array:
    """Log-values to start from: the sets, gain resistors at LEVEL, others by 1/(w0*C)."""
    names = candidate.terms.names
    inverse = np.array([n[0] == "R" for n in names], dtype=bool)
    ratio = ratio_groups(candidate.network)
    generator = np.random.default_rng(seed + 1)
    repeats = 2 if sets.shape[1] else 24
    sets = np.repeat(sets, repeats, axis=0)
    rows = np.zeros((len(sets), len(names)))
    rows[:, ~inverse] = np.log(sets)
    level = np.full(len(sets), np.log(LEVEL))
    if sets.shape[1]:
        level = -np.log(w0) - np.log(sets).mean(axis=1)
    for k, n in enumerate(names):
        if inverse[k]:
            rows[:, k] = np.log(LEVEL) if n in ratio else level
    noise = generator.normal(0.0, 0.5, size=rows.shape)
    noise[::repeats] *= 0.1
    rows[:, inverse] += noise[:, inverse]
    rows[:, inverse] = np.clip(rows[:, inverse], np.log(shelf.low * 1.2), np.log(shelf.high / 1.2))
    return rows


def _solved_starts(
    errors: CoefficientError,
    inverse: npt.NDArray[np.bool_],
    shelves: Mapping[str, Shelf],
    seed: int,
) -> tuple[Array, Array]:
    """Log-values near exact solutions with capacitors rounded to their shelf, and those.

    The capacitors of more than two poles must have certain ratios, which sets at random miss:
    the equations are first solved for the parts of one kind, those of the other nearly alike,
    and for all.
    """
    names, w0 = errors.terms.names, errors.target.w0
    generator = np.random.default_rng(seed)
    found = []
    for free in (~inverse, inverse, np.ones(len(names), dtype=bool)):
        spread = np.where(free, 0.8, 0.4)
        guesses = generator.normal(0.0, 1.0, size=(_GUESSES, len(names))) * spread
        exact, solved = solve(errors, guesses, free)
        found.append(exact[solved])
    logs = np.vstack(found)
    offset = np.where(inverse, -np.log(LEVEL), np.log(w0 * LEVEL))
    logs = logs[np.argsort(_roughness(np.exp(logs - offset), inverse), kind="stable")]
    logs = logs[: _GUESSES // 4]
    steps = np.linspace(-1.2, 1.2, _LEVELS)
    rows = (logs[:, None, :] + np.where(inverse, 1.0, -1.0) * steps[:, None]).reshape(
        -1, len(names)
    )
    rows = rows - offset
    shelf = np.log(shelves["C"].values)
    wanted = rows[:, ~inverse]
    at = np.clip(np.searchsorted(shelf, wanted), 1, len(shelf) - 1)
    at -= wanted - shelf[at - 1] < shelf[at] - wanted
    rows[:, ~inverse] = shelf[at]
    return rows, shelves["C"].values[at]


def _roughness(values: Array, inverse: npt.NDArray[np.bool_]) -> Array:
    """How far the values are from one level, and their spread: what is tried first."""
    logs = np.log(values)
    total = np.zeros(len(values))
    for mask in (inverse, ~inverse):
        if mask.any():
            part = logs[:, mask]
            total += part.max(axis=1) - part.min(axis=1)
    if inverse.any():
        total += 0.5 * np.abs(logs[:, inverse] - np.log(LEVEL)).mean(axis=1)
    return total
