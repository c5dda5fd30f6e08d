"""One look over frequency at a network with real op amps, from which several figures are read.

The matrices are inverted once for every frequency; H, what is left of the complement, the loop
of every op amp and the currents come from the same inverses.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from synth.analysis.real import Array, ComplexArray, RealSystem

#: A difference below this share of its terms is rounding.
_ROUNDING = 1e-13


@dataclass(frozen=True)
class Sweep:
    """Solutions at a set of frequencies.

    Parameters
    ----------
    system : RealSystem
    frequencies : array
        Hz, sorted.
    """

    system: RealSystem
    frequencies: Array

    @property
    def s(self) -> ComplexArray:
        """``j*2*pi*f``."""
        return np.asarray(2j * np.pi * self.frequencies)

    @cached_property
    def inverse(self) -> ComplexArray:
        """Inverse matrices, shape (frequencies, n, n)."""
        return self.system.inverse(self.s)

    @cached_property
    def unknowns(self) -> ComplexArray:
        """Every unknown for 1 V at the input, shape (frequencies, n)."""
        return np.asarray(self.inverse @ self.system.drive)

    @property
    def transfer(self) -> ComplexArray:
        """H at each frequency."""
        return self.system.read(self.unknowns)

    @property
    def hidden(self) -> ComplexArray:
        """T_hidden: the output for 1 V at the inaccessible references of all op amps."""
        return np.asarray((self.adjoint * self.system.hidden_sources(self.s)).sum(axis=1))

    @property
    def adjoint(self) -> ComplexArray:
        """Transfer to the output from a source in each row, shape (frequencies, n)."""
        return self.system.read(np.swapaxes(self.inverse, 1, 2))

    def voltage(self, node: str) -> ComplexArray:
        """Return a node's voltage for 1 V at the input; 0 at ground."""
        k = self.system.index.get(node)
        if k is None:
            return np.zeros(len(self.frequencies), dtype=np.complex128)
        return np.asarray(self.unknowns[:, k])

    def return_ratio(self, op_amp: str) -> ComplexArray:
        """Return the return ratio of one op amp, every other loop closed.

        The op amp's controlled source is taken out and its place fed with 1; what comes back,
        with the sign of negative feedback, is T (H. W. Bode, Network Analysis and Feedback
        Amplifier Design, 1945, return difference; from memory).  With g the response of
        ``v_plus - v_minus`` to a source in series with the input pins of the closed circuit,
        ``1 + T = 1/(1 + g)``.
        """
        k = self.system.inner[op_amp]
        g = self.system.differential(self.inverse[:, :, k], op_amp)
        # 1 + g = x * (1/A0 + s/wt), free of the cancellation near g = -1
        x = self.inverse[:, k, k]
        a = self.system.amplifiers[op_amp]
        own = 1 / a.dc_gain + self.s / a.gain_bandwidth
        return np.asarray(-g / (x * own))

    def output_current(self, op_amp: str) -> ComplexArray:
        """Return the current out of an op amp's output for 1 V at the input, A."""
        u = self.system.network.op_amp(op_amp)
        return _current_from(self, u.out)

    def input_current(self) -> ComplexArray:
        """Return the current that the sources at all inputs deliver together for 1 V, A."""
        return np.asarray(
            sum(_current_from(self, p.node) for p in self.system.network.inputs)
            + np.zeros(len(self.frequencies), dtype=np.complex128)
        )


def _current_from(sweep: Sweep, node: str) -> ComplexArray:
    """Return the current that leaves a node through the branches at it.

    Where nothing but the rounding of equal voltages is left of it, it is 0.
    """
    total = np.zeros(len(sweep.frequencies), dtype=np.complex128)
    gross = np.zeros(len(sweep.frequencies))
    for b in sweep.system.network.branches:
        if node in b.nodes and b.value is not None:
            other = b.nodes[1] if b.nodes[0] == node else b.nodes[0]
            y = (b.value if b.power > 0 else 1 / b.value) * sweep.s**b.power
            here, there = sweep.voltage(node), sweep.voltage(other)
            total = total + y * (here - there)
            gross += np.abs(y) * (np.abs(here) + np.abs(there))
    return np.where(np.abs(total) > _ROUNDING * gross, total, 0.0)
