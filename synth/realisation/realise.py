"""From a target to ranked circuits: split, search, fit, chain, verify, rank."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from functools import partial
from math import prod

from synth.analysis.feedback import feedback
from synth.analysis.loop import analyse
from synth.checking.model import OpAmpModel
from synth.errors import RealisationError
from synth.network.equivalence import equivalent, shape_key
from synth.parallel import ordered
from synth.progress import Progress, counter, portion
from synth.realisation.assemble import Offer, assembled
from synth.realisation.brief import Brief
from synth.realisation.certificate import floor_db
from synth.realisation.choosing import (
    mask_aim,
    place,
    steadiest,
    told_of_fewer,
    with_yield,
    worth_proof,
)
from synth.realisation.design import Realisation
from synth.realisation.exchanged import met_by_exchange
from synth.realisation.expected import room
from synth.realisation.fitted import FittedStage
from synth.realisation.polish import WithinMask, near, polished
from synth.realisation.preselect import calmed_targets, wanted_chains, widened_targets
from synth.realisation.quiet import Listener
from synth.realisation.ranking import doublings, rank
from synth.realisation.refine import LISTED, WORK, Refined, as_found, jointly, refined
from synth.realisation.repaired import without_repairings
from synth.realisation.told import told_of_no_yield, told_of_quieter
from synth.realisation.workshop import Workshop
from synth.search.candidates import SectionTarget, negated
from synth.search.plan import Chain, Plan, best_chains, free_plan, gain_target, plans
from synth.search.split import Split, splits
from synth.values.section import SectionFit

_KEEP = 24
#: What says whether circuits were found at all, whatever they are ranked by.
_COUNTED = ("error", "lost", "amplifiers", "range")
#: Shares of the search after which sections are fitted and chains assembled; of the whole, after
#: which circuits are found and only their values are left to prove.  They pace the progress told.
_FITTED, _ASSEMBLED = 0.4, 0.7
_SEARCHED = 0.6
_MORE = 4  # circuits assembled beyond those asked for, since the whole may change the order
#: Values of so many are chosen with care however few are asked for: the first is the same then.
PROVED = 5
_PROVED_RANKED = 6  # and of more where others come first than those that usually meet the target
#: A circuit that loses so many dB less of the dynamic range is spoken of.
_LESS_DB = 1.0
#: Said of every circuit when the search was stopped before its end.
INTERRUPTED = "the search was interrupted: what was found by then, values not all chosen by proof"


def realise(
    brief: Brief, *, top: int = 5, work: float = WORK, progress: Progress | None = None
) -> tuple[Realisation, ...]:
    """Return circuits for a question, best first.

    Parameters
    ----------
    brief : Brief
    top : int
        How many circuits to return at most; fewer than `PROVED` are the first of those.
    work : float
        Rows of the enumeration that proves the values of each stage offered.
    progress : callable, optional
        Called with (done, total).

    Returns
    -------
    tuple of Realisation
        Each verified by exact analysis of the whole circuit with its values.  Ranked as by
        `synth.realisation.ranking.rank`.  After an interruption those found by then, with a
        note that says so.

    Raises
    ------
    RealisationError
        If no circuit of the catalogue can have a section of the target; the message says why.
    KeyboardInterrupt
        If interrupted before a circuit is found.
    """
    count = max(top, PROVED)
    found = candidates(brief, count=count, progress=portion(progress, 0.0, _SEARCHED))
    wanted = count if brief.rank is None else max(count, _PROVED_RANKED)
    offers = worth_proof(brief, _unpaired(brief, found), wanted)
    made = proved(brief, offers, work, progress=portion(progress, _SEARCHED, 1.0))
    known = _finished(brief, offers, made)
    best = list(without_repairings(sorted(known, key=lambda r: rank(r, brief.order))))[:count]
    others = [o.realisation for o in found]
    if brief.seeks("noise"):
        best[:] = told_of_quieter(others, best)
    else:
        best[:1] = _told_of_less(others, best[:1])
    return told_of_no_yield(told_of_fewer(best))[:top]


def _unpaired(brief: Brief, found: Sequence[Offer]) -> list[Offer]:
    """Leave out offers that differ from a better one in how op-amp inputs are paired only."""
    best = sorted(found, key=lambda o: place(brief, o.realisation))
    kept = {id(r) for r in without_repairings([o.realisation for o in best])}
    return [o for o in found if id(o.realisation) in kept]


def _finished(
    brief: Brief, offers: Sequence[Offer], made: Sequence[Realisation]
) -> list[Realisation]:
    """Exchange values that miss, and find the yields; after an interruption as far as it got."""
    done: list[Realisation] = []
    try:
        made = met_by_exchange(brief, offers, made)
        for offer, realisation in zip(offers, made, strict=True):
            done.append(with_yield(brief, offer, realisation))
    except KeyboardInterrupt:
        done += [interrupted(r) for r in made[len(done) :]]
    return done


def _told_of_less(found: Iterable[Realisation], first: Sequence[Realisation]) -> list[Realisation]:
    """Say with the first circuit which other of as few op amps loses less dynamic range."""
    told = []
    for best in first:
        count = len(best.network.op_amps)
        sound = [r for r in found if r.meets and r.growing <= best.growing]
        few = [r for r in sound if len(r.network.op_amps) <= count]
        other = min(few, key=lambda r: r.levels.loss_db, default=best)
        loss = best.levels.loss_db - other.levels.loss_db
        if loss > _LESS_DB:
            note = (
                f"{other.label} loses {loss:.1f} dB less with {len(other.network.op_amps)} op "
                "amps, and stands behind by other criteria; rank by range to see it first"
            )
            best = replace(best, notes=(*best.notes, note))
        told.append(best)
    return told


def candidates(
    brief: Brief,
    *,
    count: int,
    model: OpAmpModel | None = None,
    progress: Progress | None = None,
) -> list[Offer]:
    """Return inequivalent circuits for a question, about `count` and in no order.

    Parameters and errors as for `realise`; `model` is what noise counts for the op amps.
    """
    target = brief.target
    ways = splits(target.transfer, brief.aim)
    planned = [plan for split in ways for plan in plans(target.transfer, split)]
    wanted = _section_targets(planned)
    tick = counter(portion(progress, 0.0, _FITTED), len(wanted))
    workshop = Workshop(brief, max(map(len, ways)), tick)
    workshop.prepare(wanted)
    workshop.widen(widened_targets(brief, planned, workshop))
    workshop.widen(calmed_targets(brief, planned, workshop))
    fixed = [chain for plan in planned for chain in best_chains(plan, workshop.fits, _KEEP)]
    first = wanted_chains(brief, planned, workshop, model)
    assembling = portion(progress, _FITTED, _ASSEMBLED)
    found, complete = _assemble_best(brief, fixed, count, workshop, model, assembling, first)
    if complete and (len(found) < 2 or _costly(found, min(map(len, ways)))):
        loose = [free_plan(split) for split in _unlike(ways)]
        rest = portion(progress, _ASSEMBLED, 1.0)
        try:
            workshop.prepare(t for plan in loose for t in plan.targets)
            free = [chain for plan in loose for chain in best_chains(plan, workshop.fits, _KEEP)]
            more, complete = _assemble_best(brief, free, count, workshop, model, rest)
        except KeyboardInterrupt:
            if not found:
                raise
            more, complete = [], False
        found = _inequivalent(brief, [*found, *more])
    if not found:
        raise RealisationError(workshop.complaint(target))
    return found if complete else [_stopped(o) for o in found]


def proved(
    brief: Brief, offers: Sequence[Offer], work: float = WORK, *, progress: Progress | None = None
) -> list[Realisation]:
    """Return the offers, in their order, with values chosen by proof and for the whole.

    Parameters
    ----------
    brief : Brief
    offers : sequence of Offer
    work : float
        Rows of the enumeration for each stage.
    progress : callable, optional
        Called with (done, total).

    Notes
    -----
    After an interruption, now or before, those not reached keep the values they have.
    """
    if any(INTERRUPTED in o.realisation.notes for o in offers):
        return [o.realisation for o in offers]
    stages = {_task(s, offer): s for offer in offers for s in offer.stages}
    tasks = list(stages)
    tick = counter(progress, len(tasks) + len(offers))
    choosing, joining = partial(_chosen, brief.alone, work), partial(_whole, brief.alone)
    chosen: dict[_Task, Refined] = {}
    made: list[Realisation] = []
    try:
        choices = [(stages[t], t[2]) for t in tasks]
        for task, found in zip(tasks, ordered(choosing, choices, brief.executor), strict=True):
            chosen[task] = found
            tick()
        wholes = [(o, [chosen[_task(s, o)] for s in o.stages]) for o in offers]
        for whole in ordered(joining, wholes, brief.executor):
            made.append(whole)
            tick()
    except KeyboardInterrupt:
        made += [_stopped(o).realisation for o in offers[len(made) :]]
    return made


_Task = tuple[str, SectionTarget, int]


def _task(stage: FittedStage, offer: Offer) -> _Task:
    return stage.label, stage.fit.target, LISTED if len(offer.stages) > 1 else 1


def _chosen(brief: Brief, work: float, task: tuple[FittedStage, int]) -> Refined:
    """Choose the values of one stage by proof."""
    stage, keep = task
    found = refined(stage, brief.shelves, keep, work).stages
    sound = tuple(s for s in found if feedback(analyse(s.network)).negative)
    return Refined(sound or (stage,))


def _whole(brief: Brief, task: tuple[Offer, Sequence[Refined]]) -> Realisation:
    """Choose the stages together, then part by part; the offer stays where that is no better."""
    offer, stages = task
    if brief.mask:
        better = _within_mask(brief, offer, stages)
    else:
        *_, together = _near_target(brief, stages)
        better = assembled(brief, together).realisation
    if better.misses <= max(1.0, offer.realisation.misses):
        return better
    return assembled(brief, [as_found(s) for s in offer.stages]).realisation


def _near_target(brief: Brief, stages: Sequence[Refined]) -> Iterator[Sequence[FittedStage]]:
    """Yield the stages chosen together to be near the target, and then moved to be nearer."""
    together: Sequence[FittedStage] = jointly(brief.target, stages, floor=floor_db(brief.spread))
    yield together
    if brief.target.kind != "allpass":
        yield _sound(polished(near(brief.target), together, brief.shelves), together)


def _within_mask(brief: Brief, offer: Offer, stages: Sequence[Refined]) -> Realisation:
    """Choose the stages together for the most margin; move them only where that is worth it.

    Where the mask is then passed, the values of the local search are where another try starts.
    Where it limits the delay, the margin of |H| is not all: values near the target compete.
    """
    aim = mask_aim(brief)
    found: list[Realisation] = []
    for start in _starts(brief, offer, stages, aim):
        kept = assembled(brief, start).realisation
        trials = [kept]
        if not kept.whole.proved:
            moved = _sound(polished(aim, start, brief.shelves), start)
            better = assembled(brief, moved).realisation
            if better.misses < kept.misses or (
                better.meets and better.whole.value_db > kept.whole.value_db + aim.floor
            ):
                trials = [better, kept] if brief.delays else [better]
        found += trials
        if trials[0].meets and not brief.delays:
            break
    if brief.delays:
        return steadiest(brief, found)
    return max(found, key=lambda r: r.whole.value_db)


def _starts(
    brief: Brief, offer: Offer, stages: Sequence[Refined], aim: WithinMask
) -> Iterator[Sequence[FittedStage]]:
    """Yield values to move for the margin, those that are likelier to keep the mask first."""
    yield jointly(brief.target, stages, aim, aim.floor)
    yield [as_found(s) for s in offer.stages]
    if brief.delays:
        yield from _near_target(brief, stages)


def _sound(moved: Sequence[FittedStage], before: Sequence[FittedStage]) -> Sequence[FittedStage]:
    """Return the stages moved, unless the feedback of one is no longer negative."""
    pairs = zip(moved, before, strict=True)
    fine = all(m is b or feedback(analyse(m.network)).negative for m, b in pairs)
    return moved if fine else before


def interrupted(realisation: Realisation) -> Realisation:
    """Return a circuit with the note that the search was stopped, once."""
    notes = realisation.notes
    return (
        realisation if INTERRUPTED in notes else replace(realisation, notes=(*notes, INTERRUPTED))
    )


def _stopped(offer: Offer) -> Offer:
    return replace(offer, realisation=interrupted(offer.realisation))


def _section_targets(planned: Sequence[Plan]) -> list[SectionTarget]:
    """Return the sections that plans ask for, of either sign where the sign matters."""
    found = [t for plan in planned for t in plan.targets]
    signed = [negated(t) for p in planned if p.negative is not None for t in p.targets]
    return list(dict.fromkeys([*found, *signed]))


def _unlike(ways: Sequence[Split]) -> Iterator[Split]:
    """Yield one split of each pairing: with free gains they differ in no other way."""
    seen = set()
    for split in ways:
        if frozenset(split.pieces) not in seen:
            seen.add(frozenset(split.pieces))
            yield split


def _costly(found: Sequence[Offer], sections: int) -> bool:
    """Whether stages with gains of their own may do better than what was found."""
    best = min((o.realisation for o in found), key=lambda r: rank(r, _COUNTED))
    return doublings(best.misses) > 2 or len(best.network.op_amps) > 2 * sections


def _levelled(
    brief: Brief, stages: Sequence[FittedStage], workshop: Workshop
) -> Sequence[FittedStage] | None:
    """Put one plain gain stage before stages of free gain, unless they give the target's."""
    if not any(s.fit.target.free_gain for s in stages):
        return stages
    wanted = brief.target.transfer.gain / prod(_leading(s.fit) for s in stages)
    if abs(wanted - 1) < 1e-3:
        return stages
    gains = workshop.fits(gain_target(wanted))
    return (workshop.deepened(gains[0]), *stages) if gains else None


def _leading(found: SectionFit) -> float:
    """Return the leading coefficient of a fitted section's N in s (rad/s), D monic."""
    zeros, c = next((k, c) for k, c in enumerate(reversed(found.target.numerator)) if c)
    return found.gain * c * found.target.w0**zeros


def _assemble_best(
    brief: Brief,
    chains: Sequence[Chain[FittedStage]],
    count: int,
    workshop: Workshop,
    model: OpAmpModel | None,
    progress: Progress | None,
    first: Sequence[Chain[FittedStage]] = (),
) -> tuple[list[Offer], bool]:
    """Assemble the cheapest chains, one of each set of stages, their values searched in depth.

    Chains that are wanted `first` take the place of all but the cheapest few.  The second value
    is False when the work was interrupted after the first.
    """
    cheapest = _unlike_chains(sorted(chains, key=lambda c: c.cost))
    tried = _unlike_chains([*_unlike_chains(first)[:count], *cheapest])[: count + _MORE]
    found: list[Offer] = []
    try:
        workshop.deepen(s for chain in tried for s in chain.stages)
        deep = [tuple(workshop.deepened(s) for s in chain.stages) for chain in tried]
        if first and brief.seeks("yield"):
            left = room(brief.target, brief.mask, brief.spread)
            deep = [left.steadier(d, c.stages) for d, c in zip(deep, tried, strict=True)]
        ready = [s for s in (_levelled(brief, d, workshop) for d in deep) if s is not None]
        if brief.seeks("noise"):
            listener = Listener.of(brief.target, model)
            ready += [listener.quietest(s) for s in ready]
        tick = counter(progress, len(ready))
        for offer in ordered(partial(assembled, brief.alone), ready, brief.executor):
            found.append(offer)
            tick()
    except KeyboardInterrupt:
        if not found:
            raise
        return _inequivalent(brief, found), False
    return _inequivalent(brief, found), True


def _unlike_chains(chains: Iterable[Chain[FittedStage]]) -> list[Chain[FittedStage]]:
    """Return the first chain of each set of stages and sections, in their order."""
    unique: dict[tuple[tuple[str, ...], frozenset[SectionTarget]], Chain[FittedStage]] = {}
    for chain in chains:
        labels = tuple(sorted(s.label for s in chain.stages))
        unique.setdefault((labels, frozenset(s.fit.target for s in chain.stages)), chain)
    return list(unique.values())


def _inequivalent(brief: Brief, found: Sequence[Offer]) -> list[Offer]:
    """Keep the best of each kind of circuit."""
    kept: dict[str, list[Offer]] = {}
    for r in sorted(found, key=lambda o: place(brief, o.realisation)):
        network = r.realisation.network
        bucket = kept.setdefault(shape_key(network), [])
        if not any(equivalent(network, other.realisation.network) for other in bucket):
            bucket.append(r)
    return [r for bucket in kept.values() for r in bucket]
