"""A layout being worked on, and what it costs before any wire is routed.

Wires are guessed: the nets' pins are joined by least trees, each edge a straight line or an L.
The guess sees length, bends, symbols in the way, and crossings, which is enough to tell a good
place from a bad one.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from synth.drawing.model import Box, Point
from synth.drawing.scene import Scene
from synth.drawing.shapes import Shape, facings, shape_of
from synth.positions import Place, Placement

Segment = tuple[int, int, int, int]
PinAt = tuple[int, int, int, int]  # x, y, and the direction away
_BEND, _TURN, _HIT, _CROSS, _LABEL_HIT = 2.0, 0.7, 7.0, 4.0, 1.2
_WIDE, _HIGH = 0.35, 0.35


class Layout:
    """Places of the items of a scene; unplaced items have none."""

    def __init__(self, scene: Scene) -> None:
        self.scene = scene
        self.items = {i.name: i for i in scene.items}
        self.shapes: dict[tuple[str, str], Shape] = {
            (i.name, f): shape_of(i, f, scene) for i in scene.items for f in facings(i)
        }
        self.places: dict[str, Place] = {}
        self.on_net: dict[str, list[tuple[str, int]]] = {}
        for item in scene.items:
            for k, node in enumerate(item.nodes):
                if node not in scene.held:
                    self.on_net.setdefault(node, []).append((item.name, k))
        self._guesses: dict[tuple[int, int, int, int, int, int], float] = {}

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

    def taken(self, name: str, place: Place) -> list[Box]:
        """Return the room an item takes at a place."""
        return [_moved(b, place) for b in self.shapes[name, place.facing].taken]

    def clear(self, name: str, place: Place, ignore: Iterable[str] = ()) -> bool:
        """Say whether an item at that place meets no other item and no pin of another net."""
        own = self.shapes[name, place.facing]
        skip = {name, *ignore}
        x, y = place.x, place.y
        mine = [(a + x, b + y, c + x, d + y) for a, b, c, d in own.taken]
        my_pins = [(p.at[0] + x, p.at[1] + y) for p in own.pins]
        nodes = self.items[name].nodes
        for other, at in self.places.items():
            if other in skip:
                continue
            theirs = self.shapes[other, at.facing]
            ox, oy = at.x, at.y
            if abs(ox - x) > 24 or abs(oy - y) > 24:
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

    def guess(self, p: PinAt, q: PinAt) -> float:
        """Return the guessed price of a wire between two pins, nothing in the way."""
        key = (q[0] - p[0], q[1] - p[1], p[2], p[3], q[2], q[3])
        found = self._guesses.get(key)
        if found is None:
            found = self._guesses[key] = _wire_price(*key)
        return found

    def near_cost(self, name: str, place: Place) -> float:
        """Return the price of joining an item at a place to what is there, and of its manner."""
        total = self.shapes[name, place.facing].manner
        for k, node in enumerate(self.items[name].nodes):
            if node in self.scene.held:
                continue
            here = self.pin(name, k, place)
            others = self.net_pins(node, name)
            if others:
                total += min(self.guess(here, q) for q in others)
        return total

    def cost(self) -> float:
        """Return the whole price of the layout."""
        manner = sum(self.shapes[n, p.facing].manner for n, p in self.places.items())
        barriers, labels = [], []
        for n, p in self.places.items():
            shape = self.shapes[n, p.facing]
            barriers += [(a + p.x, b + p.y, c + p.x, d + p.y) for a, b, c, d in shape.barrier]
            if len(shape.pins) == 2:
                a, b, c, d = shape.taken[1]
                labels.append((a + p.x, b + p.y, c + p.x, d + p.y))
        total = manner
        lines: list[tuple[int, Segment]] = []
        for k, node in enumerate(self.on_net):
            pins = self.net_pins(node)
            for one, other in self._tree(pins):
                price, segments = _best_line(one, other, barriers, labels)
                total += price
                lines += [(k, s) for s in segments]
        total += _CROSS * _conflicts(lines)
        xs = [v for n, p in self.places.items() for v in _extent(self, n, p, 0)]
        ys = [v for n, p in self.places.items() for v in _extent(self, n, p, 1)]
        return total + _WIDE * (max(xs) - min(xs)) + _HIGH * (max(ys) - min(ys))

    def _tree(self, pins: Sequence[PinAt]) -> list[tuple[PinAt, PinAt]]:
        """Join pins by a least tree (Prim)."""
        if len(pins) < 2:
            return []
        left = {k: (self.guess(pins[0], pins[k]), 0) for k in range(1, len(pins))}
        edges = []
        while left:
            k = min(left, key=lambda j: (left[j][0], j))
            edges.append((pins[left.pop(k)[1]], pins[k]))
            for j, (price, _) in left.items():
                other = self.guess(pins[k], pins[j])
                if other < price:
                    left[j] = (other, k)
        return edges

    def placement(self) -> Placement:
        """Return the places as they stand."""
        return Placement(dict(self.places))


def _extent(layout: Layout, name: str, place: Place, axis: int) -> tuple[float, float]:
    base = (place.x, place.y)[axis]
    boxes = layout.shapes[name, place.facing].taken
    return min(b[axis] for b in boxes) + base, max(b[axis + 2] for b in boxes) + base


def _moved(box: Box, place: Place) -> Box:
    return Box(box[0] + place.x, box[1] + place.y, box[2] + place.x, box[3] + place.y)


def _wire_price(dx: int, dy: int, ax: int, ay: int, bx: int, by: int) -> float:
    """Price of a wire over (dx, dy) that leaves along (ax, ay) and arrives against (bx, by)."""
    if dx == 0 and dy == 0:
        return 0.0
    far = abs(dx) + abs(dy)
    sx, sy = (dx > 0) - (dx < 0), (dy > 0) - (dy < 0)
    best = 1e9
    options = []
    if dy == 0:
        options.append(((sx, 0), (-sx, 0), 0))
    elif dx == 0:
        options.append(((0, sy), (0, -sy), 0))
    else:
        options.append(((sx, 0), (0, -sy), 1))
        options.append(((0, sy), (-sx, 0), 1))
        options.append(((sx, 0), (-sx, 0), 2))
        options.append(((0, sy), (0, -sy), 2))
    for first, last, bends in options:
        price = far + _BEND * bends
        for way, (px, py) in ((first, (ax, ay)), (last, (bx, by))):
            if way == (-px, -py):
                price += 2 * _BEND + 3.0  # around its own symbol
            elif way != (px, py):
                price += _TURN
        best = min(best, price)
    return best


def _best_line(
    p: PinAt,
    q: PinAt,
    barriers: Sequence[tuple[float, float, float, float]],
    labels: Sequence[tuple[float, float, float, float]],
) -> tuple[float, list[Segment]]:
    """Price and segments of the better of the two L's (or of the straight line)."""
    if p[0] == q[0] and p[1] == q[1]:
        return 0.0, []
    if p[0] == q[0] or p[1] == q[1]:
        trials = [[(p[0], p[1], q[0], q[1])]]
    else:
        trials = [
            [(p[0], p[1], q[0], p[1]), (q[0], p[1], q[0], q[1])],
            [(p[0], p[1], p[0], q[1]), (p[0], q[1], q[0], q[1])],
        ]
        if abs(p[0] - q[0]) > 2 and p[2] and q[2]:
            for middle in {p[0] + p[2], q[0] + q[2], (p[0] + q[0]) // 2}:
                trials.append(
                    [
                        (p[0], p[1], middle, p[1]),
                        (middle, p[1], middle, q[1]),
                        (middle, q[1], q[0], q[1]),
                    ]
                )
    best, kept = 1e9, trials[0]
    for trial in trials:
        price = _BEND * (len(trial) - 1)
        for x1, y1, x2, y2 in trial:
            if x1 > x2:
                x1, x2 = x2, x1
            if y1 > y2:
                y1, y2 = y2, y1
            price += x2 - x1 + y2 - y1
            for a, b, c, d in barriers:
                if x1 < c and a < x2 and y1 < d and b < y2:
                    price += _HIT
            for a, b, c, d in labels:
                if x1 < c and a < x2 and y1 < d and b < y2:
                    price += _LABEL_HIT
        first, last = trial[0], trial[-1]
        price += _leaving(first[0], first[1], first[2], first[3], p)
        price += _leaving(last[2], last[3], last[0], last[1], q)
        if price < best:
            best, kept = price, trial
    return best, kept


def _leaving(x: int, y: int, to_x: int, to_y: int, pin: PinAt) -> float:
    way = ((to_x > x) - (to_x < x), (to_y > y) - (to_y < y))
    return 0.0 if way == (pin[2], pin[3]) else _TURN


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


def point(pin: PinAt) -> Point:
    """Return the grid point of a pin."""
    return Point(pin[0], pin[1])


def fresh_places(layout: Layout, places: Mapping[str, Place]) -> None:
    """Put a whole set of places into a layout."""
    layout.places = dict(places)
