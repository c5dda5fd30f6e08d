"""``synth values``: the best parts that can be bought for a circuit, with proof."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any, TypeVar

import click

from synth.cli.options import (
    Command,
    Decibels,
    Gain,
    Quantity,
    Window,
    circuit_options,
    file_option,
    json_option,
    load,
)

if TYPE_CHECKING:
    from synth.network.model import Network
    from synth.realisation.circuit import Circuit
    from synth.target.target import Target
    from synth.transform.step import Step
    from synth.values.stock import Stock

_F = TypeVar("_F", bound=Callable[..., Any])
#: Above this many dB a share of w0, Q and gain is no longer like a deviation of |H|.
_MOST_DB = 1.0


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
            "the fewest different values, then resistors near 10 kohm, then the least "
            "capacitance. --floor 0 asks for the bare optimum."
        )
        say(
            "Windows (common practice): below 1 kohm an op amp must deliver much current, above "
            "100 kohm noise, bias current and strays grow and above 1 Mohm they rule; below "
            "100 pF strays count; above 1 uF film and C0G parts are large."
        )


def part_options(command: _F) -> _F:
    """Add the options that say what may be chosen."""
    for add in (
        click.option(
            "--resistors",
            default="E96",
            show_default=True,
            metavar="SERIES",
            help="One of E3 to E192, or several, as E24+E96.",
        ),
        click.option("--capacitors", default="E12", show_default=True, metavar="SERIES"),
        click.option("--resistor-window", type=Window("ohm"), metavar="LOW:HIGH", help="[1k:1M]"),
        click.option("--capacitor-window", type=Window("F"), metavar="LOW:HIGH", help="[100p:1u]"),
        click.option(
            "--part", "own", multiple=True, metavar="R1=SERIES", help="For one part; repeat."
        ),
        click.option(
            "--keep", multiple=True, metavar="C1,C2=10n", help="Parts that keep their value."
        ),
        click.option(
            "--tie", "ties", multiple=True, metavar="R1=R2", help="Parts that are equal; repeat."
        ),
        click.option(
            "--pair",
            "pairs",
            multiple=True,
            metavar="R5[=HOW]",
            help="Two parts for one: series, parallel or either.",
        ),
        click.option(
            "--stock", metavar="FILE", help="CSV of your drawer: value, and kind, tolerance, count."
        ),
    )[::-1]:
        command = add(command)
    return command


def target_options(command: _F) -> _F:
    """Add the options that say the target, those of ``realise``."""
    for add in (
        click.option(
            "--target",
            "kind",
            metavar="KIND",
            help="lowpass, ... as in realise; 'design' for a saved design's own target.",
        ),
        click.option("--family", metavar="NAME", help="Response family [butterworth]."),
        click.option("--order", type=int, metavar="N", help="Poles [those of the circuit]."),
        click.option("--at", type=Quantity("Hz", "frequency"), metavar="F", help="As 1kHz."),
        click.option("--q", type=Quantity("", "number"), metavar="Q", help="Q, or F/width."),
        click.option("--width", type=Quantity("Hz", "frequency"), metavar="F", help="Band width."),
        click.option("--ripple", type=Decibels(), metavar="DB", help="Ripple [0.5 dB]."),
        click.option("--stop-attenuation", type=Decibels(), metavar="DB", help="[40 dB]"),
        click.option("--edge", metavar="EDGE", help="3dB, ripple, stop or delay."),
        click.option("--gain", type=Gain(), metavar="G", help="As 2, -1 or 6dB [1]."),
        click.option("--h", "h", metavar="TEXT", help="H(s) as text."),
        click.option("--num", metavar="LIST", help="Numerator, descending powers."),
        click.option("--den", metavar="LIST", help="Denominator."),
        click.option("--complement", is_flag=True, help="1 - H instead."),
    )[::-1]:
        command = add(command)
    return command


@click.command(cls=Values)
@circuit_options
@part_options
@target_options
@click.option("--scale-frequency", type=Quantity("", "number"), metavar="K", help="Times K first.")
@click.option("--scale-impedance", type=Quantity("", "number"), metavar="K", help="Times K first.")
@click.option(
    "--metric",
    type=click.Choice(["figures", "coefficients", "band", "mask"]),
    help="What the error is  [default: figures, or what --band or --mask implies]",
)
@click.option("--band", type=Window("Hz"), metavar="LOW:HIGH", help="Error in dB over this band.")
@click.option("--mask", metavar="FILE", help="Error in dB against limits, as in `tolerance`.")
@click.option(
    "--floor",
    metavar="E",
    help="Error that is good enough: 0.1%, 0.001, or in dB; 0 for the least.",
)
@click.option("--top", type=click.IntRange(1, 100), default=5, show_default=True, metavar="N")
@click.option("--pick", type=click.IntRange(1, 100), metavar="N", help="Choice to show and write.")
@click.option("--work", type=float, metavar="N", help="Rows of the enumeration, at most [2e7].")
@click.option("--seconds", type=float, metavar="T", help="Wall-clock limit besides.")
@click.option("--pareto", is_flag=True, help="Error against spread, for each stage.")
@file_option
@json_option
def values(
    circuit: str,
    input_: str | None,
    output: str | None,
    ground: str | None,
    keep_grounded: tuple[str, ...],
    resistors: str,
    capacitors: str,
    resistor_window: tuple[float, float] | None,
    capacitor_window: tuple[float, float] | None,
    own: tuple[str, ...],
    keep: tuple[str, ...],
    ties: tuple[str, ...],
    pairs: tuple[str, ...],
    stock: str | None,
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
    scale_frequency: float | None,
    scale_impedance: float | None,
    metric: str | None,
    band: tuple[float, float] | None,
    mask: str | None,
    floor: str | None,
    top: int,
    pick: int | None,
    work: float | None,
    seconds: float | None,
    pareto: bool,
    file: str | None,
    as_json: bool,
) -> None:
    """Choose preferred values for CIRCUIT, and prove the choice.

    The error is the least there is, or within a floor that the tolerance of the parts sets and
    then the spread is the least; either comes with its certificate. A cascade is chosen jointly.
    """
    from synth.cli.output import check_file, deliver, design_content
    from synth.cli.wanted import FamilyOptions
    from synth.errors import NumberError
    from synth.masks.limits import read_mask
    from synth.realisation.design import Design
    from synth.realisation.request import request_for
    from synth.realisation.revalue import revalue
    from synth.report.values import values_answer, values_text
    from synth.values.proven import WORK

    path = check_file(file, circuit)
    found = load(circuit, input_, output, ground, keep_grounded)
    options = FamilyOptions(family, order, q, width, ripple, stop_attenuation, edge, gain)
    wanted = _wanted(found, kind, at, options, h, num, den, complement)
    network, scaled = _scaled(found.network, scale_frequency, scale_impedance)
    if scaled and wanted is not None:
        raise click.UsageError(
            "a scaled circuit has its own response as the target; leave --target, --h or --num out"
        )
    request = request_for(
        network,
        resistors=resistors,
        capacitors=capacitors,
        resistor_window=resistor_window,
        capacitor_window=capacitor_window,
        parts=dict(_assignment(t, "--part", "R1=E192") for t in own),
        keep=_kept(keep, found.network),
        ties=[[n.strip() for n in t.split("=")] for t in ties],
        pairs=_pairs(pairs),
        stock=None if stock is None else _stock(stock),
        metric=metric,
        band=band,
        mask=() if mask is None else read_mask(mask).magnitudes("synth values"),
        floor=None
        if floor is None
        else _floor(floor, metric in ("band", "mask") or band is not None or mask is not None),
        top=max(top, pick or 1),
        work=WORK if work is None else work,
        seconds=seconds,
        pareto=pareto,
    )
    result = revalue(network, request, None if wanted is None else wanted.transfer)
    chosen = pick or 1
    if chosen > len(result.choices):
        raise NumberError(
            f"--pick {chosen} asks for a choice that is not there: {len(result.choices)} "
            f"{'was' if len(result.choices) == 1 else 'were'} found; pick one of them"
        )
    changed, steps = result.circuit(chosen - 1)
    derivation = (*found.design.derivation, *scaled, *steps)
    kept_target = None if scaled else wanted or found.design.target
    design = Design(changed, kept_target, derivation)
    title = found.network.title
    ruled = floor is None
    deliver(
        path,
        None if path is None else design_content(path, design),
        as_json,
        lambda: values_answer(found.name, result, title, chosen, found.notes),
        lambda: values_text(result, title, chosen, ruled, found.notes),
    )


def _wanted(
    found: Circuit,
    kind: str | None,
    at: float | None,
    options: Any,
    h: str | None,
    num: str | None,
    den: str | None,
    complement: bool,
) -> Target | None:
    """Return the target that is said; None for the circuit's own response."""
    from dataclasses import replace

    from synth.cli.wanted import wanted_target

    if kind is None and h is None and num is None and den is None:
        given = options.given() or ("--at" if at is not None else None)
        given = given or ("--complement" if complement else None)
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
    return wanted_target(kind, at, options, h, num, den, complement)


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


def _assignment(text: str, option: str, example: str) -> tuple[str, str]:
    name, equals, value = text.partition("=")
    if not equals or not name.strip() or not value.strip():
        raise click.UsageError(f"{option}: {text!r} is not understood; write it as in {example}")
    return name.strip(), value.strip()


def _kept(texts: Sequence[str], network: Network) -> dict[str, float | None]:
    """Read ``C1,C2=10n``; a part without a value keeps that of the circuit before scaling."""
    from synth.units import parse_si

    found: dict[str, float | None] = {}
    for item in (x.strip() for t in texts for x in t.split(",")):
        if item:
            name, equals, value = item.partition("=")
            number = parse_si(value) if equals else network.values.get(name.strip())
            found[name.strip()] = number
    return found


def _pairs(texts: Sequence[str]) -> dict[str, str]:
    found = {}
    for item in (x.strip() for t in texts for x in t.split(",")):
        if item:
            name, equals, how = item.partition("=")
            found[name.strip()] = how.strip() if equals else "either"
    return found


def _floor(text: str, decibels: bool) -> float:
    """Read an error, as a percentage, in dB or plain, in the unit of the metric."""
    from synth.errors import NumberError
    from synth.realisation.cell_choice import DECIBELS
    from synth.units import parse_si

    plain = text.strip()
    if plain.endswith("%"):
        return parse_si(plain[:-1]) / 100 * (DECIBELS if decibels else 1.0)
    if plain[-2:].lower() == "db":
        size = parse_si(plain[:-2])
        if size > _MOST_DB and not decibels:
            raise NumberError(
                f"a floor of {plain} is no small share of the figures; give it as a percentage, or "
                "ask for the error in dB with --band"
            )
        return size / (1.0 if decibels else DECIBELS)
    return parse_si(plain)


def _stock(name: str) -> Stock:
    from pathlib import Path

    from synth.errors import NumberError
    from synth.values.stock import read_stock

    try:
        with Path(name).open("rb") as file:
            data = file.read(4_000_001)
        return read_stock(data.decode("utf-8-sig"), name)
    except UnicodeDecodeError:
        raise NumberError(f"stock list {name} is not UTF-8 text; save it as such") from None
    except NumberError:
        raise
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or "it is no file name"
        raise NumberError(f"stock list {name} cannot be read: {reason}") from None
