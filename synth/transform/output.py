"""Another output of the same loop: H read where another op amp holds its node, or between two.

Between the output and the input H becomes ``H - 1``: the complement, its sign reversed, without
moving a part.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from synth.errors import DeckError, NetworkError
from synth.network.deck_nodes import listed
from synth.network.model import Network, Port
from synth.transform.step import Step, require, unchanged_names

THEOREM = (
    "an op-amp output does not feel what reads it, so the natural modes are those of the loop, "
    "wherever it is read, and only the numerator changes"
)


DIFFERENTIAL = (
    "neither an op-amp output nor the source feels what reads it, so the natural modes are those "
    "of the loop; the response is the difference of two of its transfers, of which that of the "
    "input itself is 1"
)


@dataclass(frozen=True)
class ReadAt:
    """Read the response at another op-amp output, or between two nodes.

    Parameters
    ----------
    node : str
        Where an op amp holds the node; it becomes the output.  Two nodes joined by a comma make
        a differential output, the first read against the second; one may be the input.
    """

    node: str

    def accepts(self, network: Network) -> str:
        """Return why it does not apply; empty when it does."""
        if len(network.outputs) != 1:
            return f"a step output needs one output; this network has {len(network.outputs)}"
        held = [u.out for u in network.op_amps]
        try:
            nodes = self._nodes(network)
        except DeckError as error:
            return str(error)
        if len(nodes) > 2:
            return f"{self.node} names {len(nodes)} nodes; an output is read at one, or between two"
        sources = [p.node for p in network.inputs] if len(nodes) == 2 else []
        for node in nodes:
            if node not in held and node not in sources:
                return (
                    f"node {node} is no op-amp output; those of this network are "
                    f"{', '.join(held) or 'none'}"
                )
        if nodes == network.outputs[0].nodes:
            return f"the response is read {_place(network.outputs[0])} already"
        try:
            self._moved(network)
        except NetworkError as error:
            return str(error)
        return ""

    def _nodes(self, network: Network) -> tuple[str, ...]:
        return listed(self.node, lambda name: name in network.nodes)

    def _moved(self, network: Network) -> Network:
        port = Port(network.outputs[0].name, *self._nodes(network))
        return replace(network, outputs=(port,))

    def apply(self, network: Network) -> tuple[Network, Step]:
        """Return the network read at the other node, and the step."""
        require(self, network)
        moved = self._moved(network)
        before, after = network.outputs[0], moved.outputs[0]
        arguments = (("from", before.written), ("to", after.written))
        theorem = DIFFERENTIAL if after.against else THEOREM
        return moved, Step("output", arguments, theorem, unchanged_names(network))


def _place(port: Port) -> str:
    return str(port) if port.against else f"at {port}"
