"""What kind of filter a mask describes: its pass bands, its stop bands, and their levels."""

from __future__ import annotations

import math
from dataclasses import dataclass

from synth.errors import TargetError
from synth.masks.limits import Limit, Mask, band_words

_TURN = 2 * math.pi


@dataclass(frozen=True)
class Band:
    """A band in rad/s and how far in dB below the ceiling |H| may or must be there."""

    low: float
    high: float
    below_db: float


@dataclass(frozen=True)
class Shape:
    """A mask sorted.

    Parameters
    ----------
    kind : str
        lowpass, highpass, bandpass, bandstop, or several for anything with more bands.
    ceiling_db : float
        The largest |H| of the pass bands that is allowed, or wanted where no limit says it.
    bounded : bool
        Whether a limit says it.
    passes, stops : tuple of Band
        By frequency; ``below_db`` is the depth of the ripple and the attenuation.
    """

    kind: str
    ceiling_db: float
    bounded: bool
    passes: tuple[Band, ...]
    stops: tuple[Band, ...]

    @property
    def simple(self) -> bool:
        """Whether all pass bands have one ripple, and all stop bands one attenuation."""
        ripples = {b.below_db for b in self.passes}
        return len(ripples) == 1 and len({b.below_db for b in self.stops}) == 1


def shape_of(mask: Mask) -> Shape:
    """Return the pass bands, the stop bands and the kind of a mask.

    Parameters
    ----------
    mask : Mask

    Raises
    ------
    TargetError
        If there is no pass band or no stop band, or limits contradict each other.
    """
    gain_db = 20 * math.log10(abs(mask.gain))
    floors = [x for x in mask.limits if x.operation != "<="]
    if not floors:
        raise TargetError(
            "the mask has no pass band; write a limit with >= or within, as in 0 1k >= -0.5 dB"
        )
    lowest = {x: x.level_db if x.operation == ">=" else gain_db - x.level_db for x in floors}
    lines = [x for x in mask.limits if x.operation == "<="]
    deep = [x for x in lines if x.level_db < min(lowest.values())]
    ceilings = [x.level_db for x in lines if x not in deep]
    ceilings += [gain_db + x.level_db for x in floors if x.operation == "within"]
    highest = max(lowest.values())
    ceiling = min(ceilings, default=gain_db if highest < gain_db else highest + 1.0)
    passes = _sorted(floors, {x: ceiling - lowest[x] for x in floors})
    stops = _sorted(deep, {x: ceiling - x.level_db for x in deep})
    apart = [
        x for x in lines if not any(x.low_hz <= y.high_hz and y.low_hz <= x.high_hz for y in floors)
    ]
    if not stops and apart:
        least = min(apart, key=lambda x: x.level_db)
        raise TargetError(
            f"the mask has no stop band: {least} reaches into what the pass bands allow, down to "
            f"{min(lowest.values()):g} dB; give the stop band more attenuation than the pass band "
            "has ripple"
        )
    if not stops:
        raise TargetError(
            "the mask has no stop band; write a limit with <= below the pass band, as in "
            "2k inf <= -40 dB"
        )
    _check(passes, stops)
    return Shape(_kind(passes, stops), ceiling, bool(ceilings), passes, stops)


def _sorted(limits: list[Limit], below: dict[Limit, float]) -> tuple[Band, ...]:
    bands = [Band(_TURN * x.low_hz, _TURN * x.high_hz, below[x]) for x in limits]
    return tuple(sorted(bands, key=lambda b: (b.low, b.high)))


def _check(passes: tuple[Band, ...], stops: tuple[Band, ...]) -> None:
    for p in passes:
        where = band_words(p.low / _TURN, p.high / _TURN)
        if p.below_db <= 0:
            raise TargetError(
                f"the mask leaves no room in the pass band {where}: its floor is not below its "
                "ceiling; lower the one or raise the other"
            )
        for s in stops:
            if s.low <= p.high and p.low <= s.high:
                raise TargetError(
                    f"the pass band {where} and the stop band "
                    f"{band_words(s.low / _TURN, s.high / _TURN)} of the mask meet; a filter needs "
                    "room between them"
                )


def _kind(passes: tuple[Band, ...], stops: tuple[Band, ...]) -> str:
    first, last = min(b.low for b in passes), max(b.high for b in passes)
    below = any(b.high < first for b in stops)
    above = any(b.low > last for b in stops)
    inside = any(first < b.low and b.high < last for b in stops)
    kinds = {
        (False, True, False): "lowpass",
        (True, False, False): "highpass",
        (True, True, False): "bandpass",
        (False, False, True): "bandstop",
    }
    kind = kinds.get((below, above, inside), "several")
    if kind == "bandstop":
        edges = max(b.low for b in stops), min(b.high for b in stops)
        if edges[0] >= edges[1]:
            return "several"
    return kind
