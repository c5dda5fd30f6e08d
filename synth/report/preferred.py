"""Which values can be bought as they are, and the choice for those that cannot."""

from __future__ import annotations

from dataclasses import dataclass, replace

from synth.errors import SynthError
from synth.network.model import Network
from synth.realisation.request import Effort, ErrorWish, PartWishes, request_for
from synth.realisation.revalue import revalue
from synth.realisation.revalued import Revalued
from synth.values.series import CAPACITORS, RESISTORS, preferred_values

#: Series whose union holds every preferred value of IEC 60063.
_EVERY = ("E24", "E192")
_NEAR = 1e-9
#: Rows of the enumeration for each stage: a few seconds; `synth values` searches further.
_WORK = 2e6
#: Power of s of the parts that come in preferred values here.
_CHOSEN = (0, 1)


@dataclass(frozen=True)
class Preferred:
    """A circuit with preferred values.

    Parameters
    ----------
    network : Network
        As it is built.
    odd : tuple of str
        Parts whose given value is in no preferred series.
    choice : Revalued or None
        How their values were chosen; None where none had to be, or none was found.
    notes : tuple of str
    """

    network: Network
    odd: tuple[str, ...]
    choice: Revalued | None
    notes: tuple[str, ...]


def is_preferred(value: float) -> bool:
    """Say whether a value is in a series of IEC 60063, whatever its decade.

    Examples
    --------
    >>> is_preferred(4.7e3), is_preferred(46.4e3), is_preferred(46.5e3)
    (True, True, False)
    """
    low, high = value * (1 - _NEAR), value * (1 + _NEAR)
    return any(len(preferred_values(series, low, high)) for series in _EVERY)


def with_preferred_values(
    network: Network, resistors: str = RESISTORS.series, capacitors: str = CAPACITORS.series
) -> Preferred:
    """Return the circuit as it can be built.

    Parts whose value is in a preferred series keep it.  The others are chosen together, for the
    circuit's own exact response (`synth.realisation.revalue`); where the kept ones leave no choice
    within the floor of errors, all are.

    Parameters
    ----------
    network : Network
        With values.
    resistors, capacitors : str
        Series to choose from, as ``E24+E96``.

    Raises
    ------
    NumberError
        If there is no such series.
    """
    odd = tuple(
        b.name
        for b in network.branches
        if b.power in _CHOSEN and b.value is not None and not is_preferred(b.value)
    )
    wishes = PartWishes(resistors=resistors, capacitors=capacitors)
    request_for(network, wishes, ErrorWish(), Effort())  # the series must exist
    if not odd:
        return Preferred(network, (), None, ())
    fixed = {b.name: b.value for b in network.branches if b.name not in odd}
    rest = {b.name: b.value for b in network.branches if b.power not in _CHOSEN}
    best: Revalued | None = None
    reason = ""
    for keep in (fixed, rest):
        if len(keep) == len(network.branches) or (best is not None and best.reached):
            continue
        try:
            effort = Effort(top=1, work=_WORK)
            request = request_for(network, replace(wishes, keep=keep), ErrorWish(), effort)
            found = revalue(network, request)
        except SynthError as error:
            reason = str(error)
            continue
        if best is None or found.error < best.error:
            best = found
    if best is not None:
        return Preferred(best.network, odd, best, best.notes)
    return Preferred(
        network,
        odd,
        None,
        (f"{', '.join(odd)}: no preferred values were found, so they stay as given: {reason}",),
    )
