"""``synth lift``: drive grounds of a circuit at hand, wholly or in part, with its poles locked."""

from __future__ import annotations

import click

from synth.cli.completion import lift_kinds
from synth.cli.options import Command, circuit_options, file_option, json_option, load


class LiftCommand(Command):
    """The command with the kinds, taken from their table."""

    @staticmethod
    def details(formatter: click.HelpFormatter) -> None:
        """Write the kinds."""
        from synth.search.goal import KINDS

        formatter.write_text(
            "KIND is one of " + ", ".join(KINDS) + "; the notches with the frequency of their "
            "zero, as in lowpass-notch=2kHz."
        )


@click.command(cls=LiftCommand)
@circuit_options
@click.option(
    "--to", "kind", metavar="KIND", shell_complete=lift_kinds, help="The response wanted."
)
@click.option(
    "--numerator",
    metavar="TEXT",
    help='Instead: the numerator in descending powers of s (rad/s), as in "1 0 4e7"; gain free.',
)
@click.option(
    "--tolerance",
    default="1%",
    show_default=True,
    metavar="PERCENT",
    help="Of the parts, for the floor of zeros that need a match.",
)
@click.option("--top", type=click.IntRange(1, 20), default=5, show_default=True, help="Plans.")
@click.option("--pick", type=click.IntRange(1), default=1, show_default=True, help="Which plan.")
@file_option
@json_option
def lift(
    circuit: str,
    kind: str | None,
    numerator: str | None,
    tolerance: str,
    top: int,
    pick: int,
    input_: str | None,
    output: str | None,
    ground: str | None,
    keep_grounded: tuple[str, ...],
    file: str | None,
    as_json: bool,
) -> None:
    """Give CIRCUIT another numerator over its own poles.

    Says which grounds to drive from the input, wholly or in part, so that the same loop has the
    response wanted; what it costs in gain and parts; and which zeros need parts that match.
    """
    from synth.cli.output import check_file, deliver, design_content
    from synth.errors import RealisationError
    from synth.realisation.design import Design
    from synth.report.lift import lift_record, lift_text
    from synth.report.lift_answer import lift_answer
    from synth.search.goal import article

    if (kind is None) == (numerator is None):
        raise click.UsageError("say what to lift to: --to KIND or --numerator TEXT, one of them")
    path = check_file(file, circuit)
    found = load(circuit, input_, output, ground, keep_grounded)
    name, at_hz = goal_kind(kind) if kind is not None else (None, None)
    record = lift_record(
        found.network,
        kind=name,
        at_hz=at_hz,
        numerator=_numerator(numerator),
        tolerance=share(tolerance),
        top=max(top, pick),
    )
    content = None
    if record.options and pick > len(record.options):
        count = len(record.options)
        there = "there is 1 plan" if count == 1 else f"there are {count} plans"
        raise click.UsageError(f"--pick {pick}: {there}")
    if path is not None:
        if not record.options:
            raise RealisationError(
                f"no drive of this loop gives {article(record.goal.name)}, so nothing is written "
                f"to {path}; without -o the command says what the loop can reach"
            )
        chosen = record.options[pick - 1]
        design = Design(chosen.network, None, (*found.design.derivation, chosen.step))
        content = design_content(path, design)
    deliver(
        path,
        content,
        as_json,
        lambda: lift_answer(record, found.name, found.notes),
        lambda: lift_text(record, pick),
    )


def goal_kind(text: str) -> tuple[str, float | None]:
    """Split ``KIND`` or ``KIND=F`` into the kind and the frequency in hertz."""
    from synth.units import parse_si

    name, equals, value = text.partition("=")
    return name, parse_si(value, "Hz") if equals else None


def _numerator(text: str | None) -> tuple[float, ...] | None:
    if text is None:
        return None
    from synth.transfer.expression import polynomial_from_text

    return tuple(float(c) for c in reversed(polynomial_from_text(text)))


def share(text: str) -> float:
    """Read a percentage, the sign optional, as a fraction."""
    from synth.units import parse_si

    return parse_si(text.strip().removesuffix("%")) / 100
