"""H of many circuits at once from the factors of the exact analysis.

The exact analysis gives N(s) and D(s) as lists of factors; for a single loop one each, for a
cascade those of its blocks.  Coefficients of whole batches are matrix products of signed
monomials (see `synth.analysis.terms`), and ``|P(jw)|**2`` of a real polynomial is a polynomial
in w**2, so a response over a grid is a matrix product too.  Values count relative to the nominal
ones and frequencies relative to the circuit's own, which keeps all numbers near 1.

``|P|**2`` in double precision loses a relative ``2**-53 * Q**2`` at a resonance of quality Q.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt

from synth.analysis.loop import Factors, Loop
from synth.analysis.numbers import admittances
from synth.analysis.ring import Poly
from synth.errors import NetworkError
from synth.tolerances.draws import BLOCK
from synth.tolerances.roots import has_growing_root, roots_of
from synth.tolerances.spread import Array, BoolArray
from synth.transfer.turning import turning

#: Numbers in a tile of responses.
_TILE = 200_000

ComplexArray = npt.NDArray[np.complexfloating[Any, Any]]


@dataclass(frozen=True)
class Factor:
    """One real polynomial in ``u = s/w_ref``, its coefficients sums of signed monomials.

    Parameters
    ----------
    exponents : array (terms, parts)
        Power of each part's value in each monomial.
    matrix : array (degree + 1, terms)
        Row j holds the nominal monomials of u**j with their signs, over a common scale.
    """

    exponents: Array
    matrix: Array

    @property
    def degree(self) -> int:
        """Highest power that the structure has."""
        return len(self.matrix) - 1

    @property
    def nominal(self) -> Array:
        """Coefficients at the nominal values, ascending."""
        return np.asarray(self.matrix.sum(axis=1))

    @property
    def slopes(self) -> Array:
        """Derivatives of the coefficients by ln(value), (degree + 1, parts)."""
        return np.asarray(self.matrix @ self.exponents)


@dataclass(frozen=True)
class Factored:
    """``H = exp(log_gain) * u**shift * prod(numerators)/prod(denominators)``, ``u = s/w_ref``.

    Parameters
    ----------
    names : tuple of str
        Parts, in the order of the columns.
    numerators, denominators : tuple of Factor
    log_gain : float
    shift : int
        Power of u taken out of the factors.
    w_ref : float
        Angular frequency in rad/s.
    hidden : tuple of Factor
        Of natural modes that H does not show.
    """

    names: tuple[str, ...]
    numerators: tuple[Factor, ...]
    denominators: tuple[Factor, ...]
    log_gain: float
    shift: int
    w_ref: float
    hidden: tuple[Factor, ...] = ()

    def prepare(self, ratios: Array) -> Array:
        """Return the coefficients of all factors, (rows, circuits).

        Numerators first, then denominators, then those that are hidden.

        Parameters
        ----------
        ratios : array (circuits, parts)
            Values over the nominal ones.
        """
        logs = np.log(ratios).T
        rows = [
            f.matrix @ np.exp(f.exponents @ logs)
            for f in (*self.numerators, *self.denominators, *self.hidden)
        ]
        return np.vstack(rows) if rows else np.zeros((0, len(ratios)))

    def squares(self, prepared: Array, frequencies: Array) -> Array:
        """Return |H|**2, (frequencies, circuits).

        Parameters
        ----------
        prepared : array (rows, circuits)
            From `prepare`.
        frequencies : array
            In hertz, positive.
        """
        x = (2 * np.pi * frequencies / self.w_ref) ** 2
        count = prepared.shape[1]
        gain = math.exp(2 * self.log_gain) * x**self.shift
        # constant factors and powers of x go into the polynomials: they cost nothing a frequency
        level = np.ones(count)
        top, bottom, _ = self._rows(prepared)
        for c in top:
            level = level * c[0] ** 2 if len(c) == 1 else level
        for c in bottom:
            level = level / c[0] ** 2 if len(c) == 1 else level
        tops = [_squared(c) for c in top if len(c) > 1]
        bottoms = [_squared(c) for c in bottom if len(c) > 1]
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            if not bottoms:
                return _tiled(x, [level[None, :], *tops], gain, [], count)
            bottoms[0] = bottoms[0] / level
            return _tiled(x, tops, np.ones_like(x), _powers(x, bottoms, 1 / gain), count)

    def squares_at(self, prepared: Array, frequencies: Array) -> Array:
        """Return |H|**2 at frequencies of each circuit's own, (frequencies, circuits) as given.

        Parameters
        ----------
        prepared : array (rows, circuits)
        frequencies : array (frequencies, circuits)
            In hertz, positive.
        """
        x = (2 * np.pi * frequencies / self.w_ref) ** 2
        found = math.exp(2 * self.log_gain) * x**self.shift
        top, bottom, _ = self._rows(prepared)
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            for c in top:
                found = found * _horner(_squared(c), x)
            for c in bottom:
                found = found / _horner(_squared(c), x)
        return np.asarray(found)

    def mode_frequencies(self, prepared: Array) -> Array:
        """Return the sizes of the natural modes that H shows, in hertz, (modes, circuits)."""
        _, bottom, _ = self._rows(prepared)
        sizes = [np.abs(roots_of(c)).T for c in bottom if len(c) > 2]
        found = np.vstack(sizes) if sizes else np.zeros((0, prepared.shape[1]))
        return np.asarray(found * self.w_ref / (2 * np.pi))

    def response(self, prepared: Array, frequencies: Array) -> ComplexArray:
        """Return H itself, (frequencies, circuits); parameters as for `squares`."""
        u = 2j * np.pi * frequencies / self.w_ref
        top, bottom, _ = self._rows(prepared)
        found = np.repeat(
            (math.exp(self.log_gain) * u**self.shift)[:, None], prepared.shape[1], axis=1
        )
        with np.errstate(divide="ignore", invalid="ignore"):
            for c in top:
                found *= u[:, None] ** np.arange(len(c)) @ c
            for c in bottom:
                found /= u[:, None] ** np.arange(len(c)) @ c
        return np.asarray(found)

    def delays(self, prepared: Array, frequencies: Array) -> Array:
        """Return the group delay in seconds, (frequencies, circuits); parameters as `squares`."""
        x = 2 * np.pi * frequencies / self.w_ref
        top, bottom, _ = self._rows(prepared)
        found = np.zeros((len(x), prepared.shape[1]))
        for c in bottom:
            found += turning(c.T, x).T
        for c in top:
            found -= turning(c.T, x).T
        return found / self.w_ref

    def sensitivities(self, frequencies: Array) -> ComplexArray:
        """Return d ln H/d ln(value) at the nominal values, (frequencies, parts).

        The real part is the sensitivity of |H|, the imaginary part that of the phase in rad.
        """
        u = 2j * np.pi * frequencies / self.w_ref
        total = np.zeros((len(u), len(self.names)), dtype=complex)
        signs = [1] * len(self.numerators) + [-1] * len(self.denominators)
        with np.errstate(divide="ignore", invalid="ignore"):
            for f, sign in zip((*self.numerators, *self.denominators), signs, strict=True):
                powers = u[:, None] ** np.arange(f.degree + 1)
                total += sign * (powers @ f.slopes) / (powers @ f.nominal)[:, None]
        return total

    def grows(self, prepared: Array) -> BoolArray:
        """Say which circuits have a natural mode in the right half-plane, (circuits,)."""
        _, bottom, hidden = self._rows(prepared)
        found = np.zeros(prepared.shape[1], dtype=bool)
        for c in (*bottom, *hidden):
            found |= has_growing_root(c)
        return found

    def _rows(self, prepared: Array) -> tuple[list[Array], list[Array], list[Array]]:
        factors = (*self.numerators, *self.denominators, *self.hidden)
        ends = np.cumsum([0] + [f.degree + 1 for f in factors])
        rows = [prepared[a:b] for a, b in pairwise(ends)]
        first = len(self.numerators)
        last = first + len(self.denominators)
        return rows[:first], rows[first:last], rows[last:]


def factored(loop: Loop) -> Factored:
    """Return the arrays of a loop with values under its own drive.

    Raises
    ------
    NetworkError
        If a part has no value, or the input has no way to the output.
    """
    admittances(loop.network)  # complains of missing values
    whole = loop.transfer()
    if whole is None:
        raise NetworkError(
            "the output does not follow the input at all (H is zero), so there is no response "
            "whose tolerance could be asked for"
        )
    top, bottom = without_common(whole, loop.denominators)
    w_ref = _own_frequency(loop, bottom)
    numerators = [_factor(loop, p, w_ref) for p in top]
    denominators = [_factor(loop, p, w_ref) for p in bottom]
    hidden = [p for p in loop.denominators if p not in bottom]
    return Factored(
        loop.variables,
        tuple(f for f, _, _ in numerators),
        tuple(f for f, _, _ in denominators),
        sum(g for _, g, _ in numerators) - sum(g for _, g, _ in denominators),
        sum(k for _, _, k in numerators) - sum(k for _, _, k in denominators),
        w_ref,
        tuple(_factor(loop, p, w_ref)[0] for p in hidden),
    )


def without_common(top: Factors, bottom: Factors) -> tuple[list[Poly], list[Poly]]:
    """Return the factors without those that numerator and denominator share."""
    left, right = list(top), []
    for p in bottom:
        if p in left:
            left.remove(p)
        else:
            right.append(p)
    return left, right


def _factor(loop: Loop, poly: Poly, w_ref: float) -> tuple[Factor, float, int]:
    """Return the factor, the logarithm of its scale, and the power of u taken out."""
    branches = loop.network.branches
    rows = _monomials(loop, poly)
    least = min(power for power, _, _, _ in rows)
    degree = max(power for power, _, _, _ in rows) - least
    scale = max(size + power * math.log(w_ref) for power, _, size, _ in rows)
    exponents = np.zeros((len(rows), len(branches)))
    matrix = np.zeros((degree + 1, len(rows)))
    for k, (power, coefficient, size, parts) in enumerate(rows):
        matrix[power - least, k] = coefficient * math.exp(size + power * math.log(w_ref) - scale)
        for p in parts:
            exponents[k, p] = 1 if branches[p].power > 0 else -1
    return Factor(exponents, matrix), scale, least


def _monomials(loop: Loop, poly: Poly) -> list[tuple[int, float, float, list[int]]]:
    """(power of s, coefficient, ln of the product of the admittances, parts) of each term."""
    branches = loop.network.branches
    logs = [math.log(b.value or 1.0) * (1 if b.power > 0 else -1) for b in branches]
    found = []
    for mask, c in poly.items():
        parts = [k for k in range(len(branches)) if mask >> k & 1]
        found.append(
            (sum(branches[k].power for k in parts), float(c), sum(logs[k] for k in parts), parts)
        )
    return found


def _own_frequency(loop: Loop, polys: Sequence[Poly]) -> float:
    """Geometric mean of the natural frequencies, from the ends of the polynomials."""
    total, count = 0.0, 0
    for poly in polys:
        sizes: dict[int, float] = {}
        for power, _, size, _ in _monomials(loop, poly):
            sizes[power] = max(size, sizes.get(power, -math.inf))
        low, high = min(sizes), max(sizes)
        total += sizes[low] - sizes[high]
        count += high - low
    return math.exp(total / count) if count else 1.0


def _squared(c: Array) -> Array:
    """Coefficients of |P(jw)|**2 in w**2 from those of P, (degree + 1, circuits) each."""
    found = np.zeros_like(c)
    for i in range(len(c)):
        for j in range(i, len(c), 2):
            sign = -1 if (j - i) % 4 else 1
            found[(i + j) // 2] += (sign if i == j else 2 * sign) * c[i] * c[j]
    return found


def _horner(c: Array, x: Array) -> Array:
    """Value of a polynomial in each circuit's own x."""
    found = np.broadcast_to(c[-1], x.shape)
    for row in c[-2::-1]:
        found = found * x + row
    return found


def _powers(x: Array, polys: Sequence[Array], gain: Array) -> list[tuple[Array, Array]]:
    """Pair each polynomial with the powers of x; the gain of each frequency goes to the first."""
    pairs = [(x[:, None] ** np.arange(len(c)), c) for c in polys]
    return [(p * gain[:, None] if k == 0 else p, c) for k, (p, c) in enumerate(pairs)]


def _tiled(
    x: Array,
    tops: Sequence[Array],
    gain: Array,
    below: Sequence[tuple[Array, Array]],
    count: int,
) -> Array:
    """Return the quotient of the products, a tile of circuits at a time so that it stays cached."""
    above = _powers(x, tops, gain)
    found = np.empty((len(x), count))
    width = BLOCK * max(1, min(8, _TILE // (BLOCK * len(x))))
    for start in range(0, count, width):
        columns = slice(start, start + width)
        out = found[:, columns]
        if below:
            denominator = out if not above else np.empty(out.shape)
            _product(below, columns, denominator)
        if above:
            _product(above, columns, out)
            if below:
                np.divide(out, denominator, out=out)
        else:
            np.reciprocal(out, out=out)
    return found


def _product(pairs: Sequence[tuple[Array, Array]], columns: slice, out: Array) -> None:
    for k, (powers, c) in enumerate(pairs):
        if k == 0:
            np.matmul(powers, c[:, columns], out=out)
        else:
            out *= powers @ c[:, columns]
