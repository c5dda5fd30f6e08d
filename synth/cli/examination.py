"""Options of the commands that examine a circuit from every side: ``report`` and ``plot``."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, TypeVar

import click

from synth.cli.completion import op_amps
from synth.cli.options import checked_model, surrounding_options
from synth.cli.spread import read_spread, spread_options

if TYPE_CHECKING:
    from synth.report.examined import Wishes

_F = TypeVar("_F", bound=Callable[..., Any])


def examination_options(command: _F) -> _F:
    """Add what a circuit is examined with."""
    for add in (
        click.option("--seed", type=int, default=0, show_default=True, help="Of the draws."),
        click.option(
            "--samples", type=int, default=2000, show_default=True, help="Circuits drawn."
        ),
        click.option(
            "--capacitors", default="E12", show_default=True, metavar="SERIES", help="The same."
        ),
        click.option(
            "--resistors",
            default="E24+E96",
            show_default=True,
            metavar="SERIES",
            help="Values that are in none of them are chosen near the given ones.",
        ),
        click.option(
            "--keep",
            multiple=True,
            metavar="PART,...",
            help="Parts that stay as given; repeat, or join by commas.",
        ),
        click.option("--mask", metavar="FILE", help="Limits, one a line, as in 1k 2k >= -3 dB."),
    ):
        command = add(command)
    command = surrounding_options(spread_options(command))
    return click.option(
        "--op-amp",
        "op_amp",
        metavar="MODEL",
        shell_complete=op_amps,
        help="As in `synth check` [a usual class with enough gain-bandwidth].",
    )(command)


@dataclass(frozen=True)
class Asked:
    """The options as they were given; the names are those of the commands' arguments."""

    op_amp: str | None
    supply: tuple[float, float] | None
    source_resistance: float | None
    load_: float | None
    band: tuple[float, float] | None
    level: float | None
    resistor_tolerance: str
    capacitor_tolerance: str
    parts: Sequence[str]
    distribution: str
    sigmas: float | None
    mask: str | None
    resistors: str
    capacitors: str
    samples: int
    seed: int
    keep: Sequence[str]


def wishes(asked: Asked) -> Wishes:
    """Return what the options ask for."""
    from synth.checking.conditions import conditions_of
    from synth.masks.limits import read_mask
    from synth.report.examined import Wishes

    if asked.supply is not None and asked.op_amp is None:
        raise click.UsageError("--supply belongs to an op amp; give --op-amp MODEL too")
    spread = read_spread(
        asked.resistor_tolerance,
        asked.capacitor_tolerance,
        asked.parts,
        asked.distribution,
        asked.sigmas,
    )
    plain = Wishes(spread=spread)
    return Wishes(
        None if asked.op_amp is None else checked_model(asked.op_amp, asked.supply),
        conditions_of(
            asked.source_resistance,
            asked.load_,
            asked.band,
            asked.level,
            plain.around.tolerance,
        ),
        spread,
        None if asked.mask is None else read_mask(asked.mask),
        asked.resistors,
        asked.capacitors,
        asked.samples,
        asked.seed,
        tuple(n.strip() for text in asked.keep for n in text.split(",") if n.strip()),
    )
