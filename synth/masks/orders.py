"""The lowest order at which a family keeps a mask, and the design with the most room.

At each order the numbers of a family (ripple, stop-band attenuation) are set to the depths and
attenuations of the mask, and `synth.masks.reach` says whether a scale is left.  Then the mask is
narrowed by the largest share at which the design still fits, every ripple, every stop level and
every ripple of the delay alike, so that the errors of real parts find room on all sides.  Whatever
is returned is verified at the extremes of |H| against the mask itself.

For a mask of one ripple and one attenuation this finds the lowest order there is in the family.
With several, the ripple of a design is one of the depths, its attenuation one of the mask's.
Where these miss a limit of the delay, smaller ripples and more attenuation are tried at the same
order, for they leave the mask more room than its magnitudes ask for and flatten the delay.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from synth.errors import TargetError
from synth.masks.limits import DelayLimit, Mask
from synth.masks.reach import Room, room
from synth.masks.shape import Shape
from synth.masks.verify import Kept, delay_range, ripple_of, verified
from synth.target.families import FAMILIES, MAX_ORDER, Family, Prototype, falling, prototype
from synth.target.responses import family_target
from synth.target.target import Target

_TURN = 2 * math.pi
_HALVINGS = 14
#: A mask is narrowed by at most this share.
_MOST = 0.98
#: For the sake of delay: shares of the depths as ripples, and dB on top of the attenuations.
_SMALLER, _DEEPER = (0.5, 0.25, 0.12, 0.05, 0.015), (0.0, 3.0, 6.0, 10.0, 16.0)


@dataclass(frozen=True)
class Fit:
    """A family's design that keeps a mask.

    Parameters
    ----------
    family : str
    order : int
        Of the whole filter.
    target : Target
    margin : float
        The share by which all limits could be tighter still.
    rows : tuple of Kept
        Each limit with what is left of it.
    """

    family: str
    order: int
    target: Target
    margin: float
    rows: tuple[Kept, ...]


@dataclass(frozen=True)
class _Design:
    """Numbers of a family, the room they leave, and how far the pass band is below its ceiling."""

    numbers: Mapping[str, float]
    room: Room
    lower_db: float


def lowest_order(
    mask: Mask, shape: Shape, family: str, numbers: Mapping[str, float] | None = None
) -> Fit | None:
    """Return the design of the lowest order that keeps the mask; None if no order does.

    Parameters
    ----------
    mask : Mask
    shape : Shape
        Of the mask; its kind has a prototype.
    family : str
    numbers : mapping, optional
        ``phase_degrees`` and ``delay_ripple`` of the families that have them.
    """
    for n in range(1, _highest(shape) + 1):
        found = fit_order(mask, shape, family, n, numbers)
        if found is not None:
            return found
    return None


def _highest(shape: Shape) -> int:
    return MAX_ORDER // _poles_each(shape)


def _poles_each(shape: Shape) -> int:
    return 2 if shape.kind in ("bandpass", "bandstop") else 1


def fit_order(
    mask: Mask,
    shape: Shape,
    family: str,
    n: int,
    numbers: Mapping[str, float] | None = None,
) -> Fit | None:
    """Return the design of a family with the most room at a prototype order, or None."""
    kind = FAMILIES[family]
    own = numbers_of(kind, numbers or {})

    def design(share: float) -> _Design | None:
        return _fitting(mask, shape, kind, n, own, share)

    best = design(0.0)
    if best is None:
        return None
    margin, beyond = 0.0, _MOST
    for _ in range(_HALVINGS):
        middle = (margin + beyond) / 2
        found = design(middle)
        if found is None:
            beyond = middle
        else:
            margin, best = middle, found
    target = _target(mask, shape, family, n, best, bool(mask.delays))
    rows = verified(mask, target.transfer)
    if not all(r.kept for r in rows):
        return None
    return Fit(family, n * _poles_each(shape), target, margin, rows)


def numbers_of(kind: Family, numbers: Mapping[str, float]) -> dict[str, Any]:
    """Return those of the numbers ``phase_degrees`` and ``delay_ripple`` that a family has."""
    has = {"phase_degrees": kind.phase, "delay_ripple": kind.delay}
    return {k: v for k, v in numbers.items() if has[k]}


def _fitting(
    mask: Mask, shape: Shape, kind: Family, n: int, own: Mapping[str, float], share: float
) -> _Design | None:
    """Return the widest design for the mask narrowed by a share, or None where none fits."""
    depths = [(1 - share) * b.below_db for b in shape.passes]
    falls = [b.below_db - 20 * math.log10(1 - share) for b in shape.stops]
    # the pass band goes to the middle of its limits, where there is one above
    lower = share * min(b.below_db for b in shape.passes) / 2 if shape.bounded else 0.0
    ripples: list[float | None] = [*sorted(set(depths))] if kind.ripple else [None]
    stops: list[float | None] = [*sorted(set(falls))] if kind.stop else [None]

    def designs(ripples: list[float | None], stops: list[float | None]) -> Iterator[_Design]:
        for numbers in _numbers(ripples, stops):
            whole = {**own, **numbers}
            try:
                p = _prototype(kind.name, n, tuple(sorted(whole.items())))
            except TargetError:
                continue
            reached = _reaches(p, depths, falls)
            if reached is not None and (found := room(shape, *reached)).fits:
                yield _Design(whole, found, lower)

    best = max(designs(ripples, stops), key=lambda d: _width(d.room), default=None)
    if best is None or not mask.delays:
        return best

    def flat(d: _Design) -> bool:
        target = _target(mask, shape, kind.name, n, d, True)
        return all(_flat(x, target, share) for x in mask.delays)

    if flat(best) or not (kind.ripple or kind.stop):
        return best if flat(best) else None
    if kind.ripple:
        ripples = [min(depths) * k for k in (1.0, *_SMALLER)]
    if kind.stop:
        stops = [max(falls) + d for d in _DEEPER]
    return next(filter(flat, designs(ripples, stops)), None)


@lru_cache(maxsize=512)
def _prototype(family: str, n: int, numbers: tuple[tuple[str, float], ...]) -> Prototype:
    return prototype(family, n, **dict(numbers))  # type: ignore[arg-type]


def _width(found: Room) -> float:
    return found.most / found.least


def _flat(limit: DelayLimit, target: Target, share: float) -> bool:
    least, most, _ = delay_range(target.transfer, limit.low_hz, limit.high_hz)
    return ripple_of(limit, least, most) <= (1 - share) * limit.ripple


def _numbers(ripples: list[float | None], stops: list[float | None]) -> Iterator[dict[str, float]]:
    for ripple in ripples:
        for stop in stops:
            found: dict[str, float] = {}
            if ripple is not None:
                found["ripple_db"] = ripple
            if stop is not None:
                found["stop_attenuation_db"] = stop
            yield found


def _reaches(
    p: Prototype, depths: list[float], falls: list[float]
) -> tuple[list[float], list[float]] | None:
    """Return where the prototype leaves each depth and enters each attenuation."""
    ripple, stop = p.ripple_db or 0.0, p.stop_db or math.inf
    if min(depths) < ripple or max(falls) > stop:
        return None
    known: dict[float, float] = {}
    if p.ripple_db is not None:
        known[p.ripple_db] = 1.0
    elif p.stop_db is not None:
        known[p.stop_db] = 1.0

    def at(level: float) -> float:
        if level not in known:
            known[level] = falling(p, level)
        return known[level]

    return [at(d) for d in depths], [at(f) for f in falls]


def _target(mask: Mask, shape: Shape, family: str, n: int, design: _Design, widest: bool) -> Target:
    """Return the target in the middle of the room, or at its wide end for the sake of delay."""
    r = design.room
    numbers: dict[str, Any] = dict(design.numbers)
    scale = r.most if widest else math.sqrt(r.least * r.most)
    gain = math.copysign(10 ** ((shape.ceiling_db - design.lower_db) / 20), mask.gain)
    if shape.kind in ("lowpass", "highpass"):
        at = scale if shape.kind == "lowpass" else 1 / scale
        return family_target(shape.kind, family, n, at / _TURN, gain=gain, **numbers)
    width = scale if shape.kind == "bandpass" else 1 / scale
    return family_target(
        shape.kind,
        family,
        2 * n,
        math.sqrt(r.square) / _TURN,
        gain=gain,
        width_hz=width / _TURN,
        **numbers,
    )
