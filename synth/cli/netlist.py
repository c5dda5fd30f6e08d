"""``synth netlist``: a deck of a circuit, ideal, with an op-amp model, or with parts that vary."""

from __future__ import annotations

import click

from synth.cli.options import Command, circuit_options, json_option, load
from synth.cli.spread import read_spread, spread_options


class Netlist(Command):
    """The command with what a MODEL is."""

    @staticmethod
    def details(formatter: click.HelpFormatter) -> None:
        """Write what a MODEL is, and what the simulator does with a spread."""
        from synth.checking.model import model_names
        from synth.report.variants import FILE

        formatter.write_text(
            f"MODEL is a class ({', '.join(model_names())}), a file, or a list, as in `synth "
            "check`; written are gain, both poles and output resistance. With --spread the "
            f"simulator draws the circuits itself and appends the output of each to {FILE}."
        )


@click.command(cls=Netlist)
@circuit_options
@click.option("--ideal", is_flag=True, help="Ideal op amps instead of the deck's own.")
@click.option("--op-amp", "op_amp", metavar="MODEL", help="A model instead of the deck's own.")
@click.option("--spread", is_flag=True, help="Draw circuits within the tolerances.")
@spread_options
@click.option("--runs", type=int, default=100, show_default=True, help="Circuits drawn.")
@click.option("--seed", type=int, default=1, show_default=True, help="Of the simulator's draws.")
@click.option("-o", "--out", "file", metavar="FILE", help="Write a deck (.cir, .net, .sp).")
@json_option
def netlist(
    circuit: str,
    ideal: bool,
    op_amp: str | None,
    spread: bool,
    resistor_tolerance: str,
    capacitor_tolerance: str,
    parts: tuple[str, ...],
    distribution: str,
    sigmas: float | None,
    runs: int,
    seed: int,
    input_: str | None,
    output: str | None,
    ground: str | None,
    keep_grounded: tuple[str, ...],
    file: str | None,
    as_json: bool,
) -> None:
    """Write CIRCUIT as a deck that the simulator ngspice runs unchanged.

    Its op amps are the deck's own (ideal where it has none), ideal ones, or a model; with
    --spread the parts vary within their tolerances from run to run.
    """
    from synth.checking.model import op_amp_model
    from synth.cli.output import checked_path, deliver
    from synth.realisation.circuit import DECK_ENDINGS
    from synth.realisation.saved import VERSION
    from synth.report.variants import OpAmpChoice, variant_deck

    if ideal and op_amp is not None:
        raise click.UsageError("--ideal and --op-amp say two things; give one of them")
    path = None
    if file is not None:
        path = checked_path(file, DECK_ENDINGS, f"{', '.join(DECK_ENDINGS)} for a deck", circuit)
    choice: OpAmpChoice = "ideal" if ideal else "own"
    if op_amp is not None:
        choice = op_amp_model(op_amp).amplifier
    ranges = read_spread(resistor_tolerance, capacitor_tolerance, parts, distribution, sigmas)
    found = load(circuit, input_, output, ground, keep_grounded)
    text = variant_deck(found.network, choice, ranges if spread else None, runs=runs, seed=seed)
    deliver(
        path,
        text,
        as_json,
        lambda: {
            "schema": VERSION,
            "command": "netlist",
            "circuit": found.name,
            "title": found.network.title,
            "notes": list(found.notes),
            "netlist": text,
        },
        lambda: text if path is None else "",
    )
