"""What kind of response a transfer function is, with the figures that tell a user why.

Two low-passes of one order can differ in what their complements do: of order one, 1 - H is the
high-pass; of any order above, it has one zero at the origin only (or none when the gain is not
one), falls 20 dB per decade and peaks.  `describe` finds those figures.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from synth.transfer.critical import magnitude_extrema
from synth.transfer.polynomial import Poly
from synth.transfer.transfer import Transfer

#: Zeros this close to the imaginary axis or to a mirrored pole, relative to their magnitude,
#: count as on it.
_NEAR = 1e-6
#: Magnitudes this close, relative, count as equal.
_EQUAL = 1e-9


@dataclass(frozen=True)
class Description:
    """Kind and figures of a response; ``str`` gives them in one line.

    Parameters
    ----------
    kind : str
        lowpass, highpass, bandpass, bandstop, lowpass-notch, highpass-notch, allpass, constant
        or other.
    order : int
        Number of poles.
    zeros_at_origin, zeros_at_infinity : int
        Negative for poles there.
    slope_low, slope_high : float
        In dB per decade towards zero and infinite frequency; positive when rising.
    gain_dc, gain_infinity : float
        H(0) and H(infinity), with sign; inf (with sign) at a pole.
    sign_low, sign_high : int
        Signs of the lowest and the highest numerator coefficient over those of the denominator:
        1, -1, or 0 for the zero function.
    peak : float
        Largest magnitude on the imaginary axis, inf at a pole on it.
    peak_hz : float
        Its frequency; 0 or inf where an end of the axis has it.
    """

    kind: str
    order: int
    zeros_at_origin: int
    zeros_at_infinity: int
    slope_low: float
    slope_high: float
    gain_dc: float
    gain_infinity: float
    sign_low: int
    sign_high: int
    peak: float
    peak_hz: float

    def __str__(self) -> str:
        where = {0.0: "at DC", math.inf: "at infinity"}.get(
            self.peak_hz, f"at {self.peak_hz:.5g} Hz"
        )
        count = abs(self.zeros_at_origin)
        what = "pole" if self.zeros_at_origin < 0 else "zero"
        zeros = f"{count} {what}{'' if count == 1 else 's'}"
        return (
            f"{self.kind} of order {self.order}, {zeros} at the origin, "
            f"{self.slope_low:+.0f} dB/decade below, {self.slope_high:+.0f} dB/decade above, "
            f"gain {self.gain_dc:.5g} at DC and {self.gain_infinity:.5g} at infinity, "
            f"peak {self.peak:.5g} {where}"
        )


def describe(transfer: Transfer) -> Description:
    """Return kind and figures of a transfer function.

    Parameters
    ----------
    transfer : Transfer
        Any, also improper or unstable.

    Returns
    -------
    Description

    Notes
    -----
    A low-pass has gain at DC and none at infinity; a high-pass the reverse; a band-pass none at
    either end.  With gain at both ends and zeros on the imaginary axis it is a band-stop when
    the two are equal, a low-pass or high-pass notch when one is larger, and, of order above two,
    a band-pass when both are more than 6 dB below the peak.  The zeros of an all-pass
    mirror its poles.  Functions with poles at the origin or at infinity are ``other``.

    Examples
    --------
    >>> from synth.transfer.expression import transfer_from_text
    >>> low = transfer_from_text("1/(s^2 + sqrt(2)*s + 1)")
    >>> d = describe(low.complement())
    >>> d.kind, d.zeros_at_origin, d.slope_low
    ('highpass', 1, 20.0)
    """
    if not transfer.gain:
        return Description("constant", 0, 0, 0, 0.0, 0.0, 0.0, 0.0, 0, 0, 0.0, 0.0)
    num, den = transfer.exact_numerator, transfer.exact_denominator
    low = _lowest(num) - _lowest(den)
    high = transfer.excess
    ratio_low = num[_lowest(num)] / den[_lowest(den)]
    sign_low, sign_high = (1 if x > 0 else -1 for x in (ratio_low, num[-1] / den[-1]))
    gain_dc = _end(low, float(ratio_low))
    gain_infinity = _end(high, transfer.gain)
    peak, peak_hz = _peak(transfer, abs(gain_dc), abs(gain_infinity))
    return Description(
        _kind(transfer, low, high, (abs(gain_dc), abs(gain_infinity), peak)),
        transfer.order,
        low,
        high,
        20.0 * low,
        float(-20 * high),
        gain_dc,
        gain_infinity,
        sign_low,
        sign_high,
        peak,
        peak_hz,
    )


def _lowest(p: Poly) -> int:
    return next(k for k, c in enumerate(p) if c)


def _end(zeros: int, ratio: float) -> float:
    if zeros > 0:
        return 0.0
    return ratio if zeros == 0 else math.copysign(math.inf, ratio)


def _kind(transfer: Transfer, low: int, high: int, gains: tuple[float, float, float]) -> str:
    if not transfer.sections:
        return "constant"
    if low < 0 or high < 0:
        return "other"
    if _mirrored(transfer.zeros, transfer.poles):
        return "allpass"
    if low and high:
        return "bandpass"
    if high:
        return "lowpass"
    if low:
        return "highpass"
    notches = any(z.imag and abs(z.real) <= _NEAR * abs(z) for z in transfer.zeros)
    if not notches:
        return "other"
    dc, infinity, peak = gains
    if transfer.order > 2 and max(dc, infinity) < peak / 2:
        return "bandpass"
    if math.isclose(dc, infinity, rel_tol=_NEAR):
        return "bandstop"
    return "lowpass-notch" if dc > infinity else "highpass-notch"


def _mirrored(zeros: Sequence[complex], poles: Sequence[complex]) -> bool:
    """Return whether the zeros are the poles mirrored at the imaginary axis, as multisets."""
    if len(zeros) != len(poles):
        return False
    left = [-p.conjugate() for p in poles]
    for z in zeros:
        match = min(left, key=lambda m: abs(m - z))
        if abs(match - z) > _NEAR * abs(z):
            return False
        left.remove(match)
    return True


def _peak(transfer: Transfer, dc: float, infinity: float) -> tuple[float, float]:
    """Return the largest magnitude and its frequency in hertz.

    The candidates are the ends of the axis and the stationary points of |H|^2, which are exact
    polynomial roots; an end within 1e-9 of the largest wins over a point between.
    """
    on_axis = [abs(p) for p in transfer.poles if p.real == 0]
    if on_axis:
        return math.inf, min(on_axis) / (2 * math.pi)
    inner = [(abs(transfer(1j * w)), w) for w in stationary_points(transfer)]
    largest = max([dc, infinity, *(m for m, _ in inner)])
    for end, w in ((dc, 0.0), (infinity, math.inf), *inner):
        if end >= largest * (1 - _EQUAL):
            return end, w / (2 * math.pi)
    raise AssertionError("the largest magnitude is one of the candidates")


def stationary_points(transfer: Transfer) -> list[float]:
    """Return the angular frequencies in rad/s, above 0, where the slope of |H| is zero."""
    return [float(w) for w in magnitude_extrema(transfer.zeros, transfer.poles)]
