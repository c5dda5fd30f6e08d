"""Exact values: solve the coefficient equations of a candidate for many starts at once.

The unknowns are the logarithms of the free values, normalised to w0 and an impedance level, so
monomials are exponentials and the Jacobian is exact.  Each start has a preference x0 (equal
resistors, gain-setting parts near the impedance level); the step is the least-squares one that
meets the linearised equations nearest to x0, so free degrees are spent on small spread.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from synth.analysis.terms import Terms
from synth.search.candidates import SectionTarget

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

_ROUNDS = 40
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

    def _scales(self) -> tuple[Array, Array]:
        """Return wanted ratios to D's leading coefficient, and what each error is measured in."""
        n, d = np.array(self.target.numerator), np.array(self.target.denominator)
        gain = float(np.abs(n / d).max())
        wanted = np.concatenate([n, d[:-1]])
        size = np.concatenate([np.where(n != 0, np.abs(n), gain * d), d[:-1]])
        return wanted, size

    def rows(self) -> Array:
        """Rows of the term matrix that are compared, D's leading coefficient left out."""
        return np.asarray(np.vstack([self.terms.numerator, self.terms.denominator[:-1]]))

    def active(self) -> Mask:
        """Which rows say something: a wanted coefficient, or one that must vanish by balance."""
        wanted, _ = self._scales()
        return np.asarray(self.rows().any(axis=1) | (wanted != 0))

    def evaluate(self, logs: Array) -> Array:
        """Return (batch, rows) relative errors; `logs` are normalised log-values."""
        monomials = np.exp(logs @ self.terms.exponents.T)
        lead = monomials @ self.terms.denominator[-1]
        wanted, size = self._scales()
        ratios = monomials @ self.rows().T / lead[:, None]
        return np.asarray(((ratios - wanted) / size)[:, self.active()])

    def linearise(self, logs: Array) -> tuple[Array, Array]:
        """Return errors (batch, rows) and their Jacobian (batch, rows, parts)."""
        t = self.terms
        monomials = np.exp(logs @ t.exponents.T)
        lead = monomials @ t.denominator[-1]
        wanted, size = self._scales()
        keep = self.active()
        rows = self.rows()[keep]
        ratios = monomials @ rows.T / lead[:, None]
        errors = (ratios - wanted[keep]) / size[keep]
        slopes = np.matmul(monomials[:, None, :] * rows, t.exponents)
        lead_slope = (monomials * t.denominator[-1]) @ t.exponents
        jacobian = slopes / lead[:, None, None] - (
            ratios[:, :, None] * lead_slope[:, None, :] / lead[:, None, None]
        )
        return errors, jacobian / size[keep][None, :, None]


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
    with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
        for _ in range(_ROUNDS):
            r, jacobian = errors.linearise(x)
            j = jacobian[:, :, free]
            gram = np.matmul(j, j.transpose(0, 2, 1))
            trace = np.trace(gram, axis1=1, axis2=2) / max(gram.shape[1], 1)
            gram = gram + (1e-12 * trace + 1e-300)[:, None, None] * np.eye(gram.shape[1])
            away = (x - preferred)[:, free]
            rhs = np.einsum("bjp,bp->bj", j, away) - r
            good = np.isfinite(gram).all(axis=(1, 2)) & np.isfinite(rhs).all(axis=1)
            gram[~good], rhs[~good] = np.eye(gram.shape[1]), 0.0
            multipliers = np.linalg.solve(gram, rhs[:, :, None])
            step = np.matmul(j.transpose(0, 2, 1), multipliers)[:, :, 0] - away
            longest = np.abs(step).max(axis=1, initial=1e-300)
            step *= np.minimum(1.0, 0.8 / longest)[:, None]
            step[~np.isfinite(step)] = 0.0
            x[:, free] = np.clip(
                x[:, free] + step, preferred[:, free] - bound, preferred[:, free] + bound
            )
            if longest[good].max(initial=0.0) < 1e-12:
                break
        residual = np.abs(errors.evaluate(x)).max(axis=1, initial=0.0)
    return x, np.isfinite(residual) & (residual < _CONVERGED)
