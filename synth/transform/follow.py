"""One stage behind another, without a buffer: their transfers multiply."""

from __future__ import annotations

from collections.abc import Container
from dataclasses import dataclass, replace
from itertools import count

from synth.network.model import Network
from synth.transform.split import fresh_name
from synth.transform.step import Step, require

THEOREM = (
    "the stage behind takes no current from the one before, or takes it from an ideal op-amp "
    "output, so the transfers multiply"
)


@dataclass(frozen=True)
class Follow:
    """Put a stage behind the network.

    Parameters
    ----------
    behind : Network
        The stage; parts whose names are taken get an ``x`` at the end.
    name : str
        What the stage is called, for the record.
    """

    behind: Network
    name: str

    def accepts(self, network: Network) -> str:
        """Return why it does not apply; empty when it does."""
        for one in (network, self.behind):
            if len(one.inputs) != 1 or len(one.outputs) != 1:
                return "a cascade needs stages with one input and one output"
            if one.reading.against:
                return (
                    "a cascade needs outputs against the signal's ground; one here is read "
                    f"{one.reading}"
                )
        held = any(u.out == network.output for u in network.op_amps)
        drawing = [b.name for b in self.behind.branches if self.behind.input in b.nodes]
        if not held and drawing:
            return (
                f"node {network.output} is no op-amp output, and {drawing[0]} of {self.name} would "
                "load it; put a follower between them"
            )
        return ""

    def apply(self, network: Network) -> tuple[Network, Step]:
        """Return the chain, and the step; its map names the parts of the stage before."""
        require(self, network)
        parts = {n: fresh_name(network, n) for n in self._names(self.behind)}
        middle = _numbered(network.output, set(network.nodes))
        before = network.renamed(nodes={network.output: middle})
        taken = set(before.nodes)
        nodes = {}
        for node in self.behind.nodes:
            nodes[node] = _numbered(node, taken) if node in taken else node
            taken.add(nodes[node])
        grounds = (self.behind.reference, *self.behind.supplies)
        nodes.update(dict.fromkeys(grounds, network.reference))
        nodes[self.behind.input] = middle
        placed = self.behind.renamed(parts, nodes)
        chain = replace(
            before,
            branches=(*before.branches, *placed.branches),
            op_amps=(*before.op_amps, *placed.op_amps),
            outputs=placed.outputs,
            held=network.held | placed.held,
            title=" -> ".join(n.title for n in (network, self.behind) if n.title),
        )
        table = tuple((n, n) for n in self._names(network))
        return chain, Step("cascade", (("behind", self.name),), THEOREM, table)

    @staticmethod
    def _names(network: Network) -> tuple[str, ...]:
        return (*(b.name for b in network.branches), *(u.name for u in network.op_amps))


def _numbered(node: str, taken: Container[str]) -> str:
    """Return the name with the first number that makes it a new one."""
    stem = node.rstrip("0123456789") or node
    return next(name for name in (f"{stem}{k}" for k in count(1)) if name not in taken)
