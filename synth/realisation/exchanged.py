"""Values of a whole circuit by exchange, where those of its sections do not meet the target.

Sections are fitted one by one and then moved against each other.  At high Q that may end short of
the target; the values of all parts are then rounded in turn and exchanged on exact sensitivities
of the whole (`synth.realisation.exchange`), which needs no sections.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from synth.errors import SynthError
from synth.realisation.assemble import Offer, assembled
from synth.realisation.brief import Brief
from synth.realisation.design import Realisation
from synth.realisation.exchange import preferred, wanted_at
from synth.realisation.fitted import FittedStage, Proof
from synth.realisation.polish import with_values
from synth.realisation.ranking import rank
from synth.target.target import MEETS_DB, MEETS_SHARE

#: How many circuits are tried, best first, and at how many frequencies.
_TRIED = 5
_POINTS = 300
_TOLD = (
    "chosen with the other stages, rounded in turn and exchanged on exact sensitivities of the "
    "whole; see there"
)


def met_by_exchange(
    brief: Brief, offers: Sequence[Offer], made: Sequence[Realisation]
) -> list[Realisation]:
    """Return the realisations, some with other values where the best one misses the target.

    Parameters
    ----------
    brief : Brief
    offers : sequence of Offer
        The circuits by their stages.
    made : sequence of Realisation
        The same circuits with the values chosen so far.
    """
    found = list(made)
    order = sorted(range(len(found)), key=lambda k: rank(found[k], brief.order))
    if not order or found[order[0]].meets or brief.mask or brief.target.kind == "allpass":
        return found
    for k in order[:_TRIED]:
        better = _exchanged(brief, offers[k], found[k])
        if better is not None and better.misses < found[k].misses:
            found[k] = better
    return found


def _exchanged(brief: Brief, offer: Offer, made: Realisation) -> Realisation | None:
    target = brief.target
    share = 10 ** (MEETS_DB / 20) - 1
    wanted = wanted_at(target.transfer, target.grid, share, MEETS_SHARE, _POINTS)
    try:
        network, size = preferred(made.network, wanted, brief.resistors, brief.capacitors)
    except SynthError:
        return None  # a value outside its window: the circuit stays as it is
    stages = []
    for stage, use in zip(offer.stages, made.stages, strict=True):
        values = {old: network.values[new] for old, new in use.parts if new in network.values}
        moved: FittedStage = with_values(stage, values, Proof(size, 0.0, False, _TOLD))
        stages.append(replace(moved, proof=Proof(moved.fit.choice.error, 0.0, False, _TOLD)))
    return assembled(brief, stages).realisation
