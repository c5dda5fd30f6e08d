"""What one part may be: any ascending list of values with a description.

A preferred series inside a window (`synth.values.series.Shelf`), the union of several, the
contents of a drawer, one fixed value, or two parts in series or in parallel: to the choice of
values they are all the same, an ascending grid.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Protocol

import numpy as np
import numpy.typing as npt

from synth.errors import NumberError
from synth.units import format_si

Array = npt.NDArray[np.float64]

#: Two values nearer than this, relatively, are one value.
SAME = 1e-12


class Grid(Protocol):
    """The values one part may take, in ohm, farad or henry."""

    @property
    def values(self) -> Array:
        """All values, ascending."""

    @property
    def low(self) -> float:
        """The smallest value, or the low end of the window."""

    @property
    def high(self) -> float:
        """The largest value, or the high end of the window."""

    @property
    def label(self) -> str:
        """What it is, for a reader."""


@dataclass(frozen=True)
class ValueList:
    """An explicit list of values.

    Parameters
    ----------
    items : tuple of float
        Positive and finite; sorted and freed of duplicates by `value_list`.
    label : str
        What it is, for a reader.

    Raises
    ------
    NumberError
        If it is empty, not ascending, or holds a value that is not positive and finite.
    """

    items: tuple[float, ...]
    label: str

    def __post_init__(self) -> None:
        if not self.items:
            raise NumberError(f"{self.label} holds no value; give at least one")
        for v in self.items:
            if not 0 < v < float("inf"):
                raise NumberError(f"{self.label} holds the value {v:g}; values must be positive")
        if any(b <= a for a, b in zip(self.items, self.items[1:], strict=False)):
            raise NumberError(f"the values of {self.label} do not ascend; sort them")

    @property
    def values(self) -> Array:
        """All values, ascending."""
        return np.array(self.items)

    @property
    def low(self) -> float:
        """The smallest value."""
        return self.items[0]

    @property
    def high(self) -> float:
        """The largest value."""
        return self.items[-1]


def value_list(values: Iterable[float], label: str) -> ValueList:
    """Return the values sorted, those equal to rounding taken once."""
    kept: list[float] = []
    for v in sorted(float(v) for v in values):
        if not kept or not v - kept[-1] <= SAME * v:
            kept.append(v)
    return ValueList(tuple(kept), label)


def fixed(value: float) -> ValueList:
    """Return the grid of a part that is given."""
    return ValueList((float(value),), f"fixed at {format_si(value)}")


def union(grids: Sequence[Grid]) -> ValueList:
    """Return all values of several grids, as when E24 and E96 are both in stock.

    Examples
    --------
    >>> from synth.values.series import Shelf
    >>> union([Shelf("E3", 1e3, 5e3), Shelf("E6", 1e3, 3e3)]).items
    (1000.0, 1500.0, 2200.0, 4700.0)
    """
    return value_list(
        (v for g in grids for v in g.values), " with ".join(f"({g.label})" for g in grids)
    )


def between(grid: Grid, low: float, high: float) -> ValueList:
    """Return the values of a grid inside a window, both ends included.

    Raises
    ------
    NumberError
        If none is.
    """
    items = [v for v in grid.values if low * (1 - SAME) <= v <= high * (1 + SAME)]
    if not items:
        raise NumberError(
            f"no value of {grid.label} lies between {format_si(low)} and {format_si(high)}; "
            "widen the window"
        )
    label = f"{grid.label} from {format_si(low)} to {format_si(high)}"
    return value_list(items, label)


@dataclass(frozen=True)
class PairGrid:
    """One part made of two, in series or in parallel; both come from the same grid.

    Parameters
    ----------
    base : Grid
        Where both halves come from.
    adds : bool or None
        Whether the value of the pair is the sum of the two (resistors in series, capacitors in
        parallel) and not the product over the sum; None for either.
    """

    base: Grid
    adds: bool | None

    @cached_property
    def _all(self) -> tuple[Array, Array, Array, npt.NDArray[np.bool_]]:
        """Values ascending, the halves of each and its kind; of one value the most equal first."""
        base = self.base.values
        i, j = np.triu_indices(len(base))
        kinds = (True, False) if self.adds is None else (self.adds,)
        a, b = np.tile(base[i], len(kinds)), np.tile(base[j], len(kinds))
        adds = np.repeat(kinds, len(i))
        value = np.where(adds, a + b, a * b / (a + b))
        order = np.argsort(value, kind="stable")
        apart = np.diff(value[order]) > SAME * value[order][1:]
        group = np.zeros(len(value), dtype=np.int64)
        group[order] = np.concatenate([[0], np.cumsum(apart)])
        order = np.lexsort((~adds, b / a, group))
        return value[order], a[order], b[order], adds[order]

    @cached_property
    def _starts(self) -> npt.NDArray[np.int64]:
        """Where the pairs of each distinct value begin, and the end of the last."""
        value = self._all[0]
        first = np.concatenate([[True], np.abs(np.diff(value)) > SAME * value[1:]])
        return np.append(np.flatnonzero(first), len(value))

    @cached_property
    def values(self) -> Array:
        """All values of a pair, ascending."""
        return self._all[0][self._starts[:-1]]

    @property
    def low(self) -> float:
        """The smallest value of a pair."""
        return float(self.values[0])

    @property
    def high(self) -> float:
        """The largest value of a pair."""
        return float(self.values[-1])

    @property
    def label(self) -> str:
        """What it is, for a reader."""
        how = {True: "added", False: "product over sum", None: "added or product over sum"}
        return f"two of {self.base.label}, {how[self.adds]}"

    def halves(self, value: float) -> tuple[float, float]:
        """Return the two values behind one value of the pair, smaller first."""
        a, b, _ = self.taken_apart(value)
        return a, b

    def taken_apart(self, value: float) -> tuple[float, float, bool]:
        """Return the halves, smaller first, and whether their values add up."""
        return self.ways(value)[0]

    def ways(self, value: float) -> tuple[tuple[float, float, bool], ...]:
        """Return all pairs of the value nearest to one, as `taken_apart`; the most equal first."""
        _, a, b, adds = self._all
        k = int(np.argmin(np.abs(self.values - value)))
        rows = range(self._starts[k], self._starts[k + 1])
        return tuple((float(a[r]), float(b[r]), bool(adds[r])) for r in rows)
