"""Which assembled circuits get their values with care, and what is found out about them then."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from synth.realisation.assemble import Offer
from synth.realisation.brief import Brief
from synth.realisation.design import Realisation
from synth.realisation.ranking import doublings, rank
from synth.tolerances.classes import mask_yield

#: Before the values are moved for the largest margin, a limit passed by less than this is no
#: failure, dB: that is what the move makes good.
_MENDED_DB = 0.75
#: A circuit of at most this share of the op amps of the first is spoken of.
_FAR_FEWER = 2 / 3


def place(brief: Brief, r: Realisation) -> tuple[float, ...]:
    """Return the key of a circuit whose values are not final yet, best first."""
    if r.excess_db is not None:
        r = replace(r, excess_db=max(0.0, r.excess_db - _MENDED_DB))
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


def with_figures(brief: Brief, before: Realisation, after: Realisation) -> Realisation:
    """Return a circuit with its yield where there is a mask.

    The largest margin is not always the largest yield, so the values `before` they were moved
    stay where they keep the mask as well and more circuits with them do.
    """
    if not brief.mask:
        return after
    moved = _with_yield(brief, after)
    if before.network == after.network or doublings(before.misses) > doublings(after.misses):
        return moved
    stayed = _with_yield(brief, before)
    return stayed if _value(stayed) > _value(moved) else moved


def _with_yield(brief: Brief, r: Realisation) -> Realisation:
    found = mask_yield(
        r.network,
        brief.mask,
        brief.spread,
        reference=brief.target.transfer,
        seed=brief.seed,
        executor=brief.executor,
    )
    return replace(r, yield_=found, tolerances=brief.spread)


def _value(r: Realisation) -> float:
    return 0.0 if r.yield_ is None else r.yield_.value


def told_of_fewer(found: Sequence[Realisation]) -> tuple[Realisation, ...]:
    """Return the circuits, the first with a note where another has far fewer op amps."""
    if not found:
        return ()
    first, *others = found
    ours = len(first.network.op_amps)
    few = [
        (len(r.network.op_amps), k)
        for k, r in enumerate(others, start=2)
        if r.meets >= first.meets and len(r.network.op_amps) <= _FAR_FEWER * ours
    ]
    if few:
        count, k = min(few)
        other = found[k - 1]
        what = "" if other.yield_ is None else f", with a yield of {100 * other.yield_.value:.3g} %"
        note = f"instead, circuit {k} has {count} op amp{'s' if count > 1 else ''}{what}"
        first = replace(first, notes=(*first.notes, note))
    return (first, *others)
