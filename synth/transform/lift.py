"""The lift as a transformation: terminals driven wholly or in part, natural modes unchanged."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction

from synth.analysis.loop import analyse
from synth.network.model import Network, Terminal
from synth.transform.drive import apply_drive, bias_note
from synth.transform.split import PIN_RESISTANCE
from synth.transform.step import Step, require, unchanged_names

THEOREM = (
    "H is the sum of the terminals' transfers weighted by the fraction of the input that drives "
    "each; with the sources at zero the network is the same as before, so the natural modes stay "
    "and only the numerator changes"
)


@dataclass(frozen=True)
class LiftTerminals:
    """Give terminals fractions of the input.

    Parameters
    ----------
    fractions : tuple of ((part, pin), fraction)
        0 to ground, 1 to the input, between them a split; terminals not named stay.
    pin_resistance : float
        Ohm, of the divider at a split op-amp input.
    """

    fractions: tuple[tuple[tuple[str, str], float], ...]
    pin_resistance: float = PIN_RESISTANCE

    def accepts(self, network: Network) -> str:
        """Return why it does not apply; empty when it does."""
        if len(network.inputs) != 1:
            return f"a lift needs one input; this network has {len(network.inputs)}"
        known = {t.key: t for t in network.terminals}
        for key, a in self.fractions:
            name = ".".join(key)
            if key not in known:
                listing = ", ".join(str(t) for t in known.values())
                return f"{name} is no terminal of this network; its terminals are {listing}"
            if not 0 <= a <= 1:
                return f"terminal {name} is asked for the fraction {a:g}; it must lie in 0..1"
            if known[key].held and a != float(known[key].at != "ground"):
                return f"terminal {name} does not move: {known[key].held}"
        for b in network.branches:
            ends = [(b.name, "1"), (b.name, "2")]
            if all(e in known for e in ends) and any(k in ends for k, _ in self.fractions):
                return (
                    f"part {b.name} lies across the input and ground, where a fraction has no "
                    "effect; leave it out"
                )
        driven = [t for t, a in self._drive(network).items() if a]
        if not driven:
            return "every terminal would be at ground, so the output would not depend on the input"
        numerators = analyse(network).numerators
        if not any(t in numerators for t in driven):
            return (
                f"the driven terminals would be {', '.join(map(str, driven))}, which have no "
                "effect on the output, so it would not depend on the input"
            )
        return ""

    def _drive(self, network: Network) -> Mapping[Terminal, Fraction | float]:
        wanted = dict(self.fractions)
        return {t: wanted.get(t.key, float(t.at != "ground")) for t in network.terminals}

    def apply(self, network: Network) -> tuple[Network, Step]:
        """Return the lifted network and the step."""
        require(self, network)
        drive = self._drive(network)
        lifted, parts = apply_drive(network, drive, self.pin_resistance)
        moved = [
            (str(t), f"{float(a):.6g}")
            for t, a in drive.items()
            if float(a) != float(t.at != "ground")
        ]
        table = [
            (old, new) for old, same in unchanged_names(network) for new in parts.get(old, (same,))
        ]
        power = {b.name: b.power for b in network.branches}
        notes = tuple(
            f"capacitor {old} is split into {' and '.join(new)}"
            for old, new in parts.items()
            if power.get(old) == 1
        )
        notes += bias_note(network, (t for t, a in drive.items() if a and t.at == "ground"))
        return lifted, Step("lift", tuple(moved), THEOREM, tuple(table), notes)
