"""A figure as JSON: every number that is drawn; one that is not finite is null."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

from synth.plots.record import Axis, Bars, Figure, Panel
from synth.realisation.saved import VERSION, Json


def plot_answer(circuit: str, title: str, figure: Figure, notes: Sequence[str] = ()) -> Json:
    """Return the answer of ``plot``."""
    return {
        "schema": VERSION,
        "command": "plot",
        "circuit": circuit,
        "title": title,
        "figure": figure_json(figure),
        "notes": list(notes),
    }


def figure_json(figure: Figure) -> Json:
    """Return a figure."""
    return {
        "name": figure.name,
        "title": figure.title,
        "note": figure.note,
        "panels": [_panel(p) for p in figure.panels],
        "bars": None if figure.bars is None else _bars(figure.bars),
    }


def _panel(panel: Panel) -> Json:
    return {
        "x": _axis(panel.x),
        "y": _axis(panel.y),
        "curves": [
            {"label": c.label, "role": c.role, "x": _row(c.x), "y": _row(c.y)} for c in panel.curves
        ],
        "bands": [
            {
                "label": b.label,
                "role": b.role,
                "x": _row(b.x),
                "low": _row(b.low),
                "high": _row(b.high),
            }
            for b in panel.bands
        ],
        "regions": [
            {
                "label": r.label,
                "x": _row((r.x_low, r.x_high)),
                "y": _row((r.y_low, r.y_high)),
            }
            for r in panel.regions
        ],
        "marks": [
            {"label": m.label, "role": m.role, "x": m.x, "y": m.y, "text": m.text}
            for m in panel.marks
        ],
    }


def _bars(bars: Bars) -> Json:
    return {
        "x": _axis(bars.x),
        "categories": list(bars.categories),
        "sets": [{"label": s.label, "role": s.role, "values": _row(s.values)} for s in bars.sets],
    }


def _axis(axis: Axis) -> Json:
    return {
        "quantity": axis.quantity,
        "unit": axis.unit,
        "scale": axis.scale,
        "low": axis.low,
        "high": axis.high,
    }


def _row(values: Iterable[float]) -> list[float | None]:
    return [v if math.isfinite(v) else None for v in values]
