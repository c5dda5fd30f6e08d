"""Lay a figure out and draw it on a matplotlib figure object, without pyplot and its state."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any, NamedTuple

from synth.plots.record import Axis, Band, Bars, Curve, Figure, Mark, Panel, Region
from synth.plots.scales import Shown, shown, tick_text
from synth.plots.style import BARS, LINES, MARKS, Style
from synth.report.layout import printable

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure as Canvas

#: Margins in inches; the label column; the least distance of two labels.
_LEFT, _RIGHT, _BOTTOM, _TOP = 0.72, 0.20, 0.50, 0.10
_COLUMN, _APART, _SAMPLE = 1.95, 0.185, 0.30
_TITLE, _NOTE, _LEGEND_ROW, _GAP = 0.28, 0.17, 0.20, 0.30
#: Inches of a letter of the labels, roughly, and longest label of a category.
_LETTER, _LONGEST = 0.072, 22
_SMALL = 8.0


class _Entry(NamedTuple):
    """A label with its sample, and the height of its line's end on the axes in 0..1."""

    label: str
    role: str
    kind: str
    height: float


class _Room(NamedTuple):
    """Inches around the panels."""

    left: float
    right: float
    bottom: float
    top: float


def draw(figure: Figure, style: Style) -> Canvas:
    """Return the drawn figure; settings are those in force."""
    from matplotlib.figure import Figure as Canvas

    canvas = Canvas(figsize=(style.width, style.height), facecolor=style.colours["paper"])
    entries = _entries(figure)
    room = _room(figure, style, entries)
    if figure.bars is not None:
        axes = _place(canvas, style, room, [1.0])[0]
        _bars(axes, figure.bars, style)
        _legend(canvas, style, entries, room)
    else:
        every = _place(canvas, style, room, [p.share for p in figure.panels])
        for k, (axes, panel) in enumerate(zip(every, figure.panels, strict=True)):
            _panel(axes, panel, style, last=k == len(every) - 1)
        if style.labels == "right":
            _column(canvas, every[0], style, entries, room)
        else:
            _legend(canvas, style, entries, room)
    if style.title:
        _title(canvas, figure, style)
    return canvas


# -- room ------------------------------------------------------------------------------------------


def _room(figure: Figure, style: Style, entries: Sequence[_Entry]) -> _Room:
    left, right, bottom, top = _LEFT, _RIGHT, _BOTTOM, _TOP
    if style.title:
        top += _TITLE
        bottom += _NOTE * len(_note_lines(figure.note, style)) + (0.06 if figure.note else 0)
    if figure.bars is not None:
        longest = max((len(_short(c)) for c in figure.bars.categories), default=0)
        left = 0.2 + _LETTER * longest
    if entries and style.labels == "right" and figure.bars is None:
        right = _COLUMN
    elif len(entries) > 1:
        bottom += _LEGEND_ROW * len(_rows(entries, style)) + 0.08
    return _Room(left, right, bottom, top)


def _place(canvas: Canvas, style: Style, room: _Room, shares: Sequence[float]) -> list[Axes]:
    width, height = style.width, style.height
    inner = height - room.top - room.bottom - _GAP * (len(shares) - 1)
    found = []
    upper = height - room.top
    for share in shares:
        tall = inner * share / sum(shares)
        box = (
            room.left / width,
            (upper - tall) / height,
            (width - room.left - room.right) / width,
            tall / height,
        )
        found.append(canvas.add_axes(box))
        upper -= tall + _GAP
    return found


def _title(canvas: Canvas, figure: Figure, style: Style) -> None:
    ink, quiet = style.colours["ink"], style.colours["quiet"]
    y = 1 - 0.2 / style.height
    canvas.text(
        0.1 / style.width, y, printable(figure.title), color=ink, fontsize=10.5, va="center"
    )
    lines = _note_lines(figure.note, style)
    for k, line in enumerate(reversed(lines)):
        y = (0.12 + _NOTE * k) / style.height
        canvas.text(0.1 / style.width, y, line, color=quiet, fontsize=_SMALL, va="center")


def _note_lines(note: str, style: Style) -> list[str]:
    import textwrap

    return textwrap.wrap(printable(note), int((style.width - 0.2) / (_LETTER * 0.87)))


# -- panels ----------------------------------------------------------------------------------------


def _panel(axes: Axes, panel: Panel, style: Style, last: bool) -> None:
    x, y = shown(panel.x), shown(panel.y)
    _axes(axes, panel, x, y, style, last)
    for region in panel.regions:
        _region(axes, region, panel, x, y, style)
    for band in panel.bands:
        axes.fill_between(
            x.of(band.x),
            y.of(band.low),
            y.of(band.high),
            color=style.colours["sky"],
            alpha=0.35,
            linewidth=0,
            zorder=1.5,
        )
    for k, curve in enumerate(panel.curves):
        (line,) = axes.plot(x.of(curve.x), y.of(curve.y), zorder=2 + 0.01 * k)
        _dress(line, curve.role, style)
    for mark in panel.marks:
        _mark(axes, mark, x, y, style)


def _axes(axes: Axes, panel: Panel, x: Shown, y: Shown, style: Style, last: bool) -> None:
    from matplotlib.ticker import FuncFormatter, LogLocator, MaxNLocator, NullFormatter

    quiet, grid = style.colours["quiet"], style.colours["grid"]
    axes.set_facecolor("none")
    axes.set(xscale=panel.x.scale, yscale=panel.y.scale)
    for which, axis in ((axes.xaxis, panel.x), (axes.yaxis, panel.y)):
        if axis.scale == "log":
            decades = math.log10(axis.high / axis.low)
            few = (1.0, 2.0, 5.0) if decades < 2.2 else (1.0,)
            which.set_major_locator(LogLocator(subs=few, numticks=40))
            which.set_minor_locator(LogLocator(subs=tuple(range(2, 10)), numticks=200))
            which.set_minor_formatter(NullFormatter())
        else:
            steps = [1, 1.5, 3, 4.5, 9, 10] if axis.unit == "deg" else [1, 2, 5, 10]
            which.set_major_locator(MaxNLocator(6, steps=steps))
        which.set_major_formatter(FuncFormatter(lambda v, _, a=axis: tick_text(v, a)))
    ends = _equal_ends(axes, panel, style) if panel.equal else (panel.x.low, panel.x.high)
    axes.set_xlim(*x.of(ends))
    axes.set_ylim(*y.of((panel.y.low, panel.y.high)))
    axes.set_ylabel(printable(y.label), color=style.colours["ink"])
    axes.set_xlabel(printable(x.label) if last else "", color=style.colours["ink"])
    axes.tick_params(which="both", colors=quiet, labelcolor=style.colours["ink"], width=0.6)
    axes.tick_params(labelbottom=last, labelsize=_SMALL)
    axes.grid(True, which="major", color=grid, linewidth=0.7)
    axes.set_axisbelow(True)
    for spine in axes.spines.values():
        spine.set_color(quiet)
        spine.set_linewidth(0.7)
    if panel.y.low < 0 < panel.y.high and panel.y.scale == "linear":
        axes.axhline(0.0, color=quiet, linewidth=0.7, zorder=1.1)
    if panel.equal:
        axes.axvline(0.0, color=quiet, linewidth=0.7, zorder=1.1)


def _equal_ends(axes: Axes, panel: Panel, style: Style) -> tuple[float, float]:
    """Return the ends of x that give it the scale of y; what is wanted of x stays in the middle."""
    box = axes.get_position()
    shape = (box.width * style.width) / (box.height * style.height)
    half = shape * (panel.y.high - panel.y.low) / 2
    middle = (panel.x.low + panel.x.high) / 2
    return middle - half, middle + half


def _region(axes: Axes, region: Region, panel: Panel, x: Shown, y: Shown, style: Style) -> None:
    low = max(region.y_low, panel.y.low)
    high = min(region.y_high, panel.y.high)
    if low >= high:
        return
    ends = x.of((region.x_low, region.x_high))
    axes.fill_between(
        ends,
        y.of((low, low)),
        y.of((high, high)),
        facecolor="none",
        edgecolor=style.colours["mask"],
        hatch="////",
        linewidth=0.8,
        zorder=1.2,
    )


def _mark(axes: Axes, mark: Mark, x: Shown, y: Shown, style: Style) -> None:
    (px,), (py,) = x.of((mark.x,)), y.of((mark.y,))
    (line,) = axes.plot([px], [py], linestyle="none", zorder=3)
    _dress_mark(line, mark.role, style)
    if mark.text:
        axes.annotate(
            printable(mark.text),
            (px, py),
            xytext=(0, 8),
            textcoords="offset points",
            ha="center",
            fontsize=_SMALL,
            color=style.colours["ink"],
            annotation_clip=False,
        )


def _dress(line: Any, role: str, style: Style) -> None:
    form = LINES[role]
    line.set(color=style.colours[form.colour], linewidth=form.width)
    line.set_solid_capstyle("round")
    if form.dashes:
        line.set_dashes(form.dashes)


def _dress_mark(line: Any, role: str, style: Style) -> None:
    symbol, colour, size = MARKS[role]
    line.set(marker=symbol, color=style.colours[colour], markersize=size)
    line.set(markerfacecolor="none", markeredgewidth=1.4)


# -- labels ----------------------------------------------------------------------------------------


def _entries(figure: Figure) -> list[_Entry]:
    """Every label once, with where its line ends."""
    if figure.bars is not None:
        sets = figure.bars.sets
        return [_Entry(s.label, s.role, "bar", 0.0) for s in sets] if len(sets) > 1 else []
    found: dict[str, _Entry] = {}
    for panel in figure.panels:
        for item in _items(panel):
            if item.label and item.label not in found:
                found[item.label] = item
    return list(found.values())


def _items(panel: Panel) -> Iterator[_Entry]:
    for curve in panel.curves:
        yield _Entry(curve.label, curve.role, "line", _height(_last(curve, panel.x), panel.y))
    for band in panel.bands:
        yield _Entry(band.label, band.role, "area", _height(_middle(band), panel.y))
    for region in panel.regions:
        middle = (max(region.y_low, panel.y.low) + min(region.y_high, panel.y.high)) / 2
        yield _Entry(region.label, region.role, "hatch", _height(middle, panel.y))
    for mark in panel.marks:
        yield _Entry(mark.label, mark.role, "mark", 1.0)


def _last(curve: Curve, axis: Axis) -> float:
    inside = [y for x, y in zip(curve.x, curve.y, strict=True) if x <= axis.high * (1 + 1e-9)]
    return next((y for y in reversed(inside) if not math.isnan(y)), 0.0)


def _middle(band: Band) -> float:
    low, high = band.low[-1], band.high[-1]
    return high if not math.isfinite(low) else (low + high) / 2


def _height(value: float, axis: Axis) -> float:
    share = (value - axis.low) / (axis.high - axis.low)
    return 0.0 if math.isnan(share) else min(max(share, 0.0), 1.0)


def _column(
    canvas: Canvas, axes: Axes, style: Style, entries: Sequence[_Entry], room: _Room
) -> None:
    """Write the labels right of the panel, in the order of the line ends, each with its sample."""
    from matplotlib.lines import Line2D

    if not entries:
        return
    width, height = style.width, style.height
    box = axes.get_position()
    ordered = sorted(entries, key=lambda e: -e.height)
    wanted = [(box.y0 + e.height * (box.y1 - box.y0)) * height for e in ordered]
    places = _apart(wanted, box.y0 * height + 0.06, box.y1 * height - 0.06)
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
            _short(entry.label, 26),
            color=style.colours["ink"],
            fontsize=_SMALL,
            va="center",
        )


def _apart(wanted: Sequence[float], low: float, high: float) -> list[float]:
    """Move falling heights apart, within the ends as far as there is room."""
    places = list(wanted)
    for k in range(len(places)):
        top = high if k == 0 else places[k - 1] - _APART
        places[k] = min(places[k], top)
    for k in reversed(range(len(places))):
        bottom = low if k == len(places) - 1 else places[k + 1] + _APART
        places[k] = max(places[k], bottom)
    return places


def _sample(canvas: Canvas, entry: _Entry, x: float, y: float, style: Style) -> None:
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
            _dress(line, entry.role, style)
        else:
            _dress_mark(line, entry.role, style)
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
        _dress_bar(box, entry.role, style)
    canvas.add_artist(box)


def _rows(entries: Sequence[_Entry], style: Style) -> list[list[_Entry]]:
    """Return the entries in rows that fit the width."""
    rows: list[list[_Entry]] = [[]]
    used = 0.0
    for entry in entries:
        need = _SAMPLE + 0.3 + _LETTER * len(_short(entry.label, 34))
        if rows[-1] and used + need > style.width - 0.2:
            rows.append([])
            used = 0.0
        rows[-1].append(entry)
        used += need
    return rows


def _legend(canvas: Canvas, style: Style, entries: Sequence[_Entry], room: _Room) -> None:
    if len(entries) < 2:
        return
    rows = _rows(entries, style)
    y = room.bottom - _BOTTOM - 0.08
    for row in rows:
        x = 0.15
        for entry in row:
            _sample(canvas, entry, x, y, style)
            label = _short(entry.label, 34)
            canvas.text(
                (x + _SAMPLE + 0.07) / style.width,
                y / style.height,
                label,
                color=style.colours["ink"],
                fontsize=_SMALL,
                va="center",
            )
            x += _SAMPLE + 0.3 + _LETTER * len(label)
        y -= _LEGEND_ROW


# -- bars ------------------------------------------------------------------------------------------


def _bars(axes: Axes, bars: Bars, style: Style) -> None:
    from matplotlib.ticker import FuncFormatter, MaxNLocator

    count = len(bars.sets)
    tall = 0.8 / count
    for k, one in enumerate(bars.sets):
        for place, value in enumerate(one.values):
            if not math.isfinite(value):
                continue
            y = place - 0.4 + tall * (k + 0.5)
            (bar,) = axes.barh(y, value, height=tall * 0.86, zorder=2)
            _dress_bar(bar, one.role, style)
            if not value:
                continue
            axes.annotate(
                f"{value:.3g}".replace("-", "−"),
                (value, y),
                xytext=(3 if value >= 0 else -3, 0),
                textcoords="offset points",
                ha="left" if value >= 0 else "right",
                va="center",
                fontsize=6.5 if count > 1 else 7.5,
                color=style.colours["ink"],
            )
    axes.set_yticks(range(len(bars.categories)), [_short(c) for c in bars.categories])
    axes.set_ylim(len(bars.categories) - 0.5, -0.5)
    axes.set_xlim(bars.x.low, bars.x.high)
    axes.xaxis.set_major_locator(MaxNLocator(6))
    axes.xaxis.set_major_formatter(FuncFormatter(lambda v, _: tick_text(v, bars.x)))
    unit = f" in {bars.x.unit}" if bars.x.unit else ""
    axes.set_xlabel(f"{bars.x.quantity}{unit}", color=style.colours["ink"])
    axes.tick_params(colors=style.colours["quiet"], labelcolor=style.colours["ink"], width=0.6)
    axes.tick_params(axis="x", labelsize=_SMALL)
    axes.tick_params(axis="y", labelsize=_SMALL, length=0)
    axes.set_facecolor("none")
    axes.grid(True, axis="x", color=style.colours["grid"], linewidth=0.7)
    axes.set_axisbelow(True)
    axes.axvline(0.0, color=style.colours["quiet"], linewidth=0.8, zorder=2.5)
    for side, spine in axes.spines.items():
        spine.set_visible(side == "bottom")
        spine.set_color(style.colours["quiet"])


def _dress_bar(bar: Any, role: str, style: Style) -> None:
    colour, hatch = BARS[role]
    bar.set(facecolor=style.colours[colour], edgecolor=style.colours["paper"], linewidth=0.4)
    if hatch:
        bar.set(hatch=hatch)


def _short(text: str, longest: int = _LONGEST) -> str:
    text = printable(text)
    if len(text) <= longest:
        return text
    half = (longest - 1) // 2
    return f"{text[:half]}…{text[-half:]}"
