"""Coefficients and roots from outside, checked, as exact polynomials."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike

from synth.errors import TargetError
from synth.transfer.polynomial import Poly, from_floats, from_root

#: A root and its conjugate may differ by this much, relative to their magnitude.
_CONJUGATE = 1e-9


def read_polynomial(coefficients: ArrayLike, what: str) -> Poly:
    """Return the polynomial of real coefficients in descending powers.

    Raises
    ------
    TargetError
        If they are not finite or not real.
    """
    values = np.atleast_1d(np.asarray(coefficients, dtype=complex))
    if values.ndim != 1 or not np.all(np.isfinite(values)):
        raise TargetError(f"the {what} must be a list of finite coefficients; got {coefficients!r}")
    if np.any(values.imag):
        raise TargetError(
            f"the {what} has complex coefficients, which no circuit has; give real ones"
        )
    return from_floats(values.real)


def read_roots(roots: ArrayLike, what: str) -> list[Poly]:
    """Return one factor per real root or conjugate pair, each match consumed.

    Raises
    ------
    TargetError
        If a root is not finite, or complex without its conjugate.
    """
    left = [complex(z) for z in np.atleast_1d(np.asarray(roots, dtype=complex)).ravel()]
    if not all(math.isfinite(abs(z)) for z in left):
        raise TargetError(f"the {what} are not all finite; leave out those at infinity")
    found = [from_root(z) for z in left if not z.imag]
    lower = [z for z in left if z.imag < 0]
    for z in (z for z in left if z.imag > 0):
        match = min(lower, key=lambda w: abs(w.conjugate() - z), default=None)
        if match is None or abs(match.conjugate() - z) > _CONJUGATE * abs(z):
            raise _no_conjugate(z, what)
        lower.remove(match)
        found.append(from_root(z))
    if lower:
        raise _no_conjugate(lower[0], what)
    return found


def _no_conjugate(z: complex, what: str) -> TargetError:
    return TargetError(
        f"the {what} contain {z:.6g} without its conjugate, so the function is not real; "
        "give complex roots in conjugate pairs"
    )
