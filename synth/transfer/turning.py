"""How fast the phase of a polynomial turns along the axis, of many polynomials at once.

With ``P(jw) = E(w) + j O(w)`` the phase turns by ``(E O' - O E')/(E**2 + O**2)``; the group delay
of a quotient is that of its denominator less that of its numerator, and of a cascade the sum.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

#: Where the polynomial is zero it has no phase; nothing is divided by less than this.
_TINY = 1e-300


def turning(coefficients: Floats, w: Floats) -> Floats:
    """Return d(phase)/dw of real polynomials in s at ``s = jw``, (polynomials, frequencies).

    Parameters
    ----------
    coefficients : array (polynomials, degree + 1)
        Ascending.
    w : array (frequencies,)
        Angular frequencies, in the unit that the coefficients are for, not negative.

    Examples
    --------
    >>> float(turning(np.array([[1.0, 2.0]]), np.array([0.5]))[0, 0])
    1.0
    """
    k = np.arange(coefficients.shape[1])
    signs = np.array([1.0, 1.0, -1.0, -1.0])[k % 4]
    powers = (signs * w[:, None] ** k).T
    slopes = (signs * k * w[:, None] ** np.maximum(k - 1, 0)).T
    even, odd = coefficients[:, ::2], coefficients[:, 1::2]
    real, imaginary = even @ powers[::2], odd @ powers[1::2]
    turned = real * (odd @ slopes[1::2]) - imaginary * (even @ slopes[::2])
    return np.asarray(turned / np.maximum(real * real + imaginary * imaginary, _TINY))
