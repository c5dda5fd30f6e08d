"""Plans: which section gets which gain and sign, and the best chains of fitted stages.

A plan is a split of the target with a constant for each piece; a chain is one fitted candidate
for each piece whose signs multiply to the wanted sign.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from math import prod
from typing import Generic, Protocol, TypeVar

import numpy as np
import numpy.typing as npt

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
Array = npt.NDArray[np.float64]
#: Beginnings carried on for each chain kept.
_BEAM = 4


@dataclass(frozen=True)
class Chain(Generic[Fitted]):
    """Fitted stages in the order of the signal."""

    stages: tuple[Fitted, ...]
    cost: float


@dataclass(frozen=True, eq=False)
class _Begun(Generic[Fitted]):
    """The first stages of some chains, and the sums of their variances, a row each."""

    totals: Array
    chains: list[Chain[Fitted]]


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
    plan: Plan,
    fits: Callable[[SectionTarget], Sequence[Fitted]],
    keep: int,
    price: Callable[[int, Fitted], float] | None = None,
) -> list[Chain[Fitted]]:
    """Return the cheapest chains for the plan whose signs multiply to the wanted sign.

    Costs add, so the best chains of a prefix with either sign are all that later stages need.

    Parameters
    ----------
    plan : Plan
    fits : callable
        Section -> fitted stages.
    keep : int
        How many chains.
    price : callable, optional
        (place in the chain, stage) -> what counts in place of the costs of stages and plan.
    """
    partial: dict[bool, list[Chain[Fitted]]] = {
        False: [Chain((), 0.0 if price else plan.cost)],
        True: [],
    }
    for place, target in enumerate(plan.targets):
        options: dict[bool, Sequence[Fitted]] = {False: fits(target), True: ()}
        if plan.negative is not None:
            options[True] = fits(negated(target))
        costs = {id(f): price(place, f) if price else f.cost for o in options.values() for f in o}
        partial = {
            sign: sorted(
                (
                    Chain((*chain.stages, fit), chain.cost + costs[id(fit)])
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


def steady_chains(
    plan: Plan,
    fits: Callable[[SectionTarget], Sequence[Fitted]],
    spreads: Callable[[Fitted], tuple[int, Array]],
    worth: Callable[[Array], Array],
    keep: int,
) -> dict[int, list[Chain[Fitted]]]:
    """Return for each number of op amps the chains whose response moves least.

    Parameters
    ----------
    plan : Plan
    fits : callable
        Section -> fitted stages.
    spreads : callable
        Stage -> its op amps, and the variance of its response at some frequencies; the variances
        of a chain add.
    worth : callable
        Sums of variances (rows, frequencies) -> how good each is; higher is better.
    keep : int
        Chains for each number of op amps.

    Notes
    -----
    The worth of a sum is not the sum of worths, so this is a beam search: of each number of op
    amps and each sign the best beginnings are carried on.
    """
    start: _Begun[Fitted] = _Begun(np.zeros((1, 1)), [Chain((), plan.cost)])
    some: dict[tuple[bool, int], _Begun[Fitted]] = {(False, 0): start}
    for target in plan.targets:
        options: dict[bool, Sequence[Fitted]] = {False: fits(target), True: ()}
        if plan.negative is not None:
            options[True] = fits(negated(target))
        grown: dict[tuple[bool, int], list[_Begun[Fitted]]] = {}
        for (sign, count), begun in some.items():
            for inverted, stages in options.items():
                for stage in stages:
                    more, variance = spreads(stage)
                    longer = [Chain((*c.stages, stage), c.cost + stage.cost) for c in begun.chains]
                    grown.setdefault((sign ^ inverted, count + more), []).append(
                        _Begun(begun.totals + variance, longer)
                    )
        some = {key: _best_begun(each, worth, _BEAM * keep) for key, each in grown.items()}
    return {
        count: begun.chains[:keep]
        for (sign, count), begun in sorted(some.items(), key=lambda item: item[0])
        if sign == (plan.negative or False)
    }


def _best_begun(
    each: Sequence[_Begun[Fitted]], worth: Callable[[Array], Array], keep: int
) -> _Begun[Fitted]:
    """Return the best of several beginnings, best first."""
    totals = np.concatenate([b.totals for b in each])
    chains = [c for b in each for c in b.chains]
    best = np.lexsort((np.array([c.cost for c in chains]), -worth(totals)))[:keep]
    return _Begun(totals[best], [chains[k] for k in best])
