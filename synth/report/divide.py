"""The text and JSON forms of a division into bands."""

from __future__ import annotations

from synth.realisation.divide import Division
from synth.realisation.saved import VERSION, Json, step_json
from synth.report.answer import description_json, parts_json, transfer_json
from synth.report.layout import labelled, wrapped
from synth.report.netlist import deck_text
from synth.report.text import CAUTION, part_lines, transfer_lines


def division_text(found: Division) -> str:
    """Return the bands, their sum, and the parts."""
    network = found.network
    lines = wrapped(network.title, hanging="  ")
    counts = f"{len(network.branches)} parts, {len(network.op_amps)} op amps"
    lines += wrapped(f"{counts}; each low-pass stands beside its complement", "  ", "  ")
    for band in found.bands:
        lines += ["", *labelled(f"band {band.name}", f"node {band.node}")]
        lines += transfer_lines(band.transfer)
        lines += wrapped(str(band.description), "  ", "    ")
    total = "1 (exact)" if found.sum_is_one else "NOT 1: a fault of the analysis"
    lines += ["", f"the sum of all bands is {total}"]
    lines += wrapped(
        "the complement of a low-pass rises 20 dB per decade at first, whatever its order; the "
        "sum holds while the parts of a low-pass and of its complement match",
        "note: ",
        "  ",
    )
    lines += ["", *part_lines(network), *wrapped(CAUTION)]
    return "\n".join(line.rstrip() for line in lines) + "\n"


def division_answer(found: Division) -> Json:
    """Return the answer of ``split``."""
    return {
        "schema": VERSION,
        "command": "split",
        "title": found.network.title,
        "bands": [
            {
                "name": b.name,
                "node": b.node,
                **transfer_json(b.transfer),
                "response": description_json(b.description),
            }
            for b in found.bands
        ],
        "sum_is_one": found.sum_is_one,
        "derivation": [step_json(s) for s in found.steps],
        **parts_json(found.network),
        "netlist": deck_text(found.network),
    }
