"""Op amps paired anew by name: input pins moved so that the ideal equations stay.

The ideal op amp says that its input nodes are equal and that its output delivers what is needed;
so H depends on the input nodes only through which of them are joined (H. J. Carlin, IEEE Trans.
Circuit Theory CT-11 (1964) 67-72; A. Antoniou, Proc. IEE 116 (1969) 1838-1850; from memory).  What
real op amps make of it is another matter, and the reason for doing it: see `synth.search.pairing`,
which finds the pairings that are stable.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from synth.network.model import Network
from synth.transform.step import Step, require, unchanged_names

THEOREM = (
    "the equations with ideal op amps say only that the two input nodes of each are equal and "
    "that each output delivers what is needed; pairing inputs and outputs anew, or joining the "
    "same input nodes in another order, leaves them as they are, and H with them"
)


@dataclass(frozen=True)
class PairOpAmps:
    """Move op-amp input pins.

    Parameters
    ----------
    pins : tuple of ((op amp, pin), node)
        Each pin ``plus`` or ``minus``, and the node it is to be on.
    """

    pins: tuple[tuple[tuple[str, str], str], ...]

    def accepts(self, network: Network) -> str:
        """Return why it does not apply; empty when it does."""
        known = {u.name for u in network.op_amps}
        for (name, pin), node in self.pins:
            if name not in known or pin not in ("plus", "minus"):
                return (
                    f"{name}.{pin} is no op-amp input; they are plus and minus of "
                    f"{', '.join(sorted(known)) or 'no op amp'}"
                )
            if node not in network.nodes:
                return f"no node is called {node}; the nodes are {', '.join(network.nodes)}"
        moves = dict(self.pins)
        before = [(u.plus, u.minus) for u in network.op_amps]
        after = [
            (moves.get((u.name, "plus"), u.plus), moves.get((u.name, "minus"), u.minus))
            for u in network.op_amps
        ]
        if any(a == b for a, b in after) or _joined(before) != _joined(after):
            return (
                "the input nodes would not be joined as they were, so H would change; "
                "`synth pairings` lists the pairings that leave it alone"
            )
        return ""

    def apply(self, network: Network) -> tuple[Network, Step]:
        """Return the network so wired, and the step."""
        require(self, network)
        held = {(name, pin): node for name, pin, node in network.pins()}
        moves = tuple((".".join(k), f"{held[k]} to {node}") for k, node in self.pins)
        wired = network.with_pins(dict(self.pins))
        return wired, Step("pair-op-amps", moves, THEOREM, unchanged_names(network))


def _joined(pairs: Iterable[tuple[str, str]]) -> frozenset[frozenset[str]]:
    """Return the sets of nodes that the pairs hold equal."""
    sets: list[set[str]] = []
    for pair in pairs:
        touched = [s for s in sets if s & set(pair)]
        sets = [s for s in sets if s not in touched] + [set(pair).union(*touched)]
    return frozenset(map(frozenset, sets))
