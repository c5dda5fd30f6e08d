"""Plans: which section gets which gain and sign, and the best chains of fitted stages.

A plan is a split of the target with a constant for each piece; a chain is one fitted candidate
for each piece whose signs multiply to the wanted sign.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from math import prod
from typing import Generic, Protocol, TypeVar

from synth.search.candidates import SectionTarget, negated
from synth.search.split import Split, section_target
from synth.transfer.transfer import Transfer


class Costed(Protocol):
    """A fitted stage that knows what it costs."""

    @property
    def cost(self) -> float:
        """Lower is better; the costs of a chain add."""

    @property
    def label(self) -> str:
        """Names the kind of circuit."""


#: What a decibel of lost dynamic range costs: less than the two resistors of an attenuator only
#: when it is part of several.
LOSS_COST = 2.0
Fitted = TypeVar("Fitted", bound=Costed)


@dataclass(frozen=True)
class Chain(Generic[Fitted]):
    """Fitted stages in the order of the signal."""

    stages: tuple[Fitted, ...]
    cost: float


@dataclass(frozen=True)
class Plan:
    """Targets of the sections, each for the positive sign, and the sign of the product.

    ``negative`` is None when the gains, and with them the signs, are free; ``cost`` is what the
    levels on the way are worth, in the unit of the costs of stages.
    """

    targets: tuple[SectionTarget, ...]
    negative: bool | None
    cost: float = 0.0


def gain_target(constant: float) -> SectionTarget:
    """Return the target of a plain gain."""
    return SectionTarget((constant,), (1.0,), 1.0)


def plans(transfer: Transfer, split: Split) -> Iterator[Plan]:
    """Yield plans whose stages are just the pieces, each with the gain it must have.

    A split has the gains of its own, or unit gains; then what is left of the whole's goes to one
    of the pieces, one that passes at one end only if there is one.
    """
    negative = transfer.gain < 0
    pieces = split.pieces
    if split.constants is not None:
        yield _plan(split, split.constants, negative)
        return
    unit = [1 / p.level for p in pieces]
    rest = abs(transfer.gain) / prod(unit)
    if abs(rest - 1) < 1e-9:
        yield _plan(split, unit, negative)
    else:
        able = [k for k, p in enumerate(pieces) if not all(p.ends)] or [0]
        for k in able:
            yield _plan(split, [u * rest if i == k else u for i, u in enumerate(unit)], negative)


def free_plan(split: Split) -> Plan:
    """Return the plan in which each piece has the gain that suits its stage, of either sign."""
    targets = (section_target(p, 1 / p.level) for p in split.pieces)
    return Plan(tuple(replace(t, free_gain=True) for t in targets), None, 0.0)


def _plan(split: Split, constants: Sequence[float], negative: bool) -> Plan:
    targets = (section_target(p, c) for p, c in zip(split.pieces, constants, strict=True))
    return Plan(tuple(targets), negative, LOSS_COST * split.loss_db)


def best_chains(
    plan: Plan, fits: Callable[[SectionTarget], Sequence[Fitted]], keep: int
) -> list[Chain[Fitted]]:
    """Return the cheapest chains for the plan whose signs multiply to the wanted sign.

    Costs add, so the best chains of a prefix with either sign are all that later stages need.
    """
    partial: dict[bool, list[Chain[Fitted]]] = {False: [Chain((), plan.cost)], True: []}
    for target in plan.targets:
        options: dict[bool, Sequence[Fitted]] = {False: fits(target), True: ()}
        if plan.negative is not None:
            options[True] = fits(negated(target))
        partial = {
            sign: sorted(
                (
                    Chain((*chain.stages, fit), chain.cost + fit.cost)
                    for inverted in (False, True)
                    for chain in partial[sign ^ inverted]
                    for fit in options[inverted]
                ),
                key=lambda c: c.cost,
            )[: 4 * keep]
            for sign in (False, True)
        }
    unique: dict[tuple[str, ...], Chain[Fitted]] = {}
    for chain in partial[plan.negative or False]:
        unique.setdefault(tuple(sorted(s.label for s in chain.stages)), chain)
    return list(unique.values())[:keep]
