"""Random networks, and nodal analysis of our own to compare with: no code of synth.analysis.

The oracle is modified nodal analysis in full: Kirchhoff's law at every free node, one current
unknown for each op-amp output, one equation for each op amp (C.-W. Ho, A. E. Ruehli, P. A.
Brennan, IEEE Trans. Circuits Syst. CAS-22 (1975) 504-509, from memory).  Each terminal, that is
each pin at the input or at ground, has a source of its own.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from math import isclose

import numpy as np
import numpy.typing as npt
from hypothesis import assume
from hypothesis import strategies as st

from synth.network.model import Branch, Network, OpAmp, Port

Matrix = npt.NDArray[np.complex128]
Key = tuple[str, str]
BOLTZMANN = 1.380649e-23  # J/K, exact by definition of the SI (2019)


# -- the oracle ------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Amplifier:
    """A(s) = A0 / (1 + s*A0/wt); rad/s."""

    wt: float
    a0: float = 1e5

    def reciprocal(self, s: complex) -> complex:
        return 1 / self.a0 + s / self.wt


@dataclass(frozen=True)
class Mna:
    """Rows of ``M x = B``; columns of B are named by `sources`."""

    matrix: Matrix
    right: Matrix
    unknowns: tuple[str, ...]
    sources: tuple[str | Key, ...]

    def solve(self, node: str) -> dict[str | Key, complex]:
        scale = np.abs(self.matrix).max(axis=1, keepdims=True)
        x = np.linalg.solve(self.matrix / scale, self.right / scale)
        row = x[self.unknowns.index(node)]
        return dict(zip(self.sources, (complex(v) for v in row), strict=True))

    def read(self, network: Network) -> dict[str | Key, complex]:
        """The transfers to the only output, which may be the difference of two nodes.

        Where one of them is an input, the output itself touches the source, and has a key for it.
        """
        port = network.reading
        found: dict[str | Key, complex] = dict.fromkeys(self.sources, 0j)
        for node, pin, sign in zip(port.nodes, "+-", (1, -1), strict=False):
            if node not in self.unknowns:
                found[port.name, pin] = complex(sign)
                continue
            for key, value in self.solve(node).items():
                found[key] += sign * value
        return found

    @property
    def condition(self) -> float:
        """Condition number after scaling of rows, then of columns."""
        if not len(self.matrix):
            return 1.0
        m = self.matrix.copy()
        for axis in (1, 0):
            size = np.abs(m).max(axis=axis, keepdims=True)
            if not size.all():
                return float("inf")
            m = m / size
        return float(np.linalg.cond(m))


def mna(network: Network, s: complex, amplifiers: Mapping[str, Amplifier] | None = None) -> Mna:
    """Write the equations at one s.

    Sources: a key (part, pin) for each terminal, ``hidden`` for the op amps' inaccessible
    references together, ``e NAME`` a voltage in series with the plus input of an op amp, ``i NAME``
    a current from pin 1 to pin 2 beside a branch, ``b NAME pin`` a current into an op-amp input.
    """
    fixed = {*(p.node for p in network.inputs), network.reference, *network.supplies}
    free = [n for n in network.nodes if n not in fixed]
    unknowns = (*free, *(f"current of {u.name}" for u in network.op_amps))
    place = {n: k for k, n in enumerate(unknowns)}
    pins = [(b.name, str(k + 1), n) for b in network.branches for k, n in enumerate(b.nodes)]
    inputs = [(u.name, p, getattr(u, p)) for u in network.op_amps for p in ("plus", "minus")]
    sources: list[str | Key] = [(a, b) for a, b, n in pins + inputs if n in fixed]
    sources += ["hidden", *(f"e {u.name}" for u in network.op_amps)]
    sources += [f"i {b.name}" for b in network.branches] + [f"b {a} {p}" for a, p, _ in inputs]
    column = {name: k for k, name in enumerate(sources)}
    m = np.zeros((len(unknowns), len(unknowns)), complex)
    rhs = np.zeros((len(unknowns), len(sources)), complex)

    def put(row: int, node: str, key: Key, value: complex) -> None:
        if node in fixed:
            rhs[row, column[key]] -= value
        else:
            m[row, place[node]] += value

    for b in network.branches:
        y = _admittance(b, s)
        for here, there, sign in ((0, 1, -1.0), (1, 0, 1.0)):
            if b.nodes[here] in fixed:
                continue
            row = place[b.nodes[here]]
            m[row, row] += y
            put(row, b.nodes[there], (b.name, str(there + 1)), -y)
            rhs[row, column[f"i {b.name}"]] += sign
    for u in network.op_amps:
        row = place[f"current of {u.name}"]
        m[place[u.out], row] = -1
        put(row, u.plus, (u.name, "plus"), 1)
        put(row, u.minus, (u.name, "minus"), -1)
        rhs[row, column[f"e {u.name}"]] = -1
        if amplifiers is not None:
            inverse = amplifiers[u.name].reciprocal(s)
            m[row, place[u.out]] -= inverse
            rhs[row, column["hidden"]] = -inverse
        for pin in ("plus", "minus"):
            if getattr(u, pin) not in fixed:
                rhs[place[getattr(u, pin)], column[f"b {u.name} {pin}"]] += 1
    return Mna(m, rhs, unknowns, tuple(sources))


def _admittance(b: Branch, s: complex) -> complex:
    if b.value is None:
        raise ValueError(f"{b.name} has no value")
    return {0: 1 / b.value, 1: s * b.value, -1: 1 / (s * b.value) if s else 0, 2: s * s * b.value}[
        b.power
    ]


def terminal_transfers(
    network: Network, s: complex, amplifiers: Mapping[str, Amplifier] | None = None
) -> dict[Key | str, complex]:
    """T_k(s) by terminal key, and T_hidden under ``hidden``."""
    found = mna(network, s, amplifiers).read(network)
    return {k: v for k, v in found.items() if isinstance(k, tuple) or k == "hidden"}


def transfer(
    network: Network, s: complex, amplifiers: Mapping[str, Amplifier] | None = None
) -> complex:
    """H(s): the sum over the terminals at the input."""
    found = mna(network, s, amplifiers).read(network)
    driven = {t.key for t in network.terminals if t.at != "ground"}
    return sum((v for k, v in found.items() if k in driven), 0j)


def noise_density(
    network: Network,
    frequency_hz: float,
    amplifiers: Mapping[str, Amplifier],
    voltage_noise: float = 5e-9,
    temperature: float = 300.0,
) -> float:
    """Output noise in V/sqrt(Hz) with the source at zero: 4kT/R of each resistor (H. Nyquist,
    Phys. Rev. 32 (1928) 110-113) and the amplifiers' voltage noise, in V/sqrt(Hz)."""
    found = mna(network, 2j * np.pi * frequency_hz, amplifiers).read(network)
    power = 0.0
    for b in network.branches:
        if b.power == 0 and b.value:
            power += 4 * BOLTZMANN * temperature / b.value * abs(found[f"i {b.name}"]) ** 2
    power += sum((voltage_noise * abs(found[f"e {u.name}"])) ** 2 for u in network.op_amps)
    return float(power**0.5)


def output_offset(
    network: Network, amplifiers: Mapping[str, Amplifier], s: complex = 0, bias: float = 1e-9
) -> float | None:
    """Output in V with the source at zero, from 1, 2, ... mV of offset and a bias current in A.

    None where direct current has no path, so that the offset has no value.
    """
    system = mna(network, s, amplifiers)
    if system.condition > 1e13:
        return None
    found = system.read(network)
    total = 0j
    for k, u in enumerate(network.op_amps, start=1):
        total += k * 1e-3 * found[f"e {u.name}"]
        total += bias * (found[f"b {u.name} plus"] + found[f"b {u.name} minus"])
    return float(total.real)


def return_ratio(network: Network, s: complex, amplifier: Amplifier) -> complex:
    """Loop gain T(s) of the only op amp: its output driven by 1 V, all terminals at zero."""
    (u,) = network.op_amps
    driven = replace(
        network,
        op_amps=(),
        inputs=(Port("test", u.out),),
        outputs=(),
        supplies=(*network.supplies, network.input),
        held=frozenset(),
    )
    passive = mna(driven, s)
    at = {(name, pin): node for name, pin, node in driven.pins()}
    weights = np.array([float(at.get(k) == u.out) for k in passive.sources])  # type: ignore[arg-type]
    voltages = dict(
        zip(
            passive.unknowns,
            np.linalg.solve(passive.matrix, passive.right @ weights) if passive.unknowns else (),
            strict=True,
        )
    )
    voltages[u.out] = 1.0
    difference = voltages.get(u.plus, 0) - voltages.get(u.minus, 0)
    return complex(-difference / amplifier.reciprocal(s))


def modes_by_eigenvalues(
    network: Network, rate: float, amplifiers: Mapping[str, Amplifier] | None = None
) -> list[complex]:
    """Natural modes over `rate`, smallest first: generalised eigenvalues by scipy.

    The currents of the op-amp outputs, each in one equation only, are left out with it.
    Eigenvalues above 1e9 stand for infinity and are left out too.
    """
    from scipy.linalg import eigvals

    def reduced(s: complex) -> Matrix:
        system = mna(network, s, amplifiers)
        free = len(system.unknowns) - len(network.op_amps)
        outs = {system.unknowns.index(u.out) for u in network.op_amps}
        rows = [k for k in range(len(system.unknowns)) if k not in outs]
        return system.matrix[np.ix_(rows, range(free))]

    m0 = reduced(0).real
    m1 = reduced(rate).real - m0
    size = (np.abs(m0) + np.abs(m1)).max(axis=1, keepdims=True)
    alpha, beta = eigvals(m0 / size, -m1 / size, homogeneous_eigvals=True)
    finite = np.abs(beta) > 1e-9 * np.abs(alpha)
    return sorted((complex(x) for x in alpha[finite] / beta[finite]), key=abs)


def several_inputs(network: Network, count: int, rng: np.random.Generator) -> Network | None:
    """Share the terminals of a network out among `count` inputs and ground, at random.

    None where an input gets no terminal, or a part ends up shorted.
    """
    nodes = [f"in{k}" for k in range(1, count + 1)]
    ports = tuple(Port(n, n) for n in nodes)
    moves = {t.key: str(rng.choice([*nodes, "0"])) for t in network.terminals}
    if not set(nodes) <= set(moves.values()):
        return None
    for b in network.branches:
        ends = [moves.get((b.name, str(k + 1)), n) for k, n in enumerate(b.nodes)]
        if ends[0] == ends[1]:
            return None
    for u in network.op_amps:
        if moves.get((u.name, "plus"), u.plus) == moves.get((u.name, "minus"), u.minus):
            return None
    moved = replace(network, inputs=ports)
    return moved.with_pins(moves)


def determinant(network: Network, s: complex) -> complex:
    """Determinant of the ideal equations at one s."""
    return complex(np.linalg.det(mna(network, s).matrix))


def rate_of(network: Network) -> float:
    """A rate 1/RC typical of the parts, rad/s."""
    r = [b.value for b in network.branches if b.power == 0 and b.value]
    c = [b.value for b in network.branches if b.power == 1 and b.value]
    if not r or not c:
        return 1e4
    return float(1 / np.exp(np.mean(np.log(r)) + np.mean(np.log(c))))


def sample_points(network: Network, count: int, seed: int = 1) -> list[complex]:
    """Points off the axes around the rates of the network, both half-planes."""
    rng = np.random.default_rng(seed)
    size = rate_of(network) * 10 ** rng.uniform(-1, 1, count)
    return [
        complex(r * np.exp(1j * a)) for r, a in zip(size, rng.uniform(0.1, 3, count), strict=True)
    ]


def same_multiset(
    a: Sequence[complex], b: Sequence[complex], tolerance: float, floor: float = 0.0
) -> bool:
    """Match each number of `a` with one of `b`, each used once."""
    if len(a) != len(b):
        return False
    left = list(b)
    for x in sorted(a, key=abs, reverse=True):
        nearest = min(left, key=lambda y: abs(x - y))
        if abs(x - nearest) > tolerance * abs(x) + floor:
            return False
        left.remove(nearest)
    return True


def same_network(a: Network, b: Network) -> bool:
    """Same parts on the same nodes under the same names, values to rounding."""
    values_a, values_b = a.values, b.values
    return (
        [(x.name, x.power, x.nodes) for x in a.branches]
        == [(x.name, x.power, x.nodes) for x in b.branches]
        and [(u.name, u.plus, u.minus, u.out) for u in a.op_amps]
        == [(u.name, u.plus, u.minus, u.out) for u in b.op_amps]
        and (a.inputs, a.outputs, a.reference) == (b.inputs, b.outputs, b.reference)
        and values_a.keys() == values_b.keys()
        and all(isclose(values_a[n], values_b[n], rel_tol=1e-12) for n in values_a)
    )


# -- random networks -------------------------------------------------------------------------------

_LETTER = {0: "R", 1: "C", -1: "L", 2: "D"}
_CENTRE = {0: 1e4, 1: 1e-8, -1: 1.0, 2: 1e-12}  # all of about the same impedance at 1e4 rad/s


def is_regular(network: Network) -> bool:
    """The ideal equations have a well-conditioned solution at two places."""
    return max(mna(network, s).condition for s in sample_points(network, 2)) < 1e8


def is_singular(network: Network) -> bool:
    """The ideal equations have no unique solution at either of two places."""
    return min(mna(network, s).condition for s in sample_points(network, 2)) > 1e14


def any_network(rng: np.random.Generator, powers: Sequence[int] = (0, 1)) -> Network:
    """A connected network with up to six free nodes and three op amps; it may be singular."""
    count = int(rng.integers(1, 7))
    free = [f"n{k}" for k in range(1, count)] + ["out"]
    amplifiers = int(rng.integers(0, min(3, count) + 1))
    outs = [str(n) for n in rng.permutation(free)[:amplifiers]]
    op_amps = []
    for k, out in enumerate(outs, start=1):
        plus, minus = out, out
        while plus == minus or {plus, minus} <= {"in", "0"}:
            plus, minus = (str(n) for n in rng.choice([*free, "in", "0", "0"], 2))
        op_amps.append(OpAmp(f"U{k}", plus, minus, out))
    order = ["in", *(str(n) for n in rng.permutation([*free, "0"]))]
    edges = [(order[int(rng.integers(0, k))], order[k]) for k in range(1, len(order))]
    for _ in range(int(rng.integers(0, count + 2))):
        a, b = (str(n) for n in rng.choice(order, 2, replace=False))
        edges.append((a, b))
    branches = []
    for k, nodes in enumerate(edges, start=1):
        power = int(rng.choice(powers))
        value = float(f"{_CENTRE[power] * 10 ** rng.uniform(-0.7, 0.7):.3g}")
        branches.append(Branch(f"{_LETTER[power]}{k}", power, nodes, value))
    return Network(tuple(branches), tuple(op_amps))


def random_networks(count: int, seed: int, powers: Sequence[int] = (0, 1)) -> Iterator[Network]:
    """Yield `count` non-singular networks."""
    rng = np.random.default_rng(seed)
    while count:
        network = any_network(rng, powers)
        if is_regular(network):
            count -= 1
            yield network


@st.composite
def networks(draw: st.DrawFn, least_op_amps: int = 0) -> Network:
    """Non-singular RC-op-amp networks with values, drawn part by part so that they shrink."""
    count = draw(st.integers(max(1, least_op_amps), 5))
    free = [f"n{k}" for k in range(1, count)] + ["out"]
    outs = draw(
        st.lists(st.sampled_from(free), min_size=least_op_amps, max_size=min(3, count), unique=True)
    )
    op_amps = []
    for k, out in enumerate(outs, start=1):
        minus = draw(st.sampled_from(free))
        plus = draw(st.sampled_from([n for n in ("0", "in", *free) if n != minus]))
        op_amps.append(OpAmp(f"U{k}", plus, minus, out))
    tree = ["in", *draw(st.permutations([*free, "0"]))]
    edges = [(draw(st.sampled_from(tree[:k])), tree[k]) for k in range(1, len(tree))]
    pair = st.lists(st.sampled_from(tree), min_size=2, max_size=2, unique=True)
    edges += [(a, b) for a, b in draw(st.lists(pair, max_size=count + 1))]
    branches = []
    for k, nodes in enumerate(edges, start=1):
        power = draw(st.sampled_from((0, 1)))
        value = _CENTRE[power] * draw(st.sampled_from((0.22, 0.47, 1.0, 1.5, 2.7, 5.6)))
        branches.append(Branch(f"{_LETTER[power]}{k}", power, nodes, float(f"{value:.3g}")))
    network = Network(tuple(branches), tuple(op_amps))
    assume(is_regular(network))
    return network
