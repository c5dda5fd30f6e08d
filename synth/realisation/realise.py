"""From a target to ranked circuits: split, search, fit, chain, verify, rank."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from math import pi, prod

from synth.analysis.feedback import feedback
from synth.analysis.loop import analyse
from synth.analysis.numbers import transfer
from synth.catalog import stages
from synth.errors import RealisationError
from synth.network.equivalence import equivalent, shape_key
from synth.progress import Progress, counter, portion
from synth.realisation.design import Design, Realisation, StageUse
from synth.realisation.fitted import FittedStage, least_cost, spread_of
from synth.realisation.ranking import rank
from synth.realisation.refine import LISTED, WORK, Refined, jointly, refined
from synth.search.candidates import Candidate, SectionTarget, derivations, negated, search
from synth.search.lifted import candidates_for
from synth.search.plan import Chain, Plan, best_chains, free_plan, gain_target, plans
from synth.search.split import splits
from synth.target.target import Target, phase_error, realised_error
from synth.transfer.kinds import describe
from synth.transfer.transfer import Transfer
from synth.transform.cascade import cascade
from synth.transform.step import Step
from synth.units import format_si
from synth.values.choose import DEEP, QUICK
from synth.values.section import Misfit, SectionFit, fit
from synth.values.series import CAPACITORS, RESISTORS, Shelf

#: How many lifted circuits are fitted beside the others for one section, fewest parts first.
LIFTED = 16
#: How many circuits are fitted for all sections together; the simplest come first.
MOST_FITS = 24
_KEEP = 24
#: Shares of the search after which sections are fitted and chains assembled; of the whole, after
#: which circuits are found and only their values are left to prove.  They pace the progress told.
_FITTED, _ASSEMBLED = 0.4, 0.7
_SEARCHED = 0.6
_MORE = 4  # circuits assembled beyond those asked for, since the whole may change the order


def realise(
    target: Target,
    *,
    resistors: Shelf = RESISTORS,
    capacitors: Shelf = CAPACITORS,
    top: int = 5,
    seed: int = 0,
    work: float = WORK,
    progress: Progress | None = None,
) -> tuple[Realisation, ...]:
    """Return circuits that realise `target`, best first.

    Parameters
    ----------
    target : Target
    resistors, capacitors : Shelf
        Where values come from.
    top : int
        How many circuits to return at most.
    seed : int
        Of the random starts of the value fits; the result is reproducible.
    work : float
        Rows of the enumeration that proves the values of each stage offered.
    progress : callable, optional
        Called with (done, total).

    Returns
    -------
    tuple of Realisation
        Each verified by exact analysis of the whole circuit with its values.  Ranked as by
        `synth.realisation.ranking.rank`.

    Raises
    ------
    RealisationError
        If no circuit of the catalogue can have a section of the target; the message says why.
    """
    found = candidates(
        target,
        resistors=resistors,
        capacitors=capacitors,
        count=top,
        seed=seed,
        progress=portion(progress, 0.0, _SEARCHED),
    )
    offers = sorted(found, key=_place)[:top]
    proving = portion(progress, _SEARCHED, 1.0)
    made = proved(target, offers, resistors, capacitors, work, progress=proving)
    return tuple(sorted(made, key=rank))


@dataclass(frozen=True)
class Offer:
    """A realisation with values from the local search, and the stages it is made of."""

    realisation: Realisation
    stages: tuple[FittedStage, ...]


def candidates(
    target: Target,
    *,
    resistors: Shelf = RESISTORS,
    capacitors: Shelf = CAPACITORS,
    count: int,
    seed: int = 0,
    progress: Progress | None = None,
) -> list[Offer]:
    """Return inequivalent circuits that realise `target`, about `count` and in no order.

    Parameters as `realise`; so are the errors.
    """
    ways = splits(target.transfer)
    planned = [plan for split in ways for plan in plans(target.transfer, split)]
    tick = counter(portion(progress, 0.0, _FITTED), len(_section_targets(planned)))
    workshop = _Workshop({"R": resistors, "C": capacitors}, seed, max(map(len, ways)), tick)
    fixed = [chain for plan in planned for chain in best_chains(plan, workshop.fits, _KEEP)]
    assembling = portion(progress, _FITTED, _ASSEMBLED)
    found = _assemble_best(target, fixed, count, workshop, assembling)
    if len(found) < 2 or _costly(found, max(len(split) for split in ways)):
        free = [
            chain
            for pieces in dict.fromkeys(frozenset(split.pieces) for split in ways)
            for split in [next(s for s in ways if frozenset(s.pieces) == pieces)]
            for chain in best_chains(free_plan(split), workshop.fits, _KEEP)
        ]
        rest = portion(progress, _ASSEMBLED, 1.0)
        found = _inequivalent([*found, *_assemble_best(target, free, count, workshop, rest)])
    if not found:
        raise RealisationError(workshop.complaint(target))
    return found


def proved(
    target: Target,
    offers: Sequence[Offer],
    resistors: Shelf = RESISTORS,
    capacitors: Shelf = CAPACITORS,
    work: float = WORK,
    *,
    progress: Progress | None = None,
) -> list[Realisation]:
    """Return the offers, in their order, with values chosen by proof where the work allows.

    Parameters
    ----------
    target : Target
    offers : sequence of Offer
    resistors, capacitors : Shelf
        Where values come from.
    work : float
        Rows of the enumeration for each stage.
    """
    shelves = {"R": resistors, "C": capacitors}
    done: dict[tuple[str, SectionTarget, int], Refined] = {}

    def chosen(stage: FittedStage, keep: int) -> Refined:
        key = (stage.label, stage.fit.target, keep)
        if key not in done:
            found = refined(stage, shelves, keep, work).stages
            sound = tuple(s for s in found if feedback(analyse(s.network)).negative)
            done[key] = Refined(sound or (stage,))
        return done[key]

    made = []
    tick = counter(progress, len(offers))
    for offer in offers:
        keep = LISTED if len(offer.stages) > 1 else 1
        stages = jointly(target, [chosen(s, keep) for s in offer.stages])
        better = _assembled(target, stages).realisation
        worse = better.misses > max(1.0, offer.realisation.misses)
        made.append(offer.realisation if worse else better)
        tick()
    return made


def _section_targets(planned: Sequence[Plan]) -> set[SectionTarget]:
    """Return the sections that plans ask for, of either sign where the sign matters."""
    found = {_rounded(t) for plan in planned for t in plan.targets}
    signed = {negated(t) for p in planned if p.negative is not None for t in p.targets}
    return found | {_rounded(t) for t in signed}


def _place(offer: Offer) -> tuple[float, ...]:
    return rank(offer.realisation)


def _costly(found: Sequence[Offer], sections: int) -> bool:
    """Whether stages with gains of their own may do better than what was found."""
    best = min(found, key=_place).realisation
    return rank(best)[0] > 2 or len(best.network.op_amps) > 2 * sections


def _levelled(
    target: Target, stages: Sequence[FittedStage], workshop: _Workshop
) -> Sequence[FittedStage] | None:
    """Put one plain gain stage before stages of free gain, unless they give the target's."""
    if not any(s.fit.target.free_gain for s in stages):
        return stages
    wanted = target.transfer.gain / prod(_leading(s.fit) for s in stages)
    if abs(wanted - 1) < 1e-3:
        return stages
    gains = workshop.fits(gain_target(wanted))
    return (workshop.deepened(gains[0]), *stages) if gains else None


def _leading(found: SectionFit) -> float:
    """Return the leading coefficient of a fitted section's N in s (rad/s), D monic."""
    zeros, c = next((k, c) for k, c in enumerate(reversed(found.target.numerator)) if c)
    return found.gain * c * found.target.w0**zeros


def _assemble_best(
    target: Target,
    chains: Sequence[Chain[FittedStage]],
    count: int,
    workshop: _Workshop,
    progress: Progress | None,
) -> list[Offer]:
    """Assemble the cheapest chains, one of each set of stages, their values searched in depth."""
    unique: dict[tuple[str, ...], Chain[FittedStage]] = {}
    for chain in sorted(chains, key=lambda c: c.cost):
        unique.setdefault(tuple(sorted(s.label for s in chain.stages)), chain)
    found = []
    tried = list(unique.values())[: count + _MORE]
    tick = counter(progress, len(tried))
    for chain in tried:
        deep = [workshop.deepened(s) for s in chain.stages]
        stages = _levelled(target, deep, workshop)
        if stages is not None:
            found.append(_assembled(target, stages))
        tick()
    return _inequivalent(found)


def _inequivalent(found: Sequence[Offer]) -> list[Offer]:
    """Keep the best of each kind of circuit."""
    kept: dict[str, list[Offer]] = {}
    for r in sorted(found, key=_place):
        network = r.realisation.network
        bucket = kept.setdefault(shape_key(network), [])
        if not any(equivalent(network, other.realisation.network) for other in bucket):
            bucket.append(r)
    return [r for bucket in kept.values() for r in bucket]


class _Workshop:
    """The fits made so far for one question; each section is fitted once for each sign."""

    def __init__(
        self, shelves: Mapping[str, Shelf], seed: int, sections: int, tick: Callable[[], None]
    ) -> None:
        self._shelves = shelves
        self._enough = max(6, MOST_FITS // sections)
        self._seed = seed
        self._tick = tick
        self._fits: dict[SectionTarget, tuple[FittedStage, ...]] = {}
        self._deep: dict[tuple[str, SectionTarget], FittedStage] = {}
        self._obstacles: dict[SectionTarget, Mapping[str, int]] = {}
        self._misfits: dict[SectionTarget, tuple[Misfit, ...]] = {}
        self._closures: dict[int, tuple[Candidate, ...]] = {}
        self._by_name = {s.name: s for s in stages()}

    def fits(self, target: SectionTarget) -> Sequence[FittedStage]:
        """Return every fitted candidate for a section, cheapest first."""
        key = _rounded(target)
        if key not in self._fits:
            lifted = candidates_for(target)[:LIFTED]
            result = search((*self._closure(target.order), *lifted), target)
            self._obstacles[key] = result.obstacles
            sound: list[FittedStage] = []
            misfits: list[Misfit] = []
            for candidate in sorted(result.candidates, key=lambda c: least_cost(c, target)):
                found = fit(candidate, target, self._shelves, self._seed, QUICK)
                if isinstance(found, Misfit):
                    misfits.append(found)
                elif feedback(analyse((stage := FittedStage(found)).network)).negative:
                    sound.append(stage)
                if len(sound) >= self._enough:
                    break
            self._misfits[key] = tuple(misfits)
            self._fits[key] = tuple(sorted(sound, key=lambda f: f.cost))
            self._tick()
        return self._fits[key]

    def deepened(self, stage: FittedStage) -> FittedStage:
        """Return the stage with its values searched in depth, or as it is if that is no better."""
        key = (stage.label, stage.fit.target)
        if key not in self._deep:
            found = fit(stage.fit.candidate, stage.fit.target, self._shelves, self._seed, DEEP)
            better = stage if isinstance(found, Misfit) else FittedStage(found)
            sound = better.cost <= stage.cost and feedback(analyse(better.network)).negative
            self._deep[key] = better if sound else stage
        return self._deep[key]

    def _closure(self, order: int) -> tuple[Candidate, ...]:
        if order not in self._closures:
            self._closures[order] = tuple(
                c for s in self._by_name.values() if s.order == order for c in derivations(s)
            )
        return self._closures[order]

    def complaint(self, target: Target) -> str:
        """Say which section stands in the way, and by what."""
        for section, fits in self._fits.items():
            other = self._fits.get(_rounded(negated(section)), ())
            if fits or other or section.order == 0:
                continue
            return f"{target.description} is not realisable: {self._why(section)}"
        return (
            f"{target.description} is not realisable with its sign and gain by the stages of the "
            "catalogue; ask for another --gain (also its negative)"
        )

    def _why(self, section: SectionTarget) -> str:
        where = f"the section at {format_si(section.w0 / (2 * pi), 'Hz')}"
        wanted = " ".join(f"{c:+.4g}" for c in reversed(section.numerator))
        misfits = self._misfits[section]
        outside = misfits.count(Misfit.OUTSIDE_WINDOWS)
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
        failed = self._obstacles[section]
        if failed.get("sign") or failed.get("numerator"):
            return f"no stage of order {section.order} has the numerator {wanted} for {where}"
        return f"no stage of the catalogue has order {section.order} with such poles for {where}"


def _window(shelf: Shelf, unit: str) -> str:
    return f"{format_si(shelf.low, unit)} to {format_si(shelf.high, unit)}"


def _rounded(target: SectionTarget) -> SectionTarget:
    """Return the target with its numbers rounded, so that equal sections share their fits."""

    def short(x: float) -> float:
        return float(f"{x:.12g}")

    return SectionTarget(
        tuple(map(short, target.numerator)),
        tuple(map(short, target.denominator)),
        short(target.w0),
        target.free_gain,
    )


def _assembled(target: Target, chain: Sequence[FittedStage]) -> Offer:
    """Chain the stages, analyse the whole exactly with its values, and take its figures."""
    whole = cascade([s.network for s in chain], buffer_last=True)
    network = replace(whole.network, title=target.description)
    uses = tuple(_use(s, names) for s, names in zip(chain, whole.maps, strict=True))
    loop = analyse(network)
    realised = transfer(loop, loop.transfer())
    error = realised_error(target, realised)
    derivation = tuple(step for use in uses for step in (_stage_step(use), *use.steps))
    if len(chain) > 1 or whole.buffers:
        derivation += (whole.step,)
    made = Realisation(
        design=Design(network, target, derivation),
        stages=uses,
        error_db=error.error_db,
        stop_error=error.stop_error,
        deviation=error.misses,
        phase_error=phase_error(target, realised),
        spread=spread_of(network),
        balanced_zeros=sum(s.balanced_zeros for s in chain),
        notes=whole.step.notes,
    )
    return Offer(made, tuple(chain))


def _use(stage: FittedStage, names: Mapping[str, str]) -> StageUse:
    candidate, target = stage.fit.candidate, stage.fit.target
    order = target.order
    return StageUse(
        stage=candidate.stage.name,
        title=candidate.stage.title,
        source=candidate.stage.source,
        steps=tuple(_told(step, target) for step in candidate.steps),
        parts=tuple(names.items()),
        w0=target.w0 if order else 0.0,
        q=1 / target.denominator[1] if order == 2 else 0.5 * order,
        error=stage.fit.choice.error,
        bound=stage.proof.bound if stage.proof else 0.0,
        proved=bool(stage.proof and stage.proof.proved),
        certificate=stage.proof.certificate if stage.proof else "not proved",
    )


def _told(step: Step, target: SectionTarget) -> Step:
    """Add to a swap step what the circuit was before it: the complement of what was wanted."""
    if step.name != "swap":
        return step
    wanted = Transfer.from_tf(target.numerator[::-1], target.denominator[::-1])
    before = describe(wanted.complement().scaled_frequency(target.w0))
    return replace(step, notes=(f"before the swap: {before}", *step.notes))


def _stage_step(use: StageUse) -> Step:
    return Step(
        "stage",
        (("name", use.stage),),
        f"published stage: {use.title}; source: {use.source}",
        use.parts,
    )
