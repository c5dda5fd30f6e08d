"""Good points inside a box: one part at a time to its best value, and zeros of B.

These only raise the value that is known to be reached; bounds come from `synth.tolerances.boxes`.
"""

from __future__ import annotations

import numpy as np

from synth.tolerances.factored import ComplexArray
from synth.tolerances.spread import Array, BoolArray

_SWEEPS = 2
_NEWTON = 12
_ROUNDING = 1e-11


def climb(a: ComplexArray, b: ComplexArray, low: Array, high: Array, start: Array) -> Array:
    """Return ``|A|/|B|`` after moving the parts of each row in turn, from `start` on.

    Parameters
    ----------
    a, b : array (rows, 2**parts)
        Coefficients of the multilinear functions.
    low, high, start : array (rows, parts)
        The boxes and a point in each.
    """
    v = start.copy()
    best = np.zeros(len(a))
    for _ in range(_SWEEPS):
        for k in range(v.shape[1]):
            a0, a1 = along(a, v, k)
            b0, b1 = along(b, v, k)
            trials = _stationary(a0, a1, b0, b1)
            options = np.clip(
                np.stack([low[:, k], high[:, k], v[:, k], *trials]), low[:, k], high[:, k]
            )
            sizes = np.abs(a0 + a1 * options) / np.maximum(np.abs(b0 + b1 * options), 1e-300)
            chosen = sizes.argmax(axis=0)
            rows = np.arange(len(a))
            v[:, k] = options[chosen, rows]
            best = np.maximum(best, sizes[chosen, rows])
    return best


def vanishes(b: ComplexArray, low: Array, high: Array) -> BoolArray:
    """Say for each row whether a point of the box was found where B is zero to rounding.

    Gauss-Newton from the middle, the smallest step each time, kept inside the box.
    """
    v = np.sqrt(low * high)
    scale = np.abs(b).sum(axis=1)
    for _ in range(_NEWTON):
        pairs = [along(b, v, k) for k in range(v.shape[1])]
        value = pairs[0][0] + pairs[0][1] * v[:, 0]
        slopes = np.stack([p for _, p in pairs], axis=1) * (high - low)
        rows = np.stack([slopes.real, slopes.imag], axis=1)
        gram = rows @ rows.transpose(0, 2, 1)
        little = 1e-14 * np.trace(gram, axis1=1, axis2=2) + 1e-20 * scale**2
        gram += little[:, None, None] * np.eye(2)
        right = np.stack([value.real, value.imag], axis=1)[:, :, None]
        step = (rows.transpose(0, 2, 1) @ np.linalg.solve(gram, right))[:, :, 0]
        v = np.clip(v - step * (high - low), low, high)
    a0, a1 = along(b, v, 0)
    return np.asarray(np.abs(a0 + a1 * v[:, 0]) <= _ROUNDING * scale)


def along(coefficients: ComplexArray, v: Array, k: int) -> tuple[ComplexArray, ComplexArray]:
    """Return (P0, P1) with ``P = P0 + P1*v_k``, the other parts at `v`."""
    found = coefficients
    for j in reversed(range(v.shape[1])):
        if j != k:  # highest first, so that the places below stay as they are
            cube = found.reshape(len(found), -1, 2, 1 << j)
            found = (cube[:, :, 0] + v[:, j, None, None] * cube[:, :, 1]).reshape(len(found), -1)
    return found[:, 0], found[:, 1]


def _stationary(
    a0: ComplexArray, a1: ComplexArray, b0: ComplexArray, b1: ComplexArray
) -> tuple[Array, Array]:
    """Where ``|a0 + a1*v|**2/|b0 + b1*v|**2`` has no slope: the roots of a quadratic."""
    p = (np.abs(a1) ** 2, 2 * (a0 * a1.conj()).real, np.abs(a0) ** 2)
    q = (np.abs(b1) ** 2, 2 * (b0 * b1.conj()).real, np.abs(b0) ** 2)
    # numerator of the derivative: (p2*q1 - p1*q2) v^2 + 2 (p2*q0 - p0*q2) v + (p1*q0 - p0*q1)
    c2 = p[0] * q[1] - p[1] * q[0]
    c1 = 2 * (p[0] * q[2] - p[2] * q[0])
    c0 = p[1] * q[2] - p[2] * q[1]
    root = np.sqrt(np.maximum(c1 * c1 - 4 * c2 * c0, 0.0))
    half = -(c1 + np.where(c1 < 0, -root, root)) / 2
    first = np.where(c2 != 0, half / np.where(c2 != 0, c2, 1.0), 1.0)
    second = np.where(half != 0, c0 / np.where(half != 0, half, 1.0), 1.0)
    return first, second
