"""``synth transform``: a circuit at hand becomes another."""

from __future__ import annotations

import click

from synth.cli.completion import step_texts
from synth.cli.options import Command, circuit_options, file_option, json_option, load


class Transform(Command):
    """The command with the steps, taken from their table."""

    @staticmethod
    def details(formatter: click.HelpFormatter) -> None:
        """Write the steps."""
        from synth.transform.steps import STEPS

        formatter.write_dl([(s.form, s.meaning) for s in STEPS.values()])


@click.command(cls=Transform)
@circuit_options
@click.argument("steps", metavar="STEP...", nargs=-1, required=True, shell_complete=step_texts)
@file_option
@json_option
def transform(
    circuit: str,
    steps: tuple[str, ...],
    input_: str | None,
    output: str | None,
    ground: str | None,
    keep_grounded: tuple[str, ...],
    file: str | None,
    as_json: bool,
) -> None:
    """Apply STEPs to CIRCUIT, in order.

    Each step is a theorem with checked preconditions; H before and after are shown, and where
    the complement is not the filter probably wanted, the way to that one.
    """
    from shlex import quote

    from synth.cli.output import check_file, deliver, design_content
    from synth.realisation.design import Design
    from synth.report.record import transform_record
    from synth.transform.steps import read_step

    path = check_file(file, circuit)
    chain = [(text, read_step(text)) for text in steps]
    found = load(circuit, input_, output, ground, keep_grounded)
    options = {"--input": input_, "--output": output, "--ground": ground}
    options["--keep-grounded"] = ",".join(keep_grounded) or None
    words = [quote(circuit), *(f"{k} {quote(v)}" for k, v in options.items() if v is not None)]
    record = transform_record(found.network, chain, " ".join(["synth transform", *words]))
    design = Design(record.after.network, None, (*found.design.derivation, *record.steps))
    content = None if path is None else design_content(path, design)
    from synth.report.answer import transform_answer
    from synth.report.text import transform_text

    deliver(
        path,
        content,
        as_json,
        lambda: transform_answer(record, found),
        lambda: transform_text(record, found.notes),
    )
