"""Cascade: stages in a chain, each fed from an op-amp output, so that transfers multiply."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from synth.errors import TransformError
from synth.network.model import POWERS, Branch, Network, OpAmp, Port
from synth.transform.step import Step

THEOREM = (
    "an ideal op-amp output does not feel what it drives, so the transfers of the stages multiply"
)
_LETTERS = {power: letter for letter, power in POWERS.items()}


@dataclass(frozen=True)
class Chained:
    """The whole chain, its step, and the names of each stage's parts in it.

    ``maps[k]`` is old part name -> new part name of stage k; a buffer has no old name.
    """

    network: Network
    step: Step
    maps: tuple[dict[str, str], ...]
    buffers: tuple[str, ...]


def cascade(stages: Sequence[Network], *, buffer_last: bool = False) -> Chained:
    """Connect the networks in a chain; parts are numbered anew through the whole.

    A follower is added behind a stage that does not end at an op-amp output, and said in the
    step's notes; behind the last one only when `buffer_last` asks for it, and not where the next
    stage draws no current: the two then share its op amp.

    Raises
    ------
    TransformError
        If there is no stage, or one has several inputs or outputs.
    """
    if not stages:
        raise TransformError("a cascade needs at least one stage")
    for k, network in enumerate(stages, start=1):
        if len(network.inputs) != 1 or len(network.outputs) != 1:
            raise TransformError(f"stage {k} of a cascade must have one input and one output")
        if network.reading.against:
            raise TransformError(
                f"stage {k} of a cascade is read {network.reading}; read it against the signal's "
                "ground"
            )
    counters: dict[str, int] = {}

    def fresh(letter: str) -> str:
        counters[letter] = counters.get(letter, 0) + 1
        return f"{letter}{counters[letter]}"

    branches: list[Branch] = []
    op_amps: list[OpAmp] = []
    maps: list[dict[str, str]] = []
    buffers: list[str] = []
    notes: list[str] = []
    feed = "in"
    last = len(stages)
    held: set[str] = set()
    for k, network in enumerate(stages, start=1):
        buffered = needs_follower(stages, k - 1, buffer_last)
        end = "out" if k == last and not buffered else (f"q{k}" if buffered else f"v{k}")
        nodes = node_names(network, feed, end, k)
        names: dict[str, str] = {}
        for b in network.branches:
            names[b.name] = fresh(_LETTERS[b.power])
        for u in network.op_amps:
            names[u.name] = fresh("U")
        placed = network.renamed(names, nodes)
        branches += placed.branches
        op_amps += placed.op_amps
        held |= placed.held
        maps.append(names)
        feed = end
        if buffered:
            feed = "out" if k == last else f"v{k}"
            name = fresh("U")
            op_amps.append(OpAmp(name, end, feed, feed))
            buffers.append(name)
            notes.append(f"follower {name} added behind stage {k}, whose output is no op amp's")
    whole = Network(
        branches=tuple(branches),
        op_amps=tuple(op_amps),
        inputs=(Port("input", "in"),),
        outputs=(Port("output", "out"),),
        held=frozenset(held),
        title=" -> ".join(n.title for n in stages if n.title),
    )
    table = tuple(
        (f"{k}.{old}", new) for k, names in enumerate(maps, start=1) for old, new in names.items()
    )
    step = Step("cascade", (("stages", str(last)),), THEOREM, table, tuple(notes))
    return Chained(whole, step, tuple(maps), tuple(buffers))


def needs_follower(stages: Sequence[Network], k: int, buffer_last: bool) -> bool:
    """Say whether a follower belongs behind stage k (from 0) of a chain."""
    if any(u.out == stages[k].output for u in stages[k].op_amps):
        return False
    if k + 1 == len(stages):
        return buffer_last
    feed = stages[k + 1].input
    return any(feed in b.nodes for b in stages[k + 1].branches)


def node_names(network: Network, feed: str, end: str, k: int) -> dict[str, str]:
    """Return the nodes' names in a whole: k-th part of it, fed from one node, ending at another."""
    names = {n: f"n{k}{n}" for n in network.nodes}
    names.update(dict.fromkeys((network.reference, *network.supplies), "0"))
    names[network.input] = feed
    names[network.output] = end
    return names
