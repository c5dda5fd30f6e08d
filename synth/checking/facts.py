"""Everything that is computed about a circuit with a real op amp, before it is judged."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from synth.analysis.amplifier import same_everywhere
from synth.analysis.feedback import feedback
from synth.analysis.loop import Loop, analyse
from synth.analysis.numbers import modes
from synth.analysis.real import real_system
from synth.analysis.roots import RootShift, compared, nearest
from synth.analysis.sweep import Sweep
from synth.analysis.zeros import Zero, transmission_zeros
from synth.checking.conditions import Conditions
from synth.checking.deck_supply import DeckSupply, deck_supply, rests
from synth.checking.figures import Figures, figures
from synth.checking.loading import with_source_and_load
from synth.checking.model import OpAmpModel
from synth.checking.single_supply import SingleSupply, is_single, reference_voltage, single_supply
from synth.checking.swing import Levels, frequency_grid, levels
from synth.errors import NetworkError
from synth.network.model import Network
from synth.transform.drive import Swap

#: Zeros with a floor are computed for networks up to this order.
_LARGEST_ORDER = 8
#: Wanted poles further beyond the fastest one that shapes the response are not judged.
_REACH = 3.0


@dataclass(frozen=True)
class Facts:
    """The figures of a circuit.

    Parameters
    ----------
    network : Network
        As it was given, without source resistance and load.
    model : OpAmpModel
    conditions : Conditions
    small : Figures
        The small signal: margins, operating point, poles, noise, sensitivity.
    levels : Levels
    other : Levels or None
        The same of the circuit it is compared with: the one before a change where one was given,
        else this one with input and ground interchanged; None where that cannot be.
    single : SingleSupply or None
        Where the model has one supply.
    single_other : SingleSupply or None
        The same of the circuit it is compared with.
    zeros : tuple of Zero
        Transmission zeros, balanced and structural.
    exchanged : tuple of str
        Op amps whose inputs must be exchanged for negative feedback.
    before : bool
        Whether the circuit it is compared with was given.
    wanted : tuple of RootShift
        Poles beside those wanted before a pre-distortion, where that is known; else empty.
    deck : DeckSupply or None
        The supplies that a deck names at its op amps.
    loop : Loop
        Of the network, with ideal op amps.
    """

    network: Network
    model: OpAmpModel
    conditions: Conditions
    small: Figures
    levels: Levels
    other: Levels | None
    single: SingleSupply | None
    single_other: SingleSupply | None
    zeros: tuple[Zero, ...]
    exchanged: tuple[str, ...]
    before: bool
    wanted: tuple[RootShift, ...]
    deck: DeckSupply | None
    loop: Loop = field(repr=False, compare=False)

    @property
    def there(self) -> str:
        """Where the circuit is that this one is compared with."""
        return "before the change" if self.before else "after a swap"

    @property
    def supply_current(self) -> float:
        """Quiescent current of all op amps, A."""
        return self.model.quiescent_current * len(self.network.op_amps)


def facts(
    network: Network,
    model: OpAmpModel,
    conditions: Conditions,
    *,
    predistort: bool = True,
    before: Network | None = None,
    wanted: Network | None = None,
) -> Facts:
    """Compute everything.

    Parameters
    ----------
    network : Network
        With values, one input and one output.
    model : OpAmpModel
        Of every op amp.
    conditions : Conditions
    predistort : bool
        Whether values that put poles and zeros back are looked for.
    before : Network, optional
        The circuit before a swap, a lift or another change, to be compared with; by default this
        one with input and ground interchanged.
    wanted : Network, optional
        The circuit before a pre-distortion: its poles with ideal op amps are what is wanted.

    Raises
    ------
    NetworkError
        If a part has no value, or the network has several inputs or outputs.
    SingularError
        If the equations have no unique solution.
    NumberError
        If the amplifier is far too slow for the circuit.
    """
    _check_ports(network)
    if before is not None:
        _check_related(network, before)
    loop = analyse(network)
    swap = Swap()
    other = before
    if before is None and not swap.accepts(network):
        other = swap.apply(network)[0]
    small = figures(
        network,
        model,
        source_resistance=conditions.source_resistance,
        load=conditions.load,
        band_hz=conditions.band_hz,
        before=other if conditions.source_resistance or conditions.load is not None else None,
        predistort=predistort,
    )
    band = small.band.signal_hz
    point = small.operating_point
    room = model.output_range[1] - model.output_range[0]
    offsets = {
        a.op_amp: a.worst_v
        for a in (point.amplifiers if point else ())
        if not a.saturated and a.worst_v < room / 2
    }
    natural = (*modes(loop), *small.roots.all_poles)  # peaks sit at the real ones
    here = _large(network, model, conditions, band, natural, offsets)
    there = None
    if other is not None:
        natural = (*natural, *modes(analyse(other))) if before is not None else natural
        there = _large(other, model, conditions, band, natural, offsets)
    return Facts(
        network,
        model,
        conditions,
        small,
        here[0],
        there and there[0],
        here[1],
        there and there[1],
        _zeros(loop, conditions.tolerance),
        () if small.feedback.negative else _exchanged(network),
        before is not None,
        () if wanted is None else _beside(wanted, small),
        deck_supply(network),
        loop,
    )


def _check_ports(network: Network) -> None:
    names = [p.name for p in network.inputs]
    if len(names) > 1:
        raise NetworkError(
            f"a check takes one input, and this circuit has {len(names)} ({', '.join(names)}); "
            "name one of them as the input, the others stay at the signal's ground, and check "
            "from each in turn"
        )
    _ = network.input, network.reading


def _check_related(network: Network, before: Network) -> None:
    """Raise NetworkError where one circuit can be no earlier form of the other."""
    here, there = ({u.name for u in x.op_amps} for x in (network, before))
    parts = {b.name for b in network.branches} & {b.name for b in before.branches}
    if parts and (here & there or not (here or there)):
        return
    missing = "no part" if not parts else "no op amp"
    raise NetworkError(
        f"the circuit before shares {missing} by name with the one checked "
        f"({', '.join(sorted(here)) or 'no op amp'}; before: "
        f"{', '.join(sorted(there)) or 'no op amp'}); give the circuit that this one was made from"
    )


def _beside(wanted: Network, small: Figures) -> tuple[RootShift, ...]:
    """Compare the real poles with those wanted."""
    poles = modes(analyse(wanted))
    real = np.array(small.roots.all_poles, dtype=np.complex128)
    found = compared(poles, nearest(np.array(poles, dtype=np.complex128), real))
    return tuple(p for p in found if p.f0_hz <= _REACH * small.shaping.fastest_hz)


def _large(
    network: Network,
    model: OpAmpModel,
    conditions: Conditions,
    band: tuple[float, float],
    natural: tuple[complex, ...],
    offsets: dict[str, float],
) -> tuple[Levels, SingleSupply | None]:
    put = with_source_and_load(network, conditions.source_resistance, conditions.load)
    system = real_system(put, same_everywhere(put, model.amplifier))
    sweep = Sweep(system, frequency_grid(band, natural))
    deck = deck_supply(network)
    found = levels(
        sweep,
        model,
        reference_v=reference_voltage(model, deck),
        rests=rests(put, model, deck) if deck is not None and _placed(model, deck) else None,
        offsets=offsets,
        input_node=network.input,
    )
    if not put.op_amps or not is_single(model) or (deck is not None and deck.biases_itself):
        return found, None
    return found, single_supply(sweep, model, band, deck)


def _placed(model: OpAmpModel, deck: DeckSupply) -> bool:
    """Say whether the deck, and not a wish for the middle of the rails, places the nodes."""
    return not is_single(model) or reference_voltage(model, deck) == deck.reference_v


def _zeros(loop: Loop, tolerance: float) -> tuple[Zero, ...]:
    storage = sum(b.power != 0 for b in loop.network.branches)
    return transmission_zeros(loop, tolerance) if storage <= _LARGEST_ORDER else ()


def _exchanged(network: Network) -> tuple[str, ...]:
    """Return the op amps of which any one, its inputs exchanged, gives negative feedback."""
    found = []
    for u in network.op_amps:
        moves = {(u.name, "plus"): u.minus, (u.name, "minus"): u.plus}
        if feedback(analyse(network.with_pins(moves))).negative:
            found.append(u.name)
    return tuple(found)
