"""``synth derive``: every route from a circuit at hand to a wanted kind."""

from __future__ import annotations

import click

from synth.cli.completion import lift_kinds
from synth.cli.lift import LiftCommand, goal_kind, share
from synth.cli.options import circuit_options, file_option, json_option, load
from synth.cli.terminal import meter


@click.command(cls=LiftCommand)
@circuit_options
@click.option(
    "--to",
    "kind",
    metavar="KIND",
    required=True,
    shell_complete=lift_kinds,
    help="The response wanted.",
)
@click.option(
    "--tolerance",
    default="1%",
    show_default=True,
    metavar="PERCENT",
    help="Of the parts, for the floor of zeros that need a match.",
)
@click.option(
    "--fresh",
    type=click.IntRange(0, 10),
    default=1,
    show_default=True,
    help="How many circuits built anew to put beside.",
)
@click.option("--pick", type=click.IntRange(1), default=1, show_default=True, help="Which route.")
@file_option
@json_option
def derive(
    circuit: str,
    kind: str,
    tolerance: str,
    fresh: int,
    pick: int,
    input_: str | None,
    output: str | None,
    ground: str | None,
    keep_grounded: tuple[str, ...],
    file: str | None,
    as_json: bool,
) -> None:
    """Show every route from CIRCUIT to the response wanted, least rework first.

    Routes are swap, rc-cr, loop-complement and lift, combinations of two, and circuits built
    anew; each says what is got and what must be reworked.
    """
    from synth.cli.output import check_file, deliver, design_content
    from synth.realisation.derive import derive as find_routes
    from synth.realisation.design import Design
    from synth.report.derive import derive_answer, derive_text

    path = check_file(file, circuit)
    found = load(circuit, input_, output, ground, keep_grounded)
    name, at_hz = goal_kind(kind)
    part = share(tolerance)
    with meter("looking") as progress:
        routes = find_routes(
            found.network, name, at_hz, tolerance=part, fresh=fresh, progress=progress
        )
    if pick > len(routes):
        raise click.UsageError(f"--pick {pick}: there are {len(routes)} routes")
    content = None
    if path is not None:
        chosen = routes[pick - 1]
        content = design_content(path, Design(chosen.network, None, chosen.steps))
    deliver(
        path,
        content,
        as_json,
        lambda: derive_answer(found.name, kind, part, routes, found.notes),
        lambda: derive_text(kind, routes, part, pick),
    )
