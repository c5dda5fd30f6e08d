"""A bound on ``|A|/|B|`` over a box of many parts: exact to first and second order.

With every part at the middle of its range plus t_k times a number in [-1, 1], a multilinear
function is ``P0 + sum P_k + sum P_kl + the rest``.  In a direction of the complex plane the first
two sums are at most the sums of the sizes of their terms; the rest is at most that of the
monomials' own.  ``|A|/|B| <= r`` holds all over the box when in every direction theta

    Re(A*exp(-j*theta)) - r*Re(B*exp(-j*phi)) <= 0,

phi being any direction in which B is positive; the smallest such r is a bound.  Its cost is
that of the pairs of parts, not of the two-to-the-power-of-parts vertices.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from synth.tolerances.factored import ComplexArray
from synth.tolerances.spread import Array

#: Directions that are looked at; between them |A| is larger by 1/cos(pi/directions) at most.
_DIRECTIONS = 72
_HALVINGS = 44
_AT_ONCE = 20


@dataclass(frozen=True)
class Monomials:
    """A multilinear function at some frequencies.

    Parameters
    ----------
    sizes : array (terms, frequencies)
        Coefficients, complex.
    members : array (terms, parts)
        1 where a part is in a monomial, else 0.
    """

    sizes: ComplexArray
    members: Array


@dataclass(frozen=True)
class _Expanded:
    """P0 (frequencies,), first- and second-order terms (terms, frequencies), and the rest."""

    middle: ComplexArray
    terms: ComplexArray
    rest: Array


def affine_bound(a: Monomials, b: Monomials, low: Array, high: Array) -> Array:
    """Return (frequencies,) a bound on ``|A|/|B|`` over the box; infinite where B may vanish.

    Parameters
    ----------
    a, b : Monomials
    low, high : array (parts,)
        The box, positive.
    """
    found = []
    for start in range(0, a.sizes.shape[1], _AT_ONCE):
        rows = slice(start, start + _AT_ONCE)
        above, below = (
            _expanded(Monomials(m.sizes[:, rows], m.members), low, high) for m in (a, b)
        )
        found.append(_bounded(above, below))
    return np.concatenate(found)


def _expanded(m: Monomials, low: Array, high: Array) -> _Expanded:
    middle, half = (low + high) / 2, (high - low) / (low + high)
    scaled = m.sizes * np.exp(m.members @ np.log(middle))[:, None]
    first, second = np.triu_indices(len(low), 1)
    pairs = m.members[:, first] * m.members[:, second] * (half[first] * half[second])
    terms = np.vstack([(m.members * half).T @ scaled, pairs.T @ scaled])
    # of one monomial: prod(1 + t) - 1 - sum t - sum of pairs
    each = np.exp(m.members @ np.log1p(half)) - 1 - m.members @ half - pairs.sum(axis=1)
    rest = np.maximum(each, 0.0) @ np.abs(scaled) + 1e-12 * np.abs(scaled).sum(axis=0)
    return _Expanded(scaled.sum(axis=0), terms, rest)


def _bounded(a: _Expanded, b: _Expanded) -> Array:
    phi = np.angle(b.middle)
    theta = np.exp(-2j * np.pi * np.arange(_DIRECTIONS) / _DIRECTIONS)[:, None]
    below, below_terms = np.abs(b.middle), (b.terms * np.exp(-1j * phi)).real
    least = below - np.abs(below_terms).sum(axis=0) - b.rest
    above = (a.middle * theta).real  # (directions, frequencies)
    above_terms = (a.terms * theta[:, None]).real  # (directions, terms, frequencies)
    most = above + np.abs(above_terms).sum(axis=1) + a.rest
    with np.errstate(divide="ignore", invalid="ignore"):
        upper = np.where(least > 0, np.maximum(most, 0.0) / least, np.inf)
    lower = np.zeros_like(upper)
    open_ = np.isfinite(upper)
    for _ in range(_HALVINGS):
        r = np.where(open_, (lower + upper) / 2, 0.0)
        together = np.abs(above_terms - r[:, None] * below_terms).sum(axis=1)
        holds = above + together + a.rest + r * (b.rest - below) <= 0
        upper, lower = np.where(holds & open_, r, upper), np.where(holds, lower, r)
    return np.asarray(upper.max(axis=0) / np.cos(np.pi / _DIRECTIONS))
