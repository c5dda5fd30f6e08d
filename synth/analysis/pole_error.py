"""What op amps of finite gain-bandwidth do to the poles: errors of f0 and Q, and of the gain.

Every op amp is A(s) = wt/s.  The natural modes are followed from those of the ideal network while
wt falls from a very large value to the one asked for, so that each real mode is compared with the
ideal one it comes from.  To first order the errors are proportional to e = w0/wt (A. Budak,
Passive and Active Network Analysis and Synthesis, Houghton Mifflin, 1974, from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite, pi

import numpy as np

from synth.analysis.amplifier import (
    ComplexArray,
    OnePole,
    finite_modes,
    pencil,
    terminal_responses,
)
from synth.analysis.loop import Loop
from synth.analysis.numbers import modes, transfer
from synth.errors import NetworkError, NumberError
from synth.network.model import Network

#: Following starts at this multiple of the fastest mode, and wt falls by this factor a step.
_START, _FACTOR = 1e4, 1.25
#: A gain-bandwidth may be below the fastest mode by this factor at most.
_SLOWEST = 1e4
#: Modes further out than this, over the fastest ideal one, are the business of the limit of
#: large wt; their computed angle is not exact enough to judge.
_FAR = 1e7


@dataclass(frozen=True)
class PoleError:
    """A pair of poles, or a real pole, with ideal and with real op amps.

    Parameters
    ----------
    f0_hz : float
        Ideal frequency, |p|/(2 pi).
    q : float or None
        Ideal Q of a complex pair (inf on the axis); None for a real pole.
    f0_error : float
        Relative.
    q_error : float or None
        Relative; None where `q` is None or infinite.
    """

    f0_hz: float
    q: float | None
    f0_error: float
    q_error: float | None

    @property
    def worst(self) -> float:
        """The larger magnitude of the two errors."""
        return max(abs(self.f0_error), abs(self.q_error or 0.0))


@dataclass(frozen=True)
class RealPoles:
    """The poles at one gain-bandwidth, highest Q first, and whether no mode grows."""

    poles: tuple[PoleError, ...]
    stable: bool

    @property
    def dominant(self) -> PoleError | None:
        """The complex pair of the highest Q; None when all poles are real."""
        return self.poles[0] if self.poles and self.poles[0].q is not None else None

    @property
    def worst(self) -> float:
        """The largest magnitude of any error of f0 or Q."""
        return max((p.worst for p in self.poles), default=0.0)


def check_one_pole(network: Network, gain_bandwidth_hz: float) -> None:
    """Raise NetworkError or NumberError where the one-pole model cannot be applied."""
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


def real_poles(network: Network, gain_bandwidth_hz: float, ideal: Sequence[complex]) -> RealPoles:
    """Return errors of f0 and Q with every op amp at one gain-bandwidth.

    Parameters
    ----------
    network : Network
        Resistors, capacitors and op amps, with values.
    gain_bandwidth_hz : float
        Of every op amp, wt/(2 pi).
    ideal : sequence of complex
        Its modes with ideal op amps (`synth.analysis.numbers.modes`), rad/s; one at the origin
        has no frequency and is left out of the errors.

    Raises
    ------
    NetworkError
        If a part has no value, or is neither resistor nor capacitor.
    NumberError
        If the gain-bandwidth is not positive, or far below the circuit's frequencies.
    """
    check_one_pole(network, gain_bandwidth_hz)
    wt = 2 * pi * gain_bandwidth_hz
    scale = max((abs(p) for p in ideal), default=0.0) or wt
    ratio = wt / scale
    if ratio < 1 / _SLOWEST:
        raise NumberError(
            f"the gain-bandwidth {gain_bandwidth_hz:g} Hz is more than {_SLOWEST:g} times below "
            f"the fastest natural mode ({scale / (2 * pi):.4g} Hz); choose faster op amps"
        )
    place = np.array([p / scale for p in ideal], dtype=np.complex128)
    count = max(0, int(np.ceil(np.log(_START / ratio) / np.log(_FACTOR)))) if place.size else 0
    found = np.zeros(0, dtype=np.complex128)
    for x in ratio * _FACTOR ** np.arange(count, -1, -1.0):
        models = {u.name: OnePole(float(x) * scale) for u in network.op_amps}
        p = pencil(network, models)
        found = finite_modes(p.g, p.c * scale)
        place = _follow(place, found)
    near = found[np.abs(found) < _FAR]
    stable = not bool(np.any(near.real > 1e-9 * np.maximum(np.abs(near), 1.0)))
    return RealPoles(_compare(ideal, place * scale), stable)


def gain_error(
    network: Network, loop: Loop, gain_bandwidth_hz: float, frequency_hz: float
) -> float | None:
    """Return the relative error of |H| at one frequency; None at a zero of H.

    Parameters
    ----------
    network : Network
        With one input.
    loop : Loop
        Of a network with the same ideal H.
    gain_bandwidth_hz, frequency_hz : float
        Of every op amp; where to compare.
    """
    s = 2j * pi * frequency_hz
    h = transfer(loop, loop.transfer())
    ideal = abs(h(s))
    if not isfinite(ideal) or ideal <= 1e-9 * max(abs(h(s * k)) for k in (0.5, 1.0, 2.0)):
        return None
    models = {u.name: OnePole(2 * pi * gain_bandwidth_hz) for u in network.op_amps}
    rows, _ = terminal_responses(network, models, [s])
    driven = np.array([t.at != "ground" for t in network.terminals])
    return float(abs(rows[0][driven].sum()) / ideal - 1)


def modes_to_compare(loop: Loop) -> tuple[complex, ...]:
    """Return the ideal modes; NetworkError when one of them grows, so that no error means much."""
    found = modes(loop)
    if any(p.real > 1e-9 * abs(p) for p in found):
        raise NetworkError(
            "a natural mode of this circuit lies in the right half-plane with ideal op amps "
            "already; choose other values first"
        )
    return found


def _follow(
    before: ComplexArray,
    found: ComplexArray,
) -> ComplexArray:
    """Return for each mode of `before` the one of `found` that it moved to, one to one."""
    from scipy.optimize import linear_sum_assignment

    if not before.size:
        return before
    _, column = linear_sum_assignment(np.abs(before[:, None] - found[None, :]))
    return np.asarray(found[column], dtype=np.complex128)


def _compare(ideal: Sequence[complex], real: ComplexArray) -> tuple[PoleError, ...]:
    size = max((abs(p) for p in ideal), default=0.0)
    rows = []
    left = [k for k, p in enumerate(ideal) if p.imag < 0]
    for k, p in enumerate(ideal):
        if p.imag < 0 or abs(p) <= 1e-12 * size:
            continue
        if not p.imag:
            rows.append(PoleError(abs(p) / (2 * pi), None, float(abs(real[k] / p)) - 1, None))
            continue
        partner = min(left, key=lambda j: abs(ideal[j].conjugate() - p))
        left.remove(partner)
        f0_error = float(np.sqrt(abs(real[k] * real[partner]))) / abs(p) - 1
        if abs(p.real) <= 1e-12 * abs(p):
            rows.append(PoleError(abs(p) / (2 * pi), float("inf"), f0_error, None))
            continue
        damping = -float((real[k] + real[partner]).real)
        q = abs(p) / (-2 * p.real)
        now = abs(p) * (1 + f0_error) / damping if damping else float("inf")
        rows.append(PoleError(abs(p) / (2 * pi), q, f0_error, now / q - 1))
    return tuple(sorted(rows, key=lambda r: -(r.q or 0.0)))
