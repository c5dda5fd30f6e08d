"""Pairing, order and gains of a cascade, chosen together and exactly.

The level after some sections depends only on the sets of poles and zeros they use, so the best
cascade is a shortest path over those sets: dynamic programming (M. Held, R. M. Karp, A dynamic
programming approach to sequencing problems, J. SIAM 10 (1962) 196-210, from memory) instead of
(10!)**2 arrangements.

With the gains set so that every partial product P_k has the peak of the output, what one section
can pass undistorted the others can too, and the least level in the pass band tells how far the
signal sinks towards the noise there: max |P_k| / min |P_k| is what a section loses of the dynamic
range (E. Lueder, A decomposition of a transfer function minimizing distortion and inband losses,
Bell Syst. Tech. J. 49 (1970) 455-469; S. Halfin, An optimization method for cascaded filters,
ibid. 185-190; both from memory).
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from math import inf

import numpy as np
import numpy.typing as npt

from synth.errors import TargetError
from synth.search.partial import Array, Choice, Factors, Sets

#: What an arrangement may be best for, and what it means.
AIMS: Mapping[str, str] = {
    "range": "the largest of the losses max|P_k|/min|P_k| is least, and then their sum",
    "noise": "equal white noise at the output of every section adds up to least at the output, "
    "over the pass band and an octave beside it",
}
DECIBELS = 20 / np.log(10)
#: The pass band reaches this far below the largest |H|, dB.
PASS_DB = 3.02
_SAME = 1e-9  # nepers
#: Noise counts so many times beyond the ends of the pass band, and so many times above the lower
#: end of one that does not end.
NOISE_BESIDE, NOISE_ABOVE = 2.0, 10.0


def noise_band(inside: npt.NDArray[np.bool_], w: Array) -> tuple[float, float]:
    """Return the band over which noise is added up: the pass band and an octave beside it.

    White noise up to where the last section passes it would hide that of all others.

    Parameters
    ----------
    inside : (k,) array of bool
        Whether the response passes there.
    w : (k,) array
        Angular frequencies, ascending.

    Returns
    -------
    tuple of float
        Both ends in rad/s; 0 where the pass band begins at the lowest frequency.
    """
    places = np.flatnonzero(inside)
    low = 0.0 if inside[0] else float(w[places[0]]) / NOISE_BESIDE
    if not inside[-1]:
        return low, float(w[places[-1]]) * NOISE_BESIDE
    outside = np.flatnonzero(~inside)
    if not outside.size:
        return low, float(w[-1])
    return low, min(float(w[outside[-1] + 1]) * NOISE_ABOVE, float(w[-1]))


@dataclass(frozen=True)
class Arrangement:
    """A cascade: which section takes what, in the order of the signal.

    Parameters
    ----------
    choices : tuple of Choice
    shares : tuple of float
        Constant of each section with monic polynomials in s over the mean pole frequency, when
        the constant of the whole is 1 and every partial product has the same peak.
    loss_db : float
        Largest max|P_k|/min|P_k|, of the partial products and the whole, dB.
    worth : tuple of float
        What was minimised, the first first.
    """

    choices: tuple[Choice, ...]
    shares: tuple[float, ...]
    loss_db: float
    worth: tuple[float, ...]

    @property
    def pairing(self) -> frozenset[Choice]:
        """The sections, whatever their order."""
        return frozenset(self.choices)


class Arranger:
    """The sets of a transfer function with their levels, asked for arrangements.

    Parameters
    ----------
    factors : Factors

    Raises
    ------
    TargetError
        If the zeros cannot be shared out among the poles.
    """

    def __init__(self, factors: Factors) -> None:
        self.factors = factors
        self.sets = sets = Sets(factors)
        if sets.full not in sets.levels[-1]:
            raise TargetError("the zeros of the target cannot be shared out among its sections")
        w = factors.frequencies
        whole = sets.magnitudes(np.array([sets.full]), w)[0]
        inside = whole >= whole.max() - PASS_DB / DECIBELS
        low, high = noise_band(inside, w)
        weights = factors.weights * ((w >= low) & (w <= high))
        self.peak, self.least, self.noise = (np.full(sets.size, np.inf) for _ in range(3))
        for keys in sets.levels[1:]:
            for block in sets.blocks(keys, len(w)):
                table = sets.magnitudes(block, w)
                top = table.max(axis=1)
                rest = whole - table + (top - whole.max())[:, None]
                self.peak[block], self.least[block] = top, table[:, inside].min(axis=1)
                self.noise[block] = np.exp(2 * np.minimum(rest, 300.0)) @ weights
        self.loss = np.full(sets.size, np.inf)
        known = np.isfinite(self.peak)
        self.loss[known] = self.peak[known] - self.least[known]

    def best(
        self,
        aim: str = "range",
        *,
        only: Collection[Choice] | None = None,
        without: Collection[Choice] = (),
    ) -> Arrangement | None:
        """Return the best arrangement, or None when the sections allowed cannot make the whole.

        Parameters
        ----------
        aim : str
            A key of `AIMS`.
        only, without : collection of Choice
            Sections that may occur at all, and that must not.
        """
        allowed = [c for c in self.sets.choices if c not in without and (only is None or c in only)]
        if aim == "noise":
            path = self._path(self.noise, np.inf, allowed)
            return None if path is None else self._made(path[0], (path[1],))
        loss = self.loss
        worst = float(self._forward(loss, allowed, np.maximum)[0][self.sets.full])
        path = self._path(loss, worst + _SAME, allowed) if worst < inf else None
        return None if path is None else self._made(path[0], (worst, path[1]))

    def ways(self, aim: str = "range", count: int = 3) -> tuple[Arrangement, ...]:
        """Return arrangements of different pairing, best first: the best one, and others.

        The others are the best without one of its sections; the second is thereby the second
        best pairing.
        """
        first = self.best(aim)
        if first is None:
            return ()
        found = {first.pairing: first}
        for section in first.choices if count > 1 else ():
            other = self.best(aim, without=(section,))
            if other is not None:
                found.setdefault(other.pairing, other)
        return tuple(sorted(found.values(), key=lambda a: a.worth)[:count])

    def in_order(self, gains: Mapping[Choice, float]) -> tuple[Choice, ...]:
        """Return sections of given gains in the order whose largest peak is least.

        Of orders with the same largest peak (up to the output's own) the one with the smallest
        sum of losses.

        Parameters
        ----------
        gains : mapping
            Section of one pairing -> ln of its constant, s in units of the mean pole frequency.
        """
        sections = tuple(gains)
        masks = range(1 << len(sections))
        used = [[k for k in range(len(sections)) if mask >> k & 1] for mask in masks]
        keys = [sum(self.sets.step(sections[k]) for k in ks) for ks in used]
        raised = [sum(gains[sections[k]] for k in ks) for ks in used]
        peaks = [self.peak[key] + up for key, up in zip(keys, raised, strict=True)]
        worst = [-inf] + [inf] * (len(keys) - 1)
        for mask in masks:
            for k in set(range(len(sections))) - set(used[mask]):
                after = mask | 1 << k
                worst[after] = min(worst[after], max(worst[mask], peaks[after]))
        limit = worst[-1] + _SAME
        best: list[tuple[float, tuple[int, ...]]] = [(inf, ()) for _ in keys]
        best[0] = (0.0, ())
        for mask in masks:
            for k in set(range(len(sections))) - set(used[mask]):
                after = mask | 1 << k
                if peaks[after] <= limit:
                    loss = best[mask][0] + float(self.loss[keys[after]])
                    best[after] = min(best[after], (loss, (*best[mask][1], k)))
        return tuple(sections[k] for k in best[-1][1])

    def loss_db(self, gains: Mapping[Choice, float]) -> float:
        """Return what sections of given gains, in this order, lose beyond the whole's own slope.

        The loudest partial product over the output's peak, times the least output in the pass
        band over that of the faintest.
        """
        keys = np.cumsum([self.sets.step(c) for c in gains])
        raised = np.cumsum(list(gains.values()))
        peaks, leasts = self.peak[keys] + raised, self.least[keys] + raised
        return float(DECIBELS * (peaks.max() - peaks[-1] + leasts[-1] - leasts.min()))

    def unit_gains(self, pairing: Collection[Choice]) -> dict[Choice, float]:
        """Return ln of the constants with which every section has gain 1 where it passes.

        That is at DC or at high frequencies, whichever is more, or at its centre.
        """
        return {c: -self._passing(c) for c in pairing}

    def _passing(self, choice: Choice) -> float:
        """Level of a section where it passes: at 0, at infinity, or at its peak, ln."""
        f = self.factors
        table = self.sets.magnitudes(np.array([self.sets.step(choice)]), f.frequencies)[0]
        degree = len(f.poles[choice.pole]) - 1
        top = sum(len(f.zeros[j]) - 1 for j in choice.zeros) + choice.origin
        ends = ([table[0]] if not choice.origin else []) + ([table[-1]] if top == degree else [])
        return float(max(ends) if ends else table.max())

    def _made(self, choices: tuple[Choice, ...], worth: tuple[float, ...]) -> Arrangement:
        keys = np.cumsum([self.sets.step(c) for c in choices])
        peaks = self.peak[keys]
        before = np.concatenate([peaks[-1:], peaks[:-1]])
        loss = float(self.loss[keys].max())
        shares = tuple(float(x) for x in np.exp(before - peaks))
        return Arrangement(choices, shares, float(DECIBELS * loss), worth)

    def _path(
        self, cost: Array, limit: float, allowed: Sequence[Choice]
    ) -> tuple[tuple[Choice, ...], float] | None:
        """Sections whose costs add up to least, none above the limit, and the sum."""
        value, back = self._forward(np.where(cost <= limit, cost, np.inf), allowed, np.add)
        if not np.isfinite(value[self.sets.full]):
            return None
        key, found = self.sets.full, []
        while key:
            found.append(allowed[back[key]])
            key -= self.sets.step(found[-1])
        return tuple(reversed(found)), float(value[self.sets.full])

    def _forward(
        self, cost: Array, allowed: Sequence[Choice], join: Callable[[Array, Array], Array]
    ) -> tuple[Array, npt.NDArray[np.int16]]:
        """Return for every set the least joined cost of reaching it, and the section before."""
        value = np.full(self.sets.size, np.inf)
        back = np.full(self.sets.size, -1, dtype=np.int16)
        value[0] = 0.0
        for keys in self.sets.levels[:-1]:
            here = keys[np.isfinite(value[keys])]
            for number, choice in enumerate(allowed):
                rows, after = self.sets.followers(here, choice)
                reached = join(value[here[rows]], cost[after])
                better = reached < value[after]
                value[after[better]] = reached[better]
                back[after[better]] = number
        return value, back
