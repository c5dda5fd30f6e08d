"""Op-amp subcircuits for a deck: ideal, of one pole, or of two poles and an output resistance.

The first pole is that of A(s) = A0 / (1 + s*A0/wt).  All have infinite input resistance and their
reference at node 0, the inaccessible ground of the op amp.
"""

from __future__ import annotations

import math
import re
from collections.abc import Collection
from typing import Protocol, runtime_checkable

from synth.errors import NetworkError
from synth.units import format_deck

#: Gain of the ideal op amp in a deck: far above any loop's need, far below the rounding of doubles.
IDEAL_GAIN = 1e7
#: DC gain written for an op amp whose own is infinite: a simulator needs an operating point.
LARGEST_GAIN = 1e9


class OnePoleAmplifier(Protocol):
    """An op amp by two numbers, such as `synth.analysis.amplifier.Amplifier` of one pole."""

    @property
    def gain_bandwidth(self) -> float:
        """Unity-gain angular frequency wt in rad/s."""

    @property
    def dc_gain(self) -> float:
        """A0, which may be infinite."""


@runtime_checkable
class TwoPoleAmplifier(OnePoleAmplifier, Protocol):
    """The same with a second pole, such as `synth.analysis.real.Amplifier`."""

    @property
    def second_pole(self) -> float:
        """In rad/s; infinite where there is none."""

    @property
    def output_resistance(self) -> float:
        """Open loop, ohm."""


def gain_model(gain: float, taken: Collection[str]) -> tuple[str, str]:
    """Return name and text of a 3-pin op amp of a plain gain, its name none of `taken`."""
    name = "opamp_gain_" + re.sub(r"\W", "_", format_deck(gain))
    while name in taken:
        name += "_"
    return name, amplifier_text(name, 3, None, gain)


def amplifier_text(
    name: str, pins: int, amplifier: OnePoleAmplifier | None, gain: float = IDEAL_GAIN
) -> str:
    """Write the subcircuit of an op amp.

    Parameters
    ----------
    name : str
        Name of the subcircuit.
    pins : int
        3 (plus minus out) or 5 (plus minus vcc vee out).
    amplifier : AmplifierAmplifier or None
        None is the ideal op amp.
    gain : float
        Of the ideal op amp.

    Returns
    -------
    str

    Raises
    ------
    NetworkError
        If the gain-bandwidth product or the gain is not positive.
    """
    signature = "plus minus out" if pins == 3 else "plus minus vcc vee out"
    head = f".subckt {name} {signature}"
    if amplifier is None:
        body = [f"Eout out 0 plus minus {format_deck(gain)}"]
    else:
        wt, a0 = amplifier.gain_bandwidth, min(amplifier.dc_gain, LARGEST_GAIN)
        if not (0 < wt < math.inf and a0 > 0):
            raise NetworkError(
                f"an op amp of gain-bandwidth {wt:g} rad/s and DC gain {a0:g} cannot be "
                "written; both must be positive, the first one finite"
            )
        body = _poles(amplifier, wt, a0)
    return "\n".join((head, *body, f".ends {name}"))


def _poles(amplifier: OnePoleAmplifier, wt: float, a0: float) -> list[str]:
    """Return the inside: the first pole, then the second one and the output resistance if any."""
    # 1 S into A0 ohm beside 1/wt farad: v(pole) = A0 / (1 + s*A0/wt) * (v(plus) - v(minus))
    lines = [
        "Gin 0 pole plus minus 1",
        f"Rpole pole 0 {format_deck(a0)}",
        f"Cpole pole 0 {format_deck(1 / wt)}",
    ]
    last, end = "pole", "out"
    if isinstance(amplifier, TwoPoleAmplifier):
        if math.isfinite(amplifier.second_pole):
            lines += [
                "Esecond before 0 pole 0 1",
                "Rsecond before second 1",
                f"Csecond second 0 {format_deck(1 / amplifier.second_pole)}",
            ]
            last = "second"
        if amplifier.output_resistance:
            lines.append(f"Rout inner out {format_deck(amplifier.output_resistance)}")
            end = "inner"
    return [*lines, f"Eout {end} 0 {last} 0 1"]
