"""Split terminals: a part of a part to the input, the rest to ground.

An admittance Y to ground becomes a*Y to the input and (1 - a)*Y to ground: seen from the network
they are Y fed from the fraction a of the input (Thevenin).  An op-amp input pin that is alone at
its node takes no current, so it is fed from a divider of two resistors instead.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from fractions import Fraction

from synth.errors import TransformError
from synth.network.model import Branch, Network, OpAmp, Terminal

#: Resistance of the divider at an op-amp input, both resistors in parallel, in ohm: low enough
#: for bias current and input capacitance, high enough for the source (common practice).
PIN_RESISTANCE = 1e4


def split_terminals(
    network: Network,
    fractions: Mapping[Terminal, Fraction | float],
    pin_resistance: float = PIN_RESISTANCE,
) -> tuple[Network, dict[str, tuple[str, ...]]]:
    """Split the terminals named, each with its fraction at the input.

    Parameters
    ----------
    network : Network
        With one input.
    fractions : mapping
        Terminal -> fraction strictly between 0 and 1.
    pin_resistance : float
        Ohm, of each divider at an op-amp input pin (both resistors in parallel).

    Returns
    -------
    network : Network
    parts : dict
        Old part name -> its new names: for a branch the input share and the ground share; for
        an op amp itself and the two resistors of its divider.

    Raises
    ------
    TransformError
        If a fraction lies outside 0..1.
    """
    parts: dict[str, tuple[str, ...]] = {}
    for terminal, fraction in fractions.items():
        a = float(fraction)
        if not 0 < a < 1:
            raise TransformError(
                f"terminal {terminal} is asked for the fraction {a:g}; a split needs one between "
                "0 and 1"
            )
        if terminal.part in {u.name for u in network.op_amps}:
            network, names = _split_pin(network, terminal, a, pin_resistance)
        else:
            network, names = _split_branch(network, terminal, a)
        parts[terminal.part] = (*parts.get(terminal.part, ()), *names)
    return network, parts


def share(branch: Branch, a: float) -> float | None:
    """Value of the part that carries the fraction `a` of the branch's admittance."""
    if branch.value is None:
        return None
    return branch.value * a if branch.power > 0 else branch.value / a


def _split_branch(
    network: Network, terminal: Terminal, a: float
) -> tuple[Network, tuple[str, ...]]:
    b = network.branch(terminal.part)
    end = int(terminal.pin) - 1
    names = fresh_name(network, f"{b.name}a"), fresh_name(network, f"{b.name}b")

    def piece(name: str, node: str, part: float) -> Branch:
        nodes = (node, b.nodes[1]) if end == 0 else (b.nodes[0], node)
        return Branch(name, b.power, nodes, share(b, part))

    pieces = piece(names[0], network.input, a), piece(names[1], network.reference, 1 - a)
    branches: list[Branch] = []
    for x in network.branches:
        branches += pieces if x.name == b.name else (x,)
    return replace(network, branches=tuple(branches)), names


def _split_pin(
    network: Network, terminal: Terminal, a: float, resistance: float
) -> tuple[Network, tuple[str, ...]]:
    u = network.op_amp(terminal.part)
    node = free_node(network, f"{u.name}_{terminal.pin}")
    stem = f"R{u.name}{terminal.pin[0]}"
    names = fresh_name(network, f"{stem}a"), fresh_name(network, f"{stem}b")
    divider = (
        Branch(names[0], 0, (network.input, node), resistance / a),
        Branch(names[1], 0, (node, network.reference), resistance / (1 - a)),
    )

    def moved(x: OpAmp) -> OpAmp:
        if x.name != u.name:
            return x
        return replace(x, plus=node) if terminal.pin == "plus" else replace(x, minus=node)

    changed = replace(
        network,
        branches=(*network.branches, *divider),
        op_amps=tuple(moved(x) for x in network.op_amps),
    )
    return changed, (u.name, *names)


def fresh_name(network: Network, name: str) -> str:
    """Return the name, lengthened until no part has it."""
    taken = {b.name for b in network.branches} | {u.name for u in network.op_amps}
    while name in taken:
        name += "x"
    return name


def free_node(network: Network, name: str) -> str:
    """Return the name, lengthened until no node has it."""
    while name in network.nodes:
        name += "x"
    return name
