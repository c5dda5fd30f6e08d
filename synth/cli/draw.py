"""``synth draw``: the schematic of a circuit."""

from __future__ import annotations

import click

from synth.cli.completion import step_texts
from synth.cli.options import circuit_options, json_option, load


@click.command()
@circuit_options
@click.argument("steps", metavar="[STEP...]", nargs=-1, shell_complete=step_texts)
@click.option(
    "--symbols",
    type=click.Choice(["iec", "ansi"]),
    default="iec",
    show_default=True,
    help="Of resistors: rectangles or zigzags.",
)
@click.option("--values/--no-values", default=True, help="Write values under the names.")
@click.option("-o", "--out", "file", metavar="FILE", help="Write the picture (.svg).")
@json_option
def draw(
    circuit: str,
    steps: tuple[str, ...],
    symbols: str,
    values: bool,
    input_: str | None,
    output: str | None,
    ground: str | None,
    keep_grounded: tuple[str, ...],
    file: str | None,
    as_json: bool,
) -> None:
    """Draw CIRCUIT as an SVG picture, after the STEPs of `synth transform` if there are any.

    Every pin at the source has an arrow of its own, every pin at ground a ground symbol, so that
    a swap shows at a glance; a half-filled circle marks where the source half of a split part joins
    the node of both halves. Stages of the catalogue keep their published layout, and so does what
    is made from them. Without -o the picture goes to standard output.
    """
    from synth.cli.output import checked_path, deliver
    from synth.drawing import draw as schematic
    from synth.drawing import placement_for
    from synth.drawing.carry import carried
    from synth.report.schematic import schematic_answer, schematic_record, schematic_text
    from synth.transform.steps import read_step

    path = None if file is None else checked_path(file, (".svg",), ".svg for a picture", circuit)
    chain = [read_step(text) for text in steps]
    found = load(circuit, input_, output, ground, keep_grounded)
    network = found.network
    placement = None if found.stage is None else found.stage.placement
    if chain and placement is None:
        placement = placement_for(network)
    for step in chain:
        after, record = step.apply(network)
        if placement is not None:
            placement = carried(placement, network, after, record)
        network = after
    drawing = schematic(network, placement=placement)
    result = schematic_record(found.name, drawing, symbols, values, found.notes)
    deliver(
        path,
        result.svg,
        as_json,
        lambda: schematic_answer(result, path is not None),
        lambda: result.svg if path is None else schematic_text(result),
    )
