"""``synth catalog``: the stages of the literature that circuits are made from."""

from __future__ import annotations

import click

from synth.cli.completion import stage_names
from synth.cli.options import json_option


@click.command()
@click.argument("name", metavar="[NAME]", required=False, shell_complete=stage_names)
@click.option("--kind", metavar="KIND", help="Only stages that can be of this kind.")
@click.option("--order", type=int, metavar="N", help="Only stages with N natural modes.")
@json_option
def catalog(name: str | None, kind: str | None, order: int | None, as_json: bool) -> None:
    """List the stages, or show the stage NAME.

    One stage is shown with its deck, H(s), source and conditions.
    """
    from synth.catalog import stage, stages
    from synth.claims import STAGE_KINDS
    from synth.cli.output import deliver
    from synth.report import answer, text
    from synth.report.netlist import deck_text
    from synth.report.record import response_of

    if name is not None:
        if kind is not None or order is not None:
            raise click.UsageError("--kind and --order are for the list; leave NAME or them out")
        found = stage(name)
        response = response_of(found.circuit())
        deliver(
            None,
            None,
            as_json,
            lambda: answer.stage_answer(found, response),
            lambda: text.stage_text(found, response, deck_text(response.network)),
        )
        return
    if kind is not None and kind not in STAGE_KINDS:
        raise click.UsageError(f"there is no kind {kind!r}; the kinds are {', '.join(STAGE_KINDS)}")
    if order is not None and order < 0:
        raise click.UsageError(f"--order {order}: the order of a stage is 0 or more")
    listed = [
        s
        for s in stages()
        if (kind is None or kind in s.kinds) and (order is None or order == s.order)
    ]
    deliver(
        None,
        None,
        as_json,
        lambda: answer.catalog_answer(listed),
        lambda: text.catalog_text(listed),
    )
