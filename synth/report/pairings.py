"""The pairings of a circuit's op amps, with their text and JSON forms."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite

from synth.analysis.roots import RootShift
from synth.realisation.saved import VERSION, Json, step_json
from synth.report.layout import labelled, table, wrapped
from synth.report.netlist import deck_text
from synth.report.text import CAUTION, part_lines
from synth.search.pairing import Pairing, Pairings
from synth.units import format_si, plain


@dataclass(frozen=True)
class PairingsRecord:
    """The pairings asked for.

    Parameters
    ----------
    circuit : str
        What the command line called it.
    found : Pairings
    shown : tuple of (int, Pairing)
        Rank and pairing: the best ones, and the circuit as it is.
    picked : int
        Rank of the one whose parts are shown.
    notes : tuple of str
        From reading the circuit.
    """

    circuit: str
    found: Pairings
    shown: tuple[tuple[int, Pairing], ...]
    picked: int
    notes: tuple[str, ...]


def pairings_record(
    circuit: str, found: Pairings, top: int, picked: int, notes: Sequence[str] = ()
) -> PairingsRecord:
    """Choose what to show: the best `top`, the picked one, and the circuit as it is."""
    ranked = enumerate(found.stable, start=1)
    shown = tuple((k, x) for k, x in ranked if k <= top or k == picked or not x.changes)
    return PairingsRecord(circuit, found, shown, picked, tuple(notes))


def pairings_text(record: PairingsRecord) -> str:
    """Return the table of pairings, and the parts of the picked one."""
    found = record.found
    lines = wrapped(found.network.title or "circuit without a title")
    for note in record.notes:
        lines += wrapped(f"note: {note}", hanging="  ")
    bandwidth = format_si(found.gain_bandwidth_hz, "Hz")
    lines += wrapped(
        f"{found.tried} pairings of op-amp inputs and outputs have the same H with ideal op amps; "
        f"{len(found.stable)} {'stays' if len(found.stable) == 1 else 'stay'} stable with op amps "
        "of one pole, equal and unequal",
        hanging="  ",
    )
    if found.growing:
        lines += wrapped(f"{found.growing} more would be stable with faster op amps", "  ")
    if not any(not x.changes for x in found.stable):
        lines += wrapped("! the circuit as it is, is not among the stable ones", hanging="  ")
    lines += [""]
    lines += wrapped(
        f"errors with every op amp at {bandwidth}; gain at {format_si(found.centre_hz, 'Hz', 5)}"
    )
    head = ("", "f0 error", "Q error", "gain error", "pins that change")
    rows = [
        (
            f"{rank}.",
            _percent(None if x.dominant is None else x.dominant.f0_shift),
            _percent(None if x.dominant is None else x.dominant.q_shift),
            _percent(x.gain_error),
            _changes(x),
        )
        for rank, x in record.shown
    ]
    lines += table(head, rows, right=frozenset({0, 1, 2, 3}))
    if any(len(x.real.poles) > 1 for _, x in record.shown):
        lines += wrapped(
            "f0 and Q are those of the pair of the highest Q; the ranking goes by the worst of all "
            "poles"
        )
    chosen = dict(record.shown).get(record.picked)
    if chosen is not None:
        lines += ["", *labelled(f"pairing {record.picked}", _changes(chosen))]
        lines += [_pole_line(p) for p in chosen.real.poles]
        lines += part_lines(chosen.network)
        lines += wrapped(CAUTION)
    return "\n".join(lines) + "\n"


def _changes(x: Pairing) -> str:
    if not x.changes:
        return "none: the circuit as it is"
    return ", ".join(f"{c.op_amp} {c.pin} to {c.after}" for c in x.changes)


def _pole_line(p: RootShift) -> str:
    f0 = f"  f0 {format_si(p.f0_hz, 'Hz', 5)} {_percent(p.f0_shift)}"
    if p.q is None:
        return f"{f0}, a real pole"
    return f"{f0}, Q {plain(p.q, 5)} {_percent(p.q_shift)}"


def _percent(x: float | None) -> str:
    return "-" if x is None or not isfinite(x) else f"{plain(100 * x, signed=True)} %"


def pairings_answer(record: PairingsRecord) -> Json:
    """Return the answer of ``pairings``."""
    found = record.found
    chosen = dict(record.shown).get(record.picked)
    return {
        "schema": VERSION,
        "command": "pairings",
        "circuit": record.circuit,
        "title": found.network.title,
        "gain_bandwidth_hz": found.gain_bandwidth_hz,
        "centre_hz": found.centre_hz,
        "tried": found.tried,
        "stable": len(found.stable),
        "stable_with_faster_op_amps": found.growing,
        "pairings": [_pairing_json(rank, x) for rank, x in record.shown],
        "picked": None if chosen is None else record.picked,
        "netlist": None if chosen is None else deck_text(chosen.network),
        "notes": list(record.notes),
    }


def _pairing_json(rank: int, x: Pairing) -> Json:
    return {
        "rank": rank,
        "changes": [
            {"op_amp": c.op_amp, "pin": c.pin, "before": c.before, "after": c.after}
            for c in x.changes
        ],
        "op_amps": [
            {"name": u.name, "plus": u.plus, "minus": u.minus, "out": u.out}
            for u in x.network.op_amps
        ],
        "worst_error": _finite(x.worst),
        "dominant": None if x.dominant is None else _pole_json(x.dominant),
        "poles": [_pole_json(p) for p in x.real.poles],
        "gain_error": None if x.gain_error is None else _finite(x.gain_error),
        "step": step_json(x.step()),
    }


def _pole_json(p: RootShift) -> Json:
    return {
        "f0_hz": p.f0_hz,
        "q": None if p.q is None else _finite(p.q),
        "f0_error": _finite(p.f0_shift),
        "q_error": None if p.q_shift is None else _finite(p.q_shift),
    }


def _finite(x: float) -> float | None:
    return x if isfinite(x) else None
