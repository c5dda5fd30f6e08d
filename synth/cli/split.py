"""``synth split``: bands that sum to 1, from circuits and their complements."""

from __future__ import annotations

import click

from synth.cli.completion import families
from synth.cli.options import Command, Decibels, Quantity, Window, file_option, json_option
from synth.cli.pool import jobs_option, pool
from synth.cli.realise import shelf
from synth.cli.terminal import meter


@click.command(cls=Command)
@click.option(
    "--at",
    "corners",
    type=Quantity("Hz", "frequency"),
    multiple=True,
    required=True,
    metavar="F",
    help="Corner between two bands; repeat, rising.",
)
@click.option(
    "--family",
    default="butterworth",
    show_default=True,
    metavar="NAME",
    shell_complete=families,
    help="Of the low-passes.",
)
@click.option("--order", type=int, default=1, show_default=True, metavar="N", help="Their poles.")
@click.option("--ripple", type=Decibels(), metavar="DB", help="Pass-band ripple [0.5 dB].")
@click.option("--resistors", default="E96", show_default=True, metavar="SERIES")
@click.option("--capacitors", default="E12", show_default=True, metavar="SERIES")
@click.option("--resistor-window", type=Window("ohm"), metavar="LOW:HIGH", help="[1k:1M]")
@click.option("--capacitor-window", type=Window("F"), metavar="LOW:HIGH", help="[100p:1u]")
@click.option("--seed", type=click.IntRange(0), default=0, metavar="N", help="Of the value search.")
@jobs_option
@file_option
@json_option
def split(
    corners: tuple[float, ...],
    family: str,
    order: int,
    ripple: float | None,
    resistors: str,
    capacitors: str,
    resistor_window: tuple[float, float] | None,
    capacitor_window: tuple[float, float] | None,
    seed: int,
    jobs: int,
    file: str | None,
    as_json: bool,
) -> None:
    """Divide a signal into bands whose outputs sum to 1.

    Below the first corner a low-pass gives the lowest band, the same circuit with input and
    ground interchanged the rest, which is divided at the next corner in the same way.
    """
    from synth.cli.output import check_file, deliver, design_content
    from synth.realisation.brief import Brief
    from synth.realisation.design import Design
    from synth.realisation.divide import division
    from synth.report.divide import division_answer, division_text
    from synth.target import response_target
    from synth.values.series import CAPACITORS, RESISTORS

    path = check_file(file)
    if list(corners) != sorted(set(corners)):
        raise click.UsageError("--at: the corners must rise, each given once")
    shelves = (
        shelf(resistors, resistor_window, RESISTORS),
        shelf(capacitors, capacitor_window, CAPACITORS),
    )
    targets = [
        response_target("lowpass", f, family=family, order=order, ripple_db=ripple) for f in corners
    ]
    with pool(jobs) as executor, meter("searching") as progress:
        briefs = [Brief(t, *shelves, seed=seed, executor=executor) for t in targets]
        found = division(briefs, progress)
    content = None
    if path is not None:
        content = design_content(path, Design(found.network, None, found.steps))
    deliver(path, content, as_json, lambda: division_answer(found), lambda: division_text(found))
