"""Sensitivity to parts and to op amps: of f0, Q and gain.

Gain-sensitivity product (G. S. Moschytz, Linear Integrated Networks: Design, 1975, from memory):
``Gamma = A * S_A^Q`` of an op amp's gain A, in the limit of large A.  A relative spread dA/A of
the gain changes Q by ``Gamma/A * dA/A``.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace
from math import inf

import numpy as np

from synth.analysis.amplifier import Amplifier, same_everywhere
from synth.analysis.loop import Loop
from synth.analysis.real import ComplexArray, RealSystem, real_system
from synth.analysis.roots import IdealRoots, RootShift, nearest
from synth.analysis.sensitivity import mode_sensitivities, response_sensitivities

#: 1/A of an op amp whose gain is nearly infinite, and the relative step of a real one's.
_SMALL_INVERSE = 1e-7
_STEP = 1e-4
#: Real roots nearer than this, relative, are taken as double.
_CLOSE = 0.1


@dataclass(frozen=True)
class PartSensitivity:
    """One sensitivity S_x^F = (x/F) dF/dx.

    Parameters
    ----------
    part : str
        x, a part's value.
    quantity : str
        F: ``f0``, ``Q`` or ``gain`` (``|H|`` at its largest).
    value : float
    """

    part: str
    quantity: str
    value: float


@dataclass(frozen=True)
class ActiveSensitivity:
    """How one op amp moves the dominant pole pair.

    Parameters
    ----------
    op_amp : str
    gain_sensitivity_product_f0, gain_sensitivity_product_q : float or None
        A * S_A^f0 and A * S_A^Q; `q` is None for a real pole or an infinite Q.
    f0_to_gain_bandwidth, q_to_gain_bandwidth : float or None
        Sensitivity of f0 and of Q to the gain-bandwidth, at the real op amp's.
    """

    op_amp: str
    gain_sensitivity_product_f0: float
    gain_sensitivity_product_q: float | None
    f0_to_gain_bandwidth: float
    q_to_gain_bandwidth: float | None


def part_sensitivities(
    loop: Loop, ideal: IdealRoots, peak_hz: float, shaping: Collection[complex]
) -> tuple[PartSensitivity, ...]:
    """Return the sensitivities of f0 and Q of the dominant pole, and of the largest gain.

    Parameters
    ----------
    loop : Loop
    ideal : IdealRoots
        Of the loop.
    peak_hz : float
        Where the gain is largest.
    shaping : collection of complex
        The poles among which the dominant one is, rad/s.
    """
    rows: list[PartSensitivity] = []
    found = mode_sensitivities(loop, ideal.poles)
    apart = [r for r in found if r.root in shaping and _stands_alone(r.root, ideal)]
    if apart:
        first = min(apart, key=lambda r: (-_quality(r.root), abs(r.root)))
        rows += [PartSensitivity(part, "f0", value) for part, value in first.f0]
        rows += [PartSensitivity(part, "Q", value) for part, value in first.q or ()]
    if any(abs(p.real) <= 1e-9 * abs(p) for p in ideal.poles if p):
        return tuple(rows)  # the largest gain is infinite
    gains = response_sensitivities(loop, np.array([peak_hz]))[0]
    names = [b.name for b in loop.network.branches]
    rows += [
        PartSensitivity(n, "gain", float(v))
        for n, v in zip(names, gains, strict=True)
        if np.isfinite(v)
    ]
    return tuple(rows)


def active_sensitivities(
    system: RealSystem, dominant: RootShift | None, rate: float
) -> tuple[ActiveSensitivity, ...]:
    """Return the sensitivities of the dominant pole to every op amp.

    Parameters
    ----------
    system : RealSystem
        With the real op amps.
    dominant : RootShift or None
        The dominant pole; nothing is returned without one.
    rate : float
        A typical rate, rad/s.
    """
    network = system.network
    if dominant is None:
        return ()
    # the definition takes op amps without output resistance
    perfect = same_everywhere(network, Amplifier(inf))
    bare = real_system(network, perfect)
    rows = []
    for u in network.op_amps:
        places = [_place(dominant.ideal, dominant.ideal.conjugate(), dominant.q)] * 2
        for k, inverse in enumerate((_SMALL_INVERSE, -_SMALL_INVERSE)):
            changed = {**perfect, u.name: Amplifier(inf, 1 / inverse)}
            places[k] = nearest(places[k], bare.with_amplifiers(changed).modes(rate))
        f0, q = _slopes(places, 2 * _SMALL_INVERSE, dominant)
        real = system.amplifiers[u.name]
        here = [_place(dominant.real, dominant.partner, dominant.q)] * 2
        for k, factor in enumerate((1 + _STEP, 1 - _STEP)):
            changed = {
                **system.amplifiers,
                u.name: replace(real, gain_bandwidth=real.gain_bandwidth * factor),
            }
            here[k] = nearest(here[k], system.with_amplifiers(changed).modes(rate))
        f0_real, q_real = _slopes(here, 2 * _STEP, dominant)
        rows.append(ActiveSensitivity(u.name, -f0, None if q is None else -q, f0_real, q_real))
    return tuple(rows)


def _stands_alone(root: complex, ideal: IdealRoots) -> bool:
    """Whether a root is a pair, or a real one that no other is near to.

    Two real roots close together move apart as the square root of any change.
    """
    near = sum(abs(root - p) <= _CLOSE * abs(root) for p in ideal.poles)
    return bool(root.imag) or near == 1


def _quality(root: complex) -> float:
    if not root.imag:
        return 0.0
    return abs(root) / (2 * abs(root.real)) if root.real else inf


def _place(one: complex, two: complex | None, q: float | None) -> ComplexArray:
    pair = [one] if q is None or two is None else [one, two]
    return np.array(pair, dtype=np.complex128)


def _slopes(
    places: list[ComplexArray], step: float, dominant: RootShift
) -> tuple[float, float | None]:
    """Return d ln f0 and d ln Q between two places of the pole, over the step between them."""
    f0 = [float(np.exp(np.mean(np.log(np.abs(p))))) for p in places]
    slope = float(np.log(f0[0] / f0[1])) / step
    if dominant.q is None or dominant.q == inf:
        return slope, None
    damping = [-float(p.sum().real) for p in places]
    if damping[0] * damping[1] <= 0:
        return slope, None
    return slope, slope - float(np.log(damping[0] / damping[1])) / step
