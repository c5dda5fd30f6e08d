"""``synth pairings``: the op amps of a circuit at hand, paired anew."""

from __future__ import annotations

import click

from synth.cli.options import Quantity, circuit_options, file_option, json_option, load


@click.command()
@circuit_options
@click.option(
    "--gain-bandwidth",
    type=Quantity("Hz", "frequency"),
    metavar="F",
    required=True,
    help="Of every op amp, as 1MHz.",
)
@click.option("--top", type=click.IntRange(1), default=10, show_default=True, help="Pairings.")
@click.option("--pick", type=click.IntRange(1), default=1, show_default=True, help="Which one.")
@file_option
@json_option
def pairings(
    circuit: str,
    gain_bandwidth: float,
    top: int,
    pick: int,
    input_: str | None,
    output: str | None,
    ground: str | None,
    keep_grounded: tuple[str, ...],
    file: str | None,
    as_json: bool,
) -> None:
    """Pair the inputs and outputs of CIRCUIT's op amps anew.

    With ideal op amps every pairing has the same H; with real ones f0 and Q differ. Those that
    are stable are ranked by the worst error of f0 and Q at the gain-bandwidth.
    """
    from synth.cli.output import check_file, deliver, design_content
    from synth.errors import RealisationError
    from synth.realisation.design import Design
    from synth.report.pairings import pairings_answer, pairings_record, pairings_text
    from synth.search.pairing import pairings as find_pairings

    path = check_file(file, circuit)
    found = load(circuit, input_, output, ground, keep_grounded)
    result = find_pairings(found.network, gain_bandwidth)
    if result.stable and pick > len(result.stable):
        raise click.UsageError(f"--pick {pick}: there are {len(result.stable)} stable pairings")
    content = None
    if path is not None:
        if not result.stable:
            raise RealisationError(
                f"no pairing is stable at this gain-bandwidth, so nothing is written to {path}; "
                "choose faster op amps"
            )
        chosen = result.stable[pick - 1]
        steps = found.design.derivation + ((chosen.step(),) if chosen.changes else ())
        content = design_content(path, Design(chosen.network, None, steps))
    record = pairings_record(found.name, result, top, pick, found.notes)
    deliver(
        path,
        content,
        as_json,
        lambda: pairings_answer(record),
        lambda: pairings_text(record),
    )
