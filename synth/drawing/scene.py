"""What is to be drawn: items with their pins, the nets that need wires, the terminals that do not.

A node that a source or the reference holds is no net: each of its pins gets a mark of its own.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from synth.drawing.text import fits_inside, width
from synth.network.deck_nodes import is_zero
from synth.network.model import Branch, Network, OpAmp, Port
from synth.units import format_si

#: Unit of each kind of part as it is written in a picture, by power of s.
SHOWN_UNITS: Mapping[int, str] = {0: "Ω", 1: "F", -1: "H", 2: "F·s"}


@dataclass(frozen=True)
class Item:
    """A part, op amp or output to be placed.

    Parameters
    ----------
    name : str
    of : Branch or OpAmp or Port
        What it is in the network.
    nodes : tuple of str
        Nodes of the pins in the order of `synth.drawing.symbols`.
    lines : tuple of str
        Its label, name first; empty for an output and for an op amp with its name inside.
    wide : float
        Width of the label in grid steps.
    shown : str
        What stands beside an output: its node, with a sign where it is one of two.
    """

    name: str
    of: Branch | OpAmp | Port
    nodes: tuple[str, ...]
    lines: tuple[str, ...]
    wide: float
    shown: str = ""


@dataclass(frozen=True)
class Scene:
    """Items, and what holds each fixed node: node -> (kind of mark, text beside it)."""

    network: Network
    items: tuple[Item, ...]
    held: Mapping[str, tuple[str, str]]


def scene_of(network: Network) -> Scene:
    """Return what is to be drawn of a network."""
    items = [_branch_item(b) for b in network.branches]
    items += [_op_amp_item(u) for u in network.op_amps]
    taken = {i.name for i in items}
    for port in network.outputs:
        for marked, node, shown in port.marks:
            name = marked
            while name in taken:
                name += "'"
            taken.add(name)
            items.append(Item(name, port, (node,), (), width(shown), shown))
    return Scene(network, tuple(items), _held(network))


def _branch_item(b: Branch) -> Item:
    lines = (b.name,) if b.value is None else (b.name, _shown_value(b.value, b.power))
    return Item(b.name, b, b.nodes, lines, max(width(x) for x in lines))


def _op_amp_item(u: OpAmp) -> Item:
    lines = () if fits_inside(u.name) else (u.name,)
    return Item(u.name, u, (u.plus, u.minus, u.out), lines, max(map(width, lines), default=0.0))


def _shown_value(value: float, power: int) -> str:
    number, _, unit = format_si(value, SHOWN_UNITS[power], 6).partition(" ")
    return f"{number} {unit.replace('u', 'µ', 1) if unit.startswith('u') else unit}"


def _held(network: Network) -> dict[str, tuple[str, str]]:
    held: dict[str, tuple[str, str]] = {}
    for p in network.inputs:
        held[p.node] = ("source", p.node)
    for node in (*network.supplies, network.reference):
        if is_zero(node):
            held[node] = ("ground", "")
        elif node == network.reference:
            held[node] = ("reference", node)
        else:
            held[node] = ("supply", node)
    return held
