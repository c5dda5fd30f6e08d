"""Writing: answers to standard output, files whole or not at all."""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Collection
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from synth.cli.terminal import say
from synth.errors import DeckError

if TYPE_CHECKING:
    from synth.realisation.design import Design


def show(answer: dict[str, Any]) -> None:
    """Write an answer as JSON to standard output."""
    click.echo(json.dumps(answer, indent=2, ensure_ascii=False, allow_nan=False))


def check_file(name: str | None, circuit: str | None = None) -> Path | None:
    """Return where to write, checked before anything is computed.

    Parameters
    ----------
    name : str or None
        The file to write.
    circuit : str, optional
        The circuit that is read.

    Raises
    ------
    DeckError
        If the ending is unknown, or it is a folder, or its folder does not exist, or it is the
        file that is read.
    """
    if name is None:
        return None
    from synth.realisation.circuit import DECK_ENDINGS, DESIGN_ENDING

    meaning = f"{', '.join(DECK_ENDINGS)} for a deck or {DESIGN_ENDING} for a design"
    return checked_path(name, (*DECK_ENDINGS, DESIGN_ENDING), meaning, circuit)


def checked_path(
    name: str, endings: Collection[str], meaning: str, circuit: str | None = None
) -> Path:
    """Return the path of a file to write, its ending one of `endings`; errors as `check_file`.

    Parameters
    ----------
    name : str
    endings : collection of str
    meaning : str
        The endings in words, for the message.
    circuit : str, optional
        The circuit that is read, whose file must stay.
    """
    if "\0" in name or not name:
        raise DeckError(f"{name!r} is no file name; name the file to write after -o")
    path = Path(name)
    if path.is_dir():
        raise DeckError(f"{name} is a folder; name a file to write")
    if path.suffix.lower() not in endings:
        raise DeckError(f"the ending of {name} does not say what to write; end it in {meaning}")
    if not path.parent.is_dir():
        raise DeckError(f"there is no folder {path.parent} to write {path.name} in; make it first")
    if circuit is not None and _one_file(name, circuit):
        raise DeckError(
            f"-o {name} is the file that is read ({circuit}), which stays as it is; name another"
        )
    return path


def _one_file(one: str, other: str) -> bool:
    """Say whether two names are one file, through links and in any spelling."""
    if not (os.path.exists(one) and os.path.exists(other)):
        return False
    return os.path.samefile(one, other)


def design_content(path: Path, design: Design) -> str:
    """Return a design as the text that the file's ending asks for."""
    from synth.realisation.circuit import DESIGN_ENDING

    if path.suffix.lower() == DESIGN_ENDING:
        from synth.realisation.saved import design_text

        return design_text(design)
    from synth.report.netlist import deck_text

    return deck_text(design.network)


def write_if(path: Path | None, text: str | None) -> None:
    """Write a file whole or not at all, if one is wanted."""
    if path is not None and text is not None:
        from synth.realisation.saved import write_file

        write_file(path, text)


def deliver(
    path: Path | None,
    content: str | None,
    as_json: bool,
    answer: Callable[[], dict[str, Any]],
    text: Callable[[], str],
) -> None:
    """Write the file that is wanted, and show the answer as JSON or as text.

    Everything is made before anything is written.
    """
    shown = None if as_json else text()
    made = answer() if as_json else None
    write_if(path, content)
    if made is not None:
        show(made)
    if shown is not None:
        say(shown)
        if path is not None:
            say(f"written: {path}\n")
