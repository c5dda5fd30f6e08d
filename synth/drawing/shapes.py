"""The room each item takes, facing each way, relative to its place: pins, footprint, barrier."""

from __future__ import annotations

from typing import NamedTuple

from synth.drawing.model import Box, Pin, Point
from synth.drawing.scene import Item, Scene
from synth.drawing.symbols import body_box, branch_pins, mark, op_amp_box, op_amp_pins
from synth.drawing.text import LINE
from synth.network.model import Branch, OpAmp
from synth.positions import DIRECTIONS, INPUTS, Place, forward


class Shape(NamedTuple):
    """An item facing one way, at the origin.

    ``taken`` is what other items must keep clear of: body, marks and the usual place of the
    label.  ``barrier`` is what no wire may pass: the body with its leads, and marks.
    """

    pins: tuple[Pin, ...]
    taken: tuple[Box, ...]
    barrier: tuple[Box, ...]
    manner: float  # how far from the customary manner, in grid steps
    around: Box  # everything, and two steps more around the pins


def facings(item: Item) -> tuple[str, ...]:
    """Return the ways an item may face."""
    if isinstance(item.of, Branch):
        return tuple(DIRECTIONS)
    return INPUTS if isinstance(item.of, OpAmp) else ("right",)


def shape_of(item: Item, facing: str, scene: Scene) -> Shape:
    """Return the room an item takes when it faces that way."""
    place = Place(0, 0, facing)
    if isinstance(item.of, Branch):
        pins: tuple[Pin, ...] = branch_pins(place)
        dx, dy = DIRECTIONS[facing]
        barrier = [body_box(place), lead_box(place)]
        taken = [_grown(barrier[1], 0.3 * abs(dx), 0.3 * abs(dy)), _label_room(item, dx, dy)]
        taken.append(_grown(barrier[0], 0.15, 0.15))
    elif isinstance(item.of, OpAmp):
        pins = op_amp_pins(place)
        barrier = list(op_amp_barrier(place))
        taken = [_grown(barrier[0], 1.0, 0.4)]
    else:
        pins = (Pin("end", Point(0, 0), (-1, 0)),)
        barrier = [Box(0.1, -0.4, 0.9 + item.wide, 0.4)]
        taken = [_grown(barrier[0], 0.0, 0.3)]
    manner = 0.0
    for pin, node in zip(pins, item.nodes, strict=True):
        if node not in scene.held:
            continue
        kind, shown = scene.held[node]
        barrier += list(mark(kind, node, shown, pin).boxes)
        for other, text in _either(kind, shown, scene):  # room for a swap
            taken += [_grown(box, 0.1, 0.2) for box in mark(other, node, text, pin).boxes]
        if isinstance(item.of, Branch):
            manner += _manner(kind, pin.away)
    if isinstance(item.of, Branch) and not any(n in scene.held for n in item.nodes):
        manner += 0.0 if DIRECTIONS[facing][0] else 4.0
    boxes = [*taken, *(Box(x - 2, y - 2, x + 2, y + 2) for (x, y) in (p.at for p in pins))]
    around = Box(
        min(b.left for b in boxes),
        min(b.bottom for b in boxes),
        max(b.right for b in boxes),
        max(b.top for b in boxes),
    )
    return Shape(pins, tuple(taken), tuple(barrier), manner, around)


def lead_box(place: Place) -> Box:
    """Return the leads of a part as a thin box, its pins just outside."""
    dx, dy = DIRECTIONS[place.facing]
    xs = sorted((place.x + 0.15 * dx, place.x + 3.85 * dx))
    ys = sorted((place.y + 0.15 * dy, place.y + 3.85 * dy))
    wide_x, wide_y = (0.0, 0.04) if dx else (0.04, 0.0)
    return Box(xs[0] - wide_x, ys[0] - wide_y, xs[1] + wide_x, ys[1] + wide_y)


def op_amp_barrier(place: Place) -> tuple[Box, ...]:
    """Return the body of an op amp, and its leads as thin boxes, its pins just outside."""
    way = forward(place)

    def lead(near: float, far: float, y: float) -> Box:
        ends = sorted((place.x + near * way, place.x + far * way))
        return Box(ends[0], y - 0.04, ends[1], y + 0.04)

    return (
        op_amp_box(place),
        lead(0.15, 0.8, place.y + 1),
        lead(0.15, 0.8, place.y - 1),
        lead(4.2, 4.85, place.y),
    )


def _either(kind: str, shown: str, scene: Scene) -> list[tuple[str, str]]:
    """Return the mark of a terminal and the one that a swap would put there."""
    network = scene.network
    if kind == "source":
        return [(kind, shown), scene.held[network.reference]]
    if kind in ("ground", "reference") and network.inputs:
        return [(kind, shown), scene.held[network.inputs[0].node]]
    return [(kind, shown)]


def _grown(box: Box, dx: float, dy: float) -> Box:
    return Box(box.left - dx, box.bottom - dy, box.right + dx, box.top + dy)


def _label_room(item: Item, dx: int, dy: int) -> Box:
    high = len(item.lines) * LINE
    if dx:
        return Box(2 * dx - item.wide / 2, 0.5, 2 * dx + item.wide / 2, 0.6 + high)
    return Box(0.5, 2 * dy - high / 2, 0.8 + item.wide, 2 * dy + high / 2)


def _manner(kind: str, away: tuple[int, int]) -> float:
    """Return the price of a terminal that looks this way: sources left, grounds down."""
    if kind == "source":
        return {(-1, 0): 0.0, (0, 1): 4.0, (0, -1): 7.0, (1, 0): 12.0}[away]
    if kind == "supply":
        return {(-1, 0): 2.0, (0, 1): 0.0, (0, -1): 1.0, (1, 0): 5.0}[away]
    return {(-1, 0): 6.0, (0, 1): 16.0, (0, -1): 0.0, (1, 0): 7.0}[away]
