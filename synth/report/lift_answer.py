"""The JSON answer of ``synth lift``."""

from __future__ import annotations

from collections.abc import Sequence

from synth.realisation.saved import VERSION, Json, branch_json, step_json
from synth.report.answer import zeros_json
from synth.report.lift import LiftOption, LiftRecord
from synth.report.netlist import deck_text
from synth.search.lift import Lift
from synth.search.reach import Nearest

_OPTION_KEYS = (
    "plan",
    "gain",
    "gain_at",
    "cancelled",
    "numerator",
    "zeros",
    "added_parts",
    "step",
)


def lift_answer(record: LiftRecord, circuit: str, notes: Sequence[str]) -> Json:
    """Return the answer of ``lift``."""
    first = record.options[0] if record.options else None
    empty: Json = dict.fromkeys(_OPTION_KEYS)
    return {
        "schema": VERSION,
        "command": "lift",
        "circuit": circuit,
        "goal": record.goal.name,
        "tolerance": record.tolerance,
        "numerator_before": list(record.before),
        "denominator": list(record.denominator),
        **(empty if first is None else _option_json(record, first)),
        "alternatives": [_option_json(record, o) for o in record.options[1:]],
        "parts": [] if first is None else [branch_json(b) for b in first.network.branches],
        "netlist": None if first is None else deck_text(first.network),
        "reach": {
            "rank": record.reach.rank,
            "signs": list(record.reach.signs),
            "terminals": [
                {"part": t.part, "pin": t.pin, "numerator": list(row)}
                for t, row in record.reach.rows
            ],
        },
        "nearest": _nearest_json(record.nearest),
        "feedback": {"negative": record.feedback.negative, "reason": record.feedback.reason},
        "notes": list(notes),
    }


def _option_json(record: LiftRecord, option: LiftOption) -> Json:
    return {
        "plan": [_lift_json(x) for x in option.plan.lifts],
        "gain": option.plan.gain,
        "gain_at": [{"place": place, "gain": level} for place, level in option.levels],
        "cancelled": [[z.real, z.imag] for f in record.goal.cancelled for z in f.roots],
        "numerator": list(option.numerator),
        "zeros": zeros_json(option.zeros),
        "added_parts": option.added,
        "step": step_json(option.step),
    }


def _lift_json(x: Lift) -> Json:
    return {
        "part": x.terminal.part,
        "pin": x.terminal.pin,
        "fraction": x.fraction,
        "split": x.split,
    }


def _nearest_json(found: Nearest | None) -> Json | None:
    if found is None:
        return None
    return {
        "plan": [_lift_json(x) for x in found.lifts],
        "gain": found.gain,
        "deviation": found.deviation,
    }
