"""Frequencies at which to look: a logarithmic grid, finer around sharp resonances."""

from __future__ import annotations

from collections.abc import Callable, Iterable

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complex128]

#: Points over the half-width of a resonance, and how far around it they reach.
_STEPS = np.array([0.05, 0.12, 0.25, 0.4, 0.6, 0.85, 1.2, 1.7, 2.5, 4.0, 7.0, 12.0])
_NARROWEST = 1e-7
#: Rounds and points of one refinement of a crossing.
_ROUNDS, _FINE = 3, 25
#: Rounds towards a summit: each leaves a twelfth of the bracket.
_CLIMBS = 5


def grid(
    low_hz: float, high_hz: float, roots: Iterable[complex] = (), per_decade: int = 30
) -> Array:
    """Return frequencies in Hz from `low_hz` to `high_hz`, sorted.

    Parameters
    ----------
    low_hz, high_hz : float
        Ends, both in the grid.
    roots : iterable of complex
        Poles and zeros in rad/s whose neighbourhood is looked at more closely.
    per_decade : int
        Points per decade elsewhere.
    """
    decades = np.log10(high_hz / low_hz)
    points = [np.geomspace(low_hz, high_hz, max(2, int(np.ceil(decades * per_decade)) + 1))]
    for r in roots:
        centre = abs(r.imag) / (2 * np.pi)
        if not low_hz < centre < high_hz:
            continue
        width = max(abs(r.real) / (2 * np.pi), _NARROWEST * centre)
        if width < centre:
            points += [np.array([centre]), centre + width * _STEPS, centre - width * _STEPS]
    every = np.concatenate(points)
    return np.unique(every[(every >= low_hz) & (every <= high_hz)])


def crossings(frequencies: Array, values: Array) -> list[int]:
    """Return each k where `values` changes its sign between grid points k and k + 1."""
    sign = values > 0
    return [int(k) for k in np.flatnonzero(sign[1:] != sign[:-1])]


def refine(left_hz: float, right_hz: float, value: Callable[[Array], Array]) -> float:
    """Return where a function of frequency changes its sign between two frequencies, in Hz.

    It is evaluated on a few nested grids, so that each call does many frequencies at once; the
    last bracket is cut in proportion.
    """
    share = 0.5
    for _ in range(_ROUNDS):
        fine = np.geomspace(left_hz, right_hz, _FINE)
        values = value(fine)
        found = crossings(fine, values)
        if not found:
            break
        k = found[0]
        left_hz, right_hz = float(fine[k]), float(fine[k + 1])
        share = float(values[k] / (values[k] - values[k + 1]))
    return float(left_hz * (right_hz / left_hz) ** share)


def summit(frequencies: Array, k: int, value: Callable[[Array], Array]) -> tuple[float, float]:
    """Return where a function of frequency is largest near a grid point, and how large it is.

    Parameters
    ----------
    frequencies : array
        Hz, sorted.
    k : int
        Place of the largest value on that grid; at an end of it nothing is refined.
    value : callable
        Of frequencies in Hz.
    """
    if not 0 < k < len(frequencies) - 1:
        return float(frequencies[k]), float(value(frequencies[k : k + 1])[0])
    left, right = float(frequencies[k - 1]), float(frequencies[k + 1])
    for _ in range(_CLIMBS):
        fine = np.geomspace(left, right, _FINE)
        values = value(fine)
        best = min(max(int(np.argmax(values)), 1), _FINE - 2)
        left, right = float(fine[best - 1]), float(fine[best + 1])
    return float(fine[best]), float(values[best])


def panels(edges: Array) -> tuple[Array, Array]:
    """Return nodes and weights for integrals over frequency (Hz), by Gauss's rule in panels.

    Parameters
    ----------
    edges : array
        Sorted and positive; between two of them the rule has five nodes in log frequency.

    Returns
    -------
    nodes, weights : array
        ``sum(weights * f(nodes))`` approximates the integral of f over frequency in Hz.
    """
    x, w = np.polynomial.legendre.leggauss(5)
    logs = np.log(edges)
    half = (logs[1:] - logs[:-1])[:, None] / 2
    middle = (logs[1:] + logs[:-1])[:, None] / 2
    nodes = np.exp(middle + half * x).ravel()
    return nodes, (half * w).ravel() * nodes
