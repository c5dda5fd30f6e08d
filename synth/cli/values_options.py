"""The options of ``synth values``, and the records they are read into."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, TypeVar

import click

from synth.cli.options import (
    Decibels,
    Gain,
    Quantity,
    Window,
)

if TYPE_CHECKING:
    from synth.cli.wanted import FamilyOptions
    from synth.network.model import Network
    from synth.realisation.request import Effort, ErrorWish, PartWishes
    from synth.values.stock import Stock

_F = TypeVar("_F", bound=Callable[..., Any])
#: Above this many dB a share of w0, Q and gain is no longer like a deviation of |H|.
_MOST_DB = 1.0


def part_options(command: _F) -> _F:
    """Add the options that say what may be chosen."""
    for add in (
        click.option(
            "--resistors",
            metavar="SERIES",
            help="One of E3 to E192, or several, as E24+E96.  [default: E96]",
        ),
        click.option("--capacitors", metavar="SERIES", help="[default: E12]"),
        click.option("--resistor-window", type=Window("ohm"), metavar="LOW:HIGH", help="[1k:1M]"),
        click.option("--capacitor-window", type=Window("F"), metavar="LOW:HIGH", help="[100p:1u]"),
        click.option(
            "--part", "own", multiple=True, metavar="R1=SERIES", help="For one part; repeat."
        ),
        click.option(
            "--keep", multiple=True, metavar="C1,C2=10n", help="Parts that keep their value."
        ),
        click.option(
            "--tie",
            "ties",
            multiple=True,
            metavar="R1=R2,C1=C2",
            help="Parts that are equal.",
        ),
        click.option(
            "--pair",
            "pairs",
            multiple=True,
            metavar="R5[=HOW]",
            help="Two parts for one: series, parallel or either.",
        ),
        click.option(
            "--stock",
            "stocks",
            multiple=True,
            metavar="FILE",
            help="CSV of your drawer: value, and kind, tolerance, count.",
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


@dataclass(frozen=True)
class PartOptions:
    """The options of `part_options`."""

    resistors: str | None
    capacitors: str | None
    resistor_window: tuple[float, float] | None
    capacitor_window: tuple[float, float] | None
    own: tuple[str, ...]
    keep: tuple[str, ...]
    ties: tuple[str, ...]
    pairs: tuple[str, ...]
    stocks: tuple[str, ...]

    def wishes(self, network: Network) -> PartWishes:
        """Return them read; a part kept without a value keeps that of the network."""
        from synth.realisation.request import PartWishes

        own: dict[str, str] = {}
        for text in self.own:
            name, series = _assignment(text, "--part", "R1=E192")
            if name in own:
                raise click.UsageError(f"--part: {name} is given twice; give it one series")
            own[name] = series
        if len(self.stocks) > 1:
            raise click.UsageError("--stock is given twice; put all parts into one file")
        given = (("--resistors", self.resistors), ("--capacitors", self.capacitors))
        for option, said in given if self.stocks else ():
            if said is not None:
                raise click.UsageError(
                    f"{option} has no effect with --stock, which is where the parts come from; "
                    "leave one out, or name a series for single parts with --part"
                )
        return PartWishes(
            self.resistors or PartWishes.resistors,
            self.capacitors or PartWishes.capacitors,
            self.resistor_window,
            self.capacitor_window,
            own,
            _kept(self.keep, network),
            _ties(self.ties),
            _pairs(self.pairs),
            _stock(self.stocks[0]) if self.stocks else None,
        )


@dataclass(frozen=True)
class TargetOptions:
    """The options of `target_options`."""

    kind: str | None
    family: str | None
    order: int | None
    at: float | None
    q: float | None
    width: float | None
    ripple: float | None
    stop_attenuation: float | None
    edge: str | None
    gain: float | None
    h: str | None
    num: str | None
    den: str | None
    complement: bool

    @property
    def of_family(self) -> FamilyOptions:
        """Those that belong to a kind."""
        from synth.cli.wanted import FamilyOptions

        return FamilyOptions(
            self.family,
            self.order,
            self.q,
            self.width,
            self.ripple,
            self.stop_attenuation,
            self.edge,
            self.gain,
        )


@dataclass(frozen=True)
class ErrorOptions:
    """The options of `error_options`."""

    metric: str | None
    band: tuple[float, float] | None
    mask: str | None
    floor: str | None

    def wish(self) -> ErrorWish:
        """Return them read."""
        from synth.masks.limits import read_mask
        from synth.realisation.request import ErrorWish

        decibels = self.metric in ("band", "mask") or bool(self.band or self.mask)
        return ErrorWish(
            self.metric,
            self.band,
            () if self.mask is None else read_mask(self.mask).magnitudes("synth values"),
            None if self.floor is None else _floor(self.floor, decibels),
        )


@dataclass(frozen=True)
class EffortOptions:
    """The options of `effort_options`."""

    top: int
    pick: int | None
    work: float | None
    seconds: float | None
    pareto: bool

    def effort(self) -> Effort:
        """Return them read; as many choices as are picked from."""
        from synth.realisation.request import Effort
        from synth.values.proven import WORK

        work = WORK if self.work is None else self.work
        return Effort(max(self.top, self.pick or 1), work, self.seconds, self.pareto)


def error_options(command: _F) -> _F:
    """Add the options that say what the error is."""
    for add in (
        click.option(
            "--metric",
            type=click.Choice(["figures", "coefficients", "band", "mask"]),
            help="What the error is  [default: figures, or what --band or --mask implies]",
        ),
        click.option(
            "--band", type=Window("Hz"), metavar="LOW:HIGH", help="Error in dB over this band."
        ),
        click.option(
            "--mask", metavar="FILE", help="Error in dB against limits, as in `tolerance`."
        ),
        click.option(
            "--floor",
            metavar="E",
            help="Error that is good enough: 0.1%, 0.001, or in dB; 0 for the least.",
        ),
    )[::-1]:
        command = add(command)
    return command


def effort_options(command: _F) -> _F:
    """Add the options that say how much is wanted, and what it may cost."""
    for add in (
        click.option(
            "--top", type=click.IntRange(1, 100), default=5, show_default=True, metavar="N"
        ),
        click.option(
            "--pick", type=click.IntRange(1, 100), metavar="N", help="Choice to show and write."
        ),
        click.option(
            "--work", type=float, metavar="N", help="Rows of the enumeration, at most [2e7]."
        ),
        click.option("--seconds", type=float, metavar="T", help="Wall-clock limit besides."),
        click.option(
            "--pareto",
            is_flag=True,
            help="Trade error, spread, values, capacitance.",
        ),
    )[::-1]:
        command = add(command)
    return command


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
            _once("--keep", name.strip(), found)
            found[name.strip()] = number
    return found


def _once(option: str, name: str, found: Mapping[str, object]) -> None:
    if name in found:
        raise click.UsageError(f"{option}: {name} is given twice; say it once")


def _ties(texts: Sequence[str]) -> list[list[str]]:
    """Read ``R1=R2,C1=C2``."""
    found = []
    for item in (x.strip() for t in texts for x in t.split(",")):
        names = [n.strip() for n in item.split("=")]
        if len(names) < 2 or not all(names):
            raise click.UsageError(f"--tie: {item!r} is no tie; write it as in R1=R2")
        found.append(names)
    return found


def _pairs(texts: Sequence[str]) -> dict[str, str]:
    found: dict[str, str] = {}
    for item in (x.strip() for t in texts for x in t.split(",")):
        if item:
            name, equals, how = item.partition("=")
            _once("--pair", name.strip(), found)
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
