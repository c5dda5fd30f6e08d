"""The stages of a cascade: side by side, in rows below each other where one would be too long."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import NamedTuple

from synth.drawing.model import Box
from synth.drawing.shapes import lead_box
from synth.drawing.symbols import branch_pins, op_amp_box
from synth.network.model import Network
from synth.positions import DIRECTIONS, Place, Placement

#: Free grid steps between the stages of a row; between the symbols of two rows, with room for
#: marks, labels and the wire that leads from the end of one row to the start of the next.
GAP = 3
BETWEEN = 8
#: Grid steps after which a row is too long to be read on a page.
LONGEST = 80


class _Stage(NamedTuple):
    placement: Placement
    names: Mapping[str, str]
    network: Network


def beside(
    placements: Sequence[Placement], maps: Sequence[Mapping[str, str]], networks: Sequence[Network]
) -> Placement:
    """Return the places of a cascade: the stages side by side, each output meeting the next input.

    A cascade of more than `LONGEST` grid steps is set in rows of about the same length.

    Parameters
    ----------
    placements : sequence of Placement
        Of the stages, from the first to the last.
    maps : sequence of mapping
        Old part name -> new part name, for each stage.
    networks : sequence of Network
        The stages themselves.
    """
    stages = [_Stage(*one) for one in zip(placements, maps, networks, strict=True)]
    places: dict[str, Place] = {}
    ends: dict[str, Place] = {}
    start = bottom = 0
    for first, last in _cuts([_wide(s) for s in stages]):
        row, ends = _row(stages[first:last])
        box = _around(row.values())
        dx = dy = 0
        if first == 0:
            start = int(box.left)
        else:
            dx = start - int(box.left)
            dy = bottom - BETWEEN - int(box.top)
        bottom = int(box.bottom) + dy
        places |= _moved(row, dx, dy)
        ends = _moved(ends, dx, dy)
    return Placement(places | ends)


def _cuts(wide: Sequence[int]) -> list[tuple[int, int]]:
    """Return the first stage of each row and the one after its last: the shortest longest row."""
    whole = sum(wide) + GAP * (len(wide) - 1)
    count = -(-whole // LONGEST)
    for limit in range(max(wide), whole + 1):
        starts = [0]
        length = wide[0]
        for k, w in enumerate(wide[1:], start=1):
            length += GAP + w
            if length > limit:
                starts.append(k)
                length = w
        if len(starts) <= count:
            break
    return list(zip(starts, [*starts[1:], len(wide)], strict=True))


def _row(stages: Sequence[_Stage]) -> tuple[dict[str, Place], dict[str, Place]]:
    """Return the places of a row of stages, and those of the outputs of its last."""
    places: dict[str, Place] = {}
    right: int | None = None
    level: int | None = None
    ends: dict[str, Place] = {}
    for placement, names, network in stages:
        box = _around(_symbols(placement, network).values())
        entry = _entry(placement, network)
        dx = 0 if right is None else right + GAP - int(box.left)
        dy = 0 if level is None or entry is None else level - entry
        own = {names[n]: p for n, p in placement.places.items() if n in names}
        places |= _moved(own, dx, dy)
        right = int(box.right) + dx
        level = _exit(placement, network, level) + dy
        ports = _port_marks(network)
        ends = _moved({n: p for n, p in placement.places.items() if n in ports}, dx, dy)
    return places, ends


def _port_marks(network: Network) -> set[str]:
    return {name for p in network.outputs for name, _, _ in p.marks}


def _moved(places: Mapping[str, Place], dx: int, dy: int) -> dict[str, Place]:
    return {n: Place(p.x + dx, p.y + dy, p.facing) for n, p in places.items()}


def _symbols(placement: Placement, network: Network) -> dict[str, Place]:
    """Return the places of parts and op amps alone."""
    ports = _port_marks(network)
    return {n: p for n, p in placement.places.items() if n not in ports}


def _wide(stage: _Stage) -> int:
    box = _around(_symbols(stage.placement, stage.network).values())
    return int(box.right - box.left)


def _around(symbols: Iterable[Place]) -> Box:
    """Return the whole grid steps that hold the symbols of parts and op amps."""
    boxes = [lead_box(p) if p.facing in DIRECTIONS else op_amp_box(p) for p in symbols]
    return Box(
        min(b.left for b in boxes) // 1,
        min(b.bottom for b in boxes) // 1,
        -(-max(b.right for b in boxes) // 1),
        -(-max(b.top for b in boxes) // 1),
    )


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
    node = network.outputs[0].node
    for u in network.op_amps:
        if u.out == node and u.name in placement.places:
            return placement.places[u.name].y
    place = placement.places.get(network.outputs[0].name)
    return place.y if place is not None else (default or 0)
