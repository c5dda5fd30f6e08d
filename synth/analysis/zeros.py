"""Transmission zeros: structural ones stay whatever the parts are, balanced ones need a match.

A zero at DC, at infinity or on the axis stands where coefficients of N(s) vanish.  A coefficient
that the network cannot have is a structural zero.  One in which terms subtract is a balanced
zero: with real parts it is only as deep as they match.  A zero on the axis also moves along it
when the parts drift, so that at the frequency wanted less is left of the depth than near the
place it has moved to.  All figures are medians over part values drawn uniformly within the
tolerance, in dB relative to the largest magnitude of the nominal response (to 1 where poles on
the axis make that infinite).
"""

from __future__ import annotations

from dataclasses import dataclass
from math import inf, pi
from typing import Any

import numpy as np
import numpy.typing as npt

from synth.analysis.loop import Loop
from synth.analysis.ring import Poly
from synth.analysis.terms import Terms, terms_of

Array = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complexfloating[Any, Any]]

#: A coefficient smaller than this share of its largest term counts as cancelled.
CANCELLED = 1e-6
#: No zero further off the axis than this share of its size counts as on it.
_OFF = 0.02
_DRAWS = 2000
#: Newton steps from the nominal zero to that of a draw; each squares the relative distance.
_STEPS = 3


@dataclass(frozen=True)
class Zero:
    """A transmission zero on the imaginary axis.

    Parameters
    ----------
    frequency_hz : float
        0 at DC, infinite at infinity.
    count : int
        Multiplicity at DC and infinity; number of equal pairs on the axis.
    balanced : bool
        Whether it needs parts that match.
    floor_db : float or None
        For a balanced zero the median of the magnitude left there with parts of the tolerance
        asked: at DC and infinity |H| itself, or, beside a structural zero, |H| at `corner_hz`; on
        the axis the least |H| near the place the zero has moved to.  None for a structural zero.
    depth_db : float or None
        For a zero on the axis, structural or balanced, the median of |H| at its nominal frequency
        with parts of the tolerance asked: the zero moves away from it.  None at DC and infinity.
    corner_hz : float or None
        For a balanced zero at DC or infinity beside a structural one: the median frequency in Hz
        below (DC) or above (infinity) which the slope is that of the structural zero alone.
    """

    frequency_hz: float
    count: int
    balanced: bool
    floor_db: float | None
    depth_db: float | None = None
    corner_hz: float | None = None

    @property
    def kind(self) -> str:
        """``"structural"`` or ``"balanced"``."""
        return "balanced" if self.balanced else "structural"


@dataclass(frozen=True)
class _Draws:
    """Coefficients, ascending: nominal, and of each draw; N over D lowest powers included."""

    top: Array
    bottom: Array
    tops: Array
    bottoms: Array
    peak: float

    def level(self, left: Array) -> float:
        """Median of magnitudes in dB below the peak."""
        return 20 * float(np.log10(np.median(left) / self.peak))


def transmission_zeros(
    loop: Loop, tolerance: float = 0.01, seed: int = 0, *, within: float = CANCELLED
) -> tuple[Zero, ...]:
    """Return the zeros at DC, on the axis and at infinity of a network with values.

    Parameters
    ----------
    loop : Loop
    tolerance : float
        Of every part, uniform within plus and minus this share of its value.
    seed : int
        Of the draws.
    within : float
        What counts as cancelled, as a share of the terms: more than rounding where the values
        come from preferred series, which leave a balanced zero beside its place.

    Notes
    -----
    At DC and at infinity structural and balanced zeros are listed apart.  A balanced one is lost
    altogether when the parts do not match; of the structural ones none is.
    """
    terms = terms_of(loop)
    values = np.array([loop.network.values[n] for n in terms.names])
    absent = _cancelled(terms.numerator, terms, values, within) | ~terms.numerator.any(axis=1)
    present = np.flatnonzero(~absent)
    if not len(present):
        return ()
    draws = _draws(terms, values, tolerance, seed)
    poles = _cancelled(terms.denominator, terms, values, CANCELLED) | ~terms.denominator.any(axis=1)
    found = _at_end(0.0, terms.numerator, absent, poles, draws)
    sizes = np.abs(terms.numerator) @ np.exp(np.log(values) @ terms.exponents.T)
    even = _even_factors(loop)
    found += _on_axis(draws, sizes * within, int(present[0]), int(present[-1]), even)
    found += _at_end(inf, terms.numerator[::-1], absent[::-1], poles[::-1], draws)
    return tuple(found)


def _cancelled(rows: Array, terms: Terms, values: Array, within: float) -> npt.NDArray[np.bool_]:
    """Which coefficients exist in structure and vanish for these values."""
    parts = rows * np.exp(np.log(values) @ terms.exponents.T)
    size = np.abs(parts).max(axis=1, initial=0.0)
    return np.asarray((size > 0) & (np.abs(parts.sum(axis=1)) < within * size))


def _draws(terms: Terms, values: Array, tolerance: float, seed: int) -> _Draws:
    generator = np.random.default_rng(seed)
    drawn = values * (1 + tolerance * generator.uniform(-1, 1, size=(_DRAWS, len(values))))
    tops, bottoms = terms.coefficients(np.log(drawn))
    top, bottom = (x[0] for x in terms.coefficients(np.log(values)[None, :]))
    present = np.flatnonzero(bottom)
    span = int(present[-1] - present[0])
    w0 = abs(bottom[present[0]] / bottom[present[-1]]) ** (1 / span) if span else 1.0
    s = 1j * w0 * np.geomspace(1e-3, 1e3, 601)
    poles = _roots(bottom[present[0] : present[-1] + 1])
    endless = bool((np.abs(poles.real) < 1e-9 * np.abs(poles)).any())
    peak = 1.0 if endless else float(np.abs(_at(top, s) / _at(bottom, s)).max())
    return _Draws(top, bottom, tops, bottoms, peak)


# -- at DC and at infinity -------------------------------------------------------------------------


def _at_end(
    place: float,
    rows: Array,
    absent: npt.NDArray[np.bool_],
    poles: npt.NDArray[np.bool_],
    draws: _Draws,
) -> list[Zero]:
    """Zeros at one end; coefficients counted from that end."""
    shared = int(np.flatnonzero(~poles)[0])  # poles there cancel zeros
    whole = int(np.flatnonzero(~absent)[0]) - shared
    structural = int(np.flatnonzero(rows.any(axis=1))[0]) - shared
    if whole <= 0:
        return []
    found = []
    if structural > 0:
        found.append(Zero(place, structural, False, None))
    if whole > max(structural, 0):
        found.append(_balanced_end(place, max(structural, 0) + shared, whole + shared, draws))
    return found


def _balanced_end(place: float, low: int, high: int, draws: _Draws) -> Zero:
    """Return the zero that coefficients `low` to `high` - 1 make in balance only."""
    tops, bottoms = draws.tops, draws.bottoms
    step = slice(None) if place == 0 else slice(None, None, -1)
    end, wanted = tops[:, step][:, low], tops[:, step][:, high]
    shared = int(np.flatnonzero(draws.bottom[step])[0])
    if low == shared:
        left = np.abs(end / bottoms[:, step][:, low])
        return Zero(place, high - low, True, draws.level(left))
    corner = np.abs(end / wanted) ** (1 / (high - low))
    w = corner if place == 0 else 1 / corner
    left = np.abs(_each(tops, 1j * w) / _each(bottoms, 1j * w))
    middle = float(np.median(w)) / (2 * pi)
    return Zero(place, high - low, True, draws.level(left), corner_hz=middle)


# -- on the axis -----------------------------------------------------------------------------------


def _even_factors(loop: Loop) -> list[dict[int, float]]:
    """Return the numerator's factors with, in structure, even or odd powers of s only.

    Each as power -> coefficient at the values of the network.
    """
    branches = loop.network.branches
    powers = [b.power for b in branches]
    values = [(b.value or 0.0) if b.power > 0 else 1 / (b.value or 1.0) for b in branches]
    found = []
    for factor in loop.transfer() or ():
        sums = _collected(factor, powers, values)
        if len({k % 2 for k in sums}) == 1 and len(sums) > 1:
            found.append(sums)
    return found


def _collected(factor: Poly, powers: list[int], values: list[float]) -> dict[int, float]:
    sums: dict[int, float] = {}
    for mask, c in factor.items():
        parts = [k for k in range(len(powers)) if mask >> k & 1]
        power = sum(powers[k] for k in parts)
        sums[power] = sums.get(power, 0.0) + float(c) * float(np.prod([values[k] for k in parts]))
    return sums


def _on_axis(
    draws: _Draws, errors: Array, low: int, high: int, even: list[dict[int, float]]
) -> list[Zero]:
    """Pairs of zeros on the axis, by frequency.

    A zero counts as on the axis when such errors of the coefficients could have moved it off.
    """
    inner = draws.top[low : high + 1]
    frequencies: dict[float, int] = {}
    for z in _roots(inner):
        w = float(z.imag)
        if w <= 0 or abs(z.real) > _OFF * abs(z):
            continue
        slope = abs(_at(_derivative(inner), 1j * w))
        reach = max(errors[low + k] * w**k for k in range(len(inner)))
        if abs(z.real) * slope > reach or _pole_at(draws.bottom, w):
            continue
        near = next((f for f in frequencies if abs(f - w) < 1e-4 * w), w)
        frequencies[near] = frequencies.get(near, 0) + 1
    return [_pair(draws, w, count, even) for w, count in sorted(frequencies.items())]


def _pair(draws: _Draws, w: float, count: int, even: list[dict[int, float]]) -> Zero:
    s = np.full(len(draws.tops), 1j * w)
    there = np.abs(_each(draws.tops, s) / _each(draws.bottoms, s))
    depth = draws.level(there)
    if any(
        abs(sum(c * (1j * w) ** k for k, c in f.items()))
        < 1e-6 * sum(abs(c) * w**k for k, c in f.items())
        for f in even
    ):
        return Zero(w / (2 * pi), count, False, None, depth)
    slopes = _derivative(draws.tops)
    for _ in range(_STEPS):
        s = s - _each(draws.tops, s) / _each(slopes, s)
    axis = 1j * s.imag
    left = np.abs(_each(draws.tops, axis) / _each(draws.bottoms, axis))
    return Zero(w / (2 * pi), count, True, draws.level(np.minimum(left, there)), depth)


def _pole_at(bottom: Array, w: float) -> bool:
    size = float(np.abs(bottom) @ w ** np.arange(len(bottom)))
    return bool(abs(_at(bottom, 1j * w)) < 1e-9 * size)


# -- polynomials, ascending ------------------------------------------------------------------------


def _roots(p: Array) -> ComplexArray:
    """Roots of a polynomial whose ends do not vanish, scaled to their geometric mean."""
    n = len(p) - 1
    if n < 1:
        return np.zeros(0, dtype=complex)
    w0 = abs(p[0] / p[-1]) ** (1 / n)
    return np.asarray(w0 * np.roots((p / p[-1] * w0 ** (np.arange(n + 1.0) - n))[::-1]))


def _derivative(p: Array) -> Array:
    return np.asarray(p[..., 1:] * np.arange(1, p.shape[-1]))


def _at(p: Array, s: complex | ComplexArray) -> Any:
    return np.polynomial.polynomial.polyval(s, p)


def _each(rows: Array, s: ComplexArray) -> ComplexArray:
    """Each row's polynomial at its own s."""
    value = np.zeros(len(s), dtype=complex)
    for column in rows.T[::-1]:
        value = value * s + column
    return value
