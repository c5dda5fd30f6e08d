"""Drawing positions: where each symbol of a schematic stands, as people write them.

The grid has integer coordinates, x to the right and y upwards.  A two-terminal part is four
steps long: its place is the point of its pin 1 and the direction from there to pin 2.  The place
of an op amp is the point midway between its inputs, which lie one step above and below it, and
the input that is on top; its output is five steps to the right.  An op amp whose output goes
back into a loop may be mirrored (``minus-left``, ``plus-left``): its output is then five steps to
the left.  An output has the point where its wire ends.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from itertools import combinations
from typing import NamedTuple

from synth.errors import CatalogError
from synth.network.model import Network

#: Directions of a part, from pin 1 to pin 2.
DIRECTIONS: Mapping[str, tuple[int, int]] = {
    "right": (1, 0),
    "down": (0, -1),
    "left": (-1, 0),
    "up": (0, 1),
}
#: What may be on top of an op amp that faces right; one in a loop may also face left.
INPUTS = ("minus", "plus")
MIRRORED = ("minus-left", "plus-left")
#: Largest coordinate.
LIMIT = 1000
#: Half the breadth of a part's body, and where the body lies along the part.
BREADTH = 0.5
BODY = (1.1, 2.9)


class Place(NamedTuple):
    """Where one symbol stands.

    Parameters
    ----------
    x, y : int
        Grid point: pin 1 of a part, midway between the inputs of an op amp, the end of an output.
    facing : str
        A key of `DIRECTIONS` for a part; the input on top, one of `INPUTS` or `MIRRORED`, for an
        op amp; ``right`` for an output.
    """

    x: int
    y: int
    facing: str


@dataclass(frozen=True)
class Placement:
    """Places by the name of the part, op amp or output port."""

    places: Mapping[str, Place] = field(default_factory=dict)


def read_positions(table: Mapping[str, object], network: Network) -> Placement:
    """Read a table of positions, ``name = [x, y, "facing"]``, and check it.

    Parameters
    ----------
    table : mapping
        Name of each part, op amp or output port -> whole numbers x and y, and a direction
        (``right``, ``down``, ``left``, ``up``) for a part, the upper input (``minus``, ``plus``,
        or mirrored ``minus-left``, ``plus-left``) for an op amp; an output has x and y only.
    network : Network
        What is drawn.  Every part, op amp and output must have a place; a differential output has
        two: ``output`` and ``output-against``.

    Returns
    -------
    Placement

    Raises
    ------
    CatalogError
        If a name is unknown or missing, a row is no place, or two symbols overlap; the message
        names the key.
    """
    op_amps = {u.name for u in network.op_amps}
    ports = {name for p in network.outputs for name, _, _ in p.marks}
    parts = {b.name for b in network.branches}
    places = {}
    for name, row in table.items():
        if name in op_amps:
            words: tuple[str, ...] = (*INPUTS, *MIRRORED)
        elif name in parts:
            words = tuple(DIRECTIONS)
        elif name in ports:
            words = ()
        else:
            raise CatalogError(
                f"key drawing: nothing is called {name}; it has places for the parts, the op "
                "amps and the output"
            )
        places[name] = _place(name, row, words)
    wanted = (*(b.name for b in network.branches), *sorted(op_amps), *sorted(ports))
    missing = [n for n in wanted if n not in places]
    if missing:
        raise CatalogError(
            f"key drawing: no place for {', '.join(missing)}; add one for each part, op amp and "
            "output"
        )
    _check_room(places, network)
    return Placement(places)


def _check_room(places: Mapping[str, Place], network: Network) -> None:
    """Refuse symbols that overlap."""
    amplifiers = {u.name for u in network.op_amps}
    boxes = {b.name: part_ink(places[b.name]) for b in network.branches}
    boxes |= {n: op_amp_ink(places[n]) for n in sorted(amplifiers)}
    for (one, a), (other, b) in combinations(boxes.items(), 2):
        if a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]:
            raise CatalogError(f"key drawing: {one} and {other} overlap; move one of them")


def forward(place: Place) -> int:
    """Return 1 for an op amp that faces right, -1 for one that faces left."""
    return -1 if place.facing in MIRRORED else 1


def part_ink(place: Place) -> tuple[float, float, float, float]:
    """Return the ink of a part, without its leads: left, bottom, right, top in grid steps."""
    dx, dy = DIRECTIONS[place.facing]
    near, far = BODY
    xs = sorted((place.x + near * dx, place.x + far * dx))
    ys = sorted((place.y + near * dy, place.y + far * dy))
    if dx:
        return xs[0], place.y - BREADTH, xs[1], place.y + BREADTH
    return place.x - BREADTH, ys[0], place.x + BREADTH, ys[1]


def op_amp_ink(place: Place) -> tuple[float, float, float, float]:
    """Return the ink of an op amp, without its leads: left, bottom, right, top in grid steps."""
    ends = sorted((place.x + 0.7 * forward(place), place.x + 4.3 * forward(place)))
    return ends[0], place.y - 2.1, ends[1], place.y + 2.1


def _place(name: str, row: object, words: tuple[str, ...]) -> Place:
    size = 3 if words else 2
    wanted = f'[x, y, "{words[0]}"]' if words else "[x, y]"
    if not isinstance(row, list) or len(row) != size:
        raise CatalogError(f"key drawing: {name} = {row!r} is no place; write it as {wanted}")
    for number in row[:2]:
        whole = isinstance(number, int) and not isinstance(number, bool)
        if not whole or abs(number) > LIMIT:
            raise CatalogError(
                f"key drawing: the coordinate {number!r} of {name} must be a whole number between "
                f"{-LIMIT} and {LIMIT}"
            )
    if words and row[2] not in words:
        raise CatalogError(
            f"key drawing: {name} cannot face {row[2]!r}; choose one of {', '.join(words)}"
        )
    return Place(row[0], row[1], row[2] if words else "right")
