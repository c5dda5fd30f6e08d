"""Roots in the right half-plane, of many real polynomials at once.

Of first and second order by the signs of the coefficients (the Routh-Hurwitz criterion; see
F. R. Gantmacher, The Theory of Matrices, vol. 2, Chelsea 1959, ch. XV, from memory); of higher
order by the eigenvalues of companion matrices.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from synth.tolerances.spread import Array, BoolArray

#: A root counts as in the right half-plane when its real part is above this share of its size.
ON_AXIS = 1e-9


def has_growing_root(c: Array) -> BoolArray:
    """Say which polynomials have a root in the right half-plane; those on the axis do not count.

    Parameters
    ----------
    c : array (degree + 1, polynomials)
        Real coefficients, ascending.
    """
    if len(c) <= 1:
        return np.zeros(c.shape[1], dtype=bool)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        if len(c) == 2:
            return np.asarray(c[0] * c[1] < 0)
        if len(c) == 3:
            ends = c[0] * c[2]
            damping = c[1] * np.sign(c[2])
            return np.asarray((ends < 0) | (damping < -2 * ON_AXIS * np.sqrt(np.abs(ends))))
        found = roots_of(c)
        return np.asarray((found.real > ON_AXIS * np.abs(found)).any(axis=1))


def roots_of(c: Array) -> npt.NDArray[np.complexfloating[Any, Any]]:
    """Return the roots, (polynomials, degree), of coefficients (degree + 1, polynomials)."""
    degree = len(c) - 1
    companions = np.zeros((c.shape[1], degree, degree))
    companions[:, range(1, degree), range(degree - 1)] = 1
    companions[:, :, -1] = -(c[:-1] / c[-1]).T
    return np.asarray(np.linalg.eigvals(companions))
