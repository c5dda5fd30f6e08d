"""Impedance swap RC:CR: resistors and capacitors change places, H(s) becomes H(w0**2/s).

Source: S. K. Mitra, Proc. IEEE 55 (1967) 2021-2022 (from memory).  Every admittance is multiplied
by the same factor s/w0 after s -> w0**2/s; a voltage transfer does not change when all
admittances of a node's equation are multiplied by one factor.  For the same reason a group of
like branches whose nodes touch nothing else (the divider that sets a gain, an inverter) may stay
as it is, and does, so that the op amp keeps its DC path.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import pi, prod

from synth.analysis.bias import inputs_without_dc_path
from synth.analysis.loop import analyse
from synth.analysis.numbers import modes
from synth.network.model import KINDS, Branch, Network
from synth.transform.step import Step, require
from synth.units import format_si

THEOREM = (
    "with s replaced by w0^2/s and every admittance multiplied by s/w0, resistors and capacitors "
    "change places and H(s) becomes H(w0^2/s)"
)


@dataclass(frozen=True)
class ImpedanceSwap:
    """RC:CR transformation about a reference frequency.

    Parameters
    ----------
    frequency_hz : float or None
        w0/(2 pi); by default the geometric mean of the natural modes off the origin.
    """

    frequency_hz: float | None = None

    def accepts(self, network: Network) -> str:
        """Return why it does not apply; empty when it does."""
        for b in network.branches:
            if b.power not in (0, 1):
                return (
                    f"part {b.name} is of kind {b.kind}; it would become a "
                    f"{KINDS.get(1 - b.power, 'part that does not exist')}, so rc-cr is for "
                    "networks of resistors, capacitors and op amps"
                )
            if b.value is None and self.frequency_hz is not None:
                return f"part {b.name} has no value; give values before naming a frequency"
        movable = [b for b in network.branches if b.name not in ratio_groups(network)]
        if {b.power for b in movable} != {0, 1}:
            return (
                "rc-cr needs a resistor and a capacitor that shape the response; this network "
                "has no such pair"
            )
        if self.frequency_hz is not None and self.frequency_hz <= 0:
            return f"the frequency {self.frequency_hz} of rc-cr must be positive"
        if self.frequency_hz is None and _has_values(network) and not _mean_mode(network):
            return (
                "the network has no natural mode off the origin to take the frequency from; name "
                "it, as in rc-cr=1kHz"
            )
        return ""

    def apply(self, network: Network) -> tuple[Network, Step]:
        """Return the mirrored network and the step."""
        require(self, network)
        stay = ratio_groups(network)
        w0: float | None = None
        if _has_values(network):
            w0 = 2 * pi * self.frequency_hz if self.frequency_hz else _mean_mode(network)
        names = _names(network, stay)
        branches = tuple(
            b if b.name in stay else _swapped(b, names[b.name], w0) for b in network.branches
        )
        held = frozenset(names.get(n, n) for n in network.held)
        result = replace(network, branches=branches, held=held)
        notes = []
        if stay:
            kept = ", ".join(b.name for b in network.branches if b.name in stay)
            notes.append(f"kept as they are, for only their ratios enter H: {kept}")
        had = set(inputs_without_dc_path(network))
        for name, pin in inputs_without_dc_path(result):
            if (name, pin) not in had:
                notes.append(f"the {pin} input of {name} now has no DC path for its bias current")
        arguments = (("about", format_si(w0 / (2 * pi), "Hz")),) if w0 else ()
        table = tuple((b.name, names.get(b.name, b.name)) for b in network.branches)
        table += tuple((u.name, u.name) for u in network.op_amps)
        return result, Step("rc-cr", arguments, THEOREM, table, tuple(notes))


def ratio_groups(network: Network) -> frozenset[str]:
    """Return the branches that enter H only through ratios among like branches, or not at all.

    A node is *pure* when it has an equation (it is no source and no op-amp output) and only
    branches of one kind touch it.  A group joined by pure nodes counts when each of its branches
    ends on pure nodes or on nodes without an equation.
    """
    no_row = set(network.fixed_nodes) | {u.out for u in network.op_amps}
    at: dict[str, list[Branch]] = {}
    for b in network.branches:
        for node in b.nodes:
            at.setdefault(node, []).append(b)
    pure = {n for n, bs in at.items() if n not in no_row and len({b.power for b in bs}) == 1}
    members: dict[str, set[str]] = {}
    found: set[str] = set()
    for start in pure:
        if start in members:
            continue
        nodes, group, work = {start}, set[str](), [start]
        whole = True
        while work:
            for b in at[work.pop()]:
                group.add(b.name)
                for node in b.nodes:
                    if node in pure and node not in nodes:
                        nodes.add(node)
                        work.append(node)
                    whole = whole and (node in pure or node in no_row)
        members.update(dict.fromkeys(nodes, group))
        if whole:
            found |= group
    found |= {b.name for b in network.branches if no_row.issuperset(b.nodes)}
    return frozenset(found)


def _swapped(b: Branch, name: str, w0: float | None) -> Branch:
    value = None if b.value is None or w0 is None else 1 / (w0 * b.value)
    return replace(b, name=name, power=1 - b.power, value=value)


def _names(network: Network, stay: frozenset[str]) -> dict[str, str]:
    """Return new names: the letter follows the kind; an x keeps apart from a part that stays."""
    taken = set(stay) | {u.name for u in network.op_amps}
    names = {}
    for b in network.branches:
        if b.name in stay:
            continue
        letter = "C" if b.power == 0 else "R"
        rest = b.name[1:]
        short = rest.removesuffix("x")
        if short != rest and letter + short not in taken and short:
            rest = short
        while letter + rest in taken:
            rest += "x"
        names[b.name] = letter + rest
        taken.add(letter + rest)
    return names


def _has_values(network: Network) -> bool:
    return all(b.value is not None for b in network.branches)


def _mean_mode(network: Network) -> float:
    """Geometric mean of the magnitudes of the modes off the origin, rad/s; 0 without any.

    A mode at infinity (a capacitor loop) mirrors to one at the origin, so that counting only the
    others lets the transformation undo itself.
    """
    found = [abs(p) for p in modes(analyse(network)) if p != 0]
    return float(prod(p ** (1 / len(found)) for p in found)) if found else 0.0
