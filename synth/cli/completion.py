"""What the shell offers to complete: circuits, steps, kinds, families, op amps.

Each function has click's signature (context, parameter, beginning) -> items; an item of type
"file" asks the shell to offer files.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from click.shell_completion import CompletionItem


def circuits(_: click.Context, __: click.Parameter, start: str) -> list[CompletionItem]:
    """Offer files, and the stages of the catalogue."""
    from synth.catalog import names

    return [_files(start), *_beginning(names(), start)]


def stage_names(_: click.Context, __: click.Parameter, start: str) -> list[CompletionItem]:
    """Offer the stages of the catalogue."""
    from synth.catalog import names

    return _beginning(names(), start)


def step_texts(_: click.Context, __: click.Parameter, start: str) -> list[CompletionItem]:
    """Offer the steps of `synth transform`."""
    from synth.transform.steps import STEPS

    return _beginning((f"{n}=" if s.needs_value else n for n, s in STEPS.items()), start)


def target_kinds(_: click.Context, __: click.Parameter, start: str) -> list[CompletionItem]:
    """Offer the kinds of a target."""
    from synth.target import KINDS

    return _beginning(KINDS, start)


def lift_kinds(_: click.Context, __: click.Parameter, start: str) -> list[CompletionItem]:
    """Offer the kinds that a lift or a derivation can have."""
    from synth.search.goal import KINDS

    return _beginning(KINDS, start)


def families(_: click.Context, __: click.Parameter, start: str) -> list[CompletionItem]:
    """Offer the response families."""
    from synth.target import FAMILIES

    return _beginning(FAMILIES, start)


def ladder_forms(_: click.Context, __: click.Parameter, start: str) -> list[CompletionItem]:
    """Offer the forms of simulated ladders."""
    from synth.ladder.simulation import FORMS

    return _beginning(FORMS, start)


def op_amps(_: click.Context, __: click.Parameter, start: str) -> list[CompletionItem]:
    """Offer the classes of op amps, and files."""
    from synth.checking.model import model_names

    return [*_beginning(model_names(), start), _files(start)]


def figure_names(_: click.Context, __: click.Parameter, start: str) -> list[CompletionItem]:
    """Offer the figures of `synth plot`."""
    from synth.plots.figures import FIGURES

    return _beginning(FIGURES, start)


def _beginning(words: Iterable[str], start: str) -> list[CompletionItem]:
    from click.shell_completion import CompletionItem

    return [CompletionItem(w) for w in words if w.startswith(start)]


def _files(start: str) -> CompletionItem:
    from click.shell_completion import CompletionItem

    return CompletionItem(start, type="file")
