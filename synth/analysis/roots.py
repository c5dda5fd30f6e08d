"""Poles and zeros with real op amps beside the ideal ones, each followed from the one it was.

The op amps' gain and poles are first taken very much faster than they are and then let down step
by step to what they are; each root is followed all the way, so that it is compared with the ideal
root it comes from.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from math import inf, pi

import numpy as np

from synth.analysis.amplifier import Amplifier, same_everywhere
from synth.analysis.loop import Loop, analyse
from synth.analysis.numbers import modes, transfer
from synth.analysis.real import ComplexArray, RealSystem, real_system
from synth.errors import NumberError
from synth.network.model import Network

#: Following starts where the slower of gain-bandwidth and second pole is this multiple of the
#: fastest ideal root, in steps of this factor.
_START, _FACTOR = 1e4, 2.0
#: Roots nearer to each other than this, relative, are one cluster.
CLUSTER = 3e-3
#: A gain-bandwidth may be below the fastest ideal root by this factor at most.
_SLOWEST = 1e3


@dataclass(frozen=True)
class RootShift:
    """A real root, or a complex pair, with ideal and with real op amps.

    Parameters
    ----------
    ideal, real : complex
        rad/s; of a pair the one above the axis.  Where a pair has come to the axis and parted,
        `real` is the slower of the two.
    partner : complex or None
        The other root of a pair, with real op amps.
    f0_hz : float
        Ideal |root|/(2 pi).
    q : float or None
        Of an ideal pair, ``|root|/(-2 Re root)``: infinite on the axis, negative to the right of
        it; None for a real root.
    f0_shift : float
        Relative change of f0.
    q_shift : float or None
        Relative change of Q; None where `q` is None or infinite.
    real_q : float or None
        Q with real op amps.
    """

    ideal: complex
    real: complex
    partner: complex | None
    f0_hz: float
    q: float | None
    f0_shift: float
    q_shift: float | None
    real_q: float | None

    @property
    def worst(self) -> float:
        """The larger magnitude of the two shifts."""
        return max(abs(self.f0_shift), abs(self.q_shift or 0.0))


@dataclass(frozen=True)
class RealRoots:
    """What the op amps make of the ideal roots.

    Parameters
    ----------
    poles, zeros : tuple of RootShift
        Highest Q first; roots at the origin have no frequency and are left out.
    all_poles : tuple of complex
        Every natural mode with real op amps, rad/s, slowest first.
    stable : bool
        No mode grows.
    """

    poles: tuple[RootShift, ...]
    zeros: tuple[RootShift, ...]
    all_poles: tuple[complex, ...]
    stable: bool

    @property
    def dominant(self) -> RootShift | None:
        """The pole pair of the highest Q, or the slowest real pole; None without poles."""
        return dominant(self.poles)

    @property
    def worst(self) -> float:
        """The largest magnitude of any shift of a pole's f0 or Q."""
        return max((p.worst for p in self.poles), default=0.0)


def dominant(poles: Sequence[RootShift]) -> RootShift | None:
    """Return the pole pair of the highest Q, or the slowest real pole; None without poles.

    Parameters
    ----------
    poles : sequence of RootShift
        Highest Q first.
    """
    pairs = [p for p in poles if p.q is not None]
    return pairs[0] if pairs else min(poles, key=lambda p: p.f0_hz, default=None)


@dataclass(frozen=True)
class IdealRoots:
    """Modes and zeros with ideal op amps, rad/s.

    `fallback` is a rate 1/RC of the parts, for networks whose roots are all at the origin.
    """

    poles: tuple[complex, ...]
    zeros: tuple[complex, ...]
    fallback: float = 1.0

    @property
    def rate(self) -> float:
        """A typical rate: the geometric mean of the roots' magnitudes, rad/s."""
        sizes = [abs(r) for r in (*self.poles, *self.zeros) if r]
        return float(np.exp(np.mean(np.log(sizes)))) if sizes else self.fallback

    @property
    def fastest(self) -> float:
        """The largest magnitude of a root, rad/s; 0 without any."""
        return max((abs(r) for r in (*self.poles, *self.zeros)), default=0.0)


def ideal_roots(loop: Loop) -> IdealRoots:
    """Return modes and zeros of the ideal network, exact but for the last rounding.

    Zeros that cancel modes at the output are none of H and are left out.
    """
    zeros = tuple(transfer(loop, loop.transfer()).zeros)
    return IdealRoots(modes(loop), zeros, _typical_rate(loop.network))


def _typical_rate(network: Network) -> float:
    r = [b.value for b in network.branches if b.power == 0 and b.value]
    c = [b.value for b in network.branches if b.power == 1 and b.value]
    if not r or not c:
        return 1.0
    return float(1 / np.exp(np.mean(np.log(r)) + np.mean(np.log(c))))


def real_roots(
    network: Network,
    amplifier: Amplifier,
    loop: Loop | None = None,
    ideal: IdealRoots | None = None,
) -> RealRoots:
    """Return the poles and zeros with one model in every op amp, beside the ideal ones.

    Parameters
    ----------
    network : Network
        With values and one output.
    amplifier : Amplifier
        Of every op amp.
    loop, ideal : Loop and IdealRoots, optional
        Of this network, where the caller has them.

    Raises
    ------
    NetworkError
        If a part has no value.
    NumberError
        If the gain-bandwidth is far below the circuit's frequencies.
    """
    ideal = ideal or ideal_roots(analyse(network) if loop is None else loop)
    check_speed(amplifier, ideal)
    slower = min(amplifier.gain_bandwidth, amplifier.second_pole)
    start = max(1.0, _START * ideal.fastest / slower)
    count = int(np.ceil(np.log(start) / np.log(_FACTOR)))
    factors = np.geomspace(start, 1.0, count + 1) if count else np.ones(1)

    system = real_system(network, same_everywhere(network, amplifier))

    def at(factor: float) -> RealSystem:
        if factor == 1.0:
            return system
        return system.with_amplifiers(same_everywhere(network, amplifier.faster(factor)))

    poles, every = followed(ideal.poles, [float(x) for x in factors], at, RealSystem.modes, ideal)
    zeros, _ = followed(ideal.zeros, [float(x) for x in factors], at, RealSystem.zeros, ideal)
    every = system.polished(every if every.size else system.modes(ideal.rate))
    stable = not bool(np.any(every.real > 1e-9 * np.maximum(np.abs(every), ideal.rate)))
    return RealRoots(
        compared(ideal.poles, poles),
        compared(ideal.zeros, zeros),
        tuple(sorted((complex(x) for x in every), key=abs)),
        stable,
    )


def check_speed(amplifier: Amplifier, ideal: IdealRoots) -> None:
    """Raise NumberError where the op amp is far too slow for the circuit."""
    fastest, speed = ideal.fastest / (2 * pi), amplifier.gain_bandwidth / (2 * pi)
    if speed * _SLOWEST < fastest:
        raise NumberError(
            f"the gain-bandwidth {speed:g} Hz is more than {_SLOWEST:g} times below "
            f"the fastest pole or zero ({fastest:.4g} Hz); choose a faster op amp"
        )


def followed(
    ideal: Sequence[complex],
    factors: Sequence[float],
    at: Callable[[float], RealSystem],
    roots: Callable[[RealSystem, float], ComplexArray],
    scale: IdealRoots,
) -> tuple[ComplexArray, ComplexArray]:
    """Follow roots through a family of systems.

    Returns
    -------
    followed, every : array
        For each root of `ideal` where it is in the last system; and all roots of that, none where
        there is nothing to follow.
    """
    place = np.array(ideal, dtype=np.complex128)
    found = np.zeros(0, dtype=np.complex128)
    for factor in factors if place.size else ():
        found = roots(at(factor), scale.rate)
        place = nearest(place, found)
    return place, found


def nearest(before: ComplexArray, found: ComplexArray) -> ComplexArray:
    """Return for each root of `before` one of `found`, closest pairs first, one to one.

    A root for which none is left stays where it was.
    """
    result = before.copy()
    distance = np.abs(before[:, None] - found[None, :])
    for _ in range(min(distance.shape)):
        row, column = np.unravel_index(int(np.argmin(distance)), distance.shape)
        result[row] = found[column]
        distance[row, :] = inf
        distance[:, column] = inf
    return result


def compared(ideal: Sequence[complex], real: ComplexArray) -> tuple[RootShift, ...]:
    """Pair conjugates up and compare each ideal root with the real one it became."""
    size = max((abs(p) for p in ideal), default=0.0)
    rows = []
    left = [k for k, p in enumerate(ideal) if p.imag < 0]
    for k, p in enumerate(ideal):
        if p.imag < 0 or abs(p) <= 1e-12 * size:
            continue
        f0 = abs(p) / (2 * pi)
        if not p.imag:
            now = complex(real[k])
            rows.append(RootShift(p, now, None, f0, None, abs(now / p) - 1, None, None))
            continue
        partner = min(left, key=lambda j: abs(ideal[j].conjugate() - p))
        left.remove(partner)
        pair = sorted((complex(real[k]), complex(real[partner])), key=lambda x: (-x.imag, abs(x)))
        rows.append(_pair(p, pair[0], pair[1]))
    return tuple(sorted(_together(rows), key=lambda r: -abs(r.q or 0.0)))


def clusters(roots: Sequence[complex]) -> tuple[tuple[int, ...], ...]:
    """Return the places of roots in clusters: those that are equal, or nearly, in one.

    A root that is alone is a cluster of one.
    """
    found: list[list[int]] = []
    for k, root in enumerate(roots):
        near = [c for c in found if abs(roots[c[0]] - root) <= CLUSTER * abs(root)]
        if near:
            near[0].append(k)
        else:
            found.append([k])
    return tuple(map(tuple, found))


def _together(rows: list[RootShift]) -> list[RootShift]:
    """Give the roots of a cluster the shift of the cluster: that of its sum and product.

    The least coupling parts a double root by its square root, which says nothing of the response;
    the symmetric functions stay smooth.
    """
    found = list(rows)
    for places in clusters([r.ideal for r in rows]):
        if len(places) == 1:
            continue
        own = [rows[k] for k in places]
        f0 = float(np.exp(np.mean([np.log1p(r.f0_shift) for r in own])))
        for k in places:
            r = rows[k]
            if r.q is None or r.q_shift is None:
                found[k] = replace(r, f0_shift=f0 - 1)
                continue
            damping = -sum(_sum(x) for x in own) / len(own)
            q = abs(r.ideal) * f0 / damping if damping else inf
            found[k] = replace(r, f0_shift=f0 - 1, real_q=q, q_shift=q / r.q - 1)
    return found


def _sum(r: RootShift) -> float:
    return (r.real + (r.real.conjugate() if r.partner is None else r.partner)).real


def _pair(p: complex, one: complex, two: complex) -> RootShift:
    f0_shift = float(np.sqrt(abs(one * two))) / abs(p) - 1
    damping = -(one + two).real
    real_q = abs(p) * (1 + f0_shift) / damping if damping else inf
    on_axis = abs(p.real) <= 1e-9 * abs(p)
    q = inf if on_axis else abs(p) / (-2 * p.real)
    q_shift = None if on_axis else real_q / q - 1
    return RootShift(p, one, two, abs(p) / (2 * pi), q, f0_shift, q_shift, real_q)
