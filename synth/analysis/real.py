"""The network with real op amps: DC gain, two poles, output resistance; any number of inputs.

The equations are a descriptor system ``(G + s*C) x = sources``.  Unknown are the voltages of all
nodes but ground, inputs included, and for every op amp two more: x behind its first pole, and e
behind the second, in front of the output resistance::

    (1/A0 + s/wt) x = v_plus - v_minus        (1 + s/w2) e = x        e - rout * i_out = v_out

An op amp of one pole without output resistance needs neither: x is v_out, and its row is that of
the output node.

Rows stand in the order of the unknowns.  A source in a node's row is a current into the node; one
in the row of x is a voltage in series with the input pins.  Where a node is held (an input, or
the output of an op amp without output resistance) its row says so, and currents into it do
nothing.  One inverse of the matrix holds the transfers from and to everywhere: its row of the
output is the adjoint solution (S. W. Director and R. A. Rohrer, IEEE Trans. Circuit Theory CT-16
(1969) 318-323, from memory).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from synth.analysis.amplifier import Amplifier
from synth.analysis.numbers import admittances
from synth.analysis.stamps import Rows, Stamp, put_extra, stamp_of
from synth.errors import SingularError
from synth.network.model import Network

Array = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]
#: Complex frequencies in rad/s, of whatever precision numpy made them.
Points = npt.NDArray[np.complexfloating[Any, Any]]


#: Where the eigenvalues are looked from: no network's own number.
SHIFT = 0.7390851332151607
#: Largest relative step of an eigenvalue that is believed to be an improvement.
_NEAR = 1e-2
#: Of the voltages at the two ends of a branch, in the voltage across it.
_SIGNS = (1.0, -1.0)


@dataclass(frozen=True)
class RealSystem:
    """Matrices of ``(G + s*C) x = sources``.

    Parameters
    ----------
    network : Network
    amplifiers : mapping
        Op amp -> model.
    index : mapping
        Node -> its place among the unknowns.
    inner : mapping
        Op amp -> place of its x; that of its e, where it has one, is the next one.
    held : frozenset of int
        Places of the nodes into which currents do nothing.
    stamps : tuple of Stamp
        One for each branch.
    g, c : array
        Square, rows in the order of the unknowns.
    """

    network: Network
    amplifiers: Mapping[str, Amplifier]
    index: Mapping[str, int]
    inner: Mapping[str, int]
    held: frozenset[int]
    stamps: tuple[Stamp, ...]
    g: Array
    c: Array

    @property
    def output(self) -> Array:
        """Weight of every unknown in the output: 1 at its node, -1 at the other one of two."""
        found = np.zeros(len(self.g))
        for node, weight in self.network.reading.weights:
            found[self.index[node]] = weight
        return found

    def read(self, columns: Points) -> ComplexArray:
        """Return the output of solutions whose last axis is the unknowns."""
        found = np.zeros(columns.shape[:-1], dtype=np.complex128)
        for node, weight in self.network.reading.weights:
            found = found + weight * columns[..., self.index[node]]
        return found

    @property
    def drive(self) -> Array:
        """Sources for 1 V at every input."""
        found = np.zeros(len(self.g))
        found[[self.index[p.node] for p in self.network.inputs]] = 1.0
        return found

    def hidden_sources(self, s: Points) -> ComplexArray:
        """Return the sources for 1 V at every op amp's inaccessible reference, (len(s), n)."""
        found = np.zeros((len(s), len(self.g)), dtype=np.complex128)
        for u in self.network.op_amps:
            a = self.amplifiers[u.name]
            if self.inner[u.name] == self.index[u.out]:
                found[:, self.index[u.out]] = 1 / a.dc_gain + s / a.gain_bandwidth
            else:
                found[:, self.index[u.out]] = 1 / (a.output_resistance or 1.0)
        return found

    def hidden(self, s: Points) -> ComplexArray:
        """Return T_hidden: the output for 1 V at the inaccessible references of all op amps."""
        return np.asarray((self.adjoint(s) * self.hidden_sources(s)).sum(axis=1))

    def into(self, rows: Points, node: str) -> ComplexArray:
        """Return the transfers of a current into `node`, from an inverse or adjoint by rows.

        Parameters
        ----------
        rows : array
            Its last axis goes over the sources.
        node : str
            Also ground; there, and where a node is held, the transfer is 0.
        """
        k = self.index.get(node)
        if k is None or k in self.held:
            return np.zeros(rows.shape[:-1], dtype=np.complex128)
        return np.asarray(rows[..., k])

    def differential(self, columns: Points, op_amp: str) -> ComplexArray:
        """Return v_plus - v_minus of an op amp from solutions whose last axis is the unknowns."""
        u = self.network.op_amp(op_amp)
        total = np.zeros(columns.shape[:-1], dtype=np.complex128)
        for node, sign in ((u.plus, 1.0), (u.minus, -1.0)):
            if node in self.index:
                total = total + sign * columns[..., self.index[node]]
        return total

    def with_amplifiers(self, amplifiers: Mapping[str, Amplifier]) -> RealSystem:
        """Return the same network with other op amps.

        They keep their output resistances; those of one pole must stay so.
        """
        g, c = self.g.copy(), self.c.copy()
        for u in self.network.op_amps:
            x, old, new = self.inner[u.name], self.amplifiers[u.name], amplifiers[u.name]
            if old.one_pole and not new.one_pole:
                raise ValueError(f"the equations of {u.name} are those of one pole")
            g[x, x] += 1 / new.dc_gain - 1 / old.dc_gain
            c[x, x] = 1 / new.gain_bandwidth
            if x != self.index[u.out]:
                c[x + 1, x + 1] = 1 / new.second_pole
        return replace(self, amplifiers=amplifiers, g=g, c=c)

    def with_factors(self, factors: Array) -> RealSystem:
        """Return the equations with each branch's admittance multiplied by a factor.

        Parameters
        ----------
        factors : array
            In the order of the branches.  `network` keeps its values.
        """
        g, c = self.g.copy(), self.c.copy()
        for stamp, factor in zip(self.stamps, factors, strict=True):
            part = c if stamp.reactive else g
            part[stamp.places] += (factor - 1) * stamp.entries
        return replace(self, g=g, c=c)

    def inverse(self, s: Points) -> ComplexArray:
        """Return the inverse matrices at each s, shape (len(s), n, n).

        Raises
        ------
        SingularError
            If the equations have no solution at one of them.
        """
        with _solvable():
            return np.asarray(np.linalg.inv(self._matrices(s)))

    def adjoint(self, s: Points) -> ComplexArray:
        """Return the transfer to the output from a source in each row, shape (len(s), n)."""
        right = np.broadcast_to(self.output[:, None], (len(s), len(self.g), 1))
        with _solvable():
            solution = np.linalg.solve(np.swapaxes(self._matrices(s), 1, 2), right)
        return np.asarray(solution[:, :, 0])

    def response(self, s: Points) -> ComplexArray:
        """Return every unknown for 1 V at the input, shape (len(s), n)."""
        right = np.broadcast_to(self.drive[:, None], (len(s), len(self.g), 1))
        with _solvable():
            solution = np.linalg.solve(self._matrices(s), right)
        return np.asarray(solution[:, :, 0])

    def dc_inverse(self, holds: Mapping[str, float]) -> Array:
        """Return the inverse matrix at DC, with conductances (S) from some nodes to ground.

        Raises
        ------
        SingularError
            If there is none.
        """
        g = self.g.copy()
        for node, conductance in holds.items():
            g[self.index[node], self.index[node]] += conductance
        with _solvable():
            return np.asarray(np.linalg.inv(g))

    def _matrices(self, s: Points) -> ComplexArray:
        return np.asarray(self.g + np.asarray(s, dtype=np.complex128)[:, None, None] * self.c)

    def modes(self, rate: float) -> ComplexArray:
        """Return the natural modes in rad/s, `rate` a typical one (rad/s) for scaling."""
        return _roots(self.g, self.c, rate)

    def polished(self, roots: ComplexArray) -> ComplexArray:
        """Return natural modes improved by two of Newton's steps on the determinant.

        The eigenvalues far from the rate that `modes` was scaled by lose digits; each step is
        ``det/det' = 1/trace((G + s*C)^-1 C)``.
        """
        found = np.array(roots, dtype=np.complex128)
        for _ in range(2):
            try:
                inverse = np.linalg.inv(self.g + found[:, None, None] * self.c)
            except np.linalg.LinAlgError:
                return found  # one of them is exact
            step = 1 / np.einsum("kij,ji->k", inverse, self.c)
            near = np.abs(step) < _NEAR * np.abs(found)
            found = np.where(near, found - step, found)
        return found

    def zeros(self, rate: float) -> ComplexArray:
        """Return the zeros of the transfer from all inputs to the output, rad/s.

        The input's own equation gives way to "the output is zero"; inputs beside the first one
        stay tied to it.  Zeros at infinity come out as large numbers where they are multiple,
        which is why zeros should be followed from known ones and not counted.
        """
        g, c = self.g.copy(), self.c.copy()
        first, *others = (self.index[p.node] for p in self.network.inputs)
        g[first], c[first] = 0.0, 0.0
        g[first] = self.output
        for k in others:
            g[k, first] = -1.0
        return _roots(g, c, rate)


def real_system(network: Network, amplifiers: Mapping[str, Amplifier]) -> RealSystem:
    """Write the equations of a network with a model for each of its op amps.

    Parameters
    ----------
    network : Network
        With values; any kind of part.
    amplifiers : mapping
        Op amp -> model.

    Raises
    ------
    NetworkError
        If a part has no value.
    """
    fixed = network.fixed_nodes
    nodes = [n for n in network.nodes if fixed.get(n) != "ground"]
    index = {n: k for k, n in enumerate(nodes)}
    inner, size = {}, len(nodes)
    for u in network.op_amps:
        one = amplifiers[u.name].one_pole
        inner[u.name] = index[u.out] if one else size
        size += 0 if one else 2
    extra = [b for b in network.branches if b.power not in (0, 1)]
    n = size + len(extra)
    g: Rows = [[0.0] * n for _ in range(n)]
    c: Rows = [[0.0] * n for _ in range(n)]
    held = {index[p.node] for p in network.inputs}
    held |= {index[u.out] for u in network.op_amps if not amplifiers[u.name].output_resistance}
    place = n - len(extra)
    stamps = []
    for b, y in zip(network.branches, admittances(network), strict=True):
        ends = [
            (index[node], sign) for node, sign in zip(b.nodes, _SIGNS, strict=True) if node in index
        ]
        stamp = stamp_of(b.power, float(y), ends, held, place)
        part = c if stamp.reactive else g
        for row, column, entry in stamp.cells:
            part[row][column] += entry
        stamps.append(stamp)
        if b.power not in (0, 1):
            put_extra(g, c, b.power, ends, held, place)
            place += 1
    for p in network.inputs:
        g[index[p.node]][index[p.node]] = 1.0
    for u in network.op_amps:
        _put_op_amp(g, c, index, inner[u.name], (u.plus, u.minus, u.out), amplifiers[u.name])
    return RealSystem(
        network,
        amplifiers,
        index,
        inner,
        frozenset(held),
        tuple(stamps),
        np.array(g, dtype=float),
        np.array(c, dtype=float),
    )


def _put_op_amp(
    g: Rows, c: Rows, index: Mapping[str, int], x: int, pins: tuple[str, str, str], a: Amplifier
) -> None:
    plus, minus, out = (index.get(p) for p in pins)
    if out is None:
        raise AssertionError("an op-amp output is never held")
    g[x][x] += 1 / a.dc_gain
    c[x][x] += 1 / a.gain_bandwidth
    if plus is not None:
        g[x][plus] -= 1.0
    if minus is not None:
        g[x][minus] += 1.0
    if x == out:
        return
    e = x + 1
    g[e][e], g[e][x], c[e][e] = 1.0, -1.0, 1 / a.second_pole
    y = 1 / a.output_resistance if a.output_resistance else 1.0
    g[out][out] += y
    g[out][e] -= y


@contextmanager
def _solvable() -> Iterator[None]:
    """Turn numpy's word for a singular matrix into ours."""
    try:
        yield
    except np.linalg.LinAlgError as error:
        raise SingularError(
            "the circuit has no unique solution with these op amps, at DC or at one of the "
            "frequencies looked at; change one value a little"
        ) from error


def _roots(g: Array, c: Array, rate: float) -> ComplexArray:
    c = c * rate
    size = np.maximum(np.abs(g).max(axis=1), np.abs(c).max(axis=1))[:, None]
    size[size == 0] = 1.0
    with _solvable():
        return finite_modes(g / size, c / size) * rate


def finite_modes(g: Array, c: Array) -> ComplexArray:
    """Return the finite roots of det(G + s*C), found by shift and invert.

    Frequencies should be scaled so that the modes of interest are near 1.
    """
    inverse = np.linalg.solve(g + SHIFT * c, c)
    mu = np.linalg.eigvals(inverse)
    mu = mu[np.abs(mu) > 1e-10 * max(1.0, float(np.abs(mu).max(initial=0.0)))]
    return np.asarray(SHIFT - 1 / mu, dtype=np.complex128)
