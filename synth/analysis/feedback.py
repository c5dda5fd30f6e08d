"""Is the feedback of every op amp negative?  Natural modes as the gain-bandwidth grows.

Rule: with A(s) = wt/s in each op amp, the modes that run to infinity as wt grows must stay in
the left half-plane, and the others must tend to the modes of the ideal network; those belong in
the left half-plane too, save that a mode at the origin or on the axis (an ideal integrator, a
resonator) is reported and not refused.  Exchanging the inputs of any one op amp breaks the rule.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from synth.analysis.amplifier import Amplifier, same_everywhere
from synth.analysis.loop import Loop
from synth.analysis.numbers import modes as ideal_modes
from synth.analysis.real import RealSystem, real_system
from synth.network.model import Network

#: Gain-bandwidth over the fastest mode that the rule is applied at.
_RATIOS = (1e4, 1e6)


class Feedback(NamedTuple):
    """What the modes say.

    Parameters
    ----------
    negative : bool
        Every op amp is in negative feedback and no mode is in the right half-plane.
    reason : str
        Why not, or a remark on modes at the origin or on the axis; else empty.
    ideal : tuple of complex
        The modes with ideal op amps, rad/s.
    fast : tuple of complex
        The modes that run to infinity, in units of the scale used.
    """

    negative: bool
    reason: str
    ideal: tuple[complex, ...]
    fast: tuple[complex, ...]


def feedback(loop: Loop) -> Feedback:
    """Apply the rule to a network with values.

    Raises
    ------
    NetworkError
        If a part has no value.
    """
    return judged(loop.network, tuple(ideal_modes(loop)))


def decays(network: Network) -> bool:
    """Say whether every mode decays with op amps a million times as fast as the parts.

    A quick yes, for which no ideal modes are needed; after a no (ideal integrators, resonators on
    the axis, positive feedback) `feedback` says which it is.
    """
    scale = _typical_rate(network)
    system = real_system(network, same_everywhere(network, Amplifier(_RATIOS[-1] * scale)))
    found = system.modes(scale)
    return bool((found.real < -1e-9 * np.abs(found)).all())


def judged(network: Network, ideal: tuple[complex, ...]) -> Feedback:
    """Apply the rule to a network with values whose modes with ideal op amps are known, rad/s."""
    scale = max((abs(p) for p in ideal), default=0.0) or _typical_rate(network)
    right = [p for p in ideal if p.real > 1e-9 * abs(p)]
    if right:
        worst = max(right, key=lambda p: p.real)
        return Feedback(
            False,
            f"a natural mode lies in the right half-plane ({_mode_text(worst)}): the circuit "
            "grows by itself",
            ideal,
            (),
        )
    fast: tuple[complex, ...] = ()
    if network.op_amps and all(b.power in (0, 1) for b in network.branches):
        system = real_system(network, same_everywhere(network, Amplifier(_RATIOS[0] * scale)))
        for ratio in _RATIOS:
            found = _scaled_modes(system, scale, ratio)
            fast = tuple(complex(p) for p in found[len(ideal) :])
            bad = [p for p in fast if p.real > 1e-9 * abs(p)]
            drift = _largest_drift(ideal, found[: len(ideal)], scale)
            if bad or drift > 100 / ratio**0.5:
                return Feedback(False, _blame(network), ideal, fast)
    return Feedback(True, _remark(ideal, scale), ideal, fast)


def _scaled_modes(system: RealSystem, scale: float, ratio: float) -> list[complex]:
    """Modes over `scale`, smallest first, with wt = ratio * scale."""
    op_amps = same_everywhere(system.network, Amplifier(ratio * scale))
    found = system.with_amplifiers(op_amps).modes(scale)
    return sorted((complex(x) / scale for x in found), key=abs)


def _largest_drift(ideal: tuple[complex, ...], found: list[complex], scale: float) -> float:
    """Largest distance of a slow mode from the ideal one it belongs to, matched one to one."""
    if len(found) < len(ideal):
        return float("inf")
    left = list(found)
    worst = 0.0
    for p in sorted((x / scale for x in ideal), key=abs, reverse=True):
        nearest = min(left, key=lambda x: abs(x - p))
        left.remove(nearest)
        worst = max(worst, abs(nearest - p))
    return worst


def _blame(network: Network) -> str:
    names = [u.name for u in network.op_amps]
    if len(names) == 1:
        return (
            f"op amp {names[0]} is in positive feedback: with any real op amp a mode runs into "
            "the right half-plane, and the output goes to a supply rail; exchange its inputs"
        )
    return (
        f"an op amp among {', '.join(names)} is in positive feedback: with real op amps a mode "
        "runs into the right half-plane, and outputs go to a supply rail; check the inputs"
    )


def _remark(ideal: tuple[complex, ...], scale: float) -> str:
    if any(abs(p) <= 1e-12 * scale for p in ideal):
        return (
            "a natural mode at the origin: an ideal integrator, which drifts to a supply rail "
            "unless a larger loop closes around it, or a node that only capacitors reach"
        )
    marginal = [p for p in ideal if abs(p.real) <= 1e-9 * abs(p)]
    if marginal:
        return f"a natural mode on the axis ({_mode_text(marginal[0])}): it rings for ever"
    return ""


def _mode_text(p: complex) -> str:
    return f"s = {p.real:.4g}{p.imag:+.4g}j rad/s" if p.imag else f"s = {p.real:.4g} rad/s"


def _typical_rate(network: Network) -> float:
    """Return a rate 1/RC of the parts, for networks that have no mode of their own."""
    r = [b.value for b in network.branches if b.power == 0 and b.value]
    c = [b.value for b in network.branches if b.power == 1 and b.value]
    if not r or not c:
        return 1.0
    return math.exp(-sum(map(math.log, r)) / len(r) - sum(map(math.log, c)) / len(c))
