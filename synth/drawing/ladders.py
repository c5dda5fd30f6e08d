"""Ladders with impedance converters: a line of parts on top, what hangs on it below.

A converter is two op amps and a chain of five parts from the line to ground; it is drawn as the
catalogue draws a grounded one, the chain upright, one op amp on either side.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise, permutations

from synth.drawing.carry import turned
from synth.drawing.rows import LONGEST
from synth.network.model import Branch, Network, OpAmp
from synth.positions import LIMIT, Place, Placement

#: Columns of a converter from its chain: the wire to the line, the op amps, the last wire.
_LEFT, _FIRST, _SECOND, _RIGHT = -10, -8, 10, 13
#: Where the next part of the line may start, beyond the chain; between parallel parts.
_NEXT = 6
_ROW = 3
#: From one row of a long ladder to the next.
_HIGH = 32


@dataclass(frozen=True)
class _Converter:
    """Two op amps and a chain of parts, from the line down."""

    line: str
    mid: str
    op_amps: tuple[OpAmp, OpAmp]
    chain: tuple[Branch, ...]


@dataclass(frozen=True)
class _Ladder:
    """What stands on the line, and what hangs on each node.

    ``series`` are the parts before each node of the line, ``arms`` the node that hangs on each
    node by one part, ``shunts`` what leads from a node to ground or the source.
    """

    path: tuple[str, ...]
    series: tuple[tuple[Branch, ...], ...]
    arms: Mapping[str, tuple[tuple[Branch, str], ...]]
    shunts: Mapping[str, tuple[Branch, ...]]
    converters: Mapping[str, tuple[_Converter, ...]]
    last: OpAmp | None
    feedback: tuple[Branch, ...]


def ladder_placement(network: Network) -> Placement | None:
    """Return the places of a ladder with converters; None when the network is no such ladder."""
    converters = _converters(network)
    ladder = _ladder(network, converters) if converters else None
    if ladder is None:
        return None
    sketch = _Sketch()
    sketch.draw(ladder)
    rows = -(-sketch.end.x // LONGEST)
    if rows > 1:
        sketch = _Sketch(wide=sketch.end.x // rows)
        sketch.draw(ladder)
    places = sketch.places | {
        name: sketch.end
        for port in network.outputs
        for name, node, _ in port.marks
        if node == _end(network, ladder)
    }
    return Placement(places)


def _end(network: Network, ladder: _Ladder) -> str:
    return ladder.last.out if ladder.last is not None else ladder.path[-1]


# -- recognition -----------------------------------------------------------------------------------


def _converters(network: Network) -> tuple[_Converter, ...]:
    """Return all converters of a network."""
    at = _at_nodes(network.branches)
    found: list[_Converter] = []
    for one, two in permutations(network.op_amps, 2):
        for line, mid in ((one.plus, one.minus), (one.minus, one.plus)):
            bottom = {two.plus, two.minus} - {mid}
            if mid not in (two.plus, two.minus) or len(bottom) != 1:
                continue
            nodes = (line, two.out, mid, one.out, *bottom)
            chain = _chain(nodes, at, network)
            if chain is not None:
                found.append(_Converter(line, mid, (one, two), chain))
    return tuple(found)


def _chain(
    nodes: Sequence[str], at: Mapping[str, Sequence[Branch]], network: Network
) -> tuple[Branch, ...] | None:
    """Return the parts between neighbours, and the one that ends at ground or the source."""
    fixed = network.fixed_nodes
    inner = nodes[1:]
    if (
        len({*nodes}) != len(nodes)
        or any(n in fixed for n in nodes)
        or any(len(at.get(n, ())) != 2 for n in inner)
    ):
        return None
    parts = []
    for a, b in zip(nodes, inner, strict=False):
        joining = [x for x in at[b] if a in x.nodes]
        if len(joining) != 1:
            return None
        parts += joining
    foot = [x for x in at[inner[-1]] if x is not parts[-1]]
    return (*parts, *foot) if set(foot[0].nodes) & set(fixed) else None


def _at_nodes(branches: Sequence[Branch]) -> dict[str, list[Branch]]:
    at: dict[str, list[Branch]] = {}
    for b in branches:
        for n in b.nodes:
            at.setdefault(n, []).append(b)
    return at


def _ladder(network: Network, converters: Sequence[_Converter]) -> _Ladder | None:
    """Return what the network is apart from its converters; None when it is no ladder."""
    fixed = network.fixed_nodes
    used = {b.name for c in converters for b in c.chain}
    inside = {u.name for c in converters for u in c.op_amps}
    rest = [b for b in network.branches if b.name not in used]
    left = [u for u in network.op_amps if u.name not in inside]
    if len(left) > 1 or len(inside) != 2 * len(converters):
        return None
    last = left[0] if left else None
    feedback = tuple(b for b in rest if last and last.minus != last.out and last.minus in b.nodes)
    if last is not None and not _buffers(last, feedback, fixed):
        return None
    rest = [b for b in rest if b not in feedback]
    end = last.plus if last is not None else network.outputs[0].node
    near: dict[str, dict[str, list[Branch]]] = {}
    shunts: dict[str, list[Branch]] = {}
    for b in rest:
        free = [n for n in b.nodes if n not in fixed]
        if len(free) == 1:
            shunts.setdefault(free[0], []).append(b)
        for a, c in permutations(free, 2):
            near.setdefault(a, {}).setdefault(c, []).append(b)
    sources = {n for n, some in shunts.items() if any(_driven(b, network) for b in some)}
    path = max((p for p in _paths(end, near) if p[-1] in sources), key=len, default=())[::-1]
    arms = _arms(path, near)
    reached = (
        {*path, *(n for some in arms.values() for _, n in some)} if arms is not None else set()
    )
    hung = {c.line for c in converters}
    if arms is None or not path or not (hung | set(shunts) | set(near)) <= reached:
        return None
    into = tuple(b for b in shunts[path[0]] if _driven(b, network))
    shunts[path[0]] = [b for b in shunts[path[0]] if b not in into]
    series = tuple(tuple(near[a][b]) for a, b in pairwise(path))
    return _Ladder(
        path,
        (into, *series),
        arms,
        {n: tuple(some) for n, some in shunts.items()},
        {n: tuple(c for c in converters if c.line == n) for n in hung},
        last,
        tuple(sorted(feedback, key=lambda b: last is None or last.out not in b.nodes)),
    )


def _buffers(last: OpAmp, feedback: Sequence[Branch], fixed: Mapping[str, str]) -> bool:
    """Say whether an op amp follows, or amplifies by one part to its output and a held one."""
    others = [n for b in feedback for n in b.nodes if n != last.minus]
    held = [n for n in others if n in fixed]
    follows = last.minus == last.out
    return not {last.plus, last.minus} & set(fixed) and (
        follows or (len(others) == 2 and len(held) == 1 and last.out in others)
    )


def _driven(branch: Branch, network: Network) -> bool:
    return any(p.node in branch.nodes for p in network.inputs)


def _paths(
    end: str, near: Mapping[str, Mapping[str, Sequence[Branch]]]
) -> Iterator[tuple[str, ...]]:
    """Return the first path found from `end` to each node."""
    work: list[tuple[str, ...]] = [(end,)]
    seen = {end}
    while work:
        path = work.pop(0)
        yield path
        for n in near.get(path[-1], ()):
            if n not in seen:
                seen.add(n)
                work.append((*path, n))


def _arms(
    path: Sequence[str], near: Mapping[str, Mapping[str, Sequence[Branch]]]
) -> dict[str, tuple[tuple[Branch, str], ...]] | None:
    """Return what hangs on the line by one part and leads no further; None when more does."""
    arms: dict[str, tuple[tuple[Branch, str], ...]] = {}
    for k, node in enumerate(path):
        neighbours = {*path[max(k - 1, 0) : k], *path[k + 1 : k + 2]}
        off = [n for n in near.get(node, ()) if n not in neighbours]
        if any(n in path or len(near[n]) != 1 or len(near[node][n]) != 1 for n in off):
            return None
        arms[node] = tuple((near[node][n][0], n) for n in off)
    return arms


# -- places ----------------------------------------------------------------------------------------


@dataclass
class _Sketch:
    """Places as they are given, from left to right.

    ``x`` and ``y`` are where the line has got to, ``low`` is the first free column below it; after
    ``wide`` columns it goes on in a row below.
    """

    wide: int = LIMIT

    places: dict[str, Place] = field(default_factory=dict)
    end: Place = field(default_factory=lambda: Place(0, 0, "right"))
    x: int = 0
    y: int = 0
    low: int = 0

    def draw(self, ladder: _Ladder) -> None:
        before = ""
        for node, parts in zip(ladder.path, ladder.series, strict=True):
            if max(self.x, self.low) > self.wide:
                self.x, self.low, self.y = 0, 0, self.y - _HIGH
            for k, part in enumerate(parts):
                start = before if before else next(n for n in part.nodes if n != node)
                self._lay(part, start, self.x, self.y + k * _ROW, "right")
            self.x += 4 if len(parts) == 1 else 5
            self._hang(ladder, node, self.y)
            for part, foot in ladder.arms[node]:
                column = max(self.x, self.low) + 2
                self._lay(part, node, column, self.y, "down")
                self.x = self.low = column - 2
                self._hang(ladder, foot, self.y - 4)
                self.x = max(self.x, column + 2)
            before = node
        self._finish(ladder)

    def _hang(self, ladder: _Ladder, node: str, y: int) -> None:
        for part in ladder.shunts.get(node, ()):
            column = max(self.x, self.low) + 2
            self._lay(part, node, column, y, "down")
            self.x, self.low = column + 2, column + 3
        for converter in ladder.converters.get(node, ()):
            column = max(self.x, self.low) + 1 - _LEFT
            self._convert(converter, column, y)
            self.x, self.low = column + _NEXT, column + _RIGHT + 1

    def _convert(self, converter: _Converter, x: int, y: int) -> None:
        one, two = converter.op_amps
        at = converter.line
        for k, part in enumerate(converter.chain):
            self._lay(part, at, x, y - 4 * k, "down")
            at = next(n for n in part.nodes if n != at)
        top = "minus" if one.minus == converter.mid else "plus"
        self.places[one.name] = Place(x + _FIRST, y - 12, top)
        top = "plus" if two.minus == converter.mid else "minus"
        self.places[two.name] = Place(x + _SECOND, y - 4, f"{top}-left")

    def _finish(self, ladder: _Ladder) -> None:
        if ladder.last is None:
            self.end = Place(self.x + 4, self.y, "right")
            return
        x = max(self.x, self.low) + 3
        self.places[ladder.last.name] = Place(x, self.y - 1, "plus")
        for part, facing in zip(ladder.feedback, ("right", "down"), strict=False):
            self._lay(part, ladder.last.minus, x, self.y - 6, facing)
        self.end = Place(x + 7, self.y - 1, "right")

    def _lay(self, part: Branch, first: str, x: int, y: int, facing: str) -> None:
        """Place a part from its end at the node `first`."""
        place = Place(x, y, facing)
        self.places[part.name] = place if part.nodes[0] == first else turned(place)
