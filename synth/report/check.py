"""A checked circuit as a record and as JSON: findings, and every figure under a fixed name.

Names end in their unit; those without are ratios.  A figure that does not exist for the circuit,
or is not finite, is null.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from synth.analysis.roots import RootShift
from synth.analysis.sensitivity import response_sensitivities
from synth.checking.checked import Checked
from synth.checking.facts import Facts
from synth.checking.findings import Finding
from synth.checking.model import OpAmpModel
from synth.checking.model_fields import FIELD_UNITS
from synth.checking.predistortion import Predistortion
from synth.checking.single_supply import SingleSupply
from synth.checking.small_rules import snr_db
from synth.checking.swing import CAUSES, AmplifierLevel, Levels, Peak
from synth.errors import NetworkError
from synth.network.model import Network
from synth.realisation.saved import VERSION, Json
from synth.report.answer import zeros_json
from synth.report.netlist import deck_text

#: Points a decade of the curves in an answer.
_CURVE = 10


@dataclass(frozen=True)
class CheckRecord:
    """A circuit checked; ``str`` gives the report.

    Parameters
    ----------
    circuit : str
        What the command line called it.
    checked : Checked
    notes : tuple of str
        From reading the circuit.
    predistort : bool
        Whether the report shows the pre-distorted values.
    """

    circuit: str
    checked: Checked
    notes: tuple[str, ...] = ()
    predistort: bool = False

    @property
    def findings(self) -> tuple[Finding, ...]:
        """The findings, severe ones first."""
        return self.checked.findings

    @property
    def figures(self) -> Json:
        """Every figure, as in the JSON answer."""
        return figures_json(self.checked.facts)

    def __str__(self) -> str:
        from synth.report.check_text import check_text

        return check_text(self)


def check_answer(record: CheckRecord) -> Json:
    """Return the answer of ``check``."""
    facts = record.checked.facts
    return {
        "schema": VERSION,
        "command": "check",
        "circuit": record.circuit,
        "title": facts.network.title,
        "op_amp": model_json(facts.model),
        "conditions": {
            "source_resistance_ohm": facts.conditions.source_resistance,
            "load_ohm": facts.conditions.load,
            "level_v": facts.conditions.level,
            "tolerance": facts.conditions.tolerance,
        },
        "findings": [finding_json(f) for f in record.findings],
        "figures": record.figures,
        "predistortion": predistortion_json(facts.small.predistortion),
        "notes": list(record.notes),
    }


def finding_json(f: Finding) -> Json:
    """Return a finding."""
    return {
        "severity": f.severity,
        "code": f.code,
        "part": f.part,
        "message": f.message,
        "remedy": f.remedy,
    }


def model_json(model: OpAmpModel) -> Json:
    """Return the op amp's figures: V, A, Hz, ohm, V/s and densities per root hertz."""
    return {"name": model.name, **{name: _finite(getattr(model, name)) for name in FIELD_UNITS}}


def figures_json(facts: Facts) -> Json:
    """Return every figure of a circuit."""
    small, levels = facts.small, facts.levels
    point = small.operating_point
    return {
        "stable": small.stable,
        "phase_margin_deg": _least(m.phase_margin_deg for m in small.margins),
        "gain_margin_db": _least(m.gain_margin_db for m in small.margins),
        "offset_v": None if point is None else _finite(point.output_worst_v),
        "offset_rms_v": None if point is None else _finite(point.output_rms_v),
        "f0_shift": _finite(small.f0_shift),
        "q_shift": _finite(small.q_shift),
        "poles": [_shift_json(p) for p in small.poles],
        "zeros": [_shift_json(z) for z in small.zeros],
        "notches": [
            {"f0_hz": n.f0_hz, "at_hz": n.at_hz, "depth_db": n.depth_db} for n in small.notches
        ],
        "modes": [[p.real, p.imag] for p in small.roots.all_poles],
        **_deviation_json(facts),
        "defect_1pct_from_hz": small.defect_1pct_from_hz,
        "defect_1pct_hz": _finite(small.defect_1pct_hz),
        "transmission_zeros": zeros_json(facts.zeros),
        **_loading_json(facts),
        **_noise_json(facts),
        "sensitivities": [
            {"quantity": s.quantity, "part": s.part, "value": _finite(s.value)}
            for s in small.part_sensitivities
        ],
        "gain_sensitivity_products": [
            {
                "op_amp": s.op_amp,
                "f0": _finite(s.gain_sensitivity_product_f0),
                "q": _finite(s.gain_sensitivity_product_q),
                "f0_to_gain_bandwidth": _finite(s.f0_to_gain_bandwidth),
                "q_to_gain_bandwidth": _finite(s.q_to_gain_bandwidth),
            }
            for s in small.active_sensitivities
        ],
        **_levels_json(levels),
        "curves": _curves_json(facts),
        "supply_current_a": facts.supply_current,
        "op_amps": [_op_amp_json(facts, a) for a in levels.amplifiers],
        **_other_json(facts),
        "single_supply": _single_json(facts.single),
        "single_supply_swapped": None if facts.before else _single_json(facts.single_other),
        "single_supply_before": _single_json(facts.single_other) if facts.before else None,
    }


def _deviation_json(facts: Facts) -> Json:
    d = facts.small.deviation
    return {
        "gain_error": _finite(d.gain_error),
        "within_1db_from_hz": d.within_1db.from_hz,
        "within_1db_hz": _finite(d.within_1db.to_hz),
        "within_3db_from_hz": d.within_3db.from_hz,
        "within_3db_hz": _finite(d.within_3db.to_hz),
        "band_gain_error_db": _finite(d.band_error_db),
        "band_gain_error_hz": d.band_error_hz,
        "rolloff_db_10f0": _finite(d.rolloff_db_10f0),
        "stop_floor_db": _finite(d.floor_db),
        "stop_floor_hz": _finite(d.floor_hz),
        "stop_rise_db": _finite(d.rise_db),
        "stop_rise_hz": _finite(d.rise_hz),
    }


def _loading_json(facts: Facts) -> Json:
    load = facts.small.loading
    if load is None:
        names = (
            "loading_gain_error_db",
            "loading_gain_error_hz",
            "loading_band_hz",
            "loading_peak_gain_error",
            "input_impedance_dc_ohm",
        )
        return {**dict.fromkeys(names), "loading_poles": []}
    return {
        "loading_gain_error_db": _finite(load.worst_error_db),
        "loading_gain_error_hz": _finite(load.worst_error_hz),
        "loading_band_hz": list(load.band_hz),
        "loading_peak_gain_error": _finite(load.gain_error),
        "loading_poles": [_shift_json(p) for p in load.poles],
        "input_impedance_dc_ohm": _finite(load.input_impedance_dc_ohm),
    }


def _noise_json(facts: Facts) -> Json:
    noise = facts.small.noise
    return {
        "band_hz": list(noise.band_hz),
        "noise_vrms": noise.vrms,
        "noise_input_vrms": _finite(noise.input_vrms),
        "noise_density_hz": noise.spot_hz,
        "noise_density_v_per_root_hz": noise.spot,
        "noise_input_density_v_per_root_hz": _finite(noise.input_spot),
        "noise_contributors": [
            {
                "part": c.part,
                "kind": c.kind,
                "vrms": c.vrms,
                "share": c.share,
                "density_v_per_root_hz": c.spot,
            }
            for c in noise.contributors
        ],
        "snr_db": _finite(snr_db(facts)),
    }


def _levels_json(levels: Levels) -> Json:
    largest = levels.largest_input
    op_amp, cause = levels.bound
    return {
        "signal_band_hz": list(levels.band_hz),
        "output_peak": levels.output.value,
        "output_peak_hz": levels.output.at_hz,
        "largest_input_v": _finite(largest.value),
        "largest_input_hz": largest.at_hz,
        "largest_input_op_amp": op_amp or None,
        "largest_input_cause": cause or None,
        "largest_output_v": _finite(levels.largest_output.value),
        "largest_output_hz": levels.largest_output.at_hz,
        "source_current_a_per_v": levels.source_current.value,
        "source_current_hz": levels.source_current.at_hz,
        "input_impedance_ohm": _finite(levels.input_impedance.value),
        "input_impedance_hz": levels.input_impedance.at_hz,
    }


def _curves_json(facts: Facts) -> Json:
    levels = facts.levels
    every = _thinned(levels.frequencies)
    f = levels.frequencies[every]
    parts = response_sensitivities(facts.loop, f).T
    return {
        "frequencies_hz": [float(x) for x in f],
        "output_gain": [float(levels.transfer[k]) for k in every],
        "op_amp_gains": [
            {"op_amp": name, "gain": [float(curve[k]) for k in every]}
            for name, curve in levels.gains.items()
        ],
        "largest_input_v": [_finite(float(levels.largest[k])) for k in every],
        "largest_input_cause": [levels.causes[k][1] or None for k in every],
        "complement_defect": [float(x) for x in facts.small.hidden(f)],
        "noise_v_per_root_hz": [float(x) for x in facts.small.noise.density(f)],
        "gain_sensitivities": [
            {"part": b.name, "sensitivity": [_finite(float(x)) for x in row]}
            for b, row in zip(facts.network.branches, parts, strict=True)
        ],
    }


def _thinned(frequencies: npt.NDArray[np.float64]) -> list[int]:
    count = max(2, math.ceil(_CURVE * math.log10(frequencies[-1] / frequencies[0])) + 1)
    wanted = np.geomspace(frequencies[0], frequencies[-1], count)
    near = np.searchsorted(frequencies, wanted)
    return sorted({int(k) for k in np.clip(near, 0, len(frequencies) - 1)})


def _op_amp_json(facts: Facts, a: AmplifierLevel) -> Json:
    small = facts.small
    margin = next(m for m in small.margins if m.op_amp == a.name)
    point = small.operating_point
    offset = next((x for x in point.amplifiers if x.op_amp == a.name), None) if point else None
    return {
        "op_amp": a.name,
        "phase_margin_deg": _finite(margin.phase_margin_deg),
        "crossover_hz": _finite(margin.crossover_hz),
        "gain_margin_db": _finite(margin.gain_margin_db),
        "gain_reduction_margin_db": _finite(margin.gain_reduction_margin_db),
        "offset_v": None if offset is None else _finite(offset.worst_v),
        "offset_rms_v": None if offset is None else _finite(offset.rms_v),
        "dc_loop_gain": None if offset is None else _finite(offset.dc_loop_gain),
        "dc_feedback": None if offset is None else offset.dc_feedback,
        "saturated": None if offset is None else offset.saturated,
        "output_rest_v": a.rest_v,
        "output_room_v": a.room_v,
        **_peaks({"output_peak": a.output, "plus_peak": a.plus, "minus_peak": a.minus}),
        **_peaks({"current_a_per_v": a.current}),
        "full_power_hz": _finite(a.full_power_hz),
        **_peaks({f"{cause.replace(' ', '_')}_input_v": a.limit(cause) for cause in CAUSES}),
    }


def _peaks(peaks: Mapping[str, Peak]) -> Json:
    """Return each peak with the frequency it is at, its unit taken from the name."""
    answer: Json = {}
    for name, peak in peaks.items():
        answer[name] = _finite(peak.value)
        answer[f"{name}_at_hz"] = peak.at_hz
    return answer


def _other_json(facts: Facts) -> Json:
    """Return the levels of the circuit compared with, under the name of what it is."""
    found = None if facts.other is None else _swapped_json(facts, facts.other)
    return {"swapped": None if facts.before else found, "before": found if facts.before else None}


def _swapped_json(facts: Facts, levels: Levels) -> Json:
    load = facts.small.loading_before
    return {
        "loading_gain_error_db": None if load is None else _finite(load.worst_error_db),
        "loading_gain_error_hz": None if load is None else _finite(load.worst_error_hz),
        "source_current_a_per_v": levels.source_current.value,
        "source_current_hz": levels.source_current.at_hz,
        "input_impedance_ohm": _finite(levels.input_impedance.value),
        "input_impedance_hz": levels.input_impedance.at_hz,
        "largest_input_v": _finite(levels.largest_input.value),
        "op_amps": [
            {
                "op_amp": a.name,
                **_peaks({"plus_peak": a.plus, "minus_peak": a.minus}),
                **_peaks({"input_range_input_v": a.limit("input range")}),
            }
            for a in levels.amplifiers
        ],
    }


def _single_json(s: SingleSupply | None) -> Json | None:
    if s is None:
        return None
    return {
        "reference_v": s.reference_v,
        "window_v": list(s.window_v),
        "biased": list(s.biased),
        "free": list(s.free),
        "input_biased": list(s.input_biased),
        "input_resistance_ohm": _finite(s.input_resistance),
        "bias_resistor_ohm": s.bias_resistor,
        "coupling_capacitor_f": s.coupling_capacitor,
        "coupling_corner_hz": s.coupling_corner_hz,
        **_peaks({"ripple_gain": s.ripple, "reference_current_a_per_v": s.reference_current}),
        "reference_resistance_ohm": _finite(s.reference_resistance),
    }


def predistortion_json(found: Predistortion | None) -> Json | None:
    """Return the pre-distorted values, and how well they hold over the gain-bandwidth's spread."""
    if found is None:
        return None
    return {
        "possible": found.possible,
        "reason": found.reason,
        "changes": [{"part": part, "factor": factor} for part, factor in found.changes],
        "values": [
            {"part": b.name, "value": b.value}
            for b in found.network.branches
            if b.value is not None
        ],
        "before": [_shift_json(r) for r in found.before],
        "after": [_shift_json(r) for r in found.after],
        "gain_error_before": _finite(found.gain_error_before),
        "gain_error": _finite(found.gain_error),
        "spread": [
            {
                "gain_bandwidth_factor": s.factor,
                "worst_before": _finite(s.worst_before),
                "worst_after": _finite(s.worst_after),
            }
            for s in found.spread
        ],
        "netlist": _netlist(found.network),
    }


def _netlist(network: Network) -> str | None:
    """Return the deck; None where a part's name cannot stand in one."""
    try:
        return deck_text(network)
    except NetworkError:
        return None


def _shift_json(r: RootShift) -> Json:
    return {
        "f0_hz": _finite(r.f0_hz),
        "q": _finite(r.q),
        "f0_shift": _finite(r.f0_shift),
        "q_shift": _finite(r.q_shift),
        "real": [r.real.real, r.real.imag],
    }


def _least(values: Iterable[float]) -> float | None:
    return _finite(min(values, default=math.inf))


def _finite(x: float | None) -> float | None:
    return x if x is not None and math.isfinite(x) else None
