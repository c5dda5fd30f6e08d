"""The yield to be expected of a cascade, before it is assembled and drawn.

The variance of |H| in decibels is, to first order, the sum over the parts of the squares of their
sensitivities times the variances of the parts (`synth.tolerances.sensitivity`), so those of the
stages of a cascade add.  What the mask leaves around the target, over the standard deviation, says
how many deviations away a circuit fails; the least of it over the frequencies ranks cascades by
their yield, though it is none.  Near a zero of H a decibel means little, so distances are taken
in |H| itself, and there the change across the direction of H counts as well.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from statistics import NormalDist

import numpy as np
import numpy.typing as npt

from synth.masks.limits import Limit
from synth.realisation.fitted import FittedStage
from synth.realisation.polish import within
from synth.search.candidates import SectionTarget
from synth.target.target import Target
from synth.tolerances.sensitivity import NEPER, PER_CENT, variance
from synth.tolerances.spread import Array, Spread, ranges

ComplexArray = npt.NDArray[np.complex128]

#: Frequencies are taken beside themselves by this share, so that none is just that of a zero.
_BESIDE = 1e-6
#: Where the best yield to be expected is below this, none is worth an op amp: several
#: frequencies decide, and hardly a circuit passes then.
HOPELESS = 0.03
_LEAST_DB = 1e-9  # a standard deviation above zero


@dataclass(frozen=True, eq=False)
class Room:
    """What a mask leaves around a target.

    Parameters
    ----------
    w : array
        Angular frequencies, rad/s.
    above, below : array
        To the upper and the lower limit over |H|, in dB by their derivative ``8.686*dH/H``;
        infinite where there is none.
    across : array
        Weight of the variance across the direction of H: 0 where the limit is at |H|, 1 where it
        is far above.
    spread : Spread
        How parts vary.
    """

    w: Array
    above: Array
    below: Array
    across: Array
    spread: Spread

    def variance(self, stage: FittedStage) -> Array:
        """Return the variance of |H| that a stage adds, dB**2 at each frequency.

        Relative to the response the stage is wanted to have.
        """
        changes = sensitivities(stage, self.w)
        parts = ranges(stage.network, replace(self.spread, parts={}))
        along = variance(PER_CENT * changes.real, parts).deviation_db ** 2
        beside = variance(PER_CENT * changes.imag, parts).deviation_db ** 2
        return np.asarray(along + self.across * beside)

    def distances(self, totals: Array) -> tuple[Array, Array]:
        """Return how many standard deviations there are to the upper and to the lower limits.

        Parameters
        ----------
        totals : array (rows, frequencies)
            Variances of wholes, dB**2.
        """
        sigma = np.sqrt(totals) + _LEAST_DB
        return (self.above / sigma).min(axis=1), (self.below / sigma).min(axis=1)

    def worth(self, totals: Array) -> Array:
        """Return the number of standard deviations to the nearest limit, (rows,)."""
        return np.asarray(np.minimum(*self.distances(totals)))

    def share(self, total: Array) -> float:
        """Return the share of circuits expected to keep the mask.

        As if one frequency decided, with a limit as near on its other side: several others do.
        """
        nearest = float(self.worth(total[None, :])[0])
        return max(0.0, 2 * NormalDist().cdf(nearest) - 1)

    def steadier(
        self, stages: Sequence[FittedStage], others: Sequence[FittedStage]
    ) -> tuple[FittedStage, ...]:
        """Return the stages, each in the place of the one it stands for if that is steadier.

        Parameters
        ----------
        stages, others : sequence of FittedStage
            The same circuits with different values.
        """
        made = list(stages)
        rows = [(self.variance(a), self.variance(b)) for a, b in zip(stages, others, strict=True)]
        total = np.sum([mine for mine, _ in rows], axis=0)
        for k, (mine, other) in enumerate(rows):
            both = np.array([total, total - mine + other])
            if np.diff(self.worth(both))[0] > 0:
                made[k], total = others[k], both[1]
        return tuple(made)

    def expected(self, stages: Sequence[FittedStage]) -> float:
        """Return the share of circuits of a cascade expected to keep the mask."""
        return self.share(np.sum([self.variance(s) for s in stages], axis=0))


def room(target: Target, mask: Sequence[Limit], spread: Spread) -> Room:
    """Return what a mask, which is not empty, leaves around a target.

    The level of the target is taken where it leaves as much above as below: the values are moved
    for the largest margin later, which brings it there.
    """
    aim = within(target, mask)
    w = aim.frequencies * (1 + _BESIDE)
    size = np.abs(target.transfer(1j * w))
    with np.errstate(divide="ignore"):
        above = NEPER * (np.log(np.sqrt(aim.most)) - np.log(size))
        below = NEPER * (np.log(size) - np.log(np.sqrt(aim.least)))
    if np.isfinite(above).any() and np.isfinite(below).any():
        shift = (above.min() - below.min()) / 2
        above, below = above - shift, below + shift
    ratio = np.exp(-np.maximum(above, 0.0) / NEPER)
    return Room(
        w,
        np.asarray(NEPER * np.expm1(np.minimum(above, 600.0) / NEPER)),
        np.where(np.isfinite(below), -NEPER * np.expm1(-below / NEPER), np.inf),
        np.asarray(1 - ratio),
        spread,
    )


def sensitivities(stage: FittedStage, w: Array) -> ComplexArray:
    """Return the change of H of a stage for that of ln(value) of each part, over the H wanted.

    Exact derivatives: every coefficient is a sum of monomials in the values.

    Parameters
    ----------
    stage : FittedStage
    w : array
        Angular frequencies, rad/s.

    Returns
    -------
    array (frequencies, parts)
        Parts in the order of the network's branches.
    """
    candidate, values = stage.fit.candidate, stage.fit.choice.values
    terms = candidate.terms
    logs = np.log([values[n] for n in terms.names])
    powers = np.asarray((1j * w)[:, None] ** np.arange(len(terms.denominator)))
    monomials = np.exp(terms.exponents @ logs)
    slopes = monomials[:, None] * terms.exponents
    top, bottom = powers @ (terms.numerator @ monomials), powers @ (terms.denominator @ monomials)
    changes = (powers @ (terms.numerator @ slopes)) / bottom[:, None]
    changes = changes - (top / bottom**2)[:, None] * (powers @ (terms.denominator @ slopes))
    return np.asarray(changes / wanted(stage.fit.target, stage.fit.gain, w)[:, None])


def wanted(target: SectionTarget, gain: float, w: Array) -> ComplexArray:
    """Return the response a section is wanted to have, times a gain, at rad/s."""
    powers = (1j * w / target.w0)[:, None] ** np.arange(len(target.denominator))
    return np.asarray(
        gain * (powers @ np.array(target.numerator)) / (powers @ np.array(target.denominator))
    )
