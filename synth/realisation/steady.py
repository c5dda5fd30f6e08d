"""Whether a stage can oscillate with the tolerances of its parts.

Hardly a stage with positive feedback is stable at every corner of its tolerances, and hardly a
circuit drawn lies near a corner.  So circuits are drawn, always the same ones, and the roots of
the exact D(s) of each are looked at; a stage of which more than `RARE` oscillate is told.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from synth.realisation.fitted import FittedStage
from synth.tolerances.draws import draw
from synth.tolerances.roots import has_growing_root
from synth.tolerances.spread import Spread, ranges

#: A share of circuits that nobody would accept to oscillate.
RARE = 0.01
_SEED = 0
#: Up to this order a denominator whose coefficients have one sign is stable.
_BY_SIGNS = 2


def can_oscillate(stage: FittedStage, spread: Spread) -> bool:
    """Say whether more than `RARE` of the circuits drawn oscillate.

    Parameters
    ----------
    stage : FittedStage
    spread : Spread
        Of the parts; those with a tolerance of their own are looked at with that of their kind.
    """
    terms = stage.fit.candidate.terms
    order = len(terms.denominator) - 1
    one_sign = all((row >= 0).all() or (row <= 0).all() for row in terms.denominator)
    if not order or (one_sign and order <= _BY_SIGNS):
        return False
    around = ranges(stage.network, replace(spread, parts={}))
    factors = dict(zip(around.names, draw(around, _SEED, 0).T, strict=True))
    values = {b.name: b.value or 1.0 for b in stage.network.branches}
    rows = np.column_stack([values[n] * factors[n] for n in terms.names])
    _, d = terms.coefficients(np.log(rows))
    scale = (d[:, :1] / d[:, -1:]) ** (1 / order)  # so that the roots are of size one
    return bool(has_growing_root((d * np.abs(scale) ** np.arange(order + 1)).T).mean() > RARE)
