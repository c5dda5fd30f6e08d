"""Chains for what a question ranks by, to be assembled beside those of fewest parts.

The costs of stages (`FittedStage.cost`) follow the parts.  Where the yield, the levels or the
noise come before the op amps, chains are looked for that are best by them: by the variance of the
response that stages add (`expected`), by how far the op amps of each stage exceed the output, or by
the noise that each stage adds at the output (`quiet`).  Where the cheapest have a stage that can
oscillate within the tolerances of its parts (`steady`), chains without one are looked for too.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from math import log10

import numpy as np

from synth.analysis.nodes import node_voltages
from synth.checking.model import OpAmpModel
from synth.realisation.brief import Brief
from synth.realisation.expected import HOPELESS, room, wanted
from synth.realisation.fitted import FittedStage
from synth.realisation.quiet import Listener
from synth.realisation.ranking import yield_step
from synth.realisation.steady import can_oscillate
from synth.realisation.workshop import Workshop
from synth.search.candidates import SectionTarget, negated
from synth.search.plan import Chain, Plan, best_chains, steady_chains
from synth.tolerances.spread import Array

#: Chains kept of each plan by levels or noise, and by yield for each number of op amps.
_KEEP, _KEEP_STEADY = 8, 2
#: Stages of each number of op amps that steady chains are made of, the steadiest by themselves.
_STEADIEST = 4
#: A stage whose op amps exceed the output by a decibel more costs so much, beside its parts.
_DB_COST = 1000.0
#: One that can oscillate costs more than any number of op amps.
_GROWING_COST = 1e5
#: Sections of at most so many poles are the steady ones: none share an amplifier.
_PLAIN_ORDER = 2
#: So many splits into such sections get circuits of more op amps.
_WIDENED = 2


def widened_targets(
    brief: Brief, planned: Sequence[Plan], workshop: Workshop
) -> list[SectionTarget]:
    """Return the sections that are to have circuits of more op amps: those of plain splits.

    None where the mask leaves so little room that no circuit will have a yield.
    """
    if not brief.seeks("yield") or not _steady(brief, planned, workshop):
        return []
    plain = [p for p in planned if all(t.order <= _PLAIN_ORDER for t in p.targets)][:_WIDENED]
    found = [t for p in plain for t in p.targets]
    signed = [negated(t) for p in plain if p.negative is not None for t in p.targets]
    return list(dict.fromkeys([*found, *signed]))


def calmed_targets(
    brief: Brief, planned: Sequence[Plan], workshop: Workshop
) -> list[SectionTarget]:
    """Return the sections of the first plain splits of which every circuit can oscillate.

    They are to have circuits of more op amps.
    """
    plain = [p for p in planned if all(t.order <= _PLAIN_ORDER for t in p.targets)][:_WIDENED]
    found = [t for p in plain for t in p.targets]
    found += [negated(t) for p in plain if p.negative is not None for t in p.targets]

    def uneasy(target: SectionTarget) -> bool:
        stages = workshop.fits(target)
        return bool(stages) and all(can_oscillate(s, brief.spread) for s in stages)

    return [t for t in dict.fromkeys(found) if uneasy(t)]


def _calm(brief: Brief, planned: Sequence[Plan], workshop: Workshop) -> list[Chain[FittedStage]]:
    """Return the cheapest chains of fewest stages that can oscillate; none where all cannot."""
    known: dict[tuple[str, SectionTarget], bool] = {}

    def grows(stage: FittedStage) -> bool:
        key = stage.label, stage.fit.target
        if key not in known:
            known[key] = can_oscillate(stage, brief.spread)
        return known[key]

    usual = [c for p in planned for c in best_chains(p, workshop.fits, 1)]
    if not any(grows(s) for c in usual for s in c.stages):
        return []

    def of_plan(plan: Plan) -> Callable[[int, FittedStage], float]:
        def price(place: int, stage: FittedStage) -> float:
            first = plan.cost if place == 0 else 0.0
            return first + stage.cost + (_GROWING_COST if grows(stage) else 0.0)

        return price

    return _cheapest(planned, workshop, of_plan)


def wanted_chains(
    brief: Brief, planned: Sequence[Plan], workshop: Workshop, model: OpAmpModel | None
) -> list[Chain[FittedStage]]:
    """Return the chains that are best by what is ranked before the op amps, best first.

    Parameters
    ----------
    brief : Brief
    planned : sequence of Plan
    workshop : Workshop
        With the fits of their sections.
    model : OpAmpModel or None
        What noise counts for the op amps.
    """
    found: list[list[Chain[FittedStage]]] = []
    if brief.seeks("yield"):
        found.append(_steady(brief, planned, workshop))
    if brief.seeks("range"):
        found.append(_cheapest(planned, workshop, _loud_price(brief)))
    found.append(_calm(brief, planned, workshop))
    if brief.seeks("noise"):
        found.append(_cheapest(planned, workshop, _noise_price(brief, model)))
    return list(_in_turn(found))


Price = Callable[[Plan], Callable[[int, FittedStage], float]]


def _cheapest(
    planned: Sequence[Plan], workshop: Workshop, price: Price
) -> list[Chain[FittedStage]]:
    chains = [c for p in planned for c in best_chains(p, workshop.fits, _KEEP, price(p))]
    return sorted(chains, key=lambda c: c.cost)


def _steady(brief: Brief, planned: Sequence[Plan], workshop: Workshop) -> list[Chain[FittedStage]]:
    """Return the best chain for each number of op amps worth its yield, then the others.

    None where not even the best is expected to have a yield.
    """
    left = room(brief.target, brief.mask, brief.spread)
    known: dict[tuple[str, SectionTarget], tuple[int, Array]] = {}

    def spreads(stage: FittedStage) -> tuple[int, Array]:
        key = stage.label, stage.fit.target
        if key not in known:
            known[key] = op_amps(stage), left.variance(stage)
        return known[key]

    def fits(target: SectionTarget) -> list[FittedStage]:
        stages = workshop.fits(target)
        if not stages:
            return []
        alone = left.worth(np.array([spreads(s)[1] for s in stages]))
        kept: dict[int, list[FittedStage]] = {}
        for k in np.argsort(-alone, kind="stable"):
            kept.setdefault(spreads(stages[k])[0], []).append(stages[k])
        return [s for each in kept.values() for s in each[:_STEADIEST]]

    best = 0.0
    rows: list[tuple[int, int, float, float, Chain[FittedStage]]] = []
    for plan in planned:
        for count, chains in steady_chains(plan, fits, spreads, left.worth, _KEEP_STEADY).items():
            for chain in chains:
                total = np.sum([spreads(s)[1] for s in chain.stages], axis=0)
                worth = float(left.worth(total[None, :])[0])
                share = left.share(total)
                best = max(best, share)
                rows.append((yield_step(share), count, -worth, chain.cost, chain))
    if best < HOPELESS:
        return []
    rows.sort(key=lambda row: row[:4])
    front: list[tuple[int, int, float, float, Chain[FittedStage]]] = []
    for row in rows:  # what has fewer op amps than all that is better
        if not front or row[1] < min(r[1] for r in front):
            front.append(row)
    chosen = {id(r[4]) for r in front}
    return [r[4] for r in (*front, *(r for r in rows if id(r[4]) not in chosen))]


def op_amps(stage: FittedStage) -> int:
    """Return the op amps of a stage, a follower counted where it ends at none."""
    return len(stage.network.op_amps) + (not stage.fit.candidate.buffered)


def _loud_price(brief: Brief) -> Price:
    """Price the decibels by which a stage's op amps exceed the output of the whole, then parts."""
    w = brief.target.grid
    peak = brief.target.scale
    known: dict[tuple[str, SectionTarget], Array] = {}

    def loudest(stage: FittedStage) -> Array:
        key = stage.label, stage.fit.target
        if key not in known:
            network = stage.network
            voltages = node_voltages(network, w)
            outputs = [np.abs(voltages[u.out]) for u in network.op_amps]
            known[key] = np.max([*outputs, np.abs(voltages[network.output])], axis=0)
        return known[key]

    def of_plan(plan: Plan) -> Callable[[int, FittedStage], float]:
        sizes = [np.abs(wanted(t, 1.0, w)) for t in plan.targets]
        fronts = [np.prod(sizes[:k], axis=0) for k in range(len(sizes))]

        def price(place: int, stage: FittedStage) -> float:
            excess = 20 * log10(max(float((fronts[place] * loudest(stage)).max() / peak), 1e-12))
            first = plan.cost if place == 0 else 0.0
            return _DB_COST * (first + max(0.0, excess)) + stage.cost

        return price

    return of_plan


def _noise_price(brief: Brief, model: OpAmpModel | None) -> Price:
    """Price the power that a stage adds to the noise at the output, V^2, behind its op amps.

    The op amps count first where they come first: a power is far below one.
    """
    order = brief.order
    each = 1.0 if order.index("amplifiers") < order.index("noise") and model is None else 0.0
    listener = Listener.of(brief.target, model)
    w = listener.w

    def of_plan(plan: Plan) -> Callable[[int, FittedStage], float]:
        sizes = [np.abs(wanted(t, 1.0, w)) ** 2 for t in plan.targets]
        behind = [np.prod([np.ones(len(w)), *sizes[k + 1 :]], axis=0) for k in range(len(sizes))]
        return lambda place, stage: each * op_amps(stage) + listener.price(stage, behind[place])

    return of_plan


def _in_turn(lists: Sequence[Sequence[Chain[FittedStage]]]) -> Iterator[Chain[FittedStage]]:
    """Yield the first of each, then the second of each, and so on."""
    for k in range(max(map(len, lists), default=0)):
        yield from (each[k] for each in lists if k < len(each))
