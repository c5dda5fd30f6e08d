"""What `synth draw` says about a schematic, as text and JSON."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from synth.drawing.measure import Measures, measure
from synth.drawing.model import Drawing
from synth.drawing.render import to_svg
from synth.realisation.saved import VERSION, Json
from synth.report.layout import wrapped


@dataclass(frozen=True)
class SchematicRecord:
    """A schematic that was asked for.

    Parameters
    ----------
    circuit : str
        What the command line called it.
    drawing : Drawing
    measures : Measures
    resistors : str
        Style of the resistor symbols.
    svg : str
    notes : tuple of str
        From reading the circuit.
    """

    circuit: str
    drawing: Drawing
    measures: Measures
    resistors: str
    svg: str
    notes: tuple[str, ...]


def schematic_record(
    circuit: str, drawing: Drawing, resistors: str, values: bool, notes: Sequence[str] = ()
) -> SchematicRecord:
    """Render a drawing and measure it."""
    svg = to_svg(drawing, resistors=resistors, values=values)
    return SchematicRecord(circuit, drawing, measure(drawing), resistors, svg, tuple(notes))


def terminals(drawing: Drawing) -> list[tuple[str, str, str, str]]:
    """Return part, pin, kind of mark and node of every terminal, in order of the marks."""
    owners = {p.at: (s.name, p.name) for s in drawing.symbols for p in s.pins}
    return [(*owners[m.at], m.kind, m.node) for m in drawing.marks]


def schematic_text(record: SchematicRecord) -> str:
    """Return what was drawn, in a few lines."""
    drawing, found = record.drawing, record.measures
    lines = wrapped(drawing.title or "circuit without a title")
    for note in record.notes:
        lines += wrapped(f"note: {note}", hanging="  ")
    parts = [s.name for s in drawing.symbols if s.kind != "output"]
    crossings = f"{found.crossings or 'no'} crossing{'s' * (found.crossings != 1)}"
    lines += wrapped(f"{len(parts)} symbols, {found.bends} bends, {crossings}")
    places: dict[str, list[str]] = {}
    for part, pin, kind, node in terminals(drawing):
        places.setdefault(f"{kind} {node}", []).append(f"{part}.{pin}")
    for where, pins in places.items():
        lines += wrapped(f"{where}: {', '.join(pins)}", hanging="  ")
    for split in drawing.splits:
        lines += wrapped(f"split: {split.source_part} to the source, {split.ground_part} to ground")
    return "\n".join(lines) + "\n"


def schematic_answer(record: SchematicRecord, written: bool) -> Json:
    """Return the answer of `synth draw --json`; the picture itself where no file is written."""
    found = record.measures
    return {
        "schema": VERSION,
        "command": "draw",
        "circuit": record.circuit,
        "title": record.drawing.title,
        "resistors": record.resistors,
        "symbols": [{"name": s.name, "kind": s.kind} for s in record.drawing.symbols],
        "terminals": [
            {"part": part, "pin": pin, "mark": kind, "node": node}
            for part, pin, kind, node in terminals(record.drawing)
        ],
        "splits": [
            {"source_part": s.source_part, "ground_part": s.ground_part}
            for s in record.drawing.splits
        ],
        "crossings": found.crossings,
        "bends": found.bends,
        "wire_length": found.wire_length,
        "svg": None if written else record.svg,
        "notes": list(record.notes),
    }
