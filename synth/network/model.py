"""The network as frozen data: branches, op amps, ports, and what stands beside them in a deck.

Every two-terminal part is a branch of admittance ``y * s**power``: resistor 0, capacitor 1,
inductor -1, frequency-dependent negative resistance 2.  Nodes are plain strings.  A *terminal*
is a place where the network touches a source or the reference; the complement property is a
statement about terminals (see `synth.analysis.loop`).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import NamedTuple

from synth.errors import NetworkError
from synth.shown import shown

#: Letter of a part -> power of s in its admittance.
POWERS: Mapping[str, int] = {"R": 0, "C": 1, "L": -1, "D": 2}
#: Power of s -> the trade's name of the part.
KINDS: Mapping[int, str] = {
    0: "resistor",
    1: "capacitor",
    -1: "inductor",
    2: "frequency-dependent negative resistance",
}
#: Power of s -> unit of the part's value.
UNITS: Mapping[int, str] = {0: "ohm", 1: "F", -1: "H", 2: "F*s"}


@dataclass(frozen=True)
class Branch:
    """A two-terminal part.

    Parameters
    ----------
    name : str
        Unique in the network; its first letter follows the kind (R, C, L, D).
    power : int
        Power of s in the admittance: 0, 1, -1 or 2.
    nodes : tuple of two str
        The nodes of pin 1 and pin 2.
    value : float or None
        In ohm, farad, henry, or farad second; None in a network without values.
    """

    name: str
    power: int
    nodes: tuple[str, str]
    value: float | None = None

    @property
    def kind(self) -> str:
        """The trade's name of the kind of part."""
        return KINDS[self.power]


@dataclass(frozen=True)
class OpAmp:
    """An op amp: input pins, output pin, and what its call in a deck said besides.

    Parameters
    ----------
    name, plus, minus, out : str
        Name and nodes.
    supply_pins : tuple of two str or None
        Nodes of the positive and negative supply pins where the deck had them.  They carry no
        signal and are no terminals.
    model : str or None
        Name of the subcircuit the deck called.
    """

    name: str
    plus: str
    minus: str
    out: str
    supply_pins: tuple[str, str] | None = None
    model: str | None = None


class Port(NamedTuple):
    """A named place to drive or to read the network.

    ``against`` is the other node of a differential output, which is the voltage from `node` to
    it; empty for a voltage against the reference, and at every input.
    """

    name: str
    node: str
    against: str = ""

    @property
    def nodes(self) -> tuple[str, ...]:
        """The nodes it touches beside the reference: one, or two of a differential output."""
        return (self.node, self.against) if self.against else (self.node,)

    @property
    def weights(self) -> tuple[tuple[str, int], ...]:
        """(node, weight): the voltage read is their sum of weight times voltage."""
        return tuple(zip(self.nodes, (1, -1), strict=False))

    @property
    def marks(self) -> tuple[tuple[str, str, str], ...]:
        """(name, node, text) of its marks in a picture: one, or two of a differential output."""
        if not self.against:
            return ((self.name, self.node, self.node),)
        other = f"{self.name}-against"
        return (
            (self.name, self.node, f"+ {self.node}"),
            (other, self.against, f"\N{MINUS SIGN} {self.against}"),
        )

    @property
    def written(self) -> str:
        """The output as ``--output`` takes it: the node, or two joined by a comma."""
        return ",".join(self.nodes)

    def __str__(self) -> str:
        return f"between {self.node} and {self.against}" if self.against else self.node


class Terminal(NamedTuple):
    """One pin of one part that touches a source or the reference.

    ``at`` is the name of the input port, or ``"ground"``.  ``held`` is empty when a drive may
    move the pin; otherwise it says why it stays (a supply, or the user's wish).
    """

    part: str
    pin: str
    at: str
    held: str = ""

    @property
    def key(self) -> tuple[str, str]:
        """Part and pin: what identifies the terminal whatever it is connected to."""
        return (self.part, self.pin)

    def __str__(self) -> str:
        return f"{self.part}.{self.pin}"


@dataclass(frozen=True)
class Source:
    """A voltage source of a deck: ``text`` is all that follows its two nodes."""

    name: str
    plus: str
    minus: str
    text: str


@dataclass(frozen=True)
class Bench:
    """What a deck has beside the signal network: sources, decoupling, op-amp definitions.

    ``models`` holds (name, text) of the op-amp subcircuits the deck defines, word for word;
    ``op_amps`` those that make a supply or the reference and see no signal, such as the buffer
    of a mid-supply divider; ``cards`` the lines of the deck that ask a simulator for something,
    word for word, and comments on those left out.
    """

    sources: tuple[Source, ...] = ()
    decoupling: tuple[Branch, ...] = ()
    models: tuple[tuple[str, str], ...] = ()
    op_amps: tuple[OpAmp, ...] = ()
    cards: tuple[str, ...] = ()


@dataclass(frozen=True)
class Network:
    """A linear network of branches and op amps.

    Parameters
    ----------
    branches, op_amps : tuple
        The parts; names are unique over both.
    inputs, outputs : tuple of Port
        Where it is driven and read; the usual network has one of each.  A differential output
        reads one node against another; one of the two may be an input.
    reference : str
        The accessible ground of the signal.
    supplies : tuple of str
        Nodes held by DC sources: ground for the signal, but not the signal's ground.
    held : frozenset of str
        Names of parts whose ends at ground stay there whatever the transformation.
    title : str
        One line.
    bench : Bench
        What a deck had beside the network.

    Raises
    ------
    NetworkError
        If names clash, a part is shorted on itself, a value is not positive and finite, an
        op-amp output is tied to another output, a source or the reference, or an output is read
        where the network drives nothing.
    """

    branches: tuple[Branch, ...]
    op_amps: tuple[OpAmp, ...] = ()
    inputs: tuple[Port, ...] = (Port("input", "in"),)
    outputs: tuple[Port, ...] = (Port("output", "out"),)
    reference: str = "0"
    supplies: tuple[str, ...] = ()
    held: frozenset[str] = frozenset()
    title: str = ""
    bench: Bench = field(default_factory=Bench)

    def __post_init__(self) -> None:
        _check(self)

    def _repr_svg_(self) -> str | None:
        return shown(self, "svg")

    def _repr_latex_(self) -> str | None:
        return shown(self, "latex")

    def _repr_html_(self) -> str | None:
        return shown(self, "html")

    # -- reading -----------------------------------------------------------------------------

    @property
    def input(self) -> str:
        """Node of the only input; NetworkError when there are several."""
        return _only(self.inputs, "input").node

    @property
    def output(self) -> str:
        """Node of the only output; NetworkError when there are several, or it is differential."""
        port = self.reading
        if port.against:
            raise NetworkError(
                f"this needs an output read against the signal's ground; this circuit's is read "
                f"{port}"
            )
        return port.node

    @property
    def reading(self) -> Port:
        """The only output, differential or not; NetworkError when there are several."""
        return _only(self.outputs, "output")

    @property
    def read_nodes(self) -> frozenset[str]:
        """The nodes of all outputs, both of a differential one."""
        return frozenset(node for port in self.outputs for node in port.nodes)

    @property
    def nodes(self) -> tuple[str, ...]:
        """Every node that a part or a port touches, in order of appearance."""
        seen: dict[str, None] = {}
        for b in self.branches:
            seen.update(dict.fromkeys(b.nodes))
        for u in self.op_amps:
            seen.update(dict.fromkeys((u.plus, u.minus, u.out)))
        for p in (*self.inputs, *self.outputs):
            seen.update(dict.fromkeys(p.nodes))
        return tuple(seen)

    @property
    def terminal_sum(self) -> int:
        """What the transfers of all terminals sum to with ideal op amps.

        1, because the output rises by 1 V with them; 0 for a differential output, whose nodes both
        rise.
        """
        return 0 if self.reading.against else 1

    @property
    def complement_sum(self) -> int:
        """What H and the response with input and ground interchanged sum to, ideal op amps.

        No terminal at ground being held: 1; for a differential output 0, or, as an output that
        reads the input goes on reading it, 1 or -1: the transfer of the input to itself.
        """
        driven = {p.node for p in self.inputs}
        own = sum(weight for node, weight in self.reading.weights if node in driven)
        return self.terminal_sum + own

    @property
    def values(self) -> dict[str, float]:
        """Values of the branches that have one, by name."""
        return {b.name: b.value for b in self.branches if b.value is not None}

    @property
    def fixed_nodes(self) -> dict[str, str]:
        """Node -> what holds it: the name of an input port, or ``"ground"``."""
        held = {p.node: p.name for p in self.inputs}
        held.update(dict.fromkeys((*self.supplies, self.reference), "ground"))
        return held

    @property
    def terminals(self) -> tuple[Terminal, ...]:
        """Every pin at an input, the reference or a supply, in order of the parts.

        A differential output that reads an input touches the source there: a terminal that no
        drive moves.
        """
        fixed = self.fixed_nodes
        found = []
        for name, pin, node in self.pins():
            if node not in fixed:
                continue
            why = ""
            if node in self.supplies:
                why = f"supply {node}"
            elif name in self.held and fixed[node] == "ground":
                why = "kept grounded"
            found.append(Terminal(name, pin, fixed[node], why))
        for port in self.outputs:
            for node, pin in zip(port.nodes, "+-", strict=False):
                if node in fixed:
                    found.append(Terminal(port.name, pin, fixed[node], "the output is read there"))
        return tuple(found)

    def pins(self) -> Iterable[tuple[str, str, str]]:
        """(part, pin, node) of every signal pin but the op amps' outputs."""
        for b in self.branches:
            yield b.name, "1", b.nodes[0]
            yield b.name, "2", b.nodes[1]
        for u in self.op_amps:
            yield u.name, "plus", u.plus
            yield u.name, "minus", u.minus

    def branch(self, name: str) -> Branch:
        """Return the branch of that name; NetworkError names the ones there are."""
        for b in self.branches:
            if b.name == name:
                return b
        raise NetworkError(f"no part is called {name}; the parts are {_listing(self)}")

    def op_amp(self, name: str) -> OpAmp:
        """Return the op amp of that name; NetworkError names the ones there are."""
        for u in self.op_amps:
            if u.name == name:
                return u
        raise NetworkError(f"no op amp is called {name}; the parts are {_listing(self)}")

    # -- writing: every change returns a new network -------------------------------------------

    def with_values(self, values: Mapping[str, float]) -> Network:
        """Return the same network with these values (ohm, farad, henry)."""
        names = {b.name for b in self.branches}
        for name in (n for n in values if n not in names):
            self.branch(name)
        return replace(
            self,
            branches=tuple(
                Branch(b.name, b.power, b.nodes, values.get(b.name, b.value)) for b in self.branches
            ),
        )

    def with_pins(self, moves: Mapping[tuple[str, str], str]) -> Network:
        """Return the same parts with some pins, named (part, pin), on other nodes."""
        branches = tuple(
            Branch(
                b.name,
                b.power,
                (moves.get((b.name, "1"), b.nodes[0]), moves.get((b.name, "2"), b.nodes[1])),
                b.value,
            )
            for b in self.branches
        )
        op_amps = tuple(
            replace(
                u,
                plus=moves.get((u.name, "plus"), u.plus),
                minus=moves.get((u.name, "minus"), u.minus),
            )
            for u in self.op_amps
        )
        return replace(self, branches=branches, op_amps=op_amps)

    def renamed(
        self, parts: Mapping[str, str] | None = None, nodes: Mapping[str, str] | None = None
    ) -> Network:
        """Return the same network under other names of parts and nodes (others are kept)."""
        p, n = parts or {}, nodes or {}
        if not p and not n:
            return self

        def at(node: str) -> str:
            return n.get(node, node)

        def placed(u: OpAmp) -> OpAmp:
            pins = u.supply_pins and (at(u.supply_pins[0]), at(u.supply_pins[1]))
            return replace(u, plus=at(u.plus), minus=at(u.minus), out=at(u.out), supply_pins=pins)

        return replace(
            self,
            branches=tuple(
                Branch(p.get(b.name, b.name), b.power, (at(b.nodes[0]), at(b.nodes[1])), b.value)
                for b in self.branches
            ),
            op_amps=tuple(replace(placed(u), name=p.get(u.name, u.name)) for u in self.op_amps),
            inputs=tuple(Port(q.name, at(q.node)) for q in self.inputs),
            outputs=tuple(
                Port(q.name, at(q.node), q.against and at(q.against)) for q in self.outputs
            ),
            reference=at(self.reference),
            supplies=tuple(at(x) for x in self.supplies),
            held=frozenset(p.get(x, x) for x in self.held),
            bench=replace(
                self.bench,
                sources=tuple(
                    replace(v, plus=at(v.plus), minus=at(v.minus)) for v in self.bench.sources
                ),
                decoupling=tuple(
                    replace(b, nodes=(at(b.nodes[0]), at(b.nodes[1])))
                    for b in self.bench.decoupling
                ),
                op_amps=tuple(map(placed, self.bench.op_amps)),
            ),
        )


def _listing(network: Network) -> str:
    return ", ".join([b.name for b in network.branches] + [u.name for u in network.op_amps])


def _only(ports: tuple[Port, ...], what: str) -> Port:
    if len(ports) != 1:
        names = ", ".join(p.name for p in ports) or "none"
        raise NetworkError(f"this needs a network with one {what}; it has {len(ports)}: {names}")
    return ports[0]


def _check(network: Network) -> None:
    names = [b.name for b in network.branches] + [u.name for u in network.op_amps]
    if len(set(names)) < len(names):
        twice = min(n for n in names if names.count(n) > 1)
        raise NetworkError(f"part {twice} is defined twice; give each part its own name")
    for b in network.branches:
        if b.power not in KINDS:
            raise NetworkError(f"part {b.name} has power {b.power}; it must be one of -1, 0, 1, 2")
        if b.nodes[0] == b.nodes[1]:
            raise NetworkError(
                f"part {b.name} has both ends on node {b.nodes[0]}; remove it or move one end"
            )
        if b.value is not None and not 0 < b.value < float("inf"):
            raise NetworkError(f"part {b.name} has value {b.value}; it must be positive")
    fixed = network.fixed_nodes
    if len({p.node for p in network.inputs}) != len(network.inputs):
        raise NetworkError("two inputs share a node; give each input a node of its own")
    for p in network.inputs:
        if fixed[p.node] == "ground":
            raise NetworkError(f"input node {p.node} is the ground or a supply; name another")
    outputs: dict[str, str] = {}
    for u in network.op_amps:
        if u.out in fixed:
            raise NetworkError(
                f"output of op amp {u.name} is tied to node {u.out}, which is held by "
                f"{_holder(fixed[u.out])}; free it"
            )
        if u.out in outputs:
            raise NetworkError(
                f"op amps {outputs[u.out]} and {u.name} share output node {u.out}; "
                "separate the outputs"
            )
        outputs[u.out] = u.name
        if u.plus == u.minus:
            raise NetworkError(
                f"both inputs of op amp {u.name} are on node {u.plus}; it has no signal to amplify"
            )
    for p in network.inputs:
        if p.against:
            raise NetworkError(
                f"input {p.name} drives {p.node} against {p.against}; an input drives its node "
                "against the signal's ground"
            )
    for p in network.outputs:
        _check_output(p, fixed)


def _check_output(p: Port, fixed: Mapping[str, str]) -> None:
    if p.node == p.against:
        raise NetworkError(
            f"the output is read between node {p.node} and itself, which is 0 V; name two nodes"
        )
    for node, other in zip(p.nodes, reversed(p.nodes), strict=True):
        if p.against and fixed.get(node) == "ground":
            raise NetworkError(
                f"the output is read {p}, and {node} is the ground or a supply; name {other} alone"
            )
    if all(node in fixed for node in p.nodes):
        held = " and ".join(f"{node} by {_holder(fixed[node])}" for node in p.nodes)
        if p.against:
            raise NetworkError(
                f"the output is read {p}, both held ({held}); name one that the network drives"
            )
        raise NetworkError(
            f"output node {p.node} is held by {_holder(fixed[p.node])}; name an output the "
            "network drives"
        )


def _holder(what: str) -> str:
    return "the ground or a supply" if what == "ground" else f"input {what}"
