"""The stages of a circuit: parts that are solved together, cut apart at op-amp outputs."""

from __future__ import annotations

from typing import NamedTuple

from synth.analysis.blocks import split
from synth.analysis.equations import Equations, equations
from synth.network.model import Network


class CircuitStage(NamedTuple):
    """One stage of a cascade.

    Parameters
    ----------
    name : str
        "1", "2", ... in the order of the signal.
    parts : tuple of str
        Its branches and op amps.
    feeds : tuple of str
        The nodes that drive it: the input node or op-amp outputs of other stages.
    """

    name: str
    parts: tuple[str, ...]
    feeds: tuple[str, ...]


def circuit_stages(network: Network) -> tuple[CircuitStage, ...]:
    """Cut `network` at the ideal op-amp outputs into stages, in the order of the signal.

    Parts that no equation contains (across a source or from an op-amp output to ground) belong
    to no stage.
    """
    eq = equations(network)
    blocks = split(eq.rows, eq.row_nodes)
    outputs = {u.out for u in network.op_amps}
    group = list(range(len(blocks)))
    block_of = {c: k for k, b in enumerate(blocks) for c in b.columns}

    def find(k: int) -> int:
        while group[k] != k:
            k = group[k]
        return k

    def is_output(column: int) -> bool:
        return any(n in outputs for n in eq.unknowns[column])

    for k, b in enumerate(blocks):
        for row in b.rows:
            for column in eq.rows[row]:
                other = block_of[column]
                if other != k and not is_output(column):
                    group[find(other)] = find(k)
    block_of_row = {row: k for k, b in enumerate(blocks) for row in b.rows}
    row_of = {n: row for row, n in enumerate(eq.row_nodes)}
    for branch in network.branches:  # one between two virtual nodes passes signal on
        ends = [block_of_row[row_of[n]] for n in branch.nodes if n in row_of]
        if len(ends) == 2:
            group[find(ends[1])] = find(ends[0])
    stage_of_row = {row: find(k) for k, b in enumerate(blocks) for row in b.rows}
    members = _members(network, eq, stage_of_row, {c: find(k) for c, k in block_of.items()})
    order = [k for k in dict.fromkeys(find(k) for k in range(len(blocks))) if k in members]
    own = {k: {u.out for u in network.op_amps if u.name in members[k]} for k in order}
    return tuple(
        CircuitStage(str(n), members[k], _feeds(network, members[k], own[k], outputs))
        for n, k in enumerate(order, start=1)
    )


def _members(
    network: Network,
    eq: Equations,
    stage_of_row: dict[int, int],
    stage_of_column: dict[int, int],
) -> dict[int, tuple[str, ...]]:
    index = {n: k for k, n in enumerate(eq.row_nodes)}
    members: dict[int, list[str]] = {}
    for b in network.branches:
        for node in b.nodes:
            if node in index:
                members.setdefault(stage_of_row[index[node]], []).append(b.name)
                break
    for u in network.op_amps:
        if u.out in eq.column_of:
            members.setdefault(stage_of_column[eq.column_of[u.out]], []).append(u.name)
    return {k: tuple(names) for k, names in members.items()}


def _feeds(
    network: Network, parts: tuple[str, ...], own: set[str], outputs: set[str]
) -> tuple[str, ...]:
    """Input nodes and foreign op-amp outputs that pins of the stage touch, in order."""
    inputs = {p.node for p in network.inputs}
    found = {
        node: None
        for name, _, node in network.pins()
        if name in parts and (node in inputs or (node in outputs and node not in own))
    }
    return tuple(found)
