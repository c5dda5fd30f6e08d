"""What is said with the first circuit of others, or of all."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from math import log10

from synth.realisation.design import Realisation
from synth.units import format_si

#: A circuit so many decibels quieter is spoken of: half the noise power.
_QUIETER_DB = 3.0
#: Where every yield is below this, none of the circuits is worth building with these parts.
_NO_YIELD = 0.01


def told_of_quieter(
    found: Iterable[Realisation], best: Sequence[Realisation]
) -> tuple[Realisation, ...]:
    """Return the best, the first with a note where another found is much quieter.

    Parameters
    ----------
    found : iterable of Realisation
        As assembled, with their noise.
    best : sequence of Realisation
        Best first.
    """
    if not best or best[0].noise is None:
        return tuple(best)
    first, ours = best[0], best[0].noise.vrms
    able = [
        (r.noise.vrms, r)
        for r in (*best[1:], *found)
        if r.noise is not None and r.meets >= first.meets and r.growing <= first.growing
    ]
    theirs, other = min(able, key=lambda pair: pair[0], default=(ours, first))
    quieter = 20 * log10(ours / theirs)
    if quieter < _QUIETER_DB:
        return tuple(best)
    count = len(other.network.op_amps)
    note = (
        f"instead, {other.label} is {quieter:.1f} dB quieter ({format_si(theirs, 'V', 3)} rms, "
        f"its op amps ideal) with {count} op amp{'' if count == 1 else 's'}; rank by noise to see "
        "it first"
    )
    return (replace(first, notes=(*first.notes, note)), *best[1:])


def told_of_no_yield(best: Sequence[Realisation]) -> tuple[Realisation, ...]:
    """Return the circuits, the first with a note where hardly any of all keeps the mask."""
    if not best or any(r.yield_ is None or r.yield_.value >= _NO_YIELD for r in best):
        return tuple(best)
    note = (
        f"no circuit here has a yield of {100 * _NO_YIELD:g} % with these tolerances; `synth "
        "tolerance FILE --wanted-yield 90%`, with the same limits, says which tolerances would do"
    )
    return (replace(best[0], notes=(*best[0].notes, note)), *best[1:])
