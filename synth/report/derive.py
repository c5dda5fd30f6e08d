"""The routes from a circuit at hand to a wanted kind: text and JSON."""

from __future__ import annotations

import math
from collections.abc import Sequence

from synth.realisation.derive import Route
from synth.realisation.rework import Rework
from synth.realisation.saved import VERSION, Json, branch_json, step_json
from synth.report.answer import transfer_json, zeros_json
from synth.report.layout import wrapped
from synth.report.netlist import deck_text
from synth.report.text import CAUTION, part_lines, zero_text


def derive_text(kind: str, routes: Sequence[Route], tolerance: float, picked: int = 1) -> str:
    """Return the routes side by side, and the parts of the picked one."""
    lines = wrapped(
        f"routes to the kind {kind}, least rework first (a part or pin moved or taken out counts "
        "1, one added or changed 2)"
    )
    if any(r.exact for r in routes) and not all(r.exact for r in routes):
        lines += wrapped("circuits with fewer of the zeros that were asked for come last")
    for number, route in enumerate(routes, start=1):
        lines += ["", *_route_lines(number, route, tolerance)]
    chosen = routes[picked - 1].network
    lines += ["", f"parts of route {picked}", *part_lines(chosen), *wrapped(CAUTION)]
    return "\n".join(lines) + "\n"


def _route_lines(number: int, route: Route, tolerance: float) -> list[str]:
    lines = wrapped(f"{number}. {route.name}", hanging="   ")
    d = route.description
    if not route.exact:
        lines += wrapped(
            "only of the kind: it has fewer of the zeros, so it falls less steeply", "   "
        )
    lines += wrapped(
        f"{d.kind} of order {d.order}, largest gain {d.peak:.5g}; poles {route.poles}",
        "   ",
        "     ",
    )
    for zero in route.zeros:
        lines += wrapped(zero_text(zero, tolerance), "   ", "     ")
    lines += wrapped(_rework_text(route.rework), "   ", "     ")
    for step in route.steps:
        told = f"; {step.notes[0]}" if step.notes and step.name != "stage" else ""
        if step.name in ("swap", "lift", "rc-cr", "loop-complement"):
            lines += wrapped(f"{step}{told}", "     ", "       ")
    return lines


def _rework_text(r: Rework) -> str:
    pieces = [
        f"{what} {', '.join(names)}"
        for what, names in (
            ("move", r.moved),
            ("rewire", r.rewired),
            ("change", r.changed),
            ("add", r.added),
            ("take out", r.removed),
        )
        if names
    ]
    total = f"{r.parts} parts and {r.op_amps} op amp{'' if r.op_amps == 1 else 's'} in all"
    return f"rework {r.total}: {'; '.join(pieces) or 'nothing'}; {total}"


def derive_answer(
    circuit: str, kind: str, tolerance: float, routes: Sequence[Route], notes: Sequence[str]
) -> Json:
    """Return the answer of ``derive``."""
    return {
        "schema": VERSION,
        "command": "derive",
        "circuit": circuit,
        "goal": kind,
        "tolerance": tolerance,
        "routes": [_route_json(r) for r in routes],
        "notes": list(notes),
    }


def _route_json(route: Route) -> Json:
    d = route.description
    return {
        "name": route.name,
        "kind": d.kind,
        "exact": route.exact,
        "order": d.order,
        "largest_gain": d.peak if math.isfinite(d.peak) else None,
        "poles_are": route.poles,
        "zeros": zeros_json(route.zeros),
        **{k: v for k, v in transfer_json(route.response).items() if k != "zeros"},
        "rework": {
            "total": route.rework.total,
            "moved": list(route.rework.moved),
            "changed": list(route.rework.changed),
            "added": list(route.rework.added),
            "removed": list(route.rework.removed),
            "rewired": list(route.rework.rewired),
            "parts": route.rework.parts,
            "op_amps": route.rework.op_amps,
        },
        "steps": [step_json(s) for s in route.steps],
        "parts": [branch_json(b) for b in route.network.branches],
        "netlist": deck_text(route.network),
    }
