"""``synth ladder``: a target realised by simulating a passive ladder."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from synth.cli.completion import families, ladder_forms
from synth.cli.options import Command, Decibels, Gain, Quantity, Window, file_option, json_option
from synth.cli.realise import check_pick, search, shelf
from synth.cli.terminal import meter
from synth.cli.wanted import FamilyOptions, wanted_target

if TYPE_CHECKING:
    from synth.realisation.design import Realisation
    from synth.realisation.ladder import Comparison
    from synth.target.target import Target
    from synth.values.series import Shelf

#: Within how many dB of the target a circuit counts as good where nothing is said.
_LIMIT_DB = 0.5


class LadderCommand(Command):
    """The command with the forms, taken from their table."""

    @staticmethod
    def details(formatter: click.HelpFormatter) -> None:
        """Write the forms."""
        from synth.ladder.simulation import FORMS

        formatter.write_text(
            "KIND is lowpass, highpass or bandpass; the options of the target are those of "
            "`synth realise`. The forms:"
        )
        formatter.write_dl([(f.name, f"{f.kind}: {f.meaning}") for f in FORMS.values()])


@click.command(cls=LadderCommand)
@click.argument("kind", metavar="KIND")
@click.option("--family", metavar="NAME", shell_complete=families, help="[butterworth]")
@click.option("--order", type=int, metavar="N", help="Number of poles [2].")
@click.option("--at", type=Quantity("Hz", "frequency"), metavar="F", help="Frequency, as 1kHz.")
@click.option("--width", type=Quantity("Hz", "frequency"), metavar="F", help="Band width.")
@click.option("--ripple", type=Decibels(), metavar="DB", help="Pass-band ripple [0.5 dB].")
@click.option("--stop-attenuation", type=Decibels(), metavar="DB", help="Stop band [40 dB].")
@click.option("--edge", metavar="EDGE", help="3dB, ripple, stop or delay.")
@click.option("--gain", type=Gain(), metavar="G", help="As 2, -1 (inverting) or 6dB [1].")
@click.option(
    "--form",
    "forms",
    multiple=True,
    metavar="FORM",
    shell_complete=ladder_forms,
    help="Only this form; repeat for several.",
)
@click.option("--resistors", default="E96", show_default=True, metavar="SERIES")
@click.option("--capacitors", default="E12", show_default=True, metavar="SERIES")
@click.option("--resistor-window", type=Window("ohm"), metavar="LOW:HIGH", help="[1k:1M]")
@click.option("--capacitor-window", type=Window("F"), metavar="LOW:HIGH", help="[100p:1u]")
@click.option("--against-cascade", is_flag=True, help="Compare with a cascade under tolerance.")
@click.option("--resistor-tolerance", default="1%", show_default=True, metavar="PERCENT")
@click.option("--capacitor-tolerance", default="1%", show_default=True, metavar="PERCENT")
@click.option("--limit", type=Decibels(), metavar="DB", help="Kept over the pass band [0.5 dB].")
@click.option(
    "--band", type=Window("Hz"), metavar="LOW:HIGH", help="Instead of where H is 1 dB down."
)
@click.option("--samples", type=click.IntRange(100, 1_000_000), default=4000, show_default=True)
@click.option("--seed", type=click.IntRange(0), default=0, metavar="N", help="Of all draws.")
@click.option("--pick", type=click.IntRange(1, 100), metavar="N", help="Circuit to show and write.")
@file_option
@json_option
def ladder(
    kind: str,
    family: str | None,
    order: int | None,
    at: float | None,
    width: float | None,
    ripple: float | None,
    stop_attenuation: float | None,
    edge: str | None,
    gain: float | None,
    forms: tuple[str, ...],
    resistors: str,
    capacitors: str,
    resistor_window: tuple[float, float] | None,
    capacitor_window: tuple[float, float] | None,
    against_cascade: bool,
    resistor_tolerance: str,
    capacitor_tolerance: str,
    limit: float | None,
    band: tuple[float, float] | None,
    samples: int,
    seed: int,
    pick: int | None,
    file: str | None,
    as_json: bool,
) -> None:
    """Realise a target as a simulated LC ladder.

    A ladder between resistances is far less sensitive to its elements than a cascade of sections,
    at the price of more op amps. With --against-cascade both are put under the same tolerances.
    """
    from synth.cli.output import check_file, deliver, design_content
    from synth.realisation.ladder import ladders, refuse_other_kinds
    from synth.report.ladder import ladder_answer, ladder_text
    from synth.report.record import realisation_records
    from synth.values.series import CAPACITORS, RESISTORS

    path = check_file(file)
    for name, value in (("--limit", limit), ("--band", band)):
        if value is not None and not against_cascade:
            raise click.UsageError(f"{name} is for --against-cascade; give that with it")
    refuse_other_kinds(kind)
    options = FamilyOptions(family, order, None, width, ripple, stop_attenuation, edge, gain)
    target = wanted_target(kind, at, options, None, None, None, False)
    shelves = (
        shelf(resistors, resistor_window, RESISTORS),
        shelf(capacitors, capacitor_window, CAPACITORS),
    )
    found = ladders(target, forms, resistors=shelves[0], capacitors=shelves[1])
    comparison = None
    if against_cascade:
        share = (resistor_tolerance, capacitor_tolerance)
        within = _LIMIT_DB if limit is None else limit
        found, comparison = _against_cascade(
            target, found, shelves, share, within, band, samples, seed
        )
    chosen = pick or 1
    check_pick(chosen, len(found))
    records = realisation_records(found)
    content = None if path is None else design_content(path, found[chosen - 1].design)
    deliver(
        path,
        content,
        as_json,
        lambda: ladder_answer(target, records, comparison),
        lambda: ladder_text(target, records, chosen, comparison),
    )


def _against_cascade(
    target: Target,
    found: tuple[Realisation, ...],
    shelves: tuple[Shelf, Shelf],
    tolerances: tuple[str, str],
    within_db: float,
    band: tuple[float, float] | None,
    samples: int,
    seed: int,
) -> tuple[tuple[Realisation, ...], Comparison]:
    """Return the ladders with the best cascade behind them, and how tolerances treat all."""
    from synth.cli.spread import tolerance_share
    from synth.masks.limits import Limit
    from synth.realisation.brief import Brief
    from synth.realisation.ladder import compared, pass_band
    from synth.tolerances.spread import Spread

    spread = Spread(tolerance_share(tolerances[0]), tolerance_share(tolerances[1]))
    low, high = band or pass_band(target)
    limit = Limit(low, high, "within", within_db)
    everything = (*found, *search(Brief(target, *shelves, seed=seed), 1))
    with meter("drawing") as progress:
        comparison = compared(
            target, everything, spread, limit, samples=samples, seed=seed, progress=progress
        )
    return everything, comparison
