"""Which assembled circuits get their values with care, and what is found out about them then."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace

from synth.analysis.feedback import feedback
from synth.analysis.loop import analyse
from synth.realisation.assemble import Offer, assembled
from synth.realisation.brief import Brief
from synth.realisation.certificate import floor_db
from synth.realisation.certified import most_of
from synth.realisation.design import Realisation
from synth.realisation.expected import HOPELESS
from synth.realisation.fitted import FittedStage
from synth.realisation.polish import WithinMask, polished, within
from synth.realisation.ranking import doublings, rank
from synth.realisation.refine import as_found
from synth.tolerances.classes import SAMPLES, mask_yield
from synth.tolerances.yields import Yield

#: Before the values are moved for the largest margin, a limit passed by less than this is no
#: failure, dB: that is what the move makes good.
_MENDED_DB = 0.75
#: The same of the delay, as a share of its limit.
_MENDED_DELAY = 1.0
#: Circuits drawn to compare values.
_COMPARED = 1000
#: A circuit of at most this share of the op amps of the first is spoken of.
_FAR_FEWER = 2 / 3


def place(brief: Brief, r: Realisation) -> tuple[float, ...]:
    """Return the key of a circuit whose values are not final yet, best first.

    Where hardly any room is left, what keeps the mask already is the likeliest to do so.
    """
    if r.expected is not None and r.expected < HOPELESS:
        r = replace(r, expected=0.0)
    elif r.excess_db is not None:
        late = None if r.delay_excess is None else r.delay_excess - _MENDED_DELAY
        r = replace(r, excess_db=max(0.0, r.excess_db - _MENDED_DB), delay_excess=late)
    return rank(r, brief.order)


def worth_proof(brief: Brief, found: Sequence[Offer], count: int) -> list[Offer]:
    """Return the best offers, best first, one of the fewest op amps among them.

    So the trade of op amps against yield, levels or noise is on offer.
    """
    ordered = sorted(found, key=lambda o: place(brief, o.realisation))
    chosen = ordered[:count]
    least = min(len(o.realisation.network.op_amps) for o in ordered)
    if all(len(o.realisation.network.op_amps) > least for o in chosen):
        few = next(o for o in ordered if len(o.realisation.network.op_amps) == least)
        chosen[-1] = few
    return chosen


def with_yield(brief: Brief, offer: Offer, after: Realisation) -> Realisation:
    """Return a circuit with its yield, and with the values that have the larger one.

    Parameters
    ----------
    brief : Brief
    offer : Offer
        As it was assembled.
    after : Realisation
        With values chosen by proof and moved for the largest margin.

    Notes
    -----
    The largest margin is not always the largest yield, nor the smallest spread the least
    sensitivity: the values of the offer, as they are and moved for the margin, compete.
    """
    if not brief.mask:
        return after
    before = offer.realisation
    trials = [after]
    if before.network != after.network and (before.expected or 0.0) >= HOPELESS:
        found = [as_found(s) for s in offer.stages]
        trials += [assembled(brief, found).realisation, *_moved(brief, found)]
    best = steadiest(brief, trials)
    return replace(best, yield_=_yield(brief, best, SAMPLES), tolerances=brief.spread)


def steadiest(brief: Brief, trials: Sequence[Realisation]) -> Realisation:
    """Return the trial of the largest yield, among those that keep the mask or miss it least."""
    least = min(doublings(r.misses) for r in trials)
    able = [r for r in trials if doublings(r.misses) == least]
    if len(able) == 1:
        return able[0]
    shares = [_yield(brief, r, _COMPARED).value for r in able]
    return able[shares.index(max(shares))]


def mask_aim(brief: Brief) -> WithinMask:
    """Return what values are moved for within a mask: its margin, up to what is known to exist."""
    bound = most_of(brief, brief.target.transfer)
    floor = floor_db(brief.spread)
    most = math.inf if bound is None else bound
    return within(brief.target, brief.mask, most, floor, brief.delays)


def _moved(brief: Brief, found: Sequence[FittedStage]) -> Iterator[Realisation]:
    """Yield the circuit with these values moved for the largest margin, if it stays sound."""
    stages = polished(mask_aim(brief), found, brief.shelves)
    if all(feedback(analyse(s.network)).negative for s in stages):
        yield assembled(brief, stages).realisation


def _yield(brief: Brief, r: Realisation, samples: int) -> Yield:
    return mask_yield(
        r.network,
        brief.mask,
        brief.spread,
        delays=brief.delays,
        reference=brief.target.transfer,
        samples=samples,
        seed=brief.seed,
        executor=brief.executor,
    )


def told_of_fewer(found: Sequence[Realisation]) -> tuple[Realisation, ...]:
    """Return the circuits, the first with a note where another has far fewer op amps."""
    if not found:
        return ()
    first, *others = found
    ours = len(first.network.op_amps)
    few = [
        (len(r.network.op_amps), k)
        for k, r in enumerate(others)
        if r.meets >= first.meets
        and r.growing <= first.growing
        and len(r.network.op_amps) <= _FAR_FEWER * ours
    ]
    if few:
        count, k = min(few)
        other = others[k]
        what = "" if other.yield_ is None else f", with a yield of {100 * other.yield_.value:.3g} %"
        note = f"instead, {other.label} has {count} op amp{'s' if count > 1 else ''}{what}"
        first = replace(first, notes=(*first.notes, note))
    return (first, *others)
