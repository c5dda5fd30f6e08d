"""The rails of a circuit's op amps, where its deck says them."""

from __future__ import annotations

from synth.errors import NumberError
from synth.network.deck_nodes import is_zero
from synth.network.model import Network, Source
from synth.units import parse_deck_number


def rails(network: Network) -> tuple[float, float] | None:
    """Return the negative and the positive rail in V; None where they are not known.

    Every op amp must have supply pins on the same two nodes, each node 0 or held by a DC source
    against node 0.

    Examples
    --------
    >>> from synth.network.deck_reader import read_deck
    >>> print(rails(read_deck('''hydrophone
    ... VCC vcc 0 DC 3.3
    ... VMID mid 0 1.65
    ... VIN in mid AC 1
    ... R1 in out 1k
    ... XU1 mid out vcc 0 out amp
    ... .end''', ground="mid").network))
    (0.0, 3.3)
    """
    pins = {u.supply_pins for u in network.op_amps}
    if len(pins) != 1:
        return None
    (pair,) = pins
    if pair is None:
        return None
    known = {s.plus: value for s in network.bench.sources if (value := _held_at(s)) is not None}
    positive, negative = (0.0 if is_zero(node) else known.get(node) for node in pair)
    if positive is None or negative is None or negative >= positive:
        return None
    return negative, positive


def _held_at(source: Source) -> float | None:
    """Return the DC voltage of a source against node 0; None where it has none that is plain."""
    words = source.text.split()
    if words and words[0].lower() == "dc":
        words = words[1:]
    if not words or not is_zero(source.minus):
        return None
    try:
        return parse_deck_number(words[0])[0]
    except NumberError:
        return None
