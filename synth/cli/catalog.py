"""``synth catalog``: the stages of the literature that circuits are made from."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from synth.cli.completion import stage_names
from synth.cli.options import json_option, once

if TYPE_CHECKING:
    from synth.catalog import Stage


@click.command()
@click.argument("name", metavar="[NAME]", required=False, shell_complete=stage_names)
@click.option(
    "--kind",
    metavar="KIND",
    multiple=True,
    callback=once,
    help="Only stages that can be of this kind, with their figures as this kind.",
)
@click.option(
    "--order",
    type=int,
    metavar="N",
    multiple=True,
    callback=once,
    help="Only stages with N natural modes.",
)
@click.option(
    "--op-amps",
    type=int,
    metavar="N",
    multiple=True,
    callback=once,
    help="Only stages with N op amps.",
)
@click.option("--base", is_flag=True, help="Only stages written out as graphs.")
@click.option(
    "--derived",
    is_flag=True,
    help="Beside all stages, the circuits of one and two op amps that derive from them and have "
    "no name; like parts in parallel are one there.",
)
@click.option(
    "--sort",
    "key",
    metavar="KEY",
    multiple=True,
    callback=once,
    help="name (the default), parts, capacitors, op-amps; or a figure at Q = 5: spread, "
    "q-sensitivity, f0-sensitivity, gain-bandwidth.",
)
@click.option("--tree", is_flag=True, help="Show which stage derives from which, and count.")
@json_option
def catalog(
    name: str | None,
    kind: str | None,
    order: int | None,
    op_amps: int | None,
    base: bool,
    derived: bool,
    key: str | None,
    tree: bool,
    as_json: bool,
) -> None:
    """List the stages with their figures, or show the stage NAME.

    One stage is shown with its deck, H(s), source, conditions and design equations.

    Figures are those of the first kind of the stage, or of the kind that --kind names, at Q = 1, 5
    and 20, with the values of the smallest spread found (largest ratio of like parts; the gain is
    free, but not below 0.1 in magnitude): that spread, the largest sensitivities of Q and f0 to a
    part, and the gain-bandwidth over f0 below which f0 is off by more than 5 % or, marked with an
    asterisk, the circuit oscillates. "As designed" are the same figures with the values of the
    design equations, those of the stage file where it has any; they take equal capacitors where
    they can, and g = 1, or where they do not reach it that g of 2, 4, 6, 10, 20, 40, 60, 100, 0.5,
    0.25 and 0.1 with the smallest spread, which is then said. A lowpass-notch has its notch at 1.5
    f0, a highpass-notch at f0/1.5. Figures are computed beforehand, for the stages of the package
    only: those of your own have none.
    """
    from synth.catalog import stage, stages
    from synth.cli.output import deliver
    from synth.report import catalog as report
    from synth.report.record import response_of

    filters = {"--kind": kind, "--order": order, "--op-amps": op_amps, "--sort": key}
    given = [k for k, v in filters.items() if v is not None]
    given += [k for k, v in {"--base": base, "--derived": derived}.items() if v]
    if base and derived:
        raise click.UsageError("--base leaves out what --derived adds; leave one of them out")
    if name is not None or tree:
        if given or (name is not None and tree):
            left = given[0] if given else "--tree"
            raise click.UsageError(f"{left} is for the list; leave it, or NAME or --tree, out")
        if name is not None:
            found = stage(name)
            response = response_of(found.circuit())
            deliver(
                None,
                None,
                as_json,
                lambda: report.stage_answer(found, response),
                lambda: report.stage_text(found, response),
            )
        else:
            deliver(
                None,
                None,
                as_json,
                lambda: report.tree_answer(stages()),
                lambda: report.tree_text(stages()),
            )
        return
    if key is not None and key not in report.SORTS:
        keys = ", ".join(report.SORTS)
        raise click.UsageError(f"there is no sort key {key!r}; the keys are {keys}")
    listed = _chosen(stages(), kind, order, op_amps, base)
    if derived:
        from synth.generators.kept import derived_circuits

        listed += derived_circuits(kind, order, op_amps)
    listed = report.sorted_by(listed, key or "name", kind)
    deliver(
        None,
        None,
        as_json,
        lambda: report.catalog_answer(listed, kind),
        lambda: report.catalog_text(listed, kind),
    )


def _chosen(
    stages: tuple[Stage, ...],
    kind: str | None,
    order: int | None,
    op_amps: int | None,
    base: bool,
) -> list[Stage]:
    from synth.claims import STAGE_KINDS

    if kind is not None and kind not in STAGE_KINDS:
        raise click.UsageError(f"there is no kind {kind!r}; the kinds are {', '.join(STAGE_KINDS)}")
    if order is not None and order < 0:
        raise click.UsageError(f"--order {order}: the order of a stage is 0 or more")
    if op_amps is not None and op_amps < 0:
        raise click.UsageError(f"--op-amps {op_amps}: a stage has 0 op amps or more")
    return [
        s
        for s in stages
        if (kind is None or kind in s.kinds)
        and (order is None or order == s.order)
        and (op_amps is None or op_amps == len(s.network.op_amps))
        and not (base and s.base)
    ]
