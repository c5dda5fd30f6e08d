"""What a lift is asked for: a numerator over the loop's own denominator, its gain left free."""

from __future__ import annotations

from dataclasses import dataclass
from math import pi

import numpy as np

from synth.errors import TargetError

#: Kinds of numerator that can be asked for by name.
KINDS = (
    "lowpass",
    "highpass",
    "bandpass",
    "bandstop",
    "allpass",
    "lowpass-notch",
    "highpass-notch",
)


@dataclass(frozen=True)
class Goal:
    """A numerator to reach with the poles locked.

    Parameters
    ----------
    name : str
        As asked.
    numerator : tuple of float
        Ascending powers of s/w0, as long as the denominator.
    denominator : tuple of float
        D in ascending powers of s/w0, monic.
    w0 : float
        Normalising angular frequency in rad/s: the geometric mean of the modes.
    """

    name: str
    numerator: tuple[float, ...]
    denominator: tuple[float, ...]
    w0: float


def mean_frequency(denominator: tuple[float, ...]) -> float:
    """Return |D(0)/D's leading coefficient|**(1/n), 1 when it vanishes; descending coefficients."""
    n = len(denominator) - 1
    first = abs(denominator[-1] / denominator[0])
    return float(first ** (1 / n)) if n and first else 1.0


def goal(kind: str, denominator: tuple[float, ...], at_hz: float | None = None) -> Goal:
    """Return the numerator of a named kind over `denominator`.

    Parameters
    ----------
    kind : str
        One of `KINDS`.
    denominator : tuple of float
        D in descending powers of s (rad/s), monic.
    at_hz : float or None
        Frequency of the zero for the two kinds of unequal notch; not for others.

    Raises
    ------
    TargetError
        If the kind is unknown, the order does not have it, or the frequency is missing or on the
        wrong side of the poles.
    """
    n = len(denominator) - 1
    w0 = mean_frequency(denominator)
    if n == 0:
        raise TargetError("the loop has no natural mode, so it has no kinds of response to choose")
    d = tuple(c * w0**-k for k, c in enumerate(denominator))[::-1]
    if kind not in KINDS:
        raise TargetError(f"there is no kind {kind}; choose one of {', '.join(KINDS)}")
    if kind.endswith("notch"):
        top_of_notch = _notch(kind, n, at_hz, w0)
        return Goal(f"{kind}={at_hz:g}Hz", top_of_notch, d, w0)
    if at_hz is not None:
        raise TargetError(f"a {kind} takes no frequency: its poles are the loop's own")
    top = np.zeros(n + 1)
    if kind == "lowpass":
        top[0] = 1.0
    elif kind == "highpass":
        top[n] = 1.0
    elif kind == "allpass":
        top[:] = [c * (-1) ** k for k, c in enumerate(d)]
    elif n % 2:
        raise TargetError(f"a {kind} has an even order; this loop has order {n}")
    elif kind == "bandpass":
        top[n // 2] = 1.0
    else:
        top[:] = _power((1.0, 0.0, 1.0), n // 2)
    return Goal(kind, tuple(float(c) for c in top), d, w0)


def goal_from_numerator(numerator: tuple[float, ...], denominator: tuple[float, ...]) -> Goal:
    """Return a numerator given in descending powers of s (rad/s) as a goal.

    Raises
    ------
    TargetError
        If it is zero or of higher degree than the loop.
    """
    n = len(denominator) - 1
    top = tuple(numerator)
    while len(top) > 1 and not top[0]:
        top = top[1:]
    if not any(top):
        raise TargetError("the numerator is zero; give at least one coefficient that is not")
    if len(top) - 1 > n:
        raise TargetError(
            f"the numerator has degree {len(top) - 1} and the loop order {n}; a lift keeps the "
            "order, so give a numerator of at most that degree"
        )
    w0 = mean_frequency(denominator)
    d = tuple(c * w0**-k for k, c in enumerate(denominator))[::-1]
    ascending = [*reversed(top), *(0.0,) * (n + 1 - len(top))]
    scaled = [c * w0 ** (k - n) for k, c in enumerate(ascending)]
    text = " ".join(f"{c:g}" for c in numerator)
    return Goal(f"numerator {text}", tuple(scaled), d, w0)


def _notch(kind: str, n: int, at_hz: float | None, w0: float) -> tuple[float, ...]:
    if at_hz is None or at_hz <= 0:
        raise TargetError(f"a {kind} needs the frequency of its zero, as in {kind}=2kHz")
    if n != 2:
        raise TargetError(f"a {kind} has order 2; this loop has order {n}")
    ratio = 2 * pi * at_hz / w0
    if (ratio > 1) != (kind == "lowpass-notch"):
        side = "above" if kind == "lowpass-notch" else "below"
        raise TargetError(
            f"the zero of a {kind} lies {side} the poles, which are at {w0 / 2 / pi:.6g} Hz; "
            f"{at_hz:g} Hz does not"
        )
    return ratio**2, 0.0, 1.0


def _power(p: tuple[float, ...], k: int) -> tuple[float, ...]:
    result: tuple[float, ...] = (1.0,)
    for _ in range(k):
        result = tuple(float(c) for c in np.convolve(result, p))
    return result
