"""The drawing as frozen data: what a renderer needs, and what a reader of the picture sees.

Grid points are integers, x to the right and y upwards; boxes are in the same units.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple


class Point(NamedTuple):
    """A grid point."""

    x: int
    y: int


class Box(NamedTuple):
    """An upright rectangle: left, bottom, right, top."""

    left: float
    bottom: float
    right: float
    top: float

    def meets(self, other: Box) -> bool:
        """Say whether the interiors have a point in common."""
        return (
            self.left < other.right
            and other.left < self.right
            and self.bottom < other.top
            and other.bottom < self.top
        )

    def cut_by(self, a: Point, b: Point) -> bool:
        """Say whether the upright segment a-b passes through the interior."""
        return (
            min(a.x, b.x) < self.right
            and self.left < max(a.x, b.x)
            and min(a.y, b.y) < self.top
            and self.bottom < max(a.y, b.y)
        )


class Pin(NamedTuple):
    """A pin of a symbol: where it is, and the direction that leads away from the symbol."""

    name: str
    at: Point
    away: tuple[int, int]


@dataclass(frozen=True)
class Symbol:
    """A placed part, op amp or output.

    Parameters
    ----------
    name : str
    kind : str
        ``resistor``, ``capacitor``, ``inductor``, ``frequency-dependent negative resistance``,
        ``op amp`` or ``output``.
    pins : tuple of Pin
        ``1`` and ``2`` of a part; ``plus``, ``minus`` and ``out`` of an op amp; ``end`` of an
        output.
    box : Box
        What is drawn, without the leads.
    shown : str
        Text that belongs to the symbol itself: the name of an op amp, the node of an output.
    """

    name: str
    kind: str
    pins: tuple[Pin, ...]
    box: Box
    shown: str = ""


@dataclass(frozen=True)
class Wire:
    """A line of upright segments through these points; its ends and corners are all there."""

    points: tuple[Point, ...]


@dataclass(frozen=True)
class Mark:
    """A terminal: what holds the pin at this point.

    Parameters
    ----------
    kind : str
        ``source``, ``ground``, ``reference`` (a signal ground that is not node 0) or ``supply``.
    node : str
        The node of the network.
    at : Point
        The pin it sits on.
    away : tuple of two int
        The direction in which it is drawn.
    boxes : tuple of Box
        What is drawn: the symbol, and the text where there is one.
    shown : str
        The text beside it; empty for a plain ground.
    """

    kind: str
    node: str
    at: Point
    away: tuple[int, int]
    boxes: tuple[Box, ...]
    shown: str


@dataclass(frozen=True)
class Label:
    """Text that belongs to a symbol: lines from top to bottom.

    ``x`` and ``y`` are the middle of the block, or its left or right edge as `align` says
    (``middle``, ``start``, ``end``).
    """

    owner: str
    lines: tuple[str, ...]
    x: float
    y: float
    align: str
    box: Box


@dataclass(frozen=True)
class Split:
    """Two parts that share one terminal's drive: one goes to the source, the other to ground.

    ``at`` is the grid point where the source half joins the node of both, marked in the picture.
    """

    source_part: str
    ground_part: str
    at: Point


@dataclass(frozen=True)
class Drawing:
    """A schematic, ready to be rendered.

    Parameters
    ----------
    title : str
    symbols : tuple of Symbol
    wires : tuple of Wire
        No wire passes over an end or a corner of another but where a dot says that they join.
    dots : tuple of Point
        Where three or more conductors join.
    crossings : tuple of Point
        Where two wires cross without joining; the horizontal one hops over.
    marks : tuple of Mark
    labels : tuple of Label
    splits : tuple of Split
    caption : tuple of str
        Lines below the picture.
    """

    title: str
    symbols: tuple[Symbol, ...]
    wires: tuple[Wire, ...]
    dots: tuple[Point, ...]
    crossings: tuple[Point, ...]
    marks: tuple[Mark, ...]
    labels: tuple[Label, ...]
    splits: tuple[Split, ...] = ()
    caption: tuple[str, ...] = ()
