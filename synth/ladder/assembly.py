"""Putting parts together: numbered names, the impedance converter, the output amplifier."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field

from synth.network.model import POWERS, Branch, Network, OpAmp, Port


@dataclass
class Assembly:
    """Parts gathered while a circuit is built; `finished` makes the network.

    Names are numbered by kind in the order in which parts come.
    """

    branches: list[Branch] = field(default_factory=list)
    op_amps: list[OpAmp] = field(default_factory=list)
    _count: Counter[str] = field(default_factory=Counter)

    def _name(self, letter: str) -> str:
        self._count[letter] += 1
        return f"{letter}{self._count[letter]}"

    def node(self) -> str:
        """Return a node of its own."""
        return self._name("n")

    def add(self, letter: str, value: float, start: str, end: str) -> str:
        """Add a resistor (R) or capacitor (C) between two nodes and return its name."""
        name = self._name(letter)
        self.branches.append(Branch(name, POWERS[letter], (start, end), value))
        return name

    def op_amp(self, plus: str, minus: str, out: str) -> str:
        """Add an op amp and return its name."""
        name = self._name("U")
        self.op_amps.append(OpAmp(name, plus, minus, out))
        return name

    def converter(self, top: str, elements: tuple[tuple[str, float], ...]) -> None:
        """Add an impedance converter from `top` to ground.

        The chain top - Z1 - o1 - Z2 - m - Z3 - o2 - Z4 - b - Z5 - ground, op amps with inputs
        (top, m) and output o2, and (b, m) and output o1, has the driving-point impedance
        Z1 Z3 Z5/(Z2 Z4) (A. Antoniou, Proc. IEE 116 (1969) 1838-1850, from memory).

        Parameters
        ----------
        top : str
        elements : tuple of five (letter, value)
        """
        o1, m, o2, b = (self.node() for _ in range(4))
        ends = ((top, o1), (o1, m), (m, o2), (o2, b), (b, "0"))
        for (letter, value), (start, end) in zip(elements, ends, strict=True):
            self.add(letter, value, start, end)
        self.op_amp(top, m, o2)
        self.op_amp(b, m, o1)

    def output(self, node: str, gain: float, resistance: float) -> None:
        """Add what makes the output from a node that must not be loaded.

        A follower or a non-inverting amplifier; for less than unit gain a divider between two
        followers; for a negative one an inverting amplifier behind a follower.

        Parameters
        ----------
        node : str
        gain : float
        resistance : float
            Of the smaller resistor, in ohm.
        """
        if abs(gain - 1) < _UNITY:
            self.op_amp(node, "out", "out")
        elif gain > 1:
            foot = self.node()
            self.add("R", resistance * (gain - 1), "out", foot)
            self.add("R", resistance, foot, "0")
            self.op_amp(node, foot, "out")
        else:
            buffered, middle = self.node(), self.node()
            self.op_amp(node, buffered, buffered)
            small = min(1.0, abs(gain)) if gain < 0 else min(gain, 1 - gain)
            if gain > 0:
                self.add("R", resistance * (1 - gain) / small, buffered, middle)
                self.add("R", resistance * gain / small, middle, "0")
                self.op_amp(middle, "out", "out")
            else:
                self.add("R", resistance / small, buffered, middle)
                self.add("R", resistance * abs(gain) / small, middle, "out")
                self.op_amp("0", middle, "out")

    def finished(self, title: str) -> Network:
        """Return the network from `in` to `out`."""
        return Network(
            tuple(self.branches),
            tuple(self.op_amps),
            inputs=(Port("input", "in"),),
            outputs=(Port("output", "out"),),
            title=title,
        )


#: A gain nearer to one than this is made by a follower.
_UNITY = 1e-9
