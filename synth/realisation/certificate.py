"""How near a whole circuit is to the best there can be, and how that is known.

Within a mask the measure is the margin, and `synth.masks.bound` proves how much any filter of the
order can have.  Near a target it is the error, which is never below 0.  Either way a difference
below the floor, a tenth of what the tolerance of the parts alone does, is none.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from synth.masks.verify import ROUNDING
from synth.realisation.request import FLOOR_SHARE
from synth.tolerances.spread import Spread

#: Decibels of one unit of an error that is a logarithm.
DECIBELS = 20 / math.log(10)


@dataclass(frozen=True)
class Certificate:
    """What is known of a whole circuit against the best.

    Parameters
    ----------
    measure : str
        ``"margin"`` to the limits of |H|, the more the better; or ``"error"``.
    value_db : float
        Of this circuit.
    bound_db : float or None
        No filter with as many poles and zeros has a larger margin, or a smaller error; None
        where no bound was proved.
    floor_db : float
        Differences up to this are meaningless with the tolerance of the parts.
    poles, zeros : int
        Of the circuit.
    late : bool
        Whether the delay of the circuit passes its limits, which the measure does not see.
    """

    measure: str
    value_db: float
    bound_db: float | None
    floor_db: float
    poles: int
    zeros: int
    late: bool = False

    @property
    def gap_db(self) -> float | None:
        """How much better anything can be at most; None where nothing is known."""
        return None if self.bound_db is None else max(0.0, abs(self.bound_db - self.value_db))

    @property
    def proved(self) -> bool:
        """Whether nothing can be better by more than the floor."""
        return not self.late and self.gap_db is not None and self.gap_db <= self.floor_db

    @property
    def misses(self) -> bool:
        """Whether the circuit breaks a limit of its mask."""
        return self.measure == "margin" and (self.late or self.value_db < -ROUNDING)

    def __str__(self) -> str:
        if self.measure != "margin":
            return _error_words(self)
        missed = "misses the mask; of the limits of |H|: " if self.misses else ""
        return missed + _margin_words(self)


def floor_db(spread: Spread) -> float:
    """Return the floor of a whole circuit in dB: a share of the smallest tolerance."""
    least = min(spread.resistors, spread.capacitors, *spread.parts.values())
    return FLOOR_SHARE * least * DECIBELS


def _margin_words(c: Certificate) -> str:
    of = f"{c.poles} pole{'s' if c.poles > 1 else ''}"
    if c.zeros < c.poles:
        of += f" and {c.zeros or 'no'} zero{'s' if c.zeros != 1 else ''}"
    if c.bound_db is None or c.gap_db is None:
        return f"how much margin a filter with {of} can have at most is not known"
    most = f"{math.ceil(c.bound_db * 1e3 - 1e-9) / 1e3:.3f} dB"
    first = f"no filter with {of} has a margin above {most} (proved by linear programs)"
    if c.bound_db < 0:
        first = f"no filter with {of} keeps the limits (proved by linear programs)"
    if c.proved:
        return f"proved: {first}, and {_less(c)} less is meaningless with these tolerances"
    return f"within {_less(c)} of the best that any filter can do: {first}"


def _less(c: Certificate) -> str:
    return f"{c.gap_db:.2g} dB"


def _error_words(c: Certificate) -> str:
    size = f"error {c.value_db:.2g} dB"
    if c.proved:
        return (
            f"settled: {size}, within the floor of {c.floor_db:.2g} dB below which the tolerance "
            "of the parts makes differences meaningless; no better choice is wanted"
        )
    return f"not proved: {size}; the least there is is not known, and at least 0"
