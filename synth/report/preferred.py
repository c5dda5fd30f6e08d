"""Which values can be bought as they are, and the choice for those that cannot."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from synth.errors import SynthError
from synth.network.model import Network
from synth.realisation.request import (
    Effort,
    ErrorWish,
    PartWishes,
    Source,
    request_for,
    series_source,
)
from synth.realisation.revalue import revalue
from synth.realisation.revalued import Revalued
from synth.values.grids import fixed
from synth.values.series import CAPACITORS, preferred_values

#: Series whose union holds every preferred value of IEC 60063.
EVERY = "E24+E192"
#: Resistors of 1 % are made in both (common practice).
RESISTOR_SERIES = "E24+E96"
_NEAR = 1e-9
#: Rows of the enumeration for each stage: a few seconds; `synth values` searches further.
_WORK = 1e6
#: Power of s of the parts that come in preferred values here.
_CHOSEN = (0, 1)
#: A value is chosen at most this many times above or below the given one.
_REACH = 1.5
#: More parts are changed only where the error becomes less than this share of what it was.
_GAIN = 0.7


@dataclass(frozen=True)
class Preferred:
    """A circuit with preferred values.

    Parameters
    ----------
    network : Network
        As it is built.
    odd : tuple of str
        Parts whose given value is in none of the series asked for.
    choice : Revalued or None
        How their values were chosen; None where none had to be, or none was found.
    notes : tuple of str
    left : tuple of str
        Parts whose value is in no series as they are built: kept, or none was found.
    """

    network: Network
    odd: tuple[str, ...]
    choice: Revalued | None
    notes: tuple[str, ...]
    left: tuple[str, ...] = ()


def is_preferred(value: float, series: str = EVERY) -> bool:
    """Say whether a value is in a series of IEC 60063, whatever its decade.

    Parameters
    ----------
    value : float
    series : str
        One or several, as ``E24+E96``; by default all there are.

    Examples
    --------
    >>> is_preferred(4.7e3), is_preferred(46.4e3), is_preferred(46.5e3)
    (True, True, False)
    >>> is_preferred(22.1e-9, "E12")
    False
    """
    low, high = value * (1 - _NEAR), value * (1 + _NEAR)
    names = [n.strip().upper() for n in series.replace("+", ",").split(",")]
    return any(len(preferred_values(name, low, high)) for name in names)


def with_preferred_values(
    network: Network,
    resistors: str = RESISTOR_SERIES,
    capacitors: str = CAPACITORS.series,
    keep: Collection[str] = (),
) -> Preferred:
    """Return the circuit as it can be built, near the values given.

    Parts whose value is in the series asked for keep it.  The others are rounded to the nearest
    value where that leaves the circuit's own exact response within the floor of errors; else they
    are chosen within a factor of 1.5 of theirs (`synth.realisation.revalue`), and only where that
    does not do, more parts with them: resistors first, then all.

    Parameters
    ----------
    network : Network
        With values.
    resistors, capacitors : str
        Series to choose from, as ``E24+E96``.
    keep : collection of str
        Parts that stay as they are, whatever their value.

    Raises
    ------
    NumberError
        If there is no such series, or no such part.
    """
    wishes = PartWishes(resistors=resistors, capacitors=capacitors)
    effort = Effort(top=1, work=_WORK)
    request = request_for(network, replace(wishes, keep=dict.fromkeys(keep)), ErrorWish(), effort)
    series = (resistors, capacitors)
    odd = tuple(n for n in _outside(network, series) if n not in keep)
    left = tuple(n for n in _outside(network, series) if n in keep)
    if not odd:
        return Preferred(network, (), None, (), left)
    best: Revalued | None = None
    reason = ""
    for sources in _attempts(network, series, odd, keep):
        kept = {n: v for n, v in network.values.items() if n not in sources}
        try:
            found = revalue(network, replace(request, sources=sources, keep=kept))
        except SynthError as error:
            reason = str(error)
            continue
        if best is None or found.error < _GAIN * best.error:
            best = found
        if best.reached:
            break
    if best is not None:
        return Preferred(best.network, odd, best, best.notes, left)
    note = f"{', '.join(odd)}: no preferred values were found, so they stay as given: {reason}"
    return Preferred(network, odd, None, (note,), _outside(network, series))


def _outside(network: Network, series: Sequence[str]) -> tuple[str, ...]:
    """Return the parts whose value is in no series asked for."""
    return tuple(
        b.name
        for b in network.branches
        if b.power in _CHOSEN
        and b.value is not None
        and not is_preferred(b.value, series[_CHOSEN.index(b.power)])
    )


def _attempts(
    network: Network, series: Sequence[str], odd: Sequence[str], keep: Collection[str]
) -> Iterator[Mapping[str, Source]]:
    """Yield what may be chosen, part -> values: the fewest changes first."""
    free = [b for b in network.branches if b.power in _CHOSEN and b.name not in keep]
    near: dict[str, Source] = {}
    for b in free:
        value = b.value or 1.0
        near[b.name] = series_source(series[_CHOSEN.index(b.power)], value / _REACH, value * _REACH)
    nearest = {n: _nearest(near[n], network.values[n]) for n in odd}
    yield nearest
    yield {n: near[n] for n in odd}
    resistors = [b.name for b in free if b.power == 0]
    rounded = {n: s for n, s in nearest.items() if n not in resistors}
    yield {**rounded, **{n: near[n] for n in resistors}}
    yield {n: near[n] for n in near if n in odd or n in resistors}
    yield near


def _nearest(source: Source, value: float) -> Source:
    values = source.grid.values
    return replace(source, grid=fixed(float(values[np.argmin(np.abs(np.log(values / value)))])))
