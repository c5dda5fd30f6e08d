"""Options that several commands share, and values with units."""

from __future__ import annotations

import math
import sys
from collections.abc import Callable
from dataclasses import fields
from functools import wraps
from typing import TYPE_CHECKING, Any, TypeVar

import click

from synth.cli.completion import circuits
from synth.cli.terminal import quiet_option
from synth.errors import NumberError

if TYPE_CHECKING:
    from synth.checking.model import OpAmpModel
    from synth.realisation.circuit import Circuit

    NumberType = click.ParamType[float]
    WindowType = click.ParamType[tuple[float, float]]
else:  # older versions of click have no type parameter here
    NumberType = WindowType = click.ParamType

_F = TypeVar("_F", bound=Callable[..., Any])


def once(ctx: click.Context, param: click.Parameter, value: tuple[Any, ...]) -> Any:
    """Return the value of an option that may be given once, for ``multiple=True``; else None.

    Of an option given twice the last would be taken silently.
    """
    if len(value) > 1:
        raise click.BadParameter(f"given {len(value)} times; give it once", ctx, param)
    return value[0] if value else None


class Quantity(NumberType):
    """A positive or negative number with SI prefix and unit."""

    def __init__(self, unit: str, name: str) -> None:
        self.unit = unit
        self.name = name

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        """Read the text; a wrong one is a usage error that names the option."""
        if isinstance(value, float):
            return value
        from synth.units import parse_si

        try:
            return parse_si(value, self.unit)
        except NumberError as error:
            self.fail(str(error), param, ctx)


class Share(NumberType):
    """A share as a number, 0.01, or in per cent, 1%."""

    name = "share"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        """Read the text."""
        if isinstance(value, float):
            return value
        text = value.strip()
        if text.endswith("%"):
            return _plain(self, text.removesuffix("%").strip(), param, ctx) / 100
        return _plain(self, text, param, ctx)


class Decibels(NumberType):
    """A number of decibels, the unit optional."""

    name = "dB"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        """Read the text."""
        if isinstance(value, float):
            return value
        return _plain(self, _without_db(value) or value, param, ctx, "dB")


class Gain(NumberType):
    """A gain as a number, negative when inverting, or in decibels as in ``6dB``."""

    name = "gain"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        """Read the text."""
        if isinstance(value, float):
            return value
        decibels = _without_db(value)
        if decibels is None:
            return _plain(self, value, param, ctx)
        number = _plain(self, decibels, param, ctx)
        if not abs(number) <= 200:
            self.fail(f"a gain of {number:g} dB is out of range; choose -200 to 200 dB", param, ctx)
        return math.pow(10.0, number / 20)


class Window(WindowType):
    """Two values joined by a colon."""

    name = "low:high"

    def __init__(self, unit: str) -> None:
        self.unit = unit

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[float, float]:
        """Read both."""
        if isinstance(value, tuple):
            return (float(value[0]), float(value[1]))
        low, colon, high = str(value).partition(":")
        if not colon:
            self.fail(f"{value!r} is no window; write low:high, as in 1k:1M", param, ctx)
        quantity = Quantity(self.unit, self.name)
        return quantity.convert(low, param, ctx), quantity.convert(high, param, ctx)


class Supply(WindowType):
    """Rails of op amps: ``15`` for plus and minus, ``0:5`` for low and high."""

    name = "supply"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[float, float]:
        """Read one or both."""
        if isinstance(value, tuple):
            return (float(value[0]), float(value[1]))
        if ":" in str(value):
            return Window("V").convert(value, param, ctx)
        both = Quantity("V", self.name).convert(value, param, ctx)
        return -both, both


def _without_db(value: str) -> str | None:
    text = value.strip()
    return text[:-2] if text[-2:].lower() == "db" else None


def _plain(
    kind: NumberType,
    text: str,
    param: click.Parameter | None,
    ctx: click.Context | None,
    unit: str = "",
) -> float:
    from synth.units import parse_si

    try:
        return parse_si(text, unit)
    except NumberError as error:
        kind.fail(str(error), param, ctx)


class Command(click.Command):
    """A command whose help ends in details that are gathered only when it is asked for."""

    details: Callable[[click.HelpFormatter], None] | None = None

    def format_epilog(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the details."""
        if self.details is not None:
            formatter.write_paragraph()
            self.details(formatter)


def version_option(command: _F) -> _F:
    """Add ``--version``."""

    def show(context: click.Context, _: click.Parameter, value: bool) -> None:
        if not value or context.resilient_parsing:
            return
        from synth.report.version import version

        click.echo(f"synth {version()}")
        context.exit()

    option = click.option(
        "--version",
        is_flag=True,
        expose_value=False,
        is_eager=True,
        callback=show,
        help="Show the version.",
    )
    return option(command)


def gathered(**records: type) -> Callable[[Callable[..., None]], Callable[..., None]]:
    """Hand options to a command as one frozen record: its fields are the options' names."""
    ((name, record),) = records.items()

    def wrap(command: Callable[..., None]) -> Callable[..., None]:
        @wraps(command)
        def called(*first: Any, **given: Any) -> None:
            own = {f.name: given.pop(f.name) for f in fields(record)}
            command(*first, **given, **{name: record(**own)})

        return called

    return wrap


def json_option(command: _F) -> _F:
    """Add ``--json``, and ``--quiet`` beside it."""
    command = quiet_option(command)
    return click.option("--json", "as_json", is_flag=True, help="Answer in JSON.")(command)


def file_option(command: _F) -> _F:
    """Add ``-o FILE``."""
    return click.option(
        "-o",
        "--out",
        "file",
        metavar="FILE",
        help="Write a deck (.cir, .net, .sp) or a design (.json).",
    )(command)


def condition_options(command: _F) -> _F:
    """Add `surrounding_options`, and the tolerance of the parts."""
    tolerance = click.option(
        "--tolerance", type=Share(), metavar="T", help="Of the parts, 1% or 0.01 [1%]."
    )
    return surrounding_options(tolerance(command))


def surrounding_options(command: _F) -> _F:
    """Add what stands around a circuit with real op amps: rails, source, load, band, level."""
    resistance = Quantity("ohm", "resistance")
    for add in (
        click.option(
            "--level", type=Quantity("V", "voltage"), metavar="V", help="Amplitude of the source."
        ),
        click.option("--band", type=Window("Hz"), metavar="LOW:HIGH", help="As 10Hz:20kHz."),
        click.option("--load", "load_", type=resistance, metavar="R", help="At the output."),
        click.option("--source-resistance", type=resistance, metavar="R", help="[0 ohm]"),
        click.option(
            "--supply", type=Supply(), metavar="V", help="15 for +-15 V, 0:5 for a single one."
        ),
    ):
        command = add(command)
    return command


def checked_model(op_amp: str, supply: tuple[float, float] | None) -> OpAmpModel:
    """Read an op-amp model and put it on the rails asked for."""
    from synth.checking.conditions import supplied
    from synth.checking.model import op_amp_model

    model = op_amp_model(op_amp)
    return model if supply is None else supplied(model, *supply)


def circuit_options(command: _F) -> _F:
    """Add the argument CIRCUIT and the options that say how to read a deck."""
    return click.argument("circuit", metavar="CIRCUIT", shell_complete=circuits)(
        reading_options(command)
    )


def reading_options(command: _F) -> _F:
    """Add the options that say how to read a deck."""
    for add in (
        click.option(
            "--keep-grounded",
            multiple=True,
            metavar="PART",
            help="Part whose end stays at ground; repeat, or join by commas.",
        ),
        click.option("--ground", metavar="NODE", help="The signal ground of a deck."),
        click.option("--output", metavar="NODE", help="The output of a deck; A,B for A against B."),
        click.option(
            "--input",
            "input_",
            multiple=True,
            callback=lambda _context, _option, nodes: ",".join(nodes) if nodes else None,
            metavar="NODE",
            help="The input of a deck; for several, where taken, repeat, or join by commas.",
        ),
    ):
        command = add(command)
    return command


def load(
    circuit: str,
    input_: str | None,
    output: str | None,
    ground: str | None,
    keep_grounded: tuple[str, ...],
) -> Circuit:
    """Read the circuit that the arguments name."""
    from synth.realisation.circuit import read_circuit

    parts = [p.strip() for text in keep_grounded for p in text.split(",") if p.strip()]
    return read_circuit(
        circuit,
        standard_input=lambda: sys.stdin.buffer.read(4_000_001),
        input_=input_,
        output=output,
        ground=ground,
        keep_grounded=parts,
    )
