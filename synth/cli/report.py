"""``synth report``: circuits on a page to hand on."""

from __future__ import annotations

import click

from synth.cli.completion import circuits
from synth.cli.examination import Asked, examination_options, wishes
from synth.cli.options import gathered, json_option, load, reading_options

_ENDINGS = (".html", ".htm")
_FROM_INPUT = (
    "the deck came from standard input (-), so the command below needs it again; it stands under "
    "Netlist"
)


@click.command()
@click.argument("circuits", metavar="CIRCUIT...", nargs=-1, required=True, shell_complete=circuits)
@reading_options
@examination_options
@click.option(
    "--symbols",
    type=click.Choice(["iec", "ansi"]),
    default="iec",
    show_default=True,
    help="Of resistors.",
)
@click.option("--title", metavar="TEXT", help="Of the page [that of the circuit].")
@click.option("-o", "--out", "file", metavar="FILE", help="The page to write (.html).")
@json_option
@click.pass_context
@gathered(asked=Asked)
def report(
    context: click.Context,
    circuits: tuple[str, ...],
    asked: Asked,
    symbols: str,
    title: str | None,
    input_: str | None,
    output: str | None,
    ground: str | None,
    keep_grounded: tuple[str, ...],
    file: str | None,
    as_json: bool,
) -> None:
    """Write a page about CIRCUIT, or about several side by side.

    One HTML file that needs no other and no network: what was asked, schematic, parts, response,
    findings with remedies, noise, sensitivities, derivation, netlists, and how to make it again.
    Values that are in none of the series are chosen first, near the given ones, and shown beside
    them. The options that say how to read a deck hold for every CIRCUIT; one whose nodes have
    other names is best saved as a design first, as with `synth transform DECK prune -o FILE.json`.
    """
    from synth.cli.output import checked_path, show, write_if
    from synth.cli.terminal import say
    from synth.pages.answer import page_answer
    from synth.pages.build import page
    from synth.pages.html import PageStyle, page_html
    from synth.report.examined import examine

    if file is None and not as_json:
        raise click.UsageError("say where the page goes: -o FILE.html (or ask for --json)")
    if circuits.count("-") > 1:
        raise click.UsageError("standard input (-) holds one deck; name the others as files")
    path = None
    if file is not None:
        path = checked_path(file, _ENDINGS, ".html for a page", circuits[0])
    examination = wishes(asked)
    examined = []
    for circuit in circuits:
        found = load(circuit, input_, output, ground, keep_grounded)
        placement = None if found.stage is None else found.stage.placement
        name, notes = found.name, found.notes
        if circuit == "-":
            name, notes = "the deck on standard input", (*notes, _FROM_INPUT)
        examined.append(examine(name, found.design, examination, notes, placement))
    record = page(examined, _command(context), title or "")
    content = None if path is None else page_html(record, PageStyle(symbols))
    answer = page_answer(record) if as_json else None
    write_if(path, content)
    if answer is not None:
        show(answer)
    elif path is not None:
        say(f"written: {path}\n")


def _command(context: click.Context) -> str:
    """Return the command line as it was given."""
    from shlex import join

    given = context.find_root().obj
    return join(["synth", *(given if isinstance(given, tuple) else ())])
