"""Node names that are safe in a deck: the reference is 0, the rest survives the simulator.

Tried in the simulator: letters, digits and ``_ + - . / # : ! % & @ ^ ? < > |`` stand for
themselves in every part line, and but for the dot in what is printed; parentheses, commas, quotes,
braces, ``=``, ``$``, ``;`` and two slashes do not.  The simulator does not distinguish capitals.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator

from synth.errors import DeckError
from synth.network.model import Network

_SAFE = re.compile(r"(?!.*//)[A-Za-z0-9_+\-./#:!%&@^?<>|]+")
#: Names of an output's node, in lower case.
OUT = ("out", "/out")


def deck_nodes(network: Network) -> dict[str, str]:
    """Return node -> name in a deck, for every node of the network and its bench.

    Safe names stay, but for those with a dot at an output.  The reference becomes ``0`` when
    nothing else is called so; other names are rewritten, and an output with such a name becomes
    ``out`` when that is free and it is read against the reference.

    Parameters
    ----------
    network : Network

    Returns
    -------
    dict of str to str
        One name for each node, distinct also without regard to case.
    """
    nodes = dict.fromkeys(_every_node(network))
    grounds = (network.reference, *network.supplies)
    zero = next((n for n in grounds if is_zero(n)), None)
    if zero is None and not any(map(is_zero, nodes)):
        zero = network.reference
    names: dict[str, str] = {} if zero is None else {zero: "0"}
    taken = {"0", "gnd"}
    dotted = {n for n in network.read_nodes if "." in n}  # v(a.b) is not understood
    for node in nodes:
        fits = _SAFE.fullmatch(node) and node not in dotted
        if fits and node not in names and node.lower() not in taken:
            names[node] = node
            taken.add(node.lower())
    outputs = [p.node for p in network.outputs if not p.against]
    for node in nodes:
        if node in names:
            continue
        first = node in outputs[:1] and not taken.intersection(OUT)
        name = "out" if first else _free(node, taken)
        names[node] = name
        taken.add(name.lower())
    return names


def listed(text: str, known: Callable[[str], object]) -> tuple[str, ...]:
    """Return the names that are joined by commas in `text`, or `text` itself.

    Parameters
    ----------
    text : str
    known : callable
        Gives something true for a name that is one although it has commas.

    Raises
    ------
    DeckError
        If no name stands before, behind or between the commas.
    """
    if known(text):
        return (text,)
    names = tuple(n.strip() for n in text.split(","))
    if not all(names):
        raise DeckError(f"in {text!r} a name is missing; name one node, or more joined by commas")
    return names


def is_zero(node: str) -> bool:
    """Say whether the simulator takes a node of this name as its ground."""
    return node == "0" or node.lower() == "gnd"


def _every_node(network: Network) -> Iterator[str]:
    yield network.reference
    yield from network.supplies
    yield from network.nodes
    for s in network.bench.sources:
        yield from (s.plus, s.minus)
    for b in network.bench.decoupling:
        yield from b.nodes
    for u in (*network.bench.op_amps, *network.op_amps):
        yield from (u.plus, u.minus, u.out, *(u.supply_pins or ()))


def _free(node: str, taken: Iterable[str]) -> str:
    stem = re.sub(r"[^A-Za-z0-9_+\-]+", "_", node).strip("_") or "n"
    if is_zero(stem) or stem.lower() in OUT:
        stem = "n_" + stem
    name, k = stem, 2
    while name.lower() in taken:
        name, k = f"{stem}_{k}", k + 1
    return name
