"""Options that say how the parts vary, for every command that draws circuits or lists parts."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any, TypeVar

import click

if TYPE_CHECKING:
    from synth.tolerances.spread import Spread, Temperature

_F = TypeVar("_F", bound=Callable[..., Any])


def part_tolerance_options(command: _F) -> _F:
    """Add the tolerances of resistors, of the other parts, and of single ones."""
    for add in (
        click.option(
            "--part",
            "parts",
            multiple=True,
            metavar="R1=PERCENT",
            help="Tolerance of one part; repeat.",
        ),
        click.option(
            "--capacitor-tolerance",
            default="5%",
            show_default=True,
            metavar="PERCENT",
            help="Of every other part; or a series.",
        ),
        click.option(
            "--resistor-tolerance",
            default="1%",
            show_default=True,
            metavar="PERCENT",
            help="Of every resistor; or a series, as E96.",
        ),
    ):
        command = add(command)
    return command


def spread_options(command: _F) -> _F:
    """Add the tolerances and how the values lie within them."""
    for add in (
        click.option(
            "--sigmas",
            type=float,
            help="Normal: the tolerance in standard deviations.  [default: 3]",
        ),
        click.option(
            "--distribution",
            type=click.Choice(["uniform", "normal"]),
            default="uniform",
            show_default=True,
            help="Of the values within the tolerance; normal is truncated there.",
        ),
    ):
        command = add(command)
    return part_tolerance_options(command)


def read_spread(
    resistor_tolerance: str,
    capacitor_tolerance: str,
    parts: Sequence[str],
    distribution: str = "uniform",
    sigmas: float | None = None,
    temperature: Temperature | None = None,
) -> Spread:
    """Return the spread that the options say."""
    from synth.tolerances.spread import Distribution, Spread

    if sigmas is not None and distribution != "normal":
        raise click.UsageError(
            "--sigmas needs --distribution normal; say it, or leave --sigmas out"
        )
    return Spread(
        tolerance_share(resistor_tolerance),
        tolerance_share(capacitor_tolerance),
        _own_tolerances(parts),
        Distribution(distribution, 3.0 if sigmas is None else sigmas),
        temperature,
    )


def tolerance_share(text: str) -> float:
    """Read a percentage, the sign optional, or the name of a series, as a fraction."""
    from synth.cli.lift import share
    from synth.tolerances.spread import series_tolerance

    return series_tolerance(text.strip()) if text.strip()[:1] == "E" else share(text)


def _own_tolerances(texts: Sequence[str]) -> dict[str, float]:
    found: dict[str, float] = {}
    for text in texts:
        name, equals, value = text.partition("=")
        if not equals or not name.strip():
            raise click.UsageError(f"--part: {text!r} is no tolerance; write it as in R1=0.1%")
        if name.strip().lower() in {n.lower() for n in found}:
            raise click.UsageError(f"--part: {name.strip()} is given twice; give it one tolerance")
        found[name.strip()] = tolerance_share(value)
    return found
