"""What would give a loop its phase margin: each way tried on the circuit, with the least value.

A capacitive load behind the op amp's output resistance, a capacitance at the inverting input and
the op amp's second pole each take phase at the crossover; a resistor that isolates the load, a
small capacitor across the feedback resistor, less of the cause, give it back (S. Franco, Design
with Operational Amplifiers and Analog Integrated Circuits, McGraw-Hill, ch. 8, from memory).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import replace

import numpy as np

from synth.analysis.amplifier import Amplifier, same_everywhere
from synth.analysis.real import RealSystem, real_system
from synth.analysis.sweep import Sweep
from synth.checking.findings import si
from synth.checking.model import OpAmpModel
from synth.network.model import Branch, Network
from synth.units import plain

#: The margin that a remedy must leave, with a little to spare for rounding.
WANTED_DEG = 45.0
_SPARE = 0.5
#: Names of the parts that are put in.
ISOLATOR, LEAD = "RISO", "CLEAD"
#: Where values are looked for: ohm and F; factors on a load, on the op amp's pole or output, and
#: on its speed.
_RESISTORS, _CAPACITORS = (0.5, 5e3), (1e-12, 1e-7)
_LOADS, _SHARES, _SLOWER = (1.0, 1e3), (1.0, 30.0), (1.0, 10.0)
_SCAN, _HALVINGS = 13, 6
#: Decades to either side of the old crossover in which the new one is looked for.
_REACH, _PER_DECADE = 1.5, 30
#: How many ways are told.
_MOST = 3


def margin_remedies(
    network: Network, model: OpAmpModel, op_amp: str, crossover_hz: float
) -> tuple[str, ...]:
    """Return clauses with values that each leave the loop a phase margin of 45 degrees.

    Parameters
    ----------
    network : Network
        With source resistance and load.
    model : OpAmpModel
    op_amp : str
        The one whose loop has too little.
    crossover_hz : float
        Where its loop crosses unity, Hz.
    """

    def enough(put: Network, real: Amplifier) -> bool:
        system = real_system(put, same_everywhere(put, real))
        found = _margin(system, op_amp, crossover_hz)
        return found is not None and found >= WANTED_DEG + _SPARE

    found = []
    for text in _ways(network, model, op_amp, enough):
        found.append(text)
        if len(found) == _MOST:
            break
    return tuple(found)


_Enough = Callable[[Network, Amplifier], bool]


def _ways(network: Network, model: OpAmpModel, op_amp: str, enough: _Enough) -> Iterator[str]:
    loads, real = _capacitive_loads(network, op_amp), model.amplifier
    if loads and model.output_resistance:
        yield from _less_load(network, model, op_amp, loads, enough)
        yield from _stiffer_output(network, model, enough)
    yield from _leads(network, model, op_amp, enough)
    if math.isfinite(model.second_pole):
        k = _least(
            lambda x: enough(network, replace(real, second_pole=x * real.second_pole)), *_SHARES
        )
        if k:
            yield f"op amps with the second pole at {si(k * model.second_pole, 'Hz')} or above"
    k = _least(
        lambda x: enough(network, replace(real, gain_bandwidth=real.gain_bandwidth / x)), *_SLOWER
    )
    if k:
        yield (
            f"slower op amps of {si(model.gain_bandwidth / k, 'Hz')} (second pole kept), where "
            "their errors are small enough"
        )


def _stiffer_output(network: Network, model: OpAmpModel, enough: _Enough) -> Iterator[str]:
    def holds(x: float) -> bool:
        real = model.amplifier
        return enough(network, replace(real, output_resistance=real.output_resistance / x))

    k = _least(holds, *_SHARES)
    if k:
        yield f"op amps with {si(model.output_resistance / k, 'ohm')} at the output or less"


def _less_load(
    network: Network,
    model: OpAmpModel,
    op_amp: str,
    loads: tuple[Branch, ...],
    enough: _Enough,
) -> Iterator[str]:
    names = ", ".join(b.name for b in loads)
    total = sum(b.value or 0.0 for b in loads)
    r = _least(lambda x: enough(isolated(network, op_amp, x), model.amplifier), *_RESISTORS)
    if r:
        yield (
            f"{si(r, 'ohm')} between the output of {op_amp} with its feedback and {names} (the "
            f"two have their corner at {si(1 / (2 * math.pi * r * total), 'Hz')})"
        )
    k = _least(
        lambda x: enough(
            network.with_values({b.name: (b.value or 0.0) / x for b in loads}), model.amplifier
        ),
        *_LOADS,
    )
    if k:
        yield f"{names} {plain(k)} times smaller ({si(total / k, 'F')} in all)"


def isolated(network: Network, op_amp: str, resistance: float) -> Network:
    """Return the network with a resistor between an op amp with its feedback, and its load.

    The load is what goes from the op amp's output to ground or an input.
    """
    u = network.op_amp(op_amp)
    inner = u.out + "_op"
    while inner in network.nodes:
        inner += "_"
    held = network.fixed_nodes

    def moved(node: str) -> str:
        return inner if node == u.out else node

    branches = [
        b
        if any(n in held for n in b.nodes)
        else replace(b, nodes=(moved(b.nodes[0]), moved(b.nodes[1])))
        for b in network.branches
    ]
    amplifiers = [
        replace(v, plus=moved(v.plus), minus=moved(v.minus), out=moved(v.out))
        for v in network.op_amps
    ]
    put = Branch(_unused(ISOLATOR, network), 0, (inner, u.out), resistance)
    return replace(network, branches=(*branches, put), op_amps=tuple(amplifiers))


def _capacitive_loads(network: Network, op_amp: str) -> tuple[Branch, ...]:
    u, held = network.op_amp(op_amp), network.fixed_nodes
    return tuple(
        b
        for b in network.branches
        if b.power == 1 and u.out in b.nodes and any(n in held for n in b.nodes)
    )


def _leads(network: Network, model: OpAmpModel, op_amp: str, enough: _Enough) -> Iterator[str]:
    """Try a capacitor across a resistor from an op amp's output to its inverting input."""
    order = sorted(network.op_amps, key=lambda u: u.name != op_amp)
    for u in order:
        for b in network.branches:
            if b.power or not b.value or set(b.nodes) != {u.out, u.minus}:
                continue
            name = _unused(LEAD, network)

            def with_lead(x: float, across: Branch = b, name: str = name) -> Network:
                lead = Branch(name, 1, across.nodes, x)
                return replace(network, branches=(*network.branches, lead))

            def holds(x: float, put: Callable[[float], Network] = with_lead) -> bool:
                return enough(put(x), model.amplifier)

            c = _least(holds, *_CAPACITORS)
            if c:
                corner = 1 / (2 * math.pi * b.value * c)
                both = f"the two have their corner at {si(corner, 'Hz')}"
                yield f"{si(c, 'F')} across {b.name} ({both})"
                return


def _unused(stem: str, network: Network) -> str:
    taken = {b.name.lower() for b in network.branches}
    name, k = stem, 2
    while name.lower() in taken:
        name, k = f"{stem}{k}", k + 1
    return name


def _least(holds: Callable[[float], bool], low: float, high: float) -> float | None:
    """Return the least value that holds, rounded up to three digits; None where none does."""
    points = [float(x) for x in np.geomspace(low, high, _SCAN)]
    first = next((k for k, x in enumerate(points) if holds(x)), None)
    if first is None:
        return None
    if first == 0:
        return points[0]
    bad, good = points[first - 1], points[first]
    for _ in range(_HALVINGS):
        middle = math.sqrt(bad * good)
        bad, good = (bad, middle) if holds(middle) else (middle, good)
    return good


def _margin(system: RealSystem, op_amp: str, near_hz: float) -> float | None:
    """Return the phase margin in degrees; None for a circuit that is not stable.

    Infinite where the loop does not cross unity nearby.
    """
    modes = system.modes(2 * math.pi * near_hz)
    if np.any(modes.real > 1e-9 * np.abs(modes)):
        return None
    span = 10**_REACH
    f = np.geomspace(near_hz / span, near_hz * span, int(2 * _REACH * _PER_DECADE))
    t = Sweep(system, f).return_ratio(op_amp)
    size = np.log(np.abs(t))
    places = np.flatnonzero((size[:-1] > 0) != (size[1:] > 0))
    if not len(places):
        return math.inf
    phase = np.unwrap(np.angle(-t))
    shares = size[places] / (size[places] - size[places + 1])
    at = phase[places] + shares * (phase[places + 1] - phase[places])
    folded = (np.degrees(at) + 180) % 360 - 180
    return float(np.abs(folded).min())
