"""Findings about feedback and direct current: modes, margins, bias paths, operating point."""

from __future__ import annotations

import math
from collections.abc import Sequence

from synth.checking.facts import Facts
from synth.checking.findings import Finding, graded, si
from synth.checking.operating_point import AmplifierOffset

#: Phase margin below which a loop rings, and below which it is hardly stable, degrees.
_MARGINS = (45.0, 20.0)
#: A loop that crosses unity below this multiple of the fastest pole crosses at the poles.
_OWN = 3.0
#: Share of the room at the output that offsets may take: note, caution, serious.
_OFFSET_LIMITS = (0.01, 0.1, 0.5)


def positive_feedback(facts: Facts) -> list[Finding]:
    """Judge the natural modes as the gain-bandwidth grows (design rule of the feedback check)."""
    found = facts.small.feedback
    if found.negative:
        return []
    names = facts.exchanged
    if len(names) == 1:
        remedy = f"exchange the inputs of {names[0]}"
    elif names:
        remedy = f"exchange the inputs of one of {', '.join(names)}: each one alone mends it"
    else:
        remedy = (
            "no exchange of one op amp's inputs mends it; follow each op amp's feedback to its "
            "inverting input, or change the part values"
        )
    part = names[0] if len(names) == 1 else "circuit"
    return [Finding("serious", "positive-feedback", part, found.reason, remedy)]


def mode_on_axis(facts: Facts) -> list[Finding]:
    """Report modes that neither decay nor grow."""
    found = facts.small.feedback
    if not found.negative or not found.reason:
        return []
    return [
        Finding(
            "note",
            "mode-on-axis",
            "circuit",
            found.reason,
            "close a loop around it at DC, or put a resistor across a capacitor, where the "
            "circuit is to stand alone",
        )
    ]


def unstable(facts: Facts) -> list[Finding]:
    """Report modes that grow with this op amp only."""
    small = facts.small
    if small.stable or not small.feedback.negative:
        return []
    margins = [m for m in small.margins if math.isfinite(m.phase_margin_deg)]
    worst = min(margins, key=lambda m: m.phase_margin_deg, default=None)
    part = "circuit" if worst is None else worst.op_amp
    gbw = si(facts.model.gain_bandwidth, "Hz")
    where = ""
    if worst is not None and worst.crossover_hz is not None:
        where = (
            f"; the loop of {worst.op_amp} crosses unity at {si(worst.crossover_hz, 'Hz')} with a "
            f"phase margin of {worst.phase_margin_deg:.3g} degrees"
        )
    return [
        Finding(
            "serious",
            "unstable",
            part,
            f"with op amps of {gbw}, second pole {si(facts.model.second_pole, 'Hz')}, a natural "
            f"mode grows{where}",
            "take an op amp with a larger gain-bandwidth or a higher second pole, or lower the "
            "frequencies or the Q of the circuit",
        )
    ]


def phase_margin(facts: Facts) -> list[Finding]:
    """Report loops with little phase margin.

    A loop that crosses unity at the circuit's own poles is left out: there a small margin is the
    Q that was wanted, and its shift is reported by itself.
    """
    if not facts.small.stable:
        return []
    fastest = max((p.f0_hz for p in facts.small.poles), default=0.0)
    found = []
    for m in facts.small.margins:
        if m.phase_margin_deg >= _MARGINS[0] or m.crossover_hz is None:
            continue
        if m.crossover_hz <= _OWN * fastest:
            continue
        lag = math.degrees(math.atan(m.crossover_hz / facts.model.second_pole))
        missing = _MARGINS[0] - m.phase_margin_deg
        if lag >= missing:
            wanted = m.crossover_hz / math.tan(math.radians(max(lag - missing, 1.0)))
            remedy = (
                f"the op amp's second pole takes {lag:.3g} degrees of it: one with the pole at "
                f"{si(wanted, 'Hz')} or above leaves {_MARGINS[0]:g} degrees"
            )
        else:
            remedy = _network_lag(facts, m.op_amp, lag)
        found.append(
            Finding(
                "serious" if m.phase_margin_deg < _MARGINS[1] else "caution",
                "phase-margin",
                m.op_amp,
                f"phase margin of the loop of {m.op_amp} is {m.phase_margin_deg:.3g} degrees at "
                f"{si(m.crossover_hz, 'Hz')}, gain margin {_decibels(m.gain_margin_db)}",
                remedy,
            )
        )
    return found


def _network_lag(facts: Facts, op_amp: str, lag: float) -> str:
    """Say what to do where the rest of the loop takes the phase."""
    rest = f"its second pole takes only {lag:.3g} degrees, the rest of the loop takes the others"
    if len(facts.network.op_amps) > 1:
        return (
            f"{rest}: compare other pairings of the op amps (synth pairings), or take a stage "
            "with fewer op amps in one loop"
        )
    return (
        f"{rest}: a resistor in series with a capacitor that loads the feedback to {op_amp}, or a "
        "small capacitor across its feedback resistor, gives phase back"
    )


def bias_path(facts: Facts) -> list[Finding]:
    """Every op-amp input needs a DC path."""
    model = facts.model
    current = model.bias_current + model.offset_current / 2
    room = min(abs(v - model.middle) for v in model.output_range)
    found = []
    for name, pin in facts.small.bias_path:
        node = getattr(facts.network.op_amp(name), pin)
        size = "a resistor"
        if current > 0:
            size += f" (at most {si(0.01 * room / current, 'ohm')}, for a drop of 1 % of the swing)"
        found.append(
            Finding(
                "serious",
                "bias-path",
                name,
                f"the {pin} input of {name} (node {node}) has no DC path for its bias current of "
                f"{si(model.bias_current, 'A')}",
                f"connect node {node} through {size} to the signal's ground, the input or an "
                "op-amp output",
            )
        )
    return found


def dc_saturates(facts: Facts) -> list[Finding]:
    """Report op amps whose own offset takes them to a rail."""
    point = facts.small.operating_point
    found = []
    for a in point.amplifiers if point else ():
        if not a.saturated:
            continue
        if a.dc_feedback:
            found.append(_follows(a, point.saturated if point else ()))
            continue
        ways = [
            f"put {si(r.resistance_ohm, 'ohm')} or less across {r.capacitor}, whose corner is "
            f"then at {si(r.corner_hz, 'Hz')} or above"
            for r in a.remedies
        ]
        remedy = "; or ".join(["close a DC loop around it (as in a two-integrator loop)", *ways])
        low, high = facts.model.output_range
        found.append(
            Finding(
                "serious",
                "dc-saturates",
                a.op_amp,
                f"{a.op_amp} has no DC feedback: its offset of {si(facts.model.offset, 'V')} and "
                f"the bias currents would put its output at up to {si(a.worst_v, 'V')}, beyond "
                f"its swing of {si(low, 'V')} to {si(high, 'V')}",
                remedy,
            )
        )
    return found


def _follows(a: AmplifierOffset, causes: Sequence[str]) -> Finding:
    """Report an op amp that is taken to a rail by another, or by its own gain."""
    if causes:
        return Finding(
            "caution",
            "dc-saturates",
            a.op_amp,
            f"{a.op_amp} follows {', '.join(causes)} to a rail (up to {si(a.worst_v, 'V')} asked)",
            f"mended with {', '.join(causes)}",
        )
    return Finding(
        "serious",
        "dc-saturates",
        a.op_amp,
        f"offsets and bias currents put the output of {a.op_amp} at up to {si(a.worst_v, 'V')}, "
        f"more than it can swing, although its DC loop gain is {a.dc_loop_gain:.3g}",
        "less gain at DC, lower resistances, or an op amp of less offset and bias current",
    )


def output_offset(facts: Facts) -> list[Finding]:
    """Compare the offset at the output with the swing there."""
    point = facts.small.operating_point
    if point is None or point.saturated:
        return []
    low, high = facts.model.output_range
    room = (high - low) / 2
    severity = graded(abs(point.output_worst_v) / room, *_OFFSET_LIMITS)
    if severity is None:
        return []
    return [
        Finding(
            severity,
            "output-offset",
            "circuit",
            f"the offset at the output is up to {si(point.output_worst_v, 'V')} "
            f"({si(point.output_rms_v, 'V')} rms) of a swing of +-{si(room, 'V')}",
            f"an op amp of less offset than {si(facts.model.offset, 'V')} or less bias current "
            f"than {si(facts.model.bias_current, 'A')}, lower resistances, or a coupling "
            "capacitor after the output where DC is not wanted",
        )
    ]


def _decibels(x: float) -> str:
    return "without limit" if math.isinf(x) else f"{x:.3g} dB"
