"""Voltages of all nodes over frequency, with ideal op amps."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import numpy.typing as npt

from synth.analysis.equations import Equations, equations
from synth.analysis.numbers import admittances
from synth.network.model import Network

Array = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]


def node_voltages(network: Network, w: Array) -> dict[str, ComplexArray]:
    """Return the voltage of every node for 1 V at the inputs, over angular frequencies in rad/s.

    Parameters
    ----------
    network : Network
        With values.
    w : array
        rad/s, positive.

    Raises
    ------
    NetworkError
        If a part has no value.
    SingularError
        If the equations have no unique solution.
    """
    admittances(network)
    eq = equations(network)
    sides = _sides(network, eq)
    s = 1j * w
    left = sum(s[:, None, None] ** power * m for power, (m, _) in sides.items())
    right = sum(s[:, None] ** power * r for power, (_, r) in sides.items())
    found: dict[str, ComplexArray] = {}
    if eq.rows:
        solved = np.asarray(
            np.linalg.solve(left, np.asarray(right)[..., None])[..., 0], dtype=complex
        )
        found = {node: solved[:, column] for node, column in eq.column_of.items()}
    for node, terminal in eq.pinned.items():
        found[node] = np.full(len(w), complex(terminal.at != "ground"))
    for port in network.inputs:
        found[port.node] = np.ones(len(w), dtype=complex)
    return found


def _sides(network: Network, eq: Equations) -> Mapping[int, tuple[Array, Array]]:
    """Power of s -> matrix and right-hand side of the nodal equations that go with it."""
    n = len(eq.rows)
    sides = {b.power: (np.zeros((n, n)), np.zeros(n)) for b in network.branches}
    sizes = [
        (b.power, float(b.value or 0) if b.power > 0 else 1 / float(b.value or 1))
        for b in network.branches
    ]
    for r, row in enumerate(eq.rows):
        for column, poly in row.items():
            for mask, c in poly.items():
                power, size = sizes[mask.bit_length() - 1]
                sides[power][0][r, column] += float(c) * size
        for terminal, poly in eq.sources[r].items():
            for mask, c in poly.items() if terminal.at != "ground" else ():
                power, size = sizes[mask.bit_length() - 1]
                sides[power][1][r] += float(c) * size
    return sides
