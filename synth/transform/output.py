"""Another output of the same loop: H read where another op amp holds its node."""

from __future__ import annotations

from dataclasses import dataclass, replace

from synth.network.model import Network, Port
from synth.transform.step import Step, require, unchanged_names

THEOREM = (
    "an op-amp output does not feel what reads it, so the natural modes are those of the loop, "
    "wherever it is read, and only the numerator changes"
)


@dataclass(frozen=True)
class ReadAt:
    """Read the response at another op-amp output.

    Parameters
    ----------
    node : str
        Where an op amp holds the node; it becomes the output.
    """

    node: str

    def accepts(self, network: Network) -> str:
        """Return why it does not apply; empty when it does."""
        if len(network.outputs) != 1:
            return f"a step output needs one output; this network has {len(network.outputs)}"
        held = [u.out for u in network.op_amps]
        if self.node not in held:
            return (
                f"node {self.node} is no op-amp output; those of this network are "
                f"{', '.join(held) or 'none'}"
            )
        if self.node == network.output:
            return f"the response is read at {self.node} already"
        return ""

    def apply(self, network: Network) -> tuple[Network, Step]:
        """Return the network read at the other node, and the step."""
        require(self, network)
        moved = replace(network, outputs=(Port(network.outputs[0].name, self.node),))
        arguments = (("from", network.output), ("to", self.node))
        return moved, Step("output", arguments, THEOREM, unchanged_names(network))
