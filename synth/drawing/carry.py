"""Carrying the places of a picture over to a network derived from it, so that it stays familiar."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from synth.drawing.model import Box
from synth.drawing.shapes import lead_box
from synth.drawing.symbols import branch_pins, op_amp_box, op_amp_pins
from synth.network.model import Branch, Network, OpAmp
from synth.positions import DIRECTIONS, Place, Placement, forward
from synth.transform.step import Step

#: Grid steps between the two halves of a split part: one above the other, side by side.
GAP = 3
ASIDE = 4


def carried(placement: Placement, before: Network, after: Network, step: Step) -> Placement:
    """Return the places of a network made from another by one step.

    Parameters
    ----------
    placement : Placement
        Places of the parts of `before`.
    before, after : Network
    step : Step
        Its map of names says which new parts stand for which old one.

    Returns
    -------
    Placement
        A part that goes on keeps its place (a swap only exchanges what is at its ends; under
        rc-cr the symbol changes).  A split part becomes two side by side, its common end in
        place.  The divider that a step puts before an op-amp input stands to the left of it.
        Parts without a place are left out, so that the layout of the whole falls to `draw`.
    """
    names: dict[str, list[str]] = {}
    for old, new in step.map:
        names.setdefault(old, []).append(new)
    branches = {b.name: b for b in after.branches}
    op_amps = {u.name: u for u in after.op_amps}
    places: dict[str, Place] = {}
    for old, several in names.items():
        first = several[0]
        now: Branch | OpAmp | None = branches.get(first, op_amps.get(first))
        if now is not None and old in placement.places:
            places[first] = _kept(placement.places[old], before, old, now)
    marks = {node: name for p in before.outputs for name, node, _ in p.marks}
    for port in after.outputs:
        for name, node, _ in port.marks:
            old = marks.get(node, "") if port.against else name
            if old in placement.places:
                places[name] = placement.places[old]
    for several in names.values():
        if len(several) > 1 and several[0] in places:
            places = _split(places, several, after)
    return Placement(places)


def _split(places: dict[str, Place], names: Sequence[str], after: Network) -> dict[str, Place]:
    """Add the parts that one part or op-amp input has become besides the first."""
    parts = [after.branch(n) for n in names[1:]]
    op_amp = next((u for u in after.op_amps if u.name == names[0]), None)
    if op_amp is not None:
        for pin, node in (("plus", op_amp.plus), ("minus", op_amp.minus)):
            own = [b for b in parts if node in b.nodes]
            if own:
                places = with_divider(places, op_amp, pin, own, after)
        return places
    first = after.branch(names[0])
    for twin in parts:
        common = [k for k, n in enumerate(twin.nodes) if n in first.nodes]
        common = [k for k in common if twin.nodes[k] not in after.fixed_nodes]
        if common:
            places = with_twin(places, first.name, twin, common[0], after)
    return places


def _kept(place: Place, before: Network, old: str, new: Branch | OpAmp) -> Place:
    """Return the place of a part that goes on under one name; an op amp may be turned over."""
    if not isinstance(new, OpAmp):
        return place
    u = before.op_amp(old)
    fixed = before.fixed_nodes
    exchanged = (u.plus, u.minus) == (new.minus, new.plus)
    if not exchanged or (u.plus in fixed and u.minus in fixed):  # a swap exchanges what holds them
        return place
    top, _, rest = place.facing.partition("-")
    other = "minus" if top == "plus" else "plus"
    return Place(place.x, place.y, f"{other}-{rest}" if rest else other)


def turned(place: Place) -> Place:
    """Return the place of a part whose pins have been exchanged: it stays where it is."""
    dx, dy = DIRECTIONS[place.facing]
    opposite = next(f for f, way in DIRECTIONS.items() if way == (-dx, -dy))
    return Place(place.x + 4 * dx, place.y + 4 * dy, opposite)


def with_twin(
    places: Mapping[str, Place], known: str, twin: Branch, inner: int, network: Network
) -> dict[str, Place]:
    """Put a part beside one that leads from the same node to the source or ground; make room.

    Parameters
    ----------
    places : mapping
        Name -> place; `known` is there.
    known : str
        The part that has a place.
    twin : Branch
        The part to put beside it.
    inner : int
        Which pin of the twin (0 or 1) is at the common node.
    network : Network
        Where both are; what holds the twin's other pin decides where it goes.
    """
    old = places[known]
    branch = network.branch(known)
    own = branch_pins(old)[branch.nodes.index(twin.nodes[inner])].at
    dy = DIRECTIONS[old.facing][1]
    if dy:  # the next column: everything to the right moves on
        moved = _pushed(places, known, lambda p: _middle(p)[0] > old.x, ASIDE, 0)
        outer = own.y + (4 * dy if own.y == old.y else -4 * dy)
        return moved | {twin.name: _between(own.x + ASIDE, own.y, outer, inner)}
    if network.fixed_nodes.get(twin.nodes[1 - inner]) == "ground":  # down from the node
        moved = _pushed(places, known, lambda p: _middle(p)[0] >= own.x, ASIDE, 0)
        return moved | {twin.name: _between(own.x, own.y, own.y - 4, inner)}
    moved = _pushed(places, known, lambda p: _middle(p)[1] > old.y, 0, GAP)
    same = branch.nodes.index(twin.nodes[inner]) == inner
    return moved | {
        twin.name: (lambda p: Place(p.x, p.y + GAP, p.facing))(old if same else turned(old))
    }


def _middle(place: Place) -> tuple[float, float]:
    """Return about the middle of a symbol."""
    if place.facing in DIRECTIONS:
        dx, dy = DIRECTIONS[place.facing]
        return place.x + 2 * dx, place.y + 2 * dy
    return place.x + 2.5 * forward(place), place.y


def _between(x: int, near: int, far: int, inner: int) -> Place:
    """Place of an upright part between two rows, its inner pin at the near one."""
    start, end = (near, far) if inner == 0 else (far, near)
    return Place(x, start, "up" if end > start else "down")


def _pushed(
    places: Mapping[str, Place], stays: str, beyond: Callable[[Place], bool], dx: int, dy: int
) -> dict[str, Place]:
    return {
        n: Place(p.x + dx, p.y + dy, p.facing) if n != stays and beyond(p) else p
        for n, p in places.items()
    }


def with_divider(
    places: Mapping[str, Place], op_amp: OpAmp, pin: str, parts: Sequence[Branch], network: Network
) -> dict[str, Place]:
    """Put the parts that feed an op-amp input from source and ground behind that input."""
    plus, minus, _ = op_amp_pins(places[op_amp.name])
    at = (plus if pin == "plus" else minus).at
    node = op_amp.plus if pin == "plus" else op_amp.minus
    found = dict(places)
    rooms = [_room(p) for p in places.values()]
    back = -forward(places[op_amp.name])  # away from the op amp: left, unless it is mirrored
    rows = range(at.y - 2, at.y - 15, -1)
    row = next((y for y in rows if _free(at.x, y, back, rooms)), at.y - 2)
    near, far = at.x + 2 * back, at.x + 6 * back
    for part in parts:
        inner = part.nodes.index(node)
        if network.fixed_nodes.get(part.nodes[1 - inner]) == "ground":
            found[part.name] = _between(near, row, row - 4, inner)
        else:
            outward = (back > 0) == (inner == 0)
            found[part.name] = Place(
                near if inner == 0 else far, row, "right" if outward else "left"
            )
    return found


def _room(place: Place) -> Box:
    """Return the space of a symbol with marks at its ends."""
    if place.facing in DIRECTIONS:
        box = lead_box(place)
        return Box(box.left - 0.5, box.bottom - 1.3, box.right + 0.5, box.top + 0.6)
    box = op_amp_box(place)
    return Box(box.left, box.bottom - 0.4, box.right, box.top)


def _free(x: int, row: int, back: int, rooms: Sequence[Box]) -> bool:
    """Say whether a divider fits behind column `x`: a level part, and one down from its end."""
    ends = sorted((x + 1.9 * back, x + 9.0 * back))
    level = Box(ends[0], row - 0.6, ends[1], row + 2.1)
    down = Box(x + 2 * back - 0.6, row - 5.3, x + 2 * back + 3.5, row)
    return not any(r.meets(level) or r.meets(down) for r in rooms)
