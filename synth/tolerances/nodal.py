"""H of many circuits at once from the nodal equations, one linear system a circuit and frequency.

Some hundred times slower than `synth.tolerances.factored`; for circuits whose formula has too
many terms, and as an oracle.  Sensitivities by the adjoint equations (S. W. Director,
R. A. Rohrer, The generalized adjoint network and network sensitivities, IEEE Trans. Circuit
Theory CT-16 (1969) 318-323).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from synth.analysis.equations import equations
from synth.analysis.numbers import admittances
from synth.analysis.ring import Poly
from synth.errors import NetworkError
from synth.network.model import Network
from synth.tolerances.factored import ComplexArray
from synth.tolerances.spread import Array, BoolArray

_MOST_NUMBERS = 1 << 20  # in the matrices of one call of the solver


@dataclass(frozen=True)
class Nodal:
    """``sum_k y_k matrix[k] v = sum_k y_k right[k]`` with ideal op amps; H is one unknown.

    Parameters
    ----------
    names : tuple of str
        Parts, in the order of the columns.
    values : array (parts,)
        Nominal, in ohm, farad, henry or F*s.
    powers : array (parts,)
        Of s in the admittances.
    matrix : array (parts, n, n)
        Incidence of each admittance in the equations.
    right : array (parts, n)
        The same of the sources.
    output : int
    """

    names: tuple[str, ...]
    values: Array
    powers: Array
    matrix: Array
    right: Array
    output: int

    def prepare(self, ratios: Array) -> Array:
        """Return the values, (parts, circuits), from their ratios (circuits, parts)."""
        return np.asarray((ratios * self.values).T)

    def admittances(self, prepared: Array, frequency: float) -> ComplexArray:
        """Return the admittances at one frequency in hertz, (circuits, parts)."""
        s = 2j * np.pi * frequency
        y = np.where(self.powers[:, None] > 0, prepared, 1 / prepared) * s ** self.powers[:, None]
        return np.asarray(y.T)

    def response(self, prepared: Array, frequencies: Array) -> ComplexArray:
        """Return H, (frequencies, circuits); `prepared` from `prepare`, frequencies in hertz."""
        found = np.empty((len(frequencies), prepared.shape[1]), dtype=complex)
        step = max(1, _MOST_NUMBERS // len(self.right[0]) ** 2)
        for k, f in enumerate(frequencies):
            for start in range(0, prepared.shape[1], step):
                columns = slice(start, start + step)
                y = self.admittances(prepared[:, columns], float(f))
                left, right = np.tensordot(y, self.matrix, 1), y @ self.right
                found[k, columns] = np.linalg.solve(left, right[..., None])[:, self.output, 0]
        return found

    def squares(self, prepared: Array, frequencies: Array) -> Array:
        """Return |H|**2, (frequencies, circuits)."""
        h = self.response(prepared, frequencies)
        return np.asarray(h.real**2 + h.imag**2)

    def grows(self, prepared: Array) -> BoolArray:
        """Return False for each circuit: equations at single frequencies do not show its modes."""
        return np.zeros(prepared.shape[1], dtype=bool)

    def sensitivities(self, frequencies: Array) -> ComplexArray:
        """Return d ln H/d ln(value) at the nominal values, (frequencies, parts)."""
        found = np.empty((len(frequencies), len(self.names)), dtype=complex)
        unit = np.eye(len(self.right[0]))[self.output]
        for k, f in enumerate(frequencies):
            y = self.admittances(self.values[:, None], float(f))[0]
            left = np.tensordot(y, self.matrix, 1)
            v = np.linalg.solve(left, y @ self.right)
            adjoint = np.linalg.solve(left.T, unit)
            slopes = y * ((self.right - self.matrix @ v) @ adjoint)
            found[k] = slopes / v[self.output]
        return np.where(self.powers > 0, found, -found)


def nodal(network: Network) -> Nodal:
    """Return the nodal equations of a network with values, driven at all its inputs alike.

    Raises
    ------
    NetworkError
        If a part has no value, or the output is that of a source itself.
    """
    admittances(network)
    eq = equations(network)
    if not isinstance(eq.output, int):
        raise NetworkError("the output follows a source directly; no part has an influence on it")
    n, parts = len(eq.rows), len(network.branches)
    matrix, right = np.zeros((parts, n, n)), np.zeros((parts, n))
    for r, row in enumerate(eq.rows):
        for column, poly in row.items():
            for k, c in _linear(poly).items():
                matrix[k, r, column] += c
        for terminal, poly in eq.sources[r].items():
            if terminal.at != "ground":
                for k, c in _linear(poly).items():
                    right[k, r] += c
    return Nodal(
        tuple(b.name for b in network.branches),
        np.array([b.value for b in network.branches], dtype=float),
        np.array([b.power for b in network.branches], dtype=float),
        matrix,
        right,
        eq.output,
    )


def _linear(poly: Poly) -> Mapping[int, float]:
    """Index of the part -> coefficient, of an entry of the nodal equations."""
    return {mask.bit_length() - 1: float(c) for mask, c in poly.items()}
