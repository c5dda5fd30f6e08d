"""The labels of a figure: at the ends of the lines, or in rows below, each with its sample."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any, NamedTuple

from synth.plots.record import Axis, Band, Curve, Figure, Panel
from synth.plots.style import BARS, LINES, MARKS, Style
from synth.report.layout import printable

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure as Canvas

#: Inches: the least distance of two labels, a sample, a row of the legend, a letter, roughly.
_APART, _SAMPLE = 0.185, 0.30
LEGEND_ROW, LETTER = 0.20, 0.072
#: Longest label of a category, and size of small letters in points.
_LONGEST = 22
SMALL = 8.0


class Entry(NamedTuple):
    """A label with its sample, and the height of its line's end on the axes in 0..1."""

    label: str
    role: str
    kind: str
    height: float


def entries_of(figure: Figure) -> list[Entry]:
    """Every label once, with where its line ends."""
    if figure.bars is not None:
        sets = figure.bars.sets
        return [Entry(s.label, s.role, "bar", 0.0) for s in sets] if len(sets) > 1 else []
    found: dict[str, Entry] = {}
    for panel in figure.panels:
        for item in _items(panel):
            if item.label and item.label not in found:
                found[item.label] = item
    return list(found.values())


def _items(panel: Panel) -> Iterator[Entry]:
    for curve in panel.curves:
        yield Entry(curve.label, curve.role, "line", _height(_last(curve, panel.x), panel.y))
    for band in panel.bands:
        yield Entry(band.label, band.role, "area", _height(_middle(band), panel.y))
    for region in panel.regions:
        middle = (max(region.y_low, panel.y.low) + min(region.y_high, panel.y.high)) / 2
        yield Entry(region.label, region.role, "hatch", _height(middle, panel.y))
    for mark in panel.marks:
        yield Entry(mark.label, mark.role, "mark", 1.0)


def _last(curve: Curve, axis: Axis) -> float:
    inside = [y for x, y in zip(curve.x, curve.y, strict=True) if x <= axis.high * (1 + 1e-9)]
    return next((y for y in reversed(inside) if not math.isnan(y)), 0.0)


def _middle(band: Band) -> float:
    low, high = band.low[-1], band.high[-1]
    return high if not math.isfinite(low) else (low + high) / 2


def _height(value: float, axis: Axis) -> float:
    share = (value - axis.low) / (axis.high - axis.low)
    return 0.0 if math.isnan(share) else min(max(share, 0.0), 1.0)


def column(canvas: Canvas, axes: Axes, style: Style, entries: Sequence[Entry]) -> None:
    """Write the labels right of the panel, in the order of the line ends, each with its sample."""
    from matplotlib.lines import Line2D

    if not entries:
        return
    width, height = style.width, style.height
    box = axes.get_position()
    ordered = sorted(entries, key=lambda e: -e.height)
    wanted = [(box.y0 + e.height * (box.y1 - box.y0)) * height for e in ordered]
    places = apart(wanted, box.y0 * height + 0.06, box.y1 * height - 0.06)
    for entry, place, end in zip(ordered, places, wanted, strict=True):
        start = box.x1 * width + 0.16
        if entry.kind == "line":
            leader = Line2D(
                (box.x1, start / width),
                (end / height, place / height),
                transform=canvas.transFigure,
            )
            leader.set(color=style.colours["quiet"], linewidth=0.5)
            canvas.add_artist(leader)
        _sample(canvas, entry, start, place, style)
        canvas.text(
            (start + _SAMPLE + 0.07) / width,
            place / height,
            short(entry.label, 26),
            color=style.colours["ink"],
            fontsize=SMALL,
            va="center",
        )


def apart(wanted: Sequence[float], low: float, high: float) -> list[float]:
    """Move falling heights apart, within the ends as far as there is room."""
    places = list(wanted)
    for k in range(len(places)):
        top = high if k == 0 else places[k - 1] - _APART
        places[k] = min(places[k], top)
    for k in reversed(range(len(places))):
        bottom = low if k == len(places) - 1 else places[k + 1] + _APART
        places[k] = max(places[k], bottom)
    return places


def _sample(canvas: Canvas, entry: Entry, x: float, y: float, style: Style) -> None:
    """Draw a short piece of the line, area, bar or mark; x and y in inches."""
    from matplotlib.lines import Line2D
    from matplotlib.patches import Rectangle

    width, height = style.width, style.height
    if entry.kind in ("line", "mark"):
        ends = (x, x + _SAMPLE) if entry.kind == "line" else (x + _SAMPLE / 2,)
        line = Line2D(
            [e / width for e in ends], [y / height] * len(ends), transform=canvas.transFigure
        )
        if entry.kind == "line":
            dress(line, entry.role, style)
        else:
            dress_mark(line, entry.role, style)
        canvas.add_artist(line)
        return
    box = Rectangle(
        (x / width, (y - 0.055) / height),
        _SAMPLE / width,
        0.11 / height,
        transform=canvas.transFigure,
        linewidth=0.6,
    )
    if entry.kind == "area":
        box.set(facecolor=style.colours["sky"], alpha=0.35, edgecolor="none")
    elif entry.kind == "hatch":
        box.set(facecolor="none", edgecolor=style.colours["mask"], hatch="////")
    else:
        dress_bar(box, entry.role, style)
    canvas.add_artist(box)


def rows_of(entries: Sequence[Entry], style: Style) -> list[list[Entry]]:
    """Return the entries in rows that fit the width."""
    rows: list[list[Entry]] = [[]]
    used = 0.0
    for entry in entries:
        need = _SAMPLE + 0.3 + LETTER * len(short(entry.label, 34))
        if rows[-1] and used + need > style.width - 0.2:
            rows.append([])
            used = 0.0
        rows[-1].append(entry)
        used += need
    return rows


def legend(canvas: Canvas, style: Style, entries: Sequence[Entry], top: float) -> None:
    """Write the labels in rows, the uppermost `top` inches above the bottom; none for one alone."""
    if len(entries) < 2:
        return
    rows = rows_of(entries, style)
    y = top
    for row in rows:
        x = 0.15
        for entry in row:
            _sample(canvas, entry, x, y, style)
            label = short(entry.label, 34)
            canvas.text(
                (x + _SAMPLE + 0.07) / style.width,
                y / style.height,
                label,
                color=style.colours["ink"],
                fontsize=SMALL,
                va="center",
            )
            x += _SAMPLE + 0.3 + LETTER * len(label)
        y -= LEGEND_ROW


# -- looks ----------------------------------------------------------------------------------------


def dress(line: Any, role: str, style: Style) -> None:
    """Give a line the look of its role."""
    form = LINES[role]
    line.set(color=style.colours[form.colour], linewidth=form.width)
    line.set_solid_capstyle("round")
    if form.dashes:
        line.set_dashes(form.dashes)


def dress_mark(line: Any, role: str, style: Style) -> None:
    """Give a point the look of its role."""
    symbol, colour, size = MARKS[role]
    line.set(marker=symbol, color=style.colours[colour], markersize=size)
    line.set(markerfacecolor="none", markeredgewidth=1.4)


def dress_bar(bar: Any, role: str, style: Style) -> None:
    """Give a bar, or the sample of one, the look of its role."""
    colour, hatch = BARS[role]
    bar.set(facecolor=style.colours[colour], edgecolor=style.colours["paper"], linewidth=0.4)
    if hatch:
        bar.set(hatch=hatch)


def short(text: str, longest: int = _LONGEST) -> str:
    """Return a label without control characters, its middle left out where it is too long."""
    text = printable(text)
    if len(text) <= longest:
        return text
    half = (longest - 1) // 2
    return f"{text[:half]}…{text[-half:]}"
