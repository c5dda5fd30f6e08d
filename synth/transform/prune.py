"""Remove what has no say: parts between source and ground, and parts that hang loose."""

from __future__ import annotations

from dataclasses import dataclass, replace

from synth.network.model import Network
from synth.transform.step import Step


@dataclass(frozen=True)
class Prune:
    """Take out parts that no equation of the output contains."""

    def accepts(self, network: Network) -> str:
        """Return why it does not apply; it always does."""
        return ""

    def apply(self, network: Network) -> tuple[Network, Step]:
        """Return the network without idle parts, and the step; its map leaves them out."""
        keep = network
        removed: list[str] = []
        while True:
            idle = idle_parts(keep)
            if not idle:
                break
            removed += sorted(idle)
            keep = replace(keep, branches=tuple(b for b in keep.branches if b.name not in idle))
        left = [b.name for b in keep.branches] + [u.name for u in keep.op_amps]
        step = Step(
            "prune",
            (("removed", ", ".join(removed) or "nothing"),),
            "a part across an ideal source, or with a loose end, carries no signal to the output",
            tuple((n, n) for n in left),
        )
        return keep, step


def idle_parts(network: Network) -> frozenset[str]:
    """Return the branches across sources and ground, and those with a loose end."""
    fixed = set(network.fixed_nodes)
    degree: dict[str, int] = {}
    for _, _, node in network.pins():
        degree[node] = degree.get(node, 0) + 1
    ports = set(network.read_nodes) | {u.out for u in network.op_amps}
    idle = set()
    for b in network.branches:
        across = fixed.issuperset(b.nodes)
        loose = any(degree[n] == 1 and n not in fixed and n not in ports for n in b.nodes)
        if across or loose:
            idle.add(b.name)
    return frozenset(idle)
