"""Known circuits in a network: a stage that has drawing positions lends them to its relatives.

A network is cut into its stages, and each is compared with the loops of the catalogue: the graph
of parts and inner nodes, where every pin at the source, at ground or at the output of another
stage just counts as held.  So a swap, a lift, a stage inside a cascade and a deck with other
names all find the picture they come from; where no loop has the same kinds of parts, one with
resistors and capacitors exchanged will do.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cache
from typing import Any

from synth.analysis.stages import CircuitStage, circuit_stages
from synth.catalog import content_hash, stages
from synth.drawing.automatic import automatic
from synth.drawing.carry import turned, with_divider, with_twin
from synth.drawing.ladders import ladder_placement
from synth.drawing.rows import beside
from synth.drawing.scene import scene_of
from synth.errors import NetworkError, SingularError
from synth.network.model import Branch, Network, Port
from synth.positions import Place, Placement

#: How much the same names of all parts speak for a stage.  Passive networks are drawn well
#: without help, so that they only borrow from a stage whose names they have.
_NAMED = 100
#: Stands for an output that only leads to the next stage.
_LINK = ""
#: The share of the parts that must be in known stages; else the layout is automatic.
ENOUGH = 0.5


@dataclass(frozen=True)
class _Loop:
    """A network as a coloured graph without regard to what holds the held pins.

    ``members`` are the branches of each vertex that stands for parts, ``dividers`` those that
    only feed an op-amp input from held nodes, by (op amp, pin).
    """

    network: Network
    held: Mapping[str, str]
    colours: Mapping[str, str] = field(default_factory=dict)
    edges: tuple[tuple[str, str, str], ...] = ()
    members: Mapping[str, tuple[Branch, ...]] = field(default_factory=dict)
    dividers: Mapping[tuple[str, str], tuple[Branch, ...]] = field(default_factory=dict)


def known_placement(network: Network) -> Placement | None:
    """Return the places that the catalogue lends a network; None when it knows nothing of it.

    Parts that the catalogue's stage does not have are left out.
    """
    try:
        groups = circuit_stages(replace(network, outputs=network.outputs[:1]))
    except (SingularError, NetworkError):
        return None
    pieces: list[tuple[Network, Placement | None]] = []
    while groups:
        for count in range(len(groups), 0, -1):
            piece, held = _piece(network, groups[:count])
            places = _lent(piece, held)
            if places is None and count == 1:
                places = ladder_placement(piece)
            if places is not None or count == 1:
                break
        pieces.append((piece, places))
        groups = groups[count:]
    known = sum(len(piece.branches) for piece, places in pieces if places is not None)
    if not pieces or known < ENOUGH * len(network.branches):
        return None
    parts = [(p, automatic(scene_of(p)) if places is None else places) for p, places in pieces]
    same = [{n: n for n in (*(b.name for b in p.branches), *_names(p))} for p, _ in parts]
    whole = beside([places for _, places in parts], same, [p for p, _ in parts])
    return Placement({n: p for n, p in whole.places.items() if n != _LINK})


def _names(network: Network) -> list[str]:
    return [u.name for u in network.op_amps]


def _piece(network: Network, groups: Sequence[CircuitStage]) -> tuple[Network, Mapping[str, str]]:
    """Cut stages that follow each other out of a network; their feeds become inputs.

    Returns the piece, and what holds each node that is no free node of it.
    """
    parts = {n for g in groups for n in g.parts}
    op_amps = tuple(u for u in network.op_amps if u.name in parts)
    own = {u.out for u in op_amps}
    feeds = dict.fromkeys(n for g in groups for n in g.feeds if n not in own)
    branches = tuple(b for b in network.branches if b.name in parts)
    others = [b for b in network.branches if b.name not in parts]
    read = {n for b in others for n in b.nodes}
    read |= {n for u in network.op_amps if u.name not in parts for n in (u.plus, u.minus)}
    nodes = [n for u in op_amps for n in (u.out,)] + [n for b in branches for n in b.nodes]
    fixed = network.fixed_nodes
    free = [n for n in nodes if n not in fixed and n not in feeds]
    marks = (mark for p in network.outputs for mark in p.marks)
    ports = tuple(Port(name, node) for name, node, _ in marks if node in free)
    if not ports:
        ports = (Port(_LINK, next((n for n in free if n in read and n in own), free[0])),)
    inputs = tuple(Port(f"input {k}", n) for k, n in enumerate(feeds)) or network.inputs
    piece = replace(
        network,
        branches=branches,
        op_amps=op_amps,
        inputs=inputs,
        outputs=ports,
    )
    held = {n: ("source" if at != "ground" else at) for n, at in piece.fixed_nodes.items()}
    return piece, held


def _lent(piece: Network, held: Mapping[str, str]) -> Placement | None:
    """Return the places of the best-fitting stage of the catalogue, in the names of the piece."""
    for blurred in (False, True):
        loop = _loop_of(piece, held, blurred)
        best: tuple[int, Placement] | None = None
        for other, placement in _index(blurred, content_hash()).get(_key(loop), ()):
            match = _matched(other, loop)
            if match is None or _idle(other, loop, match):
                continue
            fit, places = _translated(other, loop, placement, match)
            if best is None or fit > best[0]:
                best = fit, places
        if best is not None and (piece.op_amps or best[0] >= _NAMED // 2):
            return best[1]
    return None


@cache
def _index(blurred: bool, _content: str) -> Mapping[str, tuple[tuple[_Loop, Placement], ...]]:
    found: dict[str, list[tuple[_Loop, Placement]]] = {}
    for stage in stages():
        if stage.placement is not None and not stage.network.reading.against:
            held = {
                n: ("source" if at != "ground" else at)
                for n, at in stage.network.fixed_nodes.items()
            }
            loop = _loop_of(stage.network, held, blurred)
            found.setdefault(_key(loop), []).append((loop, stage.placement))
    return {key: tuple(some) for key, some in found.items()}


# -- graphs ----------------------------------------------------------------------------------------


def _loop_of(network: Network, held: Mapping[str, str], blurred: bool) -> _Loop:
    touching: dict[str, list[str]] = {}
    for u in network.op_amps:
        for pin, node in (("plus", u.plus), ("minus", u.minus), ("out", u.out)):
            touching.setdefault(node, []).append(f"{u.name}.{pin}")
    ends: dict[str, list[Branch]] = {}
    for b in network.branches:
        for node in b.nodes:
            ends.setdefault(node, []).append(b)
    dividers: dict[tuple[str, str], tuple[Branch, ...]] = {}
    feeding: set[str] = set()
    for u in network.op_amps:
        for pin, node in (("plus", u.plus), ("minus", u.minus)):
            alone = node not in held and len(touching[node]) == 1
            some = ends.get(node, [])
            fed = alone and all(set(b.nodes) - {node} <= set(held) for b in some)
            if fed and len({b.power for b in some}) == 1:
                dividers[u.name, pin] = tuple(some)
                feeding |= {b.name for b in some}
    colours: dict[str, str] = {}
    edges: list[tuple[str, str, str]] = []
    members: dict[str, list[Branch]] = {}

    def node_of(node: str) -> str:
        name = f"node {node}"
        colours.setdefault(name, "node")
        return name

    for b in network.branches:
        if b.name in feeding:
            continue
        kind = "part" if blurred and b.power in (0, 1) else f"power {b.power}"
        inner = [n for n in b.nodes if n not in held]
        vertex = f"part {b.name}" if len(inner) != 1 else f"bundle {b.power} {inner[0]}"
        colours[vertex] = f"{kind} {len(inner)}"
        if vertex not in members:
            edges += [(vertex, node_of(n), "end") for n in inner]
        members.setdefault(vertex, []).append(b)
    for u in network.op_amps:
        colours[u.name] = "op amp"
        for pin, node in (("plus", u.plus), ("minus", u.minus), ("out", u.out)):
            via = f"{u.name}.{pin}"
            loose = node in held or (u.name, pin) in dividers
            colours[via] = f"pin {pin} {'held' if loose else ''}"
            edges.append((u.name, via, pin))
            if not loose:
                edges.append((via, node_of(node), pin))
    packed = {v: tuple(bs) for v, bs in members.items()}
    return _Loop(network, held, colours, tuple(edges), packed, dividers)


def _key(loop: _Loop) -> str:
    near: dict[str, list[tuple[str, str]]] = {v: [] for v in loop.colours}
    for a, b, pin in loop.edges:
        near[a].append((pin, b))
        near[b].append((pin, a))
    ranks = dict(loop.colours)
    for _ in range(5):
        labels = {
            v: ranks[v] + "|" + ",".join(sorted(p + ranks[w] for p, w in near[v])) for v in ranks
        }
        ranks = {v: _digest(text) for v, text in labels.items()}
    return _digest(",".join(sorted(ranks.values())))


def _digest(text: str) -> str:
    from hashlib import blake2b

    return blake2b(text.encode(), digest_size=12).hexdigest()


def _matched(one: _Loop, other: _Loop) -> Mapping[str, str] | None:
    from networkx import Graph
    from networkx.algorithms.isomorphism import GraphMatcher

    def build(loop: _Loop) -> Any:
        graph = Graph()  # numbers for names: the matcher walks over sets, and those of text shuffle
        number = {v: k for k, v in enumerate(loop.colours)}
        for v, colour in loop.colours.items():
            graph.add_node(number[v], colour=colour)
        for a, b, pin in loop.edges:
            graph.add_edge(number[a], number[b], pin=pin)
        return graph

    matcher = GraphMatcher(
        build(one),
        build(other),
        node_match=lambda x, y: x["colour"] == y["colour"],
        edge_match=lambda x, y: x["pin"] == y["pin"],
    )
    if not matcher.is_isomorphic():
        return None
    names, others = list(one.colours), list(other.colours)
    return {names[a]: others[b] for a, b in matcher.mapping.items()}


# -- from the stage's names to the network's -------------------------------------------------------


def _translated(
    stage: _Loop, loop: _Loop, placement: Placement, match: Mapping[str, str]
) -> tuple[int, Placement]:
    """Return how well a stage fits, and its places under the names of the loop."""
    places: dict[str, Place] = {}
    agreeing = 0
    pairs: list[tuple[Branch, Branch]] = []
    bundles = [(old, loop.members[match[v]]) for v, old in stage.members.items()]
    bundles += [
        (old, loop.dividers.get((match[name], pin), ()))
        for (name, pin), old in stage.dividers.items()
    ]
    for old, new in bundles:
        pairs += _paired(stage, loop, old, new)
    for a, b in pairs:
        place = placement.places[a.name]
        inner_a = _inner(stage, a)
        inner_b = _inner(loop, b)
        if len(inner_a) == 2:
            same = match[f"node {a.nodes[0]}"] == f"node {b.nodes[0]}"
        else:
            same = inner_a == inner_b
        places[b.name] = place if same else turned(place)
        agreeing += _where(stage, a) == _where(loop, b)
    for u in stage.network.op_amps:
        places[match[u.name]] = placement.places[u.name]
    out = stage.network.outputs[0]
    same_output = 0
    for port in loop.network.outputs:
        if match.get(f"node {out.node}") == f"node {port.node}":
            same_output = 1
            if out.name in placement.places:
                places[port.name] = placement.places[out.name]
    extra = len(loop.network.branches) - len(pairs)
    named = int(_part_names(stage.network) == _part_names(loop.network))
    named += stage.network.title in loop.network.title  # as in "complement of ..."
    fit = agreeing + 2 * same_output - 3 * extra + _NAMED * named
    return fit, Placement(_with_extras(loop, places, [b.name for _, b in pairs]))


def _idle(stage: _Loop, loop: _Loop, match: Mapping[str, str]) -> bool:
    """Say whether the stage has parts that the loop lacks: its picture would have gaps."""
    bundles = [(len(old), len(loop.members[match[v]])) for v, old in stage.members.items()]
    bundles += [
        (len(old), len(loop.dividers.get((match[name], pin), ())))
        for (name, pin), old in stage.dividers.items()
    ]
    return any(old > new for old, new in bundles)


def _with_extras(loop: _Loop, places: dict[str, Place], known: Sequence[str]) -> dict[str, Place]:
    """Put the parts that the stage does not have beside those they are parallel to."""
    for bundle in loop.members.values():
        first = next((b.name for b in bundle if b.name in known), None)
        for b in bundle:
            if b.name not in known and first is not None:
                places = with_twin(places, first, b, _inner(loop, b)[0], loop.network)
    for (name, pin), parts in loop.dividers.items():
        if not any(b.name in known for b in parts):
            places = with_divider(places, loop.network.op_amp(name), pin, parts, loop.network)
    return places


def _part_names(network: Network) -> set[str]:
    return {b.name for b in network.branches} | {u.name for u in network.op_amps}


def _inner(loop: _Loop, b: Branch) -> list[int]:
    return [k for k, n in enumerate(b.nodes) if n not in loop.held]


def _paired(
    stage: _Loop, loop: _Loop, old: Sequence[Branch], new: Sequence[Branch]
) -> Iterator[tuple[Branch, Branch]]:
    """Pair the parts of two bundles: those of one name first, then those held alike."""
    left, open_ = list(new), list(old)
    for alike in (
        lambda a, b: a.name == b.name,
        lambda a, b: _where(stage, a) == _where(loop, b),
        lambda a, b: True,
    ):
        for a in list(open_):
            b = next((x for x in left if alike(a, x)), None)
            if b is not None:
                open_.remove(a)
                left.remove(b)
                yield a, b


def _where(loop: _Loop, b: Branch) -> str:
    return ",".join(sorted(loop.held[n] for n in b.nodes if n in loop.held))
