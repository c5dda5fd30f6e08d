"""The choice of values as a problem: what may be chosen, and the coefficients as polynomials.

Every coefficient of N(s) and D(s) is multilinear in the admittances (1/R, C, 1/L) of the parts.
Parts that are given are folded into the coefficients; parts that are tied together are one
element, in which a coefficient may then be of higher degree.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from math import prod

import numpy as np
import numpy.typing as npt

from synth.analysis.terms import Terms
from synth.errors import NumberError
from synth.units import format_si
from synth.values.grids import SAME, Grid, PairGrid, value_list
from synth.values.pieces import Drawer, Wanted

Array = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

#: Letters of parts whose admittance is the inverse of their value.
INVERSE = frozenset("RL")


@dataclass(frozen=True, eq=False)
class Element:
    """One thing to choose: the value of a part, or of several parts tied together.

    Parameters
    ----------
    parts : tuple of str
        Names; all of one kind.
    values : array
        What may be chosen, in ohm, farad or henry, ascending.
    limits : array of int or None
        Pieces at hand of each value; None when there are enough, or the parts are pairs.
    drawn : tuple of PairGrid or None
        For each part that comes from a stock list its grid where it is made of two, else None.
    """

    parts: tuple[str, ...]
    values: Array
    limits: IntArray | None = None
    drawn: tuple[PairGrid | None, ...] = ()

    @property
    def letter(self) -> str:
        """R, C, L or D."""
        return self.parts[0][0]

    @property
    def name(self) -> str:
        """Names joined by the sign of equality."""
        return "=".join(self.parts)

    def admittances(self, values: Array) -> Array:
        """1/R, C or 1/L of values."""
        return np.asarray(1.0 / values if self.letter in INVERSE else values)


@dataclass(frozen=True, eq=False)
class Problem:
    """Elements and the coefficients of N and D as polynomials in their admittances.

    Parameters
    ----------
    elements : tuple of Element
    fixed : mapping
        Part -> its value, for the parts that are given.
    exponents : array of int (terms, elements)
        Power of each element's admittance in each monomial.
    rows : array (2 * (order + 1), terms)
        Coefficients of the monomials of N, ascending powers of s/w0, and then of D.
    w0 : float
        Normalising angular frequency, rad/s.
    counts : mapping
        Letter -> (value -> pieces at hand); empty without a stock list.
    """

    elements: tuple[Element, ...]
    fixed: Mapping[str, float]
    exponents: IntArray
    rows: Array
    w0: float
    counts: Mapping[str, Mapping[float, int]] = field(default_factory=dict)

    @property
    def limited(self) -> bool:
        """Whether a stock list limits the choice."""
        return any(e.drawn for e in self.elements)

    @property
    def order(self) -> int:
        """Degree of D."""
        return len(self.rows) // 2 - 1

    @property
    def combinations(self) -> int:
        """How many choices there are."""
        return prod(len(e.values) for e in self.elements)

    def coefficients(self, values: Array) -> Array:
        """Return (batch, 2 * (order + 1)) coefficients of N and D at (batch, elements) values."""
        monomials = np.ones((len(values), len(self.exponents)))
        for k, e in enumerate(self.elements):
            monomials *= e.admittances(values[:, k])[:, None] ** self.exponents[:, k]
        return np.asarray(monomials @ self.rows.T)

    def parts(self, values: Sequence[float]) -> dict[str, float]:
        """Return part -> value of one choice, with the parts that are given."""
        chosen = {p: float(v) for e, v in zip(self.elements, values, strict=True) for p in e.parts}
        return {**self.fixed, **chosen}


@dataclass(frozen=True)
class Wishes:
    """What the user says about the parts.

    Parameters
    ----------
    grids : mapping
        Part or letter -> its grid; the name of a part comes first.
    keep : mapping
        Part -> value that stays.
    ties : tuple of tuples of str
        Parts that are to be equal.
    counts : mapping
        Letter -> (value -> pieces at hand); empty without a stock list.
    bought : frozenset of str
        Parts that do not come from the stock list.
    """

    grids: Mapping[str, Grid]
    keep: Mapping[str, float] = field(default_factory=dict)
    ties: tuple[tuple[str, ...], ...] = ()
    counts: Mapping[str, Mapping[float, int]] = field(default_factory=dict)
    bought: frozenset[str] = frozenset()


def problem_of(terms: Terms, w0: float, wishes: Wishes) -> Problem:
    """Set up the choice of values of a circuit.

    Parameters
    ----------
    terms : Terms
        Of the circuit's loop under its drive.
    w0 : float
        Normalising angular frequency, rad/s.
    wishes : Wishes

    Raises
    ------
    NumberError
        If a part has no grid, a kept value is not positive and finite, or a tie is impossible.
    """
    if not 0 < w0 < float("inf"):
        raise NumberError(f"the normalising frequency {w0:g} rad/s must be positive and finite")
    names = terms.names
    _check_names(names, wishes)
    groups = _groups(names, wishes)
    elements = tuple(_element(g, wishes) for g in groups)
    place = {n: k for k, n in enumerate(names)}
    powers = np.abs(np.rint(terms.exponents)).astype(np.int64)
    factor = np.ones(len(powers))
    for n, v in wishes.keep.items():
        admittance = 1.0 / v if n[0] in INVERSE else v
        factor = factor * admittance ** powers[:, place[n]]
    exponents = np.zeros((len(powers), len(groups)), dtype=np.int64)
    for k, group in enumerate(groups):
        exponents[:, k] = powers[:, [place[n] for n in group]].sum(axis=1)
    scale = w0 ** np.arange(len(terms.denominator), dtype=float)
    rows = np.vstack([terms.numerator * scale[:, None], terms.denominator * scale[:, None]])
    merged, which = np.unique(exponents, axis=0, return_inverse=True)
    columns = np.zeros((len(rows), len(merged)))
    np.add.at(columns.T, which.ravel(), (rows * factor).T)
    return Problem(elements, dict(wishes.keep), merged, columns, w0, wishes.counts)


def _check_names(names: Sequence[str], wishes: Wishes) -> None:
    tied = [n for group in wishes.ties for n in group]
    for n in (*wishes.keep, *tied):
        if n not in names:
            raise NumberError(f"no part is called {n}; the parts are {', '.join(names)}")
    for n, v in wishes.keep.items():
        if not 0 < v < float("inf"):
            raise NumberError(f"part {n} is kept at {v:g}; a value must be positive and finite")
    for n in set(tied):
        if tied.count(n) > 1:
            raise NumberError(
                f"part {n} is tied twice; write one tie with all parts that are equal"
            )


def _groups(names: Sequence[str], wishes: Wishes) -> list[tuple[str, ...]]:
    """Parts to choose, those tied together in one group, in order of the circuit."""
    tie_of = {n: group for group in wishes.ties for n in group}
    groups: dict[tuple[str, ...], None] = {}
    for n in names:
        group = tie_of.get(n, (n,))
        kept = [m for m in group if m in wishes.keep]
        if kept and len(kept) < len(group):
            raise NumberError(
                f"{'='.join(group)} is tied, but {kept[0]} is kept at a value; keep all or none"
            )
        if not kept:
            groups.setdefault(group)
    return list(groups)


def _element(group: tuple[str, ...], wishes: Wishes) -> Element:
    letters = {n[0] for n in group}
    if len(letters) > 1:
        raise NumberError(f"{'='.join(group)} ties parts of different kinds; tie like parts only")
    letter = group[0][0]
    grids = []
    for n in group:
        grid = wishes.grids.get(n) or wishes.grids.get(letter)
        if grid is None:
            raise NumberError(f"part {n} has no series to choose from; name one or keep its value")
        grids.append(grid)
    values = grids[0].values
    for grid in grids[1:]:
        values = np.array([v for v in values if np.abs(grid.values - v).min() <= SAME * v])
        if not len(values):
            raise NumberError(
                f"{'='.join(group)} is tied, but {grids[0].label} and {grid.label} share no value"
            )
    counts = wishes.counts.get(letter)
    drawn = tuple(
        grid if isinstance(grid, PairGrid) else None
        for n, grid in zip(group, grids, strict=True)
        if counts is not None and n not in wishes.bought
    )
    if counts is None or not drawn:
        return Element(group, values)
    if any(drawn):
        drawer = Drawer({letter: counts})
        enough = np.array(
            [drawer.taken([Wanted(letter, v, pair) for pair in drawn]) is not None for v in values]
        )
        limits = None
    else:
        limits = np.array([_pieces(v, counts) for v in values], dtype=np.int64)
        enough = limits >= len(drawn)
    if not enough.any():
        raise NumberError(
            f"{'='.join(group)} needs {len(drawn)} equal parts, and no value is in stock that "
            f"often; the smallest value wanted was {format_si(float(values[0]))}"
        )
    kept = None if limits is None else limits[enough]
    return Element(group, value_list(values[enough], "stock").values, kept, drawn)


def _pieces(value: float, counts: Mapping[float, int]) -> int:
    return sum(n for v, n in counts.items() if abs(v - value) <= SAME * value)
