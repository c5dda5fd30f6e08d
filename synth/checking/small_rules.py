"""Findings about the small signal: finite gain-bandwidth, loading, noise, sensitivity."""

from __future__ import annotations

import math

from synth.analysis.loop import analyse
from synth.checking.facts import Facts
from synth.checking.findings import Finding, graded, percent, si
from synth.checking.roots import real_roots

#: Shares of f0 and of Q that are noted, are a caution, and are serious.
_F0_LIMITS = (0.01, 0.05, 0.2)
_Q_LIMITS = (0.05, 0.1, 0.5)
#: Change of gain by source and load in dB: note, caution, serious.
_LOADING_LIMITS = (0.05, 0.5, 3.0)
#: A stop band that comes up to this much below the peak, dB: note, caution, serious.
_STOP_LIMITS = (-80.0, -40.0, -20.0)
#: A balanced zero that leaves this much, dB: note, caution; and serious for none at all.
_FLOOR_LIMITS = (-200.0, -30.0, -6.0)
#: Signal to noise in dB below which is a caution, and serious.
_SNR = (60.0, 30.0)
_HALVINGS = 5
_SENSITIVITY_LIMITS = (3.0, 10.0, 50.0)


def f0_shift(facts: Facts) -> list[Finding]:
    """Report the shift of f0 by the finite gain-bandwidth."""
    shift = facts.small.f0_shift
    severity = None if shift is None else graded(abs(shift), *_F0_LIMITS)
    if shift is None or severity is None:
        return []
    return [_shifted(facts, severity, "f0", shift, _F0_LIMITS[0])]


def q_shift(facts: Facts) -> list[Finding]:
    """Report the shift of Q by the finite gain-bandwidth."""
    shift = facts.small.q_shift
    severity = None if shift is None else graded(abs(shift), *_Q_LIMITS)
    if shift is None or severity is None:
        return []
    return [_shifted(facts, severity, "Q", shift, _Q_LIMITS[0])]


def _shifted(facts: Facts, severity: str, what: str, shift: float, aim: float) -> Finding:
    model = facts.model
    factor = _speed_for(facts, what, abs(shift), aim)
    remedy = "a stage of lower Q or fewer op amps: a faster op amp alone does not mend it"
    if factor is not None:
        remedy = (
            f"op amps of {si(model.gain_bandwidth * factor, 'Hz')} (second pole in proportion) "
            f"leave {100 * aim:g} %"
        )
    put_back = facts.small.predistortion
    if put_back is not None and put_back.possible:
        remedy += "; or build the pre-distorted values (--predistort), which put it back"
    return Finding(
        severity,  # type: ignore[arg-type]
        f"{what.lower()}-shift",
        "circuit",
        f"with op amps of {si(model.gain_bandwidth, 'Hz')} {what} shifts by {percent(shift)}",
        remedy,
    )


def _speed_for(facts: Facts, what: str, shift: float, aim: float) -> float | None:
    """Return by how much faster op amps must be for the shift to be `aim`; None if none is found.

    Far above the circuit's frequencies the shift falls in proportion; from there it is followed
    down to where it is as large as allowed.
    """
    network = facts.small.network
    loop = facts.loop if network == facts.network else analyse(network)

    def left(factor: float) -> float:
        roots = real_roots(network, facts.model.with_gain_bandwidth(factor), loop)
        first = roots.dominant
        found = None if first is None else first.f0_shift if what == "f0" else first.q_shift
        return math.inf if found is None else abs(found)

    fast = 4.0 * max(1.0, shift / aim)
    if left(fast) > aim:
        fast *= 64
        if left(fast) > aim:
            return None
    slow = fast / 2
    while slow > 1 and left(slow) <= aim:
        fast, slow = slow, slow / 2
    for _ in range(_HALVINGS):
        middle = math.sqrt(slow * fast)
        fast, slow = (middle, slow) if left(middle) <= aim else (fast, middle)
    return max(fast, 1.0)


def stop_band(facts: Facts) -> list[Finding]:
    """Report a stop band that comes up again."""
    d = facts.small.deviation
    if d.rise_db is None or d.rise_hz is None:
        return []
    severity = graded(d.rise_db, *_STOP_LIMITS)
    if severity is None:
        return []
    through, lower = "", ""
    if facts.model.output_resistance:
        through = (
            f", through the output resistance of {si(facts.model.output_resistance, 'ohm')} that "
            "the op amp's gain no longer lowers"
        )
        lower = "impedances k times higher, or an output resistance k times lower, lower it; "
    floor = ""
    if d.floor_db is not None and d.floor_hz is not None:
        floor = f" from {d.floor_db:.3g} dB at {si(d.floor_hz, 'Hz')}"
    return [
        Finding(
            severity,
            "stop-band",
            "circuit",
            f"above the pass band the response comes up again{floor} to {d.rise_db:.3g} dB of its "
            f"peak at {si(d.rise_hz, 'Hz')}{through}",
            f"{lower}a larger gain-bandwidth moves it up in frequency; a passive low-pass at the "
            "output takes it away",
        )
    ]


def complement_defect(facts: Facts) -> list[Finding]:
    """Say up to where the complement holds."""
    limit = facts.small.defect_1pct_hz
    if math.isinf(limit):
        return []
    holds = f"sum to 1 within 1 % up to {si(limit, 'Hz')}"
    if not limit:
        holds = "differ from the sum 1 by 1 % or more at the lowest frequencies already"
    return [
        Finding(
            "note",
            "complement-defect",
            "circuit",
            f"H and its complement {holds} with op amps of {si(facts.model.gain_bandwidth, 'Hz')}",
            "a larger gain-bandwidth moves that limit up; below it nothing needs to be done",
        )
    ]


def balanced_zero(facts: Facts) -> list[Finding]:
    """Report zeros that need parts that match."""
    found = []
    for z in facts.zeros:
        if not z.balanced or z.floor_db is None:
            continue
        severity = graded(z.floor_db, *_FLOOR_LIMITS)
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
                    f"{z.floor_db:.3g} dB of the peak (median)",
                    "ten times closer parts make it 20 dB deeper; or trim one resistor of the "
                    "balance",
                )
            )
    return found


def source_loading(facts: Facts) -> list[Finding]:
    """Report what source resistance and load do."""
    load = facts.small.loading
    severity = None if load is None else graded(abs(load.worst_error_db), *_LOADING_LIMITS)
    if load is None or severity is None:
        return []
    around = []
    remedies = []
    if load.source_resistance_ohm:
        around.append(f"a source of {si(load.source_resistance_ohm, 'ohm')}")
        remedies.append(
            "drive the circuit from an op-amp output, or scale its impedances up "
            f"(its input impedance falls to {si(load.input_impedance_min_ohm, 'ohm')} at "
            f"{si(load.input_impedance_min_hz, 'Hz')})"
        )
    if load.load_ohm is not None:
        around.append(f"a load of {si(load.load_ohm, 'ohm')}")
        remedies.append("take the load behind a follower")
    shifts = ""
    if load.poles:
        worst = max(load.poles, key=lambda p: p.worst)
        shifts = f", and shift f0 by {percent(worst.f0_shift)}"
        if worst.q_shift is not None:
            shifts += f" and Q by {percent(worst.q_shift)}"
    other = facts.small.loading_before
    if other is not None:
        shifts += (
            f"; with input and ground interchanged by up to {other.worst_error_db:+.3g} dB (at "
            f"{si(other.worst_error_hz, 'Hz')})"
        )
    return [
        Finding(
            severity,
            "source-loading",
            "circuit",
            f"{' and '.join(around)} change the gain by up to {load.worst_error_db:+.3g} dB (at "
            f"{si(load.worst_error_hz, 'Hz')}){shifts}",
            "; ".join(remedies),
        )
    ]


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
            f"{si(high, 'Hz')}, {snr:.3g} dB below the largest undistorted sine; {whose} "
            f"{first.part} makes {100 * first.share:.3g} % of its power",
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
            f"the sensitivity of {worst.quantity} to {worst.part} is {worst.value:.3g}: "
            f"{100 * facts.conditions.tolerance:g} % of {worst.part} is about "
            f"{percent(share)} of {worst.quantity}",
            f"take {worst.part} to a closer tolerance, trim it, or choose a circuit of lower "
            "sensitivity (realise --rank sensitivity)",
        )
    ]
