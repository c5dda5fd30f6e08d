"""The network with real op amps, numeric: A(s) = A0 / (1 + s*A0/wt), inaccessible reference kept.

The equations are Kirchhoff's law at every internal node that is no op-amp output, and
``v_out * (1/A0 + s/wt) = v_plus - v_minus + v_hidden * (1/A0 + s/wt)`` at each output: the op amp
amplifies against its inaccessible reference.  Output resistance zero.  With resistors and
capacitors only they are ``(G + s*C) v = b``.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from synth.analysis.numbers import admittances
from synth.network.model import Network, Terminal

Array = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]


@dataclass(frozen=True)
class OnePole:
    """An op amp by two numbers.

    Parameters
    ----------
    gain_bandwidth : float
        Unity-gain angular frequency wt in rad/s.
    dc_gain : float
        A0; infinite for a pure integrator wt/s.
    """

    gain_bandwidth: float
    dc_gain: float = float("inf")


@dataclass(frozen=True)
class Pencil:
    """Matrices of ``(G + s*C) v = sources``; columns of `sources` follow `terminals`.

    Each source column has a constant part and a part proportional to s; so has `hidden`, the
    column of the op amps' inaccessible references together.
    """

    nodes: tuple[str, ...]
    terminals: tuple[Terminal, ...]
    g: Array
    c: Array
    source_g: Array
    source_c: Array
    hidden_g: Array
    hidden_c: Array


@dataclass(frozen=True)
class System:
    """The equations by powers of s: ``sum s**p * matrix[p] v = sum s**p * right[p] sources``.

    Columns of `right` follow `terminals`; one more, the last, is for the op amps' inaccessible
    references together.
    """

    nodes: tuple[str, ...]
    terminals: tuple[Terminal, ...]
    matrix: Mapping[int, Array]
    right: Mapping[int, Array]

    def at(self, s: ComplexArray) -> tuple[ComplexArray, ComplexArray]:
        """Return matrices (len(s), n, n) and right-hand sides (len(s), n, terminals + 1)."""
        powers = {p: s[:, None, None] ** p for p in self.matrix}
        matrix = sum(powers[p] * m for p, m in self.matrix.items())
        right = sum(powers[p] * m for p, m in self.right.items())
        return np.asarray(matrix), np.asarray(right)


def system(network: Network, amplifiers: Mapping[str, OnePole]) -> System:
    """Write the equations with one amplifier model for each op amp of the network."""
    fixed = network.fixed_nodes
    nodes = tuple(n for n in network.nodes if n not in fixed)
    index = {n: k for k, n in enumerate(nodes)}
    terminals = network.terminals
    column = {t.key: k for k, t in enumerate(terminals)}
    outputs = {u.out for u in network.op_amps}
    n = len(nodes)
    powers = sorted({0, 1} | {b.power for b in network.branches})
    matrix = {p: np.zeros((n, n)) for p in powers}
    right = {p: np.zeros((n, len(terminals) + 1)) for p in powers}
    for b, y in zip(network.branches, admittances(network), strict=True):
        m, src = matrix[b.power], right[b.power]
        for here, there in ((0, 1), (1, 0)):
            row = index.get(b.nodes[here])
            if row is None or b.nodes[here] in outputs:
                continue
            m[row, row] += float(y)
            other = b.nodes[there]
            if other in index:
                m[row, index[other]] -= float(y)
            else:
                src[row, column[b.name, str(there + 1)]] += float(y)
    for u in network.op_amps:
        row = index[u.out]
        model = amplifiers[u.name]
        for power, part in ((0, 1 / model.dc_gain), (1, 1 / model.gain_bandwidth)):
            matrix[power][row, row] += part
            right[power][row, -1] = part
        for pin, node, sign in (("plus", u.plus, 1.0), ("minus", u.minus, -1.0)):
            if node in index:
                matrix[0][row, index[node]] -= sign
            else:
                right[0][row, column[u.name, pin]] += sign
    return System(nodes, terminals, matrix, right)


def pencil(network: Network, amplifiers: Mapping[str, OnePole]) -> Pencil:
    """Return the equations of a network of resistors, capacitors and op amps as a pencil."""
    for b in network.branches:
        if b.power not in (0, 1):
            raise ValueError(f"part {b.name} is no resistor or capacitor")
    whole = system(network, amplifiers)
    return Pencil(
        whole.nodes,
        whole.terminals,
        whole.matrix[0],
        whole.matrix[1],
        whole.right[0][:, :-1],
        whole.right[1][:, :-1],
        whole.right[0][:, -1],
        whole.right[1][:, -1],
    )


def finite_modes(g: Array, c: Array) -> ComplexArray:
    """Return the finite roots of det(G + s*C), found by shift and invert.

    Frequencies should be scaled so that the modes of interest are near 1.
    """
    shift = 0.7390851332151607  # no network's own number
    inverse = np.linalg.solve(g + shift * c, c)
    mu = np.linalg.eigvals(inverse)
    mu = mu[np.abs(mu) > 1e-10 * max(1.0, float(np.abs(mu).max(initial=0.0)))]
    return np.asarray(shift - 1 / mu, dtype=np.complex128)


def terminal_responses(
    network: Network, amplifiers: Mapping[str, OnePole], s: Sequence[complex]
) -> tuple[ComplexArray, ComplexArray]:
    """Return T_k(s) of every terminal, shape (len(s), terminals), and T_hidden(s), (len(s),)."""
    whole = system(network, amplifiers)
    matrix, right = whole.at(np.asarray(s, dtype=np.complex128))
    v = np.linalg.solve(matrix, right)[:, whole.nodes.index(network.output), :]
    return np.asarray(v[:, :-1]), np.asarray(v[:, -1])
