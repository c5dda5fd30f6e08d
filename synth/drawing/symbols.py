"""Where the pins and the ink of each symbol are, from its place."""

from __future__ import annotations

from synth.drawing.model import Box, Mark, Pin, Point, Symbol
from synth.drawing.text import LINE, fits_inside, width
from synth.network.model import Branch, OpAmp
from synth.positions import DIRECTIONS, Place, forward, op_amp_ink, part_ink

#: Grid steps between the pins of a part; from the inputs of an op amp to its output.
LENGTH = 4
REACH = 5
LEFT, RIGHT, UP, DOWN = (-1, 0), (1, 0), (0, 1), (0, -1)


def branch_pins(place: Place) -> tuple[Pin, Pin]:
    """Return pins 1 and 2 of a part at this place."""
    dx, dy = DIRECTIONS[place.facing]
    return (
        Pin("1", Point(place.x, place.y), (-dx, -dy)),
        Pin("2", Point(place.x + LENGTH * dx, place.y + LENGTH * dy), (dx, dy)),
    )


def branch_symbol(branch: Branch, place: Place) -> Symbol:
    """Return the symbol of a part."""
    pins = branch_pins(place)
    return Symbol(branch.name, branch.kind, pins, body_box(place))


def body_box(place: Place) -> Box:
    """Return the ink of a part, without its leads."""
    return Box(*part_ink(place))


def op_amp_pins(place: Place) -> tuple[Pin, Pin, Pin]:
    """Return the pins plus, minus and out."""
    top = 1 if place.facing.startswith("plus") else -1
    way = forward(place)
    back, front = (LEFT, RIGHT) if way > 0 else (RIGHT, LEFT)
    return (
        Pin("plus", Point(place.x, place.y + top), back),
        Pin("minus", Point(place.x, place.y - top), back),
        Pin("out", Point(place.x + REACH * way, place.y), front),
    )


def op_amp_box(place: Place) -> Box:
    """Return the ink of an op amp, without its leads."""
    return Box(*op_amp_ink(place))


def op_amp_symbol(op_amp: OpAmp, place: Place) -> Symbol:
    """Return the symbol of an op amp, its name inside where that can be read."""
    shown = op_amp.name if fits_inside(op_amp.name) else ""
    return Symbol(op_amp.name, "op amp", op_amp_pins(place), op_amp_box(place), shown)


def output_symbol(name: str, shown: str, place: Place) -> Symbol:
    """Return the symbol of an output: a ring, its name on the right."""
    at = Point(place.x, place.y)
    box = Box(at.x + 0.05, at.y - 0.4, at.x + 0.8 + width(shown), at.y + 0.4)
    return Symbol(name, "output", (Pin("end", at, LEFT),), box, shown)


def mark(kind: str, node: str, shown: str, pin: Pin) -> Mark:
    """Return the mark of a terminal on a pin.

    A ground hangs down unless its pin points up; a source lies in the direction of its pin.
    """
    x, y = pin.at
    outward = kind in ("source", "supply")
    away = pin.away if outward else (UP if pin.away == UP else DOWN)
    long, wide = (0.95, 0.35) if outward else (1.15, 0.6)
    ink = _strip(x, y, away, 0.05, long, wide)
    if not shown:
        return Mark(kind, node, pin.at, away, (ink,), shown)
    text = width(shown)
    if away[0]:
        box = _strip(x, y, away, long, 1.1 + text, LINE / 2)
    else:
        box = _strip(x, y, away, long, long + 0.05 + LINE, text / 2)
    return Mark(kind, node, pin.at, away, (ink, box), shown)


def _strip(x: int, y: int, away: tuple[int, int], near: float, far: float, wide: float) -> Box:
    """Return the box from `near` to `far` along a direction, `wide` to either side."""
    dx, dy = away
    ends_x = sorted((x + near * dx, x + far * dx))
    ends_y = sorted((y + near * dy, y + far * dy))
    if dx:
        return Box(ends_x[0], y - wide, ends_x[1], y + wide)
    return Box(x - wide, ends_y[0], x + wide, ends_y[1])
