"""One pattern of splits: which terminals to drive whole so that the gain is largest.

With the set of split terminals settled, their fractions and the gain follow linearly from the sum
v of the whole terminals' rows: ``v + X b = g t`` has one solution where v lies in the span of the
split rows b and the target t, and none elsewhere.  So in coordinates that are the distances from
that span, the fractions, and the gain, every whole terminal adds a fixed vector, and the sum has
to end in a box.  The choices are built up terminal by terminal; one that cannot reach the box
with all that is left is dropped (implicit enumeration: E. Balas, Operations Research 13 (1965)
517-546, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

#: What may be left of a coefficient, over the size of its terms: numbers typed to 8 digits.
CLOSE = 1e-7
#: Fractions this near to 0 or 1 are noise.
NOISE = 1e-6
#: More partial choices than this are not followed (no loop of the catalogue comes near).
_MOST = 1 << 17


@dataclass(frozen=True)
class Box:
    """Limits of a pattern.

    Parameters
    ----------
    low, high : array
        Of each split terminal's fraction.
    least_gain : float
    """

    low: Array
    high: Array
    least_gain: float


def best_whole(
    start: Array, whole: Array, split: Array, target: Array, box: Box
) -> tuple[Array, Array, float] | None:
    """Return (driven, fractions, gain) of the largest gain; None when the pattern has none.

    Parameters
    ----------
    start : array (m,)
        What the terminals that stay give.
    whole : array (k, m)
        Rows of the terminals to be driven whole or not at all.
    split : array (p, m)
        Rows of the split terminals.
    target : array (m,)
        ``start + driven @ whole + fractions @ split = gain * target`` within `CLOSE`.
    box : Box

    Notes
    -----
    Where target and split rows are linearly dependent the largest gain lies at the edge of a
    smaller pattern, so there is nothing to be found here.
    """
    # each column is scaled to length one, so that the singular values say what is dependent
    columns = np.column_stack([-split.T, target])
    lengths = np.linalg.norm(columns, axis=0)
    if not lengths.all():
        return None
    u, sizes, vt = np.linalg.svd(columns / lengths)
    p = columns.shape[1]
    if p > columns.shape[0] or sizes[-1] < 1e-9 * sizes[0]:
        return None
    inverse = (u[:, :p] / sizes) @ vt / lengths  # v @ inverse: fractions and gain
    axes = np.column_stack([u[:, p:], inverse])
    rest = columns.shape[0] - p
    low = np.concatenate([np.full(rest, -CLOSE), box.low, [box.least_gain]])
    high = np.concatenate([np.full(rest, CLOSE), box.high, [np.inf]])
    chosen = _choices(start @ axes, whole @ axes, low, high)
    if chosen is None or not len(chosen):
        return None
    ends = start @ axes + chosen @ (whole @ axes)
    gains = np.round(ends[:, -1] / ends[:, -1].max(), 9)
    best = int(np.lexsort((chosen.sum(axis=1), -gains))[0])  # of equal gains the fewest driven
    return chosen[best], ends[best, rest:-1], float(ends[best, -1])


def _choices(start: Array, steps: Array, low: Array, high: Array) -> Array | None:
    """Return every 0/1 vector x with start + x @ steps in the box; None when too many to follow."""
    order = np.argsort(-np.abs(steps).max(axis=1, initial=0.0), kind="stable")
    below = np.vstack([np.cumsum(np.minimum(steps[order], 0)[::-1], axis=0)[::-1], 0 * start])
    above = np.vstack([np.cumsum(np.maximum(steps[order], 0)[::-1], axis=0)[::-1], 0 * start])
    slack = 1e-12 * (np.abs(start) + np.abs(steps).sum(axis=0))  # of the sums' rounding
    sums = start[None, :]
    chosen = np.zeros((1, len(steps)))
    for place, k in enumerate(order):
        driven = chosen.copy()
        driven[:, k] = 1.0
        sums = np.vstack([sums, sums + steps[k]])
        chosen = np.vstack([chosen, driven])
        alive = (sums + above[place + 1] >= low - slack) & (sums + below[place + 1] <= high + slack)
        sums, chosen = sums[alive.all(axis=1)], chosen[alive.all(axis=1)]
        if len(chosen) > _MOST:
            return None
    inside = (sums >= low - slack) & (sums <= high + slack)
    return np.asarray(chosen[inside.all(axis=1)])
