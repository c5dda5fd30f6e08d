"""Analytic sensitivities, the standard deviation they predict, and which part matters most.

``S^{|H|}_x = d ln|H|/d ln x``; in decibels for one per cent of x it is times 0.0869.  For small
independent deviations the variance of the response in decibels is the sum over the parts of
``(8.686*S*sigma)**2`` with sigma the relative standard deviation of the part (A. Papoulis,
Probability, Random Variables, and Stochastic Processes, 3rd ed., McGraw-Hill 1991, section 6.2,
from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from synth.tolerances.model import Model
from synth.tolerances.spread import Array, BoolArray, Ranges

#: Decibels of a change by a factor e, and for one per cent of a part's value.
NEPER = 20 / math.log(10)
PER_CENT = NEPER / 100


@dataclass(frozen=True)
class Variance:
    """Predicted variance of the response in dB**2, part by part.

    Parameters
    ----------
    parts : array (frequencies, parts)
        Of the tolerances and of drifts with a sign of their own.
    shared : array (frequencies,)
        Of drifts with a common sign, which act together.
    """

    parts: Array
    shared: Array

    @property
    def deviation_db(self) -> Array:
        """Standard deviation in decibels, (frequencies,)."""
        return np.asarray(np.sqrt(self.parts.sum(axis=1) + self.shared))

    def shares(self, inside: BoolArray) -> tuple[Array, float]:
        """Return each part's share of the variance over the frequencies inside, and the shared.

        Parameters
        ----------
        inside : array of bool (frequencies,)
        """
        each, together = self.parts[inside].sum(axis=0), float(self.shared[inside].sum())
        total = float(each.sum()) + together
        return (each / total, together / total) if total > 0 else (0 * each, 0.0)


def decibels_per_cent(model: Model, frequencies: Array) -> Array:
    """Return the sensitivities of |H| in dB for 1 % of each part, (frequencies, parts)."""
    return np.asarray(PER_CENT * model.sensitivities(frequencies).real)


def variance(per_cent: Array, ranges: Ranges) -> Variance:
    """Return the predicted variance of the response.

    Parameters
    ----------
    per_cent : array (frequencies, parts)
        From `decibels_per_cent`.
    ranges : Ranges
    """
    low, high = ranges.low_k, ranges.high_k
    square = (low * low + low * high + high * high) / 3  # mean of (T - Tref)**2, T uniform
    own = (ranges.distribution.deviation * ranges.tolerance) ** 2
    own = own + np.where(ranges.common, 0.0, ranges.drift**2 * square)
    with np.errstate(invalid="ignore", over="ignore"):  # where H is 0 there is no sensitivity
        together = per_cent @ np.where(ranges.common, ranges.drift, 0.0)
        parts = (100 * per_cent) ** 2 * own
        return Variance(parts, (100 * together) ** 2 * ((high - low) ** 2 / 12))
