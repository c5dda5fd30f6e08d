"""One supply: the signal's ground moves to mid-supply, and parts that stood at ground with it.

What the reference does to the output is the complement once more: the transfers of input,
reference and the op amps' own references sum to 1 (D. Hilberman, IEEE Trans. Circuit Theory CT-20
(1973) 540-547, from memory), so ripple on the mid-supply node reaches the output by 1 - H of the
circuit, and after a swap by H.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from math import inf, pi

import numpy as np
import numpy.typing as npt

from synth.analysis.numbers import admittances
from synth.analysis.real import RealSystem
from synth.analysis.sweep import Sweep
from synth.checking.deck_supply import DeckSupply
from synth.checking.model import OpAmpModel
from synth.checking.swing import Peak
from synth.network.model import Network, Terminal

Array = npt.NDArray[np.float64]

#: Corner of a coupling capacitor, and the share of the band's lower end it is put at.
CORNER_SHARE = 0.1
#: Bias resistor at an input that takes no direct current of its own, ohm (common practice).
BIAS_RESISTOR = 1e5
#: Error at the output, over its peak, that a soft reference may leave.
REFERENCE_ERROR = 0.01


@dataclass(frozen=True)
class SingleSupply:
    """What one supply asks for.

    Parameters
    ----------
    reference_v : float
        Where the signal's ground sits: the middle of what output swing and input range both
        allow, V against the negative rail's ground.
    held : bool
        Whether the deck holds it there.
    bypass : tuple of (str, float)
        Capacitors of the deck that bypass it, F.
    window_v : tuple of two float
        That window; where inputs rest at the reference as well as outputs.
    biased : tuple of str
        Terminals (part.pin) at the signal's ground through which direct current or a DC level
        passes: resistors and op-amp inputs.  They must be at the reference.
    free : tuple of str
        Capacitors at the signal's ground: the supply's ground does as well.
    input_biased : tuple of str
        Terminals at the input that ask for the reference's DC level there.
    input_resistance : float
        To direct current, ohm; infinite where none flows.
    bias_resistor : float or None
        Ohm from the input to the reference behind a coupling capacitor, where an op-amp input
        hangs on it and no direct current has a path; else None.
    coupling_capacitor : float or None
        F, for a corner a decade below the band; None where the input holds no DC level.
    coupling_corner_hz : float
    ripple : Peak
        Largest gain from the reference to the output over the band, V/V.
    reference_current : Peak
        Largest current into the reference over the band, A per volt of the source.
    reference_resistance : float
        Resistance of the reference that leaves 1 % of the output's peak, ohm.
    """

    reference_v: float
    held: bool
    bypass: tuple[tuple[str, float], ...]
    window_v: tuple[float, float]
    biased: tuple[str, ...]
    free: tuple[str, ...]
    input_biased: tuple[str, ...]
    input_resistance: float
    bias_resistor: float | None
    coupling_capacitor: float | None
    coupling_corner_hz: float
    ripple: Peak
    reference_current: Peak
    reference_resistance: float


def is_single(model: OpAmpModel) -> bool:
    """Say whether signals about 0 V are outside the rails, so that the ground must move."""
    return not model.supply_negative < 0 < model.supply_positive


def resting_window(model: OpAmpModel) -> tuple[float, float]:
    """Return the voltages that outputs may reach and inputs may take, both at once."""
    low, high = model.output_range
    low_in, high_in = model.common_mode_range
    return max(low, low_in), min(high, high_in)


def reference_voltage(model: OpAmpModel, deck: DeckSupply | None = None) -> float:
    """Return where the signal's ground sits.

    Where the deck holds it, else at 0 V between two rails and in the middle of the window of one
    supply: there node 0 itself must move, save in a deck that biases itself.
    """
    if (
        deck is not None
        and deck.reference_v is not None
        and (deck.reference_v or deck.biases_itself)
    ):
        return deck.reference_v
    if not is_single(model):
        return 0.0
    low, high = resting_window(model)
    return (low + high) / 2 if low < high else model.middle


def single_supply(
    sweep: Sweep,
    model: OpAmpModel,
    band_hz: tuple[float, float],
    deck: DeckSupply | None = None,
) -> SingleSupply:
    """Return what the circuit asks for on one supply.

    Parameters
    ----------
    sweep : Sweep
        Of the circuit with its real amplifiers over the band.
    model : OpAmpModel
    band_hz : tuple of two float
    deck : DeckSupply, optional
        What the deck itself says of its supplies.
    """
    network, frequencies_hz = sweep.system.network, sweep.frequencies
    held = [t for t in network.terminals if t.at == "ground" and not t.held.startswith("supply")]
    driven = [t for t in network.terminals if t.at != "ground" and not t.held]
    input_biased = tuple(str(t) for t in driven if _needs_level(network, t))
    resistance = input_dc_resistance(sweep.system, band_hz[0])
    corner = CORNER_SHARE * band_hz[0]
    bias = BIAS_RESISTOR if input_biased and not math.isfinite(resistance) else None
    meets = bias or resistance
    coupling = 1 / (2 * pi * corner * meets) if input_biased else None
    current = np.abs(_reference_current(sweep))
    ripple = np.abs(network.terminal_sum - sweep.transfer - sweep.hidden)
    peak = float(np.abs(sweep.transfer).max())
    with np.errstate(divide="ignore"):
        stiffness = float((REFERENCE_ERROR * peak / (current * ripple)).min())
    return SingleSupply(
        reference_voltage(model, deck),
        bool(deck is not None and deck.reference_v),
        () if deck is None else deck.bypass,
        resting_window(model),
        tuple(str(t) for t in held if _needs_level(network, t)),
        tuple(str(t) for t in held if not _needs_level(network, t)),
        input_biased,
        resistance,
        bias,
        coupling,
        corner,
        _most(frequencies_hz, ripple),
        _most(frequencies_hz, current),
        stiffness,
    )


def input_dc_resistance(system: RealSystem, lowest_hz: float) -> float:
    """Return the resistance of the input to direct current, ohm; infinite where none flows."""
    s = np.array([2j * pi * lowest_hz * 1e-6])
    volts = system.response(s)[0]
    network = system.network
    total = 0.0
    for b in network.branches:
        if network.input in b.nodes and b.power == 0 and b.value:
            other = b.nodes[0] if b.nodes[1] == network.input else b.nodes[1]
            far = volts[system.index[other]].real if other in system.index else 0.0
            total += (1.0 - float(far)) / b.value
    return 1 / abs(total) if abs(total) > 1e-10 else inf


def _needs_level(network: Network, t: Terminal) -> bool:
    branch = next((b for b in network.branches if b.name == t.part), None)
    return branch is None or branch.power <= 0


def _reference_current(sweep: Sweep) -> npt.NDArray[np.complex128]:
    """Return the current into the reference for 1 V of the source, A."""
    network = sweep.system.network
    total = np.zeros(len(sweep.frequencies), dtype=np.complex128)
    for b, y in zip(network.branches, admittances(network), strict=True):
        if network.reference in b.nodes:
            other = b.nodes[0] if b.nodes[1] == network.reference else b.nodes[1]
            total += float(y) * sweep.s**b.power * sweep.voltage(other)
    return total


def _most(f: Array, values: Array) -> Peak:
    k = int(np.argmax(values))
    return Peak(float(values[k]), float(f[k]))
