"""Exact values: solve the coefficient equations of a candidate for many starts at once.

The unknowns are the logarithms of the free values, normalised to w0 and an impedance level, so
monomials are exponentials and the Jacobian is exact.  Each start has a preference x0 (equal
resistors, gain-setting parts near the impedance level); the step is the least-squares one that
meets the linearised equations nearest to x0, so free degrees are spent on small spread.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from synth.analysis.terms import Terms
from synth.search.candidates import SectionTarget

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.intp]

_ROUNDS = 40
_PATIENCE = 12  # after so many rounds a start must be within _HOPE of a solution
_HOPE = 0.1
_CONVERGED = 1e-9


@dataclass(frozen=True)
class CoefficientError:
    """Relative errors of the coefficients of N and D against a target.

    Ratios to the leading coefficient of D are compared: a wanted coefficient by its relative
    error, an absent one by its size against the coefficient of D of the same power times the
    target's gain, so that a notch's depth and a pole's shift weigh alike.
    """

    terms: Terms
    target: SectionTarget

    @cached_property
    def _rows(self) -> tuple[Array, Array, Array, Array]:
        """Return the rows compared, the rows they are divided by, wanted ratios and their scales.

        A row says something when the circuit has such a coefficient or the target wants it.  All
        are divided by D's leading coefficient; with a free gain those of N by N's own largest.
        """
        n, d = np.array(self.target.numerator), np.array(self.target.denominator)
        top, bottom = self.terms.numerator, self.terms.denominator
        lead = np.repeat(bottom[-1:], len(d) - 1, axis=0)
        largest = int(np.argmax(np.abs(n / d)))
        gain = float(np.abs(n / d)[largest])
        if self.target.free_gain:
            base = np.vstack([np.repeat(top[largest : largest + 1], len(n), axis=0), lead])
            wanted = np.concatenate([n / n[largest], d[:-1]])
            zero_size = d / d[largest]
        else:
            base = np.vstack([np.repeat(bottom[-1:], len(n), axis=0), lead])
            wanted = np.concatenate([n, d[:-1]])
            zero_size = gain * d
        size = np.concatenate([zero_size, d[:-1]])
        size = np.where(wanted != 0, np.abs(wanted), size)
        rows = np.vstack([top, bottom[:-1]])
        active = rows.any(axis=1) | (wanted != 0)
        if self.target.free_gain:
            active[largest] = False
        return rows[active], base[active], wanted[active], size[active]

    @cached_property
    def _slopes(self) -> tuple[Array, Array, IntArray]:
        """Return what monomials are multiplied by for the slopes of the rows, and of the bases.

        Rows of (terms, rows * parts) and (terms, bases * parts), and the base of each row: few
        rows are divided by another one than the next.
        """
        rows, base, _, _ = self._rows
        bases, which = np.unique(base, axis=0, return_inverse=True)
        return self._times(rows), self._times(bases), np.asarray(which).reshape(-1)

    def _times(self, rows: Array) -> Array:
        each = rows.T[:, :, None] * self.terms.exponents[:, None, :]
        return np.asarray(each.reshape(len(each), -1))

    def evaluate(self, logs: Array) -> Array:
        """Return (batch, rows) relative errors; `logs` are normalised log-values."""
        rows, base, wanted, size = self._rows
        monomials = np.exp(logs @ self.terms.exponents.T)
        with np.errstate(divide="ignore", invalid="ignore"):  # a row divided by zero is no match
            return np.asarray(((monomials @ rows.T) / (monomials @ base.T) - wanted) / size)

    def linearise(self, logs: Array) -> tuple[Array, Array]:
        """Return errors (batch, rows) and their Jacobian (batch, rows, parts)."""
        rows, base, wanted, size = self._rows
        of_rows, of_bases, which = self._slopes
        count, parts = logs.shape
        monomials = np.exp(logs @ self.terms.exponents.T)
        under = monomials @ base.T
        ratios = (monomials @ rows.T) / under
        slopes = (monomials @ of_rows).reshape(count, len(rows), parts)
        bases = which.max(initial=-1) + 1
        below = (monomials @ of_bases).reshape(count, bases, parts)
        slopes -= ratios[:, :, None] * (below if below.shape[1] == 1 else below[:, which])
        slopes /= under[:, :, None] * size[None, :, None]
        return (ratios - wanted) / size, slopes

    def gain(self, logs: Array) -> Array:
        """Return (batch,) the gain reached over the gain of the target, with sign."""
        n, d = np.array(self.target.numerator), np.array(self.target.denominator)
        largest = int(np.argmax(np.abs(n / d)))
        top, bottom = self.terms.coefficients(logs)
        return np.asarray(top[:, largest] / bottom[:, -1] / n[largest])


def solve(
    errors: CoefficientError, preferred: Array, free: Mask, bound: float = 12.0
) -> tuple[Array, Mask]:
    """Solve the equations near `preferred` with the parts not in `free` fixed.

    Parameters
    ----------
    errors : CoefficientError
        The equations.
    preferred : array (batch, parts)
        Normalised log-values: starts and preference in one.
    free : array of bool (parts,)
        Parts that may move.
    bound : float
        No log-value may leave its preference by more than this.

    Returns
    -------
    logs : array (batch, parts)
    solved : array of bool (batch,)
        Which rows meet every equation to rounding.
    """
    x = preferred.copy()
    wanted = preferred[:, free]
    low, high = wanted - bound, wanted + bound
    active = np.arange(len(x))
    with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
        for turn in range(_ROUNDS):
            now = x[active]
            r, jacobian = errors.linearise(now)
            at = now[:, free]
            step = _least_step(jacobian[:, :, free], r, at - wanted[active])
            longest = np.abs(step).max(axis=1, initial=1e-300)
            step *= np.minimum(1.0, 0.8 / longest)[:, None]
            now[:, free] = np.minimum(np.maximum(at + step, low[active]), high[active])
            x[active] = now
            going = longest >= 1e-12
            if turn == _PATIENCE:
                going &= np.abs(r).max(axis=1, initial=0.0) < _HOPE
            active = active[going]
            if not len(active):
                break
        residual = np.abs(errors.evaluate(x)).max(axis=1, initial=0.0)
    return x, np.isfinite(residual) & (residual < _CONVERGED)


def _least_step(j: Array, r: Array, away: Array) -> Array:
    """Step that meets the linearised equations and ends nearest to the preference."""
    transposed = j.transpose(0, 2, 1)
    gram = np.matmul(j, transposed)
    size = gram.shape[1]
    gram += (1e-12 * np.einsum("bii->b", gram) / max(size, 1) + 1e-300)[:, None, None] * np.eye(
        size
    )
    rhs = np.matmul(j, away[:, :, None])[:, :, 0] - r
    sound = np.isfinite(gram.sum() + rhs.sum())  # of all together; most often that is enough
    bad = np.zeros(len(gram), dtype=bool)
    if not sound:
        bad = ~(np.isfinite(gram).all(axis=(1, 2)) & np.isfinite(rhs).all(axis=1))
        gram[bad], rhs[bad] = np.eye(size), 0.0
    multipliers = np.linalg.solve(gram, rhs[:, :, None])
    step = np.matmul(transposed, multipliers)[:, :, 0] - away
    if not (sound and np.isfinite(step.sum())):
        step[bad | ~np.isfinite(step).all(axis=1)] = 0.0
    return np.asarray(step)
