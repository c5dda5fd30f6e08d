"""The command line: ``synth COMMAND``.

Wrong input ends in one sentence on standard error and exit status 2; a fault of the program in
one sentence and status 70.  Nothing heavy is imported before a command runs.
"""

from __future__ import annotations

import os
import sys
import warnings
from collections.abc import Sequence
from typing import TextIO

import click

from synth.cli.analyse import analyse
from synth.cli.catalog import catalog
from synth.cli.check import check
from synth.cli.derive import derive
from synth.cli.draw import draw
from synth.cli.explain import explain
from synth.cli.ladder import ladder
from synth.cli.lift import lift
from synth.cli.netlist import netlist
from synth.cli.options import version_option
from synth.cli.pairings import pairings
from synth.cli.parts import parts
from synth.cli.plot import plot
from synth.cli.realise import realise
from synth.cli.report import report
from synth.cli.split import split
from synth.cli.target import target
from synth.cli.tolerance import tolerance
from synth.cli.transform import transform
from synth.cli.values import values
from synth.errors import StageWarning, SynthError

#: The environment variable that names a folder of stages of one's own (`synth.catalog`).
FOLDER = "SYNTH_STAGES"
#: Set in the environment, it lets a fault of the program show its trace.
TRACE = "SYNTH_TRACE"
#: Longest word (a file name, a formula) and longest sentence of a complaint, in characters.
_WORD, _LINE = 120, 1500
_WRONG_INPUT, _FAULT, _INTERRUPTED, _PIPE = 2, 70, 130, 1


class Group(click.Group):
    """The group of commands; a mistyped command names the close one."""

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Find the command, or say which ones there are."""
        if self.get_command(ctx, args[0]) is None and not args[0].startswith("-"):
            from difflib import get_close_matches

            close = get_close_matches(args[0], self.commands, n=1)
            advice = f"did you mean {close[0]}?" if close else "`synth --help` shows them"
            raise click.UsageError(
                f"there is no command {args[0]!r}; the commands are "
                f"{', '.join(sorted(self.commands))}; {advice}"
            )
        return super().resolve_command(ctx, args)

    def format_epilog(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the exit statuses and how to switch completion on."""
        with formatter.section("Exit status"):
            formatter.write_dl(_ENDS)
        with formatter.section("Completion of words by the shell"):
            formatter.write_text('bash: eval "$(_SYNTH_COMPLETE=bash_source synth)"')
            formatter.write_text('zsh: eval "$(_SYNTH_COMPLETE=zsh_source synth)"')
            formatter.write_text("fish: _SYNTH_COMPLETE=fish_source synth | source")


_ENDS = (
    ("0", "done"),
    (
        str(_WRONG_INPUT),
        "the input or the options are wrong; one sentence says how",
    ),
    (str(_FAULT), f"a fault of the program; {TRACE}=1 shows where"),
    (str(_INTERRUPTED), "interrupted"),
    (str(_PIPE), "whoever read the output stopped reading"),
)


@click.group(cls=Group, invoke_without_command=True)
@click.option(
    "--stages",
    metavar="FOLDER",
    multiple=True,
    help=f"A folder of stages of your own, beside the catalogue's (or set {FOLDER}).",
)
@version_option
@click.pass_context
def cli(context: click.Context, stages: tuple[str, ...]) -> None:
    """Op-amp filters from a target, or from a circuit at hand.

    CIRCUIT is a deck file (.cir, .net, .sp), a saved design (.json), a stage of the catalogue,
    or - for a deck on standard input.
    """
    if len(stages) > 1:
        raise click.UsageError(
            f"--stages is given {len(stages)} times; name one folder, with folders in it if need be"
        )
    if stages and not stages[0].strip():
        raise click.UsageError("--stages names no folder; give one, or leave the option out")
    if stages:
        previous = os.environ.get(FOLDER)
        os.environ[FOLDER] = stages[0]
        context.call_on_close(lambda: _restore(previous))
    if context.invoked_subcommand is None:
        click.echo(context.get_help())


def _restore(folder: str | None) -> None:
    """Put the environment back as it was before ``--stages``."""
    if folder is None:
        os.environ.pop(FOLDER, None)
    else:
        os.environ[FOLDER] = folder


_COMMANDS = (
    target,
    realise,
    transform,
    lift,
    derive,
    ladder,
    split,
    pairings,
    check,
    values,
    tolerance,
    analyse,
    explain,
    draw,
    report,
    plot,
    parts,
    netlist,
    catalog,
)
for _command in _COMMANDS:
    cli.add_command(_command)


def run(arguments: Sequence[str] | None = None) -> int:
    """Run the command line and return the exit status.

    Parameters
    ----------
    arguments : sequence of str, optional
        By default those of the process.
    """
    for stream in (sys.stdout, sys.stderr):
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:
            reconfigure(errors="backslashreplace")
    try:
        given = sys.argv[1:] if arguments is None else list(arguments)
        with warnings.catch_warnings():
            warnings.simplefilter("always", StageWarning)
            warnings.showwarning = _told
            status = cli.main(
                args=given, prog_name="synth", standalone_mode=False, obj=tuple(given)
            )
        sys.stdout.flush()
    except click.UsageError as error:
        return _complain(_usage_sentence(error))
    except SynthError as error:
        return _complain(str(error))
    except BrokenPipeError:
        # nobody reads any more; keep the interpreter from writing the rest on its way out
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return _PIPE
    except (click.Abort, KeyboardInterrupt):
        return _INTERRUPTED
    except OSError as error:
        where = f" {error.filename}" if error.filename else ""
        return _complain(f"the system refuses{where}: {error.strerror or error}")
    except Exception as error:
        if os.environ.get(TRACE):
            raise
        _complain(
            f"this is a fault of the program, not of the input ({type(error).__name__}: {error}); "
            f"please report it with the trace that {TRACE}=1 shows"
        )
        return _FAULT
    return status if isinstance(status, int) else 0


def _told(
    message: Warning | str,
    category: type[Warning],
    filename: str,
    lineno: int,
    file: TextIO | None = None,
    line: str | None = None,
) -> None:
    """Write a warning as a sentence; one that is no `StageWarning` as Python does."""
    if issubclass(category, StageWarning):
        _say(str(message))
    else:
        print(warnings.formatwarning(message, category, filename, lineno, line), file=sys.stderr)


def _usage_sentence(error: click.UsageError) -> str:
    message = error.format_message().rstrip(".")
    if isinstance(error, click.NoSuchOption):
        close = f"; did you mean {' or '.join(error.possibilities)}?" if error.possibilities else ""
        message = f"there is no option {error.option_name}{close}"
    elif isinstance(error, click.MissingParameter) and error.param and error.ctx:
        option = next((o for o in error.param.opts if o.startswith("--")), None)
        message = f"{option or error.param.make_metavar(error.ctx)} is missing"
    elif isinstance(error, click.BadParameter) and error.param is not None:
        message = f"{error.param.opts[-1]}: {error.message.rstrip('.')}"
    context = error.ctx
    if context is None or message.endswith("?"):
        return message
    return f"{message}; `{context.command_path} --help` explains"


def _complain(message: str) -> int:
    _say(message)
    return _WRONG_INPUT


def _say(message: str) -> None:
    """Write one sentence on standard error."""
    words = "".join(c if c.isprintable() else " " for c in message).split()
    line = " ".join(_shortened(w, _WORD) for w in words)
    line = _shortened(line, _LINE)
    print(f"synth: {line}", file=sys.stderr)


def _shortened(text: str, most: int) -> str:
    """Return a text of at most `most` characters, its middle left out."""
    half = most // 2 - 2
    return text if len(text) <= most else f"{text[:half]}...{text[-half:]}"
