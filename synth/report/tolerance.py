"""The text and JSON forms of a tolerance analysis."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from math import isfinite

import numpy as np

from synth.network.model import UNITS
from synth.realisation.saved import VERSION, Json
from synth.report.answer import yield_json
from synth.report.layout import labelled, table, wrapped
from synth.tolerances.marks import extrema
from synth.tolerances.remarks import share_text
from synth.tolerances.result import PartSensitivity, ToleranceResult
from synth.tolerances.sections import SectionStatistics
from synth.tolerances.spread import Array
from synth.tolerances.yields import CONFIDENCE, Yield
from synth.units import format_si, plain

_ROWS = 13
_UNIT_OF = {"resistor": UNITS[0], "capacitor": UNITS[1], "inductor": UNITS[-1]}


def tolerance_text(
    result: ToleranceResult, title: str = "", circuit_notes: Sequence[str] = ()
) -> str:
    """Return the response band, the yield, f0 and Q, and the parts by what they matter."""
    lines = wrapped(title or "circuit without a title")
    for note in (*circuit_notes, *result.notes):
        lines += wrapped(f"note: {note}", hanging="  ")
    if not result.complete:
        lines += wrapped("! interrupted: what follows is what was finished", hanging="  ")
    lines += wrapped(
        f"{result.samples} circuits drawn, seed {result.seed}; {_spread_words(result)}",
        hanging="  ",
    )
    lines += ["", *_response(result), ""]
    lines += _yield_lines(result)
    if result.sections:
        lines += [*_sections(result), ""]
    return "\n".join(lines + _parts(result)) + "\n"


def _spread_words(result: ToleranceResult) -> str:
    s = result.spread
    words = (
        f"resistors {_percent(s.resistors)}, other parts {_percent(s.capacitors)}, {s.distribution}"
    )
    if s.parts:
        words += "; " + ", ".join(f"{n} {_percent(t)}" for n, t in s.parts.items())
    t = s.temperature
    if t is not None:
        words += (
            f"; {t.low:g} to {t.high:g} degrees Celsius, resistors {t.resistor_ppm:g} ppm/K "
            f"({t.resistor_tracking} sign), capacitors {t.capacitor_ppm:g} ppm/K "
            f"({t.capacitor_tracking} sign)"
        )
    return words


def _response(result: ToleranceResult) -> list[str]:
    even = np.linspace(0, len(result.frequencies) - 1, _ROWS).round().astype(int)
    chosen = np.unique([*even, *extrema(result.nominal_db)])
    worst = result.worst_case
    head = ["frequency", "nominal", *(f"{p:g} %" for p in result.percents), "sigma"]
    rows = []
    for k in chosen:
        row = [format_si(float(result.frequencies[k]), "Hz"), _db(result.nominal_db[k])]
        row += [_db(x) for x in result.percentiles[:, k]]
        row.append(plain(result.deviation_db[k], 2) if isfinite(result.deviation_db[k]) else "-")
        if worst is not None:
            low = "" if worst.low_exact[k] else "*"
            high = "" if worst.high_exact[k] else "*"
            row.append(f"{_db(worst.low_db[k])}{low} to {_db(worst.high_db[k])}{high}")
        rows.append(row)
    if worst is not None:
        head.append("worst case")
    lines = wrapped("|H| in dB: percentiles, and sigma as the sensitivities predict it")
    lines += table(head, rows, right=frozenset(range(len(head) - 1)))
    if worst is not None and not (worst.low_exact[chosen] & worst.high_exact[chosen]).all():
        lines += wrapped("* a bound that no circuit exceeds; the others are reached, to 0.005 dB")
    return lines


def _yield_lines(result: ToleranceResult) -> list[str]:
    y = result.yield_
    if y is None:
        return []
    lines = labelled(
        "yield", f"{_yield_words(y)} at {100 * CONFIDENCE:g} % confidence (Wilson's interval)"
    )
    if len(result.limits) > 1:
        for one in result.limits:
            lines += wrapped(f"{one.limit}: {_yield_words(one.result)}", "  ", "    ")
    else:
        lines += wrapped(f"limit: {result.limits[0].limit}", "  ", "    ")
    return [*lines, ""]


def _yield_words(y: Yield) -> str:
    return f"{share_text(y.value)}, {share_text(y.low)} to {share_text(y.high)}"


def _sections(result: ToleranceResult) -> list[str]:
    first, last = result.percents[0], result.percents[-1]
    head = ("section", "f0", "deviation", "Q", "deviation", f"{first:g} % to {last:g} %")
    rows = []
    for x in result.sections:
        s = x.section
        band = f"{format_si(float(x.f0_hz[0]), 'Hz')} to {format_si(float(x.f0_hz[-1]), 'Hz')}"
        if x.q is not None:
            band += f"; Q {plain(x.q[0], 4)} to {plain(x.q[-1], 4)}"
        elif x.q_crosses:
            band += "; 1/Q crosses 0"
        rows.append(
            (
                s.what,
                format_si(s.f0_hz, "Hz"),
                _percent(x.f0_deviation),
                "-" if s.q is None else plain(s.q, 4),
                "-" if x.q_deviation is None else _percent(x.q_deviation),
                band,
            )
        )
    return table(head, rows, right=frozenset({1, 2, 3, 4}))


def _parts(result: ToleranceResult) -> list[str]:
    low, high = result.band
    lines = wrapped(
        "parts, the one to tighten first at the top; share of the variance of |H| in dB from "
        f"{format_si(low, 'Hz')} to {format_si(high, 'Hz')}"
    )
    head = ["part", "value", "tolerance", "share", "largest dB/%"]
    with_yield = any(p.yield_if_halved for p in result.sensitivities)
    if with_yield:
        head.append("yield, tolerance halved")
    rows = []
    for p in result.by_share:
        at, size = _largest(result.frequencies, p.db_per_percent)
        row = [
            p.name,
            format_si(p.value, _UNIT_OF.get(p.kind, "")),
            _percent(p.tolerance),
            _percent(p.share),
            f"{plain(size, signed=True)} at {format_si(at, 'Hz', 3)}",
        ]
        if with_yield:
            row.append(share_text(p.yield_if_halved.value) if p.yield_if_halved else "-")
        rows.append(row)
    lines += table(head, rows, right=frozenset({1, 2, 3}))
    if with_yield:
        lines += wrapped(
            "where these yields differ by no more than their confidence intervals, the parts are "
            "in the order of their shares"
        )
    if result.shared:
        lines += wrapped(f"drift with a common sign: {_percent(result.shared)} of the variance")
    return lines


def tolerance_answer(
    circuit: str,
    result: ToleranceResult,
    title: str = "",
    circuit_notes: Sequence[str] = (),
    classes: Json | None = None,
) -> Json:
    """Return the answer of ``tolerance``."""
    worst = result.worst_case
    return {
        "schema": VERSION,
        "command": "tolerance",
        "circuit": circuit,
        "title": title,
        "seed": result.seed,
        "samples": result.samples,
        "complete": result.complete,
        "spread": _spread_json(result),
        "frequencies": _row(result.frequencies),
        "nominal_db": _row(result.nominal_db),
        "percentiles": [
            {
                "percent": p,
                "db": _row(result.percentiles[k]),
                "phase_deviation_deg": None if result.phases is None else _row(result.phases[k]),
            }
            for k, p in enumerate(result.percents)
        ],
        "deviation_db": _row(result.deviation_db),
        "worst_case": None
        if worst is None
        else {
            "low_db": _row(worst.low_db),
            "high_db": _row(worst.high_db),
            "low_exact": [bool(x) for x in worst.low_exact],
            "high_exact": [bool(x) for x in worst.high_exact],
            "exact": worst.exact,
        },
        "yield": None if result.yield_ is None else yield_json(result.yield_),
        "limits": [
            {
                "from_hz": x.limit.low_hz,
                "to_hz": x.limit.high_hz if isfinite(x.limit.high_hz) else None,
                "operation": x.limit.operation,
                "level_db": x.limit.level_db,
                "yield": yield_json(x.result),
            }
            for x in result.limits
        ],
        "band": list(result.band),
        "sensitivities": [_part_json(result, k, p) for k, p in enumerate(result.sensitivities)],
        "shared_drift_share": result.shared,
        "sections": [_section_json(x) for x in result.sections],
        "classes": classes,
        "notes": [*circuit_notes, *result.notes],
    }


def _spread_json(result: ToleranceResult) -> Json:
    s, t = result.spread, result.spread.temperature
    return {
        "distribution": s.distribution.shape,
        "sigmas": s.distribution.sigmas if s.distribution.shape == "normal" else None,
        "temperature": None
        if t is None
        else {
            "low": t.low,
            "high": t.high,
            "reference": t.reference,
            "resistor_ppm": t.resistor_ppm,
            "capacitor_ppm": t.capacitor_ppm,
            "resistor_tracking": t.resistor_tracking,
            "capacitor_tracking": t.capacitor_tracking,
        },
    }


def _part_json(result: ToleranceResult, place: int, p: PartSensitivity) -> Json:
    at, size = _largest(result.frequencies, p.db_per_percent)
    return {
        "name": p.name,
        "kind": p.kind,
        "value": p.value,
        "tolerance": p.tolerance,
        "share": p.share,
        "gain_db_per_percent": _finite(p.gain_db_per_percent),
        "largest_db_per_percent": _finite(size),
        "largest_at_hz": at,
        "db_per_percent": _row(p.db_per_percent),
        "yield_if_halved": None if p.yield_if_halved is None else yield_json(p.yield_if_halved),
        "sections": [
            {
                "f0": float(x.section.s_f0[place]),
                "q": None if x.section.q is None else float(x.section.s_q[place]),
            }
            for x in result.sections
        ],
    }


def _section_json(x: SectionStatistics) -> Json:
    s = x.section
    return {
        "what": s.what,
        "order": s.order,
        "f0_hz": s.f0_hz,
        "q": s.q,
        "f0_percentiles": _row(x.f0_hz),
        "f0_deviation": x.f0_deviation,
        "q_percentiles": None if x.q is None else _row(x.q),
        "q_deviation": None if x.q_deviation is None else _finite(x.q_deviation),
    }


def _largest(frequencies: Array, row: Array) -> tuple[float, float]:
    k = int(np.argmax(np.abs(np.nan_to_num(row, posinf=0.0, neginf=0.0))))
    return float(frequencies[k]), float(row[k])


def _row(values: Iterable[float]) -> list[float | None]:
    return [_finite(float(x)) for x in values]


def _finite(x: float) -> float | None:
    return float(x) if isfinite(x) else None


def _percent(x: float) -> str:
    return f"{plain(100 * x)} %"


def _db(x: float) -> str:
    return f"{x:.2f}" if isfinite(x) else ("-inf" if x < 0 else "inf")
