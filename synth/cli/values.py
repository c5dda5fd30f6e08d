"""``synth values``: the best parts that can be bought for a circuit, with proof."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import click

from synth.cli.options import (
    Command,
    Quantity,
    circuit_options,
    file_option,
    gathered,
    json_option,
    load,
)
from synth.cli.terminal import meter
from synth.cli.values_options import (
    EffortOptions,
    ErrorOptions,
    PartOptions,
    TargetOptions,
    effort_options,
    error_options,
    part_options,
    target_options,
)

if TYPE_CHECKING:
    from synth.network.model import Network
    from synth.realisation.circuit import Circuit
    from synth.realisation.revalued import Revalued
    from synth.target.target import Target
    from synth.transform.step import Step


class Values(Command):
    """The command with the rules behind its defaults."""

    @staticmethod
    def details(formatter: click.HelpFormatter) -> None:
        """Write what the error is, the rule of the floor, and the windows."""
        from synth.realisation.request import FLOOR_RULE

        def say(text: str) -> None:
            formatter.write_paragraph()
            formatter.write_text(text)

        formatter.write_text(
            "The target is the circuit's own exact response unless --target, --h or --num says "
            "another. The error of one section is max(|d ln w0|, |d ln Q|, |d ln gain|, |d ln zero "
            "frequency|, leakage at zeros); of other orders it is that of the coefficients. The "
            "stages of a cascade are chosen jointly, by the deviation of the whole in dB."
        )
        say(
            f"The floor is {FLOOR_RULE}. Among choices within it the smallest spread wins, then "
            "the fewest different values, then the smallest error of those with resistors within "
            "a decade of 10 kohm, then resistors near 10 kohm, then the least capacitance. "
            "--floor 0 asks for the bare optimum; of a mask nothing is given away."
        )
        say(
            "Windows (common practice): below 1 kohm an op amp must deliver much current, above "
            "100 kohm noise, bias current and strays grow and above 1 Mohm they rule; below "
            "100 pF strays count; above 1 uF film and C0G parts are large."
        )


@click.command(cls=Values)
@circuit_options
@part_options
@target_options
@click.option("--scale-frequency", type=Quantity("", "number"), metavar="K", help="Times K first.")
@click.option("--scale-impedance", type=Quantity("", "number"), metavar="K", help="Times K first.")
@error_options
@effort_options
@file_option
@json_option
@gathered(effort=EffortOptions)
@gathered(error=ErrorOptions)
@gathered(target=TargetOptions)
@gathered(parts=PartOptions)
def values(
    circuit: str,
    input_: str | None,
    output: str | None,
    ground: str | None,
    keep_grounded: tuple[str, ...],
    parts: PartOptions,
    target: TargetOptions,
    scale_frequency: float | None,
    scale_impedance: float | None,
    error: ErrorOptions,
    effort: EffortOptions,
    file: str | None,
    as_json: bool,
) -> None:
    """Choose preferred values for CIRCUIT, and prove the choice.

    The error is the least there is, or within a floor that the tolerance of the parts sets and
    then the spread is the least; either comes with its certificate. A cascade is chosen jointly.
    """
    from synth.cli.output import check_file, deliver, design_content
    from synth.realisation.design import Design
    from synth.realisation.request import FLOOR_RULE, MASK_RULE, request_for
    from synth.realisation.revalue import revalue
    from synth.report.values import values_answer, values_text

    path = check_file(file, circuit)
    found = load(circuit, input_, output, ground, keep_grounded)
    wanted = _wanted(found, target)
    network, scaled = _scaled(found.network, scale_frequency, scale_impedance)
    if scaled and wanted is not None:
        raise click.UsageError(
            "a scaled circuit has its own response as the target; leave --target, --h or --num out"
        )
    wishes = parts.wishes(found.network)
    request = request_for(network, wishes, error.wish(), effort.effort())
    with meter("choosing") as progress:
        result = revalue(network, request, None if wanted is None else wanted.transfer, progress)
    chosen = _picked(effort.pick, result)
    changed, steps = result.circuit(chosen - 1)
    derivation = (*found.design.derivation, *scaled, *steps)
    design = Design(changed, None if scaled else wanted or found.design.target, derivation)
    title = found.network.title
    rule = "" if error.floor is not None else MASK_RULE if request.mask else FLOOR_RULE
    deliver(
        path,
        None if path is None else design_content(path, design),
        as_json,
        lambda: values_answer(found.name, result, title, chosen, found.notes),
        lambda: values_text(result, title, chosen, rule, found.notes),
    )


def _picked(pick: int | None, result: Revalued) -> int:
    from synth.errors import NumberError

    chosen = pick or 1
    if chosen > len(result.choices):
        raise NumberError(
            f"--pick {chosen} asks for a choice that is not there: {len(result.choices)} "
            f"{'was' if len(result.choices) == 1 else 'were'} found; pick one of them"
        )
    return chosen


def _wanted(found: Circuit, asked: TargetOptions) -> Target | None:
    """Return the target that is said; None for the circuit's own response."""
    from synth.cli.wanted import wanted_target

    kind, options = asked.kind, asked.of_family
    if kind is None and asked.h is None and asked.num is None and asked.den is None:
        given = options.given() or ("--at" if asked.at is not None else None)
        given = given or ("--complement" if asked.complement else None)
        if given is not None:
            raise click.UsageError(f"{given} belongs to a target; give --target, --h or --num too")
        return None
    if kind == "design":
        if found.design.target is None:
            raise click.UsageError(
                f"--target design: {found.name} has no target; give a saved design made by realise"
            )
        return found.design.target
    if kind is not None and options.order is None and options.q is None:
        from synth.analysis.loop import analyse
        from synth.analysis.terms import terms_of

        poles = len(terms_of(analyse(found.network)).denominator) - 1
        options = replace(options, order=poles)
    return wanted_target(kind, asked.at, options, asked.h, asked.num, asked.den, asked.complement)


def _scaled(
    network: Network, frequency: float | None, impedance: float | None
) -> tuple[Network, tuple[Step, ...]]:
    from synth.transform.scale import ScaleFrequency, ScaleImpedance

    steps = []
    for change in (
        None if frequency is None else ScaleFrequency(frequency),
        None if impedance is None else ScaleImpedance(impedance),
    ):
        if change is not None:
            network, step = change.apply(network)
            steps.append(step)
    return network, tuple(steps)
