"""Op amps paired anew: which inputs belong to which output.

An ideal op amp is a nullator between its inputs and a norator at its output, and the equations
of the ideal network know nothing of which nullator belongs to which norator, nor of the sign;
and nullators that share nodes may be rearranged as any tree on the same nodes (H. J. Carlin, IEEE
Trans. Circuit Theory CT-11 (1964) 67-72; A. C. Davies, Radio Electron. Eng. 34 (1967); A. Antoniou,
Proc. IEE 116 (1969) 1838-1850; from memory).  H stays; what real op amps make of it does not.

A pairing is kept when it is stable with A(s) = wt/s in every op amp, in the limit of large wt for
every combination of `RATIOS` between the op amps, and with equal op amps at the gain-bandwidth
asked for.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import permutations, product
from math import pi, prod

import numpy as np
import numpy.typing as npt

from synth.analysis.amplifier import OnePole, pencil
from synth.analysis.loop import Loop, analyse
from synth.analysis.pole_error import (
    PoleError,
    RealPoles,
    check_one_pole,
    gain_error,
    modes_to_compare,
    real_poles,
)
from synth.errors import NetworkError
from synth.network.model import Network
from synth.transform.repair import THEOREM
from synth.transform.step import Step, unchanged_names

#: Number of op amps -> the gain-bandwidths of the op amps relative to each other; every
#: combination is tried.
RATIOS: Mapping[int, tuple[float, ...]] = {
    1: (1.0,),
    2: (0.1, 1 / 3, 1.0, 3.0, 10.0),
    3: (0.1, 1.0, 10.0),
    4: (0.1, 1.0, 10.0),
}
#: Most op amps in a circuit: four on one tree of input nodes have 48,000 pairings already.
MOST_OP_AMPS = 4
#: Gain-bandwidths that stand for the limit, in multiples of the fastest ideal mode.
_LIMIT = (1e4, 1e6)
_CHUNK = 4096

#: (plus, minus) of each op amp.
Wiring = tuple[tuple[str, str], ...]
Mask = npt.NDArray[np.bool_]


@dataclass(frozen=True)
class PinChange:
    """An op-amp input pin, the node it was on, and the node it is on now."""

    op_amp: str
    pin: str
    before: str
    after: str


@dataclass(frozen=True)
class Pairing:
    """One stable way to pair the op amps.

    Parameters
    ----------
    network : Network
        The circuit so wired.
    changes : tuple of PinChange
        Input pins on another node than before; empty for the circuit as it was.
    real : RealPoles
        Errors of f0 and Q at the gain-bandwidth.
    gain_error : float or None
        Relative error of |H| at the centre; None where H is zero there.
    """

    network: Network
    changes: tuple[PinChange, ...]
    real: RealPoles
    gain_error: float | None

    @property
    def dominant(self) -> PoleError | None:
        """Errors of the pair of the highest Q."""
        return self.real.dominant

    @property
    def worst(self) -> float:
        """The largest magnitude of any relative error of f0 or Q: what the ranking goes by."""
        return self.real.worst

    def step(self) -> Step:
        """Return the rewiring as a step of a derivation."""
        moves = tuple((f"{c.op_amp}.{c.pin}", f"{c.before} to {c.after}") for c in self.changes)
        return Step("pair-op-amps", moves, THEOREM, unchanged_names(self.network))


@dataclass(frozen=True)
class Pairings:
    """All stable pairings of a circuit, best first.

    Parameters
    ----------
    network : Network
        The circuit as it was.
    gain_bandwidth_hz : float
        Of every op amp.
    centre_hz : float
        Where the gain error is taken: f0 of the pair of the highest Q, else the geometric mean
        of the poles; 0 without poles.
    tried : int
        Pairings with the same ideal H.
    growing : int
        Of these, stable in the limit but not at this gain-bandwidth.
    stable : tuple of Pairing
    """

    network: Network
    gain_bandwidth_hz: float
    centre_hz: float
    tried: int
    growing: int
    stable: tuple[Pairing, ...]


def pairings(network: Network, gain_bandwidth_hz: float) -> Pairings:
    """Pair inputs and outputs of the op amps in every way and rank what is stable.

    Parameters
    ----------
    network : Network
        Resistors, capacitors and one to four op amps, with values, one input and one output.
    gain_bandwidth_hz : float
        Of every op amp, for the errors.

    Returns
    -------
    Pairings
        Ranked by the worst of |f0 error| and |Q error| over all poles, then by the Q error of
        the dominant pair, then by the number of pins that change.

    Raises
    ------
    NetworkError
        If there is no op amp or too many, a part has no value or is no resistor or capacitor, or
        the ideal circuit has a growing mode.
    NumberError
        If the gain-bandwidth is not positive.
    SingularError
        If the ideal circuit has no unique solution.
    """
    _ = network.input, network.output
    count = len(network.op_amps)
    if not count:
        raise NetworkError("this circuit has no op amp, so there is nothing to pair")
    if count > MOST_OP_AMPS:
        raise NetworkError(
            f"this circuit has {count} op amps; pairings are tried for circuits of up to "
            f"{MOST_OP_AMPS}, so take a stage of it at a time"
        )
    check_one_pole(network, gain_bandwidth_hz)
    loop = analyse(network)
    ideal = modes_to_compare(loop)
    centre = centre_frequency(ideal)
    wirings = list(all_wirings(network))
    kept = [w for w, ok in zip(wirings, _stable(network, wirings, ideal), strict=True) if ok]
    found = [
        _judged(network, loop, w, gain_bandwidth_hz, centre, real)
        for w in kept
        if (real := real_poles(rewired(network, w), gain_bandwidth_hz, ideal)).stable
    ]
    return Pairings(
        network,
        gain_bandwidth_hz,
        centre,
        len(wirings),
        len(kept) - len(found),
        tuple(sorted(found, key=_rank)),
    )


def centre_frequency(ideal: Sequence[complex]) -> float:
    """Return f0 in Hz of the pair of the highest Q, else the geometric mean of the modes."""
    sizes = [abs(p) for p in ideal if p]
    if not sizes:
        return 0.0
    pairs = [p for p in ideal if p.imag]
    if pairs:
        best = max(pairs, key=lambda p: abs(p) / max(abs(p.real), 1e-300))
        return abs(best) / (2 * pi)
    return float(prod(x ** (1 / len(sizes)) for x in sizes)) / (2 * pi)


def _judged(
    network: Network,
    loop: Loop,
    wiring: Wiring,
    gain_bandwidth_hz: float,
    centre: float,
    real: RealPoles,
) -> Pairing:
    after = rewired(network, wiring)
    return Pairing(
        after, _changes(network, after), real, gain_error(after, loop, gain_bandwidth_hz, centre)
    )


def _rank(x: Pairing) -> tuple[float, float, int]:
    q_error = abs(x.dominant.q_error or 0.0) if x.dominant else 0.0
    return float(f"{x.worst:.6g}"), float(f"{q_error:.6g}"), len(x.changes)


def rewired(network: Network, wiring: Wiring) -> Network:
    """Return the network with its op amps' inputs on these nodes."""
    return replace(
        network,
        op_amps=tuple(
            replace(u, plus=plus, minus=minus)
            for u, (plus, minus) in zip(network.op_amps, wiring, strict=True)
        ),
    )


def _changes(before: Network, after: Network) -> tuple[PinChange, ...]:
    return tuple(
        PinChange(u.name, pin, x, y)
        for u, v in zip(before.op_amps, after.op_amps, strict=True)
        for pin, x, y in (("plus", u.plus, v.plus), ("minus", u.minus, v.minus))
        if x != y
    )


# -- every wiring ----------------------------------------------------------------------------------


def all_wirings(network: Network) -> Iterator[Wiring]:
    """Yield every wiring with the same ideal equations, the present one among them.

    An op amp with a pin kept grounded stays as it is.
    """
    held = {t.part for t in network.terminals if t.held == "kept grounded"}
    free = [u for u in network.op_amps if u.name not in held]
    groups = _groups([(u.plus, u.minus) for u in free])
    for forest in product(*(list(_trees(nodes)) for nodes in groups)):
        nullators = [edge for tree in forest for edge in tree]
        for order in permutations(nullators):
            for flips in product((False, True), repeat=len(order)):
                pins = {
                    u.name: (edge[1], edge[0]) if flip else edge
                    for u, edge, flip in zip(free, order, flips, strict=True)
                }
                yield tuple(pins.get(u.name, (u.plus, u.minus)) for u in network.op_amps)


def _groups(edges: Sequence[tuple[str, str]]) -> list[tuple[str, ...]]:
    """Return the nodes of each connected set of nullators."""
    groups: list[dict[str, None]] = []
    for edge in edges:
        joined = dict.fromkeys(edge)
        apart = []
        for g in groups:
            if joined.keys() & g.keys():
                joined = g | joined
            else:
                apart.append(g)
        groups = [*apart, joined]
    return [tuple(g) for g in groups]


def _trees(nodes: Sequence[str]) -> Iterator[tuple[tuple[str, str], ...]]:
    """Yield every tree on the nodes, each from its Pruefer sequence.

    There are n**(n - 2) (A. Cayley, Quart. J. Pure Appl. Math. 23 (1889) 376-378, from memory).
    """
    n = len(nodes)
    for sequence in product(range(n), repeat=n - 2):
        degree = [1 + sequence.count(k) for k in range(n)]
        edges = []
        for k in sequence:
            leaf = degree.index(1)
            edges.append((nodes[leaf], nodes[k]))
            degree[leaf] = 0
            degree[k] -= 1
        a, b = (k for k, d in enumerate(degree) if d == 1)
        edges.append((nodes[a], nodes[b]))
        yield tuple(edges)


# -- stability in the limit ------------------------------------------------------------------------


def _stable(network: Network, wirings: Sequence[Wiring], ideal: Sequence[complex]) -> Mask:
    """Say for each wiring whether the modes that run to infinity stay left of the axis.

    The others tend to the ideal ones whatever the wiring.  Equal op amps sort out most.
    """
    count = len(network.op_amps)
    combinations = [(1.0,) * count, *product(RATIOS[count], repeat=count)]
    alive = np.ones(len(wirings), dtype=np.bool_)
    trials = [(limit, combinations[0]) for limit in _LIMIT]
    trials += [(_LIMIT[0], c) for c in combinations[1:]]
    for limit, ratios in trials:
        index = np.flatnonzero(alive)
        for start in range(0, len(index), _CHUNK):
            part = index[start : start + _CHUNK]
            some = [wirings[k] for k in part]
            alive[part] = _fast_modes_decay(network, some, ideal, limit * np.array(ratios))
    return alive


def _fast_modes_decay(
    network: Network,
    wirings: Sequence[Wiring],
    ideal: Sequence[complex],
    ratios: npt.NDArray[np.float64],
) -> Mask:
    """Judge many wirings at once; `ratios` are the op amps' wt over the fastest ideal mode."""
    scale = max((abs(p) for p in ideal), default=0.0) or _rate(network)
    models = {
        u.name: OnePole(float(r) * scale) for u, r in zip(network.op_amps, ratios, strict=True)
    }
    p = pencil(network, models)
    index = {n: k for k, n in enumerate(p.nodes)}
    g = np.repeat(p.g[None], len(wirings), axis=0)
    c = p.c * scale
    for k, u in enumerate(network.op_amps):
        row = index[u.out]
        g[:, row, :] = 0.0
        for m, wiring in enumerate(wirings):
            for node, sign in zip(wiring[k], (-1.0, 1.0), strict=True):
                if node in index:
                    g[m, row, index[node]] = sign
    size = np.maximum(np.abs(g).max(axis=2), np.abs(c).max(axis=1)[None])[:, :, None]
    shift = 0.7390851332151607  # no network's own number
    g, cs = g / size, c[None] / size
    mu = np.linalg.eigvals(np.linalg.solve(g + shift * cs, cs))
    floor = 1e-10 * np.maximum(1.0, np.abs(mu).max(axis=1, keepdims=True))
    finite = np.abs(mu) > floor
    s = shift - 1 / np.where(finite, mu, 1.0)
    far = np.where(finite, np.abs(s), -1.0)
    order = np.argsort(far, axis=1)  # infinite ones first, then the slow, then the fast
    s = np.take_along_axis(s, order, axis=1)
    rank = np.arange(s.shape[1])[None] - (~finite).sum(axis=1, keepdims=True)
    fast = rank >= len(ideal)
    return np.asarray(np.all(~fast | (s.real < -1e-6 * np.abs(s)), axis=1), dtype=np.bool_)


def _rate(network: Network) -> float:
    """Return a rate 1/RC of the parts, for circuits without a mode of their own."""
    r = [b.value for b in network.branches if b.power == 0 and b.value]
    c = [b.value for b in network.branches if b.power == 1 and b.value]
    if not r or not c:
        return 1.0
    return float(np.exp(-np.mean(np.log(r)) - np.mean(np.log(c))))
