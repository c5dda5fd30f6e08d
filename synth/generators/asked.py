"""What a kind of second order asks of the coefficients of N and D.

Coefficients are of s/w0, ascending.  Each equation is an expression that is to be zero; they are
written with the four operations only, so that numbers and symbols go through the same lines.
An equation that a circuit meets with any values is for the reader to leave out.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

#: Kinds with equations of their own; a stage of another kind is asked for its poles alone.
ZERO_KINDS = ("bandstop", "lowpass-notch", "highpass-notch")
#: Zero over pole frequency where a notch kind asks for one and nobody says which.
NOTCH_AT = {"lowpass-notch": 1.5, "highpass-notch": 1 / 1.5}
#: Gains g that design equations are asked for when figures are made: the first, or where they do
#: not reach it that of the others with the smallest spread.
GAINS = (1.0, 2.0, 4.0, 6.0, 10.0, 20.0, 40.0, 60.0, 100.0, 0.5, 0.25, 0.1)


class Asked(NamedTuple):
    """Equations of a kind: those of its shape, and that of its gain (None where it has none)."""

    shape: tuple[Any, ...]
    gain: Any | None


def asked(kind: str, n: Sequence[Any], d: Sequence[Any], q: Any, gain: Any, zero: Any) -> Asked:
    """Return the equations of a second-order section.

    Parameters
    ----------
    kind : str
        A key of `synth.claims.STAGE_KINDS`.
    n, d : sequences of three
        Coefficients of N and D in s/w0, ascending.
    q : number
        Of the poles.
    gain : number
        With its sign: at DC for a low-pass and a low-pass notch, at infinity for a high-pass, a
        high-pass notch, a band-stop and an all-pass, at the centre for a band-pass; for a peaking
        section the gain at the centre over that beside it.
    zero : number
        Frequency of the zeros over w0, for the two notch kinds that have one.
    """
    poles = (d[0] - d[2], q * d[1] - d[2])
    level = n[0] * d[2] - n[2] * d[0]
    match kind:
        case "lowpass":
            return Asked((*poles, n[1], n[2]), n[0] - gain * d[0])
        case "highpass":
            return Asked((*poles, n[0], n[1]), n[2] - gain * d[2])
        case "bandpass":
            return Asked((*poles, n[0], n[2]), n[1] - gain * d[1])
        case "bandstop":
            return Asked((*poles, n[1], level), n[2] - gain * d[2])
        case "lowpass-notch":
            return Asked((*poles, n[1], n[0] - zero * zero * n[2]), n[0] - gain * d[0])
        case "highpass-notch":
            return Asked((*poles, n[1], n[0] - zero * zero * n[2]), n[2] - gain * d[2])
        case "allpass":
            return Asked((*poles, level, n[1] * d[2] + n[2] * d[1]), n[2] - gain * d[2])
        case "peaking":
            return Asked((*poles, level), n[1] * d[2] - gain * d[1] * n[2])
    return Asked(poles, None)
