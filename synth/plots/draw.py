"""Lay a figure out and draw it on a matplotlib figure object, without pyplot and its state."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, NamedTuple

from synth.plots.labels import (
    LEGEND_ROW,
    LETTER,
    SMALL,
    Entry,
    apart,
    column,
    dress,
    dress_bar,
    dress_mark,
    entries_of,
    legend,
    rows_of,
    short,
)
from synth.plots.record import Bars, Figure, Mark, Panel, Region
from synth.plots.scales import Shown, shown, tick_text
from synth.plots.style import Style
from synth.report.layout import printable

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure as Canvas

#: Inches: margins; the column of labels, the title, a line of the note, between two panels.
_LEFT, _RIGHT, _BOTTOM, _TOP = 0.72, 0.20, 0.50, 0.10
_COLUMN, _TITLE, _NOTE, _GAP = 1.95, 0.28, 0.17, 0.30


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
    entries = entries_of(figure)
    room = _room(figure, style, entries)
    if figure.bars is not None:
        axes = _place(canvas, style, room, [1.0])[0]
        _bars(axes, figure.bars, style)
        legend(canvas, style, entries, room.bottom - _BOTTOM - 0.08)
    else:
        every = _place(canvas, style, room, [p.share for p in figure.panels])
        for k, (axes, panel) in enumerate(zip(every, figure.panels, strict=True)):
            _panel(axes, panel, style, last=k == len(every) - 1)
        if style.labels == "right":
            column(canvas, every[0], style, entries)
        else:
            legend(canvas, style, entries, room.bottom - _BOTTOM - 0.08)
    if style.title:
        _title(canvas, figure, style)
    return canvas


# -- room ------------------------------------------------------------------------------------------


def _room(figure: Figure, style: Style, entries: Sequence[Entry]) -> _Room:
    left, right, bottom, top = _LEFT, _RIGHT, _BOTTOM, _TOP
    if style.title:
        top += _TITLE
        bottom += _NOTE * len(_note_lines(figure.note, style)) + (0.06 if figure.note else 0)
    if figure.bars is not None:
        longest = max((len(short(c)) for c in figure.bars.categories), default=0)
        left = 0.2 + LETTER * longest
    if entries and style.labels == "right" and figure.bars is None:
        right = _COLUMN
    elif len(entries) > 1:
        bottom += LEGEND_ROW * len(rows_of(entries, style)) + 0.08
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
        canvas.text(0.1 / style.width, y, line, color=quiet, fontsize=SMALL, va="center")


def _note_lines(note: str, style: Style) -> list[str]:
    import textwrap

    return textwrap.wrap(printable(note), int((style.width - 0.2) / (LETTER * 0.87)))


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
        dress(line, curve.role, style)
    for mark in panel.marks:
        _mark(axes, mark, x, y, style)
    _mark_texts(axes, [m for m in panel.marks if m.text], x, y, style)


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
    axes.tick_params(labelbottom=last, labelsize=SMALL)
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
    ends = x.of((max(region.x_low, panel.x.low), min(region.x_high, panel.x.high)))
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
    dress_mark(line, mark.role, style)


def _mark_texts(axes: Axes, marks: Sequence[Mark], x: Shown, y: Shown, style: Style) -> None:
    """Write the texts beside their marks, moved apart, on the side where there is room."""
    if not marks:
        return
    box = axes.get_position()
    low, high = axes.get_ylim()
    left, right = axes.get_xlim()
    tall, wide = box.height * style.height, box.width * style.width
    ordered = sorted(marks, key=lambda m: (-m.y, m.x))
    wanted = [(m.y / y.divisor - low) / (high - low) * tall for m in ordered]
    for mark, at, place in zip(ordered, wanted, apart(wanted, 0.08, tall - 0.08), strict=True):
        px, py = mark.x / x.divisor, mark.y / y.divisor
        before = (px - left) / (right - left) * wide
        side = -1 if before > LETTER * len(mark.text) + 0.1 else 1
        axes.annotate(
            printable(mark.text),
            (px, py),
            xytext=(8 * side, 72 * (place - at)),
            textcoords="offset points",
            ha="right" if side < 0 else "left",
            va="center",
            fontsize=SMALL,
            color=style.colours["ink"],
            annotation_clip=False,
        )


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
            dress_bar(bar, one.role, style)
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
    axes.set_yticks(range(len(bars.categories)), [short(c) for c in bars.categories])
    axes.set_ylim(len(bars.categories) - 0.5, -0.5)
    axes.set_xlim(bars.x.low, bars.x.high)
    axes.xaxis.set_major_locator(MaxNLocator(6))
    axes.xaxis.set_major_formatter(FuncFormatter(lambda v, _: tick_text(v, bars.x)))
    unit = f" in {bars.x.unit}" if bars.x.unit else ""
    axes.set_xlabel(f"{bars.x.quantity}{unit}", color=style.colours["ink"])
    axes.tick_params(colors=style.colours["quiet"], labelcolor=style.colours["ink"], width=0.6)
    axes.tick_params(axis="x", labelsize=SMALL)
    axes.tick_params(axis="y", labelsize=SMALL, length=0)
    axes.set_facecolor("none")
    axes.grid(True, axis="x", color=style.colours["grid"], linewidth=0.7)
    axes.set_axisbelow(True)
    axes.axvline(0.0, color=style.colours["quiet"], linewidth=0.8, zorder=2.5)
    for side, spine in axes.spines.items():
        spine.set_visible(side == "bottom")
        spine.set_color(style.colours["quiet"])
