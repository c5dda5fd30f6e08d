"""Masks in text and JSON: limits with what is left of them, and the comparison of responses."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from synth.masks.compare import FITTED, GIVEN, Candidate, Comparison
from synth.masks.limits import DelayLimit, Mask
from synth.masks.verify import Kept
from synth.measured.fit import ResponseFit
from synth.realisation.design import Realisation
from synth.realisation.saved import VERSION, Json
from synth.realisation.whole import Checked, checked
from synth.report.answer import target_json
from synth.report.asked import Asked
from synth.report.layout import labelled, table, wrapped
from synth.report.sketch import sketch
from synth.units import format_si

_RIGHT = frozenset({1, 2, 3, 4, 5, 6, 7})


# -- text ------------------------------------------------------------------------------------------


def comparison_text(found: Comparison, circuits: Mapping[str, Checked]) -> str:
    """Return the table of responses that keep a mask, and the first of them in full.

    Parameters
    ----------
    found : Comparison
    circuits : mapping
        Name of a response -> its best circuit, where circuits were asked for.
    """
    lines = labelled("mask", f"{_kind(found)}, {_limits(found)}")
    if not found.candidates:
        lines += ["", *wrapped("no response keeps the mask:", "! ", "  ")]
    else:
        head = ("response", "order", "op amps", "Q max", "delay", "overshoot", "margin", "")
        rows = [_row(c, circuits.get(c.name)) for c in found.candidates]
        lines += ["", *table(head, rows, _RIGHT)]
        lines += wrapped(
            "op amps: one for each pair of poles, as sections of one op amp would have"
            + (
                ", or those of the circuit found"
                if circuits
                else " (`synth realise` keeps what holds the mask with bought values and their "
                "tolerances, and may take more; --circuits counts them)"
            )
            + "; delay: its ripple over the pass band; overshoot: of the step response; margin: by "
            "which share all limits could be tighter still",
            "  ",
        )
        first = found.candidates[0]
        lines += ["", *labelled(f"first: {first.name}", first.target.description)]
        lines += limit_lines(first.rows)
        lines += sketch(first.target.transfer)
    lines += [""] if found.absent else []
    for why in dict.fromkeys(why for _, why in found.absent):
        names = ", ".join(name for name, other in found.absent if other == why)
        lines += wrapped(f"not {names}: {why}", hanging="  ")
    return "\n".join(lines) + "\n"


def _kind(found: Comparison) -> str:
    kind = found.shape.kind
    return "several bands" if kind == "several" else kind


def _limits(found: Comparison) -> str:
    count = len(found.mask.limits) + len(found.mask.delays)
    return f"{count} limit{'' if count == 1 else 's'}, gain {found.mask.gain:.6g}"


def _row(c: Candidate, circuit: Checked | None) -> tuple[str, ...]:
    op_amps = str(c.op_amps)
    note = f"{c.equaliser} all-pass" if c.equaliser else ""
    if circuit is not None:
        op_amps = str(len(circuit.realisation.network.op_amps))
        note = "; ".join(filter(None, (note, "" if circuit.kept else "circuit misses")))
    return (
        c.name,
        str(c.order),
        op_amps,
        f"{c.q_max:.3g}",
        _share(c.delay_ripple),
        _share(c.overshoot),
        f"{100 * c.margin:.0f} %",
        note,
    )


def _share(x: float | None) -> str:
    return "-" if x is None else f"{100 * x:.3g} %"


def limit_lines(rows: Sequence[Kept]) -> list[str]:
    """Return each limit with the level where it is nearest, and what is left."""
    lines = []
    for r in rows:
        mark = "  " if r.kept else "! "
        at = "infinity" if math.isinf(r.at_hz) else format_si(r.at_hz, "Hz") if r.at_hz else "0 Hz"
        left = "left" if r.kept else "too far"
        lines += wrapped(
            f"{r.limit}: {_level(r, r.value)} at {at}, {_level(r, abs(r.margin))} {left}",
            mark,
            "    ",
        )
    return lines


def _level(row: Kept, value: float) -> str:
    if isinstance(row.limit, DelayLimit):
        return format_si(value, "s") if row.limit.absolute else f"{100 * value:.3g} %"
    return "a zero" if value < -5000 else f"{value:.3g} dB"


def mask_remarks(circuits: Sequence[Checked]) -> dict[int, list[str]]:
    """Return the lines to put under each circuit: what it leaves of the mask."""
    found = {}
    for number, c in enumerate(circuits, start=1):
        if c.kept:
            least = min(c.rows, key=lambda r: r.margin / _unit(r))
            told = f"keeps the mask; nearest: {least.limit}, {_level(least, least.margin)} left"
            found[number] = wrapped(told, "   ", "     ")
        else:
            broken = [r for r in c.rows if not r.kept]
            told = "; ".join(f"{r.limit} by {_level(r, -r.margin)}" for r in broken)
            found[number] = wrapped(f"! misses the mask: {told}", "   ", "     ")
    return found


def _unit(row: Kept) -> float:
    return row.limit.ripple if isinstance(row.limit, DelayLimit) else 1.0


def mask_head(candidate: Candidate, circuits: Sequence[Checked]) -> list[str]:
    """Return the lines to put under the target of a mask."""
    what = {FITTED: "fitted to the mask", GIVEN: "the delay is equalised"}.get(
        candidate.name, f"{candidate.name}, the fewest poles that keep the mask and have a circuit"
    )
    lines = wrapped(f"{what}; each circuit is held against the limits with its values", "  ")
    broken = [r for r in candidate.rows if not r.kept]
    lines += limit_lines(broken)
    if not any(c.kept for c in circuits):
        lines += wrapped(
            "no circuit keeps the mask with these series: finer ones (--resistors E192, "
            "--capacitors E24), wider windows or another --family may",
            "! ",
            "  ",
        )
    return lines


def fit_head(fit: ResponseFit, notes: Sequence[str]) -> list[str]:
    """Return the lines to put under the target of a response read from a file."""
    phase = "" if fit.phase_error is None else f" and {fit.phase_error:.2g} degrees"
    lines = wrapped(f"the points are met within {fit.error_db:.2g} dB{phase}", "  ")
    if len(fit.tried) > 1:
        told = ", ".join(f"{n}: {e:.2g}" for n, e in fit.tried)
        lines += wrapped(f"orders looked at, with their errors in dB: {told}", "  ", "    ")
    for note in notes:
        lines += wrapped(f"note: {note}", "  ", "    ")
    return lines


def of_mask(mask: Mask, candidate: Candidate, found: Sequence[Realisation]) -> Asked:
    """Return what a mask says of circuits: each is held against it with its values."""
    circuits = [checked(mask, r) for r in found]
    return Asked(
        tuple(mask_head(candidate, circuits)),
        mask_remarks(circuits),
        mask=mask_answer(candidate, circuits),
    )


def of_fit(fit: ResponseFit, notes: Sequence[str]) -> Asked:
    """Return what is said of a function fitted to a table."""
    return Asked(tuple(fit_head(fit, notes)), response=fit_answer(fit))


# -- JSON ------------------------------------------------------------------------------------------


def comparison_answer(found: Comparison, circuits: Mapping[str, Checked]) -> Json:
    """Return the answer of ``target``."""
    return {
        "schema": VERSION,
        "command": "target",
        "kind": found.shape.kind,
        "gain": found.mask.gain,
        "responses": [_candidate(c, circuits.get(c.name)) for c in found.candidates],
        "absent": [{"name": name, "reason": why} for name, why in found.absent],
    }


def _candidate(c: Candidate, circuit: Checked | None) -> Json:
    return {
        "name": c.name,
        "order": c.order,
        "equaliser_sections": c.equaliser,
        "op_amps": c.op_amps,
        "q_max": c.q_max,
        "delay_ripple": c.delay_ripple,
        "overshoot": c.overshoot,
        "margin": c.margin,
        "limits": [limit_json(r) for r in c.rows],
        "target": target_json(c.target),
        "circuit": None if circuit is None else _circuit(circuit),
    }


def _circuit(c: Checked) -> Json:
    return {
        "label": c.realisation.label,
        "op_amps": len(c.realisation.network.op_amps),
        "error_db": c.realisation.error_db,
        "kept": c.kept,
        "limits": [limit_json(r) for r in c.rows],
    }


def limit_json(row: Kept) -> Json:
    """Return a limit with what is left of it; frequencies at infinity are null."""
    limit = row.limit
    delay = isinstance(limit, DelayLimit)
    unit = "dB" if not isinstance(limit, DelayLimit) else "s" if limit.absolute else "share"
    return {
        "from_hz": limit.low_hz,
        "to_hz": _finite(limit.high_hz),
        "operation": "delay" if isinstance(limit, DelayLimit) else limit.operation,
        "level": limit.ripple if isinstance(limit, DelayLimit) else limit.level_db,
        "unit": unit,
        "value": _finite(row.value) if delay or row.value > -5000 else None,
        "margin": _finite(row.margin),
        "at_hz": _finite(row.at_hz),
        "kept": row.kept,
    }


def mask_answer(candidate: Candidate, circuits: Sequence[Checked]) -> Json:
    """Return what the answer of ``realise`` says of a mask."""
    return {
        "response": candidate.name,
        "order": candidate.order,
        "margin": candidate.margin,
        "limits": [limit_json(r) for r in candidate.rows],
        "circuits": [{"kept": c.kept, "limits": [limit_json(r) for r in c.rows]} for c in circuits],
    }


def fit_answer(fit: ResponseFit) -> Json:
    """Return what the answer of ``realise`` says of a response read from a file."""
    return {
        "order": fit.order,
        "error_db": fit.error_db,
        "phase_error_degrees": fit.phase_error,
        "tried": [{"order": n, "error_db": e} for n, e in fit.tried],
    }


def _finite(x: float) -> float | None:
    return x if math.isfinite(x) else None
