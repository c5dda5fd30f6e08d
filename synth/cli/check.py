"""``synth check``: what real op amps do to a circuit at hand."""

from __future__ import annotations

import click

from synth.cli.completion import op_amps
from synth.cli.options import (
    Command,
    checked_model,
    circuit_options,
    condition_options,
    file_option,
    json_option,
    load,
)


class Check(Command):
    """The command with the classes of op amps and the codes of findings."""

    @staticmethod
    def details(formatter: click.HelpFormatter) -> None:
        """Write what a MODEL is, and every code."""
        from synth.checking.findings import CODES
        from synth.checking.model import PAIRS, SHORT, model_names

        formatter.write_text(
            f"MODEL is a class ({', '.join(model_names())}), a file, or a list such as "
            "gbw=1M,a0=200k,offset=1m,swing=13 of changes to the class general-purpose; its keys "
            f"are class, offset, {', '.join((*SHORT, *PAIRS))} and those of a model file."
        )
        formatter.write_paragraph()
        formatter.write_text("Findings are a note, a caution or serious; their codes:")
        formatter.write_dl(list(CODES.items()))


@click.command(cls=Check)
@circuit_options
@click.option(
    "--op-amp",
    "op_amp",
    required=True,
    metavar="MODEL",
    shell_complete=op_amps,
    help="Class, file or list.",
)
@condition_options
@click.option(
    "--before", metavar="CIRCUIT", help="Compare with it, as before a lift [this one swapped]."
)
@click.option("--predistort", is_flag=True, help="Values that put poles and zeros back; see -o.")
@file_option
@json_option
def check(
    circuit: str,
    op_amp: str,
    supply: tuple[float, float] | None,
    source_resistance: float | None,
    load_: float | None,
    band: tuple[float, float] | None,
    level: float | None,
    tolerance: float | None,
    before: str | None,
    predistort: bool,
    input_: str | None,
    output: str | None,
    ground: str | None,
    keep_grounded: tuple[str, ...],
    file: str | None,
    as_json: bool,
) -> None:
    """Check CIRCUIT with real op amps before it is built.

    Feedback and margins, DC operating point, shifts of f0 and Q, the defect of the complement,
    levels, noise and sensitivity, each with a remedy where one is needed. A circuit with several
    inputs is checked from one at a time (--input). With --predistort, -o writes the circuit whose
    values put the poles and zeros back.
    """
    from synth.checking.checked import check as check_circuit
    from synth.checking.conditions import conditions_of, on_supplies
    from synth.cli.output import check_file, deliver, design_content
    from synth.realisation.predistorted import predistorted_design, undistorted
    from synth.report.check import CheckRecord, check_answer
    from synth.report.check_text import check_text

    if file is not None and not predistort:
        raise click.UsageError("-o writes the pre-distorted circuit; give --predistort with it")
    path = check_file(file, circuit)
    conditions = conditions_of(source_resistance, load_, band, level, tolerance)
    found = load(circuit, input_, output, ground, keep_grounded)
    model, said = on_supplies(checked_model(op_amp, supply), found.network, supply is not None)
    other = None if before is None else load(before, input_, output, ground, keep_grounded).network
    checked = check_circuit(
        found.network, model, conditions, before=other, wanted=undistorted(found.design)
    )
    content = None
    if path is not None:
        content = design_content(path, predistorted_design(checked.facts, found.design))
    record = CheckRecord(found.name, checked, (*found.notes, *said), predistort)
    deliver(path, content, as_json, lambda: check_answer(record), lambda: check_text(record))
