"""Findings about feedback and direct current: modes, margins, bias paths, operating point."""

from __future__ import annotations

import math
from collections.abc import Sequence

from synth.checking.bias_remedy import bias_remedies, feedback_leaks
from synth.checking.facts import Facts
from synth.checking.findings import SEVERITIES, Finding, Severity, graded, si
from synth.checking.margin_remedies import WANTED_DEG, margin_remedies
from synth.checking.margins import Margin
from synth.checking.operating_point import AmplifierOffset
from synth.units import plain

#: Phase margin below which a loop is hardly stable, degrees; below `WANTED_DEG` it rings.
_SERIOUS_MARGIN = 20.0
#: A loop that crosses unity below this multiple of the fastest pole crosses at the poles.
_OWN = 3.0
#: A response that comes up again to this much below the peak, dB: note, caution, serious.
_STOP_LIMITS = (-80.0, -40.0, -20.0)
#: A rise within this factor of a loop's crossover is the doing of that loop.
_SAME = 2.0
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


def poor_margins(facts: Facts) -> list[Margin]:
    """Return the loops with little phase margin.

    A loop that crosses unity at the circuit's own poles is left out: there a small margin is the
    Q that was wanted, and its shift is reported by itself.
    """
    fastest = facts.small.shaping.fastest_hz
    return [
        m
        for m in facts.small.margins
        if facts.small.stable
        and m.phase_margin_deg < WANTED_DEG
        and m.crossover_hz is not None
        and m.crossover_hz > _OWN * fastest
    ]


def rise_severity(facts: Facts) -> Severity | None:
    """Grade a response that comes up again above its pass band."""
    rise = facts.small.deviation.rise_db
    return None if rise is None else graded(rise, *_STOP_LIMITS)


def rises_at(facts: Facts, margin: Margin) -> bool:
    """Say whether the response comes up again at this loop's crossover."""
    rise, crossing = facts.small.deviation.rise_hz, margin.crossover_hz
    return bool(rise and crossing and abs(math.log(rise / crossing)) < math.log(_SAME))


def phase_margin(facts: Facts) -> list[Finding]:
    """Report loops with little phase margin, and what the response does at their crossover."""
    small, model = facts.small, facts.model
    found = []
    for m in poor_margins(facts):
        if m.crossover_hz is None:
            continue
        ways = margin_remedies(small.network, model, m.op_amp, m.crossover_hz)
        remedy = f"for {WANTED_DEG:g} degrees: {'; or '.join(ways)}"
        if not ways:
            remedy = (
                "compare other pairings of the op amps (synth pairings), or take a stage with "
                "fewer op amps in one loop"
            )
        lag = math.degrees(math.atan(m.crossover_hz / model.second_pole))
        severities: list[Severity] = [
            "serious" if m.phase_margin_deg < _SERIOUS_MARGIN else "caution"
        ]
        bump, rise = "", rise_severity(facts)
        if rise is not None and rises_at(facts, m):
            severities.append(rise)
            bump = (
                f"; there the response comes up again, to {plain(small.deviation.rise_db or 0)} "
                f"dB of its peak at {si(small.deviation.rise_hz or 0, 'Hz')}"
            )
        found.append(
            Finding(
                max(severities, key=SEVERITIES.index),
                "phase-margin",
                m.op_amp,
                f"phase margin of the loop of {m.op_amp} is {plain(m.phase_margin_deg)} degrees "
                f"at {si(m.crossover_hz, 'Hz')} ({plain(lag, 2)} degrees are taken by the op "
                f"amp's second pole), gain margin {_decibels(m.gain_margin_db)}{bump}",
                remedy,
            )
        )
    return found


def bias_path(facts: Facts) -> list[Finding]:
    """Every op-amp input needs a DC path."""
    model, small = facts.model, facts.small
    network = small.network
    nodes = {(n, pin): getattr(network.op_amp(n), pin) for n, pin in small.bias_path}
    ways = bias_remedies(network, model, dict.fromkeys(nodes.values()), small.band_hz)
    by_node = {w.node: w for w in ways}
    found = []
    for (name, pin), node in nodes.items():
        way = by_node[node]
        corner = ""
        if way.corner_hz is not None:
            corner = f"a corner at {si(way.corner_hz, 'Hz')}, "
        offset = ""
        if way.offset_v is not None:
            offset = f"up to {si(way.offset_v, 'V')} of offset at the output and "
        low, high = small.band_hz
        ground = (
            f"connect node {node} through at most {si(way.resistance_ohm, 'ohm')} to the "
            "signal's ground, the input or an op-amp output; to ground, that much brings "
            f"{corner}{offset}{si(way.noise_vrms, 'V')} rms of its own noise there over "
            f"{si(low, 'Hz')} to {si(high, 'Hz')}"
        )
        across = [
            f"put {si(r.resistance_ohm, 'ohm')} or less across {r.capacitor}: the corner is then "
            f"at {si(r.corner_hz, 'Hz')} or above, the offset of {name} up to {si(r.worst_v, 'V')}"
            for r in feedback_leaks(network, model, name, pin)
        ]
        found.append(
            Finding(
                "serious",
                "bias-path",
                name,
                f"the {pin} input of {name} (node {node}) has no DC path for its bias current of "
                f"{si(model.bias_current, 'A')}",
                "; or ".join(across) or ground,
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
                f"{a.op_amp} has no DC feedback: {_once(a)}its offset of "
                f"{si(facts.model.offset, 'V')} and "
                f"the bias currents would put its output at up to {si(a.worst_v, 'V')}, beyond "
                f"its swing of {si(low, 'V')} to {si(high, 'V')}",
                remedy,
            )
        )
    return found


def _once(a: AmplifierOffset) -> str:
    return f"with {', '.join(a.mended)} mended, " if a.mended else ""


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
        f"more than it can swing, although its DC loop gain is {plain(a.dc_loop_gain)}",
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
    return "without limit" if math.isinf(x) else f"{plain(x)} dB"
