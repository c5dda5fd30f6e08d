"""Carrying the places of a picture over to a network derived from it, so that it stays familiar."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from synth.drawing.shapes import lead_box
from synth.drawing.symbols import branch_pins, op_amp_box, op_amp_pins
from synth.network.model import Branch, Network, OpAmp
from synth.positions import DIRECTIONS, Place, Placement
from synth.transform.step import Step

#: Free grid steps between the stages of a cascade, and between the two halves of a split part.
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
    now: dict[str, Branch | OpAmp] = {b.name: b for b in after.branches}
    now |= {u.name: u for u in after.op_amps}
    places: dict[str, Place] = {}
    for old, several in names.items():
        if old not in placement.places:
            continue
        known = [n for n in several if n in now]
        if len(known) == 1:
            places[known[0]] = _kept(placement.places[old], before, old, now[known[0]])
        elif known:
            for name, place in _spread(placement.places[old], before, old, known, now, places):
                places[name] = place
    for port in after.outputs:
        if port.name in placement.places:
            places[port.name] = placement.places[port.name]
    return Placement(places)


def _kept(place: Place, before: Network, old: str, new: Branch | OpAmp) -> Place:
    """Return the place of a part that goes on under one name, turned where its pins are."""
    was = next((b for b in before.branches if b.name == old), None)
    if isinstance(new, OpAmp):
        u = before.op_amp(old)
        if (u.plus, u.minus) == (new.minus, new.plus):  # its inputs have been exchanged
            top, _, rest = place.facing.partition("-")
            other = "minus" if top == "plus" else "plus"
            return Place(place.x, place.y, f"{other}-{rest}" if rest else other)
        return place
    if was is not None and new.nodes == was.nodes[::-1] and new.nodes != was.nodes:
        return turned(place)
    return place


def turned(place: Place) -> Place:
    """Return the place of a part whose pins have been exchanged: it stays where it is."""
    dx, dy = DIRECTIONS[place.facing]
    opposite = next(f for f, way in DIRECTIONS.items() if way == (-dx, -dy))
    return Place(place.x + 4 * dx, place.y + 4 * dy, opposite)


def _spread(
    place: Place,
    before: Network,
    old: str,
    names: Sequence[str],
    now: Mapping[str, Branch | OpAmp],
    taken: Mapping[str, Place],
) -> Iterable[tuple[str, Place]]:
    """Places of the several parts that one has become."""
    first = now[names[0]]
    if isinstance(first, OpAmp):
        yield names[0], place
        pins = op_amp_pins(place)
        for name in names[1:]:
            part = now[name]
            assert isinstance(part, Branch)
            node = next((n for n in part.nodes if n in (first.plus, first.minus)), None)
            pin = pins[0] if node == first.plus else pins[1]
            x, y = pin.at.x - 3, pin.at.y
            if part.nodes[0] == node:  # to ground
                yield name, Place(x, y, "down")
            elif part.nodes[1] == node and node is not None:
                facing = "right" if _is_held(part.nodes[0], before) else "down"
                yield name, Place(x - 4, y, facing)
        return
    dx, dy = DIRECTIONS[place.facing]
    for k, name in enumerate(names):
        yield (
            name,
            Place(place.x + k * ASIDE * abs(dy), place.y - k * ASIDE * abs(dx), place.facing),
        )


def _is_held(node: str, network: Network) -> bool:
    return node in network.fixed_nodes


def beside(
    placements: Sequence[Placement], maps: Sequence[Mapping[str, str]], networks: Sequence[Network]
) -> Placement:
    """Return the places of a cascade: the stages side by side, each output meeting the next input.

    Parameters
    ----------
    placements : sequence of Placement
        Of the stages, from the first to the last.
    maps : sequence of mapping
        Old part name -> new part name, for each stage.
    networks : sequence of Network
        The stages themselves.
    """
    places: dict[str, Place] = {}
    right: int | None = None
    level: int | None = None
    end: Place | None = None
    for placement, names, network in zip(placements, maps, networks, strict=True):
        left, high = _edges(placement, network)
        dx = 0 if right is None else right + GAP - left
        entry = _entry(placement, network)
        dy = 0 if level is None or entry is None else level - entry
        for old, place in placement.places.items():
            if old in names:
                places[names[old]] = Place(place.x + dx, place.y + dy, place.facing)
        right = high + dx
        level = _exit(placement, network, level) + dy
        last = placement.places.get(network.outputs[0].name)
        end = None if last is None else Place(last.x + dx, last.y + dy, last.facing)
    if end is not None:
        places[networks[-1].outputs[0].name] = end
    return Placement(places)


def _edges(placement: Placement, network: Network) -> tuple[int, int]:
    """Leftmost and rightmost column of the symbols of a stage."""
    xs: list[int] = []
    op_amps = {u.name for u in network.op_amps}
    ports = {p.name for p in network.outputs}
    for name, place in placement.places.items():
        if name in ports:
            continue
        box = op_amp_box(place) if name in op_amps else lead_box(place)
        xs += [int(box.left // 1), int(-(-box.right // 1))]
    return min(xs), max(xs)


def _entry(placement: Placement, network: Network) -> int | None:
    """Row of the leftmost pin at the input."""
    found = []
    inputs = {p.node for p in network.inputs}
    for b in network.branches:
        if b.name in placement.places:
            for pin, node in zip(branch_pins(placement.places[b.name]), b.nodes, strict=True):
                if node in inputs:
                    found.append((pin.at.x, pin.at.y))
    return min(found)[1] if found else None


def _exit(placement: Placement, network: Network, default: int | None) -> int:
    """Row of the op-amp output, or else of the mark, at the output."""
    for u in network.op_amps:
        if u.out == network.output and u.name in placement.places:
            return placement.places[u.name].y
    place = placement.places.get(network.outputs[0].name)
    return place.y if place is not None else (default or 0)
