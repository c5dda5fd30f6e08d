"""``synth explain``: why the complement works in a circuit, and what its steps used."""

from __future__ import annotations

import click

from synth.cli.completion import step_texts
from synth.cli.options import Command, Quantity, circuit_options, json_option, load

#: Ending of a file -> how it is written.
FORMATS = {".md": "markdown", ".txt": "text"}


class Explain(Command):
    """The command with the steps, taken from their table."""

    @staticmethod
    def details(formatter: click.HelpFormatter) -> None:
        """Write the steps."""
        from synth.transform.steps import STEPS

        formatter.write_text(f"STEP is as in `synth transform`: {', '.join(STEPS)}.")


@click.command(cls=Explain)
@circuit_options
@click.argument("steps", metavar="[STEP...]", nargs=-1, shell_complete=step_texts)
@click.option(
    "--format",
    "form",
    type=click.Choice(["markdown", "text"]),
    help="How to write it [text, or as the ending of FILE says].",
)
@click.option(
    "--gain-bandwidth",
    type=Quantity("Hz", "frequency"),
    default="1MHz",
    show_default=True,
    metavar="F",
    help="Of the real op amps.",
)
@click.option(
    "--dc-gain",
    type=Quantity("", "number"),
    default="200k",
    show_default=True,
    metavar="A0",
    help="Of the real op amps.",
)
@click.option("-o", "--out", "file", metavar="FILE", help="Write it to FILE (.md or .txt).")
@json_option
def explain(
    circuit: str,
    steps: tuple[str, ...],
    form: str | None,
    gain_bandwidth: float,
    dc_gain: float,
    input_: str | None,
    output: str | None,
    ground: str | None,
    keep_grounded: tuple[str, ...],
    file: str | None,
    as_json: bool,
) -> None:
    """Derive the complement property for CIRCUIT line by line, with its own formulas and values.

    The terminals and their transfers, why the op amps' own references need not move, the sum, H
    and 1 - H; what each STEP used and moved; what is left with real op amps, and where the sum is
    not 1 or the circuit does not work.
    """
    from math import pi

    from synth.analysis.amplifier import Amplifier
    from synth.cli.output import checked_path, deliver
    from synth.report.explain import explanation
    from synth.report.explanation_answer import explain_answer
    from synth.transform.steps import read_step

    path = None
    if file is not None:
        meaning = ".md for Markdown or .txt for plain text"
        path = checked_path(file, FORMATS, meaning, circuit)
        form = form or FORMATS[path.suffix.lower()]
        if form != FORMATS[path.suffix.lower()]:
            raise click.UsageError(f"--format {form} and the ending of {file} disagree")
    chain = [(text, read_step(text)) for text in steps]
    found = load(circuit, input_, output, ground, keep_grounded)
    record = explanation(found.network, chain, Amplifier(2 * pi * gain_bandwidth, dc_gain))
    text = record.markdown if form == "markdown" else record.text
    deliver(
        path,
        text,
        as_json,
        lambda: explain_answer(record, found.name, found.notes),
        lambda: text if path is None else "",
    )
