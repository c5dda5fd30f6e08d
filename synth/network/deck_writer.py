"""Write a network as a deck that the circuit simulator runs unchanged."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Literal

from synth.errors import NetworkError, NumberError
from synth.network.deck_cards import is_sweep, shows_ac, written_cards
from synth.network.deck_models import OnePoleAmplifier, TwoPoleAmplifier, amplifier_text
from synth.network.deck_nodes import deck_nodes, is_zero
from synth.network.deck_parts import op_amp_name
from synth.network.deck_ports import has_ac
from synth.network.model import KINDS, POWERS, Branch, Network
from synth.units import format_deck

#: An op amp in a deck: None is each deck's own subcircuits, ideal where it has none.
AmplifierChoice = Literal["ideal"] | OnePoleAmplifier | None

#: Sweep of a deck that has none of its own, Hz.
_SWEEP = (1.0, 1e6)
_NAME = re.compile(r"[A-Za-z][A-Za-z0-9_.:#/+\-]*")


def write_deck(
    network: Network,
    *,
    amplifier: AmplifierChoice = None,
    frequencies: tuple[float, float] | None = None,
    points: int = 50,
) -> str:
    """Write a network as a deck.

    A network that came from a deck keeps its sources, decoupling, calls, the lines that ask the
    simulator for something, and (with `amplifier` None) op-amp subcircuits.  Node names the
    simulator cannot take are rewritten, with a comment.

    Parameters
    ----------
    network : Network
        With one input, and a value for every part.
    amplifier : "ideal", OnePoleAmplifier or None
        The op amp to write, also one with a second pole and an output resistance; None takes
        the network's own subcircuits, ideal where it has none.
    frequencies : tuple of two float, optional
        First and last frequency of the AC analysis in Hz, in place of the deck's own; by default
        the deck's own ``.ac`` line, or 1 Hz to 1 MHz where it has none.
    points : int
        Frequencies per decade.

    Returns
    -------
    str
        The deck, ending in a line feed.

    Raises
    ------
    NetworkError
        If a part has no value, no place in a deck, or a name that cannot stand there.
    NumberError
        If the frequencies are not increasing and positive, or `points` is below 1.

    Examples
    --------
    >>> from synth.network.model import Branch
    >>> parts = (Branch("R1", 0, ("in", "out"), 1e4), Branch("C1", 1, ("out", "0"), 1e-8))
    >>> print(write_deck(Network(parts, title="hydrophone input"), frequencies=(10, 1e5)))
    hydrophone input
    VIN in 0 DC 0 AC 1
    R1 in out 10k
    C1 out 0 10n
    .ac dec 50 10 100k
    .print ac v(out)
    .end
    <BLANKLINE>
    """
    first, last = frequencies or _SWEEP
    if not (0 < first < last < float("inf") and points >= 1):
        raise NumberError(
            f"frequencies {first:g} to {last:g} Hz at {points} points a decade "
            "are no range; give two increasing positive ones and at least one point"
        )
    _check_parts(network)
    _check_names(network)
    nodes = deck_nodes(network)
    calls, models = _amplifiers(network, amplifier, nodes)
    lines = [
        _title(network.title),
        *_comments(network, nodes),
        *_sources(network, nodes),
        *(_branch_line(b, nodes) for b in (*network.bench.decoupling, *network.branches)),
        *calls,
        *models,
    ]
    cards = written_cards(network, nodes, _calls(network), frequencies is None)
    if not any(map(is_sweep, cards)):
        lines.append(f".ac dec {points} {format_deck(first)} {format_deck(last)}")
    lines += cards
    if not any(map(shows_ac, cards)):
        lines.append(_print_line(network, nodes))
    return "\n".join((*lines, ".end", ""))


def call_name(op_amp: str) -> str:
    """Return the name of an op amp's X call: U1 is XU1, X1 stays.

    Raises
    ------
    NetworkError
        If the reader would not give the name back.
    """
    call = op_amp if op_amp_name(op_amp) == op_amp and op_amp[:1] in "Xx" else f"X{op_amp}"
    if not _NAME.fullmatch(op_amp) or op_amp_name(call) != op_amp:
        raise NetworkError(f"op amp name {op_amp!r} cannot stand in a deck; begin with a letter")
    return call


def _calls(network: Network) -> list[str]:
    return [call_name(u.name) for u in (*network.bench.op_amps, *network.op_amps)]


def _check_parts(network: Network) -> None:
    if not network.outputs:
        raise NetworkError("the network has no output; name one before it is written")
    empty = [b.name for b in network.branches if b.value is None]
    if empty:
        raise NetworkError(
            f"{', '.join(empty)} {'has' if len(empty) == 1 else 'have'} no value; "
            "give values before the network is written"
        )
    for b in network.branches:
        if b.power == POWERS["D"]:
            raise NetworkError(
                f"{b.name} is a {KINDS[b.power]}, which is no part of a deck; "
                "build it from an impedance converter or scale it away"
            )
        if POWERS.get(b.name[:1].upper()) != b.power or not _NAME.fullmatch(b.name):
            raise NetworkError(
                f"the {b.kind} {b.name!r} cannot stand in a deck under this name; begin with "
                f"{_letter(b.power)} and use letters, digits and _ only"
            )


def _letter(power: int) -> str:
    return next(letter for letter, p in POWERS.items() if p == power)


def _check_names(network: Network) -> None:
    """Refuse names that differ in case only: a deck knows no case."""
    seen: dict[str, str] = {}
    names = [b.name for b in (*network.bench.decoupling, *network.branches)]
    names += _calls(network)
    for name in names:
        other = seen.setdefault(name.lower(), name)
        if names.count(name) > 1 or other != name:
            raise NetworkError(
                f"names {other} and {name} are one name in a deck, which knows no case; rename one"
            )


def _title(title: str) -> str:
    text = " ".join(title.split())
    return f"* {text}".rstrip() if not text or text[0] in ".*" else text


def _comments(network: Network, nodes: Mapping[str, str]) -> list[str]:
    lines = [
        f"* node {new} stands for {' '.join(old.split())}"
        for old, new in nodes.items()
        if old != new and not (new == "0" and is_zero(old))
    ]
    first, *others = (nodes[n] for n in network.outputs[0].nodes)
    if others:
        lines.append(f"* the output is the voltage from node {first} to node {others[0]}")
    elif first.lower() not in ("out", "/out"):
        lines.append(f"* the output is node {first}")
    return lines


def _sources(network: Network, nodes: Mapping[str, str]) -> list[str]:
    """Write the bench's sources, one at the input if it has none, and holds for loose grounds."""
    bench = network.bench.sources
    taken = {s.name.lower() for s in bench}
    grounds = {network.reference, *network.supplies}
    driver = [s for s in bench if s.plus == network.input and s.minus in grounds]
    lines = []
    if not driver:
        reference = nodes[network.reference]
        lines.append(f"{_free('VIN', taken)} {nodes[network.input]} {reference} DC 0 AC 1")
    for s in bench:
        text = f"{s.text} AC 1" if s in driver and not has_ac(s) else s.text
        lines.append(f"{s.name} {nodes[s.plus]} {nodes[s.minus]} {text}".rstrip())
    links = [(s.plus, s.minus) for s in bench if s not in driver]
    links += [b.nodes for b in network.bench.decoupling if b.power != POWERS["C"]]
    links += [pair for u in network.bench.op_amps for pair in ((u.plus, u.out), (u.minus, u.out))]
    held = _linked(links, {n for n, name in nodes.items() if name == "0"})
    for node in (network.reference, *network.supplies):
        if node not in held:
            lines.append(f"{_free('VHOLD', taken)} {nodes[node]} 0 DC 0")
            held = _linked(links, {*held, node})
    return lines


def _linked(links: list[tuple[str, str]], start: set[str]) -> set[str]:
    reached = set(start)
    grown = True
    while grown:
        grown = False
        for a, b in links:
            if (a in reached) != (b in reached):
                reached |= {a, b}
                grown = True
    return reached


def _free(stem: str, taken: set[str]) -> str:
    name, k = stem, 2
    while name.lower() in taken:
        name, k = f"{stem}{k}", k + 1
    taken.add(name.lower())
    return name


def _branch_line(branch: Branch, nodes: Mapping[str, str]) -> str:
    value = 0.0 if branch.value is None else branch.value
    return f"{branch.name} {nodes[branch.nodes[0]]} {nodes[branch.nodes[1]]} {format_deck(value)}"


def _amplifiers(
    network: Network, amplifier: AmplifierChoice, nodes: Mapping[str, str]
) -> tuple[list[str], list[str]]:
    """Write the op amps' calls, and the subcircuits they call."""
    if isinstance(amplifier, str) and amplifier != "ideal":
        raise NetworkError(f"there is no op-amp model {amplifier!r}; ask for 'ideal' or a one-pole")
    own = network.bench.models if amplifier is None else ()
    pole = None if isinstance(amplifier, str) else amplifier
    defined = {name for name, _ in own}
    taken = {name.lower() for name in defined}
    stem = "opamp_ideal" if pole is None else "opamp_one_pole"
    if isinstance(pole, TwoPoleAmplifier):
        stem = "opamp_two_pole"
    generic: dict[tuple[str, int], str] = {}
    calls = []
    every = (*network.bench.op_amps, *network.op_amps)
    for u in every:
        pins = [u.plus, u.minus, *(u.supply_pins or ()), u.out]
        model = u.model if u.model in defined else None
        if model is None:
            # a name that the deck called and did not define is kept: the user has its model
            called = u.model if amplifier is None and u.model else None
            key = (called or (stem if len(pins) == 3 else f"{stem}_5"), len(pins))
            if key not in generic:
                generic[key] = _free(key[0], taken)
            model = generic[key]
        calls.append(" ".join((call_name(u.name), *(nodes[p] for p in pins), model)))
    models = [text for _, text in own]
    kept = {u.model for u in every}
    for (wanted, count), name in generic.items():
        if amplifier is None and wanted in kept:
            models.append(f"* {name} is an ideal op amp here: put your own model in its place")
        models.append(amplifier_text(name, count, pole))
    return calls, models


def _print_line(network: Network, nodes: Mapping[str, str]) -> str:
    """Ask for the outputs; a batch run without such a line does nothing."""
    names = [[nodes[n] for n in p.nodes] for p in network.outputs]
    return ".print ac " + " ".join(f"v({','.join(pair)})" for pair in names)
