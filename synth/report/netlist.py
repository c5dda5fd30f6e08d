"""The deck of a circuit, with an AC analysis over the frequencies where it does something."""

from __future__ import annotations

from dataclasses import replace
from math import ceil, floor, log10, pi

from synth.analysis.loop import analyse
from synth.analysis.numbers import modes
from synth.network.deck_cards import sweeps_over
from synth.network.deck_writer import AmplifierChoice, write_deck
from synth.network.model import Network

#: Sweep of a circuit without a mode off the origin, Hz.
_PLAIN = (1.0, 1e6)


def deck_text(network: Network, amplifier: AmplifierChoice = None) -> str:
    """Return the deck of a circuit with values.

    It is swept as the deck it came from where that takes in the natural modes, else two decades
    around them.

    Parameters
    ----------
    network : Network
    amplifier : "ideal", OnePoleAmplifier or None
        As in `synth.network.deck_writer.write_deck`.

    Raises
    ------
    NetworkError
        If it cannot be written as a deck; the message names the part.
    """
    sizes = _sizes(network)
    if sizes and sweeps_over(network, min(sizes), max(sizes)):
        return write_deck(network, amplifier=amplifier)
    return write_deck(network, amplifier=amplifier, frequencies=sweep(network))


def sweep(network: Network) -> tuple[float, float]:
    """Return first and last frequency in Hz: whole decades, two beyond the natural modes."""
    sizes = _sizes(network)
    if not sizes:
        return _PLAIN
    return 10.0 ** (floor(log10(min(sizes))) - 2), 10.0 ** (ceil(log10(max(sizes))) + 2)


def _sizes(network: Network) -> list[float]:
    """Return the sizes of the natural modes off the origin in Hz."""
    if any(b.value is None for b in network.branches):
        return []
    one = replace(network, outputs=network.outputs[:1])  # the modes are those of all outputs
    return [abs(p) / (2 * pi) for p in modes(analyse(one)) if p]
