"""Transmission zeros: structural ones stay whatever the parts are, balanced ones need a match.

A zero at DC, at infinity or on the axis stands where coefficients of N(s) vanish.  A coefficient
that the network cannot have is a structural zero.  One in which terms subtract is a balanced
zero: with real parts it is only as deep as they match, and its floor is estimated by drawing the
part values within their tolerance.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import inf, log10, pi, sqrt
from typing import Any

import numpy as np
import numpy.typing as npt

from synth.analysis.loop import Loop
from synth.analysis.terms import Terms, terms_of

Array = npt.NDArray[np.float64]
ComplexArray = npt.NDArray[np.complexfloating[Any, Any]]

#: A coefficient smaller than this share of its largest term counts as cancelled.
CANCELLED = 1e-6
_DRAWS = 2000


@dataclass(frozen=True)
class Zero:
    """A transmission zero on the imaginary axis.

    Parameters
    ----------
    frequency_hz : float
        0 at DC, infinite at infinity.
    count : int
        Multiplicity at DC and infinity; 1 for a pair on the axis.
    balanced : bool
        Whether it needs parts that match.
    floor_db : float or None
        For a balanced zero the median magnitude left there with parts of the tolerance asked,
        in dB below the largest magnitude; None for a structural zero.
    """

    frequency_hz: float
    count: int
    balanced: bool
    floor_db: float | None

    @property
    def kind(self) -> str:
        """``"structural"`` or ``"balanced"``."""
        return "balanced" if self.balanced else "structural"


def transmission_zeros(loop: Loop, tolerance: float = 0.01, seed: int = 0) -> tuple[Zero, ...]:
    """Return the zeros at DC, on the axis (order 2) and at infinity of a network with values.

    Parameters
    ----------
    loop : Loop
    tolerance : float
        Of every part, uniform within plus and minus this share of its value.
    seed : int
        Of the draws.
    """
    terms = terms_of(loop)
    values = np.array([loop.network.values[n] for n in terms.names])
    cancelled = _cancelled(terms, values)
    structural = ~terms.numerator.any(axis=1)
    n = len(cancelled) - 1
    absent = cancelled | structural
    present = np.flatnonzero(~absent)
    if not len(present):
        return ()
    low, high = int(present[0]), int(present[-1])
    rows: list[tuple[float, int, bool]] = []
    if low:
        rows.append((0.0, low, bool(cancelled[:low].any())))
    if n == 2 and low == 0 and high == 2 and absent[1]:
        top, _ = terms.coefficients(np.log(values)[None, :])
        rows.append((sqrt(abs(top[0, 0] / top[0, 2])) / (2 * pi), 1, bool(cancelled[1])))
    if high < n:
        rows.append((inf, n - high, bool(cancelled[high + 1 :].any())))
    floors = _floors(terms, values, [f for f, _, balanced in rows if balanced], tolerance, seed)
    return tuple(
        Zero(f, count, balanced, floors.get(f) if balanced else None) for f, count, balanced in rows
    )


def _cancelled(terms: Terms, values: Array) -> npt.NDArray[np.bool_]:
    """Which numerator coefficients exist in structure and vanish for these values."""
    monomials = np.exp(np.log(values) @ terms.exponents.T)
    parts = terms.numerator * monomials
    size = np.abs(parts).max(axis=1, initial=0.0)
    return np.asarray((size > 0) & (np.abs(parts.sum(axis=1)) < CANCELLED * size))


def _floors(
    terms: Terms, values: Array, frequencies: list[float], tolerance: float, seed: int
) -> dict[float, float]:
    """Median magnitude at each frequency over the draws, dB below the nominal peak."""
    if not frequencies:
        return {}
    generator = np.random.default_rng(seed)
    draws = values * (1 + tolerance * generator.uniform(-1, 1, size=(_DRAWS, len(values))))
    top, bottom = terms.coefficients(np.log(draws))
    nominal = terms.coefficients(np.log(values)[None, :])
    w0 = abs(nominal[1][0, 0] / nominal[1][0, -1]) ** (1 / max(1, len(terms.denominator) - 1))
    s = 1j * (w0 or 1.0) * np.geomspace(1e-3, 1e3, 601)
    peak = np.abs(_ratio(nominal[0], nominal[1], s)).max()
    found = {}
    for f in frequencies:
        if f == 0.0:
            left = np.abs(top[:, 0] / bottom[:, 0])
        elif f == inf:
            left = np.abs(top[:, -1] / bottom[:, -1])
        else:
            # each draw's own minimum: where the even part of N vanishes, only n1 is left
            w = np.sqrt(np.abs(top[:, 0] / top[:, 2]))
            powers = (1j * w[:, None]) ** np.arange(3)[None, :]
            left = np.abs((top * powers).sum(axis=1) / (bottom * powers).sum(axis=1))
        found[f] = 20 * log10(float(np.median(left)) / float(peak) + 1e-300)
    return found


def _ratio(top: Array, bottom: Array, s: ComplexArray) -> ComplexArray:
    powers = s[None, :] ** np.arange(top.shape[1])[:, None]
    return np.asarray((top @ powers) / (bottom @ powers))
