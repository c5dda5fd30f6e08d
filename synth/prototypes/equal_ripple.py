"""All-pole prototypes whose phase or delay departs from the ideal with equal ripple.

With the delay held at 1, n poles can make n + 1 equal errors of alternating sign up to the end of
the band.  Newton's method solves for the poles and the error at the frequencies where the error is
largest, which are then found anew (Remez).  The Bessel prototype is the limit of a narrow band;
from there the band is widened until the error is the one wanted.  At high orders that limit drowns
in rounding, and the design of two poles less is continued upwards instead.

References
----------
.. [1] E. Ulbrich and H. Piloty, "Uber den Entwurf von Allpassen, Tiefpassen und Bandpassen mit
   einer im Tschebyscheffschen Sinne approximierten konstanten Gruppenlaufzeit", Arch. Elektr.
   Ubertragung 14 (1960) 451-467 (from memory): equal ripple of the delay.
.. [2] A. I. Zverev, "Handbook of filter synthesis", Wiley (1967), ch. 8: linear phase with
   equiripple error.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from synth.errors import TargetError
from synth.prototypes.closed import Roots, both, normalised
from synth.prototypes.spectral import bessel

Floats = NDArray[np.float64]

#: Error of the Bessel prototype at the end of the first band, and the factors of widening.
_FIRST, _WIDEN = 0.3, 1.3
_GRID, _ROUNDS, _SMALLEST = 60, 30, 1e-300
#: Up to this order the design starts from Bessel's.
_LIMIT = 9


@dataclass(frozen=True)
class _Kind:
    """The error of all-pole functions, its slopes in the poles, and where it alternates."""

    error: Callable[[Floats, Floats, Floats], Floats]
    slopes: Callable[[Floats, Floats, Floats], Floats]
    #: Points of the alternation at DC: 1 where the error is even in w.
    even: int


def linear_phase(order: int, ripple_degrees: float) -> Roots:
    """Return the prototype of unit delay with phase w +- ripple [2]_ up to the end of its band.

    Raises
    ------
    TargetError
        If the ripple is so large that no such function exists.
    """
    return _roots(_designed(order, math.radians(ripple_degrees), True))


def equal_delay(order: int, ripple: float) -> Roots:
    """Return the prototype of group delay 1 +- ripple [1]_ (a fraction); errors as above."""
    return _roots(_designed(order, ripple, False))


def _roots(poles: tuple[Floats, Floats, float]) -> Roots:
    found = [r for x, y in zip(*poles[:2], strict=True) for r in both(complex(-x, y))]
    return normalised((), tuple(found))


@lru_cache(maxsize=128)
def _designed(order: int, ripple: float, phase: bool) -> tuple[Floats, Floats, float]:
    """Return -Re and Im of the upper poles, and the end of the band."""
    kind = _PHASE if phase else _DELAY
    if order > _LIMIT:
        a, b, band = _designed(order - 2, ripple, phase)
        rising = np.argsort(b)
        a, b = a[rising], b[rising]
        # near DC the poles stand on a line at equal distances: one more pair fits in there
        apart = b[1] if order % 2 else 2 * b[0]
        below = b[b == 0]
        a, b = (
            np.append(a[0], a),
            np.concatenate([below, [apart if order % 2 else b[0]], b[below.size :] + apart]),
        )
        a[: below.size] = a[0]
        band += apart
        (a, b), level = _balanced(a, b, band, kind)
        return _reached(a, b, band, level, ripple, kind)
    start = [p for p in bessel(order).poles if p.imag >= 0]
    a, b = np.array([-p.real for p in start]), np.array([p.imag for p in start])
    band = _first_band(a, b, kind, min(_FIRST, ripple * 10))
    level = 0.0
    for _ in range(_ROUNDS):
        (a, b), level = _balanced(a, b, band, kind)
        if level >= ripple:
            break
        # the error of a narrow band grows as its width to the power 2 n, or 2 n + 1
        wider = (ripple / max(level, _SMALLEST)) ** (1 / (2 * order + 1 - kind.even))
        band *= min(_WIDEN, max(1.02, wider))
    return _reached(a, b, band, level, ripple, kind)


def _reached(
    a: Floats, b: Floats, band: float, level: float, ripple: float, kind: _Kind
) -> tuple[Floats, Floats, float]:
    """Return the poles with the error wanted, and the band, whose width the secant rule finds."""
    power = 2.0 * (2 * a.size - (b[b == 0].size)) + 1 - kind.even
    for _ in range(_ROUNDS):
        if abs(level / ripple - 1) < 1e-13:
            break
        wider = band * min(1.5, max(0.5, (ripple / level) ** (1 / power)))
        (a, b), found = _balanced(a, b, wider, kind)
        gained = math.log(found / level)
        if abs(math.log(wider / band)) > 1e-12 and gained:
            power = max(1.0, gained / math.log(wider / band))
        band, level = wider, found
    if not abs(level / ripple - 1) < 1e-9:
        raise _no_such()
    return a, b, band


def _no_such() -> TargetError:
    return TargetError("no all-pole response of equal ripple was found; choose another ripple")


def _first_band(a: Floats, b: Floats, kind: _Kind, wanted: float) -> float:
    """Return where the error of the Bessel prototype reaches a size."""
    low, high = 0.0, 1.0
    while abs(kind.error(a, b, np.array([high]))[0]) < wanted:
        low, high = high, 2 * high
    for _ in range(30):
        middle = (low + high) / 2
        big = abs(kind.error(a, b, np.array([middle]))[0]) >= wanted
        low, high = (low, middle) if big else (middle, high)
    return high


def _balanced(
    a: Floats, b: Floats, band: float, kind: _Kind
) -> tuple[tuple[Floats, Floats], float]:
    """Return the poles whose error alternates on [0, band], and its size."""
    n = int(2 * a.size - np.count_nonzero(b == 0))
    grid = band * np.sin(np.linspace(0, math.pi / 2, _GRID * (n + 1)))
    sign = np.asarray(-((-1.0) ** np.arange(n + 1)), dtype=float)
    at = _turns(kind.error(a, b, grid), grid, kind)
    if at.size != n + 1:  # the limit of a narrow band
        at = band * np.cos(np.arange(n + 1) * math.pi / (2 * n + 1 - kind.even))
    level = 0.0
    for _ in range(_ROUNDS):
        error = kind.error(a, b, at)
        slopes = np.column_stack([kind.slopes(a, b, at), -sign])
        scale = np.abs(slopes).max(axis=0)
        step = np.linalg.lstsq(slopes / scale, level * sign - error, rcond=1e-15)[0] / scale
        free = b > 0
        da, db = step[: a.size], np.zeros_like(b)
        db[free] = step[a.size : -1]
        share = min(
            1.0, 0.4 / max(np.max(np.abs(da / a)), np.max(np.abs(db[free] / b[free]), initial=0))
        )
        a, b, level = a + share * da, b + share * db, level + share * step[-1]
        moved = _extremes(a, b, grid, at, sign, kind)
        settled = np.max(np.abs(moved - at)) < 1e-7 * band and np.max(np.abs(step[:-1])) < 1e-12
        at = moved
        if settled:
            break
        if not (np.all(np.isfinite(a)) and np.all(a > 0)):
            raise _no_such()
    return (a, b), abs(level)


def _turns(error: Floats, grid: Floats, kind: _Kind) -> Floats:
    """Return the end of the band and where the error turns, from the highest down."""
    rises = np.diff(error) > 0
    turns = grid[1:-1][rises[1:] != rises[:-1]]
    return np.concatenate([grid[-1:], turns[::-1], grid[: kind.even]])


def _extremes(a: Floats, b: Floats, grid: Floats, old: Floats, sign: Floats, kind: _Kind) -> Floats:
    """Return where the error is largest with each sign, near where it was; the ends stay."""
    error = kind.error(a, b, grid)
    at, apart = old.copy(), np.zeros_like(old)
    for k in range(1, at.size - kind.even):
        high = (old[k] + old[k - 1]) / 2
        low = (old[k] + old[k + 1]) / 2 if k + 1 < at.size else old[k] / 2
        near = np.flatnonzero((grid >= low) & (grid <= high))
        i = int(near[np.argmax(sign[k] * error[near])]) if near.size else 0
        if 0 < i < grid.size - 1:
            at[k], apart[k] = grid[i], max(grid[i + 1] - grid[i], grid[i] - grid[i - 1])
    for finer in (1.0, 0.03):
        at = _vertices(a, b, at, finer * apart, kind)
    return at


def _vertices(a: Floats, b: Floats, at: Floats, apart: Floats, kind: _Kind) -> Floats:
    """Return the vertices of parabolas through three points of the error around each."""
    before, here, after = (kind.error(a, b, at + k * apart) for k in (-1, 0, 1))
    bend = before - 2 * here + after
    bent = (apart > 0) & (bend != 0)
    share = np.divide(before - after, 2 * bend, out=np.zeros_like(at), where=bent)
    return np.asarray(at + apart * np.clip(share, -1, 1), dtype=float)


# -- the two errors --------------------------------------------------------------------------------


def _phase_error(a: Floats, b: Floats, w: Floats) -> Floats:
    u, v = w[:, None] - b, w[:, None] + b
    pairs = b > 0
    phase = np.arctan2(v, a) + np.where(pairs, np.arctan2(u, a), 0.0)
    return np.asarray(phase.sum(axis=1) - w, dtype=float)


def _phase_slopes(a: Floats, b: Floats, w: Floats) -> Floats:
    u, v = w[:, None] - b, w[:, None] + b
    p, q = u * u + a * a, v * v + a * a
    by_a = -v / q - np.where(b > 0, u / p, 0.0)
    by_b = (a / q - a / p)[:, b > 0]
    return np.hstack([by_a, by_b])


def _delay_error(a: Floats, b: Floats, w: Floats) -> Floats:
    u, v = w[:, None] - b, w[:, None] + b
    delay = a / (v * v + a * a) + np.where(b > 0, a / (u * u + a * a), 0.0)
    return np.asarray(delay.sum(axis=1) - 1, dtype=float)


def _delay_slopes(a: Floats, b: Floats, w: Floats) -> Floats:
    u, v = w[:, None] - b, w[:, None] + b
    p, q = u * u + a * a, v * v + a * a
    by_a = (v * v - a * a) / q**2 + np.where(b > 0, (u * u - a * a) / p**2, 0.0)
    by_b = (2 * a * u / p**2 - 2 * a * v / q**2)[:, b > 0]
    return np.hstack([by_a, by_b])


_PHASE = _Kind(_phase_error, _phase_slopes, 0)
_DELAY = _Kind(_delay_error, _delay_slopes, 1)
