"""The records as JSON objects: the answers of ``--json``, described by the package's schema.json.

Polynomials are in descending powers of s in rad/s.  A number that is not finite, or that needs a
value some part does not have, is null.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

from synth.analysis.symbolic import Formula
from synth.analysis.zeros import Zero
from synth.network.model import Network
from synth.realisation.certificate import Certificate
from synth.realisation.circuit import Circuit
from synth.realisation.design import Realisation, StageUse
from synth.realisation.saved import VERSION, Json, branch_json, output_json, step_json
from synth.report.asked import NOTHING, Asked
from synth.report.inputs import InputRow
from synth.report.netlist import deck_text
from synth.report.record import Analysis, Numbers, RealisationRecord, Response, TransformRecord
from synth.target.target import Target
from synth.tolerances.yields import Yield
from synth.transfer.kinds import Description
from synth.transfer.section import Section, section_figures
from synth.transfer.transfer import Transfer


def analysis_answer(analysis: Analysis, circuit: Circuit) -> Json:
    """Return the answer of ``analyse``."""
    response = analysis.response
    return {
        **_head("analyse"),
        "circuit": circuit.name,
        "title": analysis.network.title,
        **response_json(response),
        "inputs": [input_json(row) for row in analysis.inputs],
        "ground": input_json(analysis.ground),
        "terminals": terminals_json(analysis),
        "terminals_sum_to_one": analysis.sum_is_one,
        "law_holds": analysis.law_holds,
        "stages": [
            {"name": s.name, "parts": list(s.parts), "feeds": list(s.feeds)}
            for s in analysis.stages
        ],
        **parts_json(analysis.network),
        "findings": list(analysis.findings),
        "notes": list(circuit.notes),
    }


def terminals_json(analysis: Analysis) -> list[Json]:
    """Return every terminal with its transfer; the only input is always called ``input``."""
    several = len(analysis.inputs) > 1
    return [
        {
            "part": row.terminal.part,
            "pin": row.terminal.pin,
            "at": row.terminal.at if several or row.terminal.at == "ground" else "input",
            "held": row.terminal.held,
            "numerator": None if row.numerator is None else list(row.numerator),
            "symbolic": factors_json(row.formula),
        }
        for row in analysis.terminals
    ]


def input_json(row: InputRow) -> Json:
    """Return the transfer from an input, or from ground."""
    return {
        "name": row.name,
        "node": row.node,
        "numerator": None if row.numerator is None else list(row.numerator),
        "symbolic": factors_json(row.formula),
    }


def transform_answer(record: TransformRecord, circuit: Circuit) -> Json:
    """Return the answer of ``transform``."""
    after = record.after.network
    return {
        **_head("transform"),
        "circuit": circuit.name,
        "title": after.title,
        "steps": [step_json(s) for s in record.steps],
        "before": response_json(record.before),
        "after": response_json(record.after),
        "sum": None if record.sum is None else transfer_json(record.sum),
        **parts_json(after),
        "findings": list(record.findings),
        "advice": [a._asdict() for a in record.advice],
        "notes": list(circuit.notes),
        "netlist": None if record.after.numbers is None else deck_text(after),
    }


def realise_answer(
    target: Target, records: Sequence[RealisationRecord], asked: Asked = NOTHING
) -> Json:
    """Return the answer of ``realise``; `asked` is what a mask or a table says."""
    return {
        **_head("realise"),
        "target": target_json(target),
        "mask": asked.mask,
        "response": asked.response,
        "realisations": [_realisation(r) for r in records],
    }


def target_json(target: Target) -> Json:
    """Return a target: what was asked, and its function."""
    return {
        "kind": target.kind,
        "at_hz": target.at_hz,
        "description": target.description,
        "meaning": target.meaning,
        **transfer_json(target.transfer),
    }


# -- pieces ----------------------------------------------------------------------------------------


def _head(command: str) -> Json:
    return {"schema": VERSION, "command": command}


def response_json(response: Response) -> Json:
    """Return H in part names and in numbers, with the modes and the feedback."""
    numbers = response.numbers
    return {"symbolic": factors_json(response.formula), **_numbers(numbers)}


def _numbers(n: Numbers | None) -> Json:
    if n is None:
        keys = ("numerator", "denominator", "sections", "gain", "poles", "zeros", "modes")
        return dict.fromkeys((*keys, "response", "feedback"))
    return {
        **transfer_json(n.transfer),
        "numerator": list(n.numerator),
        "denominator": list(n.denominator),
        "modes": _pairs(n.modes),
        "response": description_json(n.description),
        "feedback": {"negative": n.feedback.negative, "reason": n.feedback.reason},
    }


def transfer_json(h: Transfer) -> Json:
    """Return a transfer function: polynomials, sections, gain, poles and zeros."""
    return {
        "numerator": list(h.numerator),
        "denominator": list(h.denominator),
        "sections": [_section(s) for s in h.sections],
        "gain": h.gain,
        "poles": _pairs(h.poles),
        "zeros": _pairs(h.zeros),
    }


def zeros_json(zeros: Iterable[Zero]) -> list[Json]:
    """Return transmission zeros; the frequency of one at infinity is null."""
    return [
        {
            "frequency": _finite(z.frequency_hz),
            "count": z.count,
            "kind": z.kind,
            "floor_db": z.floor_db,
            "depth_db": z.depth_db,
            "corner": z.corner_hz,
        }
        for z in zeros
    ]


def _section(s: Section) -> Json:
    w0, q = section_figures(s)
    return {
        "numerator": list(s.numerator),
        "denominator": list(s.denominator),
        "f0_hz": w0 / (2 * math.pi),
        "q": None if q is None else _finite(q),
    }


def description_json(d: Description) -> Json:
    """Return kind, slopes and peak."""
    return {
        "kind": d.kind,
        "order": d.order,
        "zeros_at_origin": d.zeros_at_origin,
        "zeros_at_infinity": d.zeros_at_infinity,
        "slope_low_db_per_decade": d.slope_low,
        "slope_high_db_per_decade": d.slope_high,
        "gain_dc": _finite(d.gain_dc),
        "gain_infinity": _finite(d.gain_infinity),
        "peak": _finite(d.peak),
        "peak_hz": _finite(d.peak_hz),
    }


def factors_json(formula: Formula) -> Json:
    """Return the factors of a formula as texts."""
    return {
        "numerator": list(formula.numerator_factors),
        "denominator": list(formula.denominator_factors),
    }


def parts_json(network: Network) -> Json:
    """Return branches, op amps, and where the circuit is read."""
    return {
        "parts": [branch_json(b) for b in network.branches],
        "op_amps": [
            {"name": u.name, "plus": u.plus, "minus": u.minus, "out": u.out}
            for u in network.op_amps
        ],
        "outputs": [output_json(p) for p in network.outputs],
    }


def _realisation(record: RealisationRecord) -> Json:
    r = record.realisation
    h = record.transfer
    return {
        "stages": [_stage_use(s) for s in r.stages],
        "derivation": [step_json(s) for s in r.design.derivation],
        **parts_json(r.network),
        **transfer_json(h),
        "error_db": _finite(r.error_db),
        "stop_error": _finite(r.stop_error),
        "phase_error_degrees": _finite(r.phase_error),
        "meets_target": r.meets,
        "spread": r.spread,
        "balanced_zeros": r.balanced_zeros,
        "mask_excess_db": r.excess_db,
        "delay_excess": r.delay_excess,
        "whole": _whole(r.whole),
        "yield": None if r.yield_ is None else yield_json(r.yield_),
        "tolerances": _tolerances(r),
        **_levels(r),
        "output_noise": _noise(r),
        "notes": list(r.notes),
        "netlist": deck_text(r.network),
    }


def _tolerances(r: Realisation) -> Json | None:
    spread = r.tolerances
    if spread is None:
        return None
    return {
        "resistors": spread.resistors,
        "capacitors": spread.capacitors,
        "distribution": str(spread.distribution),
    }


def _noise(r: Realisation) -> Json | None:
    noise = r.noise
    if noise is None:
        return None
    return {
        "vrms": noise.vrms,
        "band_hz": list(noise.band_hz),
        "temperature_k": noise.temperature_k,
        "source": noise.source,
    }


def _whole(c: Certificate) -> Json:
    return {
        "measure": c.measure,
        "value_db": _finite(c.value_db),
        "bound_db": c.bound_db,
        "floor_db": c.floor_db,
        "proved": c.proved,
        "certificate": str(c),
    }


def yield_json(y: Yield) -> Json:
    """Return a yield with its interval of confidence."""
    return {"value": y.value, "low": y.low, "high": y.high}


def _levels(r: Realisation) -> Json:
    levels = r.levels
    return {
        "best_for": r.aim,
        "levels": [
            {"op_amp": o.op_amp, "peak": o.peak, "at_hz": o.at_hz, "least": o.least}
            for o in levels.outputs
        ],
        "range_lost_db": levels.loss_db,
        "headroom_lost_db": levels.headroom_db,
        "noise_added_db": levels.noise_db,
        "noise_band_hz": list(levels.noise_band_hz),
    }


def _stage_use(use: StageUse) -> Json:
    return {
        "stage": use.stage,
        "title": use.title,
        "source": use.source,
        "steps": [s.name for s in use.steps],
        "parts": dict(use.parts),
        "order": use.order,
        "f0_hz": use.w0 / (2 * math.pi),
        "q": use.q,
        "pole_pairs": [{"f0_hz": w / (2 * math.pi), "q": q} for w, q in use.pairs],
        "error": _finite(use.error),
        "bound": use.bound,
        "proved": use.proved,
        "held": list(use.held),
        "certificate": use.certificate,
        "can_oscillate": use.can_oscillate,
    }


def _pairs(roots: Iterable[complex]) -> list[list[float]]:
    return [[z.real, z.imag] for z in roots]


def _finite(x: float) -> float | None:
    return x if math.isfinite(x) else None
