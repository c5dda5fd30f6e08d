"""The cheapest tolerance classes that reach a wanted yield.

Classes are those with a letter in IEC 60062 (from memory).  What they cost is nobody's secret and
nobody's constant, so no prices are assumed: a class counts one step more than the next wider one,
whatever the part, and a circuit costs the sum of the steps of its parts.  With one class for each
kind of part all combinations are tried in the order of that sum; then single parts are widened,
those first that matter least, as long as the yield stays.  Every yield is taken on the same
circuits, and the answer is drawn once more with another seed.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from itertools import product

import numpy as np

from synth.analysis.numbers import modes
from synth.errors import NumberError
from synth.masks.limits import DelayLimit, Limit
from synth.network.model import KINDS, Network
from synth.progress import Progress
from synth.tolerances.grids import bounds_of
from synth.tolerances.limits import Bounds, DelayBounds, delay_bounds
from synth.tolerances.model import Model, model_of
from synth.tolerances.montecarlo import check, sample
from synth.tolerances.sensitivity import decibels_per_cent
from synth.tolerances.spread import Array, Ranges, Spread, ranges
from synth.tolerances.yields import Yield, wilson
from synth.transfer.transfer import Transfer

#: Tolerances with a letter in IEC 60062, widest first, as far as they are common for the kind.
CLASSES: Mapping[str, tuple[float, ...]] = {
    "resistor": (0.05, 0.02, 0.01, 0.005, 0.0025, 0.001),
    "capacitor": (0.2, 0.1, 0.05, 0.02, 0.01, 0.005),
}
#: Circuits drawn for each trial, and for the answer.
SAMPLES = 4000


@dataclass(frozen=True)
class Classes:
    """A choice of classes.

    Parameters
    ----------
    tolerances : mapping
        Part -> tolerance as a fraction.
    steps : int
        Its cost: the sum over the parts of the classes tighter than the widest.
    yield_ : Yield
        With circuits that the choice was not made on.
    """

    tolerances: Mapping[str, float]
    steps: int
    yield_: Yield

    def of_kind(self, network: Network) -> Mapping[str, tuple[float, ...]]:
        """Return kind -> the classes in use, widest first."""
        found: dict[str, set[float]] = {}
        for b in network.branches:
            found.setdefault(KINDS[b.power], set()).add(self.tolerances[b.name])
        return {kind: tuple(sorted(used, reverse=True)) for kind, used in found.items()}


@dataclass(frozen=True)
class ClassChoice:
    """What reaches a wanted yield.

    Parameters
    ----------
    wanted : float
        0 to 1.
    by_kind, by_part : Classes or None
        With one class for each kind, and with classes of their own for the parts; None when not
        even the tightest classes reach it, or the work was interrupted before.
    tightest : Classes
        Every part in its tightest class.
    tried : int
        Choices whose yield was taken.
    complete : bool
        False after an interruption.
    """

    wanted: float
    by_kind: Classes | None
    by_part: Classes | None
    tightest: Classes
    tried: int
    complete: bool


def cheapest_classes(
    network: Network,
    limits: Sequence[Limit],
    wanted: float,
    spread: Spread | None = None,
    *,
    reference: Transfer | None = None,
    samples: int = SAMPLES,
    seed: int = 0,
    executor: Executor | None = None,
    progress: Progress | None = None,
) -> ClassChoice:
    """Return the cheapest classes with which a share of the circuits keeps all limits.

    Parameters
    ----------
    network : Network
        With values.
    limits : sequence of Limit
    wanted : float
        The share, above 0 and below 1; the lower end of the interval of confidence must reach
        it.
    spread : Spread, optional
        For the distribution within the tolerance, and the temperature.
    reference : Transfer, optional
        What ``within`` limits are about; by default the nominal response.
    samples, seed : int
        Circuits drawn for each trial.
    executor : Executor, optional
        Any of `concurrent.futures`; the result does not depend on it.
    progress : callable, optional
        Called with (choices tried, most there can be).

    Raises
    ------
    NumberError
        If the share is out of range, or there are no limits.
    """
    if not 0 < wanted < 1:
        raise NumberError(
            f"a yield of {100 * wanted:g} % cannot be asked for; choose more than 0 and less than "
            "100 %"
        )
    if not limits:
        raise NumberError("a yield needs limits; give some, as in --limit 0.5dB or --mask FILE")
    check(samples, seed)
    trials = _Trials.of(network, limits, spread or Spread(), reference, samples, executor)
    # the lower end of the interval, so that chance does not choose
    search = _Search(trials.menus, wanted, lambda at: trials.yield_of(at, seed).low, progress)
    by_kind: tuple[int, ...] | None = None
    by_part: tuple[int, ...] | None = None
    complete = True
    try:
        by_kind = search.by_kind([KINDS[b.power] for b in network.branches])
        by_part = None if by_kind is None else search.widened(by_kind, trials.influence())
    except KeyboardInterrupt:
        complete = False

    def found(at: tuple[int, ...]) -> Classes:
        return Classes(trials.tolerances(at), sum(at), trials.yield_of(at, seed + 1))

    return ClassChoice(
        wanted,
        None if by_kind is None else found(by_kind),
        None if by_part is None else found(by_part),
        found(tuple(len(m) - 1 for m in trials.menus)),
        search.tried,
        complete,
    )


@dataclass(frozen=True, eq=False)
class _Trials:
    """The yield of a network for any places in the classes of its parts."""

    model: Model
    base: Ranges
    tests: tuple[Bounds, ...]
    menus: tuple[tuple[float, ...], ...]
    samples: int
    executor: Executor | None

    @classmethod
    def of(
        cls,
        network: Network,
        limits: Sequence[Limit],
        spread: Spread,
        reference: Transfer | None,
        samples: int,
        executor: Executor | None,
    ) -> _Trials:
        model, loop = model_of(network)
        tests = tuple(bounds_of(model, loop, limit, reference) for limit in limits)
        menus = tuple(CLASSES.get(KINDS[b.power], CLASSES["capacitor"]) for b in network.branches)
        return cls(model, ranges(network, spread), tests, menus, samples, executor)

    def tolerances(self, at: Sequence[int]) -> dict[str, float]:
        """Return part -> tolerance."""
        return {n: m[k] for n, m, k in zip(self.base.names, self.menus, at, strict=True)}

    def yield_of(self, at: Sequence[int], seed: int) -> Yield:
        """Draw circuits."""
        tolerance = np.array(list(self.tolerances(at).values()))
        return _drawn(
            self.model,
            replace(self.base, tolerance=tolerance),
            self.tests,
            self.samples,
            seed,
            self.executor,
        )

    def influence(self) -> Array:
        """Return the largest dB per per cent of each part where limits are."""
        f = np.unique(np.concatenate([t.frequencies for t in self.tests]))
        return np.asarray(np.abs(np.nan_to_num(decibels_per_cent(self.model, f))).max(axis=0))


def _drawn(
    model: Model,
    parts: Ranges,
    tests: Sequence[Bounds | DelayBounds],
    samples: int,
    seed: int,
    executor: Executor | None,
) -> Yield:
    found = sample(model, parts, tests, samples=samples, seed=seed, executor=executor)
    return wilson(int(found.passed.all(axis=0).sum()), found.count)


def mask_yield(
    network: Network,
    limits: Sequence[Limit],
    spread: Spread,
    *,
    delays: Sequence[DelayLimit] = (),
    reference: Transfer | None = None,
    samples: int = SAMPLES,
    seed: int = 0,
    executor: Executor | None = None,
) -> Yield:
    """Return the share of circuits that keep all limits; parameters as `cheapest_classes`.

    Limits of the group delay, `delays`, count like the others.
    """
    model, loop = model_of(network)
    poles = modes(loop) if loop is not None else []
    tests: list[Bounds | DelayBounds] = [bounds_of(model, loop, x, reference) for x in limits]
    tests += [delay_bounds(limit, poles) for limit in delays]
    return _drawn(model, ranges(network, spread), tests, samples, seed, executor)


class _Search:
    """Trials of choices, each a place in the classes of every part."""

    def __init__(
        self,
        menus: Sequence[tuple[float, ...]],
        wanted: float,
        yield_of: Callable[[Sequence[int]], float],
        progress: Progress | None,
    ) -> None:
        self.menus, self.wanted, self.tried = menus, wanted, 0
        self._yield_of, self._progress = yield_of, progress
        self._known: dict[tuple[int, ...], bool] = {}

    def reaches(self, at: tuple[int, ...]) -> bool:
        """Whether a choice reaches what is wanted; a wider one than a failed one does not."""
        if at not in self._known:
            if any(
                not good and all(x <= y for x, y in zip(at, other, strict=True))
                for other, good in self._known.items()
            ):
                return False
            self.tried += 1
            self._known[at] = self._yield_of(at) >= self.wanted
            if self._progress is not None:
                most = sum(len(m) for m in self.menus) + 36
                self._progress(min(self.tried, most), most)
        return self._known[at]

    def by_kind(self, kinds: Sequence[str]) -> tuple[int, ...] | None:
        """Return the cheapest choice with one class for each kind."""
        present = sorted(set(kinds))
        counts = [kinds.count(k) for k in present]
        places = [range(len(self.menus[kinds.index(k)])) for k in present]
        for at in sorted(
            product(*places),
            key=lambda at: (sum(a * n for a, n in zip(at, counts, strict=True)), at),
        ):
            whole = tuple(at[present.index(k)] for k in kinds)
            if self.reaches(whole):
                return whole
        return None

    def widened(self, at: tuple[int, ...], influence: Array) -> tuple[int, ...]:
        """Widen single parts, those of least influence first, while the yield stays."""
        here = list(at)
        moved = True
        while moved:
            moved = False
            for k in np.argsort(influence, kind="stable"):
                if here[k] and self.reaches((*here[:k], here[k] - 1, *here[k + 1 :])):
                    here[k] -= 1
                    moved = True
        return tuple(here)
