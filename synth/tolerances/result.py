"""What a tolerance analysis answers, as plain records."""

from __future__ import annotations

from dataclasses import dataclass

from synth.masks.limits import Limit
from synth.tolerances.corners import WorstCase
from synth.tolerances.sections import SectionStatistics
from synth.tolerances.spread import Array, Spread
from synth.tolerances.yields import Yield


@dataclass(frozen=True)
class PartSensitivity:
    """One part: how much it matters.

    Parameters
    ----------
    name, kind : str
    value : float
        Nominal, in ohm, F, H or F*s.
    tolerance : float
        As a fraction.
    db_per_percent : array (frequencies,)
        Change of |H| in dB for 1 % of the value.
    gain_db_per_percent : float
        The same at the frequency of the largest |H|.
    share : float
        Of the predicted variance of the response over the pass band.
    yield_if_halved : Yield or None
        The yield with this tolerance halved, the same circuits otherwise; None without limits.
    """

    name: str
    kind: str
    value: float
    tolerance: float
    db_per_percent: Array
    gain_db_per_percent: float
    share: float
    yield_if_halved: Yield | None


@dataclass(frozen=True)
class LimitYield:
    """One limit, and the yield against it alone."""

    limit: Limit
    result: Yield


@dataclass(frozen=True)
class ToleranceResult:
    """What tolerance does to the response of a circuit.

    Parameters
    ----------
    frequencies : array
        In hertz.
    nominal_db : array (frequencies,)
        |H| at the nominal values.
    percents : tuple of float
    percentiles : array (percents, frequencies)
        Of |H| in dB.
    phases : array (percents, frequencies) or None
        Percentiles of the deviation of the phase from the nominal, in degrees.
    deviation_db : array (frequencies,)
        Standard deviation that the sensitivities predict.
    worst_case : WorstCase or None
        None where it was not asked for or the circuit is too large.
    yield_ : Yield or None
        Against all limits together; None without limits.
    limits : tuple of LimitYield
    sensitivities : tuple of PartSensitivity
        In the order of the network.
    sections : tuple of SectionStatistics
        f0 and Q of poles and zeros.
    band : tuple of two float
        First and last frequency of the pass band the shares are taken over.
    shared : float
        Share of the variance that is due to drift with a common sign.
    spread : Spread
    seed, samples, requested : int
        Circuits drawn, and asked for.
    complete : bool
        False after an interruption; frequencies, samples or halved tolerances are then fewer.
    growing : int
        Circuits drawn with a natural mode in the right half-plane; no limit counts as kept there.
    notes : tuple of str
    """

    frequencies: Array
    nominal_db: Array
    percents: tuple[float, ...]
    percentiles: Array
    phases: Array | None
    deviation_db: Array
    worst_case: WorstCase | None
    yield_: Yield | None
    limits: tuple[LimitYield, ...]
    sensitivities: tuple[PartSensitivity, ...]
    sections: tuple[SectionStatistics, ...]
    band: tuple[float, float]
    shared: float
    spread: Spread
    seed: int
    samples: int
    requested: int
    complete: bool
    growing: int
    notes: tuple[str, ...] = ()

    @property
    def by_share(self) -> tuple[PartSensitivity, ...]:
        """The parts, the one to tighten first at the front.

        By the yield with its tolerance halved where there are limits; parts whose yields differ
        by no more than their confidence intervals, and all without limits, by their share.
        """
        left = sorted(
            self.sensitivities,
            key=lambda p: -(p.yield_if_halved.value if p.yield_if_halved else 0),
        )
        found: list[PartSensitivity] = []
        while left:
            first = left[0].yield_if_halved
            alike = [p for p in left if _overlap(first, p.yield_if_halved)]
            found += sorted(alike, key=lambda p: -p.share)
            left = [p for p in left if not _overlap(first, p.yield_if_halved)]
        return tuple(found)


def _overlap(a: Yield | None, b: Yield | None) -> bool:
    if a is None or b is None:
        return a is b
    return a.low <= b.high and b.low <= a.high
