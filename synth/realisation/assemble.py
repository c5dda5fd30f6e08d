"""Stages made into one circuit, analysed exactly, with the figures it is ranked by."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import log10

from synth.analysis.loop import analyse
from synth.analysis.numbers import transfer
from synth.masks.verify import ROUNDING, delay_excess, margin_db
from synth.realisation.brief import Brief
from synth.realisation.certified import certified
from synth.realisation.design import Design, Realisation, StageUse, pole_pairs
from synth.realisation.expected import room
from synth.realisation.fitted import FittedStage, spread_of
from synth.realisation.loudness import loudness
from synth.realisation.quiet import output_noise
from synth.realisation.steady import RARE, can_oscillate
from synth.search.candidates import SectionTarget
from synth.target.target import phase_error, realised_error
from synth.tolerances.spread import Spread
from synth.transfer.kinds import describe
from synth.transfer.transfer import Transfer
from synth.transform.cascade import cascade
from synth.transform.step import Step
from synth.values.section import pole_q

#: Stages of a larger Q are said to need a trim.
SHARP_Q = 10.0
_NOT_SOUGHT = "not proved: found by local search, and no proof was sought"


@dataclass(frozen=True)
class Offer:
    """A realisation, and the stages it is made of."""

    realisation: Realisation
    stages: tuple[FittedStage, ...]


def assembled(brief: Brief, chain: Sequence[FittedStage]) -> Offer:
    """Chain the stages, analyse the whole exactly with its values, and take its figures.

    Parameters
    ----------
    brief : Brief
    chain : sequence of FittedStage
        In the order of the signal.
    """
    target = brief.target
    whole = cascade([s.network for s in chain], buffer_last=True)
    network = replace(whole.network, title=target.description)
    uses = tuple(_use(brief, s, names) for s, names in zip(chain, whole.maps, strict=True))
    loop = analyse(network)
    realised = transfer(loop, loop.transfer())
    error = realised_error(target, realised)
    excess, phase = excess_db(brief, realised), phase_error(target, realised)
    late = delay_excess(brief.delays, realised) if brief.mask and brief.delays else None
    levels = loudness([s.network for s in chain], whole.maps, whole.buffers, target.grid)
    derivation = tuple(step for use in uses for step in (_stage_step(use), *use.steps))
    if len(chain) > 1 or whole.buffers:
        derivation += (whole.step,)
    made = Realisation(
        design=Design(network, target, derivation),
        stages=uses,
        error_db=error.error_db,
        stop_error=error.stop_error,
        deviation=error.misses,
        phase_error=phase,
        spread=spread_of(network),
        balanced_zeros=sum(s.balanced_zeros for s in chain),
        levels=levels,
        aim=brief.aim,
        excess_db=excess,
        whole=certified(
            brief, realised, error.error_db, phase, excess, late is not None and late > ROUNDING
        ),
        expected=(room(target, brief.mask, brief.spread).expected(chain) if brief.mask else None),
        noise=output_noise(network, levels, None) if brief.seeks("noise") else None,
        notes=(*whole.step.notes, *_sharp_notes(uses), *_growing_notes(uses, brief.spread)),
        delay_excess=late,
    )
    return Offer(made, tuple(chain))


def _sharp_notes(uses: Sequence[StageUse]) -> tuple[str, ...]:
    """Say which stages the values alone do not hold: at high Q the parts' tolerance counts Q times.

    Beside a peak |H| changes by Q times the relative shift of the pole frequency.
    """
    sharp = [(k, use.q) for k, use in enumerate(uses, start=1) if use.q > SHARP_Q]
    if not sharp:
        return ()
    q = max(q for _, q in sharp)
    where = ", ".join(str(k) for k, _ in sharp)
    return (
        f"stage{'s' if len(sharp) > 1 else ''} {where} of Q up to {q:.3g}: 1 % off in f0 changes "
        f"|H| there by about {20 * log10(1 + q / 100):.2g} dB; trim f0, or take parts of a tighter "
        "class (`synth tolerance FILE --wanted-yield`)",
    )


def _growing_notes(uses: Sequence[StageUse], spread: Spread) -> tuple[str, ...]:
    """Say which stages can oscillate."""
    growing = [str(k) for k, use in enumerate(uses, start=1) if use.can_oscillate]
    if not growing:
        return ()
    return (
        f"stage{'s' if len(growing) > 1 else ''} {', '.join(growing)} can oscillate: with "
        f"resistors of {100 * spread.resistors:g} % and capacitors of "
        f"{100 * spread.capacitors:g} % more than {100 * RARE:g} in 100 do; tighten them, or take "
        "a circuit without positive feedback",
    )


def excess_db(brief: Brief, response: Transfer) -> float | None:
    """Return by how many decibels a response passes the mask, negative inside; None without.

    At the extremes of |H|, so that nothing hides between frequencies.
    """
    return -margin_db(brief.mask, response, brief.target.transfer) if brief.mask else None


def _use(brief: Brief, stage: FittedStage, names: Mapping[str, str]) -> StageUse:
    candidate, target = stage.fit.candidate, stage.fit.target
    return StageUse(
        stage=candidate.stage.name,
        title=candidate.stage.title,
        source=candidate.stage.source,
        steps=tuple(_told(step, target) for step in candidate.steps),
        parts=tuple(names.items()),
        order=target.order,
        w0=target.w0 if target.order else 0.0,
        q=pole_q(target),
        pairs=pole_pairs(target.denominator, target.w0),
        error=stage.fit.choice.error,
        bound=stage.proof.bound if stage.proof else 0.0,
        proved=bool(stage.proof and stage.proof.proved),
        held=tuple(names[n] for n in stage.proof.held) if stage.proof else (),
        certificate=stage.proof.told(names) if stage.proof else _NOT_SOUGHT,
        can_oscillate=can_oscillate(stage, brief.spread),
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
