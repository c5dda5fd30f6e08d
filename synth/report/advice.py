"""When a complement is not the filter that was probably wanted: the figures, and the way to it.

``1 - H`` of a first-order low-pass with gain 1 is the high-pass.  Of any higher order it falls
only 20 dB per decade and peaks; with another gain a constant is left; of a band-pass it is a
notch only when the gain at the centre is +1.
"""

from __future__ import annotations

import math
from math import pi
from typing import NamedTuple

import numpy as np

from synth.network.model import Network
from synth.target.families import MAX_ORDER
from synth.transfer.kinds import Description, describe
from synth.transfer.section import section_figures
from synth.transfer.transfer import Transfer
from synth.transform.impedance import ImpedanceSwap
from synth.units import format_si

#: What is left below this counts as nothing.
_NOTHING = 1e-9
#: A notch that leaves more than this is called none.
_SHALLOW = 0.1


class Advice(NamedTuple):
    """A sentence, and a command that does what it says (empty for a fact)."""

    text: str
    command: str = ""


def complement_advice(
    network: Network, before: Transfer, after: Transfer, command: str
) -> tuple[Advice, ...]:
    """Return what to say about a swap whose result is not the filter probably wanted.

    Parameters
    ----------
    network : Network
        The circuit before the swap.
    before, after : Transfer
        H before and after the swap, rad/s.
    command : str
        The beginning of a command that transforms that circuit: ``synth transform FILE``.

    Returns
    -------
    tuple of Advice
        What the complement is not, with the figures; then the ways to the filter wanted.  Empty
        when the complement is the mirror filter, or nothing is expected of it.

    Examples
    --------
    >>> from synth.network.model import Branch
    >>> rc = Network((Branch("R1", 0, ("in", "out"), 1e4), Branch("C1", 1, ("out", "0"), 1e-8)))
    >>> low = Transfer.from_tf([1e4], [1, 1e4])
    >>> complement_advice(rc, low, low.complement(), "synth transform hydrophone.cir")
    ()
    """
    had, has = describe(before), describe(after)
    if had.kind == "lowpass":
        return _edge_advice(network, before, had, has, command, low=True)
    if had.kind == "highpass":
        return _edge_advice(network, before, had, has, command, low=False)
    if had.kind == "bandpass":
        return _centre_advice(before)
    return ()


def _edge_advice(
    network: Network,
    before: Transfer,
    had: Description,
    has: Description,
    command: str,
    *,
    low: bool,
) -> tuple[Advice, ...]:
    """Advice for a low-pass (``low``) or a high-pass."""
    name, wanted, end = (
        ("low-pass", "high-pass", "DC") if low else ("high-pass", "low-pass", "infinity")
    )
    gain = had.gain_dc if low else had.gain_infinity
    left = 1 - gain
    zeros = has.zeros_at_origin if low else has.zeros_at_infinity
    whole = had.zeros_at_infinity if low else had.zeros_at_origin
    if abs(left) <= _NOTHING and zeros >= whole:
        return ()
    facts = []
    if abs(left) > _NOTHING:
        facts.append(
            f"the gain of this {name} at {end} is {gain:.5g} and not +1, so its complement has "
            f"the constant {left:.4g} ({_decibels(left)}) left there"
        )
    if had.order > 1 and abs(left) <= _NOTHING:
        slope = abs(has.slope_low if low else has.slope_high)
        facts.append(
            f"the complement of this {name} of order {had.order} falls only {slope:.0f} dB per "
            f"decade towards {end}, where a {wanted} of order {had.order} falls "
            f"{20 * had.order} dB"
        )
    if had.order > 1 and has.peak > 1.01 and math.isfinite(has.peak_hz) and has.peak_hz:
        facts.append(
            f"it peaks at {has.peak:.4g} ({_decibels(has.peak)}) at {format_si(has.peak_hz, 'Hz')}"
        )
    found = [Advice(f"this complement is not the {wanted} of the same order: {'; '.join(facts)}")]
    mirror = ImpedanceSwap()
    if not mirror.accepts(network):
        found.append(Advice(f"the true {wanted} from this circuit", f"{command} rc-cr"))
    if had.order <= MAX_ORDER:
        kind = wanted.replace("-", "")
        found.append(
            Advice(
                f"the {wanted} as a new circuit",
                f"synth realise {kind} {_edge_numbers(before, had, gain, low)}",
            )
        )
    return tuple(found)


def _edge_numbers(before: Transfer, had: Description, gain: float, low: bool) -> str:
    """Options of `synth realise` with the numbers of this circuit."""
    sized = "" if abs(gain - 1) <= _NOTHING else f" --gain {gain:.4g}"
    if had.order <= 2 and len(before.sections) == 1:
        figures = section_figures(before.sections[0])
        at = _option(figures.w0 / (2 * pi))
        shape = "--order 1" if figures.q is None else f"--q {figures.q:.4g}"
        return f"{shape} --at {at}{sized}"
    at = _option(half_power_frequency(before, abs(gain), low=low) / (2 * pi))
    return f"--family butterworth --order {had.order} --at {at}{sized}"


def half_power_frequency(transfer: Transfer, gain: float, *, low: bool) -> float:
    """Return where a low-pass leaves (a high-pass enters) 3 dB below `gain` for good, rad/s."""
    sizes = [abs(p) for p in transfer.poles if p] or [1.0]
    grid = np.geomspace(min(sizes) / 1e3, max(sizes) * 1e3, 4001)
    order = grid if low else grid[::-1]
    passing = np.flatnonzero(np.abs(transfer(1j * order)) >= gain / math.sqrt(2))
    if not len(passing) or passing[-1] == len(order) - 1:
        return float(np.exp(np.mean(np.log(sizes))))
    inside, outside = float(order[passing[-1]]), float(order[passing[-1] + 1])
    for _ in range(60):
        middle = math.sqrt(inside * outside)
        if abs(transfer(1j * middle)) >= gain / math.sqrt(2):
            inside = middle
        else:
            outside = middle
    return inside


def _centre_advice(before: Transfer) -> tuple[Advice, ...]:
    """Advice for a band-pass."""
    poles = [abs(p) for p in before.poles]
    w0 = math.exp(sum(map(math.log, poles)) / len(poles))
    value = before(1j * w0)
    left = abs(1 - value)
    if left <= _NOTHING:
        return ()
    shown = f"{value.real:.4g}" if abs(value.imag) < 1e-3 * abs(value) else f"{value:.4g}"
    what = "no notch" if left > _SHALLOW else f"a notch only {-20 * math.log10(left):.0f} dB deep"
    first = Advice(
        f"this complement is {what}: the gain of the band-pass at its centre, "
        f"{format_si(w0 / (2 * pi), 'Hz')}, is {shown} and not +1, so {left:.3g} "
        f"({_decibels(left)}) is left there"
    )
    if before.order != 2:
        return (first,)
    q = section_figures(before.sections[0]).q or 0.5
    numbers = f"--at {_option(w0 / (2 * pi))} --q {q:.4g}"
    return (
        first,
        Advice("the true notch", f"synth realise bandstop {numbers}"),
        Advice(
            "a band-pass with centre gain +1, whose complement is the notch",
            f"synth realise bandpass {numbers} --gain 1",
        ),
    )


def _decibels(value: float) -> str:
    return f"{20 * math.log10(abs(value)):.1f} dB"


def _option(frequency_hz: float) -> str:
    return format_si(frequency_hz, "Hz", 5).replace(" ", "")
