"""Op amps paired anew: which inputs belong to which output.

An ideal op amp is a nullator between its inputs and a norator at its output, and the equations
of the ideal network know nothing of which nullator belongs to which norator, nor of the sign;
and nullators that share nodes may be rearranged as any tree on the same nodes (H. J. Carlin, IEEE
Trans. Circuit Theory CT-11 (1964) 67-72; A. C. Davies, Radio Electron. Eng. 34 (1967); A. Antoniou,
Proc. IEE 116 (1969) 1838-1850; from memory).  H stays; what real op amps make of it does not.

A pairing is kept when it is stable with A(s) = wt/s in every op amp, in the limit of large wt for
every combination of `synth.search.wiring.RATIOS` between the op amps, and with equal op amps at
the gain-bandwidth asked for.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import permutations, product
from math import isfinite, pi, prod

import numpy as np

from synth.analysis.amplifier import Amplifier, same_everywhere
from synth.analysis.loop import Loop, analyse
from synth.analysis.numbers import modes, transfer
from synth.analysis.real import real_system
from synth.analysis.roots import IdealRoots, RealRoots, RootShift, real_roots
from synth.errors import NetworkError, NumberError
from synth.network.model import Network
from synth.search.wiring import Wiring, decaying
from synth.transform.repair import THEOREM
from synth.transform.step import Step, unchanged_names

#: Most op amps in a circuit: four on one tree of input nodes have 48,000 pairings already.
MOST_OP_AMPS = 4


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
    real : RealRoots
        Errors of f0 and Q at the gain-bandwidth.
    gain_error : float or None
        Relative error of |H| at the centre; None where H is zero there.
    """

    network: Network
    changes: tuple[PinChange, ...]
    real: RealRoots
    gain_error: float | None

    @property
    def dominant(self) -> RootShift | None:
        """Errors of the pair of the highest Q; None when all poles are real."""
        return next((p for p in self.real.poles if p.q is not None), None)

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
    _ = network.input, network.reading
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
    amplifier = Amplifier(2 * pi * gain_bandwidth_hz)
    roots = IdealRoots(ideal, (), fallback=amplifier.gain_bandwidth)
    centre = centre_frequency(ideal)
    wirings = list(all_wirings(network))
    kept = [w for w, ok in zip(wirings, decaying(network, wirings, ideal), strict=True) if ok]
    found = [
        _judged(network, loop, w, amplifier, centre, real)
        for w in kept
        if (real := real_roots(rewired(network, w), amplifier, ideal=roots)).stable
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
    amplifier: Amplifier,
    centre: float,
    real: RealRoots,
) -> Pairing:
    after = rewired(network, wiring)
    return Pairing(
        after, _changes(network, after), real, gain_error(after, loop, amplifier, centre)
    )


def check_one_pole(network: Network, gain_bandwidth_hz: float) -> None:
    """Raise NetworkError or NumberError where op amps A(s) = wt/s cannot be put in."""
    if not (isfinite(gain_bandwidth_hz) and gain_bandwidth_hz > 0):
        raise NumberError(
            f"the gain-bandwidth {gain_bandwidth_hz:g} Hz must be positive and finite"
        )
    for b in network.branches:
        if b.power not in (0, 1):
            raise NetworkError(
                f"part {b.name} is of kind {b.kind}; real op amps are computed for circuits of "
                "resistors, capacitors and op amps only"
            )


def modes_to_compare(loop: Loop) -> tuple[complex, ...]:
    """Return the ideal modes; NetworkError when one of them grows, so that no error means much."""
    found = modes(loop)
    if any(p.real > 1e-9 * abs(p) for p in found):
        raise NetworkError(
            "a natural mode of this circuit lies in the right half-plane with ideal op amps "
            "already; choose other values first"
        )
    return found


def gain_error(
    network: Network, loop: Loop, amplifier: Amplifier, frequency_hz: float
) -> float | None:
    """Return the relative error of |H| at one frequency; None at a zero of H.

    Parameters
    ----------
    network : Network
        With one input.
    loop : Loop
        Of a network with the same ideal H.
    amplifier : Amplifier
        Every op amp.
    frequency_hz : float
        Where to compare.
    """
    s = 2j * pi * frequency_hz
    h = transfer(loop, loop.transfer())
    ideal = abs(h(s))
    if not isfinite(ideal) or ideal <= 1e-9 * max(abs(h(s * k)) for k in (0.5, 1.0, 2.0)):
        return None
    system = real_system(network, same_everywhere(network, amplifier))
    return float(abs(system.read(system.response(np.array([s])))[0]) / ideal - 1)


def _rank(x: Pairing) -> tuple[float, float, int]:
    q_error = abs(x.dominant.q_shift or 0.0) if x.dominant else 0.0
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
