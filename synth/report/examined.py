"""A circuit examined from every side, once: what plots and pages are made of."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property
from math import isfinite, pi

import numpy as np
import numpy.typing as npt

from synth.analysis.grid import grid
from synth.analysis.real import ComplexArray
from synth.analysis.sweep import Sweep
from synth.checking.checked import Checked, check
from synth.checking.conditions import Conditions, supplied
from synth.checking.facts import Facts
from synth.checking.model import OpAmpModel, op_amp_model
from synth.errors import NetworkError, NumberError, TargetError
from synth.masks.limits import Limit, Mask
from synth.network.model import Network
from synth.network.rails import rails
from synth.positions import Placement
from synth.realisation.design import Design
from synth.report.preferred import RESISTOR_SERIES, Preferred, with_preferred_values
from synth.report.record import Analysis, analysis_record, response_of
from synth.target.target import Target
from synth.tolerances.result import ToleranceResult
from synth.tolerances.spread import Spread
from synth.tolerances.study import tolerance
from synth.transfer.time_response import TimeResponse, time_response
from synth.transfer.transfer import Transfer
from synth.values.series import CAPACITORS

Array = npt.NDArray[np.float64]

#: Classes taken where none is named, slowest first, and how many times f0*Q of the sharpest pole
#: the gain-bandwidth should be (common practice).
USUAL = ("general-purpose", "jfet-10mhz", "fast-50mhz")
HEADROOM = 100.0
#: Those on rails less than this many volts apart (common practice).
USUAL_LOW = ("rail-to-rail-1mhz", "rail-to-rail-10mhz", "fast-50mhz")
_LOW_SUPPLY = 8.0
#: Circuits drawn where nothing is said.
SAMPLES = 2000
#: The curves reach from this part of the slowest root to this multiple of the fastest.
_BELOW, _ABOVE = 0.05, 50.0
_PER_DECADE = 60


@dataclass(frozen=True)
class Wishes:
    """What the examination is done with.

    Parameters
    ----------
    op_amp : OpAmpModel or None
        None for the class that `usual_model` takes, on the deck's own rails.
    conditions : Conditions or None
        Around the circuit; None for the plain ones, with the larger tolerance of the spread.
    spread : Spread
        Of the parts.
    mask : Mask or None
        What the response must keep; ``within`` is about the mask's gain.
    resistors, capacitors : str
        Series the values are to be from; those that are not are chosen near the given ones.
    samples, seed : int
        Circuits drawn, and the seed of the draws.
    keep : tuple of str
        Parts that stay as they are given.
    """

    op_amp: OpAmpModel | None = None
    conditions: Conditions | None = None
    spread: Spread = field(default_factory=Spread)
    mask: Mask | None = None
    resistors: str = RESISTOR_SERIES
    capacitors: str = CAPACITORS.series
    samples: int = SAMPLES
    seed: int = 0
    keep: tuple[str, ...] = ()

    @property
    def limits(self) -> tuple[Limit, ...]:
        """The limits of the magnitude as levels."""
        return () if self.mask is None else self.mask.absolute

    @property
    def within(self) -> tuple[Limit, ...]:
        """Those on either side of the mask's gain."""
        return () if self.mask is None else self.mask.within

    @property
    def around(self) -> Conditions:
        """The conditions."""
        worst = max(self.spread.resistors, self.spread.capacitors)
        return self.conditions or Conditions(tolerance=min(max(worst, 1e-6), 0.49))


@dataclass(frozen=True)
class Examined:
    """A circuit and everything that was found about it.

    Parameters
    ----------
    name : str
        As it was named.
    design : Design
        As it was given.
    wishes : Wishes
    preferred : Preferred
        The circuit as it is built.
    given : Transfer
        H of the values as given.
    analysis : Analysis
        Of the circuit as built.
    checked : Checked
        The same with real op amps.
    tolerances : ToleranceResult
        On `frequencies`.
    frequencies : array
        Hz, finer around sharp poles and zeros.
    time : TimeResponse or None
        None where there is none to draw; `no_time` says why.
    no_time : str
    notes : tuple of str
        From reading the circuit and choosing values.
    placement : Placement or None
        Where the parts are drawn, if that is known.
    """

    name: str
    design: Design
    wishes: Wishes
    preferred: Preferred
    given: Transfer
    analysis: Analysis
    checked: Checked
    tolerances: ToleranceResult
    frequencies: Array = field(repr=False)
    time: TimeResponse | None = field(repr=False)
    no_time: str
    notes: tuple[str, ...]
    placement: Placement | None = None

    @property
    def network(self) -> Network:
        """The circuit as built."""
        return self.preferred.network

    @property
    def target(self) -> Target | None:
        """What was asked for, where a target was."""
        return self.design.target

    @property
    def H(self) -> Transfer:
        """H of the circuit as built, with ideal op amps."""
        return self.analysis.H

    @property
    def facts(self) -> Facts:
        """The figures with real op amps."""
        return self.checked.facts

    @property
    def model(self) -> OpAmpModel:
        """The op amp."""
        return self.facts.model

    @cached_property
    def real(self) -> ComplexArray:
        """H with real op amps, source resistance and load, at `frequencies`."""
        return self._sweep.transfer

    @cached_property
    def hidden(self) -> ComplexArray:
        """What real op amps take from the sum H + H' = 1, at `frequencies`."""
        return self._sweep.hidden

    @cached_property
    def real_delay(self) -> Array:
        """Group delay with real op amps in s, at `frequencies`: -Re(H'(s)/H(s)), exact.

        Of ``(G + s*C) x = b`` the derivative is ``x' = -(G + s*C)^-1 C x``.
        """
        sweep = self._sweep
        moved = sweep.unknowns @ sweep.system.c.T
        slope = -np.einsum("fk,fk->f", sweep.adjoint, moved)
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.asarray(-(slope / sweep.transfer).real)

    @cached_property
    def _sweep(self) -> Sweep:
        return Sweep(self.facts.small.system, self.frequencies)


def examine(
    name: str,
    design: Design,
    wishes: Wishes | None = None,
    notes: Sequence[str] = (),
    placement: Placement | None = None,
) -> Examined:
    """Examine a circuit.

    Parameters
    ----------
    name : str
        What it is called in the answers.
    design : Design
        Its network has values, one input and one output.
    wishes : Wishes, optional
    notes : sequence of str
        From reading it.
    placement : Placement, optional
        Where its parts are drawn: that of a stage.

    Raises
    ------
    NetworkError
        If a part has no value, or there are several inputs or outputs.
    NumberError
        If a number is out of range, or the op amp far too slow.
    SingularError
        If the equations have no unique solution.
    """
    wishes = wishes or Wishes()
    network = design.network
    _ = network.input, network.reading
    missing = [b.name for b in network.branches if b.value is None]
    if missing:
        raise NetworkError(
            f"{', '.join(missing)} of {name} {'has' if len(missing) == 1 else 'have'} no value; "
            "give every part one before the circuit is drawn or reported"
        )
    given = _transfer(network)
    preferred = with_preferred_values(network, wishes.resistors, wishes.capacitors, wishes.keep)
    analysis = analysis_record(preferred.network)
    model = wishes.op_amp or usual_model(analysis.H, rails(network))
    checked = check(preferred.network, model, wishes.around)
    every = [analysis.H, given, *([design.target.transfer] if design.target else [])]
    small = checked.facts.small
    shifted = [r.real for r in (*small.poles, *small.zeros)]
    frequencies = _frequencies(every, wishes.limits, shifted)
    studied = tolerance(
        preferred.network,
        wishes.spread,
        frequencies,
        limits=wishes.limits,
        samples=wishes.samples,
        seed=wishes.seed,
    )
    time, no_time = _time(analysis.H)
    return Examined(
        name,
        design,
        wishes,
        preferred,
        given,
        analysis,
        checked,
        studied,
        frequencies,
        time,
        no_time,
        (*notes, *_mask_notes(wishes.mask), *preferred.notes),
        placement,
    )


def usual_model(transfer: Transfer, supply: tuple[float, float] | None = None) -> OpAmpModel:
    """Return the slowest usual class with enough gain-bandwidth, else the fastest.

    Enough is a hundred times f0*Q of the sharpest pole pair (common practice; Q at least 1).

    Parameters
    ----------
    transfer : Transfer
    supply : tuple of two float, optional
        The rails in V, where the circuit's deck says them: the op amp is put on them, and where
        they are close together it is a class whose output comes near them.

    Examples
    --------
    >>> usual_model(Transfer.from_tf([1], [1e-6, 1])).name
    'fast-50mhz'
    """
    needed = 0.0
    for p in transfer.poles:
        size = abs(p) / (2 * pi)
        q = abs(p) / (2 * abs(p.real)) if p.real else 1.0
        needed = max(needed, HEADROOM * size * max(q, 1.0))
    low = supply is not None and supply[1] - supply[0] < _LOW_SUPPLY
    models = [op_amp_model(name) for name in (USUAL_LOW if low else USUAL)]
    found = next((m for m in models if m.gain_bandwidth >= needed), models[-1])
    if supply is None:
        return found
    try:
        return supplied(found, *supply)
    except NumberError:  # no swing is left on these rails
        return found


def _transfer(network: Network) -> Transfer:
    numbers = response_of(network).numbers
    if numbers is None:
        raise NetworkError("the circuit has parts without values; give every part one")
    return numbers.transfer


def _frequencies(
    transfers: Sequence[Transfer], mask: Sequence[Limit], more: Sequence[complex]
) -> Array:
    roots = [r for h in transfers for r in (*h.poles, *h.zeros) if r]
    sizes = [abs(r) / (2 * pi) for r in roots] or [1e3]
    low, high = _BELOW * min(sizes), _ABOVE * max(sizes)
    ends = [f for x in mask for f in (x.low_hz, x.high_hz) if f and isfinite(f)]
    low, high = min([low, *ends]), max([high, *ends])
    fine = grid(low, high, [r for r in (*roots, *more) if r.imag > 0], _PER_DECADE)
    return np.unique(np.concatenate([fine, np.asarray(ends, dtype=float)]))


def _mask_notes(mask: Mask | None) -> tuple[str, ...]:
    if mask is None:
        return ()
    found = []
    if mask.within:
        found.append(
            f"'within' of the mask is about its gain, {mask.level_db:.4g} dB, in the hatched "
            "areas, the deviation and the yield"
        )
    if mask.delays:
        lines = "; ".join(map(str, mask.delays))
        found.append(f"the mask also limits the group delay, which is left out here: {lines}")
    return tuple(found)


def _time(transfer: Transfer) -> tuple[TimeResponse | None, str]:
    try:
        return time_response(transfer), ""
    except TargetError as error:
        return None, str(error)
