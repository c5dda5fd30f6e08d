"""Findings about the large signal: levels, slew rate, currents, input range, single supply."""

from __future__ import annotations

import math

from synth.checking.facts import Facts
from synth.checking.findings import Finding, Severity, graded, si
from synth.checking.swing import AmplifierLevel, Levels, Peak
from synth.units import plain

#: How many times an inner output may swing further than the circuit's output: note, caution,
#: serious.
_INNER_LIMITS = (1.05, 2.0, 20.0)
#: One limit is told beside clipping only when it is lower by this factor.
_LOWER = 0.98
#: Below this share of it, it is a caution.
_HALF = 0.5
#: From this Q on slewing bends a resonance well before the figure of a steady sine.
_SHARP = 5.0
#: An input that moves less than this per volt of the source sits at the signal's ground.
_STILL = 0.05
#: A change of the source's current by this factor is told.
_CHANGE = 1.25
_REMEDIES = {
    "clipping": "output swing",
    "slewing": "slew rate",
    "output current": "output current",
    "input range": "input range",
}


def internal_level(facts: Facts) -> list[Finding]:
    """Name the op amp that swings further than the output."""
    levels = facts.levels
    loud = levels.loudest
    if loud is None or not levels.output.value:
        return []
    out = facts.network.op_amp(loud.name).out
    ratio = loud.output.value / levels.output.value
    severity = graded(ratio, *_INNER_LIMITS)
    if severity is None or out in facts.network.read_nodes:
        return []
    return [
        Finding(
            severity,
            "internal-level",
            loud.name,
            f"the output of {loud.name} peaks at {plain(loud.output.value)} V/V at "
            f"{si(loud.output.at_hz, 'Hz')}, {plain(ratio)} times the peak of the circuit's output "
            f"({plain(levels.output.value)} V/V): it clips first",
            f"take {plain(ratio)} times less gain up to {loud.name} and make it up after it; else "
            f"keep the source below {si(loud.limit('clipping').value, 'V')}",
        )
    ]


def level(facts: Facts) -> list[Finding]:
    """Compare the level asked for with every limit of every op amp."""
    wanted = facts.conditions.level
    if wanted is None:
        return []
    found = []
    for a in facts.levels.amplifiers:
        causes = sorted((p.value, cause) for cause, p in a.limits if p.value < wanted)
        if causes:
            found.append(_exceeded(facts, a, [cause for _, cause in causes], wanted))
    return found


def _exceeded(facts: Facts, a: AmplifierLevel, causes: list[str], wanted: float) -> Finding:
    """Tell everything that the level does to one op amp, what begins first before the rest."""
    verbs = {
        "clipping": f"the output of {a.name} clips",
        "slewing": f"{a.name} slews",
        "output current": f"{a.name} runs out of output current",
        "input range": f"an input of {a.name} leaves the common-mode range",
    }
    said, needs = [], []
    for cause in causes:
        peak = a.limit(cause)
        factor = wanted / peak.value if peak.value else math.inf
        said.append(f"{verbs[cause]} from {si(peak.value, 'V')} on, at {si(peak.at_hz, 'Hz')}")
        needs.append(f"{plain(factor)} times the {_REMEDIES[cause]} ({_own(facts, a, cause)} now)")
    return Finding(
        "serious",
        "level",
        a.name,
        f"with {si(wanted, 'V')} of amplitude at the source {'; '.join(said)}",
        f"keep the source below {si(a.limit(causes[0]).value, 'V')}, or take an op amp of "
        f"{' and '.join(needs)}",
    )


def _own(facts: Facts, a: AmplifierLevel, cause: str) -> str:
    model = facts.model
    low, high = model.common_mode_range
    return {
        "clipping": f"+-{si(a.room_v, 'V')} about its rest",
        "slewing": f"{plain(model.slew_rate / 1e6)} V/us",
        "output current": si(model.output_current, "A"),
        "input range": f"{si(low, 'V')} to {si(high, 'V')}",
    }[cause]


def largest_input(facts: Facts) -> list[Finding]:
    """Say how large a sine goes through at every frequency of the band."""
    levels = facts.levels
    peak = levels.largest_input
    if math.isinf(peak.value):
        return []
    name, cause = levels.bound
    low, high = levels.band_hz
    top = levels.largest_output
    severity: Severity = "note" if peak.value > 0 else "serious"
    return [
        Finding(
            severity,
            "largest-input",
            name,
            f"from {si(low, 'Hz')} to {si(high, 'Hz')} a sine of up to {si(peak.value, 'V')} "
            f"amplitude goes through; {name} bounds it ({cause}, at {si(peak.at_hz, 'Hz')}); the "
            f"output is then up to {si(top.value, 'V')}, at {si(top.at_hz, 'Hz')}",
            f"keep the source below that; more {_REMEDIES[cause]} of {name} raises it",
        )
    ]


def slew_rate(facts: Facts) -> list[Finding]:
    """Report op amps whose slew rate bounds the level below their swing.

    The limit is that of a steady sine and of an input stage that stays linear up to it.  One that
    saturates as tanh (a pair of bipolar transistors) has lost part of its gain-bandwidth before,
    which shifts poles of high Q and may let the resonance jump (P. E. Allen, IEEE J. Solid-State
    Circuits SC-12 (1977) 39-44, from memory).
    """
    now = facts.model.slew_rate / 1e6
    found = []
    for a in facts.levels.amplifiers:
        slewing, clipping = a.limit("slewing"), a.limit("clipping")
        if not slewing.value < _LOWER * clipping.value:
            continue
        needed = facts.model.slew_rate * clipping.value / slewing.value
        found.append(
            Finding(
                _bound_severity(facts, slewing, clipping.value),
                "slew-rate",
                a.name,
                f"{a.name} slews from {si(slewing.value, 'V')} of the source on, at "
                f"{si(slewing.at_hz, 'Hz')}, where its swing would allow "
                f"{si(clipping.value, 'V')}; its full-power bandwidth is "
                f"{si(a.full_power_hz, 'Hz')}{_resonance(facts, slewing.at_hz)}",
                f"an op amp of {plain(needed / 1e6)} V/us (now {plain(now)} V/us) allows the whole "
                f"swing over the band{_narrower(facts, slewing.at_hz)}",
            )
        )
    return found


def _resonance(facts: Facts, at_hz: float) -> str:
    """Warn of the slewing of a sharp resonance, for which the figure of a steady sine is high."""
    near = [
        p
        for p in facts.small.poles
        if p.q is not None and p.q >= _SHARP and abs(math.log(at_hz / p.f0_hz)) < math.log(2)
    ]
    if not near:
        return ""
    q = max(p.q or 0.0 for p in near)
    return (
        f"; an input stage saturates gradually (at a third of that about 3 % of the "
        f"gain-bandwidth are gone), and a resonance of Q = {plain(q)} there feels it: keep to a "
        "third"
    )


def output_current(facts: Facts) -> list[Finding]:
    """Report op amps that run out of current before they run out of swing."""
    found = []
    for a in facts.levels.amplifiers:
        current, clipping = a.limit("output current"), a.limit("clipping")
        if not current.value < _LOWER * clipping.value:
            continue
        factor = clipping.value / current.value
        found.append(
            Finding(
                _bound_severity(facts, current, clipping.value),
                "output-current",
                a.name,
                f"{a.name} delivers up to {si(a.current.value, 'A')} per volt of the source (at "
                f"{si(a.current.at_hz, 'Hz')}) and reaches its "
                f"{si(facts.model.output_current, 'A')} at {si(current.value, 'V')}, before its "
                f"swing at {si(clipping.value, 'V')}",
                f"impedances {plain(factor)} times higher at its output, a lighter load, or an op "
                f"amp of {si(facts.model.output_current * factor, 'A')}"
                f"{_narrower(facts, current.at_hz)}",
            )
        )
    return found


def input_range(facts: Facts) -> list[Finding]:
    """Report op amps whose inputs leave the common-mode range before the output clips."""
    low, high = facts.model.common_mode_range
    found = []
    for a in facts.levels.amplifiers:
        bound, clipping = a.limit("input range"), a.limit("clipping")
        if not bound.value < _LOWER * clipping.value:
            continue
        severity = _bound_severity(facts, bound, clipping.value)
        found.append(
            Finding(
                severity,
                "input-range",
                a.name,
                f"the inputs of {a.name} swing up to {plain(a.input.value)} V/V (at "
                f"{si(a.input.at_hz, 'Hz')}) about {si(a.input_rest_v, 'V')} and leave their "
                f"range of {si(low, 'V')} to {si(high, 'V')} from {si(bound.value, 'V')} of the "
                f"source on; the output would allow {si(clipping.value, 'V')}",
                f"keep the source below {si(bound.value, 'V')}, or take an op amp whose inputs "
                "reach nearer to its rails",
            )
        )
    return found


def _bound_severity(facts: Facts, bound: Peak, clipping: float) -> Severity:
    if bound.value <= 0:
        return "serious"
    low = bound.value < _HALF * clipping
    return "caution" if low and not facts.small.band.near_end(bound.at_hz) else "note"


def _narrower(facts: Facts, at_hz: float) -> str:
    if not facts.small.band.near_end(at_hz):
        return ""
    return "; that is where the op amps end the band: --band says what goes through in a signal's"


def moved_inputs(facts: Facts) -> list[Finding]:
    """Report op-amp inputs that sit still in this circuit or the other and swing in the other one.

    A swap or a lift leaves the loops as they are and moves the inputs.
    """
    if facts.other is None:
        return []
    found = []
    known = {x.name for x in facts.other.amplifiers}
    for a in facts.levels.amplifiers:
        if a.name not in known:
            continue
        other = facts.other.amplifier(a.name)
        if min(a.input.value, other.input.value) >= _STILL:
            continue
        if max(a.input.value, other.input.value) < 10 * _STILL:
            continue
        moving = a.input.value > other.input.value
        where, elsewhere = ("here", facts.there) if moving else (facts.there, "here")
        peak = a.input if moving else other.input
        bound = (a if moving else other).limit("input range").value
        still = min(a.input.value, other.input.value)
        found.append(
            Finding(
                "note",
                "moved-inputs",
                a.name,
                f"{where} the inputs of {a.name} swing up to {plain(peak.value)} V/V (at "
                f"{si(peak.at_hz, 'Hz')}), {elsewhere} they sit at "
                f"the signal's ground (within {plain(still, 2)} V/V)",
                f"{where} they stay in their common-mode range up to {si(bound, 'V')} of the "
                "source",
            )
        )
    return found


def source_current(facts: Facts) -> list[Finding]:
    """Report what a swap or another change does to the current that the source delivers."""
    other = facts.other
    if other is None:
        return []
    here, there = facts.levels.source_current, other.source_current
    if not here.value or not there.value:
        return []
    ratio = max(here.value, there.value) / min(here.value, there.value)
    if ratio < _CHANGE:
        return []
    return [
        Finding(
            "note",
            "source-current",
            "circuit",
            f"the source delivers up to {si(here.value, 'A')} per volt here "
            f"({_impedance(facts.levels)}), and {si(there.value, 'A')} {facts.there} "
            f"({_impedance(other)})",
            f"drive it from a source that can deliver {si(max(here.value, there.value), 'A')} per "
            "volt (an op-amp output), or scale the impedances up",
        )
    ]


def _impedance(levels: Levels) -> str:
    z = levels.input_impedance
    return f"{si(z.value, 'ohm')} at {si(z.at_hz, 'Hz')}"
