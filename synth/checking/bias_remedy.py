"""A resistor that gives an op-amp input its bias path, and what it brings with it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from math import pi

from synth.analysis.amplifier import same_everywhere
from synth.analysis.loop import analyse
from synth.analysis.numbers import modes
from synth.analysis.real import real_system
from synth.checking.model import OpAmpModel
from synth.checking.noise import noise
from synth.checking.operating_point import LeakRemedy, leak_remedies, operating_point
from synth.network.model import Branch, Network

#: Share of the output swing that the bias current may drop across it.
DROP = 0.01
#: Larger resistors leak and pick up interference (common practice), ohm.
LARGEST = 1e7
#: A mode nearer than this to one that was there before is not a new one.
_SAME = 0.01


@dataclass(frozen=True)
class BiasRemedy:
    """A resistor from a node to the signal's ground.

    Parameters
    ----------
    node : str
    resistance_ohm : float
        The largest across which the bias current drops 1 % of the swing, at most 10 Mohm.
    corner_hz : float or None
        Of the natural mode that it brings: below it the signal is lost; None where it brings none.
    offset_v : float or None
        Worst offset at the circuit's output then; None where an input still has no path.
    noise_vrms : float
        Its own thermal noise at the output over the band, V.
    """

    node: str
    resistance_ohm: float
    corner_hz: float | None
    offset_v: float | None
    noise_vrms: float


def bias_resistance(model: OpAmpModel) -> float:
    """Return the resistance that drops 1 % of the output swing, ohm."""
    current = model.bias_current + model.offset_current / 2
    room = min(abs(v - model.middle) for v in model.output_range)
    return min(LARGEST, DROP * room / current) if current > 0 else LARGEST


def bias_remedies(
    network: Network, model: OpAmpModel, nodes: Iterable[str], band_hz: tuple[float, float]
) -> tuple[BiasRemedy, ...]:
    """Return a resistor for each node, all of them in.

    Parameters
    ----------
    network : Network
    model : OpAmpModel
    nodes : iterable of str
        Nodes of the inputs without a path.
    band_hz : tuple of two float
        Over which noise is integrated.
    """
    size = bias_resistance(model)
    names = {node: _unused(f"RBIAS{k or ''}", network) for k, node in enumerate(nodes)}
    put = biased(network, {names[n]: (n, size) for n in names})
    system = real_system(put, same_everywhere(put, model.amplifier))
    rate = 2 * pi * (band_hz[0] * band_hz[1]) ** 0.5
    found = noise(system, model, band_hz, map(complex, system.modes(rate)), (band_hz[0], 1.0))
    loud = {c.part: c.vrms for c in found.contributors if c.kind == "thermal"}
    point = operating_point(put, model)
    return tuple(
        BiasRemedy(
            node,
            size,
            _new_corner(network, biased(network, {name: (node, size)})),
            None if point is None else point.output_worst_v,
            loud[name],
        )
        for node, name in names.items()
    )


def feedback_leaks(
    network: Network, model: OpAmpModel, op_amp: str, pin: str
) -> tuple[LeakRemedy, ...]:
    """Return resistors across the capacitors through which alone an inverting input is fed back.

    A resistor from there to ground gives the bias current a path and leaves the op amp without DC
    feedback; across the capacitor it does both.
    """
    if pin != "minus":
        return ()
    room = min(abs(v - model.middle) for v in model.output_range)
    return leak_remedies(network, model, op_amp, room, LARGEST)


def biased(network: Network, resistors: dict[str, tuple[str, float]]) -> Network:
    """Return the network with resistors (name -> node, ohm) from nodes to the signal's ground."""
    added = [Branch(n, 0, (node, network.reference), r) for n, (node, r) in resistors.items()]
    return replace(network, branches=(*network.branches, *added))


def _new_corner(before: Network, after: Network) -> float | None:
    old = [abs(p) for p in modes(analyse(before))]
    new = [abs(p) for p in modes(analyse(after)) if p]
    brought = [p for p in new if all(abs(p - q) > _SAME * p for q in old)]
    return min(brought) / (2 * pi) if brought else None


def _unused(stem: str, network: Network) -> str:
    taken = {b.name.lower() for b in network.branches}
    while stem.lower() in taken:
        stem += "_"
    return stem
