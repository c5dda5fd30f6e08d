"""Make one part of like parts in parallel: their admittances add up."""

from __future__ import annotations

from dataclasses import dataclass, replace

from synth.network.model import Branch, Network
from synth.transform.step import Step

#: Names of the steps that only tidy a circuit up, and are left out of its label.
TIDY = ("prune", "merge")


@dataclass(frozen=True)
class Merge:
    """Replace parts of one kind between the same two nodes by the first of them."""

    def accepts(self, network: Network) -> str:
        """Return why it does not apply; it always does."""
        return ""

    def apply(self, network: Network) -> tuple[Network, Step]:
        """Return the network without like parts in parallel, and the step; parts held stay."""
        kept: list[Branch] = []
        into: dict[str, str] = {}
        for b in network.branches:
            like = [k for k, x in enumerate(kept) if _like(x, b)]
            if not like or {b.name, kept[like[0]].name} & network.held:
                kept.append(b)
                continue
            first = kept[like[0]]
            into[b.name] = first.name
            kept[like[0]] = replace(first, value=_together(first, b))
        left = [b.name for b in network.branches] + [u.name for u in network.op_amps]
        step = Step(
            "merge",
            tuple((name, f"into {first}") for name, first in into.items()),
            "the admittances of parts in parallel add up",
            tuple((n, into.get(n, n)) for n in left),
        )
        return replace(network, branches=tuple(kept)), step


def _like(a: Branch, b: Branch) -> bool:
    return a.power == b.power and frozenset(a.nodes) == frozenset(b.nodes)


def _together(a: Branch, b: Branch) -> float | None:
    if a.value is None or b.value is None:
        return None
    return a.value + b.value if a.power == 1 else a.value * b.value / (a.value + b.value)
