"""A target realised by simulating a passive ladder, and how tolerances treat it and a cascade."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from math import exp, log

import numpy as np

from synth.analysis.feedback import feedback
from synth.analysis.loop import analyse
from synth.analysis.numbers import transfer
from synth.errors import RealisationError, TargetError
from synth.ladder.bands import Prototype, prototype_of
from synth.ladder.prototype import Ladder, lowpass_ladder
from synth.ladder.simulation import (
    FORMS,
    Form,
    inductors,
    leapfrog,
    leapfrog_resonators,
    negative_resistance,
)
from synth.masks.limits import Limit
from synth.network.model import Network
from synth.progress import Progress, portion
from synth.realisation.brief import Brief
from synth.realisation.certified import certified
from synth.realisation.design import Design, Realisation, StageUse, pole_pairs
from synth.realisation.exchange import nearest, preferred, wanted_at
from synth.realisation.fitted import spread_of
from synth.realisation.loudness import loudness
from synth.target.responses import KINDS
from synth.target.target import Target, phase_error, realised_error
from synth.tolerances.spread import Spread
from synth.tolerances.study import tolerance
from synth.tolerances.yields import Yield
from synth.transform.step import Step, unchanged_names
from synth.values.choose import LEVEL
from synth.values.series import CAPACITORS, RESISTORS, Shelf

#: Impedance levels tried for a ladder whose capacitors differ, around `LEVEL`.
_LEVELS = np.geomspace(0.4, 2.5, 241)
#: Percentiles between which the response of 95 of 100 circuits lies.
_MIDDLE = (2.5, 97.5)
#: Arms of the largest ladder: the parts of more are chosen too slowly.
MOST_ARMS = 14
#: What counts as the pass band, and how far it is looked at below and above the poles.
_BAND_DB, _BELOW, _ABOVE = 1.0, 100.0, 10.0
_CERTIFICATE = (
    "not proved: capacitors next to the design, resistors by exchange of one and two values on "
    "exact sensitivities"
)


def ladders(
    target: Target,
    forms: Sequence[str] = (),
    *,
    resistors: Shelf = RESISTORS,
    capacitors: Shelf = CAPACITORS,
) -> tuple[Realisation, ...]:
    """Return simulated ladders for a target, fewest op amps first.

    Parameters
    ----------
    target : Target
        A lowpass, highpass, or a bandpass of a family without zeros.
    forms : sequence of str
        Keys of `synth.ladder.simulation.FORMS`; by default all that suit the target.
    resistors, capacitors : Shelf
        Where values come from.

    Raises
    ------
    TargetError
        If the target has no such ladder, or a form does not suit it.
    RealisationError
        If a form has values outside the windows.
    """
    refuse_other_kinds(target.kind)
    base = prototype_of(target.transfer)
    if len(base.lowpass.poles) > MOST_ARMS:
        raise TargetError(
            f"a ladder of {len(base.lowpass.poles)} arms is too large; ladders have up to "
            f"{MOST_ARMS} (a bandpass has one for each pair of poles)"
        )
    ladder = lowpass_ladder(base.lowpass)
    wanted = [_suited(f, base.kind) for f in forms]
    made = []
    reasons = []
    for form in wanted or [f for f in FORMS.values() if f.kind == base.kind]:
        try:
            network = _network(form, base, ladder, resistors, capacitors)
            made.append(_realised(target, form, network, ladder, resistors, capacitors))
        except (TargetError, RealisationError) as error:
            if wanted:
                raise
            reasons.append(error)
    if not made:
        raise reasons[0]
    return tuple(sorted(made, key=lambda r: (not r.meets, len(r.network.op_amps))))


def refuse_other_kinds(kind: str) -> None:
    """Raise TargetError for a kind of response that no ladder here has."""
    made = list(dict.fromkeys(f.kind for f in FORMS.values()))
    if kind in KINDS and kind not in made:
        raise TargetError(
            f"a ladder is made for {', '.join(made)} and not for {kind}; realise that as a "
            "cascade, with `synth realise`"
        )


def _suited(name: str, kind: str) -> Form:
    if name not in FORMS:
        raise TargetError(
            f"there is no ladder form {name!r}; the forms are "
            + ", ".join(f"{f.name} ({f.kind})" for f in FORMS.values())
        )
    form = FORMS[name]
    if form.kind != kind:
        suited = ", ".join(f.name for f in FORMS.values() if f.kind == kind)
        raise TargetError(f"the form {name} is for a {form.kind}; for a {kind} there is {suited}")
    return form


def _network(
    form: Form, base: Prototype, ladder: Ladder, resistors: Shelf, capacitors: Shelf
) -> Network:
    """Return the circuit with exact values, around the practical impedance level."""
    about = base.w0 or ladder.w0
    capacitance = nearest(capacitors, "capacitor", 1 / (about * LEVEL))
    build: dict[str, Callable[[], Network]] = {
        "negative-resistance": lambda: negative_resistance(
            ladder, base.gain, capacitance, resistors.high
        ),
        "leapfrog": lambda: leapfrog(ladder, base.gain, capacitance),
        "leapfrog-resonators": lambda: leapfrog_resonators(ladder, base.gain, base.w0, capacitance),
        "inductors": lambda: _with_inductors(ladder, base, capacitors),
    }
    return build[form.name]()


def _with_inductors(ladder: Ladder, base: Prototype, capacitors: Shelf) -> Network:
    """Return the high-pass at the level where its capacitors lie nearest to preferred values."""
    logs = np.log(capacitors.values)
    mirror = replace(ladder, w0=base.w0**2 / ladder.w0)
    needed = [a.inductance for a in ladder.arms if a.inductance]

    def distance(level: float) -> float:
        exact = [log(1 / (x * mirror.w0 * level)) for x in needed]
        return max(float(np.abs(logs - x).min()) for x in exact)

    level = LEVEL * exp(min((distance(LEVEL * k), abs(log(k)), log(k)) for k in _LEVELS)[2])
    capacitance = nearest(capacitors, "capacitor", 1 / (mirror.w0 * level))
    return inductors(mirror, base.gain, level, capacitance)


def _realised(
    target: Target,
    form: Form,
    exact: Network,
    ladder: Ladder,
    resistors: Shelf,
    capacitors: Shelf,
) -> Realisation:
    network, size = preferred(
        replace(exact, title=target.description),
        wanted_at(target.transfer, target.grid),
        resistors,
        capacitors,
    )
    loop = analyse(network)
    realised = transfer(loop, loop.transfer())
    found = feedback(loop)
    if not found.negative:
        raise RealisationError(f"the form {form.name} is not stable here: {found.reason}")
    error = realised_error(target, realised)
    step = Step(
        "ladder",
        (("form", form.name), ("arms", str(len(ladder.arms)))),
        f"{form.theorem} (source: {form.source})",
        unchanged_names(network),
    )
    use = StageUse(
        stage=f"ladder-{form.name}",
        title=form.meaning,
        source=form.source,
        steps=(),
        parts=unchanged_names(network),
        w0=ladder.w0,
        order=len(ladder.arms),
        q=0.5,
        pairs=tuple(
            pair for s in target.transfer.sections for pair in pole_pairs(s.denominator[::-1], 1.0)
        ),
        error=size,
        bound=0.0,
        proved=False,
        held=(),
        certificate=_CERTIFICATE,
    )
    return Realisation(
        design=Design(network, target, (step,)),
        stages=(use,),
        error_db=error.error_db,
        stop_error=error.stop_error,
        deviation=error.misses,
        phase_error=phase_error(target, realised),
        spread=spread_of(network),
        balanced_zeros=0,
        levels=loudness([network], [dict(unchanged_names(network))], (), target.grid),
        whole=certified(Brief(target, resistors, capacitors), realised, error.error_db),
    )


def pass_band(target: Target) -> tuple[float, float]:
    """Return the ends in Hz of where the target is within 1 dB of its maximum.

    For a high-pass up to a decade above its edge; for a low-pass from two decades below.
    """
    w = target.grid
    size = np.abs(target.transfer(1j * w))
    inside = w[size >= target.scale * 10 ** (-_BAND_DB / 20)] / (2 * np.pi)
    poles = [abs(p) / (2 * np.pi) for p in target.transfer.poles]
    low, high = float(inside[0]), float(inside[-1])
    return max(low, min(poles) / _BELOW), min(high, max(poles) * _ABOVE)


# -- against a cascade -----------------------------------------------------------------------------


@dataclass(frozen=True)
class Treated:
    """What tolerances leave of a realisation.

    Parameters
    ----------
    realisation : Realisation
    yield_ : Yield
        Against the limits of the comparison.
    middle_db : float
        Largest width in dB, over the pass band, of the range that holds 95 of 100 circuits.
    """

    realisation: Realisation
    yield_: Yield
    middle_db: float


@dataclass(frozen=True)
class Comparison:
    """Realisations of one target under the same tolerances, limits and seed.

    Parameters
    ----------
    limit : Limit
        Within so many dB of the target over its pass band.
    spread : Spread
    rows : tuple of Treated
        Highest yield first.
    """

    limit: Limit
    spread: Spread
    rows: tuple[Treated, ...]


def compared(
    target: Target,
    realisations: Sequence[Realisation],
    spread: Spread,
    limit: Limit,
    *,
    samples: int = 4000,
    seed: int = 0,
    progress: Progress | None = None,
) -> Comparison:
    """Return how the same tolerances treat several realisations of one target.

    Parameters
    ----------
    target : Target
    realisations : sequence of Realisation
    spread : Spread
        By kind of part; parts of their own tolerance do not suit several circuits.
    limit : Limit
        A ``within`` limit: it is about the target.
    samples, seed : int
        Of the draws.
    progress : callable, optional
        Called with (done, total).
    """
    grid = np.geomspace(limit.low_hz, limit.high_hz, 60)
    rows = []
    for k, r in enumerate(realisations):
        found = tolerance(
            r.network,
            spread,
            grid,
            limits=(limit,),
            reference=target.transfer,
            percents=_MIDDLE,
            corners=False,
            samples=samples,
            seed=seed,
            progress=portion(progress, k / len(realisations), (k + 1) / len(realisations)),
        )
        if found.yield_ is None:
            raise RealisationError("the comparison was interrupted; run it again")
        low, high = found.percentiles
        rows.append(Treated(r, found.yield_, float(np.max(high - low))))
    return Comparison(limit, spread, tuple(sorted(rows, key=lambda row: -row.yield_.value)))
