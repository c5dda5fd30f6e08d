"""Axes for a reader: one prefix for a linear axis, engineering notation along a logarithmic one."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

from synth.plots.record import Axis
from synth.units import SI_PREFIXES, format_si

#: Units that take no prefix.
_PLAIN = ("dB", "deg", "%", "")


class Shown(NamedTuple):
    """An axis as it is labelled: what its numbers are divided by, and its label."""

    divisor: float
    label: str

    def of(self, values: Sequence[float]) -> list[float]:
        """Return the numbers as they stand along the axis."""
        return [v / self.divisor for v in values]


def shown(axis: Axis) -> Shown:
    """Return how an axis is labelled.

    Examples
    --------
    >>> shown(Axis("time", "s", "linear", 0.0, 3e-3))
    Shown(divisor=0.001, label='time in ms')
    >>> shown(Axis("frequency", "Hz", "log", 1.0, 1e6)).label
    'frequency in Hz'
    """
    unit = "°" if axis.unit == "deg" else axis.unit
    if axis.scale == "log" or axis.unit in _PLAIN:
        return Shown(1.0, f"{axis.quantity} in {unit}" if unit else axis.quantity)
    most = max(abs(axis.low), abs(axis.high))
    power = 3 * math.floor(math.log10(most) / 3) if most > 0 else 0
    names = {p: "µ" if name == "u" else name for name, p in SI_PREFIXES.items() if name != "μ"}
    if power not in names:
        return Shown(1.0, f"{axis.quantity} in {unit}")
    return Shown(10.0**power, f"{axis.quantity} in {names[power]}{unit}")


def si_text(value: float, unit: str, digits: int = 4) -> str:
    """Write a figure for a reader of pictures and pages: engineering prefix, µ and Ω as signs.

    Examples
    --------
    >>> si_text(4.7e3, "ohm"), si_text(2.2e-6, "F")
    ('4.7 kΩ', '2.2 µF')
    """
    number, space, rest = format_si(value, unit, digits).partition(" ")
    if rest.startswith("u"):
        rest = f"µ{rest[1:]}"
    return f"{number}{space}{rest.replace('ohm', 'Ω')}".replace("-", "−")


def tick_text(value: float, axis: Axis) -> str:
    """Return the text of a tick, whose value is as it stands along the axis."""
    if axis.scale == "log":
        return si_text(value, "", 3)
    return f"{value:.6g}".replace("-", "−") if abs(value) > 1e-12 else "0"
