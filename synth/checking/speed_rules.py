"""Findings about the finite gain-bandwidth: shifts, bandwidth, stop band, complement defect."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from synth.analysis.amplifier import same_everywhere
from synth.analysis.grid import refine
from synth.analysis.numbers import transfer
from synth.analysis.real import real_system
from synth.analysis.roots import RootShift, real_roots
from synth.checking.deviation import response_error_db
from synth.checking.facts import Facts
from synth.checking.findings import Finding, decibels, graded, percent, si
from synth.checking.loop_rules import poor_margins, rise_severity, rises_at
from synth.checking.margin_remedies import WANTED_DEG, margin_remedies
from synth.checking.notches import notches
from synth.checking.signal_band import PLAIN_BAND, Response, flat_ends, natural_band
from synth.units import format_si, plain

#: Shares of f0 and of Q that are noted, are a caution, and are serious.
_F0_LIMITS = (0.01, 0.05, 0.2)
_Q_LIMITS = (0.05, 0.1, 0.5)
#: Real over ideal response in a band that was asked for, dB: note, caution, serious.
_BAND_LIMITS = (0.5, 1.0, 3.0)
#: A pass band without an upper end of its own that the op amp ends this many times above the
#: fastest mode: note, caution, serious.
_END_LIMITS = (100.0, 10.0, 2.0)
#: A flat end of the response this far below the peak is a stop band.
_STOPPED = 0.03
#: What is left in a notch, dB of the peak: note, caution, serious.
_NOTCH_LIMITS = (-60.0, -30.0, -10.0)
#: The end of a pass band is looked for from this multiple of the fastest root on.
_ABOVE_ROOTS, _END_POINTS = 2.0, 300
_HALVINGS = 5
#: A rise that falls below this share without output resistance is due to it.
_HALF = 0.5


def unstable(facts: Facts) -> list[Finding]:
    """Report modes that grow with this op amp only."""
    small = facts.small
    if small.stable or not small.feedback.negative:
        return []
    margins = [m for m in small.margins if math.isfinite(m.phase_margin_deg)]
    worst = min(margins, key=lambda m: m.phase_margin_deg, default=None)
    part = "circuit" if worst is None else worst.op_amp
    model = facts.model
    where = ""
    ways: list[str] = []
    if worst is not None and worst.crossover_hz is not None:
        where = (
            f"; the loop of {worst.op_amp} crosses unity at {si(worst.crossover_hz, 'Hz')} with a "
            f"phase margin of {plain(worst.phase_margin_deg)} degrees"
        )
        found = margin_remedies(small.network, model, worst.op_amp, worst.crossover_hz)
        ways = [f"for {WANTED_DEG:g} degrees, {way}" for way in found]
    factor = _speed_for(facts, "Q", 1.0, _Q_LIMITS[1])
    if factor is not None:
        ways.append(
            f"op amps of {si(model.gain_bandwidth * factor, 'Hz')} (second pole in proportion) "
            f"leave {100 * _Q_LIMITS[1]:g} % of shift of Q"
        )
    ways.append("lower the frequencies or the Q of the circuit")
    remedy = "; or ".join(ways)
    return [
        Finding(
            "serious",
            "unstable",
            part,
            f"with op amps of {si(model.gain_bandwidth, 'Hz')}{_second(model.second_pole)}, a "
            f"natural mode grows{where}",
            remedy,
        )
    ]


def _second(pole_hz: float) -> str:
    return "" if math.isinf(pole_hz) else f", second pole {si(pole_hz, 'Hz')}"


def f0_shift(facts: Facts) -> list[Finding]:
    """Report the largest shift of a pole's f0 by the finite gain-bandwidth."""
    found = _shifted(facts, "f0", _F0_LIMITS)
    return [] if found is None else [found]


def pole_beyond(facts: Facts) -> list[Finding]:
    """Name a real pole beyond the closed-loop bandwidth that the op amps move: none to judge."""
    judged = facts.small.shaping
    worst = max(judged.beyond, key=lambda p: abs(p.f0_shift), default=None)
    if worst is None or not facts.small.stable or abs(worst.f0_shift) < _F0_LIMITS[1]:
        return []
    return [
        Finding(
            "note",
            "f0-shift",
            "circuit",
            f"the real pole at {si(worst.f0_hz, 'Hz')} lies beyond the closed-loop bandwidth of "
            f"{si(judged.bandwidth_hz, 'Hz')} and ends {percent(worst.f0_shift)} off: the op "
            "amps end the response, and it is not judged as f0",
            "none needed where it isolates a load; where it is the corner wanted, faster op amps",
        )
    ]


def q_shift(facts: Facts) -> list[Finding]:
    """Report the largest shift of a pole's Q by the finite gain-bandwidth."""
    found = _shifted(facts, "Q", _Q_LIMITS)
    return [] if found is None else [found]


def _shift_of(pole: RootShift, what: str) -> float:
    return pole.f0_shift if what == "f0" else pole.q_shift or 0.0


def _shifted(facts: Facts, what: str, limits: tuple[float, float, float]) -> Finding | None:
    poles, aim = facts.wanted or facts.small.shaping.poles, limits[0]
    worst = max(poles, key=lambda p: abs(_shift_of(p, what)), default=None)
    shift = 0.0 if worst is None else _shift_of(worst, what)
    severity = graded(abs(shift), *limits)
    if worst is None or severity is None:
        return None
    whose = f" of the pole at {si(worst.f0_hz, 'Hz')}" if len(poles) > 1 else ""
    model, real = facts.model, _real(worst, what)
    code, moved = (
        f"{what.lower()}-shift",
        f"with op amps of {si(model.gain_bandwidth, 'Hz')} {what}",
    )
    if facts.wanted:
        return Finding(
            severity,
            code,
            "circuit",
            f"{moved}{whose} is {percent(shift)} off what was wanted before the pre-distortion, "
            f"{real}",
            "pre-distort the circuit from before that step again, for these op amps",
        )
    factor = _speed_for(facts, what, abs(shift), aim)
    remedy = "a stage of lower Q or fewer op amps: a faster op amp alone does not mend it"
    if factor is not None:
        remedy = (
            f"op amps of {si(model.gain_bandwidth * factor, 'Hz')} (second pole in proportion) "
            f"leave {100 * aim:g} %"
        )
    put_back = facts.small.predistortion
    if put_back is not None and put_back.possible:
        remedy += (
            f"; or, unless {real} is wanted, as of a pre-distorted circuit, build the "
            "pre-distorted values (--predistort), which put it back"
        )
    return Finding(
        severity,
        code,
        "circuit",
        f"{moved}{whose} shifts by {percent(shift)}, to {real}",
        remedy,
    )


def _real(pole: RootShift, what: str) -> str:
    """Write f0 or Q with the real op amps."""
    if what == "f0":
        return f"a real f0 of {format_si(pole.f0_hz * (1 + pole.f0_shift), 'Hz', 5)}"
    return f"a real Q of {plain(pole.real_q or 0.0, 4)}"


def _speed_for(facts: Facts, what: str, shift: float, aim: float) -> float | None:
    """Return by how much faster op amps must be for the shift to be `aim`."""
    network, loop = facts.small.network, facts.small.loop
    judged = {p.ideal for p in facts.small.shaping.poles}

    def left(factor: float) -> float:
        roots = real_roots(network, facts.model.amplifier.with_speed(factor), loop)
        own = [p for p in roots.poles if p.ideal in judged]
        worst = max((abs(_shift_of(p, what)) for p in own), default=0.0)
        return worst if roots.stable else math.inf

    return _faster(left, aim, 4.0 * max(1.0, shift / aim))


def _faster(left: Callable[[float], float], aim: float, guess: float) -> float | None:
    """Return by how much faster op amps must be to leave `aim`; None if none is found.

    Far above the circuit's frequencies what is left falls in proportion; from there it is
    followed down to where it is as large as allowed.
    """
    fast = guess
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


def bandwidth(facts: Facts) -> list[Finding]:
    """Say what the op amps leave of the band asked for, or of a pass band they alone end."""
    if not facts.small.stable:
        return []
    asked = facts.conditions.band_hz is not None
    found = _asked_band(facts) if asked else _upper_end(facts)
    return [] if found is None else [found]


def _asked_band(facts: Facts) -> Finding | None:
    d, model = facts.small.deviation, facts.model
    severity = graded(abs(d.band_error_db), *_BAND_LIMITS)
    if severity is None:
        return None
    system, signal = facts.small.system, facts.small.signal_hz
    ideal = transfer(facts.small.loop, facts.small.loop.transfer()).response

    def left(factor: float) -> float:
        other = model.amplifier.with_speed(factor)
        faster = system.with_amplifiers(same_everywhere(system.network, other))
        return float(np.abs(response_error_db(faster, ideal, signal)).max())

    aim = _BAND_LIMITS[0]
    factor = _faster(left, aim, 4.0 * max(1.0, abs(d.band_error_db) / aim))
    remedy = "a circuit with fewer op amps or less gain in each: a faster op amp does not mend it"
    if factor is not None:
        remedy = (
            f"op amps of {si(model.gain_bandwidth * factor, 'Hz')} (second pole in proportion) "
            f"leave {plain(aim)} dB"
        )
    low, high = facts.small.band_hz
    return Finding(
        severity,
        "bandwidth",
        "circuit",
        f"between {si(low, 'Hz')} and {si(high, 'Hz')} op amps of "
        f"{si(model.gain_bandwidth, 'Hz')} change the response by up to "
        f"{decibels(d.band_error_db)} (at {si(d.band_error_hz, 'Hz')})",
        remedy,
    )


def _upper_end(facts: Facts) -> Finding | None:
    """Name the upper end of a pass band that has none with ideal op amps."""
    small, model = facts.small, facts.model
    ideal = transfer(small.loop, small.loop.transfer()).response
    rising, flat = flat_ends(ideal, natural_band(p.ideal for p in small.poles))
    fastest = max(small.shaping.fastest_hz, *(z.f0_hz for z in small.zeros), 0.0)
    if flat <= _STOPPED * small.deviation.peak:
        return None
    three, one = (_leaves(facts, ideal, fastest, limit) for limit in (3.0, 1.0))
    if three is None or one is None:
        return None
    severity = graded(fastest / three[0], *(1 / x for x in _END_LIMITS))
    if severity is None and rising and fastest:
        return None  # a notch or an all-pass: far from where it does something
    return Finding(
        severity or "note",
        "bandwidth",
        "circuit",
        f"op amps of {si(model.gain_bandwidth, 'Hz')} end the pass band: {decibels(three[1])} at "
        f"{si(three[0], 'Hz')}, {decibels(one[1])} at {si(one[0], 'Hz')}",
        f"in proportion to the gain-bandwidth: about {si(10 * three[0], 'Hz')} with op amps of "
        f"{si(10 * model.gain_bandwidth, 'Hz')}; --band says what is lost in a band",
    )


def _leaves(
    facts: Facts, ideal: Response, fastest_hz: float, limit: float
) -> tuple[float, float] | None:
    """Return where, above all roots, real and ideal response part by so many dB, with the sign."""
    low = _ABOVE_ROOTS * fastest_hz or PLAIN_BAND[0]
    high = max(10 * facts.model.gain_bandwidth, 10 * low)
    f = np.geomspace(low, high, _END_POINTS)
    system = facts.small.system
    error = response_error_db(system, ideal, f)
    beyond = np.flatnonzero(np.abs(error) > limit)
    if not len(beyond):
        return None
    k = int(beyond[0])
    if k == 0:
        return low, float(error[0])
    at = refine(
        float(f[k - 1]), float(f[k]), lambda x: np.abs(response_error_db(system, ideal, x)) - limit
    )
    return at, math.copysign(limit, float(error[k]))


def stop_band(facts: Facts) -> list[Finding]:
    """Report a stop band that comes up again.

    Where it does so at the crossover of a loop of little phase margin, that is told there.
    """
    d = facts.small.deviation
    severity = rise_severity(facts)
    if severity is None or d.rise_db is None or d.rise_hz is None:
        return []
    if any(rises_at(facts, m) for m in poor_margins(facts)):
        return []
    through, lower = ", where the op amps' gain no longer holds it down", ""
    if _by_output_resistance(facts, d.rise_hz):
        through = (
            f", through the output resistance of {si(facts.model.output_resistance, 'ohm')} that "
            "the op amp's gain no longer lowers"
        )
        lower = "impedances k times higher, or an output resistance k times lower, lower it; "
    floor = ""
    if d.floor_db is not None and d.floor_hz is not None:
        floor = f" from {plain(d.floor_db)} dB at {si(d.floor_hz, 'Hz')}"
    return [
        Finding(
            severity,
            "stop-band",
            "circuit",
            f"above the pass band the response comes up again{floor} to {plain(d.rise_db)} dB of "
            f"its peak at {si(d.rise_hz, 'Hz')}{through}",
            f"{lower}a larger gain-bandwidth moves it up in frequency; a passive low-pass at the "
            "output takes it away",
        )
    ]


def _by_output_resistance(facts: Facts, at_hz: float) -> bool:
    """Say whether the response there is much lower without the op amps' output resistance."""
    if not facts.model.output_resistance:
        return False
    system = facts.small.system
    stiff = replace(facts.model.amplifier, output_resistance=0.0)
    other = real_system(system.network, same_everywhere(system.network, stiff))
    s = np.array([2j * math.pi * at_hz])
    here, there = (float(abs(x.read(x.response(s))[0])) for x in (system, other))
    return there < _HALF * here


def notch_depth(facts: Facts) -> list[Finding]:
    """Report notches that the op amps fill."""
    model, found = facts.model, []
    for k, notch in enumerate(facts.small.notches if facts.small.stable else ()):
        severity = graded(notch.depth_db, *_NOTCH_LIMITS)
        if severity is None:
            continue

        def left(factor: float, k: int = k) -> float:
            faster = model.amplifier.with_speed(factor)
            roots = real_roots(facts.small.network, faster, facts.small.loop)
            system = facts.small.system
            system = system.with_amplifiers(same_everywhere(system.network, faster))
            rows = notches(system, roots.zeros, facts.small.deviation.peak)
            return 10 ** (rows[k].depth_db / 20) if roots.stable and len(rows) > k else math.inf

        aim = 10 ** (_NOTCH_LIMITS[0] / 20)
        factor = _faster(left, aim, 4.0 * 10 ** (notch.depth_db / 20) / aim)
        remedy = "a stage whose notch does not hang on the op amps' gain, or on fewer of them"
        if factor is not None:
            remedy = (
                f"op amps of {si(model.gain_bandwidth * factor, 'Hz')} (second pole in "
                f"proportion) leave {decibels(_NOTCH_LIMITS[0])}"
            )
        found.append(
            Finding(
                severity,
                "notch-depth",
                "circuit",
                f"with op amps of {si(model.gain_bandwidth, 'Hz')} the notch at "
                f"{si(notch.f0_hz, 'Hz')} is {decibels(notch.depth_db)} of the peak (at "
                f"{si(notch.at_hz, 'Hz')}), every part at its value",
                remedy,
            )
        )
    return found


def complement_defect(facts: Facts) -> list[Finding]:
    """Say up to where the complement holds."""
    limit, lower = facts.small.defect_1pct_hz, facts.small.defect_1pct_from_hz
    if math.isinf(limit):
        return []
    start = f"from {si(lower, 'Hz')} " if lower else ""
    total = facts.small.system.network.complement_sum
    within = "1 %" if total else "0.01"
    holds = f"sum to {total} within {within} {start}up to {si(limit, 'Hz')}"
    if not limit:
        holds = f"differ from the sum {total} by {within} or more at the lowest frequencies already"
    return [
        Finding(
            "note",
            "complement-defect",
            "circuit",
            f"H and its complement {holds} with op amps of {si(facts.model.gain_bandwidth, 'Hz')}",
            "a larger gain-bandwidth moves that limit up; below it nothing needs to be done",
        )
    ]
