"""Where a deck is driven, read and held: input, output, reference, supplies."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from synth.errors import DeckError
from synth.network.deck_cards import asked_output
from synth.network.deck_nodes import OUT, listed
from synth.network.deck_parts import Parts
from synth.network.model import OpAmp, Source

_AC = re.compile(r"(?<!\S)ac(?:(?:\s*=\s*|\s+)([+-]?[\d.][^\s,()]*))?(?=\s|$)", re.IGNORECASE)
_AC_PHASE = re.compile(r"(?<!\S)ac(?:(?:\s*=\s*|\s+)[+-]?[\d.]\S*){0,2}(?=\s|$)", re.IGNORECASE)


@dataclass(frozen=True)
class Ports:
    """The nodes of a deck that are driven, read or held.

    ``inputs`` are one or more; ``output`` is one node, or two of a differential output;
    ``sources`` are all V sources, the inputs' among them; ``supplies`` the nodes other than the
    reference that are ground for the signal.
    """

    inputs: tuple[str, ...]
    output: tuple[str, ...]
    reference: str
    supplies: tuple[str, ...]
    sources: tuple[Source, ...]
    notes: tuple[str, ...]

    @property
    def grounds(self) -> frozenset[str]:
        """Every node that is ground for the signal."""
        return frozenset((self.reference, *self.supplies))


def has_ac(source: Source) -> bool:
    """Say whether a source has an AC value other than zero."""
    found = _AC.search(source.text)
    if not found:
        return False
    return not (found[1] and re.fullmatch(r"[+-]?0*\.?0*(?:e\S*)?", found[1], re.IGNORECASE))


def find_ports(
    parts: Parts,
    *,
    input_: str | None,
    output: str | None,
    ground: str | None,
    cards: Sequence[str] = (),
) -> Ports:
    """Find input, output, reference and supplies of a deck.

    Parameters
    ----------
    parts : Parts
        From `synth.network.deck_parts.read_parts`.
    input_ : str or None
        Node or V source of the input, or several joined by commas; None looks for it.
    output : str or None
        Node of the output, or two joined by a comma, the first read against the second; None
        looks for the only voltage that the only ``.print ac`` line asks for, else for ``out``.
    ground : str or None
        The signal reference; None is node 0.
    cards : sequence of str
        The lines of the deck that ask the simulator for something.

    Returns
    -------
    Ports

    Raises
    ------
    DeckError
        If one of them is missing or ambiguous; the message lists the candidates.
    """
    reference = _existing(parts, ground or "0", "--ground")
    fixed = {reference, "0"} if "0" in parts.nodes else {reference}
    driven = _inputs(parts, input_, fixed)
    nodes = tuple(node for _, node in driven)
    others = [s for s in parts.sources if not any(s is source for source, _ in driven)]
    grounds = _held_by(others, fixed)
    for s in others:
        if s.plus not in grounds:
            raise DeckError(
                f"source {s.name} stands between the signal nodes {s.plus} and {s.minus}; "
                "replace it by a wire, name it with --input, or the signal's ground with --ground"
            )
    for source, node in driven:
        if source is not None:
            _check_orientation(source, node, grounds, ground)
    asked = None if output is not None else _asked(parts, cards, nodes, grounds)
    read = asked or _output(parts, output)
    grounds, notes = _undriven_supplies(parts, grounds, {*nodes, *read})
    if asked and [n for n in parts.nodes if n.lower() in OUT] != list(asked):
        notes.append(
            f"the output is v({','.join(asked)}), as the deck's only .print ac line asks; "
            "--output names another"
        )
    second = [s for s in others if has_ac(s)]
    notes += [f"source {s.name} also has an AC value; it is set aside" for s in second]
    sources = [
        replace(s, text=_AC_PHASE.sub("", s.text).strip() or "DC 0") if s in second else s
        for s in parts.sources
    ]
    for node in nodes:
        if parts.nodes.get(node, 0) == 0:
            raise DeckError(f"no part is connected to input node {node}; name another with --input")
    supplies = tuple(n for n in grounds if n != reference)
    return Ports(nodes, read, reference, supplies, tuple(sources), tuple(notes))


def _existing(parts: Parts, name: str, option: str) -> str:
    node = parts.find(name) or parts.find("/" + name)
    if node is not None:
        return node
    if option == "--ground" and name == "0":
        raise DeckError(
            "no node is called 0 or gnd; connect the ground or name the reference with --ground "
            f"(nodes: {_list(parts.nodes)})"
        )
    raise DeckError(f"no node is called {name} ({option}); the nodes are {_list(parts.nodes)}")


def _list(names: Iterable[str]) -> str:
    names = list(names)
    shown = ", ".join(names[:20]) or "none"
    return f"{shown} and {len(names) - 20} more" if len(names) > 20 else shown


def _describe(sources: Iterable[Source]) -> str:
    return _list(f"{s.name} (node {s.minus if s.plus == '0' else s.plus})" for s in sources)


def _inputs(
    parts: Parts, wanted: str | None, fixed: set[str]
) -> tuple[tuple[Source | None, str], ...]:
    """Return the V source (None when there is none) and the node of every input."""
    if wanted is None:
        return (_found_input(parts, fixed),)
    names = listed(wanted, parts.find)
    driven = tuple(_named_input(parts, name, fixed) for name in names)
    nodes = [node for _, node in driven]
    for name, node in zip(names, nodes, strict=True):
        if nodes.count(node) > 1:
            raise DeckError(f"input {name} (node {node}) is named twice with --input; name it once")
        if len(nodes) > 1 and node == "ground":
            raise DeckError("an input of several cannot be called ground; rename that node")
    return driven


def _found_input(parts: Parts, fixed: set[str]) -> tuple[Source, str]:
    """Return the V source that is the input, and its node."""
    driven = [s for s in parts.sources if has_ac(s)]
    if not driven:
        driven = _signal_sources(parts, fixed)
    if len(driven) == 1:
        return driven[0], _far_end(driven[0], fixed)
    if driven:
        raise DeckError(
            f"the input is ambiguous: it may be {_describe(driven)}; name one with --input, "
            "or several, joined by commas"
        )
    found = f"the V sources are {_describe(parts.sources)}" if parts.sources else "no V source"
    raise DeckError(
        f"the deck has no input ({found}); add VIN in 0 AC 1 or name the input node with --input "
        f"(nodes: {_list(parts.nodes)})"
    )


def _named_input(parts: Parts, wanted: str, fixed: set[str]) -> tuple[Source | None, str]:
    node = parts.find(wanted) or parts.find("/" + wanted)
    if node is None:
        named = [s for s in parts.sources if s.name.lower() == wanted.lower()]
        if not named:
            raise DeckError(
                f"no node or V source is called {wanted} (--input); nodes: {_list(parts.nodes)}; "
                f"V sources: {_list(s.name for s in parts.sources)}"
            )
        return named[0], _far_end(named[0], fixed)
    if node in fixed:
        raise DeckError(
            f"--input {wanted} is the ground; name the node the signal enters at, or another "
            "ground with --ground"
        )
    drivers = [s for s in parts.sources if node in (s.plus, s.minus)]
    if len(drivers) > 1:
        raise DeckError(f"node {node} is driven by {_describe(drivers)}; name one with --input")
    return (drivers[0] if drivers else None), node


def _far_end(source: Source, fixed: set[str]) -> str:
    return source.minus if source.plus in fixed and source.minus not in fixed else source.plus


def _signal_sources(parts: Parts, fixed: set[str]) -> list[Source]:
    """Return the V sources that feed no supply pin, directly or in series, but some part."""
    pins = {n for u in parts.amplifiers if isinstance(u, OpAmp) for n in u.supply_pins or ()}
    supply = pins - fixed
    grown = True
    while grown:
        grown = False
        for s in parts.sources:
            ends = {s.plus, s.minus} - fixed
            if ends & supply and not ends <= supply:
                supply |= ends
                grown = True
    counts = parts.nodes
    return [
        s
        for s in parts.sources
        if not {s.plus, s.minus} & supply and any(counts[n] for n in {s.plus, s.minus} - fixed)
    ]


def _held_by(sources: list[Source], fixed: set[str]) -> dict[str, None]:
    """Return the nodes that reach the fixed ones through sources only, in order."""
    grounds = dict.fromkeys(sorted(fixed))
    grown = True
    while grown:
        grown = False
        for s in sources:
            if (s.plus in grounds) != (s.minus in grounds):
                grounds.update(dict.fromkeys((s.plus, s.minus)))
                grown = True
    return grounds


def _check_orientation(
    source: Source, node: str, grounds: Iterable[str], ground: str | None
) -> None:
    named = f", or name another ground than {ground} with --ground" if ground else ""
    if source.plus == source.minus or {source.plus, source.minus} <= set(grounds):
        raise DeckError(
            f"source {source.name} has both ends at the ground or a supply; "
            f"name another input with --input{named}"
        )
    if source.plus == node and source.minus in grounds:
        return
    if source.minus == node and source.plus in grounds:
        raise DeckError(
            f"source {source.name} has its + end at {source.plus}, so it drives node {node} with "
            f"the sign reversed; exchange its two nodes{named}"
        )
    far = source.minus if source.plus == node else source.plus
    raise DeckError(
        f"source {source.name} stands between nodes {source.plus} and {source.minus}, neither of "
        f"them the ground or a supply; if {far} is the signal's ground, say so with --ground "
        f"{far}, else return one end to the ground"
    )


def _asked(
    parts: Parts, cards: Sequence[str], inputs: tuple[str, ...], grounds: Iterable[str]
) -> tuple[str, ...] | None:
    """Return the output that the deck asks to be printed, if there is exactly one such."""
    held = {*map(str.lower, grounds), "gnd"}
    found = asked_output(cards, set(map(str.lower, inputs)), held)
    nodes = tuple(parts.find(n) for n in found or ())
    signal = {*parts.signal_pins(), *inputs}
    known = tuple(n for n in nodes if n is not None and n in signal)
    return known if known and len(known) == len(nodes) else None


def _output(parts: Parts, wanted: str | None) -> tuple[str, ...]:
    if wanted is not None:
        nodes = tuple(_existing(parts, n, "--output") for n in listed(wanted, parts.find))
        if len(nodes) > 2:
            raise DeckError(
                f"--output {wanted} names {len(nodes)} nodes; name one, or two joined by a comma, "
                "the first read against the second"
            )
        return nodes
    found = [n for n in parts.nodes if n.lower() in OUT]
    if len(found) == 1:
        return (found[0],)
    if found:
        raise DeckError(
            f"the output is ambiguous: nodes {' and '.join(found)}; name one with --output"
        )
    raise DeckError(
        f"the deck has no node out; name the output with --output (nodes: {_list(parts.nodes)})"
    )


def _undriven_supplies(
    parts: Parts, grounds: dict[str, None], ports: set[str]
) -> tuple[dict[str, None], list[str]]:
    """Take supply pins that no source holds as supplies, unless they are signal nodes."""
    signal = ports | {n for u in parts.amplifiers for n in (u.plus, u.minus, u.out)}
    held = dict(grounds)
    notes = []
    for u in parts.amplifiers:
        if not isinstance(u, OpAmp):
            continue
        for node, pin in zip(u.supply_pins or (), ("vcc", "vee"), strict=False):
            if node in held:
                continue
            if node in signal:
                raise DeckError(
                    f"pin {pin} of op amp {u.name} is on the signal node {node}; the five pins "
                    "of an op amp are plus minus vcc vee out, in this order"
                )
            held[node] = None
            notes.append(
                f"node {node} feeds pin {pin} of {u.name} but no source holds it; taken as a supply"
            )
    return held, notes
