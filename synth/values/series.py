"""Preferred numbers: IEC 60063:2015, series E3 to E192, as the standard prints them.

E24 is a table and no rounded formula: 27, 30, 33, 36, 39, 43, 47 and 82 differ from it, and E192
has 920 where the formula gives 919.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from synth.errors import NumberError
from synth.units import format_si

# fmt: off
#: Series -> significands of one decade, two digits to E24 and three from E48.
TABLES: Mapping[str, tuple[int, ...]] = {
    "E3": (10, 22, 47),
    "E6": (10, 15, 22, 33, 47, 68),
    "E12": (10, 12, 15, 18, 22, 27, 33, 39, 47, 56, 68, 82),
    "E24": (
        10, 11, 12, 13, 15, 16, 18, 20, 22, 24, 27, 30, 33, 36, 39, 43, 47, 51, 56, 62, 68, 75,
        82, 91,
    ),
    "E48": (
        100, 105, 110, 115, 121, 127, 133, 140, 147, 154, 162, 169, 178, 187, 196, 205, 215,
        226, 237, 249, 261, 274, 287, 301, 316, 332, 348, 365, 383, 402, 422, 442, 464, 487,
        511, 536, 562, 590, 619, 649, 681, 715, 750, 787, 825, 866, 909, 953,
    ),
    "E96": (
        100, 102, 105, 107, 110, 113, 115, 118, 121, 124, 127, 130, 133, 137, 140, 143, 147,
        150, 154, 158, 162, 165, 169, 174, 178, 182, 187, 191, 196, 200, 205, 210, 215, 221,
        226, 232, 237, 243, 249, 255, 261, 267, 274, 280, 287, 294, 301, 309, 316, 324, 332,
        340, 348, 357, 365, 374, 383, 392, 402, 412, 422, 432, 442, 453, 464, 475, 487, 499,
        511, 523, 536, 549, 562, 576, 590, 604, 619, 634, 649, 665, 681, 698, 715, 732, 750,
        768, 787, 806, 825, 845, 866, 887, 909, 931, 953, 976,
    ),
    "E192": (
        100, 101, 102, 104, 105, 106, 107, 109, 110, 111, 113, 114, 115, 117, 118, 120, 121,
        123, 124, 126, 127, 129, 130, 132, 133, 135, 137, 138, 140, 142, 143, 145, 147, 149,
        150, 152, 154, 156, 158, 160, 162, 164, 165, 167, 169, 172, 174, 176, 178, 180, 182,
        184, 187, 189, 191, 193, 196, 198, 200, 203, 205, 208, 210, 213, 215, 218, 221, 223,
        226, 229, 232, 234, 237, 240, 243, 246, 249, 252, 255, 258, 261, 264, 267, 271, 274,
        277, 280, 284, 287, 291, 294, 298, 301, 305, 309, 312, 316, 320, 324, 328, 332, 336,
        340, 344, 348, 352, 357, 361, 365, 370, 374, 379, 383, 388, 392, 397, 402, 407, 412,
        417, 422, 427, 432, 437, 442, 448, 453, 459, 464, 470, 475, 481, 487, 493, 499, 505,
        511, 517, 523, 530, 536, 542, 549, 556, 562, 569, 576, 583, 590, 597, 604, 612, 619,
        626, 634, 642, 649, 657, 665, 673, 681, 690, 698, 706, 715, 723, 732, 741, 750, 759,
        768, 777, 787, 796, 806, 816, 825, 835, 845, 856, 866, 876, 887, 898, 909, 920, 931,
        942, 953, 965, 976, 988,
    ),
}
# fmt: on
#: Series -> the tolerance usually sold with it, in per cent (IEC 60063, remark to the tables).
TOLERANCES: Mapping[str, float] = {
    "E3": 40.0,
    "E6": 20.0,
    "E12": 10.0,
    "E24": 5.0,
    "E48": 2.0,
    "E96": 1.0,
    "E192": 0.5,
}


def preferred_values(series: str, low: float, high: float) -> npt.NDArray[np.float64]:
    """Return the values of `series` from `low` to `high` (both included), ascending."""
    table = TABLES[series]
    digits = 1 if table[-1] < 100 else 2
    first = int(np.floor(np.log10(low))) - 1
    last = int(np.ceil(np.log10(high))) + 1
    found = [float(f"{m}e{decade - digits}") for decade in range(first, last + 1) for m in table]
    slack = 1e-12
    return np.array([v for v in found if low * (1 - slack) <= v <= high * (1 + slack)])


#: Ends of a window, in ohm, farad or henry: 1 aF to 1 Tohm.
SMALLEST, LARGEST = 1e-18, 1e12


@dataclass(frozen=True)
class Shelf:
    """The values one kind of part may take: a series inside a window, both ends included.

    Parameters
    ----------
    series : str
        E3, E6, E12, E24, E48, E96 or E192.
    low, high : float
        Window in ohm or farad.

    Raises
    ------
    NumberError
        If the series is unknown or no value lies in the window.
    """

    series: str
    low: float
    high: float

    def __post_init__(self) -> None:
        if self.series not in TABLES:
            raise NumberError(
                f"there is no preferred series {self.series}; choose one of {', '.join(TABLES)}"
            )
        if not 0 < self.low <= self.high < float("inf"):
            raise NumberError(
                f"the window {self.low:g} to {self.high:g} is empty; the low end must be positive "
                "and not above the high end"
            )
        if self.low < SMALLEST or self.high > LARGEST:
            raise NumberError(
                f"the window {self.low:g} to {self.high:g} is wider than any parts; give ends "
                f"from {SMALLEST:g} to {LARGEST:g} (ohm or farad)"
            )
        if not len(self.values):
            raise NumberError(
                f"no value of {self.series} lies between {format_si(self.low)} and "
                f"{format_si(self.high)}; widen the window"
            )

    @property
    def values(self) -> npt.NDArray[np.float64]:
        """All values, ascending; each is the double nearest to its decimal."""
        return preferred_values(self.series, self.low, self.high)

    @property
    def label(self) -> str:
        """Series and window, for a reader."""
        return f"{self.series}, {format_si(self.low)} to {format_si(self.high)}"


#: Default windows: common practice for op-amp circuits.  Below 1 kohm the op amp must deliver
#: much current; above 1 Mohm bias current and stray capacitance count.  Below 100 pF strays
#: count; above 1 uF film and C0G parts are large.
RESISTORS = Shelf("E96", 1e3, 1e6)
CAPACITORS = Shelf("E12", 100e-12, 1e-6)


def nearest(value: float, shelf: Shelf) -> float:
    """Return the shelf's value nearest to `value` in ratio."""
    values = shelf.values
    return float(values[np.argmin(np.abs(np.log(values / value)))])
