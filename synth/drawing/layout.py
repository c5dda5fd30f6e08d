"""A layout being worked on, and what it costs before any wire is routed.

Wires are guessed: the nets' pins are joined by least trees, each edge a straight line or an L.
The guess sees length, bends, symbols in the way, and crossings, which is enough to tell a good
place from a bad one.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from functools import lru_cache
from itertools import pairwise
from math import inf
from typing import NamedTuple

from synth.drawing.flow import upper_input
from synth.drawing.guess import BEND, TURN, PinAt, guess
from synth.drawing.model import Box
from synth.drawing.scene import Scene
from synth.drawing.shapes import Shape, facings, shape_of
from synth.positions import Place, Placement

Segment = tuple[int, int, int, int]
_HIT, _CROSS, _LABEL_HIT = 7.0, 8.0, 3.0
_FLIPPED = 3.0  # of an op amp whose inputs are not in the usual order
_LATE = 1.0  # of an output, for each step it lies left of another pin
_WIDE, _HIGH = 0.35, 0.35


Bounds = tuple[float, float, float, float]


class _Net(NamedTuple):
    """The guessed wires of a net, and all places at the time of the guess."""

    pins: tuple[PinAt, ...]
    reach: Box
    price: float
    lines: tuple[Segment, ...]
    places: Mapping[str, Place]


class Layout:
    """Places of the items of a scene; unplaced items have none."""

    def __init__(self, scene: Scene) -> None:
        self.scene = scene
        self.items = {i.name: i for i in scene.items}
        self.shapes: dict[tuple[str, str], Shape] = {
            (i.name, f): shape_of(i, f, scene) for i in scene.items for f in facings(i)
        }
        self.places: dict[str, Place] = {}
        self._nets: dict[str, _Net] = {}
        self.orders: dict[object, list[Place]] = {}  # what `automatic.ranked` has worked out
        self.usual = {u.name: upper_input(scene, u) for u in scene.network.op_amps}
        self.on_net: dict[str, list[tuple[str, int]]] = {}
        for item in scene.items:
            for k, node in enumerate(item.nodes):
                if node not in scene.held:
                    self.on_net.setdefault(node, []).append((item.name, k))

    # -- where things are --------------------------------------------------------------------

    def shape(self, name: str, facing: str) -> Shape:
        """Return the shape of an item facing that way."""
        return self.shapes[name, facing]

    def pin(self, name: str, k: int, place: Place | None = None) -> PinAt:
        """Return where pin `k` of an item is, at its own or another place."""
        p = place or self.places[name]
        pin = self.shapes[name, p.facing].pins[k]
        return p.x + pin.at[0], p.y + pin.at[1], pin.away[0], pin.away[1]

    def net_pins(self, node: str, without: str | None = None) -> list[PinAt]:
        """Return the placed pins of a net."""
        return [
            self.pin(name, k)
            for name, k in self.on_net.get(node, ())
            if name in self.places and name != without
        ]

    def clear(self, name: str, place: Place, ignore: Iterable[str] = ()) -> bool:
        """Say whether an item at that place meets no other item and no pin of another net."""
        own = self.shapes[name, place.facing]
        skip = {name, *ignore}
        x, y = place.x, place.y
        mine = [(a + x, b + y, c + x, d + y) for a, b, c, d in own.taken]
        my_pins = [(p.at[0] + x, p.at[1] + y) for p in own.pins]
        nodes = self.items[name].nodes
        left, bottom, right, top = _moved(own.around, place)
        for other, at in self.places.items():
            if other in skip:
                continue
            theirs = self.shapes[other, at.facing]
            ox, oy = at.x, at.y
            a, b, c, d = theirs.around
            if a + ox >= right or left >= c + ox or b + oy >= top or bottom >= d + oy:
                continue
            for a, b, c, d in theirs.taken:
                a, b, c, d = a + ox, b + oy, c + ox, d + oy
                for e, f, g, h in mine:
                    if a >= g or e >= c or b >= h or f >= d:
                        continue
                    both = (max(a, e), max(b, f), min(c, g), min(d, h))
                    if not self._touching(nodes, my_pins, other, at, both):
                        return False
            for k, q in enumerate(theirs.pins):
                px, py = q.at[0] + ox, q.at[1] + oy
                node = self.items[other].nodes[k]
                for (mx, my), mine_node in zip(my_pins, nodes, strict=True):
                    apart = mine_node != node or node in self.scene.held
                    if apart and abs(px - mx) + abs(py - my) < 2:
                        return False
        return True

    def _touching(
        self,
        nodes: Sequence[str],
        my_pins: Sequence[tuple[int, int]],
        other: str,
        at: Place,
        overlap: tuple[float, float, float, float],
    ) -> bool:
        """Say whether an overlap only lies around a pin that both items share on one net."""
        left, bottom, right, top = overlap
        for k, q in enumerate(self.shapes[other, at.facing].pins):
            if self.items[other].nodes[k] in self.scene.held:
                continue
            spot = (q.at[0] + at.x, q.at[1] + at.y)
            for m, node in zip(my_pins, nodes, strict=True):
                if m == spot and node == self.items[other].nodes[k]:
                    reach = 0.85
                    if (
                        left >= spot[0] - reach
                        and right <= spot[0] + reach
                        and bottom >= spot[1] - reach
                        and top <= spot[1] + reach
                    ):
                        return True
        return False

    # -- what it costs -----------------------------------------------------------------------

    def cost(self, limit: float = inf) -> float:
        """Return the whole price of the layout; infinity as soon as it passes the limit."""
        places = dict(self.places)
        total = sum(self.shapes[n, p.facing].manner for n, p in places.items())
        total += _FLIPPED * sum(places[n].facing != f for n, f in self.usual.items() if n in places)
        rooms = [_moved(self.shapes[n, p.facing].around, p) for n, p in places.items()]
        total += _WIDE * (max(b[2] for b in rooms) - min(b[0] for b in rooms))
        total += _HIGH * (max(b[3] for b in rooms) - min(b[1] for b in rooms))
        ends = [p.x for n, p in places.items() if len(self.items[n].nodes) == 1]
        outs = [self.pin(n, 2)[0] for n in self.usual if n in places]
        total += _LATE * sum(max(0, max(outs, default=0) + 1 - x) for x in ends)
        lines: list[tuple[int, Segment]] = []
        walls: tuple[list[Bounds], list[Bounds]] | None = None
        changes: dict[int, list[Box]] = {}
        for k, node in enumerate(self.on_net):
            net = self._nets.get(node)
            pins = tuple(self.net_pins(node))
            if net is None or not self._holds(net, pins, places, changes):
                walls = walls or self._walls(places)
                net = self._nets[node] = _wired(pins, walls, places)
            total += net.price
            if total > limit:
                return inf
            lines += [(k, s) for s in net.lines]
        return total + _CROSS * _conflicts(lines)

    def _holds(
        self,
        net: _Net,
        pins: tuple[PinAt, ...],
        places: Mapping[str, Place],
        changes: dict[int, list[Box]],
    ) -> bool:
        """Say whether a net's guess still stands: no pin and nothing in its reach has moved."""
        if net.pins != pins:
            return False
        moved = changes.get(id(net.places))
        if moved is None:
            moved = changes[id(net.places)] = [
                _moved(self.shapes[n, p.facing].around, p)
                for one, other in ((net.places, places), (places, net.places))
                for n, p in one.items()
                if other.get(n) != p
            ]
        return not any(box.meets(net.reach) for box in moved)

    def _walls(self, places: Mapping[str, Place]) -> tuple[list[Bounds], list[Bounds]]:
        """Return what guessed wires had better not cross: barriers, and the room of labels."""
        barriers: list[Bounds] = []
        labels: list[Bounds] = []
        for n, p in places.items():
            shape = self.shapes[n, p.facing]
            barriers += [(a + p.x, b + p.y, c + p.x, d + p.y) for a, b, c, d in shape.barrier]
            if len(shape.pins) == 2:
                a, b, c, d = shape.taken[1]
                labels.append((a + p.x, b + p.y, c + p.x, d + p.y))
        return barriers, labels

    def placement(self) -> Placement:
        """Return the places as they stand."""
        return Placement(dict(self.places))


def _wired(
    pins: tuple[PinAt, ...],
    walls: tuple[list[Bounds], list[Bounds]],
    places: Mapping[str, Place],
) -> _Net:
    """Guess the wires of a net."""
    total = 0.0
    lines: list[Segment] = []
    for one, other in _tree(pins):
        price, segments = _best_line(one, other, *walls)
        total += price
        lines += segments
    xs, ys = [p[0] for p in pins] or [0], [p[1] for p in pins] or [0]
    reach = Box(min(xs) - 1, min(ys) - 1, max(xs) + 1, max(ys) + 1)
    return _Net(pins, reach, total, tuple(lines), places)


def _moved(box: Box, place: Place) -> Box:
    return Box(box[0] + place.x, box[1] + place.y, box[2] + place.x, box[3] + place.y)


def _tree(pins: Sequence[PinAt]) -> list[tuple[PinAt, PinAt]]:
    """Join pins by a least tree (Prim)."""
    if len(pins) < 2:
        return []
    left = {k: (guess(pins[0], pins[k]), 0) for k in range(1, len(pins))}
    edges = []
    while left:
        k = min(left, key=lambda j: (left[j][0], j))
        edges.append((pins[left.pop(k)[1]], pins[k]))
        for j, (price, _) in left.items():
            other = guess(pins[k], pins[j])
            if other < price:
                left[j] = (other, k)
    return edges


def _best_line(
    p: PinAt,
    q: PinAt,
    barriers: Sequence[Bounds],
    labels: Sequence[Bounds],
) -> tuple[float, list[Segment]]:
    """Price and segments of the best simple line between two pins."""
    x, y = p[0], p[1]
    left, right = min(x, q[0]) - 1, max(x, q[0]) + 1
    low, high = min(y, q[1]) - 1, max(y, q[1]) + 1
    walls = [
        (a - x, b - y, c - x, d - y, price)
        for price, boxes in ((_HIT, barriers), (_LABEL_HIT, labels))
        for a, b, c, d in boxes
        if a < right and left < c and b < high and low < d
    ]
    best = inf
    kept: tuple[Segment, ...] = ()
    for price, line in _lines(q[0] - x, q[1] - y, p[2:], q[2:]):
        if price >= best:
            break
        for x1, y1, x2, y2 in line:
            for a, b, c, d, hit in walls:
                if x1 < c and a < x2 and y1 < d and b < y2:
                    price += hit
        if price < best:
            best, kept = price, line
    return best, [(a + x, b + y, c + x, d + y) for a, b, c, d in kept]


@lru_cache(maxsize=1 << 16)
def _lines(
    dx: int, dy: int, away: tuple[int, int], other: tuple[int, int]
) -> tuple[tuple[float, tuple[Segment, ...]], ...]:
    """Return simple lines over an offset, cheapest first, with their prices on empty ground."""
    if dx == 0 and dy == 0:
        return ((0.0, ()),)
    corners: list[list[tuple[int, int]]] = [[]]
    if dx and dy:
        corners = [[(dx, 0)], [(0, dy)]]
        if abs(dx) > 2 and away[0] and other[0]:
            middles = sorted({away[0], dx + other[0], dx // 2})
            corners += [[(m, 0), (m, dy)] for m in middles]
    found = []
    for between in corners:
        points = [(0, 0), *between, (dx, dy)]
        price = BEND * len(between)
        price += sum(abs(a[0] - b[0]) + abs(a[1] - b[1]) for a, b in pairwise(points))
        ends = ((points[0], points[1], away), (points[-1], points[-2], other))
        for (ax, ay), (bx, by), way in ends:
            if ((bx > ax) - (bx < ax), (by > ay) - (by < ay)) != way:
                price += TURN
        line = tuple(
            (min(a[0], b[0]), min(a[1], b[1]), max(a[0], b[0]), max(a[1], b[1]))
            for a, b in pairwise(points)
        )
        found.append((price, line))
    return tuple(sorted(found, key=lambda pair: pair[0]))


def _conflicts(lines: Sequence[tuple[int, Segment]]) -> float:
    """Count crossings of guessed wires of different nets; wires on top of each other count 2."""
    flat, steep = [], []
    for net, (x1, y1, x2, y2) in lines:
        if y1 == y2:
            flat.append((net, y1, min(x1, x2), max(x1, x2)))
        else:
            steep.append((net, x1, min(y1, y2), max(y1, y2)))
    total = 0.0
    for net, y, a, b in flat:
        for other, x, c, d in steep:
            if net != other and a <= x <= b and c <= y <= d:
                total += 1.0
    for group in (flat, steep):
        for k, (net, at, a, b) in enumerate(group):
            for other, there, c, d in group[k + 1 :]:
                if net != other and at == there and a < d and c < b:
                    total += 2.0
    return total
