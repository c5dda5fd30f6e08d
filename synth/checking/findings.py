"""Findings: what a builder should know about a circuit, graded, with figures and a remedy.

Every rule (`loop_rules`, `small_rules`, `large_rules` of this room) is one function from the facts
to its findings; their limits are common practice.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from synth.units import format_si, plain

Severity = Literal["note", "caution", "serious"]
#: A relative change below this is written as 0.
_NOTHING = 1e-8
#: So is a change of level below this.
_NO_DECIBELS = 5e-5
#: From the mildest.
SEVERITIES: tuple[Severity, ...] = ("note", "caution", "serious")

#: Every code with what it says; codes stay the same from version to version.
CODES: Mapping[str, str] = {
    "positive-feedback": "with a real op amp a natural mode grows by itself",
    "mode-on-axis": "a natural mode at the origin or on the axis, as of a bare integrator",
    "unstable": "a natural mode grows with this op amp, although it would not with a faster one",
    "phase-margin": "the phase margin of an op amp's own loop is small",
    "bias-path": "an op-amp input has no path for its bias current",
    "dc-saturates": "an op amp without DC feedback goes to a rail by its own offset",
    "output-offset": "the offset at the output takes a large part of the swing",
    "f0-shift": "the gain-bandwidth shifts f0",
    "q-shift": "the gain-bandwidth shifts Q",
    "bandwidth": "where the op amps end the pass band, or what they take in the band asked for",
    "stop-band": "the stop band comes up again through the op amp's output resistance",
    "complement-defect": "where H and its complement leave the sum 1",
    "notch-depth": "a notch is less deep with real op amps, every part at its value",
    "balanced-zero": "a transmission zero is only as deep as parts match",
    "source-loading": "source resistance or load change the gain or the poles",
    "internal-level": "an op amp inside swings further than the output",
    "level": "the level asked for is more than the circuit takes",
    "largest-input": "the largest sine that goes through undistorted",
    "slew-rate": "the slew rate bounds the level below what the swing would allow",
    "output-current": "the output current bounds the level below what the swing would allow",
    "input-range": "the input common-mode range bounds the level below what the swing would allow",
    "moved-inputs": "a swap takes op-amp inputs off ground, or back",
    "source-current": "a swap changes the current the source must deliver",
    "noise": "signal to noise, and what makes most of the noise",
    "sensitivity": "f0, Q or gain depend strongly on one part",
    "single-supply": "one supply: where the signal's ground sits and what is biased there",
    "single-supply-coupling": "one supply: how the signal comes to the input",
    "single-supply-ripple": "one supply: what the reference adds to the output",
    "no-resting-point": "on this supply no voltage suits both inputs and outputs",
}


@dataclass(frozen=True)
class Finding:
    """One finding.

    Parameters
    ----------
    severity : str
        note, caution or serious.
    code : str
        A key of `CODES`.
    part : str
        The part it concerns; ``circuit`` for the whole.
    message : str
        What is so, with figures.
    remedy : str
        What to do about it.
    """

    severity: Severity
    code: str
    part: str
    message: str
    remedy: str

    def __post_init__(self) -> None:
        if self.code not in CODES or self.severity not in SEVERITIES:
            raise ValueError(f"there is no finding {self.code!r} of severity {self.severity!r}")


def graded(value: float, note: float, caution: float, serious: float) -> Severity | None:
    """Return the severity of a magnitude by three limits; None below the first."""
    for severity, limit in (("serious", serious), ("caution", caution), ("note", note)):
        if value >= limit:
            return severity  # type: ignore[return-value]
    return None


def si(value: float, unit: str) -> str:
    """Write a figure of a message: three digits."""
    return format_si(value, unit, 3)


def percent(share: float) -> str:
    """Write a relative change."""
    return f"{plain(100 * share, signed=True)} %" if abs(share) > _NOTHING else "0 %"


def decibels(x: float) -> str:
    """Write a change of level."""
    return f"{plain(x, signed=True)} dB" if abs(x) > _NO_DECIBELS else "0 dB"
