"""``synth analyse``: what a circuit does, exactly."""

from __future__ import annotations

import click

from synth.cli.options import circuit_options, json_option, load


@click.command()
@circuit_options
@json_option
def analyse(
    circuit: str,
    input_: str | None,
    output: str | None,
    ground: str | None,
    keep_grounded: tuple[str, ...],
    as_json: bool,
) -> None:
    """Show H(s), modes, poles, zeros and every terminal of CIRCUIT.

    H(s) is given in part names and in numbers, with f0 and Q of each section; then natural modes,
    poles and zeros in rad/s, the stages, and the transfer of every terminal at the input or
    ground with their sum, which is 1.
    """
    from synth.cli.output import deliver
    from synth.report.answer import analysis_answer
    from synth.report.record import analysis_record
    from synth.report.text import analysis_text

    found = load(circuit, input_, output, ground, keep_grounded)
    record = analysis_record(found.network)
    deliver(
        None,
        None,
        as_json,
        lambda: analysis_answer(record, found),
        lambda: analysis_text(record, found.notes),
    )
