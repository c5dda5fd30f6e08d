"""The network with real op amps: DC gain, two poles, output resistance; any number of inputs.

The equations are a descriptor system ``(G + s*C) x = sources``.  Unknown are the voltages of all
nodes but ground, inputs included, and for every op amp two more: x behind its first pole, and e
behind the second, in front of the output resistance::

    (1/A0 + s/wt) x = v_plus - v_minus        (1 + s/w2) e = x        e - rout * i_out = v_out

Rows stand in the order of the unknowns.  A source in a node's row is a current into the node; one
in the row of x is a voltage in series with the input pins.  Where a node is held (an input, or
the output of an op amp without output resistance) its row says so, and currents into it do
nothing.  One inverse of the matrix holds the transfers from and to everywhere: its row of the
output is the adjoint solution (S. W. Director and R. A. Rohrer, IEEE Trans. Circuit Theory CT-16
(1969) 318-323, from memory).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from math import inf
from typing import Any

import numpy as np
import numpy.typing as npt

from synth.analysis.amplifier import finite_modes
from synth.analysis.numbers import admittances
from synth.errors import SingularError
from synth.network.model import Network

Array = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]
#: Complex frequencies in rad/s, of whatever precision numpy made them.
Points = npt.NDArray[np.complexfloating[Any, Any]]


#: Largest relative step of an eigenvalue that is believed to be an improvement.
_NEAR = 1e-2


@dataclass(frozen=True)
class Amplifier:
    """An op amp as the small signal sees it.

    Parameters
    ----------
    gain_bandwidth : float
        A0 times the first pole, rad/s; infinite for a plain gain A0.
    dc_gain : float
        A0; infinite for an integrator wt/s, and with infinite `gain_bandwidth` for the ideal.
    second_pole : float
        rad/s.
    output_resistance : float
        ohm.
    """

    gain_bandwidth: float
    dc_gain: float = inf
    second_pole: float = inf
    output_resistance: float = 0.0

    def faster(self, factor: float) -> Amplifier:
        """Return the op amp with its gain and both poles' frequencies multiplied."""
        return replace(
            self,
            gain_bandwidth=self.gain_bandwidth * factor,
            dc_gain=self.dc_gain * factor,
            second_pole=self.second_pole * factor,
        )


@dataclass(frozen=True)
class Stamp:
    """What one branch has put into the equations, in proportion to its admittance.

    Parameters
    ----------
    reactive : bool
        Whether it stands in C, else in G.
    rows, columns, entries : array
        Of each place once.
    """

    reactive: bool
    rows: npt.NDArray[np.intp]
    columns: npt.NDArray[np.intp]
    entries: Array


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
        Op amp -> place of its x; that of its e is the next one.
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
    def output(self) -> int:
        """Place of the output node."""
        return self.index[self.network.output]

    @property
    def drive(self) -> Array:
        """Sources for 1 V at every input."""
        found = np.zeros(len(self.g))
        found[[self.index[p.node] for p in self.network.inputs]] = 1.0
        return found

    @property
    def hidden(self) -> Array:
        """Sources for 1 V at the inaccessible reference of every op amp."""
        found = np.zeros(len(self.g))
        for u in self.network.op_amps:
            found[self.index[u.out]] = 1 / (self.amplifiers[u.name].output_resistance or 1.0)
        return found

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
        """Return the same network with other op amps, which keep their output resistances."""
        g, c = self.g.copy(), self.c.copy()
        for name, x in self.inner.items():
            _put_poles(g, c, x, amplifiers[name])
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
            part[stamp.rows, stamp.columns] += (factor - 1) * stamp.entries
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
        right = np.zeros((len(s), len(self.g), 1))
        right[:, self.output] = 1.0
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
        g[first, self.output] = 1.0
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
    inner = {u.name: len(nodes) + 2 * k for k, u in enumerate(network.op_amps)}
    extra = [b for b in network.branches if b.power not in (0, 1)]
    n = len(nodes) + 2 * len(inner) + len(extra)
    g, c = np.zeros((n, n)), np.zeros((n, n))
    held = {index[p.node] for p in network.inputs}
    held |= {index[u.out] for u in network.op_amps if not amplifiers[u.name].output_resistance}
    place = n - len(extra)
    stamps = []
    for b, y in zip(network.branches, admittances(network), strict=True):
        at = [index[node] for node in b.nodes if node in index]
        signs = [sign for node, sign in zip(b.nodes, (1.0, -1.0), strict=True) if node in index]
        stamp = _stamp(b.power, float(y), at, signs, held, place)
        part = c if stamp.reactive else g
        part[stamp.rows, stamp.columns] += stamp.entries
        stamps.append(stamp)
        if b.power not in (0, 1):
            _put_extra(g, c, b.power, at, signs, held, place)
            place += 1
    for p in network.inputs:
        g[index[p.node], index[p.node]] = 1.0
    for u in network.op_amps:
        _put_op_amp(g, c, index, inner[u.name], (u.plus, u.minus, u.out), amplifiers[u.name])
    return RealSystem(network, amplifiers, index, inner, frozenset(held), tuple(stamps), g, c)


def same_everywhere(network: Network, model: Amplifier) -> dict[str, Amplifier]:
    """Return the model for every op amp of the network."""
    return {u.name: model for u in network.op_amps}


def _stamp(
    power: int, y: float, at: Sequence[int], signs: Sequence[float], held: set[int], place: int
) -> Stamp:
    """Return the entries that are in proportion to a branch's admittance coefficient."""
    if power in (0, 1):
        cells = [
            (row, column, sign * other * y)
            for row, sign in zip(at, signs, strict=True)
            if row not in held
            for column, other in zip(at, signs, strict=True)
        ]
    elif power == -1:  # the current i of an inductor: s*i = y*v
        cells = [(place, k, -sign * y) for k, sign in zip(at, signs, strict=True)]
    else:  # w = s*v of a frequency-dependent resistance: i = s*y*w
        cells = [(k, place, sign * y) for k, sign in zip(at, signs, strict=True) if k not in held]
    rows, columns, entries = zip(*cells, strict=True) if cells else ((), (), ())
    return Stamp(
        power > 0,
        np.array(rows, dtype=np.intp),
        np.array(columns, dtype=np.intp),
        np.array(entries, dtype=float),
    )


def _put_extra(
    g: Array,
    c: Array,
    power: int,
    at: Sequence[int],
    signs: Sequence[float],
    held: set[int],
    place: int,
) -> None:
    """Put the entries of an inductor or a frequency-dependent resistance that have no value."""
    if power == -1:
        c[place, place] = 1.0
        for k, sign in zip(at, signs, strict=True):
            if k not in held:
                g[k, place] += sign
    else:
        g[place, place] = 1.0
        for k, sign in zip(at, signs, strict=True):
            c[place, k] -= sign


def _put_op_amp(
    g: Array, c: Array, index: Mapping[str, int], x: int, pins: tuple[str, str, str], a: Amplifier
) -> None:
    plus, minus, out = (index.get(p) for p in pins)
    _put_poles(g, c, x, a)
    if plus is not None:
        g[x, plus] -= 1.0
    if minus is not None:
        g[x, minus] += 1.0
    e = x + 1
    g[e, e], g[e, x] = 1.0, -1.0
    if out is None:
        raise AssertionError("an op-amp output is never held")
    y = 1 / a.output_resistance if a.output_resistance else 1.0
    g[out, out] += y
    g[out, e] -= y


def _put_poles(g: Array, c: Array, x: int, a: Amplifier) -> None:
    g[x, x], c[x, x], c[x + 1, x + 1] = 1 / a.dc_gain, 1 / a.gain_bandwidth, 1 / a.second_pole


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
