"""What a response is, in a sentence for the page."""

from __future__ import annotations

import re
from math import inf, isfinite, pi

from synth.plots.scales import si_text
from synth.transfer.kinds import describe
from synth.transfer.transfer import Transfer

#: A zero this close to the axis, as a share of its size, makes a notch.
_NEAR = 0.05
_OHM = re.compile(r"(?<=\d )([kMGm]?)ohm\b")
_MICRO = re.compile(r"(?<=\d )u(?=(?:V|A|F|H|s|W|Ω)\b)")
_MINUS = re.compile(r"(?<![\w.)\]])-(?=\d)")


def typeset(text: str) -> str:
    """Write units and signs in plain letters as signs: 10 kohm, 3 uV, -40 dB, +-1 %.

    Examples
    --------
    >>> typeset("10 kohm, 3 uV and -40 dB within +-1 %, R-1 aside")
    '10 kΩ, 3 µV and −40 dB within ±1 %, R-1 aside'
    """
    text = _OHM.sub(r"\1Ω", text.replace("+-", "±"))
    return _MINUS.sub("−", _MICRO.sub("µ", text))


def kind_words(transfer: Transfer) -> str:
    """Return kind, order, notches, slopes, gains and peak of a response.

    Examples
    --------
    >>> kind_words(Transfer.from_tf([1], [1, 1]))
    'a lowpass of order 1, flat below, −20 dB/decade above, largest gain 1 at DC'
    """
    d = describe(transfer)
    article = "an" if d.kind[0] in "aeo" else "a"
    kind = "response" if d.kind == "other" else d.kind
    words = [f"{'a' if d.kind == 'other' else article} {kind} of order {d.order}"]
    for z in transfer.zeros:
        if z.imag > 0 and abs(z.real) < _NEAR * abs(z):
            words.append(f"notch at {si_text(z.imag / (2 * pi), 'Hz', 5)}")
    if d.zeros_at_origin:
        count, what = abs(d.zeros_at_origin), "pole" if d.zeros_at_origin < 0 else "zero"
        words.append(f"{count} {what}{'' if count == 1 else 's'} at the origin")
    words.append(_slope(d.slope_low, "below"))
    words.append(_slope(d.slope_high, "above"))
    for gain, where in ((d.gain_dc, "at DC"), (d.gain_infinity, "at infinity")):
        if gain and isfinite(gain) and abs(gain) != d.peak:
            words.append(f"gain {_number(gain)} {where}")
    at = {0.0: "at DC", inf: "at infinity"}.get(d.peak_hz) or f"at {si_text(d.peak_hz, 'Hz', 5)}"
    words.append(f"largest gain {_number(d.peak)} {at}" if isfinite(d.peak) else "endless gain")
    return ", ".join(words)


def _number(value: float) -> str:
    return f"{value:.4g}".replace("-", "−")


def _slope(slope: float, side: str) -> str:
    return f"{slope:+.0f} dB/decade {side}".replace("-", "−") if slope else f"flat {side}"
