"""The lines of a deck that ask a simulator for something: kept, and written back.

``.ac``, ``.meas``, ``.options`` and the like say nothing of the network, but belong to its
author.  They are kept word for word; what cannot be kept is left as a comment.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Container, Iterable, Mapping

from synth.network.deck_nodes import OUT
from synth.network.deck_text import DeckText, without_comment
from synth.network.model import Network
from synth.units import parse_deck_number

#: Most characters of a line that is left out are shown.
_SHOWN = 100
#: v(out), vdb(out, ref), v(Net-(R1-Pad1)), i(VIN): what a line asks of a node or a part.
_ASKED = re.compile(
    r"(?<![\w.])(v|vm|vp|vr|vi|vdb|vph|i|im|ip|ir|ii|idb)\(((?:[^()]|\([^()]*\))*)\)", re.IGNORECASE
)


def read_cards(deck: DeckText, models: tuple[tuple[str, str], ...]) -> tuple[str, ...]:
    """Return the lines to write back, and comments on those that are left out.

    Parameters
    ----------
    deck : DeckText
    models : tuple of (str, str)
        What the op amps need and is written with them.

    Returns
    -------
    tuple of str
        First the parameters that the lines rely on, then the lines, then the comments.
    """
    written = {text for _, text in models}
    words = set(re.findall(r"\w+", " ".join(deck.requests).lower()))
    others = [(names, text) for names, text in deck.cards if text not in written]
    needed = [text for names, text in others if words.intersection(names)]
    left = [text for names, text in others if not words.intersection(names)]
    return (*needed, *deck.requests, *map(_left_out, (*left, *deck.left_out)))


def written_cards(
    network: Network, nodes: Mapping[str, str], calls: Collection[str], own_sweep: bool
) -> list[str]:
    """Return the kept lines as they stand in a written deck.

    Parameters
    ----------
    network : Network
    nodes : mapping
        Node -> its name in the written deck.
    calls : collection of str
        Names of the op amps' calls.
    own_sweep : bool
        Whether the deck's own ``.ac`` lines are wanted; else they become comments.

    Lines that print an AC analysis become comments where a reader of them would take another
    output than that of the network for the circuit's.
    """
    known = {old.lower(): new for old, new in nodes.items()} | {"gnd": "0", "0": "0"}
    bench = network.bench
    parts = {s.name.lower() for s in bench.sources} | {c.lower() for c in calls}
    parts |= {b.name.lower() for b in (*bench.decoupling, *network.branches)}
    lines = []
    for card in bench.cards:
        if card.startswith("*"):
            lines.append(card)
            continue
        text = None if is_sweep(card) and not own_sweep else _renamed(card, known, parts)
        lines.append(_left_out(card) if text is None else text)
    if len(network.outputs) == 1 and not _reads_back(network, nodes, lines):
        return [_left_out(card) if prints_ac(card) else card for card in lines]
    return lines


def _reads_back(network: Network, nodes: Mapping[str, str], lines: list[str]) -> bool:
    """Say whether a reader of the lines takes the network's output for the circuit's."""
    read = tuple(nodes[n].lower() for n in network.reading.nodes)
    grounds = {nodes[n].lower() for n in (network.reference, *network.supplies)}
    found = asked_output(lines, {nodes[p.node].lower() for p in network.inputs}, grounds)
    return (len(read) == 1 and read[0] in OUT) if found is None else read == found


def is_sweep(card: str) -> bool:
    """Say whether a line asks for an AC analysis."""
    return card.split(None, 1)[0].lower() == ".ac"


def sweeps_over(network: Network, low: float, high: float) -> bool:
    """Say whether the deck's own AC analysis takes in both frequencies, in Hz.

    A line whose numbers cannot be read is taken to do so.
    """
    for card in filter(is_sweep, network.bench.cards):
        words = card.replace("\n+", " ").split()
        try:
            first, last = (parse_deck_number(w)[0] for w in words[3:5])
        except ValueError:
            return True
        if first <= low and high <= last:
            return True
    return False


def shows_ac(card: str) -> bool:
    """Say whether a line prints or plots an AC analysis; a batch run without one does nothing."""
    words = card.lower().split(None, 2)
    return words[0] in (".print", ".plot") and words[1:2] == ["ac"]


def prints_ac(card: str) -> bool:
    """Say whether a line prints an AC analysis."""
    return card.lower().split(None, 2)[:2] == [".print", "ac"]


def asked_voltage(cards: Iterable[str]) -> tuple[str, ...] | None:
    """Return the nodes of the only voltage that the only printed line of an AC analysis asks for.

    Parameters
    ----------
    cards : iterable of str
        Lines of a deck, continuations among them; others than ``.print ac`` are passed over.

    Returns
    -------
    tuple of str, or None
        One node of ``v(a)``, two of ``v(a,b)``; None where there is no such line, where there are
        several, or where it asks for anything else or for more.

    Examples
    --------
    >>> asked_voltage([".ac dec 10 1 1k", ".print ac v(a, b)"])
    ('a', 'b')
    >>> asked_voltage([".print ac v(a) vp(a)"])
    """
    printed = [card for card in cards if prints_ac(card)]
    if len(printed) != 1:
        return None
    lines = (without_comment(line).strip() for line in printed[0].splitlines())
    words = " ".join(line.removeprefix("+") for line in lines if line[:1] not in ("*", "$"))
    asked = _ASKED.fullmatch(words.split(None, 2)[2].strip()) if words.split()[2:] else None
    if asked is None or asked[1].lower() != "v":
        return None
    nodes = tuple(n.strip() for n in asked[2].split(","))
    return nodes if all(nodes) and len(nodes) <= 2 else None


def asked_output(
    cards: Iterable[str], driven: Container[str], grounds: Container[str]
) -> tuple[str, ...] | None:
    """Return the nodes of `asked_voltage` in lower case, where they can be an output.

    Parameters
    ----------
    cards : iterable of str
        Lines of a deck.
    driven, grounds : container of str
        The nodes of the inputs, and the reference and supplies, in lower case.  A voltage
        against a ground is that of one node.

    Returns
    -------
    tuple of str, or None
        None also where the voltage is held.
    """
    nodes = tuple(n.lower() for n in asked_voltage(cards) or ())
    if len(nodes) > 1 and nodes[1] in grounds:
        nodes = nodes[:1]
    if len(set(nodes)) < len(nodes) or any(n in grounds for n in nodes):
        return None
    return None if all(n in driven for n in nodes) else nodes


def _left_out(card: str) -> str:
    text = " ".join(line.strip().removeprefix("+") for line in card.splitlines())
    return f"* left out: {text if len(text) <= _SHOWN else text[:_SHOWN] + '...'}"


def _renamed(card: str, nodes: Mapping[str, str], parts: Collection[str]) -> str | None:
    """Put the written nodes into a line; None when it asks for one that is not there."""
    missing = False

    def replaced(match: re.Match[str]) -> str:
        nonlocal missing
        names = [n.strip() for n in match[2].split(",")]
        if match[1][0] in "iI":
            missing |= any(n.lower() not in parts for n in names)
            return match[0]
        inside = [n.partition(".")[0].lower() in parts for n in names]  # of an op amp's own
        missing |= not all(n.lower() in nodes or i for n, i in zip(names, inside, strict=True))
        return f"{match[1]}({','.join(nodes.get(n.lower(), n) for n in names)})"

    text = _ASKED.sub(replaced, card)
    return None if missing else text
