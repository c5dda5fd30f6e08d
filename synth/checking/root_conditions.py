"""When wanted poles or zeros are met: differences of coefficients, smooth in the part values.

A root of its own moves smoothly, a double one by the square root of any coupling between the
stages that make it; its sum and product with its equals stay smooth.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from synth.analysis.real import Array, ComplexArray
from synth.analysis.roots import clusters


def root_conditions(
    wanted: Sequence[complex], found: ComplexArray, together: bool = False
) -> Array:
    """Return differences of coefficients, 0 where all wanted roots are met.

    Pairs are taken as quadratics.  Real roots go in twos, the last odd one alone; a coefficient is
    measured by the quadratic's own frequency.

    Parameters
    ----------
    wanted : sequence of complex
        rad/s, conjugates of pairs included.
    found : array
        In the order of `wanted`.
    together : bool
        Whether roots that are equal count as one: by the mean of their quadratics, or of real
        roots by their own.
    """
    rows: list[float] = []
    left = list(range(len(wanted)))
    for cluster in clusters(wanted) if together else ():
        if len(cluster) == 1 or wanted[cluster[0]].imag < 0:
            continue
        own = list(cluster)
        if wanted[cluster[0]].imag:
            own += _conjugates(wanted, cluster, left)
        left = [k for k in left if k not in own]
        rows += _mean(np.array([wanted[k] for k in own]), found[own], len(cluster))
    for group in _groups(wanted, left):
        if len(group) == 1:
            (k,) = group
            rows.append((found[k] - wanted[k]).real / abs(wanted[k]))
            continue
        i, j = group
        size = abs(wanted[i] * wanted[j]) ** 0.5
        rows.append(-((found[i] + found[j]) - (wanted[i] + wanted[j])).real / size)
        rows.append((found[i] * found[j] - wanted[i] * wanted[j]).real / size**2)
    return np.array(rows)


def _mean(wanted: ComplexArray, found: ComplexArray, count: int) -> list[float]:
    """Return the mean difference of sums, and for pairs of products, of `count` equal factors."""
    size = abs(wanted[0])
    rows = [float(-(found - wanted).sum().real) / size / count]
    if len(wanted) > count:
        rows.append((float(np.prod(found / wanted).real) - 1) / count)
    return rows


def _conjugates(
    wanted: Sequence[complex], cluster: Sequence[int], left: Sequence[int]
) -> list[int]:
    lower = [k for k in left if wanted[k].imag < 0]
    found = []
    for k in cluster:
        partner = min(lower, key=lambda j: abs(wanted[j].conjugate() - wanted[k]))
        lower.remove(partner)
        found.append(partner)
    return found


def _groups(wanted: Sequence[complex], left: Sequence[int]) -> list[tuple[int, ...]]:
    upper = [k for k in left if wanted[k].imag > 0]
    groups: list[tuple[int, ...]] = []
    for k, partner in zip(upper, _conjugates(wanted, upper, left), strict=True):
        groups.append((k, partner))
    real = sorted((k for k in left if not wanted[k].imag), key=lambda k: abs(wanted[k]))
    groups += [tuple(real[k : k + 2]) for k in range(0, len(real), 2)]
    return groups
