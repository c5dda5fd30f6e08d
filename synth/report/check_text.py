"""The check of a circuit as text for a terminal of 80 columns."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from synth.analysis.numbers import transfer
from synth.analysis.roots import RootShift
from synth.checking.facts import Facts
from synth.checking.findings import SEVERITIES, Finding, decibels, percent, si
from synth.checking.predistortion import DIGITS, NOTHING, Predistortion
from synth.checking.small_rules import snr_db
from synth.checking.swing import Peak
from synth.report.check import CheckRecord
from synth.report.layout import labelled, table, wrapped
from synth.report.text import CAUTION
from synth.units import format_si, plain

#: Contributors of noise that are named.
_LOUDEST = 4
#: Contributors below this share of the power are not.
_HEARD = 1e-3
#: A response this far below its peak is a stop band.
_STOPPED = 0.1
_CAUSES = {
    "clipping": "clips",
    "slewing": "slews",
    "output current": "current",
    "input range": "inputs",
}


def check_text(record: CheckRecord) -> str:
    """Return the report on a checked circuit."""
    facts = record.checked.facts
    lines = wrapped(facts.network.title or "circuit without a title")
    for note in record.notes:
        lines += wrapped(f"note: {note}", hanging="  ")
    lines += _model_lines(facts)
    lines += ["", *_finding_lines(record.findings), ""]
    if facts.network.op_amps:
        lines += [*_op_amp_lines(facts), ""]
    lines += [*_small_lines(facts), "", *_level_lines(facts, record.checked.unusable)]
    if record.predistort:
        lines += ["", *_predistortion_lines(facts.small.predistortion)]
    lines += ["", *wrapped(CAUTION)]
    return "\n".join(line.rstrip() for line in lines) + "\n"


def _model_lines(facts: Facts) -> list[str]:
    m = facts.model
    low, high = m.output_range
    around = ""
    if facts.conditions.source_resistance:
        around += f"; source {si(facts.conditions.source_resistance, 'ohm')}"
    if facts.conditions.load is not None:
        around += f"; load {si(facts.conditions.load, 'ohm')}"
    if not facts.network.op_amps:
        return labelled("op amp", f"none in this circuit; {m.name} is not used{around}")
    return labelled(
        "op amp",
        f"{m.name}: {si(m.gain_bandwidth, 'Hz')}, {plain(m.slew_rate / 1e6)} V/us, offset "
        f"{si(m.offset, 'V')}, rails {si(m.supply_negative, 'V')} and "
        f"{si(m.supply_positive, 'V')}, outputs {si(low, 'V')} to {si(high, 'V')}; "
        f"supply current {si(facts.supply_current, 'A')} in all{around}",
    )


def _finding_lines(found: Sequence[Finding]) -> list[str]:
    counts = [(sum(f.severity == s for f in found), s) for s in reversed(SEVERITIES)]
    lines = labelled("findings", ", ".join(f"{n} {s}" for n, s in counts))
    marks = {"serious": "!!", "caution": "! ", "note": "  "}
    for f in found:
        lines += wrapped(f"{marks[f.severity]} {f.part}: {f.message} [{f.code}]", hanging="   ")
        lines += wrapped(f"-> {f.remedy}", "   ", "      ")
    return lines


def _op_amp_lines(facts: Facts) -> list[str]:
    point = facts.small.operating_point
    offsets = {a.op_amp: a for a in point.amplifiers} if point else {}
    margins = {m.op_amp: m for m in facts.small.margins}
    rows = []
    for a in facts.levels.amplifiers:
        m, offset = margins[a.name], offsets.get(a.name)
        cause, peak = min(a.limits, key=lambda limit: limit[1].value)
        none = math.isinf(peak.value) or not facts.small.stable
        bound = "-" if none else f"{si(peak.value, 'V')}, {_CAUSES[cause]}"
        rows.append(
            (
                a.name,
                "-" if math.isinf(m.phase_margin_deg) else f"{plain(m.phase_margin_deg)} deg",
                "-" if offset is None else si(offset.worst_v, "V"),
                f"{plain(a.output.value)} at {si(a.output.at_hz, 'Hz')}",
                plain(a.input.value, 2),
                bound,
            )
        )
    head = ("op amp", "margin", "offset", "peak V/V", "inputs V/V", "source up to")
    return table(head, rows)


def _small_lines(facts: Facts) -> list[str]:
    small = facts.small
    lines = []
    for kind, roots in (("pole", small.poles), ("zero", small.zeros)):
        for r in roots:
            lines += wrapped(f"{kind} {_shift(r)}", hanging="  ")
    for n in small.notches:
        lines += wrapped(
            f"notch at {si(n.at_hz, 'Hz')}: {decibels(n.depth_db)}, parts at their values"
        )
    lines += _range_lines(facts)
    if facts.small.stable:
        lines += _noise_lines(facts)
    point = small.operating_point
    if facts.network.op_amps and point is not None and not point.saturated:
        lines += wrapped(
            f"offset at the output up to {si(point.output_worst_v, 'V')}, "
            f"{si(point.output_rms_v, 'V')} rms"
        )
    worst = small.worst_sensitivity
    if worst is not None and worst.value:
        lines += wrapped(
            f"largest sensitivity: {worst.quantity} to {worst.part}, {plain(worst.value)}"
        )
    return lines


def _range_lines(facts: Facts) -> list[str]:
    """Say where the real response is near the ideal one, and H + H' near its ideal sum."""
    small, lines = facts.small, []
    within = small.deviation.within_3db
    if facts.network.op_amps and not within.to_hz:
        lines += wrapped("real response nowhere within 3 dB of the ideal one")
    elif facts.network.op_amps and (math.isfinite(within.to_hz) or within.from_hz):
        lines += wrapped(
            f"real response within 3 dB of the ideal one{_between(within.from_hz, within.to_hz)}"
            f"{_ideal_there(facts, within.to_hz)}"
        )
    low, high = small.defect_1pct_from_hz, small.defect_1pct_hz
    if high and (math.isfinite(high) or low):
        total = small.system.network.complement_sum
        share = "1 %" if total else "0.01"
        lines += wrapped(f"H + H' = {total} within {share}{_between(low, high)}")
    return lines


def _between(low: float, high: float) -> str:
    start = f" from {si(low, 'Hz')}" if low else ""
    return start + (f" up to {si(high, 'Hz')}" if math.isfinite(high) else "")


def _ideal_there(facts: Facts, at_hz: float) -> str:
    """Say how low the ideal response is where the real one leaves it, if that is a stop band."""
    if not math.isfinite(at_hz):
        return ""
    loop = facts.small.loop
    h = transfer(loop, loop.transfer())
    here = float(abs(h.response(np.array([at_hz]))[0]))
    if any(p == 0 for p in h.poles):  # no peak to be measured by
        return f", where the ideal one is at {decibels(20 * math.log10(here))}" if here else ""
    share = here / (facts.small.deviation.peak or 1.0)
    if not 0 < share < _STOPPED:
        return ""
    return f", where that is at {decibels(20 * math.log10(share))} of its peak"


def _noise_lines(facts: Facts) -> list[str]:
    noise = facts.small.noise
    low, high = noise.band_hz
    loud = ", ".join(
        f"{c.part} {c.kind} {plain(100 * c.share, 2)} %"
        for c in noise.contributors[:_LOUDEST]
        if c.share >= _HEARD
    )
    snr = snr_db(facts)
    against = "" if snr is None else f", {plain(snr)} dB below the largest sine"
    return wrapped(
        f"noise {si(noise.vrms, 'V')} rms over {si(low, 'Hz')} to {si(high, 'Hz')}{against}; "
        f"of its power {loud or 'nothing'}",
        hanging="  ",
    )


def _shift(r: RootShift) -> str:
    text = f"f0 {format_si(r.f0_hz, 'Hz', 5)} {percent(r.f0_shift)}"
    if r.q is None:
        return f"{text}, real"
    if math.isinf(r.q):
        return f"{text}, on the axis"
    if r.q_shift is not None and r.q_shift <= -1:
        return f"{text}, Q {plain(r.q, 4)}: grows"
    return f"{text}, Q {plain(r.q, 4)} {'-' if r.q_shift is None else percent(r.q_shift)}"


def _level_lines(facts: Facts, unusable: Sequence[str]) -> list[str]:
    levels = facts.levels
    if not facts.small.stable:
        return wrapped("no levels and no noise: they mean nothing while a mode grows")
    low, high = levels.band_hz
    largest = levels.largest_input
    lines = []
    once = f"once {' and '.join(unusable)} is mended: " if unusable else ""
    if math.isfinite(largest.value):
        name, cause = levels.bound
        lines += wrapped(
            f"{once}from {si(low, 'Hz')} to {si(high, 'Hz')} the source may have "
            f"{si(largest.value, 'V')} of amplitude ({name}, {cause}, at "
            f"{si(largest.at_hz, 'Hz')}); output up to {si(levels.largest_output.value, 'V')}",
            hanging="  ",
        )
    other = facts.other
    lines += wrapped(
        f"input impedance {_impedance(levels.input_impedance)}"
        + ("" if other is None else f"; {facts.there}, {_impedance(other.input_impedance)}")
    )
    return lines


def _impedance(z: Peak) -> str:
    if math.isinf(z.value):
        return "infinite: no current flows in"
    return f"down to {si(z.value, 'ohm')} at {si(z.at_hz, 'Hz')}"


def _predistortion_lines(found: Predistortion | None) -> list[str]:
    if found is not None and found.possible and not found.changes:
        return labelled(
            "pre-distortion", "nothing to put back: this op amp leaves poles and zeros in place"
        )
    if found is None or not (found.possible or found.changes):
        reason = "not looked for" if found is None else found.reason
        return labelled("pre-distortion", f"not possible: {reason}")
    values = found.network.values
    off = max((r.worst for r in found.before), default=0.0) >= NOTHING
    what = f"values that put {'poles and zeros' if off else 'the gain'} back with this op amp"
    lines = labelled("pre-distortion", what if found.possible else f"in part: {found.reason}")
    rows = []
    for part, factor in found.changes:
        power = found.network.branch(part).power
        unit = {0: "ohm", 1: "F", -1: "H"}.get(power, "")
        rows.append((part, format_si(values[part], unit, DIGITS), percent(factor - 1)))
    lines += table(("part", "value", "change"), rows)
    if not off:
        lines += wrapped(
            f"gain error {percent(found.gain_error)} (before: {percent(found.gain_error_before)})"
        )
    for s in found.spread if off else ():
        lines += wrapped(
            f"with {percent(s.factor - 1)} of gain-bandwidth the worst shift of f0 or Q is "
            f"{plain(100 * s.worst_after)} % (before: {plain(100 * s.worst_before)} %)",
            hanging="  ",
        )
    return lines
