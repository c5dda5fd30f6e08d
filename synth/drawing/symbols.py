"""Where the pins and the ink of each symbol are, from its place."""

from __future__ import annotations

from synth.drawing.model import Box, Mark, Pin, Point, Symbol
from synth.drawing.text import SIZE, width
from synth.network.model import Branch, OpAmp
from synth.positions import DIRECTIONS, Place

#: Grid steps between the pins of a part; from the inputs of an op amp to its output.
LENGTH = 4
REACH = 5
#: Half the breadth of a part's body, and where the body lies along the part.
BREADTH = 0.5
BODY = (1.1, 2.9)
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
    dx, dy = DIRECTIONS[place.facing]
    near, far = BODY
    xs = sorted((place.x + near * dx, place.x + far * dx))
    ys = sorted((place.y + near * dy, place.y + far * dy))
    if dx:
        return Box(xs[0], place.y - BREADTH, xs[1], place.y + BREADTH)
    return Box(place.x - BREADTH, ys[0], place.x + BREADTH, ys[1])


def op_amp_pins(place: Place) -> tuple[Pin, Pin, Pin]:
    """Return the pins plus, minus and out."""
    top = 1 if place.facing == "plus" else -1
    return (
        Pin("plus", Point(place.x, place.y + top), LEFT),
        Pin("minus", Point(place.x, place.y - top), LEFT),
        Pin("out", Point(place.x + REACH, place.y), RIGHT),
    )


def op_amp_box(place: Place) -> Box:
    """Return the ink of an op amp, without its leads."""
    return Box(place.x + 0.7, place.y - 2.0, place.x + 4.3, place.y + 2.0)


def op_amp_symbol(op_amp: OpAmp, place: Place) -> Symbol:
    """Return the symbol of an op amp."""
    return Symbol(op_amp.name, "op amp", op_amp_pins(place), op_amp_box(place), op_amp.name)


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
    text = width(shown)
    if kind in ("source", "supply"):
        away = pin.away
        long = 1.1 + (text + 0.2 if away in (LEFT, RIGHT) else SIZE + 0.3)
        wide = 0.45 if away in (LEFT, RIGHT) else max(0.45, text / 2 + 0.05)
    else:
        away = UP if pin.away == UP else DOWN
        long = 1.15 + (SIZE + 0.3 if shown else 0)
        wide = max(0.6, text / 2)
    dx, dy = away
    ends_x = sorted((x + 0.05 * dx, x + long * dx))
    ends_y = sorted((y + 0.05 * dy, y + long * dy))
    if dx:
        box = Box(ends_x[0], y - wide, ends_x[1], y + wide)
    else:
        box = Box(x - wide, ends_y[0], x + wide, ends_y[1])
    return Mark(kind, node, pin.at, away, box, shown)
