"""The supplies that a deck itself names: rails at the op amps, and where its nodes rest.

DC values of the sources give the voltages of the supply nodes; a divider of resistors among them
and a follower behind it give that of the signal's ground.  Where a network is tied to its supplies
(a divider at an op amp's input), the rest of every node follows from its equations at DC.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from synth.analysis.bias import inputs_without_dc_path
from synth.checking.model import OpAmpModel
from synth.checking.operating_point import at_dc
from synth.errors import DeckError
from synth.network.deck_nodes import is_zero
from synth.network.deck_text import number_of
from synth.network.model import Network, Source


@dataclass(frozen=True)
class DeckSupply:
    """Supplies by a deck.

    Parameters
    ----------
    negative, positive : float
        Rails of every op amp, V against node 0.
    reference_v : float or None
        Where the deck holds the signal's ground, V; None where it does not say.
    biases_itself : bool
        Whether node 0 is the signal's ground, and parts of the network are tied to its supplies.
    bypass : tuple of (str, float)
        Capacitors from the signal's ground to a supply or node 0, and their values in F.
    """

    negative: float
    positive: float
    reference_v: float | None
    biases_itself: bool
    bypass: tuple[tuple[str, float], ...]
    volts: Mapping[str, float] = field(repr=False)

    @property
    def rails(self) -> tuple[float, float]:
        """Both rails, the lower one first."""
        return self.negative, self.positive


def deck_supply(network: Network) -> DeckSupply | None:
    """Return the supplies at the op amps' pins, or None where a deck does not name them.

    Op amps on rails of their own, each on others, count as not named.
    """
    volts = _known(network)
    pins = [u.supply_pins for u in network.op_amps]
    rails = {None if p is None else (volts.get(p[1]), volts.get(p[0])) for p in pins}
    if len(rails) != 1:
        return None
    (pair,) = rails
    if pair is None or pair[0] is None or pair[1] is None or pair[0] >= pair[1]:
        return None
    reference = volts.get(network.reference)
    tied = {n for n in network.supplies if volts.get(n)}
    itself = bool(reference == 0 and is_zero(network.reference) and _users(network, tied))
    bypass = tuple(
        (b.name, b.value)
        for b in network.bench.decoupling
        if b.power == 1 and b.value and network.reference in b.nodes
    )
    return DeckSupply(pair[0], pair[1], reference, itself, bypass, volts)


def rests(network: Network, model: OpAmpModel, supply: DeckSupply) -> dict[str, float]:
    """Return where every node rests by the deck's DC sources, V against node 0.

    Parameters
    ----------
    network : Network
    model : OpAmpModel
        Of every op amp.
    supply : DeckSupply
        Of this network.

    Notes
    -----
    Offsets are left out.  Nothing is returned where an op-amp input has no DC path.
    """
    reference = supply.reference_v
    if reference is None or inputs_without_dc_path(network):
        return {}
    system, inverse = at_dc(network, model)
    found = np.zeros(len(system.g))
    tied = {n: supply.volts[n] - reference for n in network.supplies if n in supply.volts}
    for b in network.branches:
        for node, far in (b.nodes, b.nodes[::-1]):
            k = system.index.get(far)
            if node in tied and k is not None and k not in system.held and not b.power and b.value:
                found += inverse[:, k] * tied[node] / b.value
    for u in network.op_amps:
        lead = tied.get(u.plus, 0.0) - tied.get(u.minus, 0.0)
        found += inverse[:, system.inner[u.name]] * lead
    return {node: reference + float(found[k]) for node, k in system.index.items()}


def _users(network: Network, nodes: set[str]) -> list[str]:
    """Return the parts that take a DC level from nodes."""
    parts = [b.name for b in network.branches if b.power <= 0 and nodes.intersection(b.nodes)]
    return parts + [u.name for u in network.op_amps if nodes.intersection((u.plus, u.minus))]


def _known(network: Network) -> dict[str, float]:
    """Return the nodes whose DC voltage the deck's sources, dividers and followers give."""
    bench = network.bench
    ends = {n for s in bench.sources for n in (s.plus, s.minus)}
    places = {*ends, *network.supplies, network.reference}
    places |= {n for b in bench.decoupling for n in b.nodes}
    volts = {n: 0.0 for n in places if is_zero(n)}
    sources = [(s, _volts(s)) for s in bench.sources if s.plus not in _inputs(network)]
    size = -1
    while len(volts) > size:
        size = len(volts)
        for s, v in sources:
            if v is not None and s.minus in volts:
                volts.setdefault(s.plus, volts[s.minus] + v)
            elif v is not None and s.plus in volts:
                volts.setdefault(s.minus, volts[s.plus] - v)
        for u in bench.op_amps:
            if u.minus == u.out and u.plus in volts:
                volts.setdefault(u.out, volts[u.plus])
        for node in sorted(places - set(volts)):
            _divide(network, node, volts, {u.out for u in bench.op_amps})
    return volts


def _divide(network: Network, node: str, volts: dict[str, float], driven: set[str]) -> None:
    """Note the voltage of a node that only resistors from known ones hold."""
    here = [b for b in network.bench.decoupling if not b.power and b.value and node in b.nodes]
    ends = [b.nodes[1] if b.nodes[0] == node else b.nodes[0] for b in here]
    if not here or node in driven or not all(n in volts for n in ends):
        return
    flows = [1 / (b.value or 1.0) for b in here]
    total = sum(g * volts[n] for g, n in zip(flows, ends, strict=True))
    volts[node] = total / sum(flows)


def _inputs(network: Network) -> set[str]:
    return {p.node for p in network.inputs}


def _volts(source: Source) -> float | None:
    """Return the DC value of a source; None where it is no plain number."""
    words = source.text.split()
    if words and words[0].lower() == "dc":
        words = words[1:]
    if not words:
        return 0.0
    if words[0].lower() == "ac":
        return 0.0
    try:
        return number_of(words[0], {}, f"source {source.name}")[0]
    except DeckError:
        return None
