"""Measures of a drawing: what overlaps, what crosses, how much wire there is."""

from __future__ import annotations

from dataclasses import dataclass

from synth.drawing.model import Box, Drawing, Symbol
from synth.drawing.wires import segments


@dataclass(frozen=True)
class Measures:
    """Figures of a drawing.

    Parameters
    ----------
    symbol_overlaps : int
        Pairs of symbols or marks whose ink boxes overlap.
    label_overlaps : int
        Labels over another label, a symbol, a mark or a wire, each pair counted.
    wire_over_symbol : int
        Straight pieces of wire that pass through a symbol or a mark.
    crossings : int
        Places where wires cross without joining.
    bends : int
        Corners of the wires.
    wire_length : int
        In grid steps.
    """

    symbol_overlaps: int
    label_overlaps: int
    wire_over_symbol: int
    crossings: int
    bends: int
    wire_length: int


def measure(drawing: Drawing) -> Measures:
    """Measure a drawing from its geometry alone."""
    inks = [ink(s) for s in drawing.symbols] + [m.boxes for m in drawing.marks]
    boxes = [b for some in inks for b in some]
    lines = segments(drawing.wires)
    labels = [k.box for k in drawing.labels]
    overlaps = sum(_meet(a, b) for k, a in enumerate(inks) for b in inks[:k])
    over = sum(a.meets(b) for k, a in enumerate(labels) for b in labels[:k])
    over += sum(a.meets(b) for a in labels for b in boxes)
    over += sum(a.cut_by(*s) for a in labels for s in lines)
    flat = [(a, b) for a, b in lines if a.y == b.y]
    steep = [(a, b) for a, b in lines if a.x == b.x]
    crossings = sum(
        min(a.x, b.x) < c.x < max(a.x, b.x) and min(c.y, d.y) < a.y < max(c.y, d.y)
        for a, b in flat
        for c, d in steep
    )
    return Measures(
        symbol_overlaps=overlaps,
        label_overlaps=over,
        wire_over_symbol=sum(box.cut_by(*s) for box in boxes for s in lines),
        crossings=crossings,
        bends=sum(len(w.points) - 2 for w in drawing.wires),
        wire_length=sum(abs(a.x - b.x) + abs(a.y - b.y) for a, b in lines),
    )


def ink(symbol: Symbol) -> tuple[Box, ...]:
    """Return the boxes of a symbol: its body, and thin ones for the leads of a part."""
    if len(symbol.pins) != 2:
        return (symbol.box,)
    (x1, y1), (x2, y2) = (p.at for p in symbol.pins)
    if y1 == y2:
        return symbol.box, Box(min(x1, x2) + 0.1, y1 - 0.04, max(x1, x2) - 0.1, y1 + 0.04)
    return symbol.box, Box(x1 - 0.04, min(y1, y2) + 0.1, x1 + 0.04, max(y1, y2) - 0.1)


def _meet(one: tuple[Box, ...], other: tuple[Box, ...]) -> bool:
    return any(a.meets(b) for a in one for b in other)
