"""How far a low-pass prototype must be stretched to keep the bands of a mask.

Every kind is a low-pass in a frequency X(w): w itself, 1/w, |w - c/w| for a band-pass of centre
sqrt(c), its reciprocal for a band-stop.  A pass band of a certain depth ends where the prototype
reaches that depth, a stop band begins where it reaches that attenuation; |H| falls in between.  So
each limit bounds the scale of X on one side, and the prototype fits when the bounds leave room.
The best centre makes two of the bounds tie, hence there are few candidates.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import product

from synth.masks.shape import Band, Shape

_Weighed = Sequence[tuple[Band, float]]

#: Bounds may miss each other by so much: rounding.
_ROUNDING = 1e-12


@dataclass(frozen=True)
class Room:
    """The scales of X that keep all limits, and the square of the centre (1 without one)."""

    least: float
    most: float
    square: float = 1.0

    @property
    def fits(self) -> bool:
        """Whether there is room."""
        return self.least <= self.most * (1 + _ROUNDING)


def room(shape: Shape, passing: Sequence[float], stopping: Sequence[float]) -> Room:
    """Return the widest room for a prototype.

    Parameters
    ----------
    shape : Shape
        Of a kind with a prototype.
    passing, stopping : sequence of float
        For each pass band where the prototype leaves it, for each stop band where it enters it.
    """
    if shape.kind == "lowpass":
        return Room(
            max(b.high / x for b, x in zip(shape.passes, passing, strict=True)),
            min(b.low / x for b, x in zip(shape.stops, stopping, strict=True)),
        )
    if shape.kind == "highpass":
        return Room(
            max(1 / (b.low * x) for b, x in zip(shape.passes, passing, strict=True)),
            min(1 / (b.high * x) for b, x in zip(shape.stops, stopping, strict=True)),
        )
    inner, outer, power = shape.passes, shape.stops, 1
    v_inner, v_outer = passing, stopping
    if shape.kind == "bandstop":
        inner, outer, power = shape.stops, shape.passes, -1
        v_inner, v_outer = stopping, passing
    weighed = (
        [(b, x**power) for b, x in zip(inner, v_inner, strict=True)],
        [(b, x**power) for b, x in zip(outer, v_outer, strict=True)],
    )
    rooms = [_around(*weighed, c, power) for c in _squares(*weighed)]
    return max(rooms, key=lambda r: r.most / r.least if r.least else 0.0)


def _around(inner: _Weighed, outer: _Weighed, c: float, power: int) -> Room:
    """Return the room about one centre; a band-stop is scaled by the reciprocal."""
    far = max(max(_distance(b.low, c), _distance(b.high, c)) / v for b, v in inner)
    near = min(min(_distance(b.low, c), _distance(b.high, c)) / v for b, v in outer)
    return Room(far, near, c) if power > 0 else Room(1 / near, 1 / far, c)


def _distance(w: float, c: float) -> float:
    return abs(w - c / w) if w else math.inf


def _squares(inner: _Weighed, outer: _Weighed) -> Iterator[float]:
    """Return the squares of the centres at which two bounds of one sort tie."""
    first, last = min(b.low for b, _ in inner), max(b.high for b, _ in inner)
    lower = [(b.high, v) for b, v in outer if b.high < first]
    upper = [(b.low, v) for b, v in outer if b.low > last]
    ties = [(a.low, v, b.high, u) for (a, v), (b, u) in product(inner, repeat=2)]
    ties += [(a, v, b, u) for (a, v), (b, u) in product(lower, upper)]
    low, high = max(w for w, _ in lower), min(w for w, _ in upper)
    yield first * last
    for w, v, z, u in ties:
        c = (z / u + w / v) / (1 / (w * v) + 1 / (z * u))  # (c/w - w)/v = (z - c/z)/u
        if low * low < c < high * high:
            yield c
