"""Which stages derive from which: the search behind the family tree of the catalogue.

Two stages are lifts of one loop when they are the same circuit with every terminal grounded and
the shares of split parts put together again.  So each stage is changed by every chain of at most
`STEPS` transformations, and the result is looked up among the stages, by itself and by its loop;
a loop found gives the drive, and with it the lift.  A yes is a chain of steps that was carried
out and compared, part by part (`synth.network.equivalence`).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace

from synth.errors import SynthError
from synth.network.equivalence import equivalent, shape_key
from synth.network.model import Branch, Network, OpAmp
from synth.stage_file import Stage
from synth.transform.drive import Swap
from synth.transform.follow import Follow
from synth.transform.impedance import ImpedanceSwap
from synth.transform.lift import LiftTerminals
from synth.transform.loop_complement import LoopComplement
from synth.transform.output import ReadAt
from synth.transform.prune import Prune
from synth.transform.step import Transformation

#: Most steps of a chain that is looked for.
STEPS = 2
#: The fraction of a split terminal, where there are no values to say which.
_SHARE = 0.5


@dataclass(frozen=True)
class Relation:
    """One stage from another.

    Parameters
    ----------
    base, stage : str
        Names: where it starts, and what it gives.
    steps : tuple of str
        As a stage file writes them.
    renamed : mapping
        Part name that the steps give -> part name of the stage.
    """

    base: str
    stage: str
    steps: tuple[str, ...]
    renamed: Mapping[str, str]


@dataclass(frozen=True)
class _Loop:
    """A circuit with every terminal grounded, and how each terminal was driven.

    ``drives`` maps a part, or op amp and pin, to the fraction of the input; `_SHARE` for a split.
    """

    network: Network
    drives: Mapping[str, float]


def relations(stages: Iterable[Stage], steps: int = STEPS) -> list[Relation]:
    """Return every way found to make one stage from another.

    Parameters
    ----------
    stages : iterable of Stage
    steps : int
        At most so many transformations; a cascade is looked for alone.
    """
    bare = {s.name: replace(s.network, title="") for s in stages}
    whole: dict[str, list[str]] = {}
    loops: dict[str, list[tuple[str, _Loop]]] = {}
    for name, network in bare.items():
        whole.setdefault(shape_key(network), []).append(name)
        for merged in (False, True):
            loop = _loop(network, merged)
            if loop is not None:
                loops.setdefault(shape_key(loop.network), []).append((name, loop))
    pairs = any(network.reading.against for network in bare.values())
    found = []
    for base, network in bare.items():
        for chain, changed in _changed(network, steps, pairs):
            for name in whole.get(shape_key(changed), ()):
                found += _same(base, name, chain, changed, bare[name])
            if len(chain) < steps and "swap" not in chain:
                found += _lifts(base, chain, changed, loops, bare)
        for behind in bare:
            cascade = Follow(bare[behind], behind)
            if bare[behind].op_amps and not cascade.accepts(network):
                changed, _ = cascade.apply(network)
                for name in whole.get(shape_key(changed), ()):
                    found += _same(base, name, (f"cascade={behind}",), changed, bare[name])
    return [r for r in found if r.base != r.stage]


def _same(
    base: str, name: str, chain: tuple[str, ...], network: Network, wanted: Network
) -> list[Relation]:
    names = equivalent(network, wanted)
    if names is None:
        return []
    return [Relation(base, name, chain, {k: v for k, v in names.items() if k != v})]


# -- chains ----------------------------------------------------------------------------------------


def _changed(
    network: Network, steps: int, pairs: bool
) -> Iterator[tuple[tuple[str, ...], Network]]:
    """Yield the network under every chain of at most `steps`, the empty one first.

    `pairs` says whether differential outputs are wanted.
    """
    reached: list[tuple[tuple[str, ...], Network]] = [((), network)]
    yield (), network
    for _ in range(steps):
        further: list[tuple[tuple[str, ...], Network]] = []
        for chain, before in reached:
            for text, transformation in _single(before, pairs):
                if chain and text == chain[-1]:
                    continue
                try:
                    after, _ = transformation.apply(before)
                    after, _ = Prune().apply(after)
                except SynthError:
                    continue
                further.append(((*chain, text), after))
        yield from further
        reached = further


def _single(network: Network, pairs: bool) -> Iterator[tuple[str, Transformation]]:
    yield "swap", Swap()
    yield "rc-cr", ImpedanceSwap()
    outs = [u.out for u in network.op_amps]
    if network.reading.node in outs or network.reading.against:
        yield from ((f"output={o}", ReadAt(o)) for o in outs if (o,) != network.reading.nodes)
    if pairs and len(outs) == 1:  # the catalogue has differential outputs of one op amp only
        for pair in (f"{outs[0]},{network.input}", f"{network.input},{outs[0]}"):
            yield f"output={pair}", ReadAt(pair)
    if len(network.op_amps) == 1:
        for b in network.branches:
            if outs[0] in b.nodes:
                yield f"loop-complement={b.name}", LoopComplement((b.name,))


# -- loops and lifts -------------------------------------------------------------------------------


def _lifts(
    base: str,
    chain: tuple[str, ...],
    network: Network,
    loops: Mapping[str, list[tuple[str, _Loop]]],
    bare: Mapping[str, Network],
) -> list[Relation]:
    grounded = _loop(network, merged=False)
    if grounded is None:
        return []
    found = []
    for name, loop in loops.get(shape_key(grounded.network), ()):
        names = equivalent(grounded.network, loop.network)
        fractions = None if names is None else _drive(network, names, loop)
        if not fractions:
            continue
        lift = LiftTerminals(tuple(fractions.items()))
        if lift.accepts(network):
            continue
        lifted, _ = Prune().apply(lift.apply(network)[0])
        found += _same(base, name, (*chain, _lift_text(fractions)), lifted, bare[name])
    return found


def _drive(
    network: Network, names: Mapping[str, str], loop: _Loop
) -> dict[tuple[str, str], float] | None:
    """Return the terminals that are driven otherwise in the loop; None where one has no place."""
    op_amps = {u.name for u in network.op_amps}
    fractions = {}
    read = network.reading.name
    for t in network.terminals:
        if t.part == read:  # the output goes on reading the input
            continue
        here = names.get(t.part)
        key = f"{here}.{t.pin}" if t.part in op_amps else here
        if key is None or key not in loop.drives:
            return None
        if loop.drives[key] != float(t.at != "ground"):
            fractions[t.key] = loop.drives[key]
    return fractions


def _lift_text(fractions: Mapping[tuple[str, str], float]) -> str:
    ends = {1.0: "", 0.0: ":0", _SHARE: ":part"}
    return "lift=" + ",".join(f"{part}.{pin}{ends[a]}" for (part, pin), a in fractions.items())


def _loop(network: Network, merged: bool) -> _Loop | None:
    """Ground every terminal; `merged` puts the shares of split parts together."""
    drives: dict[str, float] = {}
    dividers = _pin_dividers(network) if merged else {}
    idle = {name for pair in dividers.values() for name in pair}
    seen: dict[tuple[int, frozenset[str]], str] = {}
    branches: list[Branch] = []
    for b in network.branches:
        nodes = (_grounded(network, b.nodes[0]), _grounded(network, b.nodes[1]))
        if b.name in idle or nodes[0] == nodes[1]:
            continue
        if network.reference in nodes:
            driven = float(network.input in b.nodes)
            key = (b.power, frozenset(nodes))
            first = seen.setdefault(key, b.name) if merged else b.name
            if first != b.name:
                drives[first] = drives[first] if drives[first] == driven else _SHARE
                continue
            drives[b.name] = driven
        branches.append(replace(b, nodes=nodes))
    op_amps = tuple(_grounded_op_amp(network, u, dividers, drives) for u in network.op_amps)
    try:
        return _Loop(replace(network, branches=tuple(branches), op_amps=op_amps), drives)
    except SynthError:
        return None  # an op amp with both inputs held


def _grounded(network: Network, node: str) -> str:
    return network.reference if node == network.input else node


def _grounded_op_amp(
    network: Network,
    u: OpAmp,
    dividers: Mapping[tuple[str, str], tuple[str, str]],
    drives: dict[str, float],
) -> OpAmp:
    pins = {}
    for pin, node in (("plus", u.plus), ("minus", u.minus)):
        split = (u.name, pin) in dividers
        if split or node in (network.input, network.reference):
            drives[f"{u.name}.{pin}"] = _SHARE if split else float(node == network.input)
        pins[pin] = network.reference if split else _grounded(network, node)
    return replace(u, plus=pins["plus"], minus=pins["minus"])


def _pin_dividers(network: Network) -> dict[tuple[str, str], tuple[str, str]]:
    """Return op-amp pin -> the two resistors of the divider that alone feeds it."""
    op_amps = {u.name for u in network.op_amps}
    taken = {network.input, network.reference, *network.read_nodes}
    taken |= {u.out for u in network.op_amps}
    touching: dict[str, list[tuple[str, str]]] = {}
    for name, pin, node in network.pins():
        touching.setdefault(node, []).append((name, pin))
    found = {}
    for node, pins in touching.items():
        alone = [p for p in pins if p[0] in op_amps]
        parts = [network.branch(name) for name, _ in pins if name not in op_amps]
        if node in taken or len(alone) != 1 or len(parts) != 2:
            continue
        ends = {n for b in parts for n in b.nodes} - {node}
        if ends == {network.input, network.reference} and all(b.power == 0 for b in parts):
            found[alone[0]] = (parts[0].name, parts[1].name)
    return found
