"""Findings about the small signal: zeros, loading, noise, sensitivity."""

from __future__ import annotations

import math

from synth.checking.facts import Facts
from synth.checking.findings import Finding, decibels, graded, percent, si
from synth.checking.loading import Loading
from synth.units import plain

#: Change of gain by source and load in dB: note, caution, serious.
_LOADING_LIMITS = (0.05, 0.5, 3.0)
#: A balanced zero that leaves this much, dB: note, caution; and serious for none at all.
_FLOOR_LIMITS = (-200.0, -30.0, -6.0)
#: Signal to noise in dB below which is a caution, and serious.
_SNR = (60.0, 30.0)
#: Shifts of f0 and Q by source and load are told from here on.
_SHIFT_TOLD = 1e-3
_SENSITIVITY_LIMITS = (3.0, 10.0, 50.0)


def balanced_zero(facts: Facts) -> list[Finding]:
    """Report zeros that need parts that match."""
    found = []
    for z in facts.zeros:
        if not z.balanced or z.floor_db is None:
            continue
        left = z.floor_db if z.depth_db is None else max(z.floor_db, z.depth_db)
        severity = graded(left, *_FLOOR_LIMITS)
        moved = ""
        if z.depth_db is not None:
            moved = f", and {plain(z.floor_db)} dB at the frequency the notch has moved to"
        where = {0.0: "at DC", math.inf: "at high frequency"}.get(
            z.frequency_hz, f"at {si(z.frequency_hz, 'Hz')}"
        )
        if severity is not None:
            found.append(
                Finding(
                    severity,
                    "balanced-zero",
                    "circuit",
                    f"the zero {where} stands while terms subtract: with parts of "
                    f"{100 * facts.conditions.tolerance:g} % what is left there is near "
                    f"{plain(left)} dB of the peak (median){moved}",
                    "ten times closer parts make it 20 dB deeper; or trim one resistor of the "
                    "balance",
                )
            )
    return found


def source_loading(facts: Facts) -> list[Finding]:
    """Report what source resistance and load do where the signal matters."""
    load = facts.small.loading
    severity = None if load is None else graded(abs(load.worst_error_db), *_LOADING_LIMITS)
    if load is None or severity is None:
        return []
    aim = _LOADING_LIMITS[0 if severity == "note" else 1]
    # the change of each alone; where both are small, together they are not
    by_source, by_load = (abs(x) >= _LOADING_LIMITS[0] for x in load.alone_db)
    if not (by_source or by_load):
        by_source, by_load = bool(load.source_resistance_ohm), load.load_ohm is not None
    around, remedies = [], []
    if load.source_resistance_ohm:
        around.append(f"a source of {si(load.source_resistance_ohm, 'ohm')}")
    if load.source_resistance_ohm and by_source:
        share = _share(aim, load.alone_db[0])
        remedies.append(
            f"drive the circuit from an op-amp output, or from about "
            f"{si(load.source_resistance_ohm * share, 'ohm')} for {plain(aim)} dB, or scale its "
            f"impedances up (its input impedance falls to "
            f"{si(load.input_impedance_min_ohm, 'ohm')} at {si(load.input_impedance_min_hz, 'Hz')})"
        )
    if load.load_ohm is not None:
        around.append(f"a load of {si(load.load_ohm, 'ohm')}")
    if load.load_ohm is not None and by_load:
        share = _share(aim, load.alone_db[1])
        remedies.append(
            f"take the load behind a follower, or one of about "
            f"{si(load.load_ohm / share, 'ohm')} for {plain(aim)} dB"
        )
    verb = "changes" if len(around) == 1 else "change"
    return [
        Finding(
            severity,
            "source-loading",
            "circuit",
            f"{' and '.join(around)} {verb} the gain by up to {decibels(load.worst_error_db)} (at "
            f"{si(load.worst_error_hz, 'Hz')}){_each_alone(load)}{_loading_shifts(facts)}",
            "; ".join(remedies),
        )
    ]


def _share(aim_db: float, error_db: float) -> float:
    """Return by what the resistance that makes an error is multiplied to leave `aim_db`.

    A divider: the change of 1/|H| is in proportion to it.
    """
    error, aim = (10 ** (x / 20) - 1 for x in (abs(error_db), aim_db))
    return min(1.0, aim / error) if error else 1.0


def _each_alone(load: Loading) -> str:
    if not load.source_resistance_ohm or load.load_ohm is None:
        return ""
    source, loaded = load.alone_db
    return f", the source alone by {decibels(source)} and the load alone by {decibels(loaded)}"


def _loading_shifts(facts: Facts) -> str:
    """Say what source and load do to the poles, and what they do to the swapped circuit."""
    load, other = facts.small.loading, facts.small.loading_before
    text = ""
    worst = max(load.poles if load else (), key=lambda p: p.worst, default=None)
    if worst is not None and worst.worst >= _SHIFT_TOLD:
        text = f", and f0 by {percent(worst.f0_shift)}"
        if worst.q_shift is not None:
            text += f", Q by {percent(worst.q_shift)}"
    if other is not None:
        text += (
            f"; {facts.there} by up to {decibels(other.worst_error_db)} (at "
            f"{si(other.worst_error_hz, 'Hz')})"
        )
    return text


def signal_to_noise(facts: Facts) -> list[Finding]:
    """Compare the noise with the largest sine that goes through."""
    noise = facts.small.noise
    snr = snr_db(facts)
    if snr is None or not noise.contributors:
        return []
    first = noise.contributors[0]
    kinds = {
        "thermal": (
            "the thermal noise of",
            "impedances k times lower make resistor noise sqrt(k) times lower",
        ),
        "voltage": ("the voltage noise of", "an op amp of lower voltage noise lowers it"),
    }
    whose, remedy = kinds.get(
        first.kind,
        ("the current noise of", "an op amp of lower current noise, or lower impedances, lower it"),
    )
    low, high = noise.band_hz
    return [
        Finding(
            "serious" if snr < _SNR[1] else "caution" if snr < _SNR[0] else "note",
            "noise",
            first.part,
            f"noise at the output is {si(noise.vrms, 'V')} rms over {si(low, 'Hz')} to "
            f"{si(high, 'Hz')}, {plain(snr)} dB below the largest undistorted sine; {whose} "
            f"{first.part} makes {plain(100 * first.share)} % of its power",
            remedy,
        )
    ]


def snr_db(facts: Facts) -> float | None:
    """Return the largest undistorted sine at the output over the noise, dB; None without one."""
    vrms = facts.small.noise.vrms
    volts = facts.levels.largest_output.value
    if not vrms or not volts or math.isinf(volts):
        return None
    return 20 * math.log10(volts / math.sqrt(2) / vrms)


def sensitivity(facts: Facts) -> list[Finding]:
    """Report the largest sensitivity of f0, Q or gain to one part."""
    worst = facts.small.worst_sensitivity
    if worst is None:
        return []
    severity = graded(abs(worst.value), *_SENSITIVITY_LIMITS)
    if severity is None:
        return []
    share = facts.conditions.tolerance * worst.value
    return [
        Finding(
            severity,
            "sensitivity",
            worst.part,
            f"the sensitivity of {worst.quantity} to {worst.part} is {plain(worst.value)}: "
            f"{100 * facts.conditions.tolerance:g} % of {worst.part} is about "
            f"{percent(share)} of {worst.quantity}",
            f"take {worst.part} to a closer tolerance, trim it, or choose a circuit of lower "
            "sensitivity (realise --rank sensitivity)",
        )
    ]
