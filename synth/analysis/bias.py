"""DC paths: every op-amp input needs one for its bias current, through resistors only."""

from __future__ import annotations

from synth.network.model import Network


def inputs_without_dc_path(network: Network) -> tuple[tuple[str, str], ...]:
    """Return (op amp, pin) of every input that only capacitors reach.

    Resistors and inductors conduct; the input source, ground, supplies and op-amp outputs
    deliver the current (common practice).
    """
    fed = set(network.fixed_nodes) | {u.out for u in network.op_amps}
    links = [b.nodes for b in network.branches if b.power <= 0]
    grown = True
    while grown:
        grown = False
        for a, b in links:
            if (a in fed) != (b in fed):
                fed |= {a, b}
                grown = True
    return tuple(
        (u.name, pin)
        for u in network.op_amps
        for pin, node in (("plus", u.plus), ("minus", u.minus))
        if node not in fed
    )
