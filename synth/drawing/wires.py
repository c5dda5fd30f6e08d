"""From the edges of the router to wires, dots and crossings."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from itertools import pairwise

from synth.drawing.model import Pin, Point, Wire

Edge = tuple[Point, Point]


def wires_of(edges: Collection[Edge], pins: Sequence[Pin]) -> tuple[list[Wire], list[Point]]:
    """Return the wires and dots of one net.

    Parameters
    ----------
    edges : collection of (Point, Point)
        Unit steps of the net's tree.
    pins : sequence of Pin
        The pins of the net.
    """
    near: dict[Point, list[Point]] = {}
    for a, b in edges:
        near.setdefault(a, []).append(b)
        near.setdefault(b, []).append(a)
    at: dict[Point, int] = {}
    for pin in pins:
        at[pin.at] = at.get(pin.at, 0) + 1
    points = {*near, *at}
    dots = sorted(p for p in points if len(near.get(p, ())) + at.get(p, 0) >= 3)
    ends = {p for p in near if len(near[p]) != 2 or p in at}
    wires, used = [], set[Edge]()
    for start in sorted(ends):
        for first in sorted(near[start]):
            if (start, first) in used:
                continue
            line = [start, first]
            while line[-1] not in ends:
                line.append(next(p for p in near[line[-1]] if p != line[-2]))
            used.update(pairwise(line))
            used.update(zip(line[1:], line, strict=False))
            wires.append(Wire(_corners(line)))
    return wires, dots


def _corners(line: Sequence[Point]) -> tuple[Point, ...]:
    kept = [line[0]]
    for a, b, c in zip(line, line[1:], line[2:], strict=False):
        if (b.x - a.x, b.y - a.y) != (c.x - b.x, c.y - b.y):
            kept.append(b)
    kept.append(line[-1])
    return tuple(kept)


def all_wires(
    edges: Mapping[str, Collection[Edge]], nets: Mapping[str, Sequence[Pin]]
) -> tuple[tuple[Wire, ...], dict[str, list[Point]]]:
    """Return the wires of all nets, and the dots of each."""
    wires: list[Wire] = []
    dots: dict[str, list[Point]] = {}
    for name, pins in nets.items():
        own, dots[name] = wires_of(edges.get(name, ()), pins)
        wires += own
    return tuple(wires), dots


def segments(wires: Iterable[Wire]) -> list[tuple[Point, Point]]:
    """Return the straight pieces of all wires."""
    return [(a, b) for w in wires for a, b in pairwise(w.points)]
