"""Are two networks the same circuit under other names?  A yes comes with the map of names.

Parallel branches and branches in series through a node that nothing else touches are first
merged, for their order changes nothing.  What remains is a coloured graph (parts and nodes are
vertices, pins label the edges); a hash of refined colours sorts out most, and an isomorphism
search (networkx) settles the rest.  Part values are not compared.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

from synth.network.model import Branch, Network


@dataclass(frozen=True)
class _Bundle:
    """A two-terminal piece: one branch, or a series or parallel group of pieces."""

    label: str
    nodes: tuple[str, str]
    members: tuple[str, ...]  # branch names in an order fixed by the label


def shape_key(network: Network) -> str:
    """Return a hash that equivalent networks share (and few others)."""
    return _coloured(network)[2]


@lru_cache(maxsize=256)
def ideal_key(network: Network) -> str:
    """Return a hash of networks that are the same but for how op-amp inputs are paired.

    With ideal op amps the nodes that inputs make equal count, and the nodes that outputs drive,
    not which inputs go with which output.
    """
    return _hashed(_refined(_graph(network, paired=False)))


def equivalent(a: Network, b: Network) -> Mapping[str, str] | None:
    """Return a map from the part names of `a` to those of `b`, or None when they differ."""
    (ga, ca, mine), (gb, cb, other) = _coloured(a), _coloured(b)
    if mine != other:
        return None
    mapping = (
        _forced(ga, ca, gb, cb) if len(set(ca.values())) == len(ca) else _found(ga, ca, gb, cb)
    )
    if mapping is None:
        return None
    names: dict[str, str] = {}
    for u, v in mapping.items():
        names.update(zip(ga.members.get(u, ()), gb.members.get(v, ()), strict=True))
    return names


def _forced(
    a: _Coloured, of_a: Mapping[str, str], b: _Coloured, of_b: Mapping[str, str]
) -> Mapping[str, str] | None:
    """Return the only map there can be where no two vertices have one colour, if it is one."""
    places = {colour: v for v, colour in of_b.items()}
    mapping = {u: places[colour] for u, colour in of_a.items()}
    moved = {(frozenset((mapping[u], mapping[v])), pin) for u, v, pin in a.edges}
    return mapping if moved == {(frozenset((u, v)), pin) for u, v, pin in b.edges} else None


def _found(
    a: _Coloured, of_a: Mapping[str, str], b: _Coloured, of_b: Mapping[str, str]
) -> Mapping[str, str] | None:
    """Search for a map that keeps refined colours, which equivalent vertices share."""
    from networkx import Graph
    from networkx.algorithms.isomorphism import GraphMatcher

    def build(g: _Coloured, colours: Mapping[str, str]) -> Any:
        graph = Graph()
        for v, colour in colours.items():
            graph.add_node(v, colour=colour)
        for u, v, pin in g.edges:
            graph.add_edge(u, v, pin=pin)
        return graph

    matcher = GraphMatcher(
        build(a, of_a),
        build(b, of_b),
        node_match=lambda x, y: x["colour"] == y["colour"],
        edge_match=lambda x, y: x["pin"] == y["pin"],
    )
    return dict(matcher.mapping) if matcher.is_isomorphic() else None


def without_parallels(network: Network) -> Network:
    """Return the network with like parts in parallel made one, without value unless it was alone.

    The first of them keeps its name and its place.
    """
    groups: dict[tuple[int, frozenset[str]], list[Branch]] = {}
    for b in network.branches:
        groups.setdefault((b.power, frozenset(b.nodes)), []).append(b)
    merged = tuple(g[0] if len(g) == 1 else replace(g[0], value=None) for g in groups.values())
    held = network.held & {b.name for b in merged}
    return replace(network, branches=merged, held=held)


@dataclass(frozen=True)
class _Coloured:
    colours: Mapping[str, str]
    edges: tuple[tuple[str, str, str], ...]
    members: Mapping[str, tuple[str, ...]]


@lru_cache(maxsize=1024)
def _coloured(network: Network) -> tuple[_Coloured, Mapping[str, str], str]:
    """Return the graph, its refined colours and their hash.

    They are kept: the same circuits come up for every section of a filter.
    """
    graph = _graph(network)
    colours = _refined(graph)
    return graph, colours, _hashed(colours)


def _graph(network: Network, paired: bool = True) -> _Coloured:
    colours: dict[str, str] = {}
    edges: list[tuple[str, str, str]] = []
    members: dict[str, tuple[str, ...]] = {}
    ground = {network.reference, *network.supplies}

    def vertex(node: str) -> str:
        return "node:ground" if node in ground else f"node:{node}"

    for node in network.nodes:
        colours[vertex(node)] = "node"
    for k, p in enumerate(network.inputs):
        colours[vertex(p.node)] = f"input {k}"
    for k, p in enumerate(network.outputs):
        for node, weight in p.weights:
            colours[vertex(node)] += f" output {k}" + ("" if weight == 1 else " against")
    colours["node:ground"] = "ground"
    for k, bundle in enumerate(_bundles(network)):
        name = f"part:{k}"
        colours[name] = bundle.label
        members[name] = bundle.members
        for node in bundle.nodes:
            edges.append((name, vertex(node), "end"))
    if not paired:
        for k, alike in enumerate(_equal_nodes(network, vertex)):
            colours[f"equal:{k}"] = "equal"
            edges.extend((f"equal:{k}", v, "equal") for v in sorted(alike))
        for u in network.op_amps:
            colours[f"drive:{u.name}"] = "drive"
            edges.append((f"drive:{u.name}", vertex(u.out), "drive"))
        return _Coloured(colours, tuple(edges), members)
    for u in network.op_amps:
        name = f"opamp:{u.name}"
        colours[name] = "op amp"
        members[name] = (u.name,)
        for pin, node in (("plus", u.plus), ("minus", u.minus), ("out", u.out)):
            via = f"{name}.{pin}"  # a vertex a pin: two pins may share a node
            colours[via] = f"pin {pin}"
            edges.append((name, via, pin))
            edges.append((via, vertex(node), pin))
    return _Coloured(colours, tuple(edges), members)


def _equal_nodes(network: Network, vertex: Callable[[str], str]) -> list[set[str]]:
    """Return the vertices that the inputs of op amps hold at one voltage, in groups."""
    groups: list[set[str]] = []
    for u in network.op_amps:
        pair = {vertex(u.plus), vertex(u.minus)}
        touched = [g for g in groups if g & pair]
        groups = [g for g in groups if not g & pair] + [pair.union(*touched)]
    return groups


def _bundles(network: Network) -> list[_Bundle]:
    """Merge series and parallel branches until nothing changes.

    A ring that hangs on one node becomes a piece with both ends there.
    """
    letters = {0: "R", 1: "C", -1: "L", 2: "D"}
    pieces = [_Bundle(letters[b.power], b.nodes, (b.name,)) for b in network.branches]
    busy = set(network.fixed_nodes) | network.read_nodes
    for u in network.op_amps:
        busy |= {u.plus, u.minus, u.out}
    changed = True
    while changed:
        merged = _merge_series(pieces, busy)
        if len(merged) == len(pieces):  # all series first, or the result depends on the order
            merged = _merge_parallel(pieces)
        changed = len(merged) != len(pieces)
        pieces = merged
    return pieces


def _merge_parallel(pieces: list[_Bundle]) -> list[_Bundle]:
    groups: dict[frozenset[str], list[_Bundle]] = {}
    for p in pieces:
        groups.setdefault(frozenset(p.nodes), []).append(p)
    return [g[0] if len(g) == 1 else _grouped("par", g, g[0].nodes) for g in groups.values()]


def _merge_series(pieces: list[_Bundle], busy: set[str]) -> list[_Bundle]:
    at: dict[str, list[_Bundle]] = {}
    for p in pieces:
        for node in p.nodes:
            at.setdefault(node, []).append(p)
    for node, touching in at.items():
        if node in busy or len(touching) != 2 or touching[0] is touching[1]:
            continue
        x, y = touching
        ends = [n for p in (x, y) for n in p.nodes if n != node]
        rest = [p for p in pieces if p is not x and p is not y]
        return [*rest, _grouped("ser", [x, y], (ends[0], ends[1]))]
    return pieces


def _grouped(how: str, pieces: list[_Bundle], nodes: tuple[str, str]) -> _Bundle:
    # groups of the same way join flat, so that their order does not matter
    flat: list[tuple[str, tuple[str, ...]]] = []
    for p in pieces:
        if p.label.startswith(f"{how}("):
            flat += _inside(p)
        else:
            flat.append((p.label, p.members))
    flat.sort(key=lambda x: x[0])
    label = f"{how}({';'.join(x for x, _ in flat)})"
    return _Bundle(label, nodes, tuple(n for _, names in flat for n in names))


def _inside(bundle: _Bundle) -> list[tuple[str, tuple[str, ...]]]:
    """Split a group into its labelled pieces and hand each its share of the members."""
    text = bundle.label[4:-1]
    labels, depth, start = [], 0, 0
    for k, ch in enumerate(text):
        depth += (ch == "(") - (ch == ")")
        if ch == ";" and depth == 0:
            labels.append(text[start:k])
            start = k + 1
    labels.append(text[start:])
    found, k = [], 0
    for label in labels:
        count = sum(label.count(x) for x in "RCLD")
        found.append((label, bundle.members[k : k + count]))
        k += count
    return found


def _digest(text: str) -> str:
    from hashlib import blake2b

    return blake2b(text.encode(), digest_size=12).hexdigest()


def _hashed(colours: Mapping[str, str]) -> str:
    return _digest("".join(sorted(colours.values())))


def _refined(graph: _Coloured) -> dict[str, str]:
    """Refine the colours by the neighbours' until stable rounds."""
    near: dict[str, list[tuple[str, str]]] = {v: [] for v in graph.colours}
    for u, v, pin in graph.edges:
        near[u].append((pin, v))
        near[v].append((pin, u))
    colours = {v: _digest(c) for v, c in graph.colours.items()}
    for _ in range(6):
        colours = {
            v: _digest(colours[v] + "".join(sorted(pin + colours[w] for pin, w in near[v])))
            for v in colours
        }
    return colours
