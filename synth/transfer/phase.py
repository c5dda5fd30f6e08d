"""Continuous phase and exact group delay of a transfer function, section by section.

Every factor contributes its own angle, which is continuous but for roots on the axis, so nothing
is unwrapped; the delay is ``-Re(H'(s)/H(s))`` at ``s = jw``, a sum over the factors, so nothing is
differenced.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from synth.transfer.transfer import Transfer

Array = npt.NDArray[np.float64]


def phase(transfer: Transfer, frequencies_hz: npt.ArrayLike) -> Array:
    """Return the phase in rad, continuous in frequency.

    Parameters
    ----------
    transfer : Transfer
    frequencies_hz : array_like
        Positive, in hertz.

    Returns
    -------
    array
        Of the same shape.  A negative gain adds +pi; at a zero on the axis the phase steps up by
        pi, as it does at one just left of the axis; at a pole there it steps down.  At a root
        itself it is half way.

    Examples
    --------
    >>> lowpass = Transfer.from_tf([1], [1, 2, 1])
    >>> phase(lowpass, [1 / (2 * math.pi)]) * 180 / math.pi
    array([-90.])
    """
    w = 2 * math.pi * np.asarray(frequencies_hz, dtype=float)
    total = np.full(w.shape, math.pi if transfer.gain < 0 else 0.0)
    for section in transfer.sections:
        total += _angle(section.numerator, w) - _angle(section.denominator, w)
    return total


def group_delay(transfer: Transfer, frequencies_hz: npt.ArrayLike) -> Array:
    """Return the group delay -d(phase)/dw in seconds at frequencies in hertz.

    Roots on the axis step the phase there and delay nothing elsewhere.

    Examples
    --------
    >>> group_delay(Transfer.from_tf([1], [1e-3, 1]), [0.0])
    array([0.001])
    """
    s = 2j * math.pi * np.asarray(frequencies_hz, dtype=float)
    total = np.zeros(s.shape)
    for section in transfer.sections:
        total += _slope(section.denominator, s) - _slope(section.numerator, s)
    return total


def _angle(p: Sequence[float], w: Array) -> Array:
    """Angle of a monic polynomial at jw, continuous in w > 0."""
    if len(p) == 1:
        return np.zeros(w.shape)
    if len(p) == 2:
        return np.arctan2(w, p[1])
    return np.arctan2(p[1] * w, p[2] - w * w)


def _slope(p: Sequence[float], s: npt.NDArray[np.complexfloating]) -> Array:
    """Re(p'/p) at s; 0 where p vanishes, and exactly 0 for roots on the axis."""
    if len(p) == 1 or (len(p) == 3 and not p[1]) or (len(p) == 2 and not p[1]):
        return np.zeros(s.shape)
    value = s + p[1] if len(p) == 2 else (s + p[1]) * s + p[2]
    derivative = np.ones_like(s) if len(p) == 2 else 2 * s + p[1]
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = derivative / value
    return np.where(np.isfinite(ratio), ratio.real, 0.0)
