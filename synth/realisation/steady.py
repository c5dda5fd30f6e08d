"""Whether a stage can oscillate within the tolerances of its parts.

Every coefficient of D(s) is linear in each admittance by itself, so over a box of tolerances its
least value lies at a corner.  A stage of first or second order is stable just while its
coefficients have one sign (common practice: the criterion of Routh and Hurwitz), so for these the
corners decide exactly.  Of more poles the roots are taken at the corners: what is unstable there
can oscillate, and the inside of the box is not looked at.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from synth.analysis.terms import Terms
from synth.realisation.fitted import FittedStage
from synth.tolerances.spread import Array, Spread, ranges

#: Of more parts than these, the ones that move the coefficients least keep their values.
_MOST_PARTS = 12
#: Up to this order the signs of the coefficients decide.
_BY_SIGNS = 2


def can_oscillate(stage: FittedStage, spread: Spread) -> bool:
    """Say whether some values within the tolerances put a pole on the imaginary axis or beyond.

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
    box = ranges(stage.network, replace(spread, parts={})).box
    values = {b.name: b.value for b in stage.network.branches}
    logs = np.log([values[name] or 1.0 for name in terms.names])
    _, nominal = terms.coefficients(logs[None, :])
    _, d = terms.coefficients(logs + _corners(terms, logs, box))
    shares = d / nominal  # a stage that is offered is stable: these are positive
    if (shares <= 0).any():
        return True
    return order > _BY_SIGNS and _grows(d)


def _corners(terms: Terms, logs: Array, box: tuple[Array, Array]) -> Array:
    """Return the corners of the box as logarithms of values over nominal ones, (corners, parts)."""
    low, high = np.log(box[0]), np.log(box[1])
    count = len(logs)
    moving = np.arange(count)
    if count > _MOST_PARTS:
        weights = np.exp(logs @ terms.exponents.T) * terms.denominator
        moves = np.abs(weights @ terms.exponents) / np.abs(weights.sum(axis=1, keepdims=True))
        moving = np.argsort(-moves.max(axis=0) * (high - low), kind="stable")[:_MOST_PARTS]
    which = (np.arange(2 ** len(moving))[:, None] >> np.arange(len(moving))) & 1
    corners = np.zeros((len(which), count))
    corners[:, moving] = np.where(which == 1, high[moving], low[moving])
    return corners


def _grows(d: Array) -> bool:
    """Say whether a polynomial of positive coefficients, ascending, has a root not on the left."""
    order = d.shape[1] - 1
    unit = (d[:, :1] / d[:, -1:]) ** (1 / order)  # so that the roots are of size one
    monic = d / d[:, -1:] * unit ** (np.arange(order + 1) - order)
    companion = np.zeros((len(d), order, order))
    companion[:, 1:, :-1] = np.eye(order - 1)
    companion[:, :, -1] = -monic[:, :-1]
    return bool((np.linalg.eigvals(companion).real >= 0).any())
