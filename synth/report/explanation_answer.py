"""The explanation as a JSON object: the answer of ``explain``."""

from __future__ import annotations

import math
from collections.abc import Sequence

from synth.analysis.symbolic import polynomial_text
from synth.realisation.saved import VERSION, Json, step_json
from synth.report.answer import (
    factors_json,
    input_json,
    parts_json,
    response_json,
    terminals_json,
    transfer_json,
)
from synth.report.explanation import (
    Coefficient,
    ExplainedStep,
    Explanation,
    HeldCase,
    PartChange,
    PartState,
    RealCase,
    UnstableCase,
)


def explain_answer(record: Explanation, circuit: str, notes: Sequence[str]) -> Json:
    """Return the answer of ``explain``."""
    analysis = record.analysis
    spot = record.spot
    return {
        "schema": VERSION,
        "command": "explain",
        "circuit": circuit,
        "title": record.network.title,
        **response_json(analysis.response),
        "inputs": [input_json(row) for row in analysis.inputs],
        "ground": input_json(analysis.ground),
        "terminals": terminals_json(analysis),
        "terminals_sum_to_one": analysis.sum_is_one,
        "law_holds": analysis.law_holds,
        **parts_json(record.network),
        "coefficients": [_coefficient(c) for c in record.coefficients],
        "spot": None
        if spot is None
        else {
            "frequency_hz": spot.frequency_hz,
            "terminals": [
                {"part": t.part, "pin": t.pin, "value": _pair(v)} for t, v in spot.values
            ],
        },
        "hidden": None
        if record.hidden is None
        else {
            "symbolic": factors_json(record.hidden.formula),
            "gains": dict(record.hidden.gains),
            "vanishes": record.hidden.vanishes,
        },
        "steps": [_step(s) for s in record.steps],
        "amplifier": {
            "gain_bandwidth_hz": record.model.gain_bandwidth / (2 * math.pi),
            "dc_gain": record.model.dc_gain if math.isfinite(record.model.dc_gain) else None,
        },
        "real": [_real(c) for c in record.real],
        "held": None if record.held is None else _held(record.held, record.network.complement_sum),
        "unstable": [_unstable(c) for c in record.unstable],
        "notes": list(notes),
    }


def _pair(z: complex) -> list[float]:
    return [z.real, z.imag]


def _coefficient(c: Coefficient) -> Json:
    return {
        "power": c.power,
        "denominator": polynomial_text(c.denominator) if c.denominator else "0",
        "terminals": [
            {"part": t.part, "pin": t.pin, "symbolic": polynomial_text(row)} for t, row in c.terms
        ],
    }


def _step(explained: ExplainedStep) -> Json:
    return {
        "step": step_json(explained.step),
        "changes": [_change(c) for c in explained.changes],
        "before": response_json(explained.before),
        "after": response_json(explained.after),
        "sum": None if explained.sum is None else transfer_json(explained.sum),
    }


def _change(change: PartChange) -> Json:
    return {"old": _state(change.old), "new": _state(change.new)}


def _state(state: PartState | None) -> Json | None:
    if state is None:
        return None
    return {
        "name": state.name,
        "kind": state.kind,
        "nodes": list(state.nodes),
        "value": state.value,
    }


def _real(case: RealCase) -> Json:
    tenth = case.limits.tenth_db
    return {
        "circuit": case.what,
        "one_per_cent_hz": _finite(case.limits.one_per_cent),
        "tenth_db_hz": None if tenth is None else _finite(tenth),
        "rows": [
            {
                "frequency_hz": r.frequency_hz,
                "hidden": _pair(r.hidden),
                "sum": _pair(case.network.complement_sum - r.hidden),
                "loop_gain": None if r.loop_gain is None else _pair(r.loop_gain),
            }
            for r in case.rows
        ],
    }


def _held(case: HeldCase, both: int) -> Json:
    return {
        "actual": case.actual,
        "terminals": [{"part": t.part, "pin": t.pin} for t in case.terminals],
        "share": factors_json(case.share),
        "frequency_hz": case.frequency_hz,
        "sum": None if case.spot is None else _pair(both - case.spot),
    }


def _unstable(case: UnstableCase) -> Json:
    return {
        "circuit": case.what,
        "exchanged": case.exchanged or None,
        "symbolic": factors_json(case.formula),
        "terminals_sum_to_one": case.sum_is_one,
        "reason": case.reason,
        "mode": None if case.mode is None else _pair(case.mode),
        "with_ideal_op_amps": case.ideal,
    }


def _finite(x: float) -> float | None:
    return x if math.isfinite(x) else None
