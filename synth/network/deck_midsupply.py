"""Signal grounds between the supplies: what makes one, and a word where one may be meant.

In a single-supply circuit the signal's ground is a node at half the supply, made by a divider,
often with an op amp behind it (common practice).  The parts that make it see no signal.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from synth.errors import DeckError
from synth.network.deck_nodes import is_zero
from synth.network.deck_parts import ControlledSource, Parts
from synth.network.deck_ports import Ports
from synth.network.model import Branch, OpAmp

_Part = Branch | OpAmp | ControlledSource


class Apart(NamedTuple):
    """Names of the parts that are no part of the signal network."""

    branches: frozenset[str]
    op_amps: frozenset[str]


def parts_apart(parts: Parts, ports: Ports) -> Apart:
    """Return the parts among supplies and ground, and those that make the signal's ground.

    Parts are joined where they share a node that nothing holds.  A group of them with op amps,
    but neither the input nor the output, makes the ground when an op amp of it drives it, or
    when it ties it to a supply.

    Raises
    ------
    DeckError
        If an op amp drives the ground and is joined to the signal.
    """
    grounds = ports.grounds
    branches = {b.name for b in parts.branches if grounds.issuperset(b.nodes)}
    if is_zero(ports.reference):
        return Apart(frozenset(branches), frozenset())
    op_amps: set[str] = set()
    for group in _groups(parts, grounds):
        nodes = {n for p in group for n in _pins(p)}
        makers = [p for p in group if not isinstance(p, Branch)]
        driver = next((u for u in makers if u.out == ports.reference), None)
        signal = sorted(nodes & {*ports.inputs, *ports.output})
        if signal and driver is not None:
            raise DeckError(
                f"op amp {driver.name} drives {driver.out}, the signal's ground, and is joined to "
                f"the signal (node {signal[0]}); remove {driver.name} and hold {driver.out} by a "
                f"source, as in VREF {driver.out} 0 1.5"
            )
        ties = ports.reference in nodes and not nodes.isdisjoint(ports.supplies)
        if makers and not signal and (driver is not None or ties):
            branches |= {p.name for p in group if isinstance(p, Branch)}
            op_amps |= {u.name for u in makers}
    return Apart(frozenset(branches), frozenset(op_amps))


def ground_notes(parts: Parts, ports: Ports) -> tuple[str, ...]:
    """Return a note for every node between the supplies that may be meant as the signal's ground.

    Such a node is held by a divider from a supply or by a source, feeds no supply pin, and parts
    of the signal stand at it.  A divider that a capacitor couples to a driven node, or any part
    to the input, is taken as the bias of a signal.
    """
    notes = []
    for node in parts.nodes if ports.supplies else ():
        held = _holder(parts, ports, node)
        if held is not None:
            place = _buffered(parts, node) or node
            follows = "" if place == node else f", and {place} follows it"
            notes.append(
                f"node {node} is held by {held}{follows}; if {place} is the signal's ground, say "
                f"so with --ground {place}"
            )
    return tuple(notes)


def _pins(part: _Part) -> tuple[str, ...]:
    return part.nodes if isinstance(part, Branch) else (part.plus, part.minus, part.out)


def _groups(parts: Parts, grounds: frozenset[str]) -> Iterator[list[_Part]]:
    """Yield the parts that hang together, op amps between held nodes only each for itself."""
    at: dict[str, list[_Part]] = {}
    every: list[_Part] = [*parts.branches, *parts.amplifiers]
    free = {id(p): [n for n in _pins(p) if n not in grounds] for p in every}
    for p in every:
        for node in free[id(p)]:
            at.setdefault(node, []).append(p)
    seen: set[int] = set()
    for first in every:
        if id(first) in seen or (isinstance(first, Branch) and not free[id(first)]):
            continue
        seen.add(id(first))
        group = [first]
        for p in group:  # grows while it is walked
            for other in (q for node in free[id(p)] for q in at.get(node, ())):
                if id(other) not in seen:
                    seen.add(id(other))
                    group.append(other)
            for node in free[id(p)]:
                at.pop(node, None)
        yield group


def _holder(parts: Parts, ports: Ports, node: str) -> str | None:
    """Say what holds the node at a voltage of its own, if parts of the signal stand at it."""
    here = [b for b in parts.branches if node in b.nodes]
    far = {b.name: b.nodes[1] if b.nodes[0] == node else b.nodes[0] for b in here}
    signal = [b for b in here if far[b.name] not in ports.grounds]
    pins = [u for u in parts.amplifiers if node in (u.plus, u.minus)]
    if node in ports.supplies:
        feeds = {n for u in parts.amplifiers if isinstance(u, OpAmp) for n in u.supply_pins or ()}
        sources = [s for s in ports.sources if node in (s.plus, s.minus)]
        if node in feeds or not sources or not (pins or any(b.power == 1 for b in signal)):
            return None
        return f"source {sources[0].name}"
    if node in (*ports.grounds, *ports.inputs, *ports.output):
        return None
    ends = list(dict.fromkeys(far[b.name] for b in here if b.power == 0 and b not in signal))
    supply = next((n for n in ends if n in ports.supplies), None)
    driven = {u.out for u in parts.amplifiers}
    coupled = any(
        far[b.name] in ports.inputs or (b.power == 1 and far[b.name] in driven) for b in signal
    )
    if supply is None or len(ends) < 2 or coupled or node in driven or not (signal or pins):
        return None
    return f"a divider from {supply}"


def _buffered(parts: Parts, node: str) -> str | None:
    """Return the output of the follower that alone uses the node."""
    users = [u for u in parts.amplifiers if node in (u.plus, u.minus)]
    if len(users) == 1 and users[0].plus == node and users[0].minus == users[0].out:
        return users[0].out
    return None
