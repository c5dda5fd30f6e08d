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
#: Where the pencil is inverted, in units of the typical rate: no circuit's own number.
_SHIFT = 0.7390851332151607
#: An eigenvalue of the inverse below this share of the largest is a mode at infinity.
_INFINITE = 1e-11
#: A mode counts as in the right half-plane when its real part is above this share of its size.
ON_AXIS = 1e-7
#: A mode nearer to the origin than this share of the typical rate is at it.
_ORIGIN = 1e-9


@dataclass(frozen=True)
class Nodal:
    """``sum_k y_k matrix[k] v = sum_k y_k right[k]`` with ideal op amps; H is read from v.

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
    output : array (n,)
        Weight of each unknown in H.
    direct : float
        What H has of the input itself: -1 or 1 where a differential output reads it.
    """

    names: tuple[str, ...]
    values: Array
    powers: Array
    matrix: Array
    right: Array
    output: Array
    direct: float

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
                found[k, columns] = self.read(np.linalg.solve(left, right[..., None])[..., 0])
        return found

    def read(self, unknowns: ComplexArray) -> ComplexArray:
        """Return H from the unknowns, their last axis."""
        return np.asarray(unknowns @ self.output + self.direct)

    def squares(self, prepared: Array, frequencies: Array) -> Array:
        """Return |H|**2, (frequencies, circuits)."""
        h = self.response(prepared, frequencies)
        return np.asarray(h.real**2 + h.imag**2)

    def delays(self, prepared: Array, frequencies: Array) -> Array:
        """Return the group delay in seconds, (frequencies, circuits), -Re(H'/H) by s.

        The derivative of the unknowns solves the same equations, ``A v' = b' - A' v``.
        """
        found = np.empty((len(frequencies), prepared.shape[1]))
        step = max(1, _MOST_NUMBERS // len(self.right[0]) ** 2)
        for k, f in enumerate(frequencies):
            for start in range(0, prepared.shape[1], step):
                columns = slice(start, start + step)
                y = self.admittances(prepared[:, columns], float(f))
                slope = y * self.powers / (2j * np.pi * f)
                left, right = np.tensordot(y, self.matrix, 1), y @ self.right
                v = np.linalg.solve(left, right[..., None])
                turned = (slope @ self.right)[..., None] - np.tensordot(slope, self.matrix, 1) @ v
                change = np.linalg.solve(left, turned)[..., 0] @ self.output
                found[k, columns] = -(change / self.read(v[..., 0])).real
        return found

    def modes(self, prepared: Array) -> ComplexArray:
        """Return the natural modes with ideal op amps in rad/s, (circuits, modes); nan beyond.

        They are the generalised eigenvalues of the equations, a polynomial in s; of a degree
        above one by its block companion.
        """
        low, high = int(self.powers.min()), int(self.powers.max())
        degree, n, count = high - low, len(self.right[0]), prepared.shape[1]
        if not degree:
            return np.full((count, 0), np.nan, dtype=complex)
        scale = self._rate()
        x, y = (np.zeros((count, n * degree, n * degree)) for _ in range(2))
        for k in range(degree):
            x[:, :n, k * n : (k + 1) * n] = self._coefficient(prepared, high - 1 - k, scale)
        x[:, range(n, n * degree), range(n * (degree - 1))] = -1
        y[:, range(n, n * degree), range(n, n * degree)] = 1
        y[:, :n, :n] = self._coefficient(prepared, high, scale)
        turned = np.linalg.eigvals(np.linalg.solve(x + _SHIFT * y, y))
        size = np.abs(turned)
        real = size > _INFINITE * np.maximum(1.0, size.max(axis=1, keepdims=True))
        found = _SHIFT - 1 / np.where(real, turned, 1.0)
        return np.asarray(np.where(real, scale * found, np.nan))

    def _coefficient(self, prepared: Array, power: int, scale: float) -> Array:
        """Matrix that stands at one power of s, over the scale, (circuits, n, n)."""
        own = self.powers == power
        size = prepared[own] if power > 0 else 1 / prepared[own]
        return np.tensordot(size.T * scale**power, self.matrix[own], 1)

    def _rate(self) -> float:
        """Return a typical 1/RC of the circuit, rad/s."""
        r, c = self.values[self.powers == 0], self.values[self.powers == 1]
        if not len(r) or not len(c):
            return 1.0
        return float(1 / np.exp(np.log(r).mean() + np.log(c).mean()))

    def grows(self, prepared: Array) -> BoolArray:
        """Say which circuits have a natural mode in the right half-plane, (circuits,)."""
        found = np.zeros(prepared.shape[1], dtype=bool)
        step = max(1, _MOST_NUMBERS // len(self.right[0]) ** 2)
        for start in range(0, len(found), step):
            modes = np.nan_to_num(self.modes(prepared[:, start : start + step]))
            found[start : start + step] = (
                modes.real > ON_AXIS * np.abs(modes) + _ORIGIN * self._rate()
            ).any(axis=1)
        return found

    def sensitivities(self, frequencies: Array) -> ComplexArray:
        """Return d ln H/d ln(value) at the nominal values, (frequencies, parts)."""
        found = np.empty((len(frequencies), len(self.names)), dtype=complex)
        for k, f in enumerate(frequencies):
            y = self.admittances(self.values[:, None], float(f))[0]
            left = np.tensordot(y, self.matrix, 1)
            v = np.linalg.solve(left, y @ self.right)
            adjoint = np.linalg.solve(left.T, self.output)
            slopes = y * ((self.right - self.matrix @ v) @ adjoint)
            found[k] = slopes / self.read(v)
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
    n, parts = len(eq.rows), len(network.branches)
    output, direct = np.zeros(n), 0.0
    for place, weight in eq.output:
        if isinstance(place, int):
            output[place] = weight
        elif place.at != "ground":
            direct += weight
    if not output.any():
        raise NetworkError("the output follows a source directly; no part has an influence on it")
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
        output,
        direct,
    )


def _linear(poly: Poly) -> Mapping[int, float]:
    """Index of the part -> coefficient, of an entry of the nodal equations."""
    return {mask.bit_length() - 1: float(c) for mask, c in poly.items()}
