"""The figures of a page: SVG in colours that follow the page, and their data for the read-out."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from synth.plots.record import Axis, Curve, Figure, Panel
from synth.plots.render import Picture, picture
from synth.plots.scales import shown
from synth.plots.style import PAPER, Style

#: Each colour of paper under a number of its own, so that it can be found again in the SVG.
_MARKED: Mapping[str, str] = {name: f"#0a0b{k:02x}" for k, name in enumerate(PAPER)}
_NAMES = {colour: name for name, colour in _MARKED.items()}
_COLOUR = re.compile("|".join(_NAMES))
_SIZE = re.compile(r'<svg ([^>]*?)width="[\d.]+pt" height="[\d.]+pt"')
#: Width and height in inches, and where the labels go: wide screens and paper, half, phones.
WIDE = Style(9.4, 5.6, "right", _MARKED, title=False)
HALF = Style(4.5, 3.2, "below", _MARKED, title=False)
NARROW = Style(4.1, 4.8, "below", _MARKED, title=False)
_DIGITS = 5
#: Inches of a figure of bars: around them, one bar, one group of bars.
_BARS, _BAR, _GROUP = 0.9, 0.24, 0.42


@dataclass(frozen=True)
class Plot:
    """One rendering of a figure on a page: an identifier, its SVG, and the shares of its panels."""

    identifier: str
    svg: str
    boxes: tuple[tuple[float, float, float, float], ...]


def plot(figure: Figure, identifier: str, style: Style) -> Plot:
    """Return a figure as SVG whose colours are variables of the page."""
    height = style.height
    if figure.bars is not None:
        count = len(figure.bars.categories)
        height = _BARS + count * (_GROUP if len(figure.bars.sets) > 1 else _BAR)
    named = replace(style, height=height, prefix=f"{identifier}-")
    drawn: Picture = picture(figure, named)
    text = _COLOUR.sub(lambda found: f"var(--p-{_NAMES[found[0]]})", drawn.svg)
    text = _SIZE.sub(r"<svg \1", text)
    text = text.replace("<svg ", '<svg role="img" aria-hidden="true" ', 1)
    boxes = tuple((b.left, b.top, b.right, b.bottom) for b in drawn.boxes)
    return Plot(identifier, text, boxes)


def colours() -> Mapping[str, str]:
    """Return every colour of a figure on paper, by its name."""
    return PAPER


def plot_data(figure: Figure) -> dict[str, Any]:
    """Return the curves of a figure for the read-out, rounded, as they stand along the axes."""
    return {"panels": [_panel(p) for p in figure.panels]}


def _panel(panel: Panel) -> dict[str, Any]:
    x, y = shown(panel.x), shown(panel.y)
    rows: list[list[float | None]] = []
    curves = []
    for curve in _read(panel):
        along = [_number(v) for v in x.of(curve.x)]
        if along not in rows:
            rows.append(along)
        values = [_number(v) for v in y.of(curve.y)]
        curves.append({"label": curve.label, "x": rows.index(along), "y": values})
    return {
        "x": _axis(panel.x),
        "y": _axis(panel.y),
        "rows": rows,
        "curves": curves,
    }


def _read(panel: Panel) -> list[Curve]:
    """Return the curves that are read out; bands, and bounds of one name, as low and high."""
    found = []
    for curve in panel.curves:
        alike = [c for c in panel.curves if c.label == curve.label]
        side = "" if len(alike) == 1 else (", low" if curve is alike[0] else ", high")
        found.append(replace(curve, label=f"{curve.label}{side}"))
    for band in panel.bands:
        found.append(Curve(f"{band.label}, low", band.role, band.x, band.low))
        found.append(Curve(f"{band.label}, high", band.role, band.x, band.high))
    return found


def _axis(axis: Axis) -> dict[str, Any]:
    form = shown(axis)
    low, high = form.of((axis.low, axis.high))
    unit = form.label.rpartition(" in ")[2] if " in " in form.label else ""
    return {"scale": axis.scale, "low": low, "high": high, "unit": unit}


def _number(value: float) -> float | None:
    if not math.isfinite(value):
        return None
    return float(f"{value:.{_DIGITS}g}")


def script_json(data: Any) -> str:
    r"""Return data as JSON that can stand inside a script element of a page.

    No character that could end the element or start a comment is left as it is.

    Examples
    --------
    >>> print(script_json("</script>"))
    "\u003c/script\u003e"
    """
    text = json.dumps(data, ensure_ascii=True, allow_nan=False, separators=(",", ":"))
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")
