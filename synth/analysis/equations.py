"""Nodal equations of a network with ideal op amps, as sparse rows over the admittance ring.

An ideal op amp is a nullator between its inputs and a norator from its output to its
inaccessible reference (H. J. Carlin, IEEE Trans. Circuit Theory CT-11 (1964) 67-72): the columns
of the two input nodes merge, and Kirchhoff's current law at the output node, where the norator
delivers whatever is needed, is dropped.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from synth.analysis.ring import Coefficient, Poly
from synth.errors import NetworkError, SingularError
from synth.network.model import Network, Terminal


class Equations(NamedTuple):
    """Rows of ``sum_c entry[c] * v_c = sum_t source[t] * e_t``.

    Parameters
    ----------
    variables : tuple of str
        Branch names; variable k is bit k of a mask.
    unknowns : tuple of tuples of str
        The node names merged into each column.
    rows : tuple of mappings
        Column -> polynomial.
    sources : tuple of mappings
        For each row: terminal -> polynomial on the right-hand side.
    row_nodes : tuple of str
        The node of each row.
    output : tuple of (int or Terminal, int)
        Column of the output and the weight 1; for a differential output those of both nodes, the
        second with the weight -1.  A terminal stands for a node that equals it: an input, or the
        output of a follower of an ideal source.
    column_of, pinned : mappings
        Node -> its column; node -> the terminal whose voltage it has.
    """

    variables: tuple[str, ...]
    unknowns: tuple[tuple[str, ...], ...]
    rows: tuple[Mapping[int, Poly], ...]
    sources: tuple[Mapping[Terminal, Poly], ...]
    row_nodes: tuple[str, ...]
    output: tuple[tuple[int | Terminal, int], ...]
    column_of: Mapping[str, int]
    pinned: Mapping[str, Terminal]


def equations(network: Network) -> Equations:
    """Write the nodal equations of `network`, one unknown source voltage per terminal.

    Raises
    ------
    NetworkError
        If the output is at no part of the network, or differential between two nodes that op amps
        keep at one voltage.
    SingularError
        If two op amps fix the same node, so that no unique solution exists.
    """
    fixed = network.fixed_nodes
    terminals = {t.key: t for t in network.terminals}
    touched = {node for _, _, node in network.pins()} | {u.out for u in network.op_amps}
    for node in network.reading.nodes:
        if node not in touched:
            raise NetworkError(
                f"output node {node} touches no part; the nodes are {', '.join(sorted(touched))}"
            )
    internal = [n for n in network.nodes if n not in fixed and n in touched]
    group, pinned = _merge(network, internal, fixed, terminals)

    roots = [n for n in internal if group[n] == n and n not in pinned]
    column = {root: k for k, root in enumerate(roots)}
    column_of = {n: column[group[n]] for n in internal if group[n] in column}
    node_terminal = {n: pinned[group[n]] for n in internal if group[n] in pinned}

    driven = {u.out for u in network.op_amps}
    row_nodes = [n for n in internal if n not in driven]
    index = {n: k for k, n in enumerate(row_nodes)}
    rows: list[dict[int, dict[int, Coefficient]]] = [{} for _ in row_nodes]
    sources: list[dict[Terminal, dict[int, Coefficient]]] = [{} for _ in row_nodes]

    def place(node: str, pin: tuple[str, str]) -> int | Terminal:
        if node in column_of:
            return column_of[node]
        return terminals[pin] if node in fixed else node_terminal[node]

    def stamp(row: int, at: int | Terminal, mask: int, sign: int) -> None:
        if isinstance(at, int):
            rows[row].setdefault(at, {})[mask] = sign
        else:
            sources[row].setdefault(at, {})[mask] = -sign

    for k, b in enumerate(network.branches):
        first, second = place(b.nodes[0], (b.name, "1")), place(b.nodes[1], (b.name, "2"))
        if first == second:
            continue  # one voltage at both ends: no current
        for node, here, there in ((b.nodes[0], first, second), (b.nodes[1], second, first)):
            row = index.get(node)
            if row is not None:
                stamp(row, here, 1 << k, 1)
                stamp(row, there, 1 << k, -1)

    return Equations(
        variables=tuple(b.name for b in network.branches),
        unknowns=tuple(tuple(n for n in internal if group[n] == r) for r in roots),
        rows=tuple(rows),
        sources=tuple(sources),
        row_nodes=tuple(row_nodes),
        output=_output(network, column_of, {**node_terminal, **_read_inputs(network)}),
        column_of=column_of,
        pinned=node_terminal,
    )


def _read_inputs(network: Network) -> dict[str, Terminal]:
    """Input node -> the terminal by which a differential output reads it."""
    port = network.reading
    node_of = dict(zip("+-", port.nodes, strict=False))
    return {
        node_of[t.pin]: t for t in network.terminals if t.part == port.name and t.pin in node_of
    }


def _output(
    network: Network, column_of: Mapping[str, int], terminal_of: Mapping[str, Terminal]
) -> tuple[tuple[int | Terminal, int], ...]:
    """Return the places of the output's nodes with their weights."""
    port = network.reading
    found = tuple(
        (column_of[node] if node in column_of else terminal_of[node], weight)
        for node, weight in port.weights
    )
    where = [x if isinstance(x, int) else x.at for x, _ in found]
    if len(set(where)) < len(where):
        raise NetworkError(
            f"the output is read {port}, and the op amps keep these at one voltage, so it is 0; "
            "name another node"
        )
    return found


def _merge(
    network: Network,
    internal: list[str],
    fixed: Mapping[str, str],
    terminals: Mapping[tuple[str, str], Terminal],
) -> tuple[dict[str, str], dict[str, Terminal]]:
    """Merge the input nodes of each op amp; return node -> root, and root -> source terminal."""
    parent = {n: n for n in internal}
    pinned: dict[str, Terminal] = {}

    def find(n: str) -> str:
        while parent[n] != n:
            parent[n] = parent[parent[n]]
            n = parent[n]
        return n

    for u in network.op_amps:
        ends = [("plus", u.plus), ("minus", u.minus)]
        sources = [terminals[u.name, pin] for pin, node in ends if node in fixed]
        nodes = [find(node) for _, node in ends if node not in fixed]
        if not nodes:
            raise SingularError(
                f"both inputs of op amp {u.name} are held by sources, so its output is not "
                "determined; connect its feedback"
            )
        clash = (
            len(nodes) == 2
            and (nodes[0] == nodes[1] or (nodes[0] in pinned and nodes[1] in pinned))
        ) or (bool(sources) and nodes[0] in pinned)
        if clash:
            raise SingularError(
                f"op amp {u.name} and another op amp fix the same node voltage, so the network "
                "has no unique solution; check the connections of their inputs"
            )
        if sources:
            pinned[nodes[0]] = sources[0]
        else:
            keep, gone = nodes
            parent[gone] = keep
            if gone in pinned:
                pinned[keep] = pinned.pop(gone)
    return {n: find(n) for n in internal}, pinned
