"""The order of the op amps from left to right, and which passive nets belong to which."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from synth.drawing.scene import Scene
from synth.network.model import OpAmp

#: Stands for an output that no op amp drives.
SINK = ""
#: Price of an edge that runs back to the left, and of each step of its way.
_BACKWARD, _FARTHER = 2.0, 0.7
#: How many op amps are moved together, at most: a resonator of a leapfrog has three.
_TOGETHER = 4


@dataclass(frozen=True)
class Flow:
    """Where the signal goes.

    Parameters
    ----------
    order : tuple of str
        Op amps from left to right, `SINK` last where an output is no op amp's.
    owner, depth : mapping
        Passive net -> the op amp whose input it leads to, and through how many parts.
    """

    order: tuple[str, ...]
    owner: Mapping[str, str]
    depth: Mapping[str, int]


def flow_of(scene: Scene) -> Flow:
    """Order the op amps of a scene, and share out its passive nets."""
    network = scene.network
    outs = {u.out: u.name for u in network.op_amps}
    walls = {*outs, *scene.held}
    ends = {u.name: [n for n in (u.plus, u.minus) if n not in walls] for u in network.op_amps}
    loose = [n for p in network.outputs for n in p.nodes if n not in walls]
    near: dict[str, list[str]] = {}
    for b in network.branches:
        for a, c in (b.nodes, b.nodes[::-1]):
            near.setdefault(a, []).append(c)
    edges = _edges(scene, outs, near, walls)
    order = _order([u.name for u in network.op_amps], edges)
    if loose or not order:
        order = (*order, SINK)
        ends[SINK] = loose
    owner: dict[str, str] = {}
    depth: dict[str, int] = {}
    work = [(n, name) for name in order for n in ends[name]]
    level = 0
    while work:
        following = []
        for node, name in work:
            if node not in owner:
                owner[node], depth[node] = name, level
                following += [(n, name) for n in near.get(node, ()) if n not in walls]
        work, level = following, level + 1
    for b in network.branches:  # islands that lead to no input
        for node in b.nodes:
            if node not in walls and node not in owner:
                owner[node], depth[node] = order[-1], 1
    return Flow(order, owner, depth)


def _edges(
    scene: Scene, outs: Mapping[str, str], near: Mapping[str, Sequence[str]], walls: set[str]
) -> dict[tuple[str, str], float]:
    """Weights of op amp -> op amp, of source -> op amp (from SINK) and op amp -> output."""
    sources = {p.node for p in scene.network.inputs}
    edges: dict[tuple[str, str], float] = {}

    def add(a: str, b: str, weight: float) -> None:
        if a != b:
            edges[a, b] = edges.get((a, b), 0.0) + weight

    for u in scene.network.op_amps:
        seen: dict[str, int] = {u.plus: 0, u.minus: 0}
        work = [n for n in seen if n not in walls]
        for node in (u.plus, u.minus):
            if node in outs:
                add(outs[node], u.name, 1.5)
        while work:
            node = work.pop(0)
            for other in near.get(node, ()):
                weight = 1.0 / (1 + seen[node])
                if other in outs:
                    add(outs[other], u.name, weight)
                elif other in sources:
                    add(SINK, u.name, weight)
                elif other not in walls and other not in seen:
                    seen[other] = seen[node] + 1
                    work.append(other)
    for u in scene.network.op_amps:
        if (SINK, u.name) in edges:  # what the source has a part in, beside other op amps
            edges[SINK, u.name] *= 2.0 / sum(w for (_, b), w in edges.items() if b == u.name)
    for node in scene.network.read_nodes:
        if node in outs:
            edges[outs[node], "\0end"] = 0.4
    return edges


def _order(names: Sequence[str], edges: Mapping[tuple[str, str], float]) -> tuple[str, ...]:
    """Insert each op amp, and then groups of them, where the weighted edges are shortest."""
    order: list[str] = []

    def price(trial: Sequence[str]) -> float:
        place = {n: k for k, n in enumerate(trial)}
        place[SINK], place["\0end"] = -1, len(trial)
        total = 0.0
        for (a, b), weight in edges.items():
            if a in place and b in place:
                far = place[b] - place[a]
                total += weight * (far - 1 if far > 0 else _BACKWARD - _FARTHER * far)
        return total

    def inserted(some: Sequence[str], rest: Sequence[str]) -> list[str]:
        return min(([*rest[:k], *some, *rest[k:]] for k in range(len(rest), -1, -1)), key=price)

    for name in names:
        order = inserted([name], order)
    for long in (1, 1, *range(2, _TOGETHER + 1), 1):
        for k in range(len(order) - long + 1):
            trial = inserted(order[k : k + long], [*order[:k], *order[k + long :]])
            if price(trial) < price(order) - 1e-9:
                order = trial
    return tuple(order)


def upper_input(scene: Scene, u: OpAmp) -> str:
    """Return which input is on top: minus, unless it only sees its own output and ground."""
    if u.plus in scene.held:
        return "minus"
    if u.minus in scene.held:
        return "plus"
    others = {
        n for b in scene.network.branches if u.minus in b.nodes for n in b.nodes if n != u.minus
    }
    grounds = {n for n, (kind, _) in scene.held.items() if kind != "source"}
    return "plus" if others <= {u.out} | grounds else "minus"
