"""Labels beside their symbols: the first place that meets no symbol, mark, wire or other label."""

from __future__ import annotations

from collections.abc import Sequence

from synth.drawing.model import Box, Label, Point, Symbol
from synth.drawing.scene import Item
from synth.drawing.text import LINE

_GAP = 0.12
Line = tuple[Point, Point]


def options(item: Item, symbol: Symbol) -> list[Label]:
    """Return the places of an item's label, the best first."""
    box, lines, wide = symbol.box, item.lines, item.wide
    high = len(lines) * LINE
    mid_x, mid_y = (box.left + box.right) / 2, (box.bottom + box.top) / 2
    flat = symbol.kind == "op amp" or box.right - box.left > box.top - box.bottom
    found = []
    if flat:
        for side in (1, -1):
            y = (box.top + _GAP + high / 2) if side > 0 else (box.bottom - _GAP - high / 2)
            for shift in (0.0, 0.5, -0.5, 1.0, -1.0, 1.5, -1.5):
                x = mid_x + shift
                area = Box(x - wide / 2, y - high / 2, x + wide / 2, y + high / 2)
                found.append(Label(item.name, lines, x, y, "middle", area))
        return found
    for shift in (0.0, 0.5, -0.5, 1.0, -1.0, 1.5, -1.5):
        y = mid_y + shift
        x = box.right + 2 * _GAP
        area = Box(x, y - high / 2, x + wide, y + high / 2)
        found.append(Label(item.name, lines, x, y, "start", area))
        x = box.left - 2 * _GAP
        area = Box(x - wide, y - high / 2, x, y + high / 2)
        found.append(Label(item.name, lines, x, y, "end", area))
    return sorted(found, key=lambda k: abs(k.y - mid_y))


def place_labels(
    work: Sequence[tuple[Item, Symbol]], fixed: Sequence[Box], wires: Sequence[Line]
) -> tuple[list[Label], list[str]]:
    """Give every symbol its label.

    Parameters
    ----------
    work : sequence of (Item, Symbol)
    fixed : sequence of Box
        Symbols with their leads, and marks.
    wires : sequence of (Point, Point)

    Returns
    -------
    labels : list of Label
    crossed : list of str
        Names of symbols whose label meets a wire, or, where even that cannot be avoided,
        something fixed.
    """
    labels: list[Label] = []
    crossed = []
    trials = {item.name: options(item, symbol) for item, symbol in work if item.lines}
    free = {
        name: [k for k in some if not any(k.box.meets(b) for b in fixed)]
        for name, some in trials.items()
    }
    clean = {
        name: [k for k in some if not any(k.box.cut_by(a, b) for a, b in wires)]
        for name, some in free.items()
    }
    for name in sorted(trials, key=lambda n: len(clean[n])):
        for choice in (clean[name], free[name]):
            good = next((k for k in choice if not any(k.box.meets(o.box) for o in labels)), None)
            if good is not None:
                labels.append(good)
                if choice is not clean[name]:
                    crossed.append(name)
                break
        else:
            labels.append(trials[name][0])
            crossed.append(name)
    return labels, crossed
