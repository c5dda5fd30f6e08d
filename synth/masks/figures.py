"""Figures by which responses are compared: largest Q, ripple of the delay, overshoot."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from synth.masks.shape import Shape
from synth.masks.verify import delay_range
from synth.transfer.section import section_figures
from synth.transfer.transfer import Transfer

Floats = NDArray[np.float64]

_TURN = 2 * math.pi
#: The step response is followed for so many times the slowest decay, at so many points for each
#: radian of the fastest pole, but not at more points than the last number.
_DECAYS, _POINTS, _MOST = 8.0, 8.0, 6000


def largest_q(transfer: Transfer) -> float:
    """Return the largest pole Q; one half where all poles are real."""
    return max([0.5, *(q for s in transfer.sections if (q := section_figures(s).q) is not None)])


def pass_band_delay_ripple(shape: Shape, transfer: Transfer) -> float | None:
    """Return (largest - smallest)/(largest + smallest) delay over the pass bands that end.

    None where a pass band reaches to infinity: the delay ends at zero there.
    """
    low, high = min(b.low for b in shape.passes), max(b.high for b in shape.passes)
    if shape.kind not in ("lowpass", "bandpass") or math.isinf(high) or low >= high:
        return None
    least, most, _ = delay_range(transfer, low / _TURN, high / _TURN)
    return (most - least) / (most + least) if most + least > 0 else None


def overshoot(transfer: Transfer) -> float | None:
    """Return by how much the step response passes its end, as a fraction of it.

    None where the step response ends at zero.  The sections follow each other exactly, by the
    exponential of their state matrix.
    """
    final = transfer(0j).real
    if not final or not transfer.order:
        return None
    response, _ = step_response(transfer)
    return max(0.0, float(_peak(response / final)) - 1.0)


def step_response(transfer: Transfer) -> tuple[Floats, Floats]:
    """Return the step response and its times in seconds, from 0."""
    from scipy.linalg import expm

    poles = np.array(transfer.poles)
    scale = float(np.exp(np.mean(np.log(np.abs(poles)))))
    end = _DECAYS / float(np.min(-poles.real / scale))
    count = min(_MOST, max(200, math.ceil(end * _POINTS * float(np.max(np.abs(poles) / scale)))))
    matrix, drive, reading, through = _states(transfer.scaled_frequency(1 / scale))
    n = len(drive)
    whole = np.zeros((n + 1, n + 1))
    whole[:n, :n], whole[:n, n] = matrix, drive
    forward = expm(whole * (end / count))
    state = np.append(np.zeros(n), 1.0)
    row = np.append(reading, through)
    found = np.empty(count + 1)
    for k in range(count + 1):
        found[k] = row @ state
        state = forward @ state
    return found, np.linspace(0, end, count + 1) / scale


def _states(transfer: Transfer) -> tuple[Floats, Floats, Floats, float]:
    """Return state matrix, drive, reading and direct path of the sections one after the other."""
    n = transfer.order
    matrix, drive, reading = np.zeros((n, n)), np.zeros(n), np.zeros(n)
    through, at = transfer.gain, 0
    for s in transfer.sections:
        m = s.order
        den = np.array(s.denominator[1:])
        num = np.zeros(m + 1)
        num[m + 1 - len(s.numerator) :] = s.numerator
        here = slice(at, at + m)
        # the input of this section is reading @ x + through * u
        matrix[at] = reading
        drive[at] = through
        matrix[at, here] -= den
        for k in range(1, m):
            matrix[at + k, at + k - 1] = 1.0
        new = num[0] * reading
        new[here] += num[1:] - num[0] * den
        reading, through = new, num[0] * through
        at += m
    return matrix, drive, reading, float(through)


def _peak(values: Floats) -> float:
    """Return the largest value, by the parabola through the three points around it."""
    k = int(np.argmax(values))
    if not 0 < k < values.size - 1:
        return float(values[k])
    a, b, c = values[k - 1 : k + 2]
    bend = a - 2 * b + c
    return float(b - (a - c) ** 2 / (8 * bend)) if bend else float(b)
