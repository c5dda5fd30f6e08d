"""``synth target``: which responses keep a mask, the fewest poles first."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import click

from synth.cli.completion import families
from synth.cli.mask import MaskOptions, gain_option, mask_options, ripple_options
from synth.cli.options import Command, json_option
from synth.cli.terminal import meter

if TYPE_CHECKING:
    from synth.masks.compare import Comparison
    from synth.progress import Progress
    from synth.realisation.design import Realisation
    from synth.realisation.whole import Checked
    from synth.target.target import Target


class TargetCommand(Command):
    """The command with the families and the text of a mask explained."""

    @staticmethod
    def details(formatter: click.HelpFormatter) -> None:
        """Write what a mask file looks like."""
        from synth.masks.compare import FITTED
        from synth.target import FAMILIES

        formatter.write_text(f"Responses: {', '.join(FAMILIES)}, and {FITTED}: of no family.")
        formatter.write_paragraph()
        formatter.write_text("A mask file has one limit a line; # starts a comment:")
        formatter.write_dl(
            [
                ("gain 6 dB", "levels are relative to it; -2 inverts"),
                ("0 1k within 0.5 dB", "pass band: to either side of the gain (--pass: below it)"),
                ("0 1.2k >= -3 dB", "at least"),
                ("2k inf <= -60 dB", "stop band"),
                ("0 800 delay 5 %", "flat group delay; also in seconds"),
            ]
        )


@click.command(cls=TargetCommand)
@mask_options
@gain_option
@click.option(
    "--family",
    "chosen",
    multiple=True,
    metavar="NAME",
    shell_complete=families,
    help="Only these responses; repeat.",
)
@ripple_options
@click.option("--fit", is_flag=True, help="Fit a response of no family in any case.")
@click.option("--circuits", is_flag=True, help="Realise each response and count its op amps.")
@json_option
def target(
    mask: str | None,
    pass_: tuple[str, ...],
    stop: tuple[str, ...],
    flat_delay: tuple[str, ...],
    gain: float | None,
    chosen: tuple[str, ...],
    phase_ripple: float | None,
    delay_ripple: str | None,
    fit: bool,
    circuits: bool,
    as_json: bool,
) -> None:
    """Compare the responses that keep a mask: the lowest order of each family.

    The mask is a file, or bands with their levels, or both.
    """
    from synth.cli.output import deliver
    from synth.errors import TargetError
    from synth.report.mask import comparison_answer, comparison_text

    options = MaskOptions(mask, pass_, stop, flat_delay, gain)
    if options.given is None:
        raise click.UsageError("give a mask: --mask FILE, or --pass and --stop with their levels")
    found = compared(options, chosen, phase_ripple, delay_ripple, fit)
    made = _circuits(found) if circuits else {}
    deliver(
        None,
        None,
        as_json,
        lambda: comparison_answer(found, made),
        lambda: comparison_text(found, made),
    )
    if not found.candidates:
        other = "" if fit else ", or add --fit for one of no family"
        raise TargetError(f"no response keeps the mask; loosen a limit{other}")


def compared(
    options: MaskOptions,
    chosen: tuple[str, ...],
    phase_ripple: float | None,
    delay_ripple: str | None,
    fit: bool,
) -> Comparison:
    """Return the comparison that the options ask for."""
    from synth.cli.lift import share
    from synth.masks.compare import FITTED, compare
    from synth.target import FAMILIES

    names = [n for text in chosen for n in (p.strip() for p in text.split(",")) if n]
    for name in names:
        if name not in (*FAMILIES, FITTED):
            raise click.UsageError(
                f"--family: {name!r} is unknown; choose among {', '.join((*FAMILIES, FITTED))}"
            )
    numbers = {}
    if phase_ripple is not None:
        numbers["phase_degrees"] = phase_ripple
    if delay_ripple is not None:
        numbers["delay_ripple"] = share(delay_ripple)
    with meter("comparing") as progress:
        return compare(
            options.read(),
            families=names or tuple(FAMILIES),
            numbers=numbers,
            direct=fit,
            progress=progress,
        )


def _circuits(found: Comparison) -> Mapping[str, Checked]:
    """Return the best circuit of each response that has one."""
    from synth.errors import RealisationError
    from synth.progress import portion
    from synth.realisation.brief import Brief
    from synth.realisation.realise import realise
    from synth.realisation.whole import circuits_for

    made = {}
    with meter("realising") as progress:
        for k, c in enumerate(found.candidates):
            share = 1 / len(found.candidates)
            part = portion(progress, k * share, (k + 1) * share)

            def search(target: Target, part: Progress | None = part) -> Sequence[Realisation]:
                brief = Brief(target, mask=found.mask.absolute, delays=found.mask.delays)
                return realise(brief, progress=part)

            try:
                _, circuits = circuits_for(found.mask, [c], search)
            except RealisationError:
                continue
            made[c.name] = circuits[0]
    return made
