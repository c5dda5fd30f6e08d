"""Wires on the grid: each net a tree of upright segments, found by cheapest paths.

A path pays for length, bends and crossings.  It may cross another net's wire only straight and
at right angles, away from ends, corners and pins, and never touches a symbol.  Nets are routed
in the order of their size, then each is taken up and laid again while that helps.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from heapq import heappop, heappush
from itertools import pairwise
from math import ceil, floor

from synth.drawing.model import Box, Pin, Point

#: Costs in grid steps.
BEND, CROSSING, BESIDE = 2.0, 9.0, 0.4
_STEPS = ((1, 0), (0, 1), (-1, 0), (0, -1))
_BORDER = 5


@dataclass(frozen=True)
class Routed:
    """Edges of each net, each as (lower or left point, higher or right point)."""

    edges: Mapping[str, frozenset[tuple[Point, Point]]]
    crossings: tuple[Point, ...]


class _Grid:
    """The routing grid as flat lists; everything is an index ``(y - y0) * width + (x - x0)``."""

    def __init__(self, points: Sequence[Point], boxes: Sequence[Box]) -> None:
        xs = [p.x for p in points] + [v for b in boxes for v in (b.left, b.right)]
        ys = [p.y for p in points] + [v for b in boxes for v in (b.bottom, b.top)]
        self.x0, self.y0 = floor(min(xs)) - _BORDER, floor(min(ys)) - _BORDER
        self.width = ceil(max(xs)) + _BORDER - self.x0 + 1
        self.height = ceil(max(ys)) + _BORDER - self.y0 + 1
        size = self.width * self.height
        # an edge is (point, direction 0 or 1), stored at 2 * point + direction
        self.shut = bytearray(2 * size)
        self.owner: list[int] = [-1] * (2 * size)
        self.mask = bytearray(size)  # directions of the wires at a point, bit by bit
        self.net: list[int] = [-1] * size  # whose wire passes a point
        self.pin: list[int] = [-1] * size
        for k in range(size):  # the outermost ring is shut, so that every point has neighbours
            x, y = k % self.width, k // self.width
            if x in (0, self.width - 2, self.width - 1) or y in (0, self.height - 1):
                self.shut[2 * k] = 1
            if y in (0, self.height - 2, self.height - 1) or x in (0, self.width - 1):
                self.shut[2 * k + 1] = 1
        for box in boxes:
            self._block(box)

    def _block(self, box: Box) -> None:
        left, right = box.left - self.x0, box.right - self.x0
        bottom, top = box.bottom - self.y0, box.top - self.y0
        w = self.width
        for y in range(floor(bottom) + 1, ceil(top)):
            for x in range(floor(left), ceil(right)):
                self.shut[2 * (y * w + x)] = 1
        for x in range(floor(left) + 1, ceil(right)):
            for y in range(floor(bottom), ceil(top)):
                self.shut[2 * (y * w + x) + 1] = 1

    def index(self, p: Point) -> int:
        return (p.y - self.y0) * self.width + p.x - self.x0

    def point(self, k: int) -> Point:
        return Point(k % self.width + self.x0, k // self.width + self.y0)

    def lay(self, net: int, path: Sequence[int]) -> None:
        """Enter a path of a net."""
        steps = {1: 0, self.width: 1, -1: 2, -self.width: 3}
        for a, b in pairwise(path):
            d = steps[b - a]
            self.owner[2 * min(a, b) + d % 2] = net
            self.mask[a] |= 1 << d
            self.mask[b] |= 1 << (d ^ 2)
            for k in (a, b):
                if self.net[k] < 0 or self.pin[k] == net:
                    self.net[k] = net

    def lift(self, net: int, edges: Iterable[int]) -> None:
        """Take the edges of a net out again."""
        for e in edges:
            a, d = divmod(e, 2)
            b = a + (self.width if d else 1)
            self.owner[e] = -1
            for k, bit in ((a, 1 << d), (b, 1 << (d + 2))):
                self.mask[k] &= 15 ^ bit
                if self.net[k] == net or not self.mask[k]:
                    self.net[k] = -1
        # a crossing leaves the other net's wire behind
        for e in edges:
            a, d = divmod(e, 2)
            for k in (a, a + (self.width if d else 1)):
                if self.mask[k] and self.net[k] < 0:
                    self.net[k] = self._owner_at(k)

    def _owner_at(self, k: int) -> int:
        for e in (2 * k, 2 * k + 1, 2 * (k - 1), 2 * (k - self.width) + 1):
            if self.owner[e] >= 0:
                return self.owner[e]
        return -1


def route(
    nets: Mapping[str, Sequence[Pin]], boxes: Sequence[Box], passes: int = 2
) -> Routed | None:
    """Join the pins of every net; None where a pin cannot be reached.

    Parameters
    ----------
    nets : mapping
        Net -> its pins.
    boxes : sequence of Box
        What no wire may pass through: symbols with their leads, marks, labels.
    passes : int
        How often every net is laid, at most.
    """
    grid = _Grid([p.at for pins in nets.values() for p in pins], boxes)
    names = list(nets)
    for k, name in enumerate(names):
        for pin in nets[name]:
            at = grid.index(pin.at)
            if grid.pin[at] not in (-1, k):
                return None  # pins of two nets in one place
            grid.pin[at] = k
    order = sorted(range(len(names)), key=lambda k: (_span(nets[names[k]]), k))
    laid: dict[int, set[int]] = {}
    for turn in range(passes):
        before = {k: frozenset(v) for k, v in laid.items()}
        for k in order:
            if k in laid:
                grid.lift(k, laid[k])
            found = _tree(grid, k, nets[names[k]])
            if found is None:
                return None
            laid[k] = found
        if turn and before == {k: frozenset(v) for k, v in laid.items()}:
            break
    return _result(grid, names, laid)


def _result(grid: _Grid, names: Sequence[str], laid: Mapping[int, set[int]]) -> Routed:
    edges = {}
    touched: dict[int, set[int]] = {}
    for k, own in laid.items():
        pairs = set()
        for e in own:
            a, d = divmod(e, 2)
            b = a + (grid.width if d else 1)
            pairs.add((grid.point(a), grid.point(b)))
            touched.setdefault(a, set()).add(k)
            touched.setdefault(b, set()).add(k)
        edges[names[k]] = frozenset(pairs)
    crossings = sorted(grid.point(i) for i, who in touched.items() if len(who) > 1)
    return Routed(edges, tuple(crossings))


def _span(pins: Sequence[Pin]) -> int:
    xs, ys = [p.at.x for p in pins], [p.at.y for p in pins]
    return max(xs) - min(xs) + max(ys) - min(ys)


def _tree(grid: _Grid, net: int, pins: Sequence[Pin]) -> set[int] | None:
    """Lay one net: the pins nearest to each other first, then each nearest to the tree."""
    places = {grid.index(p.at): p for p in pins}
    left = set(places)
    if len(left) < 2:
        return set()
    w = grid.width

    def apart(a: int, b: int) -> int:
        return abs(a % w - b % w) + abs(a // w - b // w)

    start = min(left, key=lambda a: (min(apart(a, b) for b in left if b != a), a))
    left.discard(start)
    tree = {start}
    edges: set[int] = set()
    while left:
        goal = min(left, key=lambda a: (min(apart(a, b) for b in tree), a))
        left.discard(goal)
        if goal in tree:
            continue
        path = _path(grid, net, goal, places[goal].away, tree)
        if path is None:
            return None
        grid.lay(net, path)
        for a, b in pairwise(path):
            edges.add(2 * min(a, b) + (0 if abs(a - b) == 1 else 1))
        tree.update(path)
    return edges


def _path(
    grid: _Grid, net: int, start: int, away: tuple[int, int], tree: set[int]
) -> list[int] | None:
    """Cheapest path from a pin to the tree of its net, as points."""
    w = grid.width
    delta = (1, w, -1, -w)
    columns, rows = [k % w for k in tree], [k // w for k in tree]
    lo_x, hi_x, lo_y, hi_y = min(columns), max(columns), min(rows), max(rows)

    def rest(k: int) -> int:
        x, y = k % w, k // w
        return max(lo_x - x, x - hi_x, 0) + max(lo_y - y, y - hi_y, 0)

    shut, owner, mask, owns, pin = grid.shut, grid.owner, grid.mask, grid.net, grid.pin
    best: dict[int, float] = {}
    came: dict[int, int] = {}
    heap: list[tuple[float, float, int]] = []
    for d in range(4):
        cost = 0.0 if _STEPS[d] == away else 1.0
        best[4 * start + d] = cost
        heappush(heap, (cost + rest(start), cost, 4 * start + d))
    while heap:
        _, cost, state = heappop(heap)
        if cost > best[state]:
            continue
        k, d = divmod(state, 4)
        if k in tree:
            return _back(came, state, start)
        crossing = owns[k] not in (-1, net)
        for turn in range(4) if not crossing and k != start else (d,):
            if turn == d ^ 2 and k != start:
                continue
            e = 2 * k + turn if turn < 2 else 2 * (k + delta[turn]) + turn - 2
            if shut[e] or owner[e] >= 0:
                continue
            n = k + delta[turn]
            other = owns[n]
            price = cost + 1.0 + (BEND if turn != d else 0.0)
            if pin[n] not in (-1, net):
                continue
            if other not in (-1, net):
                if mask[n] != (10 if turn % 2 == 0 else 5):
                    continue
                price += CROSSING
            elif n in tree and bin(mask[n]).count("1") >= 3:
                continue
            else:
                side = delta[(turn + 1) % 4]
                for beside in (n + side, n - side):
                    if owns[beside] not in (-1, net) or pin[beside] not in (-1, net):
                        price += BESIDE
            s = 4 * n + turn
            if price < best.get(s, 1e9):
                best[s] = price
                came[s] = state
                heappush(heap, (price + rest(n), price, s))
    return None


def _back(came: Mapping[int, int], state: int, start: int) -> list[int]:
    path = [state // 4]
    while state in came:
        state = came[state]
        path.append(state // 4)
    assert path[-1] == start
    return path
