"""Circuits that ideal op amps make the same: only the inputs of the op amps are paired otherwise.

An ideal op amp makes its inputs equal, whatever its output is; so the op amps together say which
nodes are equal and which are driven, and not which input belongs to which output.  Other pairings
are other circuits with real op amps: there they differ in stability and bandwidth.

References
----------
H. J. Carlin, "Singular network elements", IEEE Trans. Circuit Theory 11, 1964 (nullators and
norators pair freely); from memory.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from synth.network.equivalence import ideal_key
from synth.realisation.design import Realisation

#: Figures that agree to this are the same: rounding of the analysis is far below it.
_SAME = 1e-6


def without_repairings(found: Sequence[Realisation]) -> Iterator[Realisation]:
    """Yield circuits without those that only pair op-amp inputs unlike an earlier one.

    Parameters
    ----------
    found : sequence of Realisation
        Best first.  One whose figures differ from those of the earlier one stays.
    """
    kept: dict[str, list[Realisation]] = {}
    for r in found:
        alike = kept.setdefault(ideal_key(r.network), [])
        if not any(_same_figures(r, other) for other in alike):
            alike.append(r)
            yield r


def _same_figures(a: Realisation, b: Realisation) -> bool:
    return all(
        math.isclose(x, y, rel_tol=_SAME, abs_tol=_SAME)
        for x, y in zip(_figures(a), _figures(b), strict=True)
    )


def _figures(r: Realisation) -> tuple[float, ...]:
    return (
        r.error_db,
        r.stop_error,
        r.phase_error,
        r.spread,
        r.balanced_zeros,
        r.levels.loss_db,
        len(r.network.branches),
        -1.0 if r.excess_db is None else r.excess_db,
        -1.0 if r.yield_ is None else r.yield_.value,
        -1.0 if r.noise is None else r.noise.vrms,
    )
