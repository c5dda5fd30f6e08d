"""A ranking with a real op amp: the remarks on each circuit, why the order is so, and JSON."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

from synth.masks.limits import band_words
from synth.realisation.design import Realisation
from synth.realisation.explained import explained
from synth.realisation.ranking import CRITERIA, REAL
from synth.realisation.saved import Json
from synth.realisation.with_amplifier import Ranked, Ranking, score_text
from synth.report.answer import realise_answer
from synth.report.asked import Asked
from synth.report.check import finding_json, model_json
from synth.report.layout import labelled, wrapped
from synth.report.record import RealisationRecord
from synth.report.text import realise_text


def ranking_text(
    ranking: Ranking,
    records: Sequence[RealisationRecord],
    picked: int,
    explain: bool,
    asked: Asked,
) -> str:
    """Return the ranked circuits, what the op amp makes of each, and on request why.

    Parameters
    ----------
    ranking : Ranking
    records : sequence of RealisationRecord
        Of its first rows.
    picked : int
        Number of the circuit whose parts are shown.
    explain : bool
        Whether to say what put each circuit before the next.
    asked : Asked
        What a mask or a table says.
    """
    remarks = {
        row.number: [*_remarks(row), *asked.remarks.get(row.number, ())]
        for row in ranking.rows[: len(records)]
    }
    head = [*asked.head, *labelled("op amp", ranking.model.name)]
    head += labelled("ranked by", ", ".join(ranking.order))
    if explain:
        head += _explanation(ranking, len(records))
    both = replace(asked, head=tuple(head), remarks=remarks)
    return realise_text(ranking.target, records, picked, both)


def _remarks(row: Ranked) -> list[str]:
    told = ", ".join(
        f"{c} {score_text(row.scores, c)}"
        for c in ("error", "findings", "sensitivity", "noise")
        if row.scores.value(c) is not None
    )
    if row.checked is not None and row.scores.noise is not None:
        told += f" over {band_words(*row.checked.facts.small.noise.band_hz)}"
    lines = wrapped(f"with the op amp: {told}", "   ", "     ")
    for f in row.checked.serious if row.checked else ():
        lines += wrapped(f"!! {f.part}: {f.message} [{f.code}]", "   ", "     ")
    return lines


def _explanation(ranking: Ranking, shown: int) -> list[str]:
    """Say why, of the circuits shown; of one, why it is before the next."""
    lines = []
    for sentence in ranking.explain(max(shown, 2)):
        lines += wrapped(sentence, "  ", "    ")
    checked = [row for row in ranking.rows if row.checked]
    best = ", ".join(str(row.number) for row in ranking.pareto())
    lines += wrapped(
        f"{len(ranking.rows)} circuits compared, {len(checked)} of them checked in full; no other "
        f"beats these in every criterion: {best}",
        "  ",
        "    ",
    )
    return [*lines, *_meanings(ranking.order)]


def _meanings(order: Sequence[str]) -> list[str]:
    return [x for name in order for x in wrapped(f"{name}: {CRITERIA[name]}", "  ", "    ")]


def order_lines(found: Sequence[Realisation], order: Sequence[str], explain: bool) -> list[str]:
    """Return by what circuits with ideal op amps are ranked, and on request why they stand so.

    Parameters
    ----------
    found : sequence of Realisation
        Best first.
    order : sequence of str
        The criteria.
    explain : bool
    """
    lines = labelled("ranked by", ", ".join(order))
    if explain:
        for sentence in explained(found, order):
            lines += wrapped(sentence, "  ", "    ")
        lines += _meanings(order)
    return lines


def order_json(found: Sequence[Realisation], order: Sequence[str]) -> Json:
    """Return by what circuits with ideal op amps are ranked, and why they stand so."""
    return {"order": list(order), "explanation": list(explained(found, order))}


def ranking_answer(ranking: Ranking, records: Sequence[RealisationRecord], asked: Asked) -> Json:
    """Return the answer of ``realise`` with an op amp."""
    return {
        **realise_answer(ranking.target, records, asked),
        "ranking": {
            "op_amp": model_json(ranking.model),
            "order": list(ranking.order),
            "circuits": [_row_json(row) for row in ranking.rows],
            "pareto": [row.number for row in ranking.pareto()],
            "explanation": list(ranking.explain(len(ranking.rows))),
        },
    }


def _row_json(row: Ranked) -> Json:
    scores = row.scores
    values: Mapping[str, float | None] = {c: scores.value(c) for c in REAL}
    return {
        "number": row.number,
        "label": row.realisation.label,
        "error": _finite(values["error"]),
        "stages_that_can_oscillate": scores.growing,
        "serious_findings": scores.findings,
        "amplifiers": scores.amplifiers,
        "parts": scores.parts,
        "worst_sensitivity": _finite(values["sensitivity"]),
        "spread": scores.spread,
        "noise_vrms": _finite(values["noise"]),
        "yield": _finite(values["yield"]),
        "range_lost_db": _finite(values["range"]),
        "checked": row.checked is not None,
        "findings": [finding_json(f) for f in row.checked.findings] if row.checked else [],
    }


def _finite(x: float | None) -> float | None:
    return x if x is not None and math.isfinite(x) else None
