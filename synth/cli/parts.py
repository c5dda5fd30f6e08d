"""``synth parts``: what to buy for a circuit."""

from __future__ import annotations

import click

from synth.cli.options import circuit_options, json_option, load
from synth.cli.spread import part_tolerance_options, read_spread

_ENDINGS = (".csv", ".txt")


@click.command()
@circuit_options
@part_tolerance_options
@click.option("-o", "--out", "file", metavar="FILE", help="Write a CSV (.csv) or a text (.txt).")
@json_option
def parts(
    circuit: str,
    resistor_tolerance: str,
    capacitor_tolerance: str,
    parts: tuple[str, ...],
    input_: str | None,
    output: str | None,
    ground: str | None,
    keep_grounded: tuple[str, ...],
    file: str | None,
    as_json: bool,
) -> None:
    """List the parts of CIRCUIT, grouped by kind, value and tolerance, with their count.

    The tolerances are what you say they are; decoupling and other parts beside the signal are
    listed without one.
    """
    from synth.cli.output import checked_path, deliver
    from synth.report.parts_list import parts_answer, parts_csv, parts_list, parts_text

    path = None
    if file is not None:
        path = checked_path(file, _ENDINGS, ".csv for a spreadsheet or .txt for a text", circuit)
    spread = read_spread(resistor_tolerance, capacitor_tolerance, parts)
    found = load(circuit, input_, output, ground, keep_grounded)
    listed = parts_list(found.network, spread)
    content = None
    if path is not None:
        is_table = path.suffix.lower() == ".csv"
        content = parts_csv(listed) if is_table else parts_text(listed, found.notes)
    deliver(
        path,
        content,
        as_json,
        lambda: parts_answer(found.name, listed, found.notes),
        lambda: parts_text(listed, found.notes),
    )
