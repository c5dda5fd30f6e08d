"""Targets from what a user asks for: a family, a pole frequency and Q, or a transfer function.

Conventions
-----------
The frequency is the edge of the pass band, in hertz: the end of the ripple for Chebyshev and
elliptic, the start of the stop band for inverse Chebyshev, half power for the other families,
unless another edge is asked for.  For band-pass and band-stop it is the geometric centre, and
the width is measured between the same edges.  The order is the number of poles of the whole
filter.  The gain is the largest one of the pass band; it may be negative.  All of this is common
practice; the target says it in words.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

from synth.errors import TargetError
from synth.target import bands
from synth.target.families import EDGES, MAX_ORDER, Prototype, prototype
from synth.target.target import Target
from synth.transfer.kinds import describe
from synth.transfer.transfer import Transfer

KINDS = ("lowpass", "highpass", "bandpass", "bandstop", "allpass")

#: What the frequency means for a second-order response without a family.
_POLE_MEANING: Mapping[str, str] = {
    "lowpass": "the pole frequency; the gain is that at DC",
    "highpass": "the pole frequency; the gain is that at high frequencies",
    "bandpass": "the centre, where the gain is reached; Q is centre over -3 dB width",
    "bandstop": "the centre, where the zero is; Q is centre over -3 dB width",
    "allpass": "the pole frequency; the gain is that at DC",
}


def family_target(
    kind: str,
    family: str,
    order: int,
    at_hz: float,
    *,
    ripple_db: float | None = None,
    stop_attenuation_db: float | None = None,
    phase_degrees: float | None = None,
    delay_ripple: float | None = None,
    gain: float = 1.0,
    q: float | None = None,
    width_hz: float | None = None,
    edge: str | None = None,
) -> Target:
    """Return a target of a response family.

    Parameters
    ----------
    kind : str
        lowpass, highpass, bandpass, bandstop or allpass.
    family : str
        A key of `synth.target.families.FAMILIES`.
    order : int
        Number of poles of the whole filter, 1 to 20; even for band-pass and band-stop.
    at_hz : float
        Edge in hertz (see the conventions above); geometric centre for the band kinds.
    ripple_db, stop_attenuation_db, phase_degrees, delay_ripple : float, optional
        As in `synth.target.families.prototype`.
    gain : float
        Largest pass-band gain, with sign: a low-pass of even order with ripple has less than it
        at DC.  For an all-pass the gain at DC.
    q, width_hz : float, optional
        For band-pass and band-stop, one of the two: centre over width, or width in hertz.
    edge : str, optional
        3dB, ripple, stop or delay, instead of the family's own.

    Returns
    -------
    Target

    Raises
    ------
    TargetError
        If something is out of range, missing, or does not belong to the kind.

    Examples
    --------
    >>> family_target("lowpass", "chebyshev", 4, 1000.0).description
    'chebyshev (0.5 dB ripple) lowpass of order 4 at 1000 Hz, gain 1'
    """
    _check(kind, at_hz, gain)
    banded = kind in ("bandpass", "bandstop")
    if banded and order % 2:
        raise TargetError(
            f"a {kind} of order {order} does not exist: the order counts all poles, and they come "
            "in pairs; choose an even one"
        )
    if banded and not 2 <= order <= MAX_ORDER:
        raise TargetError(f"the order {order} is out of range; choose 2 to {MAX_ORDER}")
    if not banded and (q is not None or width_hz is not None):
        raise TargetError(
            f"a {kind} of a family takes neither q nor a width; leave them out, or leave out the "
            "family for a second-order response by the Q of its poles"
        )
    p = prototype(
        family,
        order // 2 if banded else order,
        ripple_db=ripple_db,
        stop_attenuation_db=stop_attenuation_db,
        phase_degrees=phase_degrees,
        delay_ripple=delay_ripple,
        edge=edge,
    )
    w0 = 2 * math.pi * at_hz
    if banded:
        width = _width(kind, at_hz, q, width_hz)
        if p.edge == "delay":
            raise TargetError(f"the edge 'delay' has no meaning for a {kind}; leave it out")
        build = bands.bandpass if kind == "bandpass" else bands.bandstop
        transfer = build(p, w0, 2 * math.pi * width, gain)
        detail = f" with a width of {width:.6g} Hz"
    else:
        plain = {"lowpass": bands.lowpass, "highpass": bands.highpass, "allpass": bands.allpass}
        transfer, detail = plain[kind](p, w0, gain), ""
    asked = f"{_title(p)} {kind} of order {order} at {at_hz:.6g} Hz{detail}, gain {gain:.6g}"
    return Target(transfer, kind, at_hz, asked, _meaning(kind, p))


def second_order_target(
    kind: str, at_hz: float, q: float | None = None, gain: float = 1.0
) -> Target:
    """Return a response of order two by pole frequency and Q, or of order one without Q.

    Parameters
    ----------
    kind : str
        lowpass, highpass, bandpass, bandstop or allpass; without Q not the band kinds.
    at_hz : float
        Pole frequency in hertz: w0/(2 pi) of s^2 + (w0/Q) s + w0^2.
    q : float, optional
        Q of the poles, 0.01 to 10000; None for order one.
    gain : float
        Gain at DC (low-pass, all-pass, band-stop), at high frequencies (high-pass), or at the
        centre (band-pass), with sign.

    Returns
    -------
    Target

    Raises
    ------
    TargetError
        If something is out of range, or Q is missing for a band kind.

    Examples
    --------
    >>> second_order_target("bandstop", 50 / 6.283185307179586, q=5.0).transfer
    <Transfer (s^2 + 2500) / (s^2 + 10 s + 2500)>
    """
    _check(kind, at_hz, gain)
    w0 = 2 * math.pi * at_hz
    if q is None:
        if kind in ("bandpass", "bandstop"):
            raise TargetError(f"a {kind} needs its q (centre over width); give one")
        den: tuple[float, ...] = (1.0, 1.0)
        nums = {"lowpass": (1.0,), "highpass": (1.0, 0.0), "allpass": (-1.0, 1.0)}
        name, number = "first-order", ""
    else:
        if not 0.01 <= q <= 1e4:
            raise TargetError(f"a q of {q:g} is out of range; choose 0.01 to 10000")
        den = (1.0, 1 / q, 1.0)
        nums = {
            "lowpass": (1.0,),
            "highpass": (1.0, 0.0, 0.0),
            "bandpass": (1 / q, 0.0),
            "bandstop": (1.0, 0.0, 1.0),
            "allpass": (1.0, -1 / q, 1.0),
        }
        name, number = "second-order", f" with q {q:.6g}"
    transfer = Transfer.from_tf(nums[kind], den).scaled_frequency(w0) * gain
    asked = f"{name} {kind} at {at_hz:.6g} Hz{number}, gain {gain:.6g}"
    return Target(transfer, kind, at_hz, asked, f"the frequency is {_POLE_MEANING[kind]}")


def response_target(
    kind: str,
    at_hz: float,
    *,
    family: str | None = None,
    order: int | None = None,
    ripple_db: float | None = None,
    stop_attenuation_db: float | None = None,
    phase_degrees: float | None = None,
    delay_ripple: float | None = None,
    gain: float = 1.0,
    q: float | None = None,
    width_hz: float | None = None,
    edge: str | None = None,
) -> Target:
    """Return the target a command line asks for: `family_target` or `second_order_target`.

    Without a family, and unless the order or a family's number asks for more, ``q`` means poles
    of that Q at ``at_hz``, and order one means a single pole.  Otherwise the family is
    Butterworth.  The order is two where none is given.

    Raises
    ------
    TargetError
        As the two functions it chooses from.

    Examples
    --------
    >>> response_target("bandstop", 50.0, q=5.0).description
    'second-order bandstop at 50 Hz with q 5, gain 1'
    """
    _check(kind, at_hz, gain)
    extras = (ripple_db, stop_attenuation_db, phase_degrees, delay_ripple, edge)
    if family is None and all(x is None for x in extras):
        if width_hz is not None and q is None and kind in ("bandpass", "bandstop"):
            q, width_hz = at_hz / _width(kind, at_hz, None, width_hz), None
        if q is not None and width_hz is None and order in (None, 2):
            return second_order_target(kind, at_hz, q, gain)
        if q is None and width_hz is None and order == 1:
            return second_order_target(kind, at_hz, None, gain)
    return family_target(
        kind,
        family or "butterworth",
        2 if order is None else order,
        at_hz,
        ripple_db=ripple_db,
        stop_attenuation_db=stop_attenuation_db,
        phase_degrees=phase_degrees,
        delay_ripple=delay_ripple,
        gain=gain,
        q=q,
        width_hz=width_hz,
        edge=edge,
    )


def transfer_target(
    transfer: Transfer, at_hz: float | None = None, complement: bool = False
) -> Target:
    """Return a given transfer function, or its complement, as a target.

    Parameters
    ----------
    transfer : Transfer
        H(s); what cancels in it is left out.
    at_hz : float, optional
        The frequency in hertz on which s = j1 falls; without it s is in rad/s.
    complement : bool
        Whether 1 - H is wanted.

    Returns
    -------
    Target

    Raises
    ------
    TargetError
        If the function is zero, constant, improper, not strictly stable, or of order above 20.

    Examples
    --------
    >>> transfer_target(Transfer.from_tf([1], [1, 2, 1]), complement=True).kind
    'highpass'
    """
    wanted = transfer.complement() if complement else transfer
    wanted = Transfer(wanted.gain, wanted.sections)
    name = "1 - H" if complement else "H"
    if not wanted.gain:
        raise TargetError(f"{name} is zero; there is nothing to build")
    if wanted.excess < 0:
        raise TargetError(
            f"{name} is improper: its numerator has degree {len(wanted.zeros)}, its denominator "
            f"{wanted.order}, so its gain grows without bound; add poles"
        )
    if not wanted.order:
        raise TargetError(f"{name} is the constant {wanted.gain:g}; a filter needs a pole")
    unstable = [p for p in wanted.poles if p.real >= 0]
    if unstable:
        raise TargetError(
            f"{name} is unstable: the pole {unstable[0]:.6g} is not left of the imaginary axis; "
            "change the denominator"
        )
    if wanted.order > MAX_ORDER:
        raise TargetError(
            f"{name} has order {wanted.order}; the largest is {MAX_ORDER}, so split it in two"
        )
    asked, meaning = f"{name} = {wanted}", "s is in rad/s"
    if at_hz is not None:
        _positive("frequency", at_hz)
        wanted = wanted.scaled_frequency(2 * math.pi * at_hz)
        meaning = f"s = j1 is {at_hz:.6g} Hz"
    return Target(wanted, describe(wanted).kind, at_hz, asked, meaning)


def _check(kind: str, at_hz: float, gain: float) -> None:
    if kind not in KINDS:
        raise TargetError(f"the kind {kind!r} is unknown; the kinds are {', '.join(KINDS)}")
    _positive("frequency", at_hz)
    if not (math.isfinite(gain) and gain):
        raise TargetError(f"the gain {gain:g} must be finite and not zero")


def _positive(what: str, value: float) -> None:
    if not 1e-9 <= value <= 1e15:
        raise TargetError(
            f"the {what} of {value:g} Hz is out of range; choose a positive one, 1 nHz to 1 PHz"
        )


def _width(kind: str, at_hz: float, q: float | None, width_hz: float | None) -> float:
    if (q is None) == (width_hz is None):
        raise TargetError(
            f"a {kind} needs either its width in hertz or its q (centre over width); give one"
        )
    width = width_hz if width_hz is not None else at_hz / (q or math.nan)
    if not (math.isfinite(width) and 1e-4 <= width / at_hz <= 100):
        raise TargetError(
            f"a {kind} {width:g} Hz wide at {at_hz:g} Hz is out of range; choose a q of 0.01 to "
            "10000"
        )
    return width


def _title(p: Prototype) -> str:
    numbers = []
    if p.ripple_db is not None:
        numbers.append(f"{p.ripple_db:g} dB ripple")
    if p.stop_db is not None:
        numbers.append(f"{p.stop_db:g} dB stop-band attenuation")
    if p.phase_degrees is not None:
        numbers.append(f"{p.phase_degrees:g} degrees phase ripple")
    if p.delay_ripple is not None:
        numbers.append(f"{100 * p.delay_ripple:g} % delay ripple")
    return p.family.name + (f" ({', '.join(numbers)})" if numbers else "")


def _meaning(kind: str, p: Prototype) -> str:
    edge = EDGES[p.edge]
    if kind in ("bandpass", "bandstop"):
        return (
            "the frequency is the geometric centre of the band; its width is measured between the "
            f"points of {edge}; order is the number of poles of the whole filter, twice that of "
            "its low-pass"
        )
    if kind == "allpass":
        return (
            f"the frequency is that of the low-pass of the same poles: {edge}; the all-pass delays "
            "twice as long as that low-pass; order is the number of poles"
        )
    return f"the frequency is that of {edge}; order is the number of poles"
