"""The text and JSON forms of a choice of values."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import isfinite

from synth.network.model import KINDS, POWERS, UNITS
from synth.realisation.levels import Level, Levels
from synth.realisation.request import FLOOR_RULE
from synth.realisation.revalued import Revalued, StageValues
from synth.realisation.saved import VERSION, Json, branch_json, step_json
from synth.realisation.zero_figures import ZeroFigures
from synth.report.layout import labelled, table, wrapped
from synth.report.netlist import deck_text
from synth.units import format_si, plain
from synth.values.ranking import Option

#: Errors below this are rounding of the arithmetic.
_ROUNDING = 1e-10
_PARETO = (
    "error, spread, different values and capacitance against each other, stage {}: of the choices "
    "looked at (the best by spread at rising errors) those that none of them beats in all four; "
    "others may beat them"
)


def values_text(
    result: Revalued, title: str, pick: int = 1, rule: str = FLOOR_RULE, notes: Sequence[str] = ()
) -> str:
    """Return the parts, the error with its certificate, the alternatives and the levels.

    Parameters
    ----------
    result : Revalued
    title : str
    pick : int
        Which choice is shown, from 1.
    rule : str
        Where the floor came from; empty where it was said.
    notes : sequence of str
        On the circuit.
    """
    network, steps = result.circuit(pick - 1)
    chosen = result.choices[pick - 1]
    lines = wrapped(title or "circuit without a title")
    for note in (*notes, *result.notes, *(n for s in steps for n in s.notes)):
        lines += wrapped(f"note: {note}", hanging="  ")
    lines.append("")
    rows = [
        (b.name, b.kind, "-" if b.value is None else format_si(b.value, UNITS[b.power]))
        for b in network.branches
    ]
    lines += [*table(("part", "kind", "value"), rows), ""]
    lines += labelled("error", f"{_error(chosen.error, result.unit)}; {result.metric}")
    if pick == 1:
        lines += wrapped(f"proof: {result.certificate.removeprefix('proved: ')}", hanging="  ")
    lines += labelled(
        "floor",
        f"{_error(result.floor, result.unit)}{'' if result.reached else ', not met'}"
        + (f": {rule}" if rule and result.floor > 0 else ""),
    )
    if result.section_wise_error is not None:
        lines += labelled(
            "each stage by itself", f"{_error(result.section_wise_error, result.unit)}"
        )
    if result.nearest_rounding_error is not None:
        lines += labelled(
            "each part rounded to its nearest value",
            _error(result.nearest_rounding_error, result.unit),
        )
    lines += labelled(
        "|H| within 40 dB of its maximum", f"off by {_error(result.error_db, 'dB')} at most"
    )
    lines += labelled("spread", f"{plain(chosen.spread, 4)}; {chosen.distinct} different values")
    if result.zeros and pick == 1:
        lines += ["", *_zeros(result.zeros)]
    if len(result.choices) > 1:
        lines += ["", *_choices(result.choices, result.unit)]
    if len(result.stages) > 1:
        lines += ["", *_stages(result.stages)]
    for s in result.stages:
        if s.pareto:
            lines += ["", *wrapped(_PARETO.format(s.name))]
            lines += _choices(s.pareto, "", every=True)
    if result.levels is not None:
        lines += ["", *_levels(result.levels)]
    return "\n".join(lines) + "\n"


def _error(x: float, unit: str) -> str:
    x = x if x > _ROUNDING else 0.0
    if unit:
        return f"{plain(x)} {unit}"
    return f"{plain(100 * x)} %"


def _choices(choices: Sequence[Option], unit: str, every: bool = False) -> list[str]:
    """Return a table of choices, with every figure that tells them apart where that is wanted."""
    rows = []
    for k, o in enumerate(choices, start=1):
        parts = ", ".join(f"{n} {_value(n, v)}" for n, v in o.values.items())
        figures = (str(o.distinct), format_si(o.capacitance, "F", 3)) if every else ()
        rows.append((str(k), _error(o.error, unit), plain(o.spread), *figures, parts))
    head = ("values", "capacitance") if every else ()
    right = frozenset(range(3 + len(head)))
    return table(("", "error", "spread", *head, "parts"), rows, right=right)


def _value(name: str, value: float) -> str:
    return format_si(value, UNITS[POWERS[name[0]]]) if name[0] in POWERS else f"{value:g}"


def _stages(stages: Sequence[StageValues]) -> list[str]:
    rows = [
        (
            s.name,
            "-" if s.f0_hz is None else format_si(s.f0_hz, "Hz"),
            "-" if s.q is None else plain(s.q, 4),
            _error(s.error, ""),
            _error(s.bound, ""),
            plain(s.combinations, 2),
            ", ".join(s.parts),
        )
        for s in stages
    ]
    head = ("stage", "f0", "Q", "error", "least", "choices", "parts")
    return table(head, rows, right=frozenset(range(6)))


def _zeros(zeros: Sequence[ZeroFigures]) -> list[str]:
    rows = []
    for z in zeros:
        depths = "-"
        if z.kind == "notch":
            depths = f"{_depth(z.wanted_depth_db)}, {_depth(z.depth_db)}"
        away = z.zero_hz / z.wanted_hz - 1
        rows.append(
            (
                z.stage,
                z.kind,
                f"{format_si(z.zero_hz, 'Hz')} ({_signed(away)})",
                depths,
                "-" if z.mismatch is None else _signed(z.mismatch),
                "-" if z.q_mismatch is None else _signed(z.q_mismatch),
            )
        )
    head = ("stage", "zeros", "frequency (off by)", "depth there, at its own", "zero/pole", "Q")
    lines = wrapped(
        "zeros at these values: depth of |H| against its largest at the wanted frequency and at "
        "the zero's own; by how much the ratio of zero to pole frequency (and Q) is off"
    )
    return lines + table(head, rows, right=frozenset())


def _depth(x: float | None) -> str:
    return "no limit" if x is None else f"{x:.1f} dB"


def _signed(x: float) -> str:
    return f"{100 * (x if abs(x) > _ROUNDING else 0):+.2g} %"


def _levels(levels: Levels) -> list[str]:
    low, high = levels.band
    lines = wrapped(
        "impedance level: thermal noise of the resistors at the output (4kTR, 300 K; V rms from "
        f"{format_si(low, 'Hz', 3)} to {format_si(high, 'Hz', 3)}), smallest input impedance, "
        "parts; op amps like 1 kohm to 100 kohm and 100 pF to 1 uF"
    )
    rows = [
        (
            f"x {x.factor:g}",
            f"{plain(1e9 * x.noise_density)} nV/rtHz",
            format_si(x.noise, "V", 3),
            "-" if not isfinite(x.load) else format_si(x.load, "ohm", 3),
            _range(x),
        )
        for x in levels.levels
    ]
    lines += table(("level", "at the peak", "rms", "input", "parts"), rows)
    return [*lines, *wrapped(f"advice: {levels.advice}", hanging="  ")]


def _range(x: Level) -> str:
    found = []
    if isfinite(x.smallest_resistor):
        r = (x.smallest_resistor, x.largest_resistor)
        found.append(" to ".join(format_si(v, "ohm", 3) for v in r))
    if isfinite(x.smallest_capacitor):
        c = (x.smallest_capacitor, x.largest_capacitor)
        found.append(" to ".join(format_si(v, "F", 3) for v in c))
    return ", ".join(found)


def values_answer(
    circuit: str, result: Revalued, title: str, pick: int = 1, notes: Sequence[str] = ()
) -> Json:
    """Return the answer of ``values``; parameters as in `values_text`."""
    network, steps = result.circuit(pick - 1)
    chosen = result.choices[pick - 1]
    complete = all(b.value is not None for b in network.branches)
    return {
        "schema": VERSION,
        "command": "values",
        "circuit": circuit,
        "title": title,
        "metric": result.metric,
        "unit": result.unit,
        "parts": [branch_json(b) for b in network.branches],
        "pick": pick,
        "error": chosen.error,
        "error_db": _finite(result.error_db),
        "bound": result.bound,
        "proved": result.proved,
        "covers": result.covers,
        "certificate": result.certificate,
        "floor": result.floor,
        "floor_reached": result.reached,
        "nearest_rounding_error": _finite(result.nearest_rounding_error),
        "section_wise_error": _finite(result.section_wise_error),
        "spread": chosen.spread,
        "distinct": chosen.distinct,
        "capacitance": chosen.capacitance,
        "alternatives": [
            _option_json(o) for k, o in enumerate(result.choices, start=1) if k != pick
        ],
        "stages": [_stage_json(s) for s in result.stages],
        "levels": None if result.levels is None else _levels_json(result.levels),
        "zeros": [_zero_json(z) for z in result.zeros] if pick == 1 else [],
        "steps": [step_json(s) for s in steps],
        "notes": [*notes, *result.notes],
        "netlist": deck_text(network) if complete else None,
    }


def _option_json(o: Option) -> Json:
    return {
        "parts": _parts(o.values),
        "error": _finite(o.error),
        "spread": o.spread,
        "distinct": o.distinct,
        "capacitance": o.capacitance,
    }


def _parts(values: Mapping[str, float]) -> list[Json]:
    return [{"name": n, "kind": KINDS[POWERS[n[0]]], "value": v} for n, v in values.items()]


def _stage_json(s: StageValues) -> Json:
    return {
        "name": s.name,
        "parts": list(s.parts),
        "order": s.order,
        "f0_hz": s.f0_hz,
        "q": s.q,
        "error": _finite(s.error),
        "bound": s.bound,
        "proved": s.proved,
        "combinations": float(s.combinations),
        "certificate": s.certificate,
        "pareto": [_option_json(o) for o in s.pareto],
    }


def _zero_json(z: ZeroFigures) -> Json:
    return {
        "stage": z.stage,
        "kind": z.kind,
        "wanted_hz": z.wanted_hz,
        "zero_hz": z.zero_hz,
        "wanted_depth_db": z.wanted_depth_db,
        "depth_db": z.depth_db,
        "pole_hz": z.pole_hz,
        "mismatch": z.mismatch,
        "q_mismatch": z.q_mismatch,
    }


def _levels_json(x: Levels) -> Json:
    return {
        "band_hz": list(x.band),
        "peak_hz": x.peak_hz,
        "advice": x.advice,
        "levels": [
            {
                "factor": y.factor,
                "noise_density": y.noise_density,
                "noise": y.noise,
                "input_impedance": _finite(y.load),
                "smallest_resistor": _finite(y.smallest_resistor),
                "largest_resistor": _finite(y.largest_resistor),
                "smallest_capacitor": _finite(y.smallest_capacitor),
                "largest_capacitor": _finite(y.largest_capacitor),
            }
            for y in x.levels
        ],
    }


def _finite(x: float | None) -> float | None:
    return x if x is not None and isfinite(x) else None
