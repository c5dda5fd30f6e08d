"""``synth plot``: one figure of a circuit as SVG or PNG."""

from __future__ import annotations

import click

from synth.cli.completion import figure_names
from synth.cli.examination import Asked, examination_options, wishes
from synth.cli.options import Command, circuit_options, gathered, json_option, load

_ENDINGS = (".svg", ".png")


class Plot(Command):
    """The command with the figures, taken from their table."""

    @staticmethod
    def details(formatter: click.HelpFormatter) -> None:
        """Write the figures."""
        from synth.plots.figures import FIGURES

        formatter.write_text("Figures:")
        formatter.write_dl([(name, form.meaning) for name, form in FIGURES.items()])


@click.command(cls=Plot)
@circuit_options
@click.option(
    "--figure",
    metavar="NAME",
    default="magnitude",
    show_default=True,
    shell_complete=figure_names,
)
@examination_options
@click.option("-o", "--out", "file", metavar="FILE", help="Write a picture (.svg, .png).")
@json_option
@gathered(asked=Asked)
def plot(
    circuit: str,
    figure: str,
    asked: Asked,
    input_: str | None,
    output: str | None,
    ground: str | None,
    keep_grounded: tuple[str, ...],
    file: str | None,
    as_json: bool,
) -> None:
    """Draw a figure of CIRCUIT.

    Axes have units, lines have patterns besides colours, and labels stand at the lines; --json
    gives the numbers of every curve.
    """
    from synth.cli.output import checked_path, show
    from synth.cli.terminal import say
    from synth.plots.answer import plot_answer
    from synth.plots.figures import figure as figure_of
    from synth.plots.write import picture_bytes
    from synth.realisation.saved import write_bytes
    from synth.report.examined import examine

    if file is None and not as_json:
        raise click.UsageError("say where the picture goes: -o FILE.svg or .png (or --json)")
    path = None
    if file is not None:
        path = checked_path(file, _ENDINGS, ".svg or .png for a picture", circuit)
    examination = wishes(asked)
    found = load(circuit, input_, output, ground, keep_grounded)
    made = figure_of(examine(found.name, found.design, examination, found.notes), figure)
    content = None if path is None else picture_bytes(made, path.suffix)
    if path is not None and content is not None:
        write_bytes(path, content)
    if as_json:
        show(plot_answer(found.name, found.network.title, made, found.notes))
    elif path is not None:
        say(f"written: {path}\n")
