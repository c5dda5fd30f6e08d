"""``synth tolerance``: what the tolerances of the parts do to a circuit's response."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import click

from synth.cli.options import Decibels, Quantity, Window, circuit_options, json_option, load
from synth.cli.pool import jobs_option, pool
from synth.cli.spread import read_spread, spread_options, tolerance_share
from synth.cli.terminal import meter

if TYPE_CHECKING:
    from synth.masks.limits import Limit
    from synth.network.model import Network
    from synth.realisation.circuit import Circuit
    from synth.tolerances.spread import Temperature
    from synth.transfer.transfer import Transfer


@click.command()
@circuit_options
@spread_options
@click.option(
    "--temperature",
    type=Window(""),
    metavar="LOW:HIGH",
    help="Degrees Celsius, as -10:50; values are nominal at 25.",
)
@click.option("--resistor-ppm", type=float, metavar="N", help="Drift in ppm/K  [default: 100]")
@click.option("--capacitor-ppm", type=float, metavar="N", help="Drift in ppm/K  [default: 30]")
@click.option(
    "--common-drift",
    type=click.Choice(["resistors", "capacitors"]),
    multiple=True,
    help="Drift of one sign for the whole kind; else each part has its own.",
)
@click.option("--samples", type=int, default=10_000, show_default=True, help="Circuits drawn.")
@click.option("--seed", type=int, default=0, show_default=True, help="Of the draws.")
@click.option(
    "--band",
    type=Window("Hz"),
    metavar="LOW:HIGH",
    help="Pass band, as 10:1k  [default: within 3 dB of the largest |H|]",
)
@click.option(
    "--limit", type=Decibels(), metavar="DB", help="Yield: stay within this in the pass band."
)
@click.option("--mask", metavar="FILE", help="Yield: limits, one a line; within: of its gain.")
@click.option(
    "--wanted-yield",
    metavar="PERCENT",
    help="Find the cheapest tolerance classes that reach this yield.",
)
@click.option(
    "--of",
    "reference",
    type=click.Choice(["nominal", "target"]),
    default="nominal",
    show_default=True,
    help="What --limit is about: the circuit's nominal response, or its design's target.",
)
@click.option("--from", "start", type=Quantity("Hz", "frequency"), metavar="F", help="First.")
@click.option("--to", "stop", type=Quantity("Hz", "frequency"), metavar="F", help="Last frequency.")
@click.option(
    "--points",
    type=click.IntRange(2, 100_000),
    default=200,
    show_default=True,
    help="Frequencies; notches and peaks come on top.",
)
@click.option("--phase", is_flag=True, help="Percentiles of the phase too.")
@click.option("--corners/--no-corners", default=True, help="Find the worst case  [default: yes]")
@jobs_option
@json_option
def tolerance(
    circuit: str,
    resistor_tolerance: str,
    capacitor_tolerance: str,
    parts: tuple[str, ...],
    distribution: str,
    sigmas: float | None,
    temperature: tuple[float, float] | None,
    resistor_ppm: float | None,
    capacitor_ppm: float | None,
    common_drift: tuple[str, ...],
    samples: int,
    seed: int,
    band: tuple[float, float] | None,
    limit: float | None,
    mask: str | None,
    wanted_yield: str | None,
    reference: str,
    start: float | None,
    stop: float | None,
    points: int,
    phase: bool,
    corners: bool,
    jobs: int,
    input_: str | None,
    output: str | None,
    ground: str | None,
    keep_grounded: tuple[str, ...],
    as_json: bool,
) -> None:
    """Show what the tolerances of its parts do to CIRCUIT.

    Percentiles of the response over circuits drawn at random, the worst case, f0 and Q, which
    part matters most, and the yield against a limit or a mask. The answer depends on the seed
    and the number of circuits only. Ctrl-C keeps what is done.
    """
    from synth.cli.output import deliver
    from synth.report.classes import classes_json, classes_text
    from synth.report.tolerance import tolerance_answer, tolerance_text
    from synth.tolerances.classes import cheapest_classes
    from synth.tolerances.grids import frequency_range
    from synth.tolerances.study import tolerance as analysis

    spread = read_spread(
        resistor_tolerance,
        capacitor_tolerance,
        parts,
        distribution,
        sigmas,
        _temperature(temperature, resistor_ppm, capacitor_ppm, common_drift),
    )
    found = load(circuit, input_, output, ground, keep_grounded)
    grid = frequency_range(found.network, start, stop, points)
    limits, left_out = _limits(found.network, limit, band, mask)
    notes = (*found.notes, *left_out)
    wanted = _reference(found, reference)
    share = None if wanted_yield is None else tolerance_share(wanted_yield)
    if share is not None and not limits:
        raise click.UsageError("--wanted-yield needs --limit or --mask, which the yield is about")
    with pool(jobs) as executor, meter("drawing") as progress:
        result = analysis(
            found.network,
            spread,
            grid,
            limits=limits,
            reference=wanted,
            band=band,
            phase=phase,
            corners=corners,
            samples=samples,
            seed=seed,
            executor=executor,
            progress=progress,
        )
        classes = None
        if share is not None and result.complete:
            classes = cheapest_classes(
                found.network, limits, share, spread,
                reference=wanted, seed=seed, executor=executor, progress=progress,
            )  # fmt: skip
    deliver(
        None,
        None,
        as_json,
        lambda: tolerance_answer(
            found.name,
            result,
            found.network.title,
            notes,
            None if classes is None else classes_json(classes),
        ),
        lambda: (
            tolerance_text(result, found.network.title, notes)
            + ("" if classes is None else classes_text(classes, found.network))
        ),
    )
    if not (result.complete and (classes is None or classes.complete)):
        raise click.Abort


def _temperature(
    window: tuple[float, float] | None,
    resistor_ppm: float | None,
    capacitor_ppm: float | None,
    common: Sequence[str],
) -> Temperature | None:
    from synth.tolerances.spread import Temperature

    if window is None:
        if resistor_ppm is not None or capacitor_ppm is not None or common:
            raise click.UsageError("drift needs --temperature LOW:HIGH, the range it is over")
        return None
    kinds = {k: "common" if k in common else "independent" for k in ("resistors", "capacitors")}
    return Temperature(
        *window,
        Temperature.resistor_ppm if resistor_ppm is None else resistor_ppm,
        Temperature.capacitor_ppm if capacitor_ppm is None else capacitor_ppm,
        kinds["resistors"],
        kinds["capacitors"],
    )


def _limits(
    network: Network, limit: float | None, band: tuple[float, float] | None, mask: str | None
) -> tuple[tuple[Limit, ...], tuple[str, ...]]:
    """Return the limits, and notes of what is left out of the mask."""
    from synth.masks.limits import read_mask
    from synth.tolerances.passband import limit_within

    own = () if limit is None else (limit_within(network, limit, band),)
    if mask is None:
        return own, ()
    levels, notes = read_mask(mask).levels("synth tolerance")
    return (*own, *levels), notes


def _reference(found: Circuit, reference: str) -> Transfer | None:
    if reference == "nominal":
        return None
    if found.design.target is None:
        raise click.UsageError(
            f"--of target: {found.name} has no target; give a saved design made by realise"
        )
    return found.design.target.transfer
