"""What a reader of the picture sees: the netlist, from the drawn geometry alone.

Nothing here knows how the drawing was made.  Two wires join where their ends meet, where the end
of one lies on the other and a dot says so, or where a dot lies on both.  Pins join wires and each
other in the same way.  Wires that cross elsewhere do not join, and must be marked as crossing.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from synth.drawing.model import Drawing, Point
from synth.drawing.wires import segments
from synth.network.model import Network

#: A pin as (symbol, pin).
Key = tuple[str, str]


@dataclass(frozen=True)
class Recovered:
    """The circuit of a drawing.

    Parameters
    ----------
    groups : frozenset of frozenset of (str, str)
        Pins joined to each other, by symbol and pin.
    held : mapping
        Pin -> (kind of mark, node), for the pins of every group that a mark holds.
    doubts : tuple of str
        Places where the picture can be read in two ways.
    """

    groups: frozenset[frozenset[Key]]
    held: Mapping[Key, tuple[str, str]]
    doubts: tuple[str, ...]


def recover(drawing: Drawing) -> Recovered:
    """Read the netlist off a drawing."""
    lines = segments(drawing.wires)
    joined = _Union()
    doubts = []
    at: dict[Point, list[int]] = {}
    for k, (a, b) in enumerate(lines):
        joined.find(f"line {k}")
        at.setdefault(a, []).append(k)
        at.setdefault(b, []).append(k)
    pins: dict[Point, list[Key]] = {}
    for s in drawing.symbols:
        for p in s.pins:
            pins.setdefault(p.at, []).append((s.name, p.name))
            joined.find(f"pin {s.name} {p.name}")
    marks: dict[Point, list[int]] = {}
    for k, m in enumerate(drawing.marks):
        marks.setdefault(m.at, []).append(k)
    dots = set(drawing.dots)
    for point in {*at, *pins, *marks, *dots}:
        through = [k for k, (a, b) in enumerate(lines) if _inside(point, a, b)]
        here = [f"line {k}" for k in at.get(point, ())]
        here += [f"pin {a} {b}" for a, b in pins.get(point, ())]
        here += [f"mark {k}" for k in marks.get(point, ())]
        if point in dots:
            here += [f"line {k}" for k in through]
        elif through and here:
            doubts.append(f"something ends on a wire at {tuple(point)} without a dot")
        elif len(here) > 2:
            doubts.append(f"{len(here)} conductors meet at {tuple(point)} without a dot")
        if len(here) == 1 and here[0].startswith("line"):
            doubts.append(f"a wire ends in nothing at {tuple(point)}")
        for other in here[1:]:
            joined.join(here[0], other)
    doubts += _unmarked(lines, {*dots, *drawing.crossings})
    return _collected(drawing, joined, doubts)


def _unmarked(lines: list[tuple[Point, Point]], known: Iterable[Point]) -> list[str]:
    """Find wires that cross at no marked place, or run on top of each other."""
    marked = set(known)
    found = []
    for k, (a, b) in enumerate(lines):
        for c, d in lines[:k]:
            if (a.y == b.y) == (c.y == d.y):
                i = 0 if a.y == b.y else 1
                low = max(min(a[i], b[i]), min(c[i], d[i]))
                high = min(max(a[i], b[i]), max(c[i], d[i]))
                if a[1 - i] == c[1 - i] and low < high:
                    found.append(f"two wires lie on each other from {tuple(a)} to {tuple(b)}")
                continue
            (e, f), (g, h) = ((a, b), (c, d)) if a.y == b.y else ((c, d), (a, b))
            spot = Point(g.x, e.y)
            if _inside(spot, e, f) and _inside(spot, g, h) and spot not in marked:
                found.append(f"two wires cross at {tuple(spot)} without a mark")
    return found


def _collected(drawing: Drawing, joined: _Union, doubts: list[str]) -> Recovered:
    groups: dict[str, set[Key]] = {}
    for s in drawing.symbols:
        for p in s.pins:
            groups.setdefault(joined.find(f"pin {s.name} {p.name}"), set()).add((s.name, p.name))
    held: dict[Key, tuple[str, str]] = {}
    for k, m in enumerate(drawing.marks):
        root = joined.find(f"mark {k}")
        if root not in groups:
            doubts.append(f"the {m.kind} at {tuple(m.at)} holds nothing")
        for key in groups.get(root, ()):
            if held.get(key, (m.kind, m.node)) != (m.kind, m.node):
                doubts.append(f"pin {key[1]} of {key[0]} is held by two different marks")
            held[key] = (m.kind, m.node)
    return Recovered(frozenset(map(frozenset, groups.values())), held, tuple(doubts))


def differences(drawing: Drawing, network: Network) -> list[str]:
    """Return how the circuit that a drawing shows differs from a network; empty when it does not.

    Parameters
    ----------
    drawing : Drawing
    network : Network
        Outputs of the drawing are compared by the names of the network's output ports; the two
        marks of a differential one by their signs too.
    """
    seen = recover(drawing)
    wrong = list(seen.doubts)
    kinds = {s.name: s.kind for s in drawing.symbols if s.kind != "output"}
    wanted_kinds = {b.name: b.kind for b in network.branches}
    wanted_kinds |= {u.name: "op amp" for u in network.op_amps}
    if kinds != wanted_kinds:
        wrong.append(f"the symbols are {kinds}, not {wanted_kinds}")
    names = [s.name for s in drawing.symbols]
    if len(names) != len(set(names)):
        wrong.append("two symbols have one name")
    fixed = {*(p.node for p in network.inputs), network.reference, *network.supplies}
    nets: dict[str, set[Key]] = {}
    for b in network.branches:
        for k, node in enumerate(b.nodes, start=1):
            nets.setdefault(node, set()).add((b.name, str(k)))
    for u in network.op_amps:
        for pin, node in (("plus", u.plus), ("minus", u.minus), ("out", u.out)):
            nets.setdefault(node, set()).add((u.name, pin))
    outputs = [s for s in drawing.symbols if s.kind == "output"]
    marks = [mark for port in network.outputs for mark in port.marks]
    if len(outputs) != len(marks):
        wrong.append(f"{len(outputs)} outputs are drawn, not {len(marks)}")
    for symbol, (_, node, shown) in zip(outputs, marks, strict=False):
        nets.setdefault(node, set()).add((symbol.name, "end"))
        if symbol.shown != shown:
            wrong.append(f"output {symbol.name} is called {symbol.shown!r}, not {shown!r}")
    for node, keys in nets.items():
        if node in fixed:
            for key in sorted(keys):
                if seen.held.get(key, ("", ""))[1] != node:
                    wrong.append(f"pin {key[1]} of {key[0]} is not held at {node}")
        elif frozenset(keys) not in seen.groups:
            wrong.append(f"node {node} is not the wire that joins {sorted(keys)}")
        elif any(key in seen.held for key in keys):
            wrong.append(f"node {node} is drawn as held")
    return wrong


def _inside(p: Point, a: Point, b: Point) -> bool:
    if a.x == b.x == p.x:
        return min(a.y, b.y) < p.y < max(a.y, b.y)
    return a.y == b.y == p.y and min(a.x, b.x) < p.x < max(a.x, b.x)


class _Union:
    """Groups of names that grow together."""

    def __init__(self) -> None:
        self.parent: dict[str, str] = {}

    def find(self, name: str) -> str:
        self.parent.setdefault(name, name)
        while self.parent[name] != name:
            name = self.parent[name]
        return name

    def join(self, a: str, b: str) -> None:
        self.parent[self.find(a)] = self.find(b)
