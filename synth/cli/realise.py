"""``synth realise``: from a target to circuits."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import click

from synth.cli.completion import families, op_amps, target_kinds
from synth.cli.mask import MaskOptions, mask_options, ripple_options
from synth.cli.options import (
    Command,
    Decibels,
    Gain,
    Quantity,
    Window,
    checked_model,
    condition_options,
    file_option,
    json_option,
)
from synth.cli.pool import jobs_option, pool
from synth.cli.spread import tolerance_share
from synth.cli.terminal import meter
from synth.cli.wanted import (
    FamilyOptions,
    Wanted,
    equalised_target,
    fitted_target,
    masked_target,
    wanted_target,
)

if TYPE_CHECKING:
    from synth.realisation.brief import Brief
    from synth.realisation.design import Realisation
    from synth.realisation.with_amplifier import Ranking
    from synth.target.target import Target
    from synth.values.series import Shelf


class Realise(Command):
    """The command with what --at and --order mean, taken from the families themselves."""

    @staticmethod
    def details(formatter: click.HelpFormatter) -> None:
        """Write the kinds, the families with their edges, and the meaning of the numbers."""
        from synth.target import EDGES, FAMILIES, KINDS

        def say(text: str) -> None:
            formatter.write_paragraph()
            formatter.write_text(text)

        formatter.write_text(f"KIND is one of {', '.join(KINDS)}.")
        say("--at is the edge of the pass band; what marks it depends on the family:")
        rows = [(f.name, f"{EDGES[f.edge]} (--edge {f.edge})") for f in FAMILIES.values()]
        flat = ", ".join(f.name for f in FAMILIES.values() if f.flat)
        formatter.write_dl(rows)
        say(f"On request, for {flat}: {EDGES['delay']} (--edge delay).")
        say(
            "For a bandpass or bandstop --at is the geometric centre, and --width is measured "
            "between the same edges. With --q and no family --at is the pole frequency: the "
            "centre, where a bandpass has its gain and a bandstop its zero. With --h or --num, "
            "s = j1 falls on --at; without --at, s is in rad/s."
        )
        say(
            "--order counts all poles of the filter: a bandpass or bandstop has twice the order "
            "of its low-pass, so it is even. An allpass has the poles of its family, or of --q."
        )
        from synth.realisation.ranking import CRITERIA, IDEAL, REAL

        say(
            "Circuits are ranked by criteria, one after the other; --rank puts some of them first, "
            "and circuits that are best by these are looked for. With --best-for noise the noise "
            "comes before the op amps where they are real (--op-amp), and just behind their number "
            "where they are ideal and add none."
        )
        say(f"With ideal op amps: {', '.join(IDEAL)}.")
        say(f"With --op-amp (see `synth check --help`): {', '.join(REAL)}.")
        formatter.write_dl(list(CRITERIA.items()))


@click.command(cls=Realise)
@click.argument("kind", metavar="[KIND]", required=False, shell_complete=target_kinds)
@click.option(
    "--family", metavar="NAME", shell_complete=families, help="Response family [butterworth]."
)
@click.option("--order", type=int, metavar="N", help="Number of poles [2].")
@click.option("--at", type=Quantity("Hz", "frequency"), metavar="F", help="Frequency, as 1kHz.")
@click.option("--q", type=Quantity("", "number"), metavar="Q", help="Q of the poles, or F/width.")
@click.option("--width", type=Quantity("Hz", "frequency"), metavar="F", help="Band width.")
@click.option("--ripple", type=Decibels(), metavar="DB", help="Pass-band ripple [0.5 dB].")
@click.option("--stop-attenuation", type=Decibels(), metavar="DB", help="Stop band [40 dB].")
@click.option("--edge", metavar="EDGE", help="3dB, ripple, stop or delay.")
@click.option("--gain", type=Gain(), metavar="G", help="As 2, -1 (inverting) or 6dB [1].")
@click.option("--h", "h", metavar="TEXT", help='H(s), as "s^2/(s^2 + sqrt(2)*s + 1)".')
@click.option("--num", metavar="LIST", help='Numerator, descending powers, as "1 0 1".')
@click.option("--den", metavar="LIST", help='Denominator, as "1 0.2 1".')
@click.option("--complement", is_flag=True, help="Realise 1 - H instead.")
@mask_options
@ripple_options
@click.option("--fit", is_flag=True, help="For a mask: a response of no family.")
@click.option("--response", metavar="FILE", help="Frequency, magnitude and phase, a point a line.")
@click.option("--resistors", default="E96", show_default=True, metavar="SERIES")
@click.option("--capacitors", default="E12", show_default=True, metavar="SERIES")
@click.option("--resistor-window", type=Window("ohm"), metavar="LOW:HIGH", help="[1k:1M]")
@click.option("--capacitor-window", type=Window("F"), metavar="LOW:HIGH", help="[100p:1u]")
@click.option("--top", type=click.IntRange(1, 100), default=5, show_default=True, metavar="N")
@click.option("--pick", type=click.IntRange(1, 100), metavar="N", help="Circuit to show and write.")
@click.option("--seed", type=click.IntRange(0), default=0, metavar="N", help="Of the value search.")
@click.option(
    "--op-amp",
    "op_amp",
    metavar="MODEL",
    shell_complete=op_amps,
    help="Rank with it: class, file or list.",
)
@click.option("--rank", "rank", metavar="LIST", help="Criteria to rank by first, as range,parts.")
@click.option("--explain-rank", is_flag=True, help="Say what put each circuit before the next.")
@click.option(
    "--best-for",
    type=click.Choice(["range", "noise"]),
    default="range",
    show_default=True,
    help="What pairing, order and gains of the sections are chosen for.",
)
@click.option(
    "--limit",
    type=Decibels(),
    metavar="DB",
    help="Values for the most margin within this of the target where it passes; with yield.",
)
@click.option("--resistor-tolerance", default="1%", show_default=True, metavar="PERCENT")
@click.option("--capacitor-tolerance", default="5%", show_default=True, metavar="PERCENT")
@jobs_option
@condition_options
@file_option
@json_option
def realise(
    kind: str | None,
    family: str | None,
    order: int | None,
    at: float | None,
    q: float | None,
    width: float | None,
    ripple: float | None,
    stop_attenuation: float | None,
    edge: str | None,
    gain: float | None,
    h: str | None,
    num: str | None,
    den: str | None,
    complement: bool,
    mask: str | None,
    pass_: tuple[str, ...],
    stop: tuple[str, ...],
    flat_delay: tuple[str, ...],
    phase_ripple: float | None,
    delay_ripple: str | None,
    fit: bool,
    response: str | None,
    resistors: str,
    capacitors: str,
    resistor_window: tuple[float, float] | None,
    capacitor_window: tuple[float, float] | None,
    top: int,
    pick: int | None,
    seed: int,
    op_amp: str | None,
    rank: str | None,
    explain_rank: bool,
    best_for: str,
    limit: float | None,
    resistor_tolerance: str,
    capacitor_tolerance: str,
    jobs: int,
    supply: tuple[float, float] | None,
    source_resistance: float | None,
    load_: float | None,
    band: tuple[float, float] | None,
    level: float | None,
    tolerance: float | None,
    file: str | None,
    as_json: bool,
) -> None:
    """Find circuits for a target, best first.

    The target is a KIND; or H(s) by --h, or its coefficients by --num and --den; or a mask, of
    which the response of the fewest poles is taken, or that of --family; or a measured or desired
    response in a file, of the order found, or that of --order.
    """
    from synth.cli.output import check_file, deliver, design_content
    from synth.realisation.brief import Brief
    from synth.realisation.polish import pass_limits
    from synth.realisation.ranking import IDEAL, ideal_names, parse_order
    from synth.report.record import realisation_records
    from synth.tolerances.spread import Spread
    from synth.values.series import CAPACITORS, RESISTORS

    path = check_file(file)
    family_options = FamilyOptions(
        family,
        order,
        q,
        width,
        ripple,
        stop_attenuation,
        edge,
        gain,
        phase_ripple,
        delay_ripple,
    )
    masked = MaskOptions(mask, pass_, stop, flat_delay, gain)
    around = Around(supply, source_resistance, load_, band, level, tolerance)
    if op_amp is None:
        _refuse_without_op_amp(around)
    with _told_if_stopped():
        wanted = _wanted(kind, at, family_options, h, num, den, complement, masked, fit, response)
    shelves = (
        shelf(resistors, resistor_window, RESISTORS),
        shelf(capacitors, capacitor_window, CAPACITORS),
    )
    chosen = pick or 1
    count = max(top, chosen)
    spread = Spread(tolerance_share(resistor_tolerance), tolerance_share(capacitor_tolerance))
    ranked = None
    with _told_if_stopped(), pool(jobs) as executor:

        def brief(target: Target) -> Brief:
            mask = () if wanted.mask is None else wanted.mask.absolute
            if limit is not None:
                mask = (*mask, *pass_limits(target, limit))
            first = rank if op_amp is None else ideal_names(rank)
            delays = () if wanted.mask is None else wanted.mask.delays
            return Brief(target, *shelves, best_for, mask, spread, seed, executor, first, delays)

        if op_amp is None:
            wanted, found = _searched(wanted, brief, count)
        else:
            ranked = _ranking(brief(wanted.target), op_amp, rank, around)
            found = tuple(row.realisation for row in ranked.rows[:count])
    check_pick(chosen, len(found))
    records = realisation_records(found[:count])
    design = found[chosen - 1].design
    content = None if path is None else design_content(path, design)
    from synth.realisation.realise import INTERRUPTED
    from synth.report.answer import realise_answer
    from synth.report.text import realise_text

    asked = wanted.report(found[:count])
    criteria = parse_order(rank, IDEAL, best_for) if ranked is None else ranked.order
    if ranked is None and (explain_rank or rank is not None):
        from synth.report.ranking import order_lines

        told = order_lines(found[:count], criteria, explain_rank)
        asked = replace(asked, head=(*asked.head, *told))

    def answer() -> dict[str, Any]:
        from synth.report.ranking import order_json, ranking_answer

        if ranked is not None:
            return ranking_answer(ranked, records, asked)
        plain = realise_answer(wanted.target, records, asked)
        return plain | {"ranking": order_json(found[:count], criteria)}

    def text() -> str:
        if ranked is None:
            return realise_text(wanted.target, records, chosen, asked)
        from synth.report.ranking import ranking_text

        return ranking_text(ranked, records, chosen, explain_rank, asked)

    deliver(path, content, as_json, answer, text)
    if any(INTERRUPTED in r.notes for r in found):
        raise click.Abort


@contextmanager
def _told_if_stopped() -> Iterator[None]:
    """Say of an interruption that there is nothing to show for it."""
    try:
        yield
    except KeyboardInterrupt as error:
        click.echo("synth: interrupted before a circuit was found", err=True)
        raise click.Abort from error


@dataclass(frozen=True)
class Around:
    """The options that stand around a circuit with real op amps."""

    supply: tuple[float, float] | None
    source_resistance: float | None
    load: float | None
    band: tuple[float, float] | None
    level: float | None
    tolerance: float | None


def _refuse_without_op_amp(around: Around) -> None:
    given = [f"--{n.replace('_', '-')}" for n, value in vars(around).items() if value is not None]
    if given:
        raise click.UsageError(f"{given[0]} is for real op amps; give --op-amp with it")


def check_pick(chosen: int, found: int) -> None:
    """Refuse the number of a circuit that was not found."""
    from synth.errors import RealisationError

    if chosen > found:
        raise RealisationError(
            f"--pick {chosen} asks for a circuit that is not there: {found} "
            f"{'was' if found == 1 else 'were'} found; pick one of them"
        )


def search(brief: Brief, top: int) -> tuple[Realisation, ...]:
    """Find circuits, and show how far the search is."""
    from synth.realisation.realise import realise as find

    with meter("searching") as progress:
        return find(brief, top=top, progress=progress)


def _wanted(
    kind: str | None,
    at: float | None,
    options: FamilyOptions,
    h: str | None,
    num: str | None,
    den: str | None,
    complement: bool,
    masked: MaskOptions,
    fit: bool,
    response: str | None,
) -> Wanted:
    """Return what is wanted; a usage error when the options contradict each other."""
    flat = masked.flat_delay and not (masked.mask or masked.pass_ or masked.stop)
    function = kind or h or num or den
    if flat and function is not None:
        plain = _wanted(
            kind,
            at,
            options,
            h,
            num,
            den,
            complement,
            replace(masked, flat_delay=()),
            fit,
            response,
        )
        return equalised_target(plain.target, replace(masked, gain=None))
    given = [kind, h, num or den, masked.given, response]
    if sum(x is not None for x in given) > 1:
        raise click.UsageError(
            "give one target: a KIND, or --h, or --num with --den, or a mask, or --response"
        )
    if fit and masked.given is None:
        raise click.UsageError("--fit is for a mask; give --mask, or --pass and --stop")
    if masked.given is not None:
        return masked_target(masked, options, at, complement, fit)
    if response is not None:
        return fitted_target(response, options, at, complement)
    return Wanted(wanted_target(kind, at, options, h, num, den, complement))


def _searched(
    wanted: Wanted, brief: Callable[[Target], Brief], top: int
) -> tuple[Wanted, tuple[Realisation, ...]]:
    """Return the circuits, and what they are for: of a mask the response that has one."""
    if wanted.mask is None:
        return wanted, search(brief(wanted.target), top)
    from synth.realisation.realise import PROVED
    from synth.realisation.whole import circuits_for

    candidate, circuits = circuits_for(
        wanted.mask, wanted.candidates, lambda target: search(brief(target), max(top, PROVED))
    )
    return wanted.of(candidate), tuple(c.realisation for c in circuits[:top])


def _ranking(brief: Brief, op_amp: str, rank: str | None, around: Around) -> Ranking:
    from synth.checking.conditions import conditions_of
    from synth.realisation.ranking import REAL, parse_order
    from synth.realisation.with_amplifier import ranking

    order = parse_order(rank, REAL, brief.aim)
    model = checked_model(op_amp, around.supply)
    conditions = conditions_of(
        around.source_resistance, around.load, around.band, around.level, around.tolerance
    )
    with meter("searching") as progress:
        return ranking(brief, model, conditions, order=order, progress=progress)


def shelf(series: str, window: tuple[float, float] | None, default: Shelf) -> Shelf:
    """Return a series in a window, by default that of `default`."""
    low, high = window or (default.low, default.high)
    return replace(default, series=series.upper(), low=low, high=high)
