"""How parts vary: tolerance and its distribution, temperature.

The value of a part is ``nominal * (1 + t*u) * (1 + a*(T - Tref))``: t the tolerance, u the draw
of the part in [-1, 1], a the temperature coefficient, T one temperature for the whole circuit.

Defaults are common practice for active filters: film resistors of 1 % and 100 ppm/K are cheap,
film or C0G capacitors are sold at 5 %.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from statistics import NormalDist

import numpy as np
import numpy.typing as npt

from synth.errors import NumberError
from synth.network.model import KINDS, Network
from synth.values.series import TOLERANCES

Array = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

#: Tolerances of resistors and of all other parts where nothing is said (common practice).
RESISTOR_TOLERANCE = 0.01
CAPACITOR_TOLERANCE = 0.05
SHAPES = ("uniform", "normal")
TRACKINGS = ("common", "independent")
_COLDEST = -273.15


@dataclass(frozen=True)
class Distribution:
    """How the values lie within their tolerance.

    Parameters
    ----------
    shape : str
        ``"uniform"`` within plus and minus the tolerance, or ``"normal"``, truncated there.
    sigmas : float
        For ``"normal"``: the tolerance in standard deviations of the untruncated distribution; 3
        means sigma = tolerance/3.

    Raises
    ------
    NumberError
        If the shape is unknown or `sigmas` is not within 0.5 and 10.
    """

    shape: str = "uniform"
    sigmas: float = 3.0

    def __post_init__(self) -> None:
        if self.shape not in SHAPES:
            raise NumberError(
                f"there is no distribution {self.shape!r}; choose one of {', '.join(SHAPES)}"
            )
        if not 0.5 <= self.sigmas <= 10:
            raise NumberError(
                f"a tolerance of {self.sigmas:g} standard deviations is out of range; choose 0.5 "
                "to 10"
            )

    @property
    def deviation(self) -> float:
        """Standard deviation of u: that of the value is this times the tolerance.

        For the truncated normal distribution see N. L. Johnson, S. Kotz, N. Balakrishnan,
        Continuous Univariate Distributions, vol. 1, 2nd ed., Wiley 1994, section 13.10 (from
        memory).
        """
        if self.shape == "uniform":
            return 1 / math.sqrt(3)
        normal, k = NormalDist(), self.sigmas
        inside = 2 * normal.cdf(k) - 1
        return math.sqrt(1 - 2 * k * normal.pdf(k) / inside) / k

    def __str__(self) -> str:
        if self.shape == "uniform":
            return "uniform within the tolerance"
        return f"normal, sigma = tolerance/{self.sigmas:g}, truncated at the tolerance"


@dataclass(frozen=True)
class Temperature:
    """A range of temperature, and the coefficients of resistors and of capacitors.

    Parameters
    ----------
    low, high : float
        In degrees Celsius; each circuit is drawn at one temperature, uniform between them.
    resistor_ppm, capacitor_ppm : float
        Temperature coefficients in ppm/K.
    resistor_tracking, capacitor_tracking : str
        ``"common"``: every part of the kind has just this coefficient, sign included (parts of
        one material and batch); ``"independent"``: each part has it with a sign of its own.
    reference : float
        Temperature at which the values are nominal.

    Raises
    ------
    NumberError
        If the range is empty or not finite, a coefficient is so large that a value would
        vanish, or a tracking is unknown.
    """

    low: float
    high: float
    resistor_ppm: float = 100.0
    capacitor_ppm: float = 30.0
    resistor_tracking: str = "independent"
    capacitor_tracking: str = "independent"
    reference: float = 25.0

    def __post_init__(self) -> None:
        if not (_COLDEST <= self.low <= self.high < math.inf and self.reference >= _COLDEST):
            raise NumberError(
                f"the temperature range {self.low:g} to {self.high:g} degrees (nominal at "
                f"{self.reference:g}) is none; give the lower end first, above absolute zero"
            )
        for what, ppm, tracking in (
            ("resistors", self.resistor_ppm, self.resistor_tracking),
            ("capacitors", self.capacitor_ppm, self.capacitor_tracking),
        ):
            if not abs(ppm) * 1e-6 * self.reach < 0.5:
                raise NumberError(
                    f"a temperature coefficient of {ppm:g} ppm/K of the {what} is out of range; "
                    "over the temperatures given a value must not change by half"
                )
            if tracking not in TRACKINGS:
                raise NumberError(
                    f"the coefficients of the {what} cannot be {tracking!r}; choose one of "
                    f"{', '.join(TRACKINGS)}"
                )

    @property
    def reach(self) -> float:
        """Largest distance from the reference, in kelvin."""
        return max(abs(self.low - self.reference), abs(self.high - self.reference))


@dataclass(frozen=True)
class Spread:
    """How the parts of a circuit vary.

    Parameters
    ----------
    resistors, capacitors : float
        Tolerances as fractions: 0.01 is 1 %.  Parts of other kinds go with the capacitors.
    parts : mapping
        Name of a part -> its own tolerance.
    distribution : Distribution
    temperature : Temperature or None

    Raises
    ------
    NumberError
        If a tolerance is not above 0 and below 1.
    """

    resistors: float = RESISTOR_TOLERANCE
    capacitors: float = CAPACITOR_TOLERANCE
    parts: Mapping[str, float] = field(default_factory=dict)
    distribution: Distribution = field(default_factory=Distribution)
    temperature: Temperature | None = None

    def __post_init__(self) -> None:
        named = {"the resistors": self.resistors, "the capacitors": self.capacitors} | {
            f"part {name}": t for name, t in self.parts.items()
        }
        for what, tolerance in named.items():
            if not 0 < tolerance < 1:
                raise NumberError(
                    f"a tolerance of {100 * tolerance:g} % of {what} is out of range; it must be "
                    "above 0 and below 100 %"
                )


def series_tolerance(series: str) -> float:
    """Return the tolerance usually sold with a preferred series, as a fraction.

    Raises
    ------
    NumberError
        If there is no such series.

    Examples
    --------
    >>> series_tolerance("E96")
    0.01
    """
    if series not in TOLERANCES:
        raise NumberError(
            f"there is no preferred series {series}; choose one of {', '.join(TOLERANCES)}"
        )
    return TOLERANCES[series] / 100


@dataclass(frozen=True)
class Ranges:
    """The spread of each part of one network, as arrays in the order of its branches.

    Parameters
    ----------
    names : tuple of str
    tolerance : array (parts,)
        Fractions.
    drift : array (parts,)
        Temperature coefficients, 1/K.
    common : array of bool (parts,)
        Whether the drift has its sign, or one of its own in each circuit.
    distribution : Distribution
    low_k, high_k : float
        Range of temperature, in kelvin from the reference.
    """

    names: tuple[str, ...]
    tolerance: Array
    drift: Array
    common: BoolArray
    distribution: Distribution
    low_k: float
    high_k: float

    @property
    def reach(self) -> float:
        """Largest distance from the reference temperature, in kelvin."""
        return max(abs(self.low_k), abs(self.high_k))

    @property
    def box(self) -> tuple[Array, Array]:
        """Least and largest value of each part, over its nominal one."""
        ends = np.array([self.drift * self.low_k, self.drift * self.high_k])
        swing = np.abs(self.drift) * self.reach
        least = np.where(self.common, ends.min(axis=0), -swing)
        most = np.where(self.common, ends.max(axis=0), swing)
        return (1 - self.tolerance) * (1 + least), (1 + self.tolerance) * (1 + most)

    @property
    def box_is_reached(self) -> bool:
        """Whether all parts can be at any ends of their ranges at once.

        With drifts of a common sign they cannot: the parts share one temperature.
        """
        return self.high_k == self.low_k == 0 or not (self.common & (self.drift != 0)).any()

    def halved(self, part: int) -> Ranges:
        """Return the same with the tolerance of one part halved."""
        tolerance = self.tolerance.copy()
        tolerance[part] /= 2
        return replace(self, tolerance=tolerance)


def ranges(network: Network, spread: Spread) -> Ranges:
    """Return the spread of every part of `network`.

    Raises
    ------
    NumberError
        If `spread` names a part that the network does not have.
    """
    names = tuple(b.name for b in network.branches)
    folded = {n.lower(): n for n in names}
    own: dict[str, float] = {}
    for name, share in spread.parts.items():
        if name.lower() not in folded:
            raise NumberError(
                f"no part is called {name}, so it has no tolerance; the parts are "
                f"{', '.join(names)}"
            )
        own[folded[name.lower()]] = share
    resistor = np.array([KINDS[b.power] == "resistor" for b in network.branches], dtype=bool)
    capacitor = np.array([KINDS[b.power] == "capacitor" for b in network.branches], dtype=bool)
    general = np.where(resistor, spread.resistors, spread.capacitors)
    tolerance = np.array([own.get(n, general[k]) for k, n in enumerate(names)], dtype=float)
    t = spread.temperature
    if t is None:
        still = np.zeros(len(names))
        nothing = np.zeros(len(names), dtype=bool)
        return Ranges(names, tolerance, still, nothing, spread.distribution, 0.0, 0.0)
    drift = np.where(resistor, t.resistor_ppm, np.where(capacitor, t.capacitor_ppm, 0.0)) * 1e-6
    common = np.where(
        resistor, t.resistor_tracking == "common", t.capacitor_tracking == "common"
    ).astype(bool)
    return Ranges(
        names,
        tolerance,
        drift,
        common,
        spread.distribution,
        t.low - t.reference,
        t.high - t.reference,
    )
