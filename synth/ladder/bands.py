"""The low-pass behind a high-pass or a band-pass."""

from __future__ import annotations

import cmath
import math
from dataclasses import dataclass

from synth.errors import TargetError
from synth.transfer.transfer import Transfer

#: Two images of one low-pass pole may differ by this share: the response is then taken as
#: symmetric in log frequency.
_SYMMETRIC = 1e-6


@dataclass(frozen=True)
class Prototype:
    """A low-pass and where it came from.

    Parameters
    ----------
    kind : str
        lowpass, highpass or bandpass.
    lowpass : Transfer
        In rad/s; for a band-pass in the variable (s^2 + w0^2)/s.
    w0 : float
        For a high-pass the frequency it is mirrored about, for a band-pass its centre, rad/s;
        0 for a low-pass.
    gain : float
        With sign: at DC of the low-pass.
    """

    kind: str
    lowpass: Transfer
    w0: float
    gain: float


def prototype_of(transfer: Transfer) -> Prototype:
    """Return the low-pass that a response is made from.

    Parameters
    ----------
    transfer : Transfer
        A low-pass, high-pass or a band-pass that is symmetric in log frequency.

    Raises
    ------
    TargetError
        If it is none of these.
    """
    poles, zeros = transfer.poles, transfer.zeros
    if not poles:
        raise TargetError("a constant needs no ladder; ask for a response with poles")
    at_dc = sum(z == 0 for z in zeros)
    at_infinity = len(poles) - len(zeros)
    w0 = math.exp(sum(math.log(abs(p)) for p in poles) / len(poles))
    if not at_dc:
        return Prototype("lowpass", transfer, 0.0, transfer(0j).real)
    if not at_infinity:
        mirrored = transfer.mirrored(w0)
        return Prototype("highpass", mirrored, w0, mirrored(0j).real)
    if at_dc != at_infinity or 2 * at_dc != len(poles):
        raise TargetError(
            "a ladder is made for a lowpass, a highpass, or a bandpass of a family without zeros; "
            "this response is none of them"
        )
    images = sorted(((p * p + w0 * w0) / p for p in poles), key=lambda z: (z.real, z.imag))
    found = []
    while images:
        one = images.pop()
        other = min(images, key=lambda z: abs(z - one))
        if abs(one - other) > _SYMMETRIC * abs(one):
            raise TargetError(
                "this bandpass is not symmetric in log frequency, so no lowpass ladder is behind "
                "it; realise it as a cascade"
            )
        images.remove(other)
        found.append((one + other) / 2)
    lowpass = Transfer.from_zpk((), [_real_or_not(z) for z in found], transfer.gain)
    return Prototype("bandpass", lowpass, w0, transfer(1j * w0).real)


def _real_or_not(z: complex) -> complex:
    return complex(z.real, 0.0) if abs(cmath.phase(-z)) < _SYMMETRIC else z
