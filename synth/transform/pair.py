"""One part made of two: in series or in parallel, with the same admittance."""

from __future__ import annotations

from dataclasses import dataclass, replace

from synth.network.model import KINDS, UNITS, Branch, Network
from synth.transform.split import free_node, fresh_name
from synth.transform.step import Step, require
from synth.units import format_si


@dataclass(frozen=True)
class Pair:
    """Replace a part by two of its kind.

    Parameters
    ----------
    part : str
    halves : tuple of two float
        Ohm, farad or henry.
    series : bool
        Whether they are in series; else they are in parallel.
    """

    part: str
    halves: tuple[float, float]
    series: bool

    def accepts(self, network: Network) -> str:
        """Return why it does not apply; empty when it does."""
        names = [b.name for b in network.branches]
        if self.part not in names:
            return f"no part is called {self.part}; the parts are {', '.join(names)}"
        if not all(0 < v < float("inf") for v in self.halves):
            return f"the two values for {self.part} must be positive and finite"
        return ""

    def apply(self, network: Network) -> tuple[Network, Step]:
        """Return the network with two parts in place of one, and the step."""
        require(self, network)
        b = network.branch(self.part)
        first, second = fresh_name(network, f"{b.name}a"), fresh_name(network, f"{b.name}b")
        middle = free_node(network, f"{b.name}m")
        ends = ((b.nodes[0], middle), (middle, b.nodes[1])) if self.series else (b.nodes, b.nodes)
        pieces = tuple(
            Branch(name, b.power, nodes, value)
            for name, nodes, value in zip((first, second), ends, self.halves, strict=True)
        )
        branches: list[Branch] = []
        for x in network.branches:
            branches += pieces if x.name == b.name else (x,)
        held = network.held
        if b.name in held:
            held = (held - {b.name}) | {first, second}
        unit = UNITS[b.power]
        how = "series" if self.series else "parallel"
        step = Step(
            "pair",
            (
                ("part", b.name),
                ("as", f"{' + '.join(format_si(v, unit) for v in self.halves)} in {how}"),
            ),
            f"two {KINDS[b.power]}s in {how} are one {KINDS[b.power]} to the rest of the network",
            (*((n.name, n.name) for n in network.branches if n.name != b.name), (b.name, first)),
            (f"{b.name} is made of {first} and {second} in {how}",),
        )
        return replace(network, branches=tuple(branches), held=held), step
