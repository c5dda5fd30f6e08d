"""What an enumeration is given: bounds to meet, work allowed, and a form with its order."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from synth.values.form import Form
from synth.values.metrics import Ratio

Array = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Bounds:
    """What an assignment must meet.

    Parameters
    ----------
    ratios : tuple of Ratio
        Of signed coefficients.
    spread : float
        Largest over smallest value among parts of one kind, at most; inf for no limit.
    impossible: bool
        Whether it is known beforehand that no assignment meets them.
    """

    ratios: tuple[Ratio, ...]
    spread: float = float("inf")
    impossible: bool = False


#: What a visitor returns when it has seen enough: the enumeration ends.
DONE = Bounds((), 0.0)


@dataclass
class Budget:
    """Work left, in rows; counted and not timed, so that results can be repeated.

    `told` is called with the rows that were taken off.
    """

    rows: float
    stopped: Callable[[], bool] = lambda: False
    told: Callable[[float], None] = lambda _: None

    def share(self, rows: float) -> Budget:
        """Return a part of what is left, at most `rows`."""
        return Budget(min(rows, self.rows), self.stopped, self.told)

    def spend(self, rows: int) -> bool:
        """Take rows off; False when there is nothing left."""
        self.rows -= rows
        self.told(rows)
        return self.rows > 0 and not self.stopped()


@dataclass(frozen=True, eq=False)
class Layout:
    """A form with its order of variables, ready for any bounds.

    Parameters
    ----------
    form : Form
    rows : array (polynomials, terms)
        Signed.
    order : tuple of int
    given : mapping
        Letter -> admittances of the parts that are given, for the spread.
    """

    form: Form
    rows: Array
    order: tuple[int, ...]
    given: Mapping[str, Array]

    @property
    def letters(self) -> tuple[str, ...]:
        """Kinds of parts that have a spread."""
        found = {v.letter for v in self.form.variables if v.letter} | set(self.given)
        return tuple(sorted(found))

    def variables_of(self, p: int) -> tuple[int, ...]:
        """Variables of polynomial p that are fixed one at a time, in order."""
        used = self.form.exponents[self.rows[p] != 0].any(axis=0)
        return tuple(k for k in self.order if used[k] and k not in self.form.outer)

    def factors_of(self, p: int) -> frozenset[int]:
        """Variables in every monomial of polynomial p."""
        used = self.form.exponents[self.rows[p] != 0]
        return frozenset(k for k in self.order if len(used) and used[:, k].all())
