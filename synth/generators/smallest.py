"""Values with the smallest spread.

The largest ratio of like parts is made small over all values that make a kind with poles of some
Q, the gain left free, but not below 0.1 in magnitude.  It is a local search from several starts
(sequential quadratic programming, D. Kraft, DFVLR-FB 88-28, 1988, from memory), so a smaller
spread may exist; of equal spreads the values nearest to each other are taken, so that the
sensitivities belong to one circuit.

A loop of three modes can make a kind of second order where one real mode cancels, as that of a
balanced twin-T does: that it cancels is then one more equation.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property
from math import exp, log, pi

import numpy as np
import numpy.typing as npt

from synth.analysis.feedback import feedback
from synth.analysis.loop import analyse
from synth.analysis.terms import terms_of
from synth.errors import SynthError
from synth.generators.asked import NOTCH_AT, asked
from synth.network.model import Network
from synth.stage_file import Stage

Array = npt.NDArray[np.float64]

#: Where values are sought: f0 in hertz, and the impedance level in ohm.
F0, LEVEL = 1e3, 1e4
_STARTS, _FOLLOW = 6, 4
_WIDEST = log(1e9)  # values further from the level than this are no solution
_SAME, _AGREE = 1e-3, 1  # the search ends when so many further starts come to the same
_TIE = 1e-3  # weight of being near each other against the logarithm of the spread
_MET = 1e-7
_LEAST_GAIN = log(0.1)
_DRAWS = 200
#: An imaginary part of a pole below this fraction is none.
_ROUNDING = 1e-9


@dataclass(frozen=True)
class Smallest:
    """Values with the smallest spread found.

    Parameters
    ----------
    network : Network
        With these values, f0 at `F0`.
    spread : float
        Largest ratio of like parts.
    q : float
        Of the poles.
    logs : array (parts,)
        Logarithms of the values, at the level and frequency of `network`.
    """

    network: Network
    spread: float
    q: float
    logs: Array


class Search:
    """The search for values of one kind of a stage.

    Parameters
    ----------
    stage : Stage
        Of second order, or of third where one real mode cancels.
    kind : str
        A kind of second order (`synth.generators.equations.KINDS`).
    """

    def __init__(self, stage: Stage, kind: str) -> None:
        self._stage, self._kind = stage, kind
        self._terms = terms_of(stage.loop)
        self._size = len(self._terms.names)
        letters = np.array([n[0] for n in self._terms.names])
        self._members = [letters == k for k in sorted(set(letters))]

    def smallest(
        self, q: float, start: Array | None = None, nearest: Smallest | None = None
    ) -> Smallest | None:
        """Return the values with the smallest spread found; None where none makes this Q.

        Circuits whose op amps are in positive feedback are passed over.

        Parameters
        ----------
        q : float
            Of the poles.
        start : array (parts,), optional
            Logarithms of values to start from, as `logs_of` gives them.
        nearest : Smallest, optional
            What was found at another Q: a start, followed to this one in small steps.
        """
        best: tuple[float, Array] | None = None
        starts = self._starts(q, start)
        if nearest is not None:
            starts.insert(1, self._followed(q, nearest))
        again = 0
        for one in starts:
            found = self._local(q, one)
            if found is None or not sound(self._network(found[1])):
                continue
            again = again + 1 if best is not None and abs(found[0] - best[0]) < _SAME else 0
            if best is None or found[0] < best[0]:
                best = found
            if again == _AGREE:
                break
        if best is None:
            return None
        logs = best[1]
        spread = max(float(np.ptp(logs[m])) for m in self._members)
        return Smallest(self._network(logs), exp(spread), q, logs)

    @property
    def real_poles(self) -> bool:
        """Whether every pole is real, whatever the values: told from many draws."""
        generator = np.random.default_rng(2)
        draws = generator.normal(0.0, 1.5, (_DRAWS, self._size))
        for d in self._terms.coefficients(draws)[1]:
            poles = np.roots(d[::-1])
            if np.abs(poles.imag).max() > _ROUNDING * np.abs(poles).max():
                return False
        return True

    # -- starts ------------------------------------------------------------------------------------

    def logs_of(self, values: dict[str, float]) -> Array:
        """Return values in ohm and farad as a start of `smallest`."""
        branches = self._stage.network.branches
        return np.array([log(values[b.name] / _UNIT[b.power]) for b in branches])

    def _starts(self, q: float, start: Array | None) -> list[Array]:
        generator = np.random.default_rng(0)
        width = 0.3 + 0.3 * log(1 + q)
        random = [generator.normal(0.0, width, self._size) for _ in range(_STARTS)]
        return [np.zeros(self._size) if start is None else start, *random]

    def _followed(self, q: float, nearest: Smallest) -> Array:
        """Return the values found at another Q, followed to this one."""
        logs = nearest.logs
        for step in np.geomspace(nearest.q, q, _FOLLOW + 1)[1:]:
            found = self._local(float(step), logs)
            if found is None:
                break
            logs = found[1]
        return logs

    def _network(self, logs: Array) -> Network:
        branches = self._stage.network.branches
        return self._stage.network.with_values(
            {b.name: _UNIT[b.power] * exp(x) for b, x in zip(branches, logs, strict=True)}
        )

    # -- local searches ----------------------------------------------------------------------------

    def _local(self, q: float, start: Array) -> tuple[float, Array] | None:
        """Return (objective, log values) of the search from one start; None when it fails."""
        size, members = self._size, self._members
        lowest = np.array([start[m].min() for m in members])
        spread = max(float(np.ptp(start[m])) for m in members)

        def objective(x: Array) -> float:
            away = sum(float(((x[:size][m] - x[:size][m].mean()) ** 2).sum()) for m in members)
            return float(x[-1]) + _TIE * away / size

        def equal(x: Array) -> Array:
            return self._misses(q, x[:size])[0][self._active]

        def above(x: Array) -> Array:
            rows = [x[:size][m] - low for m, low in zip(members, x[size:-1], strict=True)]
            gain = self._misses(q, x[:size])[1]
            limits = [gain - _LEAST_GAIN]
            return np.concatenate([*rows, *(x[-1] - r for r in rows), limits])

        found = _minimum(objective, np.concatenate([start, lowest, [spread]]), equal, above)
        logs = found[:size]
        off, gain = self._misses(q, logs)
        met = bool(np.isfinite(off).all()) and float(np.abs(off).max(initial=0.0)) < _MET
        met = met and float(np.abs(logs).max(initial=0.0)) < _WIDEST
        if not met or gain < _LEAST_GAIN - 1e-6:
            return None
        return objective(found), logs

    # -- the equations -----------------------------------------------------------------------------

    def _misses(self, q: float, logs: Array) -> tuple[Array, float]:
        """Return what is left of the equations of the kind, and the logarithm of the gain."""
        held = np.clip(logs, -2 * _WIDEST, 2 * _WIDEST)  # a search may step far out
        with np.errstate(all="ignore"):
            tops, bottoms = self._terms.coefficients(held[None, :])
            top, bottom, left = _second_order(tops[0], bottoms[0])
            n, d = top / np.abs(top).sum(), bottom / bottom[-1]
            wanted = asked(self._kind, n, d, q, 0.0, NOTCH_AT.get(self._kind, 1.0))
            rows = np.array([*wanted.shape, *left])
            gain = 0.0
            if wanted.gain is not None and self._kind != "peaking":
                place = {"lowpass": 0, "lowpass-notch": 0, "bandpass": 1}.get(self._kind, 2)
                gain = float(np.log(np.abs(top[place] / bottom[place])))
        return rows, gain if np.isfinite(gain) else 0.0

    @cached_property
    def _active(self) -> npt.NDArray[np.intp]:
        """Return the equations that say something; others would only stop the search.

        One that always holds says nothing; nor does one that follows from the others where all
        are met, as the equal gains of a balanced twin-T do: it is told by the rank of the slopes.
        """
        from scipy.linalg import qr
        from scipy.optimize import least_squares

        generator = np.random.default_rng(1)
        draws = generator.normal(0.0, 1.0, (5, self._size))
        rows = np.array([self._misses(1.0, x)[0] for x in draws])
        some = np.flatnonzero(np.abs(rows).max(axis=0) > 1e-9)
        if len(self._terms.denominator) == 3:
            return some
        for q, start in ((q, x) for q in (1.0, 0.4, 5.0) for x in (np.zeros(self._size), *draws)):
            met = least_squares(lambda x, q=q: self._misses(q, x)[0][some], start, xtol=1e-15)
            if met.cost < 1e-20:
                _, r, order = qr(met.jac.T, mode="economic", pivoting=True)
                sizes = np.abs(np.diag(r))
                kept = order[: int((sizes > 1e-5 * sizes[0]).sum())]
                return np.asarray(some[np.sort(kept)])
        return some


_UNIT = {0: LEVEL, 1: 1 / (2 * pi * F0 * LEVEL)}


def _second_order(n: Array, d: Array) -> tuple[Array, Array, Sequence[float]]:
    """Return N and D without the mode that is to cancel, and what is left of N there.

    Of a D of third degree that is the real mode nearest to a zero.
    """
    if len(d) == 3:
        return n, d, ()
    nothing = np.full(3, np.nan)
    if not np.isfinite([*n, *d]).all():
        return nothing, nothing, (np.nan,)
    roots = np.roots(d[::-1])
    real = roots[np.abs(roots.imag) <= 1e-9 * np.abs(roots)].real
    if not len(real):  # so far away that D is of lower degree
        return nothing, nothing, (np.nan,)
    size = np.array([np.polyval(np.abs(n[::-1]), abs(r)) for r in real])
    left = np.array([np.polyval(n[::-1], r) for r in real]) / size
    k = int(np.abs(left).argmin())
    factor = np.array([1.0, -real[k]])
    top, bottom = (np.polydiv(p[::-1], factor)[0][::-1] for p in (n, d))
    return top, bottom, (float(left[k]),)


def _minimum(
    objective: Callable[[Array], float],
    start: Array,
    equal: Callable[[Array], Array],
    above: Callable[[Array], Array],
) -> Array:
    from scipy.optimize import minimize

    with np.errstate(all="ignore"):
        found = minimize(
            objective,
            start,
            method="SLSQP",
            constraints=({"type": "eq", "fun": equal}, {"type": "ineq", "fun": above}),
            options={"maxiter": 120, "ftol": 1e-9},
        )
    return np.asarray(found.x)


def sound(network: Network) -> bool:
    """Say whether every op amp is in negative feedback and no mode grows."""
    try:
        return feedback(analyse(network)).negative
    except SynthError:
        return False
