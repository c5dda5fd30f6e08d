"""Automatic placement: signal left to right, feedback above, grounds below.

The op amps go into a row in the order of the signal.  The parts follow one by one, those at the
inputs first, each where joining it to what is there costs least.  Then every item in turn is
tried in other places, and empty strips are taken out, as long as the whole gets cheaper.
Everything is deterministic.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

import numpy as np
import numpy.typing as npt

from synth.drawing.flow import SINK, Flow, flow_of
from synth.drawing.guess import PinAt, guesses
from synth.drawing.layout import Layout
from synth.drawing.scene import Scene
from synth.drawing.shapes import Shape, facings
from synth.drawing.symbols import REACH
from synth.network.model import Branch, OpAmp, Port
from synth.positions import Place, Placement

#: How many of the cheapest places of an item are looked at.
_LOOKED_AT = 200
#: How many places that others take are tried for each item.
_WISHES = 2
Joints = tuple[tuple[int, tuple[PinAt, ...]], ...]
_FLIP = {"minus": "plus", "plus": "minus"}
#: How many op amps are tried the other way up, one at a time, before anything is refined.
_STARTS = 4
#: How many of these starts are refined.
_REFINED = 2
#: How often every item is tried elsewhere, at most, by the number of items; else once.
_SWEEPS = ((14, 3), (20, 2))
#: A start this much dearer than the best is not refined.
_HOPELESS = 1.2
_ROWS = (0, 1, -1, 2, -2, 3, -3, 4, -4, 5, -5, 6, -6, 7, -7, 8, -8, 10, -10, 12, -12)
_COLUMNS = (0, 1, -1, 2, -2, 3, -3, 4, -4, 5, -5, 6, -6, 8, -8)
_ASIDE = (1, -1, 2, -2)
_FAR_ROWS = (3, -3, 4, -4, 5, -5, 6, -6)


def automatic(scene: Scene) -> Placement:
    """Place every item of a scene."""
    flow = flow_of(scene)
    layout = Layout(scene)
    usual = layout.usual
    starts = [usual, *({**usual, n: _FLIP[f]} for n, f in usual.items())][: _STARTS + 1]
    tried = []
    for k, facing in enumerate(starts):
        layout.places = {}
        _place_amplifiers(layout, flow, facing)
        for name in _sequence(layout, flow):
            _put(layout, name)
        _place_outputs(layout)
        tried.append((layout.cost(), k, layout.places))
    finished = []
    tried.sort(key=lambda t: t[:2])
    size = len(scene.items)
    sweeps = next((s for most, s in _SWEEPS if size <= most), 1)
    for price, k, places in tried[: _REFINED if size <= _SWEEPS[0][0] else 1]:
        if price > _HOPELESS * tried[0][0]:
            break
        layout.places = places
        finished.append((refine(layout, sweeps), k, layout.places))
    layout.places = min(finished, key=lambda t: t[:2])[2]
    return layout.placement()


def filled(scene: Scene, placement: Placement) -> Placement:
    """Give places to the items of a scene that a placement leaves out, near what they join."""
    layout = Layout(scene)
    layout.places = {n: p for n, p in placement.places.items() if n in layout.items}
    known = set(layout.places)
    for name in _sequence(layout, flow_of(scene)):
        if name not in known:
            _put(layout, name)
    for u in scene.network.op_amps:
        if u.name not in known:
            _put(layout, u.name)
    _place_outputs(layout)
    return layout.placement()


# -- first places ----------------------------------------------------------------------------------


def _place_amplifiers(layout: Layout, flow: Flow, facings_: Mapping[str, str]) -> None:
    network = layout.scene.network
    x = y = 0
    arrival = None
    for name in flow.order:
        columns = 1 + max((flow.depth[n] for n, u in flow.owner.items() if u == name), default=-1)
        if name == SINK:
            x += 5 * columns
            for item in layout.items.values():
                if isinstance(item.of, Port) and item.nodes[0] in flow.owner:
                    layout.places[item.name] = Place(x, y, "right")
                    y -= 3
            continue
        u = network.op_amp(name)
        facing = facings_[name]
        if arrival is not None:
            x += 2 + 5 * columns
            y += -1 if _arrives(layout, u, flow) == facing else 1
        layout.places[name] = Place(x, y, facing)
        x += REACH
        arrival = name


def _arrives(layout: Layout, u: OpAmp, flow: Flow) -> str:
    """Return the input where the signal of the op amps before arrives."""
    outs = {layout.scene.network.op_amp(n).out for n in layout.places if n in layout.items}
    near: dict[str, list[str]] = {}
    for b in layout.scene.network.branches:
        for a, c in (b.nodes, b.nodes[::-1]):
            near.setdefault(a, []).append(c)
    for pin, start in (("minus", u.minus), ("plus", u.plus)):
        seen, work = {start}, [start]
        while work:
            node = work.pop()
            if node in outs:
                return pin
            if node == u.out or node in layout.scene.held:
                continue
            for n in near.get(node, ()):
                if n not in seen:
                    seen.add(n)
                    work.append(n)
    return "minus"


def _sequence(layout: Layout, flow: Flow) -> list[str]:
    """Return the parts in the order in which they are placed."""
    scene = layout.scene
    outs = {u.out: u.name for u in scene.network.op_amps}
    rank = {name: k for k, name in enumerate(flow.order)}

    def key(b: Branch) -> tuple[int, int, int]:
        passive = [n for n in b.nodes if n in flow.owner]
        if not passive:
            own = [rank[outs[n]] for n in b.nodes if n in outs]
            return (max(own, default=len(rank)), 9, 0)
        node = min(passive, key=lambda n: (rank[flow.owner[n]], flow.depth[n]))
        other = b.nodes[1] if b.nodes[0] == node else b.nodes[0]
        owner = rank[flow.owner[node]]
        if other in scene.held:
            kind = 0 if scene.held[other][0] == "source" else 2
        elif other in outs:
            kind = 1 if rank[outs[other]] < owner else 3
        else:
            kind = 0
        return (owner, flow.depth[node], kind)

    return [b.name for b in sorted(scene.network.branches, key=key)]


def _put(layout: Layout, name: str) -> None:
    """Give an item the cheapest clear place near what it is joined to."""
    best = next(iter(ranked(layout, name, 1)), None)
    layout.places[name] = best if best is not None else _somewhere(layout, name)


def _somewhere(layout: Layout, name: str) -> Place:
    """Return a clear place below everything, the nearest to the left."""
    facing = min(facings(layout.items[name]), key=lambda f: layout.shape(name, f).manner)
    y = min((p.y for p in layout.places.values()), default=0)
    x = min((p.x for p in layout.places.values()), default=0)
    while not layout.clear(name, Place(x, y, facing)):
        y -= 1
    return Place(x, y, facing)


def _place_outputs(layout: Layout) -> None:
    right = max((p.x for p in layout.places.values()), default=0)
    for item in layout.items.values():
        if isinstance(item.of, Port) and item.name not in layout.places:
            pins = layout.net_pins(item.nodes[0])
            x, y = max(pins)[:2] if pins else (right, 0)
            place = Place(max(x, right - 3) + 3, y, "right")
            while not layout.clear(item.name, place):
                place = Place(place.x + 1, y, "right")
            layout.places[item.name] = place


# -- candidates ------------------------------------------------------------------------------------


_OFFSETS = np.array(
    [
        *((0, b) for b in _ROWS),
        *((a, 0) for a in _COLUMNS if a),
        *((a, b) for a in _ASIDE for b in _FAR_ROWS),
    ]
)


def _trials(joints: Joints, shape: Shape) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """Places at which one pin of an item lies in line with, or near, a pin of its net."""
    spots: list[npt.NDArray[np.int64]] = []
    for k, pins in joints:
        dx, dy = shape.pins[k].at
        spots += [_OFFSETS + np.array([q[0] - dx, q[1] - dy]) for q in pins]
    every = np.concatenate(spots)
    codes = np.unique(every[:, 0] * 100_000 + every[:, 1])
    y: npt.NDArray[np.int64] = (codes + 50_000) % 100_000 - 50_000
    x: npt.NDArray[np.int64] = (codes - y) // 100_000
    return x, y


def ranked(layout: Layout, name: str, count: int, clear: bool = True) -> list[Place]:
    """Return the cheapest places of an item, at most `count`; only clear ones, or all."""
    kept = []
    for place in _by_price(layout, name):
        if not clear or layout.clear(name, place):
            kept.append(place)
            if len(kept) == count:
                break
    return kept


def _joints(layout: Layout, name: str) -> Joints:
    """Return what an item is joined to: (its pin, the other pins of that net)."""
    return tuple(
        (k, pins)
        for k, node in enumerate(layout.items[name].nodes)
        if node not in layout.scene.held and (pins := tuple(layout.net_pins(node, name)))
    )


def _by_price(layout: Layout, name: str) -> list[Place]:
    """Return the places of an item that are worth a trial, cheapest first."""
    item = layout.items[name]
    joints = _joints(layout, name)
    if not joints:
        return []
    known = layout.orders.get((name, joints))
    if known is not None:
        return known
    usual = min(layout.shape(name, f).manner for f in facings(item))
    prices, places = [], []
    for facing in facings(item):
        shape = layout.shape(name, facing)
        if shape.manner > usual + 9:
            continue
        x, y = _trials(joints, shape)
        price = np.full(len(x), shape.manner)
        for k, pins in joints:
            (px, py), away = shape.pins[k].at, shape.pins[k].away
            price += np.minimum.reduce(
                [guesses(q[0] - x - px, q[1] - y - py, away, q[2:]) for q in pins]
            )
        prices.append(price)
        places += [(a, b, facing) for a, b in zip(x.tolist(), y.tolist(), strict=True)]
    order = np.argsort(np.concatenate(prices), kind="stable")[:_LOOKED_AT]
    layout.orders[name, joints] = [Place(*places[k]) for k in order.tolist()]
    return layout.orders[name, joints]


# -- improvement -----------------------------------------------------------------------------------


def refine(layout: Layout, sweeps: int) -> float:
    """Move items to cheaper places while that helps; return the price."""
    cost = layout.cost()
    settled: dict[str, object] = {}
    for _ in range(sweeps):
        before = cost
        cost = _sweep(layout, cost, settled)
        if sweeps > 1:
            cost = _make_room(layout, cost)
        cost = _slide(layout, cost)
        if cost > before - 2.0:
            break
    return cost


def _sweep(layout: Layout, cost: float, settled: dict[str, object]) -> float:
    """Try every item elsewhere, unless what it is joined to has not moved since the last time."""
    for name in list(layout.places):
        item = layout.items[name]
        old = layout.places[name]
        around = (old, _joints(layout, name))
        if settled.get(name) == around:
            continue
        if isinstance(item.of, OpAmp):
            options = _amplifier_moves(layout, name, old)
        else:
            options = ranked(layout, name, 4)
        best = old
        for place in options:
            layout.places[name] = place
            price = layout.cost(cost)
            if price < cost - 1e-9:
                cost, best = price, place
        layout.places[name] = best
        settled[name] = (best, around[1])
    return cost


def _amplifier_moves(layout: Layout, name: str, old: Place) -> list[Place]:
    flip = _FLIP[old.facing]
    moves = [Place(old.x, old.y + dy, f) for f in (old.facing, flip) for dy in (0, 1, -1, 2, -2)]
    moves += [Place(old.x + dx, old.y, old.facing) for dx in (1, -1, 2, -2)]
    return [m for m in moves if m != old and layout.clear(name, m)]


def _make_room(layout: Layout, cost: float) -> float:
    """Give items the place they would have if nothing stood there, and push the rest aside."""
    for name in list(layout.places):
        if isinstance(layout.items[name].of, OpAmp):
            continue
        for place in ranked(layout, name, _WISHES, clear=False):
            if place == layout.places[name]:
                break
            for trial in _pushed(layout, name, place):
                old, layout.places = layout.places, trial
                price = layout.cost(cost)
                if price < cost - 1e-9:
                    cost = price
                    break
                layout.places = old
            else:
                continue
            break
    return cost


def _pushed(layout: Layout, name: str, place: Place) -> Iterator[dict[str, Place]]:
    """Layouts with an item in a place where others stand, all beyond it moved down or right."""
    ends = [place.y + p.at[1] for p in layout.shape(name, place.facing).pins]
    starts = [place.x + p.at[0] for p in layout.shape(name, place.facing).pins]
    for axis, line in ((1, max(ends)), (0, min(starts) + 1)):
        for step in (2, 4, 6):
            places = dict(layout.places)
            places[name] = place
            moved = [name]
            for other, p in layout.places.items():
                if other == name:
                    continue
                if axis == 1 and p.y < line:
                    places[other] = Place(p.x, p.y - step, p.facing)
                elif axis == 0 and p.x >= line:
                    places[other] = Place(p.x + step, p.y, p.facing)
                else:
                    continue
                moved.append(other)
            old, layout.places = layout.places, places
            good = layout.clear(name, place) and all(
                layout.clear(n, places[n], _others(moved, n)) for n in moved[1:]
            )
            layout.places = old
            if good:
                yield places
                break


def _slide(layout: Layout, cost: float) -> float:
    """Shift all that lies beyond a line, along each axis, to take empty strips out."""
    for axis in (0, 1):
        for line in _lines(layout, axis)[1:]:
            for step in (-4, -2, -1, 1):
                trial = _shifted(layout, axis, line, step)
                if trial is None:
                    continue
                old, layout.places = layout.places, trial
                price = layout.cost(cost)
                if price < cost - 1e-9:
                    cost = price
                    break
                layout.places = old
    return cost


def _lines(layout: Layout, axis: int) -> list[int]:
    return sorted({(p.x, p.y)[axis] for p in layout.places.values()}, reverse=bool(axis))


def _shifted(layout: Layout, axis: int, line: int, step: int) -> dict[str, Place] | None:
    """Places with everything beyond the line moved; None when something would collide."""
    places = dict(layout.places)
    moved = []
    for name, p in layout.places.items():
        if axis == 0 and p.x >= line:
            places[name] = Place(p.x + step, p.y, p.facing)
            moved.append(name)
        elif axis == 1 and p.y <= line:
            places[name] = Place(p.x, p.y - step, p.facing)
            moved.append(name)
    old, layout.places = layout.places, places
    good = all(layout.clear(n, places[n], _others(moved, n)) for n in moved)
    layout.places = old
    return places if good else None


def _others(names: Sequence[str], one: str) -> list[str]:
    return [n for n in names if n != one]
