"""The stages for the sections of one question: each section is fitted once for each sign."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache, partial
from math import pi

from synth.analysis.feedback import feedback
from synth.analysis.loop import analyse
from synth.catalog import stages
from synth.parallel import ordered
from synth.realisation.brief import Brief
from synth.realisation.fitted import FittedStage, least_cost
from synth.search.candidates import (
    Candidate,
    SectionTarget,
    derivations,
    negated,
    obstacle,
    search,
)
from synth.search.lifted import candidates_for
from synth.target.target import Target
from synth.units import format_si
from synth.values.choose import DEEP, QUICK
from synth.values.section import Misfit, fit
from synth.values.series import Shelf

#: How many lifted circuits are fitted beside the others for one section, fewest parts first.
LIFTED = 16
#: How many circuits are fitted for all sections together; the simplest come first.
MOST_FITS = 24
#: Orders up to which circuits are lifted.
_LIFTED_ORDER = 2
#: Numbers of op amps of circuits that are fitted for their own sake, how many of each are wanted,
#: and how many are tried for them.
_MORE_OP_AMPS, _WANTED_OF_EACH, _TRIED_OF_EACH = (2, 3), 4, 16


@dataclass(frozen=True)
class Fits:
    """What was found for one section.

    Parameters
    ----------
    stages : tuple of FittedStage
        Cheapest first.
    misfits : mapping
        Label -> misfit of circuits whose structure would do.
    obstacles : mapping
        Obstacle -> number of circuits that failed by their structure.
    """

    stages: tuple[FittedStage, ...]
    misfits: Mapping[str, Misfit]
    obstacles: Mapping[str, int]


def fits_of(shelves: Mapping[str, Shelf], seed: int, enough: int, target: SectionTarget) -> Fits:
    """Fit candidates to a section, the simplest first, until there are enough."""
    lifted = candidates_for(target)[:LIFTED] if target.order <= _LIFTED_ORDER else ()
    result = search((*closure(target.order), *lifted), target)
    sound: list[FittedStage] = []
    misfits: dict[str, Misfit] = {}
    for candidate in sorted(result.candidates, key=lambda c: least_cost(c, target)):
        found = fit(candidate, target, shelves, seed, QUICK)
        if isinstance(found, Misfit):
            misfits[candidate.label] = found
        elif feedback(analyse((stage := FittedStage(found)).network)).negative:
            sound.append(stage)
        if len(sound) >= enough:
            break
    return Fits(tuple(sorted(sound, key=lambda f: f.cost)), misfits, dict(result.obstacles))


def more_fits_of(
    shelves: Mapping[str, Shelf], seed: int, task: tuple[SectionTarget, Fits]
) -> tuple[FittedStage, ...]:
    """Fit circuits of more op amps to a section, some of each number, the simplest first.

    They are more parts than those of `fits_of`, and may be less sensitive to them.  What is found
    besides those: what was fitted before counts and is not fitted again.
    """
    target, before = task
    known = {s.label for s in before.stages}
    lifted = candidates_for(target) if target.order <= _LIFTED_ORDER else ()
    sound: list[FittedStage] = []
    for count in _MORE_OP_AMPS:
        able = [
            c
            for c in (*closure(target.order), *lifted)
            if len(c.network.op_amps) + (not c.buffered) == count and not obstacle(c, target)
        ]
        able.sort(key=lambda c: least_cost(c, target))
        found = 0
        for candidate in search(able[:_TRIED_OF_EACH], target).candidates:
            if candidate.label in before.misfits:
                continue
            if candidate.label in known:
                found += 1
            elif not isinstance(fitted := fit(candidate, target, shelves, seed, QUICK), Misfit):
                stage = FittedStage(fitted)
                if feedback(analyse(stage.network)).negative:
                    sound.append(stage)
                    found += 1
            if found >= _WANTED_OF_EACH:
                break
    return tuple(sound)


def deepened(shelves: Mapping[str, Shelf], seed: int, stage: FittedStage) -> FittedStage:
    """Return the stage with its values searched in depth, or as it is if that is no better."""
    found = fit(stage.fit.candidate, stage.fit.target, shelves, seed, DEEP)
    better = stage if isinstance(found, Misfit) else FittedStage(found)
    sound = better.cost <= stage.cost and feedback(analyse(better.network)).negative
    return better if sound else stage


def closure(order: int) -> tuple[Candidate, ...]:
    """Return the stages of an order under every chain of transformations."""
    return _closure(order, tuple(s.content for s in stages()))


@cache
def _closure(order: int, _contents: tuple[str, ...]) -> tuple[Candidate, ...]:
    """Return the same; the contents tell one set of stages from another."""
    return tuple(c for s in stages() if s.order == order for c in derivations(s))


class Workshop:
    """The fits made so far for one question.

    Parameters
    ----------
    brief : Brief
    sections : int
        Most sections of a cascade: the more, the fewer circuits are fitted to each.
    tick : callable
        Called for each section fitted.
    """

    def __init__(self, brief: Brief, sections: int, tick: Callable[[], None]) -> None:
        self._shelves = brief.shelves
        self._executor = brief.executor
        self._tick = tick
        self._fit = partial(fits_of, brief.shelves, brief.seed, max(6, MOST_FITS // sections))
        self._more = partial(more_fits_of, brief.shelves, brief.seed)
        self._deepen = partial(deepened, brief.shelves, brief.seed)
        self._fits: dict[SectionTarget, Fits] = {}
        self._deep: dict[tuple[str, SectionTarget], FittedStage] = {}

    def prepare(self, targets: Iterable[SectionTarget]) -> None:
        """Fit all these sections, by the executor where there is one."""
        missing = [t for t in dict.fromkeys(map(rounded, targets)) if t not in self._fits]
        source = ordered(self._fit, missing, self._executor)
        for target, found in zip(missing, source, strict=True):
            self._fits[target] = found
            self._tick()

    def widen(self, targets: Iterable[SectionTarget]) -> None:
        """Fit circuits of more op amps to all these sections besides, by the executor."""
        wanted = list(dict.fromkeys(map(rounded, targets)))
        self.prepare(wanted)
        tasks = [(t, self._fits[t]) for t in wanted]
        for target, more in zip(wanted, ordered(self._more, tasks, self._executor), strict=True):
            found = self._fits[target]
            stages = sorted([*found.stages, *more], key=lambda f: f.cost)
            self._fits[target] = replace(found, stages=tuple(stages))

    def fits(self, target: SectionTarget) -> Sequence[FittedStage]:
        """Return every fitted candidate for a section, cheapest first."""
        self.prepare([target])
        return self._fits[rounded(target)].stages

    def deepen(self, wanted: Iterable[FittedStage]) -> None:
        """Search the values of all these stages in depth, by the executor where there is one."""
        tasks = {_key(s): s for s in wanted if _key(s) not in self._deep}
        source = ordered(self._deepen, list(tasks.values()), self._executor)
        for key, found in zip(tasks, source, strict=True):
            self._deep[key] = found

    def deepened(self, stage: FittedStage) -> FittedStage:
        """Return the stage with its values searched in depth."""
        self.deepen([stage])
        return self._deep[_key(stage)]

    def complaint(self, target: Target) -> str:
        """Say which section stands in the way, and by what."""
        for section, fits in self._fits.items():
            other = self._fits.get(rounded(negated(section)))
            if fits.stages or (other and other.stages) or section.order in (0, 3):
                continue
            return f"{target.description} is not realisable: {self._why(section)}"
        return (
            f"{target.description} is not realisable with its sign and gain by the stages of the "
            "catalogue; ask for another --gain (also its negative)"
        )

    def _why(self, section: SectionTarget) -> str:
        where = f"the section at {format_si(section.w0 / (2 * pi), 'Hz')}"
        wanted = " ".join(f"{c:+.4g}" for c in reversed(section.numerator))
        misfits = self._fits[section].misfits
        outside = list(misfits.values()).count(Misfit.OUTSIDE_WINDOWS)
        if outside:
            return (
                f"{outside} circuits can have {where}, but with values outside the windows "
                f"({_window(self._shelves['R'], 'ohm')}, {_window(self._shelves['C'], 'F')}); "
                "change the windows, the frequency or the gain"
            )
        if misfits:
            return (
                f"{len(misfits)} circuits have the powers and signs of {where}, but none has "
                f"positive part values for the numerator {wanted}; change the gain or its sign"
            )
        failed = self._fits[section].obstacles
        if failed.get("sign") or failed.get("numerator"):
            return f"no stage of order {section.order} has the numerator {wanted} for {where}"
        return f"no stage of the catalogue has order {section.order} with such poles for {where}"


def _window(shelf: Shelf, unit: str) -> str:
    return f"{format_si(shelf.low, unit)} to {format_si(shelf.high, unit)}"


def rounded(target: SectionTarget) -> SectionTarget:
    """Return the target with its numbers rounded, so that equal sections share their fits."""

    def short(x: float) -> float:
        return float(f"{x:.12g}")

    return SectionTarget(
        tuple(map(short, target.numerator)),
        tuple(map(short, target.denominator)),
        short(target.w0),
        target.free_gain,
    )


def _key(stage: FittedStage) -> tuple[str, SectionTarget]:
    return stage.label, stage.fit.target
