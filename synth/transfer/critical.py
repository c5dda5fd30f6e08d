"""Where magnitude and group delay of a transfer function are stationary.

Both are sums over the roots, d ln|H|/dw = sum of (w - Im r)/|jw - r|^2 over zeros minus that over
poles, so nothing is expanded.  The axis is cut into intervals no wider than their distance to the
nearest root; there the slope is its Chebyshev series of degree 24 to rounding, and the roots of
the series are all the roots there are.  Zeros of H on the axis are multiplied out first.

References
----------
.. [1] J. P. Boyd, "Computing zeros on a real interval through Chebyshev expansion and polynomial
   rootfinding", SIAM J. Numer. Anal. 40 (2002) 1666-1682.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
Roots = NDArray[np.complex128]

#: Points of the series, and the widest half interval as a share of the distance to a root: the
#: series then ends at (2 + sqrt(3))**-24, which is 2e-14.
_NODES, _WIDEST = 24, 0.5
#: How far beyond the roots stationary points are sought.
_REACH = 100.0
_NOISE = 2e-15
_DEEPEST = 80

_ANGLES = np.pi * (np.arange(_NODES) + 0.5) / _NODES
_POINTS = np.cos(_ANGLES)
_SERIES = np.cos(np.outer(np.arange(_NODES), _ANGLES)) * 2 / _NODES
_SERIES[0] /= 2


def group_delay(zeros: ArrayLike, poles: ArrayLike, w: ArrayLike) -> Floats:
    """Return the group delay -d(phase)/dw in seconds at angular frequencies w in rad/s.

    Parameters
    ----------
    zeros, poles : array_like of complex
        In rad/s, conjugates included.  Zeros on the axis have no delay.
    w : array_like
    """
    at = np.asarray(w, dtype=float)
    return np.asarray(_delays(_roots(poles), at) - _delays(_roots(zeros), at), dtype=float)


def magnitude_extrema(zeros: ArrayLike, poles: ArrayLike) -> Floats:
    """Return the angular frequencies above 0 at which |H| is stationary, or H is zero, ascending.

    Where |H| is flat to rounding, a point may be missing or one too many.
    """
    z, p, scale = _scaled(zeros, poles)
    axis, counts = np.unique(z[(z.real == 0) & (z.imag > 0)].imag, return_counts=True)
    kept = z[z.real != 0]
    origin = int(np.count_nonzero(z == 0))

    def slope(w: Floats) -> tuple[Floats, Floats]:
        """Return the slope times prod (w^2 - a^2)/(w^2 + a^2), and the size of its terms."""
        u, squares = w[..., None], axis**2
        plus, minus = _slopes(kept, w), _slopes(p, w)
        factors = (u * u - squares) / (u * u + squares)
        total = np.prod(factors, axis=-1)
        value = total * (plus[0] - minus[0])
        size = np.abs(total) * (plus[1] + minus[1])
        for k in range(axis.size):
            rest = np.prod(np.delete(factors, k, -1), axis=-1)
            term = rest * counts[k] * 2 * w / (w * w + squares[k])
            value, size = value + term, size + np.abs(term)
        value = value + total * origin / w
        return value, size + np.abs(total) * origin / w

    singular = np.concatenate([1j * kept, 1j * p, 1j * axis, np.zeros(1 if origin else 0)])
    found = _zeros_of(slope, singular, *_range(z, p))
    return np.asarray(scale * np.unique(np.concatenate([found, axis])), dtype=float)


def delay_extrema(zeros: ArrayLike, poles: ArrayLike, low: float, high: float) -> Floats:
    """Return the angular frequencies inside (low, high), rad/s, where the delay is stationary."""
    z, p, scale = _scaled(zeros, poles)
    z = z[z.real != 0]
    first, last = _range(z, p)
    first, last = max(low / scale, first), min(high / scale, last)
    if not first < last:
        return np.empty(0)

    def slope(w: Floats) -> tuple[Floats, Floats]:
        plus, minus = _delay_slopes(p, w), _delay_slopes(z, w)
        return plus[0] - minus[0], plus[1] + minus[1]

    found = _zeros_of(slope, np.concatenate([1j * z, 1j * p]), first, last)
    return np.asarray(scale * found, dtype=float)


def _roots(values: ArrayLike) -> Roots:
    return np.atleast_1d(np.asarray(values, dtype=complex)).ravel()


def _scaled(zeros: ArrayLike, poles: ArrayLike) -> tuple[Roots, Roots, float]:
    """Return the roots over the largest of them, and that: squares of tiny ones would vanish."""
    z, p = _roots(zeros), _roots(poles)
    scale = float(np.abs(np.concatenate([z, p])).max(initial=0.0)) or 1.0
    return z / scale, p / scale, scale


def _range(z: Roots, p: Roots) -> tuple[float, float]:
    sizes = np.abs(np.concatenate([z, p]))
    sizes = sizes[sizes > 0]
    if not sizes.size:
        return 1.0, 1.0
    return float(sizes.min()) / _REACH, float(sizes.max()) * _REACH


def _delays(r: Roots, w: Floats) -> Floats:
    off = r[r.real != 0]
    u = w[..., None] - off.imag
    return np.asarray(np.sum(-off.real / (u * u + off.real**2), axis=-1), dtype=float)


def _slopes(r: Roots, w: Floats) -> tuple[Floats, Floats]:
    """Return the sum of (w - Im r)/|jw - r|^2 over roots off the axis, and of its sizes."""
    u = w[..., None] - r.imag
    terms = u / (u * u + r.real**2)
    return terms.sum(axis=-1), np.abs(terms).sum(axis=-1)


def _delay_slopes(r: Roots, w: Floats) -> tuple[Floats, Floats]:
    u = w[..., None] - r.imag
    terms = 2 * r.real * u / (u * u + r.real**2) ** 2
    return terms.sum(axis=-1), np.abs(terms).sum(axis=-1)


def _zeros_of(
    function: Callable[[Floats], tuple[Floats, Floats]],
    singular: Roots,
    low: float,
    high: float,
) -> Floats:
    """Return all zeros in [low, high] of a function that is analytic but for these points."""
    if not low < high:
        return np.empty(0)
    middle, half = _intervals(singular, low, high)
    with np.errstate(all="ignore"):
        value, size = function(middle[:, None] + half[:, None] * _POINTS)
    series = value @ _SERIES.T
    noise = _NOISE * size.max(axis=1)
    rest = np.abs(series[:, 1:]).sum(axis=1)
    open_ = (np.abs(series[:, 0]) <= rest) & (np.abs(series).max(axis=1) > noise)
    found = [np.empty(0)]
    for k in np.flatnonzero(open_):
        kept = np.flatnonzero(np.abs(series[k]) > noise[k])
        if not kept.size or not kept[-1]:
            continue
        t = np.polynomial.chebyshev.chebroots(series[k, : kept[-1] + 1])
        t = t[(np.abs(t.imag) < 1e-6) & (np.abs(t.real) <= 1 + 1e-9)].real
        found.append(middle[k] + half[k] * t)
    return np.unique(np.clip(np.concatenate(found), low, high))


def _intervals(singular: Roots, low: float, high: float) -> tuple[Floats, Floats]:
    """Return middles and half widths of intervals narrow beside their distance to the points."""
    inside = np.abs(singular.real)
    cuts = np.unique(np.concatenate([[low, high], inside[(inside > low) & (inside < high)]]))
    a, b = cuts[:-1], cuts[1:]
    middles, halves = [], []
    for _ in range(_DEEPEST):
        middle, half = (a + b) / 2, (b - a) / 2
        near = np.min(np.abs(middle[:, None] - singular), axis=1, initial=np.inf)
        fine = half <= _WIDEST * near
        middles.append(middle[fine])
        halves.append(half[fine])
        a, middle, b = a[~fine], middle[~fine], b[~fine]
        if not a.size:
            break
        a, b = np.concatenate([a, middle]), np.concatenate([middle, b])
    return np.concatenate([*middles, (a + b) / 2]), np.concatenate([*halves, (b - a) / 2])
