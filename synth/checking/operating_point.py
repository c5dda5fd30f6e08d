"""The DC operating point: capacitors removed, offsets and bias currents in.

Each op amp has an offset voltage of either polarity, a bias current of either sign into both
inputs, and an offset current between them.  Worst case: all of them conspire.  Rms: they are
independent, each of its rated size.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import inf, pi

import numpy as np

from synth.analysis.amplifier import same_everywhere
from synth.analysis.bias import inputs_without_dc_path
from synth.analysis.real import Array, RealSystem, real_system
from synth.checking.model import OpAmpModel
from synth.network.model import Branch, Network

#: Conductance, S, that holds nodes between capacitors, where no op-amp input is concerned.
_HOLD = 1e-15
#: A resistor across a capacitor is chosen to leave this part of the swing to the signal.
SWING_KEPT = 0.9
#: Largest resistor looked at across a capacitor, ohm.
LARGEST_LEAK = 1e13
#: Offsets nearer to each other than this, relative, are one.
_SAME = 1e-6
#: Below this return ratio at DC an op amp has no DC feedback to speak of.
_NO_FEEDBACK = 1.0


@dataclass(frozen=True)
class LeakRemedy:
    """A resistor across a feedback capacitor that keeps an op amp off the rails.

    Parameters
    ----------
    capacitor : str
    resistance_ohm : float
        The largest with which the worst offset leaves nine tenths of the swing to the signal.
    corner_hz : float
        1/(2 pi R C): below it the integrator no longer integrates.
    worst_v : float
        Offset at the op amp's output then, worst case.
    """

    capacitor: str
    resistance_ohm: float
    corner_hz: float
    worst_v: float


@dataclass(frozen=True)
class AmplifierOffset:
    """One op amp's output at DC, the input at 0 V.

    Parameters
    ----------
    op_amp : str
    worst_v, rms_v : float
        Magnitude, computed as if there were no rails.
    dc_loop_gain : float
        Return ratio at DC, the other op amps working; negative where the rest of the circuit
        would latch without this one.
    dc_feedback : bool
        Whether a loop around it works at DC.
    saturated : bool
        Whether the worst case lies beyond the output swing.
    remedies : tuple of LeakRemedy
        For an op amp without DC feedback that saturates; a larger loop around it that works at
        DC is the other remedy.
    mended : tuple of str
        Op amps that saturate before it: `worst_v` and the remedies of this one are those with
        their first remedies in.
    """

    op_amp: str
    worst_v: float
    rms_v: float
    dc_loop_gain: float
    dc_feedback: bool
    saturated: bool
    remedies: tuple[LeakRemedy, ...]
    mended: tuple[str, ...] = ()


@dataclass(frozen=True)
class OperatingPoint:
    """All op amps, and the output.

    Parameters
    ----------
    amplifiers : tuple of AmplifierOffset
    output_worst_v, output_rms_v : float
        Offset at the circuit's output, as if there were no rails.
    """

    amplifiers: tuple[AmplifierOffset, ...]
    output_worst_v: float
    output_rms_v: float

    @property
    def saturated(self) -> tuple[str, ...]:
        """Op amps without DC feedback whose output goes to a rail."""
        return tuple(a.op_amp for a in self.amplifiers if a.saturated and not a.dc_feedback)


def operating_point(network: Network, model: OpAmpModel) -> OperatingPoint | None:
    """Return the offsets with one model in every op amp.

    Returns
    -------
    OperatingPoint or None
        None where an op-amp input has no DC path for its bias current: then there is none.

    Raises
    ------
    NetworkError
        If a part has no value.
    """
    if inputs_without_dc_path(network):
        return None
    system, inverse = at_dc(network, model)
    sources = offset_sources(system, inverse, model)
    low, high = model.output_range
    room = min(high - model.middle, model.middle - low)
    rows = []
    for u in network.op_amps:
        worst, rms = _sizes(sources[:, system.index[u.out]])
        loop = _loop_gain(system, inverse, u.name)
        fed = abs(loop) > _NO_FEEDBACK
        saturated = worst > room
        rows.append(AmplifierOffset(u.name, worst, rms, loop, fed, saturated, ()))
    worst, rms = _sizes(sources @ system.output)
    return OperatingPoint(_with_remedies(network, model, rows, room), worst, rms)


def _with_remedies(
    network: Network, model: OpAmpModel, rows: list[AmplifierOffset], room: float
) -> tuple[AmplifierOffset, ...]:
    """Find the remedies of op amps that saturate, those first that the others follow.

    What an op amp at a rail feeds is told with that one mended: its own output without rails means
    nothing.
    """
    found, put = {a.op_amp: a for a in rows}, network
    mended: list[str] = []
    lost = [a for a in rows if a.saturated and not a.dc_feedback]
    for a in sorted(lost, key=lambda a: a.worst_v):
        worst = a.worst_v
        if mended:
            system, inverse = at_dc(put, model)
            out = system.index[network.op_amp(a.op_amp).out]
            worst = _sizes(offset_sources(system, inverse, model)[:, out])[0]
        ways = leak_remedies(put, model, a.op_amp, room)
        first = tuple(mended) if worst < a.worst_v * (1 - _SAME) else ()
        found[a.op_amp] = replace(a, worst_v=worst, remedies=ways, mended=first)
        if ways:
            put = leaky(put, put.branch(ways[0].capacitor), ways[0].resistance_ohm)
            mended.append(a.op_amp)
    return tuple(found[a.op_amp] for a in rows)


def offset_sources(system: RealSystem, inverse: Array, model: OpAmpModel) -> Array:
    """Return what each rated offset does to every unknown, shape (3 * op amps, n).

    For each op amp in turn: its offset voltage, bias current and offset current.
    """
    rows = []
    for u in system.network.op_amps:
        into_plus, into_minus = (_into(system, inverse, node) for node in (u.plus, u.minus))
        rows.append(model.offset * inverse[:, system.inner[u.name]])
        rows.append(model.bias_current * (into_plus + into_minus))
        rows.append(model.offset_current / 2 * (into_plus - into_minus))
    return np.array(rows).reshape(-1, len(system.g))


def at_dc(network: Network, model: OpAmpModel) -> tuple[RealSystem, Array]:
    """Return the equations and their inverse at DC, nodes between capacitors held at ground."""
    amplifier = model.amplifier
    if amplifier.dc_gain == inf:  # an op amp without DC feedback would have no solution
        amplifier = replace(amplifier, dc_gain=1e12)
    system = real_system(network, same_everywhere(network, amplifier))
    return system, system.dc_inverse(dict.fromkeys(_loose(network), _HOLD))


def _loose(network: Network) -> tuple[str, ...]:
    """Nodes that only capacitors reach."""
    fed = set(network.fixed_nodes) | {u.out for u in network.op_amps}
    links = [b.nodes for b in network.branches if b.power <= 0]
    grown = True
    while grown:
        before = len(fed)
        for a, b in links:
            if (a in fed) != (b in fed):
                fed |= {a, b}
        grown = len(fed) > before
    return tuple(n for n in network.nodes if n not in fed)


def _into(system: RealSystem, inverse: Array, node: str) -> Array:
    k = system.index.get(node)
    if k is None or k in system.held:
        return np.zeros(len(system.g))
    return np.asarray(inverse[:, k])


def _sizes(parts: Array) -> tuple[float, float]:
    return float(np.abs(parts).sum()), float(np.sqrt((parts**2).sum()))


def _loop_gain(system: RealSystem, inverse: Array, op_amp: str) -> float:
    k = system.inner[op_amp]
    g = float(system.differential(inverse[:, k] + 0j, op_amp).real)
    return -g * system.amplifiers[op_amp].dc_gain / float(inverse[k, k])


# -- a resistor across the capacitor ---------------------------------------------------------------


def leak_remedies(
    network: Network, model: OpAmpModel, op_amp: str, room: float, most: float = LARGEST_LEAK
) -> tuple[LeakRemedy, ...]:
    """Return a remedy for each capacitor from the op amp's output to its inverting input.

    Parameters
    ----------
    network : Network
    model : OpAmpModel
    op_amp : str
    room : float
        Swing to either side of the rest, V.
    most : float
        Largest resistor, ohm.
    """
    u = network.op_amp(op_amp)
    found = []
    for b in network.branches:
        if b.power == 1 and set(b.nodes) == {u.out, u.minus} and b.value:
            remedy = _remedy(network, model, op_amp, b, ((1 - SWING_KEPT) * room, most))
            found += [remedy] if remedy else []
    return tuple(found)


def leaky(network: Network, capacitor: Branch, resistance: float) -> Network:
    """Return the network with a resistor (ohm) across a capacitor."""
    name = "RLEAK"
    while any(b.name == name for b in network.branches):
        name += "_"
    leak = Branch(name, 0, capacitor.nodes, resistance)
    return replace(network, branches=(*network.branches, leak))


def _remedy(
    network: Network,
    model: OpAmpModel,
    op_amp: str,
    capacitor: Branch,
    limits: tuple[float, float],
) -> LeakRemedy | None:
    """Return the largest resistor within limits: the offset allowed, V, and the resistor, ohm."""
    u = network.op_amp(op_amp)

    def worst(resistance: float) -> float:
        system, inverse = at_dc(leaky(network, capacitor, resistance), model)
        return _sizes(offset_sources(system, inverse, model)[:, system.index[u.out]])[0]

    allowed, most = limits
    low, high = 1.0, most
    if worst(low) > allowed:
        return None
    if worst(high) <= allowed:
        low = high
    for _ in range(40 if low < high else 0):
        middle = float(np.sqrt(low * high))
        low, high = (middle, high) if worst(middle) <= allowed else (low, middle)
    return LeakRemedy(
        capacitor.name, low, 1 / (2 * pi * low * float(capacitor.value or 0)), worst(low)
    )
