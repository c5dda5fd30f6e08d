"""A page as JSON: every number it shows; one that is not finite is null."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import fields, is_dataclass
from typing import Any

from synth.pages.record import CircuitPage, Page
from synth.plots.answer import figure_json
from synth.realisation.saved import VERSION, Json
from synth.report.check import finding_json
from synth.report.explanation_text import plain_text
from synth.report.parts_list import groups_json


def page_answer(page: Page) -> Json:
    """Return the answer of ``report``."""
    return {
        "schema": VERSION,
        "command": "report",
        "title": page.title,
        "circuits": [_circuit(c) for c in page.circuits],
        "comparison": None if page.comparison is None else figure_json(page.comparison),
        "cautions": list(page.cautions),
        "made_by": page.command,
        "version": page.version,
    }


def _circuit(c: CircuitPage) -> Json:
    return {
        "label": c.label,
        "circuit": c.name,
        "title": c.title,
        "warning": c.warning,
        "asked": list(c.asked),
        "formula": c.formula.plain,
        "numbers": c.numbers.plain,
        "keys": _rows(c.keys),
        "parts": _rows(c.parts),
        "buy": groups_json(c.buy),
        "values_note": c.values_note,
        "figures": [figure_json(f) for f in c.figures],
        "no_figures": list(c.no_figures),
        "op_amp": c.op_amp,
        "findings": [finding_json(f) for f in c.findings],
        "op_amps": _rows(c.op_amps),
        "roots": _rows(c.roots),
        "zeros": _rows(c.zeros),
        "noise": _rows(c.noise),
        "noise_note": c.noise_note,
        "sensitivities": _rows(c.sensitivities),
        "steps": _rows(c.steps),
        "derivation": plain_text(c.derivation),
        "netlists": _rows(c.netlists),
        "notes": list(c.notes),
    }


def _rows(records: Iterable[Any]) -> list[Json]:
    """Return flat records by the names of their fields."""
    return [{f.name: _plain(getattr(r, f.name)) for f in fields(r)} for r in records]


def _plain(value: Any) -> Any:
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, tuple):
        return [_plain(v) for v in value]
    if is_dataclass(value):
        raise TypeError(f"{type(value).__name__} is no flat value")
    return value
