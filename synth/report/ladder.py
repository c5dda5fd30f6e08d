"""Simulated ladders and their comparison with a cascade, as text and as JSON."""

from __future__ import annotations

from collections.abc import Sequence

from synth.realisation.ladder import Comparison
from synth.realisation.saved import Json
from synth.report.answer import realise_answer
from synth.report.asked import Asked
from synth.report.layout import table, wrapped
from synth.report.record import RealisationRecord
from synth.report.text import realise_text
from synth.target.target import Target


def ladder_text(
    target: Target, records: Sequence[RealisationRecord], picked: int, comparison: Comparison | None
) -> str:
    """Return the circuits, and what tolerances leave of them where that was asked."""
    head = () if comparison is None else ("", *_comparison_lines(records, comparison))
    return realise_text(target, records, picked, Asked(head=head))


def _comparison_lines(records: Sequence[RealisationRecord], comparison: Comparison) -> list[str]:
    spread = comparison.spread
    lines = wrapped(
        f"under tolerance (resistors {100 * spread.resistors:g} %, capacitors "
        f"{100 * spread.capacitors:g} %): {comparison.limit} of the target; 95 % is the largest "
        "width of the range that holds 95 of 100 circuits"
    )
    numbers = {id(r.realisation): r.number for r in records}
    rows = [
        (
            str(numbers[id(row.realisation)]),
            f"{100 * row.yield_.value:.3g} %",
            f"{100 * row.yield_.low:.3g} to {100 * row.yield_.high:.3g} %",
            f"{row.middle_db:.2g} dB",
            str(len(row.realisation.network.op_amps)),
            row.realisation.label,
        )
        for row in comparison.rows
    ]
    head = ("circuit", "yield", "confidence", "95 %", "op amps", "what")
    return [*lines, *table(head, rows, right=frozenset({0, 1, 4}))]


def ladder_answer(
    target: Target, records: Sequence[RealisationRecord], comparison: Comparison | None
) -> Json:
    """Return the answer of ``ladder``: that of ``realise``, and the comparison or null."""
    answer = {**realise_answer(target, records), "command": "ladder"}
    answer["comparison"] = None if comparison is None else _comparison_json(records, comparison)
    return answer


def _comparison_json(records: Sequence[RealisationRecord], comparison: Comparison) -> Json:
    numbers = {id(r.realisation): r.number for r in records}
    limit, spread = comparison.limit, comparison.spread
    return {
        "band_hz": [limit.low_hz, limit.high_hz],
        "within_db": limit.level_db,
        "resistor_tolerance": spread.resistors,
        "capacitor_tolerance": spread.capacitors,
        "rows": [
            {
                "number": numbers[id(row.realisation)],
                "yield": {
                    "value": row.yield_.value,
                    "low": row.yield_.low,
                    "high": row.yield_.high,
                },
                "middle_95_db": row.middle_db,
            }
            for row in comparison.rows
        ],
    }
